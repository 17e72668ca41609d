"""A visitor dials with a real telephone on a port that the board only watches, and is told how their dial ran.

The plan here does nothing but watch; `happen` tells the call from what is sensed of it. When the handset is down again
the dial is measured from the raw edges of the loop: how fast it ran, how evenly, and how long it broke.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from math import sqrt

from demo_ctl.measure.dialling import Break, breaks
from demo_ctl.measure.sight import Edge
from demo_ctl.office.model import Adjustment, Line, Unit
from demo_ctl.office.numbers import digit_sent
from demo_ctl.plan.model import Plan, Step, Timeline
from demo_ctl.show.live import Live
from demo_ctl.show.model import Happening
from demo_ctl.terms.errors import Place
from demo_ctl.terms.quantity import Quantity
from demo_ctl.wire import messages as m

#: Battery that goes so soon before or after the current was taken off by the exchange.
TOGETHER_US = 1_000
#: Ten pulses a second is what dials are set to (common practice, no source).
RIGHT_PPS = 10

#: How long one instruction of the watching plan waits (the board's own longest), and how many there are: 12 hours.
_MOST_SEEN = 4000
_WAIT_US, _WAITS = 600_000_000, 72


def watching_plan(unit: Unit, line: Line, title: str) -> Plan:
    """Return the plan that watches a line's port, and does nothing at all: no loop, no pulse, no ringing."""
    roles = tuple(m.MONITORED if port == line.port else m.UNUSED for port in range(1, 5))
    wait = Step(m.OP_WAIT, 0, 0, _WAIT_US, 0, "watching", Place(""))
    return Plan(
        script="visitors",
        title=title,
        unit=unit.name,
        pace=Fraction(1),
        number="",
        digits="",
        caller_port=line.port,
        called_port=0,
        timeline=Timeline((wait,) * _WAITS, roles),
        expectations=(),
        pace_table=(),
        least_us=_WAIT_US * _WAITS,
        most_us=_WAIT_US * _WAITS,
    )


class VisitorLive(Live):
    """One visitor's call as it runs. `seen`: every edge of their port, for the figures; the first ones, if many."""

    def __init__(self, plan: Plan, unit: Unit) -> None:
        super().__init__(plan, unit)
        self.seen: list[m.Event] = []

    @property
    def lifted(self) -> bool:
        """Whether the handset is off its hook."""
        return self.scene.caller.off_hook

    def take(self, event: m.Event) -> tuple[Happening, ...]:
        """Take the next event; return the happenings up to and with it."""
        if event.kind == m.EV_EDGE and len(self.seen) < _MOST_SEEN:
            self.seen.append(event)
        return super().take(event)


# -- how the dial ran -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class DialRan:
    """How one visitor's dial ran. digits: as they were understood.

    speed: of all digits with two pulses or more, pps; uneven_pct: the worst digit's longest period less its shortest,
    per cent of its mean; break_pct: of a period. None where nothing could be measured.
    """

    digits: str
    speed: Quantity | None
    uneven_pct: float | None
    break_pct: Quantity | None


def trains(events: Iterable[m.Event], port: int, adjusted: Adjustment) -> list[list[Break]]:
    """Return the breaks of each digit that was dialled on a port: those of the hook and of the exchange left out.

    As the switches see it: a break that lasts until relay B may let go is the hook's; a digit ends as relay C ends it.
    """
    loop: list[Edge] = []
    fed: list[int] = []  # when the battery went or turned: the exchange's doing
    for event in events:
        if event.kind == m.EV_EDGE and event.port == port:
            signal, level = event.value >> 1 & 3, event.value & 1
            if signal == m.LOOP:
                loop.append(Edge(event.at_us, level, event.number))
            elif signal in (m.NORMAL, m.REVERSED) and not level:
                fed.append(event.at_us)
    found: list[list[Break]] = []
    for each in breaks(loop):
        if each.rise.at_us - each.fall.at_us >= adjusted.b_hold.least_us:
            continue
        if any(abs(at_us - each.fall.at_us) <= TOGETHER_US for at_us in fed):
            continue
        if found and each.fall.at_us - found[-1][-1].rise.at_us < adjusted.c_hold.typical_us:
            found[-1].append(each)
        else:
            found.append([each])
    return found


def dial_ran(events: Sequence[m.Event], port: int, unit: Unit, loop_blur_us: int) -> DialRan:
    """Measure a visitor's dial from the raw edges of its port. loop_blur_us: as the board's WELCOME declares it."""
    u_us = loop_blur_us / sqrt(12)
    found = trains(events, port, unit.adjustment)
    digits = "".join(digit_sent(min(len(each), 10), unit.numbering.pulses) for each in found)
    whole = [each for each in found if len(each) > 1]
    if not whole:
        return DialRan(digits, None, None, None)
    spans = [each[-1].fall.at_us - each[0].fall.at_us for each in whole]
    gaps = sum(len(each) - 1 for each in whole)
    period_us = sum(spans) / gaps
    speed = 1e6 / period_us
    # Each digit's span has two edges of doubt; they are independent of one another.
    u_speed = speed * sqrt(2 * len(whole)) * u_us / sum(spans)
    lengths = [each.rise.at_us - each.fall.at_us for digit in whole for each in digit]
    mean_break_us = sum(lengths) / len(lengths)
    # A comparator that answers later one way than the other does so every time: not divided by how many there are.
    share = Quantity(100 * mean_break_us / period_us, "%", 100 * sqrt(2) * u_us / period_us)
    worst = 0.0
    for digit in whole:
        periods = [two.fall.at_us - one.fall.at_us for one, two in pairwise(digit)]
        worst = max(worst, 100 * (max(periods) - min(periods)) * len(periods) / sum(periods))
    return DialRan(digits, Quantity(speed, "pps", u_speed), worst, share)


def told_to_visitor(ran: DialRan) -> dict[str, str]:
    """Return what a visitor is told, in each language; empty when there is nothing to tell."""
    if ran.speed is None or ran.uneven_pct is None:
        return {}
    pps, uneven = ran.speed.value, ran.uneven_pct
    en, de, fr = f"{pps:.1f}", f"{pps:.1f}".replace(".", ","), f"{pps:.1f}".replace(".", ",")
    return {
        "en": f"Your dial ran at {en} pulses a second ({RIGHT_PPS} is right), even to {uneven:.0f} per cent.",
        "de": f"Ihre Wählscheibe: {de} Impulse je Sekunde (richtig: {RIGHT_PPS}), auf {uneven:.0f} Prozent gleich.",
        "fr": f"Votre cadran : {fr} impulsions par seconde (juste : {RIGHT_PPS}), régulières à {uneven:.0f} pour cent.",
    }


def told_in_charge(ran: DialRan) -> str:
    """Return the row for whoever is in charge."""
    if ran.speed is None or ran.uneven_pct is None or ran.break_pct is None:
        return f"A visitor dialled {ran.digits}: too short to measure." if ran.digits else "A visitor dialled nothing."
    return (
        f"A visitor dialled {ran.digits}: {ran.speed.value:.2f} pps (u {ran.speed.u:.2f}), break "
        f"{ran.break_pct.value:.1f} % (u {ran.break_pct.u:.1f}), periods differ by {ran.uneven_pct:.1f} % at most."
    )
