"""The dated records of provings: one JSON file each, never written over; and whether one of them is still valid.

A file is written whole or not at all: beside its place first, synced, then given its name. Its `check` is the SHA-256
of all the rest, so that a file that was torn or edited is not taken for a proving.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from demo_ctl.terms.errors import InputError, Place

FORMAT = "demo_ctl proving 1"
PASSED, FAILED, UNFINISHED, SKIPPED = "passed", "failed", "not finished", "skipped"
#: A proving is a few kilobytes.
_MOST_BYTES = 1 << 20
#: Clocks of two computers may differ by so much; more, and a proving is "from the future".
AHEAD = timedelta(minutes=5)
#: No more files than this are looked at, the newest first.
_MOST_FILES = 1000


@dataclass(frozen=True)
class StepResult:
    """One step. result: "passed", "failed", "skipped" or "not finished"; figures: (name, took ms, limit ms)."""

    name: str
    asked: str
    result: str
    say: str = ""
    figures: tuple[tuple[str, float, float], ...] = ()


@dataclass(frozen=True)
class Proving:
    """One proving. board: the chip's number, 16 hexadecimal digits; digest: of the limits in force, 8 of them."""

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
    file: str = field(default="", compare=False)


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
    """Write a firmware's version."""
    return f"{firmware >> 8}.{firmware & 0xFF}"


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
    """Write a proving into `folder`; return its file. InputError when that cannot be done."""
    data = text_of(proving).encode()
    stamp = datetime.fromisoformat(proving.began).astimezone(UTC).strftime("%Y%m%dT%H%M%SZ")
    partial = folder / f".{secrets.token_hex(8)}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        try:
            with partial.open("xb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            path = _give_name(partial, folder, f"proving-{stamp}-board-{proving.board}")
        finally:
            partial.unlink(missing_ok=True)
        _sync_folder(folder)
    except OSError as error:
        raise _cannot(folder, error) from None
    return path


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


def _sync_folder(folder: Path) -> None:
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
        next_step="Give --record-dir a folder that you may write to.",
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
    )


def _text(value: object) -> str:
    if not isinstance(value, str):
        raise TypeError("expected text")
    return value


def read_all(folder: Path) -> tuple[list[Proving], list[str]]:
    """Read the provings of a folder, the newest name first. Return them, and a remark for each file that is none."""
    found: list[Proving] = []
    remarks: list[str] = []
    try:
        paths = sorted((each for each in folder.glob("*.json") if each.is_file()), key=lambda each: each.name)
    except OSError:
        paths = []
    for path in reversed(paths[-_MOST_FILES:]):
        try:
            with path.open("rb") as file:
                data = file.read(_MOST_BYTES + 1)
            if len(data) > _MOST_BYTES:
                raise ValueError("it is too long")
            found.append(_filed(parse(data), str(path)))
        except (OSError, ValueError) as error:
            remarks.append(f"{path}: {getattr(error, 'strerror', None) or error}")
    return found, remarks


def _filed(proving: Proving, file: str) -> Proving:
    return Proving(**{**{name: getattr(proving, name) for name in proving.__dataclass_fields__}, "file": file})


# -- validity -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Wanted:
    """What a proving must have been made of: this board, these limits in force now, this unit, at most so old."""

    board: str
    digest: str
    unit: str
    age: timedelta
    now: datetime


def objection(proving: Proving, wanted: Wanted) -> str:
    """Return why this proving does not count, or "" when it does."""
    if proving.board != wanted.board:
        return f"it was made with another board ({proving.board}, this one is {wanted.board})"
    if proving.unit != wanted.unit:
        return f"it was made at another unit ('{proving.unit}', this one is '{wanted.unit}')"
    if proving.simulated:
        return "it was made with a simulated board"
    if proving.verdict != PASSED or any(step.result not in (PASSED, SKIPPED) for step in proving.steps):
        return (
            f"it {proving.verdict if proving.verdict != PASSED else 'does not bear out its own verdict'}: {proving.say}"
        )
    if not proving.steps:
        return "it has no steps"
    ended = datetime.fromisoformat(proving.ended)
    if ended - wanted.now > AHEAD or datetime.fromisoformat(proving.began) > ended:
        return f"it was made in the future, by this computer's clock ({proving.ended})"
    if wanted.now - ended > wanted.age:
        return f"it is too old ({age_text(wanted.now - ended)}; {age_text(wanted.age)} at most)"
    if proving.digest != wanted.digest:
        return f"the board's limits have changed since (their digest was {proving.digest} and is {wanted.digest})"
    return ""


def best(provings: Iterable[Proving], wanted: Wanted) -> tuple[Proving | None, str]:
    """Return the newest proving that counts; or None, and why the newest one of this board does not."""
    in_order = sorted(provings, key=lambda each: datetime.fromisoformat(each.ended), reverse=True)
    why = ""
    for proving in in_order:
        against = objection(proving, wanted)
        if not against:
            return proving, ""
        if not why and proving.board == wanted.board:
            why = f"the last proving of this board, begun {proving.began}, does not count: {against}"
    return None, why or "this board and unit have no proving on this computer"


def age_text(age: timedelta) -> str:
    """Write an age for people."""
    minutes = int(age.total_seconds() // 60)
    if minutes < 120:
        return f"{minutes} min"
    hours = minutes // 60
    return f"{hours} h" if hours < 72 else f"{hours // 24} days"
