"""Whether a guard counts as proven, by the records of its provings (`proof_store`). Pure.

The newest record of a board and unit decides, however it ended: a guard that failed is not made good by having passed
before. None of this finds forgery, only accidents.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from demo_ctl.link.limits import LimitsInForce
from demo_ctl.safety.evidence import missing
from demo_ctl.safety.procedure import live_marks
from demo_ctl.safety.proof_store import FAILED, PASSED, SKIPPED, UNFINISHED, Proving, StepResult, Unread, digest_text
from demo_ctl.safety.proving import OPTIONAL, Step
from demo_ctl.safety.proving_night import HEAD, NIGHT_OPTIONAL, missing_at_night, whole
from demo_ctl.wire import messages as m

#: Clocks of two computers may differ by so much; more, and a proving is "from the future".
AHEAD = timedelta(minutes=5)
#: A proving may leave the test plug and the relays' test buttons out for so long since one that did not
#: (common practice, no source: what is done each morning may be less than what is done each month).
WHOLE = timedelta(days=31)


@dataclass(frozen=True)
class Wanted:
    """What a proving must have been made of: this board and unit, at most so old.

    digest: of the limits in force now; firmware: its number; covers: those that the unit's file names, () when it
    names none; simulated: whether the board is; night: it must hold for the night, too; doubt: why that number says
    nothing, "" when it does (`firmware_sources.doubt`).
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
    doubt: str = ""


def objection(proving: Proving, wanted: Wanted) -> str:
    """Return why this proving, taken by itself, does not count, or "" when it does.

    Whatever the record says of itself is held against its own steps: they must be those of the procedure, in order,
    each passed, with its figures; only the optional ones may have been left out.
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
    if wanted.doubt:
        return wanted.doubt
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
    if not _fits(proving):
        return f"{own}: the limits in it are not those of its digest"
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
        elif result.result == PASSED and (wrong := _figures_wrong(result, step, limits)):
            return f"{own}: '{step.name}' {wrong}"
    return ""


def _fits(proving: Proving) -> bool:
    """Return whether a record's digest is that of its limits, with its firmware and this table."""
    try:
        data = struct.pack(f"<{len(m.LIMIT_NAMES)}I", *(proving.limits[name] for name in m.LIMIT_NAMES))
        return digest_text(m.limits_digest(data, int(proving.firmware, 16))) == proving.digest
    except (KeyError, ValueError, struct.error):
        return False


def limits_ms(step: Step, limits: LimitsInForce) -> dict[str, float]:
    """Return the figures that a step must have when it has passed: by name, what each may be at most."""
    # The first of `live_marks` is the plan's own lead, and no figure of the guard's.
    marks = (*(live_marks(limits)[1:] if step.live else ()), *step.marks)
    return {mark.name: mark.limit_us / 1000 for mark in marks if mark.limit_us is not None}


def _figures_wrong(result: StepResult, step: Step, limits: LimitsInForce) -> str:
    """Return what is wrong with the figures of a step that says it passed; one that is no number is wrong, too."""
    right = limits_ms(step, limits)
    for name, took_ms, most_ms in result.figures:
        least_ms = min(most_ms, right.pop(name, most_ms))
        if not (0 <= took_ms <= most_ms and took_ms <= least_ms):
            return f"passed, and '{name}' took {took_ms:g} ms, at most {least_ms:g} ms is right"
    return f"has no figure for '{next(iter(right))}'" if right else ""


def left_out(proving: Proving) -> tuple[str, ...]:
    """Return the names of the optional steps that a proving left out; what only belongs to them is not named."""
    return tuple(step.name for step in proving.steps if step.result == SKIPPED and step.name in OPTIONAL)


def without_text(names: Iterable[str]) -> str:
    """Write which optional steps were left out, in the order of the procedure."""
    named = set(names)
    return ", ".join(name for name in OPTIONAL if name in named)


def best(provings: Iterable[Proving], wanted: Wanted, unread: Iterable[Unread] = ()) -> tuple[Proval | None, str]:
    """Return the newest proving of this board and unit if it counts; or None, and why it does not.

    The newest one decides, by its number, and among those without one by the time it ended; never an older one. It may
    leave optional steps out if each was passed, at this board and unit, within `WHOLE`. Against it speak, if they may
    be newer: a file of this board that cannot be read (unread: of `read_all`), a failure of this board at another unit,
    and one that is dated in the future.

    That one was made while the clock was wrong, or the clock is wrong now, and when it was nobody knows. One that
    passed is passed over when what was kept after it counts, so that a new one helps; one that did not pass speaks
    against all until a person has seen to it.
    """
    provings = list(provings)
    same = [each for each in provings if (each.board, each.simulated) == (wanted.board, wanted.simulated)]
    mine = [each for each in same if each.unit == wanted.unit]
    if not mine:
        return None, "this board and unit have no proving on this computer"
    newest = max(
        [each for each in mine if not _ahead(each, wanted)] or mine, key=lambda each: (*_order(each), each.file)
    )
    last = f"the last proving of this board, ended {newest.ended}{_where(newest)}"
    against = objection(newest, wanted)
    if against:
        return None, f"{last}, does not count: {against}"
    against = _others(newest, same, wanted) or _torn(newest, unread, wanted)
    if against:
        return None, against
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


def _order(proving: Proving) -> tuple[int, datetime]:
    return proving.number, datetime.fromisoformat(proving.ended)


def _where(proving: Proving) -> str:
    return f" ({proving.file})" if proving.file else ""


def _others(newest: Proving, same: Iterable[Proving], wanted: Wanted) -> str:
    """Return what other provings of the same board say against the newest that counts by itself, or ""."""
    for each in same:
        later = _order(each) > _order(newest)
        if each.unit != wanted.unit:
            # That one was left unfinished there says nothing of the board.
            if later and each.verdict not in (PASSED, UNFINISHED):
                return f"this board failed a later proving, as one of '{each.unit}'{_where(each)}: {each.say}"
        elif _ahead(each, wanted) and (later or each.verdict != PASSED):
            what = "kept later" if each.verdict == PASSED else "that did not pass"
            return f"a proving of this board {what}{_where(each)} may be the last: {_future(each, wanted)}"
    return ""


def _torn(newest: Proving, unread: Iterable[Unread], wanted: Wanted) -> str:
    """Return which file of this board cannot be read and may be newer than the newest that can, or ""."""
    numbered = f"proving-{newest.number:06d}-" in Path(newest.file).name
    for each in unread:
        name = Path(each.file).name
        if f"-board-{wanted.board}" not in name:
            continue
        # What has no number in its name is older than what has one, and among its like nobody knows.
        may_be = each.number is None or (each.number >= newest.number if each.number else not numbered)
        if may_be:
            return (
                f"a proving of this board that may be newer than {newest.ended} cannot be read: {each.file}: "
                f"{each.why} (move that file away, and prove the guard anew)"
            )
    return ""


def _done(proving: Proving, name: str, wanted: Wanted) -> datetime | None:
    """Return when a proving that passed did an optional step, or None."""
    ended = datetime.fromisoformat(proving.ended)
    if proving.verdict != PASSED or _ahead(proving, wanted) or missing(proving.exercised) or _steps_wrong(proving):
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
