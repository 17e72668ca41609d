"""Whether the board measures what a meter measures. Pure.

All channels of the board's converter share one reference (wiring/README.md), so none of them shows that it has
drifted: only something from outside can tell. A competent person reads generator and battery with a meter while the
board reads them, at first use and once a year; what the error means for the voltage that the board would let through
is worked out here, with the uncertainty of both.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from math import hypot, sqrt
from statistics import median

from demo_ctl.board.bus import ceiling_mV
from demo_ctl.board.chip_parts import CONVERTER, STEPS, ZERO_STEPS
from demo_ctl.board.limits import safety_limits
from demo_ctl.terms.outcome import Outcome
from demo_ctl.terms.quantity import Quantity
from demo_ctl.wire.messages import L_CEILING_V

#: So far the board may read from the meter, per cent. Our choice: what a sound reference and sound dividers of 1 % do
#: not reach, well before the voltage that is let through comes near the limit.
MOST_OFF_PCT = 3.0
#: Ringing and the battery under it stay below this peak to earth (from memory: IEC 62368-1 annex H, facts H24).
MOST_PEAK_V = 200.0
#: From the standard uncertainty to the half width of about 95 % (JCGM 100, from memory).
_COVERAGE = 2.0
_FULL_V = {"generator": CONVERTER[2][2][1] / 1000, "battery": CONVERTER[2][3][1] / 1000}


@dataclass(frozen=True)
class Pair:
    """One voltage, V, as the board and a meter read it. name: "generator" (rms) or "battery"."""

    name: str
    board: Quantity
    meter: Quantity

    @property
    def ratio(self) -> Quantity:
        """Return what is there for each volt that the board reads."""
        value = self.meter.value / self.board.value
        return Quantity(value, "", value * hypot(self.meter.u / self.meter.value, self.board.u / self.board.value))


@dataclass(frozen=True)
class Finding:
    """One check. value: what was found; limit: in words; outcome: PASS, MARGINAL or FAIL.

    beyond: the best estimate lies beyond the limit, sure or not.
    """

    title: str
    value: Quantity
    limit: str
    outcome: Outcome
    beyond: bool
    note: str = ""


def board_read(name: str, looks_V: list[float]) -> Quantity:
    """Return what the board reads: the median of some looks, with their scatter and the step of its converter.

    ValueError when nothing is there to be compared: the generator is behind the isolator, which opens with the chain.
    """
    value = median(looks_V)
    if value <= 0:
        raise ValueError(f"the board reads no voltage of the {name}")
    step_V = _FULL_V[name] / (STEPS - ZERO_STEPS)
    scatter_V = max(looks_V) - min(looks_V)
    return Quantity(value, "V", hypot(step_V / sqrt(12), scatter_V / sqrt(12)))


def meter_read(value_V: float, doubt_pct: float) -> Quantity:
    """Return what a meter reads. doubt_pct: how far it may be off either way, 95 %, per cent of the reading."""
    return Quantity(value_V, "V", value_V * doubt_pct / 100 / _COVERAGE)


def own_ceiling_V() -> int:
    """Return the board's own ceiling: one that was tightened is forgotten when the board starts again."""
    limits: list[int] = safety_limits()  # type: ignore[no-untyped-call]
    return limits[L_CEILING_V]


def findings(generator: Pair, battery: Pair, limit_V: int, battery_most_V: float) -> tuple[Finding, ...]:
    """Hold the board's readings against the meter's.

    limit_V: the board's own ceiling, V rms, not one that was tightened until it starts again; battery_most_V: the
    highest battery that the unit's file names.
    """
    return (_off(generator), _off(battery), _passes(generator, battery, limit_V, battery_most_V))


def _off(pair: Pair) -> Finding:
    """How far the board reads from the meter."""
    off = Quantity((1 / pair.ratio.value - 1) * 100, "%", pair.ratio.u / pair.ratio.value**2 * 100)
    least = abs(off.value) - _COVERAGE * off.u
    most = abs(off.value) + _COVERAGE * off.u
    return Finding(
        f"{pair.name}: the board reads {pair.board.value:.1f} V, the meter {pair.meter.value:.1f} V",
        off,
        f"at most {MOST_OFF_PCT:g} % either way",
        _outcome(least, most, MOST_OFF_PCT),
        abs(off.value) >= MOST_OFF_PCT,
    )


def _passes(generator: Pair, battery: Pair, limit_V: int, battery_most_V: float) -> Finding:
    """The highest peak to earth that the board would take for right on the unit's own highest battery."""
    most_V = max(battery_most_V, battery.meter.value)
    g, b = generator.ratio, battery.ratio
    passes_V = _lets_through_V(g.value, b.value, limit_V, most_V)
    bands = [
        _lets_through_V(g.value + _COVERAGE * up * g.u, b.value + _COVERAGE * left * b.u, limit_V, most_V)
        for up, left in product((-1, 1), repeat=2)
    ]
    peak = Quantity(passes_V * sqrt(2) + most_V, "V", (max(bands) - min(bands)) * sqrt(2) / (2 * _COVERAGE))
    band = _COVERAGE * peak.u
    return Finding(
        f"highest peak to earth that would pass on this unit's highest battery, {most_V:g} V",
        peak,
        f"below {MOST_PEAK_V:g} V",
        _outcome(peak.value - band, peak.value + band, MOST_PEAK_V),
        peak.value >= MOST_PEAK_V,
        f"ringing of up to {passes_V:.1f} V rms would be taken for no more than its ceiling",
    )


def _lets_through_V(generator: float, battery: float, limit_V: int, most_V: float) -> float:
    """Return the ringing, V rms, that the board takes for its ceiling on a battery.

    generator, battery: what is there for each volt that is read.
    """
    read_mV: int = ceiling_mV(limit_V * 1000, round(most_V / battery * 1000))  # type: ignore[no-untyped-call]
    return read_mV / 1000 * generator


def _outcome(least: float, most: float, limit: float) -> Outcome:
    if most < limit:
        return Outcome.PASS
    return Outcome.FAIL if least >= limit else Outcome.MARGINAL


def verdict(found: tuple[Finding, ...]) -> Outcome:
    """Return how it ended as a whole."""
    outcomes = [each.outcome for each in found]
    return next((each for each in (Outcome.FAIL, Outcome.MARGINAL) if each in outcomes), Outcome.PASS)


def beyond(found: tuple[Finding, ...]) -> bool:
    """Return whether a best estimate lies beyond its limit: nothing rings then, whoever is sure of it."""
    return any(each.beyond for each in found)


def said(found: tuple[Finding, ...]) -> str:
    """Say what was found, in few words: what is wrong, or how far board and meter differ."""
    wrong = [each for each in found if each.outcome is not Outcome.PASS]
    return "; ".join(f"{each.title}: {_figure(each)}" for each in wrong or found[:2])


def _figure(one: Finding) -> str:
    limit = "" if one.outcome is Outcome.PASS else f", {one.limit} is right"
    return f"{one.value.value:.1f} ± {_COVERAGE * one.value.u:.1f} {one.value.unit}{limit}"
