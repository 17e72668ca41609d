"""The dated records of provings: one JSON file each, never written over; and whether one of them is still valid.

A file is written whole or not at all: beside its place first, synced, then given its name. Its `check` is the SHA-256
of all the rest: it finds accidents (a file torn, or changed by mistake), not forgery; whoever can write the folder can
write a proving. The newest record of a board and unit decides, however it ended: a guard that failed is not made good
by having passed before. Which is the newest is told by a number that only grows, not by a clock that may be set back.
"""

from __future__ import annotations

import hashlib
import json
import os
import secrets
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from demo_ctl.link.client import LimitsInForce
from demo_ctl.safety.evidence import missing
from demo_ctl.safety.proving import OPTIONAL
from demo_ctl.safety.proving_night import HEAD, NIGHT_OPTIONAL, missing_at_night, whole
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
    """Write a proving into `folder`, with its number; return its file. InputError when that cannot be done."""
    number = 1 + max((each.number for each in read_all(folder)[0]), default=0)
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
            path = _give_name(partial, folder, f"proving-{stamp}-board-{proving.board}")
        finally:
            partial.unlink(missing_ok=True)
        sync_folder(folder)
    except OSError as error:
        raise _cannot(folder, error) from None
    return path


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
    if type(value) is not int or value < 0:
        raise TypeError("expected a number")
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
            found.append(replace(parse(data), file=str(path)))
        except (OSError, ValueError) as error:
            remarks.append(f"{path}: {getattr(error, 'strerror', None) or error}")
    return found, remarks


# -- validity -----------------------------------------------------------------------------------------------


#: A proving may leave the test plug and the relays' test buttons out for so long since one that did not
#: (common practice, no source: what is done each morning may be less than what is done each month).
WHOLE = timedelta(days=31)


@dataclass(frozen=True)
class Wanted:
    """What a proving must have been made of: this board and unit, at most so old.

    digest: of the limits in force now; firmware: its version; covers: those that the unit's file names, () when it
    names none; simulated: whether the board is; night: it must hold for the night, too.
    """

    board: str
    digest: str
    unit: str
    age: timedelta
    now: datetime
    firmware: str
    covers: tuple[str, ...] = ()
    simulated: bool = False
    night: bool = False


def of_this(proving: Proving, wanted: Wanted) -> bool:
    """Return whether a proving is one of this board at this unit."""
    return (proving.board, proving.unit, proving.simulated) == (wanted.board, wanted.unit, wanted.simulated)


def objection(proving: Proving, wanted: Wanted) -> str:
    """Return why this proving, taken by itself, does not count, or "" when it does.

    Whatever the record says of itself is held against its own steps: they must be those of the procedure, in order,
    each passed; only the optional ones may have been left out. None of this finds forgery, only accidents.
    """
    if proving.board != wanted.board:
        return f"it was made with another board ({proving.board}, this one is {wanted.board})"
    if proving.unit != wanted.unit:
        return f"it was made at another unit ('{proving.unit}', this one is '{wanted.unit}')"
    if proving.simulated != wanted.simulated:
        return f"it was made with a {'simulated' if proving.simulated else 'real'} board"
    if proving.verdict == FAILED:
        return f"it failed: {proving.say}"
    if proving.verdict == UNFINISHED:
        return f"it was not finished: {proving.say}"
    if proving.verdict != PASSED:
        return f"it ended as '{proving.verdict}', which is no verdict known here"
    ended = datetime.fromisoformat(proving.ended)
    if _ahead(proving, wanted) or datetime.fromisoformat(proving.began) > ended:
        return _future(proving, wanted)
    if wanted.now - ended > wanted.age:
        return f"it is too old ({age_text(wanted.now - ended)}; {age_text(wanted.age)} at most)"
    if proving.digest != wanted.digest:
        return f"the board's limits have changed since (their digest was {proving.digest} and is {wanted.digest})"
    if proving.firmware != wanted.firmware:
        return f"the board's firmware has changed since (it was {proving.firmware} and is {wanted.firmware})"
    if wanted.covers and proving.covers != wanted.covers:
        return (
            f"the unit's file names other covers (proven: {', '.join(proving.covers) or 'none'}; "
            f"named: {', '.join(wanted.covers)})"
        )
    lacking = missing(proving.exercised)
    if lacking:
        return f"it does not bear out its own verdict: {'; '.join(lacking)}"
    return _steps_wrong(proving) or (day_only(proving) if wanted.night else "")


def _ahead(proving: Proving, wanted: Wanted) -> bool:
    return datetime.fromisoformat(proving.ended) - wanted.now > AHEAD


def _future(proving: Proving, wanted: Wanted) -> str:
    return (
        f"it is dated in the future, by this computer's clock (it ended {proving.ended}; now is "
        f"{wanted.now.isoformat(timespec='seconds')}): set the clock right; if it is right now, it was wrong then: "
        "move that file away and prove the guard anew"
    )


def day_only(proving: Proving) -> str:
    """Return why a proving that counts holds for the day only, or "" when it holds for the night, too."""
    without = night_without(step.name for step in proving.steps if step.result == SKIPPED)
    if without:
        return f"it holds for the day only: left out in it: {without}"
    lacking = missing_at_night(proving.exercised)
    return f"it holds for the day only: {'; '.join(lacking)}" if lacking else ""


