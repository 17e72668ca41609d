"""Whether what was seen of the board is what a step of the proving must show. Pure.

`look` is asked again and again while a step lasts, with all that was seen since it began; nothing is remembered here.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from math import ceil

from demo_ctl.board.bus import LEAST_BATTERY_MV, LEAST_SUPPLY_MV, MOST_BATTERY_MV, QUIET_MV
from demo_ctl.safety.proving import ALARMS, CHAIN, EXERCISED, LATE_US, MIRRORS, Figure, Look, Mark, Seen, Step
from demo_ctl.wire import messages as m


@dataclass
class _Now:
    """What holds at an instant."""

    inputs: int | None = None
    state: int | None = None
    reason: int = m.R_NONE
    bus: tuple[int, int, int] | None = None
    bus_us: int = -1
    permit: bool | None = None
    why: int = m.R_NONE

    def take(self, seen: Seen) -> None:
        if seen.inputs is not None:
            self.inputs = seen.inputs
        if seen.state is not None:
            self.state, self.reason = seen.state, seen.reason
        if seen.bus is not None:
            self.bus, self.bus_us = seen.bus, seen.at_us
        if seen.permit is not None:
            self.permit, self.why = seen.permit, seen.why


def _holds(mark: Mark, now: _Now, from_us: int) -> bool:
    if mark.on or mark.off or mark.any_on or mark.any_off:
        inputs = now.inputs
        if inputs is None or inputs & mark.on != mark.on or inputs & mark.off:
            return False
        if mark.any_off and inputs & mark.any_off == mark.any_off:
            return False
        if mark.any_on and not inputs & mark.any_on:
            return False
    if mark.states and now.state not in mark.states:
        return False
    if mark.reason != m.R_NONE and now.reason != mark.reason:
        return False
    if mark.permit is not None and (now.permit is not mark.permit or (mark.why and now.why != mark.why)):
        return False
    if mark.bus or mark.fit or mark.isolated:
        if now.bus is None or now.bus_us < from_us:  # an older reading tells of what was before
            return False
        bus_mV, supply_mV, battery_mV = now.bus
        if mark.bus == "quiet" and bus_mV >= QUIET_MV:
            return False
        if mark.bus == "live" and bus_mV < LEAST_SUPPLY_MV:
            return False
        if mark.fit and not (supply_mV >= LEAST_SUPPLY_MV and LEAST_BATTERY_MV <= battery_mV <= MOST_BATTERY_MV):
            return False
        if mark.isolated and supply_mV >= QUIET_MV:
            return False
    return True


def reached(marks: Iterable[Mark], seen: Iterable[Seen], began_us: int) -> dict[str, int]:
    """Return when each mark was first met (the board's clock), for those that were. seen: in any order."""
    in_order = sorted(seen, key=lambda each: each.at_us)
    found: dict[str, int] = {}
    for mark in marks:
        from_us = found.get(mark.after) if mark.after else began_us
        if from_us is None:
            continue
        at_us = _first(mark, in_order, from_us)
        if at_us is not None:
            found[mark.name] = at_us
    return found


def _first(mark: Mark, in_order: Sequence[Seen], from_us: int) -> int | None:
    now = _Now()
    count = len(in_order)
    for index, seen in enumerate(in_order):
        now.take(seen)
        if index + 1 < count and in_order[index + 1].at_us <= max(seen.at_us, from_us):
            continue  # more is known of the same instant, or of one that counts
        at_us = max(seen.at_us, from_us)
        if _holds(mark, now, from_us):
            return at_us
    return None


def thinned(seen: Sequence[Seen], before_us: int) -> list[Seen]:
    """Leave out readings of the bus from before `before_us` that stand between two that say the same of every mark.

    A person may take minutes for a step, and the bus is read twenty times a second.
    """
    kept: list[Seen] = []
    for index, each in enumerate(seen):
        said = _said(each)
        between = 0 < index < len(seen) - 1 and said is not None and each.at_us < before_us
        if between and kept and _said(kept[-1]) == said and _said(seen[index + 1]) == said:
            continue
        kept.append(each)
    return kept


def _said(seen: Seen) -> tuple[bool, bool, bool, bool] | None:
    """Return what a reading says of every mark; None for what is more than a reading."""
    if seen.bus is None or (seen.inputs, seen.state, seen.permit) != (None, None, None):
        return None
    bus_mV, supply_mV, battery_mV = seen.bus
    fit = supply_mV >= LEAST_SUPPLY_MV and LEAST_BATTERY_MV <= battery_mV <= MOST_BATTERY_MV
    return bus_mV < QUIET_MV, bus_mV >= LEAST_SUPPLY_MV, fit, supply_mV < QUIET_MV


def look(step: Step, marks: Sequence[Mark], seen: Sequence[Seen], began_us: int, now_us: int) -> Look:
    """Say how a step stands. marks: the step's, or `live_marks`; seen: since began_us; now_us: the board's clock."""
    found = reached(marks, seen, began_us)
    figures: list[Figure] = []
    failed, at = "", None
    for mark in marks:
        from_us = found.get(mark.after) if mark.after else began_us
        at_us = found.get(mark.name)
        if from_us is not None and at_us is not None and mark.limit_us is not None:
            figure = Figure(mark.name, at_us - from_us, mark.limit_us)
            figures.append(figure)
            if figure.took_us > figure.limit_us:
                failed, at = f"{mark.name}: {ms(figure.took_us)}, at most {ms(mark.limit_us)} is right", mark
                break
    trips = _new_trips(seen, began_us)
    failed = failed or _wrong_trip(step, trips)
    wrong, may_be = _wrong_thing(step, seen, began_us, now_us)
    if wrong:
        worse = next((reason for reason in trips if not _explained(step, reason)), m.R_NONE)
        if worse == m.R_NONE:
            return Look(False, "", wrong, tuple(figures), slip=True)
        failed = f"{wrong}; and the board tripped: {_reason(worse)}"
    if not failed:
        for mark in marks:
            if mark.name in found:
                continue
            from_us = found.get(mark.after) if mark.after else began_us
            if from_us is not None and mark.limit_us is not None and now_us > from_us + mark.limit_us + LATE_US:
                failed, at = f"{mark.name}: did not happen within {ms(mark.limit_us)}", mark
                break
    waits = next((mark for mark in marks if mark.name not in found), None)
    if failed and not may_be:
        return Look(False, "", failed, tuple(figures), slip=_by_hand(step, trips, at))
    if failed:
        return Look(False, waits.name if waits else "", "", tuple(figures))
    return Look(waits is None, waits.name if waits else "", "", tuple(figures), do=waits.do if waits else "")


#: What a hand at the wrong thing, or too slow, makes the board trip for.
_HANDS = (m.R_CHAIN, m.R_KEY, m.R_DISCREPANCY)


def _explained(step: Step, reason: int) -> bool:
    """Whether a trip says no more than that a hand was at the wrong thing."""
    buttons = step.optional and not step.night and reason in (m.R_MIRROR, m.R_NO_SILENCE)
    return reason in _HANDS or reason == step.trip or buttons


def _by_hand(step: Step, trips: Sequence[int], at: Mark | None) -> bool:
    """Whether a slow hand may have made a step fail: two contacts far apart, and nothing worse. at: what failed."""
    if not step.slip or step.live or (step.optional and not step.turns):
        return False
    if trips:
        return set(trips) == {m.R_DISCREPANCY}
    others = at is None or at.states or at.bus or at.fit or at.isolated or at.permit is not None
    return bool(step.turns) and not others


@dataclass
class _Worked:
    """What the board's inputs say that hands have worked since a step began.

    opened_us: since when the chain was open with the key on, once; both: both channels were; bare_us: since when they
    are, now; night_us: since when the key stood at night, once; key: it read off; covers: their second contacts were
    open after the chain was; moved: they opened; closed: they read closed now; others: what was worked alone; alarm:
    one that is open.
    """

    opened_us: int | None = None
    both: bool = False
    bare_us: int | None = None
    night_us: int | None = None
    key: bool = False
    covers: bool = False
    moved: bool = False
    closed: bool = False
    others: set[str] = field(default_factory=set)
    alarm: str = ""


def _worked(step: Step, seen: Sequence[Seen], began_us: int) -> _Worked:
    found = _Worked()
    covers_were = False
    for each in sorted(seen, key=lambda one: one.at_us):
        inputs = each.inputs
        if inputs is None or each.at_us < began_us:
            continue
        key, found.closed = bool(inputs & m.IN_KEY), bool(inputs & m.IN_COVERS)
        found.key = found.key or not key
        found.moved = found.moved or (covers_were and not found.closed)
        covers_were = found.closed
        bare = key and not inputs & CHAIN
        found.both = found.both or bare
        found.bare_us = (each.at_us if found.bare_us is None else found.bare_us) if bare else None
        if found.night_us is None and key and inputs & m.IN_NIGHT:
            found.night_us = each.at_us
        if found.opened_us is None and key and inputs & CHAIN != CHAIN:
            found.opened_us = each.at_us
        if found.opened_us is not None and not found.closed:
            found.covers = True
        if key:
            both = CHAIN | MIRRORS
            found.others |= {name for name, alone in _ALONE.items() if inputs & both == both & alone}
        if step.alarm and not found.alarm:
            found.alarm = next((name for bit, name in ALARMS.items() if bit != step.alarm and not inputs & bit), "")
    return found


def _wrong_thing(step: Step, seen: Sequence[Seen], began_us: int, now_us: int) -> tuple[str, bool]:
    """Return why something else than what was asked for was worked, where the board's inputs can tell; else "".

    And whether what has been seen may still turn out to be that: contacts of one thing open one after the other.
    """
    worked = _worked(step, seen, began_us)
    if worked.alarm:
        return f"that was the {worked.alarm} alarm", False
    late = worked.opened_us is not None and now_us > worked.opened_us + LATE_US
    if step.turns:
        return _not_the_key(step, worked, late, now_us), False
    if step.slip and worked.key:
        return "the key reads off: that was the key", False
    if worked.opened_us is not None and step.covers is False and worked.covers:
        return "the covers' second contacts opened: that was a cover, not the stop", False
    if late and step.covers is True and not worked.covers:
        return (
            "the chain opened, and the covers' second contacts stayed closed: that was the stop, or the contact or its "
            "wire is at fault",
            False,
        )
    alone = step.optional and not step.night
    if not alone and not (step.slip and step.live and step.night):
        return "", False
    if worked.opened_us is not None and not late:
        return "", True
    if worked.both:
        return f"both channels of the chain opened: that was {_opener(worked)}", False
    if alone and worked.others and step.name not in worked.others:
        return f"that was '{min(worked.others)}'", False
    return "", False


def _not_the_key(step: Step, worked: _Worked, late: bool, now_us: int) -> str:
    """Why it was not the key that was turned, or not the key alone; "" when it may have been."""
    if step.turns == "off" and late and worked.both and not worked.key:
        return (
            f"both channels of the chain opened, and the key reads on: that was {_opener(worked)}, or the key's own "
            "contact or its wire is at fault"
        )
    if step.turns == "on" and worked.night_us is not None and now_us > worked.night_us + LATE_US:
        return "the key went to night: it goes to day, straight from off"
    if step.turns == "on" and worked.bare_us is not None and now_us > worked.bare_us + LATE_US:
        return (
            "the key reads on, and both channels of the chain stayed open: a cover is open or the stop is pressed, or "
            "the chain is at fault"
        )
    return ""


def _opener(worked: _Worked) -> str:
    return "a cover" if worked.moved else "the stop" if worked.closed else "a cover or the stop"


#: What the inputs read of chain and mirrors when one thing alone was worked.
_ALONE = {
    "channel A alone": ~m.IN_CHAIN_A,
    "channel B alone": ~m.IN_CHAIN_B,
    "guard relay A alone": ~m.IN_MIRROR_A,
    "guard relay B alone": ~m.IN_MIRROR_B,
}


def hint(step: Step, inputs: int, *, covers_contact: bool) -> str:
    """Return what may be in the way of a step that waits, by what the board's inputs read now; "" when nothing is."""
    opens = any(mark.any_off for mark in step.marks)
    if not inputs & m.IN_KEY:
        return "" if step.turns else "The key reads off: turn it on."
    if opens or inputs & CHAIN == CHAIN:
        return ""
    closes = not inputs & CHAIN or step.name.startswith(("close ", "release "))
    if closes and not step.name.startswith("release ") and inputs & m.IN_COVERS:
        return "The covers read closed, and the chain is open: is the stop still pressed?"
    if closes and not step.name.startswith("close ") and covers_contact and not inputs & m.IN_COVERS:
        return "The chain is open, and so are the covers' second contacts: is a cover still open?"
    return ""


def _new_trips(seen: Sequence[Seen], began_us: int) -> list[int]:
    """Return for what the board has tripped since a step began, and what has since come after a trip, the worse."""
    found: list[int] = []
    before: tuple[int, int] | None = None
    for each in sorted(seen, key=lambda one: one.at_us):
        if each.state is None:
            continue
        told = each.state, each.reason
        if each.state == m.G_TRIPPED and each.at_us >= began_us and before not in (None, told):
            found.append(each.reason)
        before = told
    return found


def _wrong_trip(step: Step, trips: Sequence[int]) -> str:
    """Why the board tripped in this step, if it must not have, or what is worse than the trip that it must have."""
    for reason in trips:
        if reason != step.trip and not (step.held and reason == m.R_NO_SILENCE):
            return f"the board tripped: {_reason(reason)}"
    return ""


def check_trip(step: Step, trip: m.Trip | None) -> str:
    """Return what is wrong with the board's own record of the trip that this step wants, or ""."""
    if trip is None:
        return "the board kept no record of a trip"
    if trip.reason != step.trip:
        return f"the board tripped for another reason: {_reason(trip.reason)}"
    if trip.worse != m.R_NONE and not (step.held and trip.worse == m.R_NO_SILENCE):
        return f"after the trip: {_reason(trip.worse)}"
    if trip.state != m.G_LIVE and step.live:
        return "the board tripped, but not while ringing was allowed"
    return ""


def missing(exercised: int) -> tuple[str, ...]:
    """Return, a sentence each, which inputs were not seen in both positions, of those that must have been."""
    return tuple(_NEVER[1 << bit] for bit in range(len(m.INPUTS)) if EXERCISED >> bit & 1 and not exercised >> bit & 1)


_NEVER = {
    m.IN_CHAIN_A: "channel A of the safety chain was never seen both open and closed",
    m.IN_CHAIN_B: "channel B of the safety chain was never seen both open and closed",
    m.IN_MIRROR_A: "guard relay A was never seen to pull up",
    m.IN_MIRROR_B: "guard relay B was never seen to pull up",
    m.IN_KEY: "the key was never seen both off and on",
}


def _reason(code: int) -> str:
    return m.R_NAMES[code] if code < len(m.R_NAMES) else f"reason {code}"


def ms(us: float) -> str:
    """Write a time in whole milliseconds, never less than it is: figures are held against limits."""
    return f"{ceil(us / 1000)} ms"
