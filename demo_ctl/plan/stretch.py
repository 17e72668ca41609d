"""What a pace may do: three kinds of time, and how far this unit's switches let each of them go.

A selector does not know slow motion. A break longer than relay B's hold drops the connection, a make longer than
relay C's hold ends the digit (facts D40, D41, T40, D43), so pulse speed is *bounded*. Pauses, talking and listening
are *stretchable*. What the exchange itself produces is *fixed*.

Everything here is exact: fractions inside, whole microseconds outside, each rounded once.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from demo_ctl.office.model import Unit
from demo_ctl.office.timing import SECOND_US, hunting_need_us
from demo_ctl.plan.model import PaceRow, Stretch
from demo_ctl.script.model import Call, DialAs
from demo_ctl.terms.errors import Place, PlanError
from demo_ctl.terms.located import Located
from demo_ctl.terms.quantity import exact
from demo_ctl.terms.words import number_text, time_text

#: From the last switch's restoring to a line that takes a new call (facts T43: 100 ms).
LINE_READY_US = 100_000


def stretched_us(us: int, pace: Fraction) -> int:
    """Stretch a time in microseconds to a pace: at a quarter of normal speed it is four times as long."""
    return round(us / pace)


def release_need_us(unit: Unit) -> int:
    """Longest time from hanging up until the line takes a new call, microseconds (facts T43)."""
    times = unit.adjustment
    return max(times.b_hold.most_us + times.restore.most_us + LINE_READY_US, unit.windows.release.high_us or 0)


def guarded(us: int, unit: Unit, sign: int) -> Fraction:
    """Move a relay's bound to its safe side by the unit's guard: sign -1 shortens, +1 lengthens."""
    return us * (1 + sign * exact(unit.follows.guard_pct) / 100)


def most_break_us(unit: Unit) -> Fraction:
    """Longest break on the line that no supervisory relay B of this unit takes for a hang-up (T40, D45)."""
    times = unit.adjustment
    return guarded(times.b_hold.least_us, unit, -1) - times.a_operate.most_us + times.a_release.least_us


def most_make_us(unit: Unit) -> Fraction:
    """Longest make on the line that no relay C of this unit takes for the end of the digit (T40, D45)."""
    times = unit.adjustment
    return guarded(times.c_hold.least_us, unit, -1) - times.a_release.most_us + times.a_operate.least_us


def least_break_us(unit: Unit) -> int:
    """Shortest break on the line that surely lifts a shaft: the magnet operates before A is back (D42, D45)."""
    times = unit.adjustment
    return times.magnet_operate.most_us + times.a_release.most_us - times.a_operate.least_us


def releasing_break_us(unit: Unit) -> Fraction:
    """Shortest break on the line that surely releases the train: longer than every B's hold (T45, D45)."""
    times = unit.adjustment
    return guarded(times.b_hold.most_us, unit, +1) + times.a_release.most_us - times.a_operate.least_us


def slowest_by_holds_pps(unit: Unit, break_pct: Fraction) -> Fraction | None:
    """Slowest pulse speed that holds B and C at this percent break; None when no speed does (D43)."""
    most_break, most_make = most_break_us(unit), most_make_us(unit)
    if most_break <= 0 or most_make <= 0:
        return None
    part = break_pct / 100
    return max(part / most_break, (1 - part) / most_make) * SECOND_US


@dataclass(frozen=True)
class Dialling:
    """How this call dials. Times in microseconds; pause: from the last make's end to the next break."""

    speed_pps: Fraction
    break_pct: Fraction
    break_us: int
    make_us: int
    pause_us: int


def pulse_us(speed_pps: Fraction, break_pct: Fraction) -> tuple[int, int]:
    """Give the break and the make of one pulse, microseconds (table 1.4 of the facts)."""
    period_us = SECOND_US / speed_pps
    break_us = round(period_us * break_pct / 100)
    return break_us, round(period_us) - break_us


def _inside(value: Fraction, low: float, high: float) -> bool:
    return exact(low) <= value <= exact(high)


