"""Ringing: when it began and ended, how often, and how soon it was tripped.

RINGING is an envelope. It reads 1 at most `attack` after ringing began, so the beginning lies in that time before the
edge. It reads 0 `hold` after the highest point the detector last followed, and ringing itself ended between that point
and the next it would have followed: at most a quarter of a cycle down from a peak, and up again to the threshold. The
board declares no frequency, but its attack covers a quarter of a cycle, and the climb to the threshold is at most half
the attack, so that the end lies in one and a half times the attack.

Each is put in the middle of its range. The ends of the ranges are the likeliest places (a detector already above its
threshold answers at once), so the standard uncertainty is that of the arcsine distribution, half width / sqrt(2), not
of the uniform one (JCGM 101 6.4.6, from memory).
"""

from __future__ import annotations

from itertools import pairwise
from math import inf, sqrt
from typing import NamedTuple

from demo_ctl.measure.dialling import last_make_us
from demo_ctl.measure.figures import LOST, count, not_measured, not_reached, room, surely_outside, time_ms
from demo_ctl.measure.model import Measurement
from demo_ctl.measure.sight import Sight, Stretch
from demo_ctl.plan.model import Check, Expectation
from demo_ctl.wire import messages as m

#: Ringing that comes back sooner was not gone: a missed cycle is no silence (facts R04).
SAME_US = 100_000

#: The shortest ring: its envelope in attacks, beside the hold. A lone peak, such as a relay's kick, has two; less than
#: four is the end of a burst that was joined late, too short for a bell and for its tone to be heard. The board waits
#: for no shorter ring either.
LEAST = 4

#: Range of a burst's end, in attacks.
_END = 1.5
_ROOT2 = sqrt(2.0)


class Burst(NamedTuple):
    """Ringing on a port: most likely beginning and end (infinite: it had begun, or went on), and their events."""

    port: int
    begin_us: float
    end_us: float
    numbers: tuple[int, ...]


def begin_u_us(sight: Sight) -> float:
    """Standard uncertainty of a burst's beginning."""
    return sight.welcome.ring_attack_us / 2 / _ROOT2


def end_u_us(sight: Sight) -> float:
    """Standard uncertainty of a burst's end."""
    return _END * sight.welcome.ring_attack_us / 2 / _ROOT2


def bursts(sight: Sight, port: int) -> list[Burst]:
    """Give all ringing on a port in order. What is shorter than the shortest ring is none."""
    welcome = sight.welcome
    raw: list[tuple[float, float, tuple[int, ...]]] = []
    rise, number = -inf, -1
    up = False
    for edge in sight.edges(port, m.RINGING):
        if edge.level:
            rise, number, up = edge.at_us, edge.number, True
            continue
        numbers: tuple[int, ...] = (number, edge.number) if up else (edge.number,)
        raw.append((rise if up else -inf, edge.at_us, numbers))
        up = False
    if up:
        raw.append((rise, inf, (number,)))
    joined: list[tuple[float, float, tuple[int, ...]]] = []
    for low, high, numbers in raw:
        if joined and low - joined[-1][1] < SAME_US:
            joined[-1] = (joined[-1][0], high, (*joined[-1][2], *numbers))
        else:
            joined.append((low, high, numbers))
    least_us = welcome.ring_hold_us + LEAST * welcome.ring_attack_us
    return [
        Burst(
            port,
            low - welcome.ring_attack_us / 2,
            high - welcome.ring_hold_us + _END / 2 * welcome.ring_attack_us,
            numbers,
        )
        for low, high, numbers in joined
        if high - low >= least_us
    ]


def first_ring(sight: Sight, expectation: Expectation) -> Measurement:
    """Last make of the last digit to the first ringing at the called port."""
    ended, make_us = sight.ended(expectation.index), last_make_us(sight, expectation.index)
    if ended is None or make_us is None:
        return not_reached(expectation)
    stretch = sight.stretch(make_us, expectation.until)
    found = [burst for burst in bursts(sight, expectation.other_port) if burst.end_us > make_us]
    if not found or found[0].begin_us > stretch.end_us:
        return not_measured(expectation, f"no ringing came to port {expectation.other_port}", (ended.number,))
    first = found[0]
    if sight.lost(expectation.other_port, make_us, first.begin_us):
        return not_measured(expectation, LOST, (ended.number,))
    if first.begin_us < make_us:
        return not_measured(expectation, "it was ringing before the last digit had ended", first.numbers)
    doubts = (sight.stamp_u_us, begin_u_us(sight))
    return time_ms(expectation, first.begin_us - make_us, doubts, (ended.number, first.numbers[0]))


def _counted(sight: Sight, expectation: Expectation, found: list[Burst], stretch: Stretch) -> Measurement:
    """Count bursts, unless some of the stretch was not seen and those seen do not settle it."""
    evidence = [number for burst in found for number in burst.numbers]
    high = expectation.window.high
    ports = sorted({burst.port for burst in found})
    detail = "on port " + ", ".join(str(port) for port in ports) if ports else ""
    if high is None or len(found) <= high:
        port = expectation.other_port if expectation.check is Check.RANG else 0
        if sight.lost(port, stretch.begin_us, stretch.end_us):
            return not_measured(expectation, LOST, evidence)
        if not stretch.whole:
            return not_measured(expectation, f"the call ended before this was over ({len(found)} seen)", evidence)
    return count(expectation, len(found), evidence, detail)


