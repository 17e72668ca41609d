"""The dated records of provings: one JSON file each, never written over. (`proof_counts` says which of them counts.)

A file is written whole or not at all: beside its place first, synced, then given its name. Its `check` is the SHA-256
of all the rest: it finds accidents (a file torn, or changed by mistake), not forgery; whoever can write the folder can
write a proving. Which record is the newest is told by a number that only grows, not by a clock that may be set back;
it stands in the file's name, too, so that it is known of a file that is torn.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import secrets
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from demo_ctl.terms.errors import InputError, Place

FORMAT = "demo_ctl proving 1"
PASSED, FAILED, UNFINISHED, SKIPPED = "passed", "failed", "not finished", "skipped"
#: A proving is a few kilobytes.
_MOST_BYTES = 1 << 20
#: No more files than this are looked at: those whose names say nothing, then by number, the newest first.
_MOST_FILES = 1000
_MOST_NUMBER = 10**9 - 1
#: Names of files, from number 1 on; those from before there were numbers in names have none.
_NAME = re.compile(r"proving-(?:([0-9]{1,9})-)?([0-9]{8}T[0-9]{6}Z)-board-[0-9a-f]{16}(?:-[0-9]+)?\.json")


@dataclass(frozen=True)
class StepResult:
    """One step. result: "passed", "failed", "skipped" or "not finished"; figures: (name, took ms, limit ms)."""

    name: str
    asked: str
    result: str
    say: str = ""
    figures: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True)
class CausedTrip:
    """A trip that a proving caused on purpose. boot: which start of the board; at_us: its clock; reason: its name."""

    boot: int
    at_us: int
    reason: str


@dataclass(frozen=True)
class Proving:
    """One proving. board: the chip's number, 16 hexadecimal digits; digest: of the limits in force, 8 of them.

    trips: those that it caused on purpose. number: of the record, one more than any that was there when it was kept (a
    clock may be set back); 0: not kept, or before there were numbers.
    """

    began: str
    ended: str
    board: str
    simulated: bool
    firmware: str
    port: str
    unit: str
    who: str
    digest: str
    limits: Mapping[str, int]
    covers: tuple[str, ...]
    steps: tuple[StepResult, ...]
    exercised: int
    verdict: str
    say: str
    trips: tuple[CausedTrip, ...] = ()
    number: int = 0
    file: str = field(default="", compare=False)


@dataclass(frozen=True)
class Unread:
    """A file that is no proving, or not whole. why: in words.

    number: in its name; 0: the name is from before names had numbers; None: nobody knows which number it has.
    """

    file: str
    why: str
    number: int | None = None


def default_folder() -> Path:
    """Return where provings are kept: below XDG_STATE_HOME, or ~/.local/state."""
    state = os.environ.get("XDG_STATE_HOME", "")
    base = Path(state) if os.path.isabs(state) else Path.home() / ".local" / "state"
    return base / "demo_ctl" / "provings"


def board_text(board: int) -> str:
    """Write a board's number."""
    return f"{board:016x}"


def digest_text(digest: int) -> str:
    """Write a digest."""
    return f"{digest:08x}"


def firmware_text(firmware: int) -> str:
    """Write a firmware's number (`board.identity`). Before it was a digest, records had a version with a dot."""
    return f"{firmware:04x}"


# -- files --------------------------------------------------------------------------------------------------


def prepare(folder: Path) -> None:
    """Make the folder, and see that a file can be made in it, before a person is asked to do anything."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        probe = folder / f".{secrets.token_hex(8)}"
        probe.touch(exist_ok=False)
        probe.unlink()
    except OSError as error:
        raise _cannot(folder, error) from None


def keep(proving: Proving, folder: Path) -> Path:
    """Write a proving into `folder`, with its number; return its file. InputError when that cannot be done."""
    number = 1 + _highest(folder)
    if number > _MOST_NUMBER:
        raise _cannot(folder, OSError(f"a file in it has the number {_MOST_NUMBER}, and there is none after that"))
    data = text_of(replace(proving, number=number)).encode()
    stamp = stamp_of(proving.began)
    partial = folder / f".{secrets.token_hex(8)}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        try:
            with partial.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            path = _give_name(partial, folder, f"proving-{number:06d}-{stamp}-board-{proving.board}")
        finally:
            partial.unlink(missing_ok=True)
        sync_folder(folder)
    except OSError as error:
        raise _cannot(folder, error) from None
    return path


def _highest(folder: Path) -> int:
    """Return the highest number in a folder, of files that cannot be read, too; 0 when there is none."""
    names = (_number_of(path.name) for path in _files(folder))
    return max((*(each or 0 for each in names), *(each.number for each in read_all(folder)[0])), default=0)


def _number_of(name: str) -> int | None:
    """Return the number in a file's name; 0 when it is from before there were any, None when no proving is named so."""
    found = _NAME.fullmatch(name)
    return int(found[1] or 0) if found else None


def stamp_of(moment: str) -> str:
    """Return an instant as it stands in the names of files."""
    return datetime.fromisoformat(moment).astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")


