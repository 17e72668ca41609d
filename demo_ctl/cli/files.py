"""Where the commands look for what they are given."""

from __future__ import annotations

import os
from contextlib import suppress
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

from demo_ctl.terms.errors import InputError, Place

if TYPE_CHECKING:
    from demo_ctl.terms.located import Located

#: No more names of files than this in one message.
MOST_NAMES = 12
DEFAULT_UNIT = Path("configs/units/mossbrook.yaml")


def unit_path(given: str | None) -> Path:
    """Return the unit's file: the one given, or the sample unit below this folder or beside the program."""
    if given is not None:
        return existing(given)
    for base in (Path(), Path(__file__).resolve().parents[2]):
        if (base / DEFAULT_UNIT).is_file():
            return base / DEFAULT_UNIT
    raise InputError(
        f"there is no {DEFAULT_UNIT} here",
        next_step="Run this in the checkout of demo_ctl, or say which unit: --unit FILE.",
    )


def unit_named(given: str | None, located: Located[Any]) -> str | None:
    """Return the unit that is asked for, or else the one that a run sheet or an exhibit names, if it names one."""
    from demo_ctl.script.staged import beside

    if given is None and located.value.unit is not None:
        return str(beside(located, located.value.unit))
    return given


def existing(given: str) -> Path:
    """Return the path of a file that must be there."""
    path = Path(given)
    if path.is_dir():
        raise InputError("this is a folder, a file is wanted", where=Place(given), next_step=_there(path, path))
    if not path.exists():
        raise InputError("there is no such file", where=Place(given), next_step=_there(path.parent, path))
    return path


def write_whole(name: str, data: bytes) -> None:
    """Write a file as a whole, or not at all. Raises InputError, which names it."""
    path = Path(name)
    beside = path.with_name(f".demo_ctl-{os.getpid()}.partial")
    try:
        try:
            with beside.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            beside.replace(path)
        except BaseException:
            with suppress(OSError):
                beside.unlink()
            raise
    except OSError as error:
        raise InputError(
            f"this file could not be written, and there is nothing of it: {error.strerror or error}",
            where=Place(name),
            next_step=f"See to room and rights in {path.absolute().parent}, or give a name in another folder.",
        ) from None


def _there(folder: Path, wanted: Path) -> str:
    """Say what the folder has of this kind, what is spelt nearly alike first."""
    kind = wanted.suffix if wanted != folder and wanted.suffix else ".yaml"
    names = sorted(each.name for each in folder.glob(f"*{kind}")) if folder.is_dir() else []
    if not names:
        return "Check the spelling and the folder."
    alike = get_close_matches(wanted.name, names, n=1)
    if alike:
        return f"Did you mean {folder / alike[0]}?"
    more = " and more" if len(names) > MOST_NAMES else ""
    return f"In that folder there are: {', '.join(names[:MOST_NAMES])}{more}."
