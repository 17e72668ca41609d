"""Where the commands look for what they are given."""

from __future__ import annotations

from pathlib import Path

from demo_ctl.terms.errors import InputError, Place

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


def existing(given: str) -> Path:
    """Return the path of a file that must be there."""
    path = Path(given)
    if path.is_dir():
        raise InputError("this is a folder, a file is wanted", where=Place(given))
    if not path.exists():
        near = sorted(p.name for p in path.parent.glob("*.yaml")) if path.parent.is_dir() else []
        hint = f"In that folder there are: {', '.join(near[:12])}." if near else "Check the spelling and the folder."
        raise InputError("there is no such file", where=Place(given), next_step=hint)
    return path