def rang(sight: Sight, expectation: Expectation) -> Measurement:
    """Bursts begun at the called port."""
    ended = sight.ended(expectation.index)
    if ended is None:
        return not_reached(expectation)
    stretch = sight.stretch(ended.at_us, expectation.until)
    found = [
        burst
        for burst in bursts(sight, expectation.other_port)
        if burst.end_us > stretch.begin_us and burst.begin_us < stretch.end_us
    ]
    return _counted(sight, expectation, found, stretch)


def unwanted(sight: Sight, expectation: Expectation) -> Measurement:
    """Bursts on any port; "others rang" leaves the called port out."""
    stretch = sight.watched(expectation.index, expectation.until)
    if stretch is None:
        return not_reached(expectation)
    spared = expectation.other_port if expectation.check is Check.OTHERS_RANG else 0
    # Ringing that has begun before may take a moment to be gone; still there after that, it counts.
    found = [
        burst
        for port in sight.ports
        if port != spared
        for burst in bursts(sight, port)
        if burst.end_us > stretch.begin_us + SAME_US and burst.begin_us < stretch.end_us
    ]
    return _counted(sight, expectation, found, stretch)


def _seen(sight: Sight, expectation: Expectation) -> list[Burst] | Measurement:
    ended = sight.ended(expectation.index)
    if ended is None:
        return not_reached(expectation)
    stretch = sight.stretch(ended.at_us, expectation.until)
    if sight.lost(expectation.other_port, stretch.begin_us, stretch.end_us):
        return not_measured(expectation, LOST)
    return [
        burst
        for burst in bursts(sight, expectation.other_port)
        if burst.begin_us >= stretch.begin_us and burst.begin_us < stretch.end_us
    ]


def _worst(sight: Sight, expectation: Expectation, figures: list[tuple[float, tuple[int, ...], str]]) -> Measurement:
    value_us, evidence, detail = min(figures, key=lambda figure: room(expectation.window, figure[0] / 1000))
    return time_ms(expectation, value_us, (begin_u_us(sight), end_u_us(sight)), evidence, detail)


def ring_on(sight: Sight, expectation: Expectation) -> Measurement:
    """Worst whole burst. The first may be cut short by the connector's arrival, the last by the answer or a stop."""
    found = _seen(sight, expectation)
    if isinstance(found, Measurement):
        return found
    until_us = min(sight.stretch(0, expectation.until).end_us, sight.over_us)
    whole = [
        (burst.end_us - burst.begin_us, burst.numbers, f"ring {place}")
        for place, burst in enumerate(found, 1)
        if place > 1 and burst.end_us <= until_us
    ]
    if not whole:
        return not_measured(expectation, "no ring was seen from its beginning to its end")
    return _worst(sight, expectation, whole)


def ring_off(sight: Sight, expectation: Expectation) -> Measurement:
    """Worst whole silence between two bursts."""
    found = _seen(sight, expectation)
    if isinstance(found, Measurement):
        return found
    silences: list[tuple[float, tuple[int, ...], str]] = [
        (two.begin_us - one.end_us, (one.numbers[-1], two.numbers[0]), f"after ring {place}")
        for place, (one, two) in enumerate(pairwise(found), 1)
    ]
    if not silences:
        return not_measured(expectation, "no silence was seen between two rings")
    return _worst(sight, expectation, silences)


def ring_trip(sight: Sight, expectation: Expectation) -> Measurement:
    """The answer to ringing gone for good; answered in silence, to the dip when the line is handed to its feed."""
    ended = sight.ended(expectation.index)
    if ended is None:
        return not_reached(expectation)
    port, begin_us = expectation.other_port, ended.at_us
    stretch = sight.stretch(begin_us, expectation.until)
    if sight.lost(port, begin_us, stretch.end_us):
        return not_measured(expectation, LOST, (ended.number,))
    found = [burst for burst in bursts(sight, port) if burst.end_us > begin_us and burst.begin_us < stretch.end_us]
    if found:
        last = found[-1]
        if last.end_us > stretch.end_us:
            least_us = stretch.end_us - begin_us
            if surely_outside(expectation, least_us):
                return time_ms(
                    expectation, least_us, (sight.stamp_u_us,), (ended.number, *last.numbers), "still ringing then"
                )
            return not_measured(expectation, "it was still ringing when watching ended", last.numbers)
        doubts = (sight.stamp_u_us, end_u_us(sight))
        return time_ms(expectation, last.end_us - begin_us, doubts, (ended.number, last.numbers[-1]), "in ringing")
    current = False
    for edge in sight.edges(port, m.LOOP, begin_us, stretch.end_us):
        if edge.level:
            current = True
        elif current and edge.at_us - begin_us > _SETTLED_US:
            doubts = (sight.stamp_u_us, sight.loop_u_us)
            return time_ms(expectation, edge.at_us - begin_us, doubts, (ended.number, edge.number), "in silence")
    return not_measured(
        expectation, "answered in silence, and no dip in loop current was sensed; it may be too short", (ended.number,)
    )


#: Contact bounce of the answer.
_SETTLED_US = 5000

KINDS = {
    Check.FIRST_RING: first_ring,
    Check.RANG: rang,
    Check.OTHERS_RANG: unwanted,
    Check.NO_RINGING: unwanted,
    Check.RING_ON: ring_on,
    Check.RING_OFF: ring_off,
    Check.RING_TRIP: ring_trip,
}
