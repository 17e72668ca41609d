"""Battery and its polarity: answer, clearing, release, and what must not happen to them."""

from __future__ import annotations

from demo_ctl.measure.dialling import GLITCH_US, SETTLED_US
from demo_ctl.measure.figures import LOST, count, not_measured, not_reached, time_ms
from demo_ctl.measure.model import Measurement
from demo_ctl.measure.sight import Edge, Sight, Stretch
from demo_ctl.plan.model import Check, Expectation
from demo_ctl.wire import messages as m


def _first(sight: Sight, expectation: Expectation, signal: int, missing: str) -> Measurement:
    """Time from a step to the first edge to 1 of a battery signal on the port."""
    ended = sight.ended(expectation.index)
    if ended is None:
        return not_reached(expectation)
    stretch = sight.stretch(ended.at_us, expectation.until)
    rises = [edge for edge in sight.edges(expectation.port, signal, ended.at_us, stretch.end_us) if edge.level]
    end_us = rises[0].at_us if rises else stretch.end_us
    if sight.lost(expectation.port, ended.at_us, end_us):
        return not_measured(expectation, LOST, (ended.number,))
    if not rises:
        return not_measured(expectation, missing, (ended.number,))
    doubts = (sight.stamp_u_us, sight.battery_u_us)
    return time_ms(expectation, rises[0].at_us - ended.at_us, doubts, (ended.number, rises[0].number))


def answer_reversal(sight: Sight, expectation: Expectation) -> Measurement:
    """The answer to reversed battery at the caller."""
    return _first(sight, expectation, m.REVERSED, "the battery did not reverse")


def clear_reversal(sight: Sight, expectation: Expectation) -> Measurement:
    """The called party's hanging up to normal battery at the caller."""
    return _first(sight, expectation, m.NORMAL, "the battery did not turn back to normal")


def release(sight: Sight, expectation: Expectation) -> Measurement:
    """Hanging up (or a long flash's opening) to the line's own battery, back for good."""
    ended = sight.ended(expectation.index)
    if ended is None:
        return not_reached(expectation)
    port = expectation.port
    stretch = sight.stretch(ended.at_us, expectation.until)
    if sight.lost(port, ended.at_us, stretch.end_us):
        return not_measured(expectation, LOST, (ended.number,))
    edges = sight.edges(port, m.NORMAL, ended.at_us, stretch.end_us)
    if not edges:
        return not_measured(expectation, "no change of the line's battery was sensed", (ended.number,))
    back = edges[-1]
    if not back.level:
        return not_measured(expectation, "the line had no battery when watching ended", (ended.number, back.number))
    doubts = (sight.stamp_u_us, sight.battery_u_us)
    return time_ms(expectation, back.at_us - ended.at_us, doubts, (ended.number, back.number))


def _count(
    sight: Sight, expectation: Expectation, found: list[Edge], stretch: Stretch, ports: tuple[int, ...]
) -> Measurement:
    evidence = tuple(edge.number for edge in found)
    if not found:
        if any(sight.lost(port, stretch.begin_us, stretch.end_us) for port in ports):
            return not_measured(expectation, LOST)
        if not stretch.whole:
            return not_measured(expectation, "the call ended before this was over (none seen)")
    return count(expectation, len(found), evidence)


def held(sight: Sight, expectation: Expectation) -> Measurement:
    """Signs of release: battery changing, or loop current lost at either end.

    From the beginning of a short flash (its own break does not count), or from the end of any other step.
    """
    began, ended = sight.began(expectation.index), sight.ended(expectation.index)
    step = sight.plan.timeline.steps[expectation.index]
    flash = step.op == m.OP_PULSES
    if ended is None or (flash and began is None):
        return not_reached(expectation)
    port, other = expectation.port, expectation.other_port
    begin_us = began.at_us if flash and began is not None else ended.at_us
    stretch = sight.stretch(begin_us, expectation.until)
    blur_us = 2 * (sight.welcome.loop_blur_us + sight.welcome.stamp_blur_us)
    early_us = begin_us - blur_us
    # Hanging up may follow at once, perhaps stamped a little early.
    end_us = stretch.end_us if flash else stretch.end_us - blur_us
    signs = [edge for signal in (m.NORMAL, m.REVERSED) for edge in sight.edges(port, signal, begin_us, end_us)]
    make_us = ended.at_us - step.b + SETTLED_US if flash else begin_us
    signs += _losses(sight, port, make_us, end_us)
    if other:
        signs += _losses(sight, other, early_us, end_us)
    return _count(sight, expectation, sorted(signs), stretch, (port, other) if other else (port,))


def _losses(sight: Sight, port: int, begin_us: float, end_us: float) -> list[Edge]:
    """Losses of loop current longer than a contact's bounce."""
    edges = sight.edges(port, m.LOOP, begin_us, end_us)
    found = []
    for place, edge in enumerate(edges):
        until_us = edges[place + 1].at_us if place + 1 < len(edges) else end_us
        if not edge.level and until_us - edge.at_us >= GLITCH_US:
            found.append(edge)
    return found


def no_reversal(sight: Sight, expectation: Expectation) -> Measurement:
    """Reversals of the port's battery."""
    stretch = sight.watched(expectation.index, expectation.until)
    if stretch is None:
        return not_reached(expectation)
    reversals = sight.edges(expectation.port, m.REVERSED, stretch.begin_us, stretch.end_us)
    return _count(sight, expectation, [edge for edge in reversals if edge.level], stretch, (expectation.port,))


KINDS = {
    Check.ANSWER_REVERSAL: answer_reversal,
    Check.CLEAR_REVERSAL: clear_reversal,
    Check.RELEASE: release,
    Check.HELD: held,
    Check.NO_REVERSAL: no_reversal,
}