def dialling(
    unit: Unit, dial_as: DialAs, pace: Fraction, call: Located[Call], dial_place: Place | None = None
) -> tuple[Dialling, list[PaceRow]]:
    """Choose speed, break and pause for a pace, and say why.

    dial_place: where the unit's file says how it is dialled. Raises PlanError when script or unit ask too much.
    """
    follows = unit.follows
    speed = exact(unit.dial.speed_pps if dial_as.speed_pps is None else dial_as.speed_pps)
    ratio = exact(unit.dial.break_pct if dial_as.break_pct is None else dial_as.break_pct)
    pause_us = unit.dial.pause_us if dial_as.pause_us is None else dial_as.pause_us

    where = call.place("dial as", "speed") if dial_as.speed_pps is not None else dial_place
    low, high = follows.speed.low_pps, follows.speed.high_pps
    if not _inside(speed, low, high):
        raise PlanError(
            f"{number_text(speed)} pulses a second; the switches of {unit.name} are known to follow"
            f" {number_text(low)}..{number_text(high)} pps",
            where=where,
            next_step="Dial inside that range, or widen `follows` in the unit's file once the unit has shown it.",
        )
    where = call.place("dial as", "break") if dial_as.break_pct is not None else dial_place
    if not _inside(ratio, follows.percent_break.low_pct, follows.percent_break.high_pct) or not 0 < ratio < 100:
        raise PlanError(
            f"{number_text(ratio)} % break; the switches of {unit.name} are known to follow"
            f" {number_text(follows.percent_break.low_pct)}..{number_text(follows.percent_break.high_pct)} %",
            where=where,
            next_step="Dial inside that range, or widen `follows` in the unit's file once the unit has shown it.",
        )

    chosen, rows = _speed(unit, speed, ratio, pace, dial_place)
    pause, row = _pause(unit, dial_as, pause_us, pace, call, dial_place)
    break_us, make_us = pulse_us(chosen, ratio)
    rows.append(row)
    return Dialling(chosen, ratio, break_us, make_us, pause), rows


def _speed(
    unit: Unit, speed: Fraction, ratio: Fraction, pace: Fraction, dial_place: Place | None
) -> tuple[Fraction, list[PaceRow]]:
    follows, guard = unit.follows, exact(unit.follows.guard_pct) / 100
    by_holds = slowest_by_holds_pps(unit, ratio)
    if by_holds is None or by_holds > speed:
        raise PlanError(
            f"at {number_text(speed)} pps and {number_text(ratio)} % break a pulse of {unit.name} would outlast"
            " relay B's or C's least hold, less the guard",
            where=dial_place,
            next_step="Look at `adjustment` (b hold, c hold, a operate, a release) and `dial` in the unit's file.",
        )
    # The unit's own speed stays allowed even inside the guard: pace 1 changes nothing.
    slow_edge = min(exact(follows.speed.low_pps) * (1 + guard), speed)
    slowest = max(slow_edge, by_holds)
    fastest = max(exact(follows.speed.high_pps) * (1 - guard), speed)
    asked = speed * pace
    chosen = min(max(asked, slowest), fastest)
    kept = f"a guard of {number_text(follows.guard_pct)} % is kept"
    if chosen == asked:
        why = "inside what the switches follow"
    elif chosen == fastest:
        why = f"the switches follow up to {number_text(follows.speed.high_pps)} pps; {kept}"
    elif by_holds > slow_edge:
        why = f"a slower pulse would outlast relay B's or C's hold; {kept}"
    else:
        why = f"the switches follow down to {number_text(follows.speed.low_pps)} pps; {kept}"
    return chosen, [
        PaceRow(
            "pulse speed",
            Stretch.BOUNDED,
            f"{number_text(speed)} pps",
            f"{number_text(asked)} pps",
            f"{number_text(chosen)} pps",
            why,
        ),
        PaceRow(
            "percent break",
            Stretch.BOUNDED,
            f"{number_text(ratio)} %",
            f"{number_text(ratio)} %",
            f"{number_text(ratio)} %",
            "a pace does not ask for another ratio",
        ),
    ]


def _pause(
    unit: Unit, dial_as: DialAs, normal_us: int, pace: Fraction, call: Located[Call], dial_place: Place | None
) -> tuple[int, PaceRow]:
    follows = unit.follows
    need_us = hunting_need_us(unit)
    least_us = max(follows.least_pause_us, need_us)
    most_us = follows.most_pause_us
    if most_us is not None and most_us < least_us:
        raise PlanError(
            f"{unit.name} allows pauses up to {time_text(most_us)}; its selectors need {time_text(least_us)} to hunt",
            where=dial_place,
            next_step="Look at `most pause` and `adjustment` in the unit's file.",
        )
    if dial_as.pause_us is not None and not least_us <= normal_us <= (most_us or normal_us):
        at_most = "" if most_us is None else f" and at most {time_text(most_us)}"
        raise PlanError(
            f"a pause of {time_text(normal_us)}; {unit.name} needs at least {time_text(least_us)}{at_most}",
            where=call.place("dial as", "pause"),
            next_step="C's hold, eleven hunting steps, the cut-through and the next switch's relays must fit into it.",
        )
    asked_us = stretched_us(normal_us, pace)
    got_us = max(asked_us, least_us)
    why = "switches wait between digits"
    if got_us > asked_us:
        why = "a selector needs this long to hunt to its last trunk and cut through"
        if follows.least_pause_us > need_us:
            why = "the shortest pause this unit is known to follow"
    if most_us is not None and got_us > most_us:
        got_us, why = most_us, "the longest pause this unit allows"
    return got_us, PaceRow(
        "pause between digits",
        Stretch.STRETCHABLE,
        time_text(normal_us),
        time_text(asked_us),
        time_text(got_us),
        why,
    )