def _give_name(partial: Path, folder: Path, name: str) -> Path:
    """Name the file; a name that is taken is left alone. (A link, unlike a rename, never replaces a file.)"""
    for number in range(1, 1000):
        path = folder / f"{name}{f'-{number}' if number > 1 else ''}.json"
        try:
            os.link(partial, path)
        except FileExistsError:
            continue
        return path
    raise OSError(f"there are too many provings named {name}")


def sync_folder(folder: Path) -> None:
    """See a folder's names to the disk, where the system can."""
    with suppress(OSError):  # some systems cannot; the file itself is on the disk
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _cannot(folder: Path, error: OSError) -> InputError:
    return InputError(
        f"the proving cannot be kept here: {error.strerror or error}",
        where=Place(str(folder)),
        next_step="Give --proving-dir a folder that you may write to.",
    )


def as_json(proving: Proving) -> dict[str, Any]:
    """Return a proving as plain JSON values, its check among them."""
    body = {"format": FORMAT, **asdict(proving)}
    del body["file"]
    body["steps"] = [
        {**step, "figures": [{"name": n, "took_ms": t, "limit_ms": m} for n, t, m in step["figures"]]}
        for step in body["steps"]
    ]
    body["covers"] = list(body["covers"])
    body["trips"] = list(body["trips"])
    body["limits"] = dict(body["limits"])
    body["check"] = _check(body)
    return body


def text_of(proving: Proving) -> str:
    """Return the text of a proving's file."""
    return json.dumps(as_json(proving), indent=2, ensure_ascii=True) + "\n"


def _check(body: Mapping[str, Any]) -> str:
    rest = {key: value for key, value in body.items() if key != "check"}
    return hashlib.sha256(json.dumps(rest, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def parse(text: str | bytes) -> Proving:
    """Read the text of a proving's file. ValueError, with what is wrong, when it is not one, or not whole."""
    try:
        body = json.loads(text)
    except (ValueError, RecursionError):
        raise ValueError("it is torn, or no JSON") from None
    if not isinstance(body, dict) or body.get("format") != FORMAT:
        raise ValueError(f"its format is not '{FORMAT}'")
    if body.get("check") != _check(body):
        raise ValueError("it is not as it was written (its check does not fit)")
    try:
        return _proving(body)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise ValueError(f"it does not hold what a proving holds ({type(error).__name__}: {error})") from None


def _proving(body: Mapping[str, Any]) -> Proving:
    texts = {
        name: _text(body[name])
        for name in ("began", "ended", "board", "firmware", "port", "unit", "who", "digest", "verdict", "say")
    }
    for name in ("began", "ended"):
        if datetime.fromisoformat(texts[name]).tzinfo is None:
            raise ValueError(f"{name}: no time zone")
    steps = tuple(
        StepResult(
            _text(step["name"]),
            _text(step["asked"]),
            _text(step["result"]),
            _text(step["say"]),
            tuple((_text(f["name"]), float(f["took_ms"]), float(f["limit_ms"])) for f in step["figures"]),
        )
        for step in body["steps"]
    )
    return Proving(
        **texts,
        simulated=body["simulated"] is True,
        limits={_text(name): int(value) for name, value in body["limits"].items()},
        covers=tuple(_text(cover) for cover in body["covers"]),
        steps=steps,
        exercised=int(body["exercised"]),
        trips=tuple(CausedTrip(int(t["boot"]), int(t["at_us"]), _text(t["reason"])) for t in body["trips"]),
        number=_number(body.get("number", 0)),
    )


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError("expected text")
    return value


def _number(value: object) -> int:
    if type(value) is not int or not 0 <= value <= _MOST_NUMBER:
        raise TypeError("expected a number")
    return value


def _files(folder: Path) -> list[Path]:
    """Return the files of a folder that may be provings, in the order of `_MOST_FILES`, the newest last."""
    try:
        paths = [each for each in folder.glob("*.json") if each.is_file()]
    except OSError:
        return []
    return sorted(paths, key=lambda each: (_MOST_NUMBER + 1 if (n := _number_of(each.name)) is None else n, each.name))


def read_all(folder: Path) -> tuple[list[Proving], list[Unread]]:
    """Read the provings of a folder, the newest first; return them, and those files that are none."""
    found: list[Proving] = []
    unread: list[Unread] = []
    for path in reversed(_files(folder)[-_MOST_FILES:]):
        number = _number_of(path.name)
        try:
            with path.open("rb") as file:
                data = file.read(_MOST_BYTES + 1)
            if len(data) > _MOST_BYTES:
                raise ValueError("it is too long")
            proving = replace(parse(data), file=str(path))
            if number and number != proving.number:
                said, number = number, None
                raise ValueError(f"its name says that it is number {said}, it says itself {proving.number}")
            found.append(proving)
        except (OSError, ValueError) as error:
            unread.append(Unread(str(path), str(getattr(error, "strerror", None) or error), number))
    return found, unread
