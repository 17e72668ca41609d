"""Ringing voltage against the published safety criteria, as arithmetic on figures that were measured or declared. Pure.

Two methods judge a ringing signal (IEC 60950-1 annex M, IEC 62368-1 annex H); it is enough to meet one. *Method A*
looks at the current through 5000 ohm, the time of a burst and of its pauses. *Method B* looks at voltage, pauses, and
at what a tripping device or a monitoring voltage must do.

**Every figure of the two annexes stands here from memory**; each check says so and names how sure the memory is. Two
curves (current against the length of a burst; trip time against current) are not reproduced, and where a verdict needs
one, it is *not measured*: take the limit from the standard. A competent person signs; this arithmetic does not.

Ringing rides on the battery: the peak to earth is the alternating peak plus the battery. Without samples of the
waveform a sine is taken. A source resistance that nobody declared counts as none, which is the strict answer. The
resistance carries the current both of ringing and of the battery; in the pause, which has another path, only the 5000
ohm count.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from demo_ctl.safety.ringing_figures import (
    K_OTHER,
    LONGEST_BURST_US,
    MONITOR_LEAST_V,
    MONITOR_MOST_V,
    MOST_PAUSE_V,
    MOST_PEAK_V,
    MOST_SWING_V,
    OLDER_PAUSE_V,
    ROOT2,
    SHORTEST_PAUSE_US,
    BODY_ohm,
    CONTINUOUS_mA,
    HIGH_ohm,
    LOW_ohm,
    MOST_FAULT_SWING_mA,
    MOST_Hz,
    Protection,
    Ringing,
    SINGLE_FAULT_mA,
    TRIP_SWING_mA,
    burst_current_mA,
    cadence_current_mA,
    ceiling_V,
    peak_current_mA,
    protection,
    source_needed_ohm,
    swing_mA,
)
from demo_ctl.terms.outcome import Outcome
from demo_ctl.terms.quantity import Quantity

ANNEX = "IEC 60950-1 annex M, IEC 62368-1 annex H"
SURE = f"from memory, sure of number and place: {ANNEX}"
FAIRLY_SURE = f"from memory, sure of the number only: {ANNEX}"
K_UNSURE = f"from memory, sure of the number only, and of k only its order: {ANNEX}"
SIGNS = "A competent person decides and signs, with the standard's own text at hand. These figures are from memory."
TAKE_IT = "take the limit from the standard"


@dataclass(frozen=True)
class Finding:
    """One check. row: in the table of published facts. value None: not measured, and `note` says why."""

    row: str
    method: str
    title: str
    value: Quantity | None
    limit: str
    outcome: Outcome
    source: str
    note: str = ""


# The checks.

_Check = Callable[[Ringing], Finding]


def findings(ringing: Ringing) -> tuple[Finding, ...]:
    """Return every check. With an uncertainty, what it does not settle is marginal (U = 2u)."""
    if ringing.u_V <= 0 or ringing.wave.rms_V <= 0:
        return tuple(check(ringing) for check in _CHECKS)
    part = 2 * ringing.u_V / ringing.wave.rms_V
    low, high = ringing.scaled(max(0.0, 1 - part)), ringing.scaled(1 + part)
    return tuple(_settle(check(ringing), check(low), check(high)) for check in _CHECKS)


def _settle(middle: Finding, low: Finding, high: Finding) -> Finding:
    value = middle.value
    if value is not None and low.value is not None and high.value is not None:
        middle = replace(middle, value=Quantity(value.value, value.unit, abs(high.value.value - low.value.value) / 4))
    outcomes = {middle.outcome, low.outcome, high.outcome}
    if len(outcomes) > 1:
        outcome = Outcome.NOT_MEASURED if Outcome.NOT_MEASURED in outcomes else Outcome.MARGINAL
        note = f"{middle.note}; " if middle.note else ""
        return replace(middle, outcome=outcome, note=f"{note}the uncertainty of the voltage does not settle it")
    return middle


def worst(found: Sequence[Finding], method: str) -> Outcome:
    """Return how a method ended as a whole: any fail, else anything open, else a pass."""
    outcomes = [finding.outcome for finding in found if finding.method == method]
    for outcome in (Outcome.FAIL, Outcome.MARGINAL, Outcome.NOT_MEASURED):
        if outcome in outcomes:
            return outcome
    return Outcome.PASS


def _at_most(value: float, limit: float) -> Outcome:
    # 100 V through 5000 ohm is 20 mA; the last bits of the arithmetic are no finding.
    return Outcome.PASS if value <= limit * (1 + 1e-9) else Outcome.FAIL


def _below(value: float, limit: float) -> Outcome:
    return Outcome.PASS if value < limit else Outcome.FAIL


def _unknown(row: str, method: str, title: str, limit: str, source: str, what: str) -> Finding:
    return Finding(row, method, title, None, limit, Outcome.NOT_MEASURED, source, f"{what} is not known")


def _body_ohm(ringing: Ringing) -> float:
    return BODY_ohm + (ringing.source_ohm or 0.0)


def _no_source(ringing: Ringing) -> str:
    return "no source resistance declared: counted as none" if ringing.source_ohm is None else ""


def _insulation(ringing: Ringing) -> Finding:
    title, limit = "peak to earth, against what our port's insulation is made for", "≤ 200 V peak, 120 V rms, 60 V DC"
    source = "published (UL application guide): what to assume on US lines"
    if ringing.battery_most_V is None:
        return _unknown("H05", "insulation", title, limit, source, "the battery's voltage")
    peak_V = ringing.battery_most_V + ringing.wave.peak_V
    good = peak_V <= 200 and ringing.wave.rms_V <= 120 and ringing.battery_most_V <= 60
    return Finding(
        "H05", "insulation", title, Quantity(peak_V, "V"), limit, Outcome.PASS if good else Outcome.FAIL, source
    )


def _burst(ringing: Ringing) -> Finding:
    title, limit = "one burst: ITS1 through 5000 ohm", "the standard's curve; 16 mA if continuous"
    if ringing.battery_most_V is None or ringing.on_us is None:
        what = "the battery's voltage" if ringing.battery_most_V is None else "the length of a burst"
        return _unknown("H20, H21", "A", title, limit, FAIRLY_SURE, what)
    ohm = _body_ohm(ringing)
    peak_mA = peak_current_mA(ringing.wave, ringing.battery_most_V, ohm)
    value_mA = burst_current_mA(peak_mA, swing_mA(ringing.wave, ohm), ringing.on_us)
    value = Quantity(value_mA, "mA")
    if value_mA <= CONTINUOUS_mA:
        note = "not above what even ringing without any pause may have"
        return Finding("H20, H21", "A", title, value, limit, Outcome.PASS, FAIRLY_SURE, note)
    note = f"above 16 mA, so the curve decides: {TAKE_IT}"
    return Finding("H20, H21", "A", title, value, limit, Outcome.NOT_MEASURED, FAIRLY_SURE, note)


def _cadence(ringing: Ringing) -> Finding:
    title, limit = "with its pauses: ITS2 through 5000 ohm", "≤ 16 mA"
    if ringing.battery_most_V is None or ringing.on_us is None or ringing.off_us is None:
        what = "the battery's voltage" if ringing.battery_most_V is None else "the cadence"
        return _unknown("H22", "A", title, limit, K_UNSURE, what)
    ohm = _body_ohm(ringing)
    peak_mA = peak_current_mA(ringing.wave, ringing.battery_most_V, ohm)
    burst_mA = burst_current_mA(peak_mA, swing_mA(ringing.wave, ohm), ringing.on_us)
    pause_mA = ringing.battery_most_V / BODY_ohm * 1000
    cycle_us = ringing.on_us + ringing.off_us
    value_mA = cadence_current_mA(burst_mA, pause_mA, ringing.on_us, cycle_us)
    other_mA = cadence_current_mA(burst_mA, pause_mA, ringing.on_us, cycle_us, K_OTHER)
    note = f"with k = 3.75, the stricter; with k = 3.75 squared {other_mA:.2f} mA"
    return Finding(
        "H22", "A", title, Quantity(value_mA, "mA"), limit, _at_most(value_mA, CONTINUOUS_mA), K_UNSURE, note
    )


def _stuck(ringing: Ringing) -> Finding:
    """Single fault of method A: the interrupter sticks, ringing goes on for ever; then ITS1 and ITS2 are the same."""
    value_mA = swing_mA(ringing.wave, _body_ohm(ringing)) / (2 * ROOT2)
    return Finding(
        "H23",
        "A",
        "single fault, ringing stuck on: through 5000 ohm",
        Quantity(value_mA, "mA"),
        "≤ 20 mA",
        _at_most(value_mA, SINGLE_FAULT_mA),
        FAIRLY_SURE,
        _no_source(ringing),
    )


def _frequency(ringing: Ringing) -> Finding:
    title, limit = "frequency", "≤ 70 Hz"
    if ringing.frequency_Hz is None:
        return _unknown("H24", "B", title, limit, SURE, "the frequency")
    return Finding(
        "H24",
        "B",
        title,
        Quantity(ringing.frequency_Hz, "Hz"),
        limit,
        _at_most(ringing.frequency_Hz, MOST_Hz),
        SURE,
    )


def _swing(ringing: Ringing) -> Finding:
    swing_V = ringing.wave.swing_V
    return Finding(
        "H24",
        "B",
        "peak to peak, open circuit",
        Quantity(swing_V, "V"),
        "< 300 V across 1 Mohm or more",
        _below(swing_V, MOST_SWING_V),
        SURE,
    )


def _peak(ringing: Ringing) -> Finding:
    title, limit = "peak to earth, on the battery, open circuit", "< 200 V across 1 Mohm or more"
    if ringing.battery_most_V is None:
        return _unknown("H24", "B", title, limit, SURE, "the battery's voltage")
    peak_V = ringing.battery_most_V + ringing.wave.peak_V
    return Finding("H24", "B", title, Quantity(peak_V, "V"), limit, _below(peak_V, MOST_PEAK_V), SURE)


def _long_burst(ringing: Ringing) -> Finding:
    title, limit = "ringing between two pauses", "≤ 5 s"
    if ringing.on_us is None:
        return _unknown("H25", "B", title, limit, FAIRLY_SURE, "the length of a burst")
    value = Quantity(ringing.on_us / 1e6, "s")
    return Finding("H25", "B", title, value, limit, _at_most(ringing.on_us, LONGEST_BURST_US), FAIRLY_SURE)


def _pause(ringing: Ringing) -> Finding:
    title, limit = "pause", "≥ 1 s"
    if ringing.off_us is None:
        return _unknown("H25", "B", title, limit, FAIRLY_SURE, "the pause")
    value = Quantity(ringing.off_us / 1e6, "s")
    outcome = Outcome.PASS if ringing.off_us >= SHORTEST_PAUSE_US else Outcome.FAIL
    return Finding("H25", "B", title, value, limit, outcome, FAIRLY_SURE)


def _pause_voltage(ringing: Ringing) -> Finding:
    title, limit = "to earth in the pause", "≤ 60 V DC"
    battery_V = ringing.battery_most_V
    if battery_V is None:
        return _unknown("H25", "B", title, limit, FAIRLY_SURE, "the battery's voltage")
    note = f"above the {OLDER_PAUSE_V} V of older US text" if battery_V > OLDER_PAUSE_V else ""
    return Finding(
        "H25", "B", title, Quantity(battery_V, "V"), limit, _at_most(battery_V, MOST_PAUSE_V), FAIRLY_SURE, note
    )


def _fault_swing(ringing: Ringing) -> Finding:
    value_mA = swing_mA(ringing.wave, _body_ohm(ringing))
    return Finding(
        "H26",
        "B",
        "single fault: peak to peak through 5000 ohm",
        Quantity(value_mA, "mA"),
        "≤ 56.5 mA",
        _at_most(value_mA, MOST_FAULT_SWING_mA),
        SURE,
        _no_source(ringing),
    )


def _trip(ringing: Ringing) -> Finding:
    swing_V = ringing.wave.swing_V
    source_ohm = ringing.source_ohm or 0.0
    needed = protection(swing_V, source_ohm)
    nothing_ohm = source_needed_ohm(swing_V, LOW_ohm, TRIP_SWING_mA)
    either_ohm = source_needed_ohm(swing_V, HIGH_ohm, TRIP_SWING_mA)
    note = (
        f"needed: {needed.value} (source resistance {source_ohm:.0f} ohm; from {math.ceil(either_ohm)} ohm either would"
        f" do, from {math.ceil(nothing_ohm)} ohm nothing more)"
    )
    if ringing.source_ohm is None:
        note += "; " + _no_source(ringing)
    if needed is not Protection.NOTHING:
        note += f"; whether the connector's trip is quick enough is a curve: {TAKE_IT}"
    return Finding(
        "H27, H28",
        "B",
        "tripping device: peak to peak through 500 ohm",
        Quantity(swing_V / (source_ohm + LOW_ohm) * 1000, "mA"),
        "nothing more up to 100 mA; else through 1500 ohm decides",
        Outcome.PASS if needed is Protection.NOTHING else Outcome.NOT_MEASURED,
        SURE,
        note,
    )


def _monitor(ringing: Ringing) -> Finding:
    title, limit = "monitoring voltage: on a wire while it does not ring", "19 V peak to 60 V DC to earth"
    least_V, most_V = ringing.battery_least_V, ringing.battery_most_V
    if protection(ringing.wave.swing_V, ringing.source_ohm or 0.0) is Protection.NOTHING:
        note = "none is needed behind this source resistance"
        value = None if least_V is None else Quantity(least_V, "V")
        return Finding("H29", "B", title, value, limit, Outcome.PASS, FAIRLY_SURE, note)
    if least_V is None or most_V is None:
        return _unknown("H29", "B", title, limit, FAIRLY_SURE, "the battery's voltage")
    good = least_V >= MONITOR_LEAST_V and most_V <= MONITOR_MOST_V
    note = "the battery serves, on every wire that is not ringing"
    return Finding(
        "H29",
        "B",
        title,
        Quantity(least_V, "V"),
        limit,
        Outcome.PASS if good else Outcome.FAIL,
        FAIRLY_SURE,
        note if good else "",
    )


def _ceiling(ringing: Ringing) -> Finding:
    title, rule = "the project's own ceiling, rms", "min(100 V, (200 V - battery) / root 2)"
    source = f"ours, of 20 mA through 5000 ohm with no source resistance, and 200 V peak; {SURE}"
    if ringing.battery_most_V is None:
        return _unknown("H23, H24", "ours", title, rule, source, "the battery's voltage")
    ceiling = ceiling_V(ringing.battery_most_V)
    return Finding(
        "H23, H24",
        "ours",
        title,
        Quantity(ringing.wave.rms_V, "V"),
        f"≤ {ceiling:.1f} V: {rule}",
        _at_most(ringing.wave.rms_V, ceiling),
        source,
    )


_CHECKS: tuple[_Check, ...] = (
    _burst,
    _cadence,
    _stuck,
    _frequency,
    _swing,
    _peak,
    _long_burst,
    _pause,
    _pause_voltage,
    _fault_swing,
    _trip,
    _monitor,
    _ceiling,
    _insulation,
)


@dataclass(frozen=True)
class Class:
    """What a voltage counts as: no verdict, but how to treat it."""

    row: str
    title: str
    counts_as: str
    source: str


def energy_class(peak_V: float, rms_V: float, direct_V: float) -> int:
    """Return 1, 2 or 3: the class of an energy source by voltage alone (ES1, ES2, ES3; facts H03, from memory)."""
    for number, peak_most_V, rms_most_V, direct_most_V in ((1, 42.4, 30.0, 60.0), (2, 70.7, 50.0, 120.0)):
        if peak_V <= peak_most_V and rms_V <= rms_most_V and direct_V <= direct_most_V:
            return number
    return 3


def classes(ringing: Ringing) -> tuple[Class, ...]:
    """Return what battery and ringing count as (facts H01..H04)."""
    wave = ringing.wave
    ringing_class = energy_class(wave.peak_V, wave.rms_V, 0.0)
    found = [
        Class(
            "H02",
            f"ringing, {wave.peak_V:.1f} V peak",
            "above 40 V peak: dangerous to touch, dry hands or not"
            if wave.peak_V > 40
            else "not above 40 V peak: not generally dangerous to dry hands",
            "published (IEC 950, quoted in an application note)",
        ),
        Class(
            "H03, H04",
            f"ringing, {wave.rms_V:.1f} V rms",
            f"class ES{ringing_class}"
            + (" unless it meets the annex (then ES2); treat the bus as ES3" if ringing_class == 3 else ""),
            "from memory, sure of number and place: IEC 62368-1 table 4, 5.2.2; IEC 60950-1 2.2",
        ),
    ]
    if ringing.battery_most_V is not None:
        battery_V = ringing.battery_most_V
        found.append(
            Class(
                "H02, H03",
                f"battery, {battery_V:.1f} V",
                f"class ES{energy_class(0.0, 0.0, battery_V)}"
                + ("; above 60 V DC: dangerous to touch" if battery_V > 60 else ""),
                "published (IEC 950, quoted); classes from memory: IEC 62368-1 table 4",
            )
        )
        found.append(
            Class(
                "H01",
                f"live parts at workplaces, {battery_V:.1f} V",
                "50 V or more: guard them" if battery_V >= 50 else "below 50 V while it is no higher than this",
                "published (OSHA letter of 4 September 2015 on 29 CFR 1910.303(g)(2)(i))",
            )
        )
    return tuple(found)