def night_without(names: Iterable[str]) -> str:
    """Write which of the night's steps were left out; all of them are one thing."""
    named = set(names)
    return "all of the night" if HEAD in named else ", ".join(name for name in NIGHT_OPTIONAL if name in named)


def _steps_wrong(proving: Proving) -> str:
    """Return what is wrong with a record's steps, held against those that the procedure has for its covers."""
    own = "it does not bear out its own verdict"
    try:
        limits = LimitsInForce(proving.limits, int(proving.digest, 16))
        wanted = whole(proving.covers, limits)
    except (KeyError, ValueError):
        return f"{own}: it does not tell the limits that it was made under"
    if not proving.covers:
        return f"{own}: no cover was opened in it"
    skipped: set[str] = set()
    if len(proving.steps) != len(wanted):
        return f"{own}: it has {len(proving.steps)} steps, a proving of {len(proving.covers)} covers has {len(wanted)}"
    for result, step in zip(proving.steps, wanted, strict=True):
        if result.name != step.name:
            return f"{own}: it has '{result.name}' where '{step.name}' belongs"
        if (step.optional or step.belongs in skipped) and result.result == SKIPPED:
            skipped.add(step.name)
        elif result.result != (SKIPPED if step.belongs in skipped else PASSED):
            return f"{own}: '{step.name}' is '{result.result}'"
    return ""


def left_out(proving: Proving) -> tuple[str, ...]:
    """Return the names of the optional steps that a proving left out; what only belongs to them is not named."""
    return tuple(step.name for step in proving.steps if step.result == SKIPPED and step.name in OPTIONAL)


def without_text(names: Iterable[str]) -> str:
    """Write which optional steps were left out, in the order of the procedure."""
    named = set(names)
    return ", ".join(name for name in OPTIONAL if name in named)


def best(provings: Iterable[Proving], wanted: Wanted, remarks: Iterable[str] = ()) -> tuple[Proval | None, str]:
    """Return the newest proving of this board and unit if it counts; or None, and why it does not.

    The newest one decides, by its number, and among those without one by the time it ended; never an older one, and a
    newer file of this board that cannot be read (remarks: of `read_all`) speaks against all. It may leave optional
    steps out if each was passed, at this board and unit, within `WHOLE`.

    One that is dated in the future was made while the clock was wrong, and when that was nobody knows. One that passed
    is passed over, so that a new one helps; one that did not pass may be the last, and speaks against all until a
    person has seen to it.
    """
    provings = list(provings)
    mine = [proving for proving in provings if of_this(proving, wanted)]
    if not mine:
        return None, "this board and unit have no proving on this computer"
    dated = [each for each in mine if not _ahead(each, wanted)]
    if dated:
        for each in mine:
            if _ahead(each, wanted) and each.verdict != PASSED:
                where = f" ({each.file})" if each.file else ""
                return (
                    None,
                    f"a proving of this board that did not pass{where} may be the last: {_future(each, wanted)}",
                )
    newest = max(dated or mine, key=lambda each: (each.number, datetime.fromisoformat(each.ended), each.file))
    last = f"the last proving of this board, ended {newest.ended}{f' ({newest.file})' if newest.file else ''}"
    against = objection(newest, wanted)
    if against:
        return None, f"{last}, does not count: {against}"
    for remark in remarks:
        name = Path(remark.partition(": ")[0]).name
        if f"-board-{wanted.board}" in name and name > f"proving-{stamp_of(newest.began)}":
            return None, f"a newer proving of this board than {newest.ended} cannot be read: {remark}"
    without = left_out(newest)
    until = datetime.fromisoformat(newest.ended) + wanted.age
    for name in without:
        done = [at for each in mine if (at := _done(each, name, wanted)) is not None]
        if not done or wanted.now - max(done) > WHOLE:
            since = f"was last done {max(done).isoformat(timespec='seconds')}" if done else "was never done"
            return None, (
                f"{last}, left out '{name}', and that {since}; it may be left out for {WHOLE.days} days at most"
            )
        until = min(until, max(done) + WHOLE)
    return Proval(newest, until, without), ""


def _done(proving: Proving, name: str, wanted: Wanted) -> datetime | None:
    """Return when a proving that passed did an optional step, or None."""
    ended = datetime.fromisoformat(proving.ended)
    if proving.verdict != PASSED or ended - wanted.now > AHEAD or missing(proving.exercised) or _steps_wrong(proving):
        return None
    passed = any(step.name == name and step.result == PASSED for step in proving.steps)
    return ended if passed and proving.firmware == wanted.firmware else None


@dataclass(frozen=True)
class Proval:
    """A proving that counts: until when, and which optional steps it left out."""

    proving: Proving
    until: datetime
    without: tuple[str, ...]


def age_text(age: timedelta) -> str:
    """Write an age for people."""
    minutes = int(age.total_seconds() // 60)
    if minutes < 120:
        return f"{minutes} min"
    hours = minutes // 60
    return f"{hours} h" if hours < 72 else f"{hours // 24} days"
