"""Pulses as sent and as sensed on the line, pauses between digits, cut-through after a selector's digit.

A break is a stretch without loop current; gaps of current shorter than 5 ms inside it are contact bounce, and so are
losses of current shorter than 2 ms (facts D23: bounce of dials up to 2..3 ms; relays 1..5 ms, T32).

The doubt of a break's length is not divided by the number of breaks: a comparator that answers a little later
one way than the other does so every time.
"""

from __future__ import annotations

from itertools import pairwise
from math import sqrt
from typing import NamedTuple

from demo_ctl.measure.figures import LOST, count, not_measured, not_reached, room, time_ms
from demo_ctl.measure.model import Measurement
from demo_ctl.measure.sight import Edge, Sight
from demo_ctl.plan.model import Check, Expectation
from demo_ctl.terms.quantity import Quantity
from demo_ctl.wire import messages as m

BOUNCE_US = 5000
GLITCH_US = 2000
#: After a make of ours the line needs this long to be steady: relays' bounce.
SETTLED_US = 10_000


class Break(NamedTuple):
    """A loss of loop current and its return."""

    fall: Edge
    rise: Edge


def breaks(edges: list[Edge]) -> list[Break]:
    """Pair raw LOOP edges into breaks, bounce removed; a break that does not end is left out."""
    found: list[Break] = []
    fall: Edge | None = None
    for edge in edges:
        if edge.level == 0 and fall is None:
            fall = edge
        elif edge.level == 1 and fall is not None:
            if found and fall.at_us - found[-1].rise.at_us < BOUNCE_US:
                found[-1] = Break(found[-1].fall, edge)
            else:
                found.append(Break(fall, edge))
            fall = None
    return [each for each in found if each.rise.at_us - each.fall.at_us >= GLITCH_US]


class Train(NamedTuple):
    """One digit: its place among the digits (from 1), when it was sent, and the breaks sensed."""

    place: int
    step: int
    began_us: int
    ended_us: int
    breaks: list[Break]
    evidence: tuple[int, ...]


def train(sight: Sight, index: int, port: int, place: int = 1) -> Train | None:
    """Give the digit sent by step `index`; None if it was not sent to its end."""
    began, ended = sight.began(index), sight.ended(index)
    if began is None or ended is None:
        return None
    early = 2 * (sight.welcome.loop_blur_us + sight.welcome.stamp_blur_us)
    edges = sight.edges(port, m.LOOP, began.at_us - early, ended.at_us)
    found = breaks(edges)
    return Train(place, index, began.at_us, ended.at_us, found, (began.number, ended.number))


def _trains(sight: Sight, expectation: Expectation) -> list[Train] | None:
    """All digits of an expectation; None unless every one was sent."""
    found = [train(sight, index, expectation.port, place) for place, index in enumerate(expectation.indices, 1)]
    return [each for each in found if each is not None] if None not in found else None


def _lost(sight: Sight, expectation: Expectation, trains: list[Train]) -> bool:
    return any(sight.lost(expectation.port, each.began_us, each.ended_us) for each in trains)


def pulses(sight: Sight, expectation: Expectation) -> Measurement:
    """Breaks sensed while one digit was sent."""
    one = train(sight, expectation.index, expectation.port)
    if one is None:
        return not_reached(expectation)
    if _lost(sight, expectation, [one]):
        return not_measured(expectation, LOST, one.evidence)
    evidence = [number for each in one.breaks for number in (each.fall.number, each.rise.number)]
    return count(expectation, len(one.breaks), (*one.evidence, *evidence))


def _worst(sight: Sight, expectation: Expectation, figures: list[tuple[Train, float, float]]) -> Measurement:
    """Give the figure (train, value, u) that lies nearest to its window's edge, or farthest outside."""
    worst, value, u = min(figures, key=lambda figure: room(expectation.window, figure[1]))
    edges = [number for each in worst.breaks for number in (each.fall.number, each.rise.number)]
    step = sight.plan.timeline.steps[worst.step]
    name = f" ({step.digit})" if step.digit else ""
    many = len(expectation.indices)
    detail = f"digit {worst.place} of {many}{name}" if many > 1 else ""
    quantity = Quantity(value, expectation.window.unit, u)
    return Measurement(expectation.id, quantity, True, (*worst.evidence, *edges), detail)


def speed_sent(sight: Sight, expectation: Expectation) -> Measurement:
    """Pulses a second by the board's own stamps: a whole train's pulses over its length."""
    trains = _trains(sight, expectation)
    if trains is None:
        return not_reached(expectation)
    figures = []
    for each in trains:
        long_us = max(1, each.ended_us - each.began_us)
        value = sight.plan.timeline.steps[each.step].x * 1e6 / long_us
        figures.append((each._replace(breaks=[]), value, value * sqrt(2) * sight.stamp_u_us / long_us))
    return _worst(sight, expectation, figures)


def break_sent(sight: Sight, expectation: Expectation) -> Measurement:
    """Per cent of a period that the generator breaks: its setting over the period of the board's stamps."""
    trains = _trains(sight, expectation)
    if trains is None:
        return not_reached(expectation)
    figures = []
    for each in trains:
        step = sight.plan.timeline.steps[each.step]
        period_us = max(1, each.ended_us - each.began_us) / max(1, step.x)
        value = 100 * step.a / period_us
        u = sqrt((100 * sight.stamp_u_us / period_us) ** 2 + (value * sqrt(2) * sight.stamp_u_us / period_us) ** 2)
        figures.append((each._replace(breaks=[]), value, u))
    return _worst(sight, expectation, figures)


def _sensed(sight: Sight, expectation: Expectation) -> list[Train] | Measurement:
    """Digits whose every break was sensed, or the measurement that says why not."""
    trains = _trains(sight, expectation)
    if trains is None:
        return not_reached(expectation)
    evidence = [number for each in trains for number in each.evidence]
    if _lost(sight, expectation, trains):
        return not_measured(expectation, LOST, evidence)
    many = len(expectation.indices)
    for each in trains:
        sent = sight.plan.timeline.steps[each.step].x
        if len(each.breaks) != sent:
            where = f"digit {each.place} of {many}"
            return not_measured(expectation, f"{where}: {sent} pulses sent, {len(each.breaks)} sensed", evidence)
    return trains


def _period(sight: Sight, each: Train) -> tuple[float, float]:
    """Mean period of a train and its standard uncertainty, from first break to last, microseconds."""
    gaps = len(each.breaks) - 1
    period_us = (each.breaks[-1].fall.at_us - each.breaks[0].fall.at_us) / gaps
    return period_us, sqrt(2) * sight.loop_u_us / gaps


def speed(sight: Sight, expectation: Expectation) -> Measurement:
    """Pulses a second on the line, each digit's mean from its first break to its last."""
    trains = _sensed(sight, expectation)
    if isinstance(trains, Measurement):
        return trains
    figures = []
    for each in trains:
        if len(each.breaks) > 1:
            period_us, u_us = _period(sight, each)
            value = 1e6 / period_us
            figures.append((each, value, value * u_us / period_us))
    if not figures:
        return not_measured(expectation, "single pulses have no speed")
    return _worst(sight, expectation, figures)


def percent_break(sight: Sight, expectation: Expectation) -> Measurement:
    """Per cent of a period without current, each digit's mean; a single pulse's period is the one it was sent with."""
    trains = _sensed(sight, expectation)
    if isinstance(trains, Measurement):
        return trains
    figures = []
    for each in trains:
        if not each.breaks:
            continue
        if len(each.breaks) > 1:
            period_us, period_u_us = _period(sight, each)
        else:
            period_us, period_u_us = float(each.ended_us - each.began_us), sqrt(2) * sight.stamp_u_us
        lengths = [one.rise.at_us - one.fall.at_us for one in each.breaks]
        share = sum(lengths) / len(lengths) / period_us
        u = 100 / period_us * sqrt(2 * sight.loop_u_us**2 + (share * period_u_us) ** 2)
        figures.append((each, 100 * share, u))
    if not figures:
        return not_measured(expectation, "no breaks were sensed")
    return _worst(sight, expectation, figures)


def interdigital(sight: Sight, expectation: Expectation) -> Measurement:
    """Shortest time from the last make of a digit to the first break of the next, as sensed."""
    trains = _sensed(sight, expectation)
    if isinstance(trains, Measurement):
        return trains
    whole = [each for each in trains if each.breaks]
    if len(whole) < 2:
        return not_measured(expectation, "there are no two digits with breaks sensed")
    one, two = min(pairwise(whole), key=lambda pair: pair[1].breaks[0].fall.at_us - pair[0].breaks[-1].rise.at_us)
    rise, fall = one.breaks[-1].rise, two.breaks[0].fall
    detail = f"between digits {one.place} and {two.place}"
    doubts = (sight.loop_u_us, sight.loop_u_us)
    return time_ms(expectation, fall.at_us - rise.at_us, doubts, (rise.number, fall.number), detail)


def last_make_us(sight: Sight, index: int) -> int | None:
    """When the last make of a digit's train began, by the board's stamps; None if it was not sent to its end."""
    ended = sight.ended(index)
    return None if ended is None else ended.at_us - sight.plan.timeline.steps[index].b


def cut_through(sight: Sight, expectation: Expectation) -> Measurement:
    """Last make of a selector's digit to the dip in loop current when the selector hands the line on."""
    ended, make_us = sight.ended(expectation.index), last_make_us(sight, expectation.index)
    if ended is None or make_us is None:
        return not_reached(expectation)
    end_us = sight.next_move_us(expectation.port, expectation.index)
    if expectation.until >= 0:
        end_us = min(end_us, sight.stretch(make_us, expectation.until, begun=True).end_us)
    evidence = (ended.number,)
    if sight.lost(expectation.port, make_us, end_us):
        return not_measured(expectation, LOST, evidence)
    # The break that ends this stretch is our own next digit, perhaps stamped a little early.
    end_us -= 2 * (sight.welcome.loop_blur_us + sight.welcome.stamp_blur_us)
    dips = [edge for edge in sight.edges(expectation.port, m.LOOP, make_us + SETTLED_US, end_us) if not edge.level]
    if not dips:
        return not_measured(expectation, "no dip in loop current was sensed; it may be too short", evidence)
    dip = dips[0]
    return time_ms(expectation, dip.at_us - make_us, (sight.stamp_u_us, sight.loop_u_us), (*evidence, dip.number))


KINDS = {
    Check.PULSES: pulses,
    Check.PULSE_SPEED_SENT: speed_sent,
    Check.PERCENT_BREAK_SENT: break_sent,
    Check.PULSE_SPEED: speed,
    Check.PERCENT_BREAK: percent_break,
    Check.INTERDIGITAL: interdigital,
    Check.CUT_THROUGH: cut_through,
}
