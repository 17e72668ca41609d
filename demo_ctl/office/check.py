"""What can be wrong with a unit's description although every key and type is right.

Each check compares figures of one file with each other: a description that contradicts itself is refused before
anything is planned from it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterable

from demo_ctl.office.model import Connector, Selector, Spread, TimeWindow, Tone, Unit
from demo_ctl.office.numbers import digits_of, pulses_of
from demo_ctl.office.route import complete, counted_digits, number_digits, route
from demo_ctl.office.timing import hunting_need_us
from demo_ctl.terms.lamps import check_lamps, check_names
from demo_ctl.terms.located import Findings, Located
from demo_ctl.terms.words import time_text

#: Ringing on the bus, rms: never above this, whatever the battery (facts H23, from memory: IEC 60950-1 Annex M).
HIGHEST_RINGING_V = 100.0
#: Ringing and battery together, peak to earth (facts H24, from memory: IEC 60950-1 Annex M, method B).
HIGHEST_PEAK_V = 200.0
#: Direct voltage between bursts of ringing (facts H25); no battery of ours is above it.
HIGHEST_BATTERY_V = 60.0
#: A burst is at most 5 s and a pause at least 1 s (facts H25, from memory: IEC 60950-1 Annex M, method B).
LONGEST_RING_US = 5_000_000
SHORTEST_PAUSE_US = 1_000_000
#: The board closes its ringing window by itself after this; a unit's file may only tighten it.
LONGEST_WINDOW_US = 90_000_000
#: The board takes a loop for closed from here (facts L11: common practice, no source).
LEAST_LOOP_MA = 10.0
LONGEST_US = 3_600_000_000


def check_unit(located: Located[Unit]) -> Findings:
    """Return everything that is wrong with a unit that has the right keys and types."""
    findings = Findings(located)
    for check in _CHECKS:
        check(located, findings)
    return findings


def ringing_ceiling_V(unit: Unit) -> float:
    """Return the highest ringing voltage (rms) this unit's battery allows: min(100, (200 - battery) / sqrt 2)."""
    return min(HIGHEST_RINGING_V, (HIGHEST_PEAK_V - unit.supply.most_V) / math.sqrt(2))


def _train(located: Located[Unit], findings: Findings) -> None:
    unit = located.value
    last = len(unit.train) - 1
    for index, stage in enumerate(unit.train):
        if isinstance(stage, Connector) != (index == last):
            if index == last:
                findings.add("the last stage of the train is expected to be a connector", "train", index)
            else:
                findings.add("a connector is expected only as the last stage of the train", "train", index)
        if isinstance(stage, Selector):
            _selector(stage, index, findings)
    _unique(((stage.name, ("train", i, "name")) for i, stage in enumerate(unit.train)), "stage", located, findings)


def _selector(stage: Selector, index: int, findings: Findings) -> None:
    for digit, level in stage.levels.items():
        if not level.trunks:
            findings.add(
                f"level {digit} lists no trunks; leave a level without trunks out", "train", index, "levels", digit
            )
    if not stage.levels:
        findings.add(f"'{stage.name}' has no level with trunks, so no call gets further", "train", index, "levels")
    if stage.absorbs is None:
        return
    digits = stage.absorbs.digits
    for position, digit in enumerate(digits):
        if digits.index(digit) != position:
            findings.add(f"digit {digit} is listed twice", "train", index, "absorbs", "digits", position)
        elif stage.absorbs.until == "another digit" and digit in stage.levels:
            findings.add(
                f"digit {digit} is always absorbed here, so its level {digit} can never be reached",
                "train",
                index,
                "absorbs",
                "digits",
                position,
            )


def _numbers(located: Located[Unit], findings: Findings) -> None:
    """Numbers have the right digits, lead somewhere, and each to a terminal of its own."""
    unit = located.value
    if not isinstance(unit.train[-1], Connector) or any(isinstance(stage, Connector) for stage in unit.train[:-1]):
        return  # said already
    wanted = unit.numbering.digits
    need = len(unit.selectors) + 2
    absorbs = any(stage.absorbs is not None for stage in unit.selectors)
    if wanted < need or (wanted > need and not absorbs):
        why = "" if absorbs or wanted < need else " and no stage absorbs digits"
        findings.add(
            f"digits: found {wanted}, but {len(unit.selectors)} selectors and a connector take {need}{why}",
            "numbering",
            "digits",
        )
        return
    terminals: list[tuple[str, tuple[str | int, ...]]] = []
    for index, line in enumerate(unit.lines):
        try:
            digits = number_digits(unit, line)
        except ValueError as error:
            findings.add(f"number: {error}", "lines", index, "number")
            continue
        if len(digits) != wanted:
            findings.add(
                f"number: '{line.number}' is {len(digits)} digits ({digits}), expected {wanted}",
                "lines",
                index,
                "number",
            )
            continue
        fault = _unreached(unit, digits)
        if fault:
            findings.add(f"number: '{line.number}' ({digits}) cannot be reached: {fault}", "lines", index, "number")
            continue
        terminals.append((counted_digits(route(unit, digits)), ("lines", index, "number")))
    _unique(terminals, "terminal", located, findings)


def _unreached(unit: Unit, digits: str) -> str:
    """Say why digits do not end exactly on a connector's terminal; empty if they do."""
    legs = route(unit, digits)
    for position, leg in enumerate(legs):
        name = unit.train[leg.stage - 1].name
        if leg.does == "select" and not leg.trunks:
            return f"digit {position + 1} leads to level {leg.digit} of '{name}', which has no trunks"
        if leg.does == "ignored":
            return f"its digit {position + 1} comes when the connector already has both of its own"
    if not complete(legs):
        absorbed = sum(leg.does == "absorb" for leg in legs)
        return f"{absorbed} of its digits are absorbed, and too few are left for the connector"
    return ""


def _lines(located: Located[Unit], findings: Findings) -> None:
    unit = located.value
    lines = list(enumerate(unit.lines))
    _unique(((line.name, ("lines", i, "name")) for i, line in lines), "name", located, findings)
    _unique(((line.port, ("lines", i, "attached")) for i, line in lines if line.port), "port", located, findings)
    places = (((line.finder_level, line.finder_terminal), ("lines", i, "finder terminal")) for i, line in lines)
    _unique(places, "finder level and terminal", located, findings)
    supply = unit.supply
    for index, line in lines:
        loop_mA = 1000 * supply.least_V / max(1.0, supply.feed_ohm + line.loop_ohm)
        if line.port and loop_mA < LEAST_LOOP_MA:
            findings.add(
                f"loop: {line.loop_ohm:g} ohm leaves {loop_mA:.3g} mA on the lowest battery, and the board takes a loop"
                f" for closed from {LEAST_LOOP_MA:g} mA",
                "lines",
                index,
                "loop",
            )


def _unique(
    found: Iterable[tuple[Hashable, tuple[str | int, ...]]],
    what: str,
    located: Located[Unit],
    findings: Findings,
) -> None:
    """Note every value that has been found before, with the line of the first."""
    first: dict[Hashable, tuple[str | int, ...]] = {}
    for value, path in found:
        if value in first:
            shown = f"{value[0]}, {value[1]}" if isinstance(value, tuple) else f"'{value}'"
            findings.add(f"the {what} {shown} is used twice (first in line {located.place(*first[value]).line})", *path)
        first.setdefault(value, path)


def _hunting(located: Located[Unit], findings: Findings) -> None:
    """A connector hunts upwards over one level, over terminals that are there."""
    unit = located.value
    connector = unit.train[-1]
    if not isinstance(connector, Connector):
        return
    known: set[str] = set()
    for line in unit.lines:
        try:
            known.add(number_digits(unit, line))
        except ValueError:
            return  # said already
    firsts: set[str] = set()
    for index, group in enumerate(connector.hunting):
        path = ("train", len(unit.train) - 1, "hunting", index)
        if len(group) < 2:
            findings.add("a hunting group needs at least two numbers", *path)
        before = ""
        for position, number in enumerate(group):
            try:
                digits = digits_of(number, unit.numbering.letters)
            except ValueError as error:
                findings.add(f"{error}", *path, position)
                break
            if digits not in known:
                findings.add(f"'{number}' is the number of no line", *path, position)
            step = pulses_of(digits[-1], unit.numbering.pulses)
            if before and (digits[:-1] != before[:-1] or step <= pulses_of(before[-1], unit.numbering.pulses)):
                findings.add(
                    f"'{number}' does not come after the one before it on the same level; a connector hunts upwards",
                    *path,
                    position,
                )
            before = digits
            if position == 0 and digits in firsts:
                findings.add(f"'{number}' begins another group already", *path, position)
            if position == 0:
                firsts.add(digits)


def _supply(located: Located[Unit], findings: Findings) -> None:
    supply = located.value.supply
    if not 0 < supply.least_V <= supply.battery_V <= supply.most_V:
        findings.add(
            f"battery: found least {supply.least_V:g}, battery {supply.battery_V:g}, most {supply.most_V:g} V;"
            " expected them in that order",
            "supply",
            "battery",
        )
    if supply.most_V > HIGHEST_BATTERY_V:
        findings.add(f"most: found {supply.most_V:g} V, expected at most {HIGHEST_BATTERY_V:g} V", "supply", "most")
    if not 50 <= supply.feed_ohm <= 5000:
        findings.add(f"feed: found {supply.feed_ohm:g} ohm, expected 50 to 5000 ohm", "supply", "feed")


def _ringing(located: Located[Unit], findings: Findings) -> None:
    unit, ringing = located.value, located.value.ringing
    ceiling = ringing_ceiling_V(unit)
    if ringing.voltage_V > ceiling:
        findings.add(
            f"voltage: found {ringing.voltage_V:g} V, expected at most {ceiling:.4g} V: the smaller of"
            f" {HIGHEST_RINGING_V:g} V and ({HIGHEST_PEAK_V:g} V - {unit.supply.most_V:g} V of battery) / sqrt 2",
            "ringing",
            "voltage",
        )
    if ringing.voltage_V < 40:
        findings.add(f"voltage: found {ringing.voltage_V:g} V; a bell needs at least 40 V", "ringing", "voltage")
    if not 15 <= ringing.frequency_Hz <= 70:
        findings.add(f"frequency: found {ringing.frequency_Hz:g} Hz, expected 15 to 70 Hz", "ringing", "frequency")
    if not 200_000 <= ringing.on_us <= LONGEST_RING_US:
        findings.add(
            f"on: found {time_text(ringing.on_us)}, expected 200 ms to {time_text(LONGEST_RING_US)}", "ringing", "on"
        )
    if not SHORTEST_PAUSE_US <= ringing.off_us <= 30_000_000:
        findings.add(
            f"off: found {time_text(ringing.off_us)}, expected {time_text(SHORTEST_PAUSE_US)} to 30 s", "ringing", "off"
        )
    if not ringing.on_us + ringing.off_us <= ringing.longest_us <= LONGEST_WINDOW_US:
        findings.add(
            f"longest: found {time_text(ringing.longest_us)}, expected at least one ring and its pause and at most"
            f" {time_text(LONGEST_WINDOW_US)}, the board's own limit",
            "ringing",
            "longest",
        )


def _adjustment(located: Located[Unit], findings: Findings) -> None:
    adjustment = located.value.adjustment
    for name in type(adjustment).model_fields:
        spread = getattr(adjustment, name)
        if not isinstance(spread, Spread):
            continue
        if not 0 < spread.least_us <= spread.typical_us <= spread.most_us <= 10_000_000:
            findings.add(
                f"{name.replace('_', ' ')}: found least {time_text(spread.least_us)}, typical"
                f" {time_text(spread.typical_us)}, most {time_text(spread.most_us)};"
                " expected them in that order, above 0 and at most 10 s",
                "adjustment",
                name,
            )
    for key, value in (("hunting", adjustment.hunting_sps), ("finder", adjustment.finder_sps)):
        if not 1 <= value <= 200:
            findings.add(f"{key}: found {value:g} sps, expected 1 to 200 sps", "adjustment", key)
    if adjustment.a_operate.most_us + adjustment.b_operate.most_us >= adjustment.b_hold.least_us:
        findings.add(
            "b hold: the next switch's A and B may operate later than this switch's B lets go, so calls would be lost"
            " when a selector cuts through",
            "adjustment",
            "b hold",
        )


def _dialling(located: Located[Unit], findings: Findings) -> None:
    """The dial lies inside what the switches follow, and that inside what their relays can."""
    unit = located.value
    follows, dial, times = unit.follows, unit.dial, unit.adjustment
    speed, ratio = follows.speed, follows.percent_break
    guard = follows.guard_pct / 100
    for key, low, high, least, most, name in (
        ("speed", speed.low_pps, speed.high_pps, 1.0, 30.0, "pps"),
        ("percent break", ratio.low_pct, ratio.high_pct, 5.0, 95.0, "%"),
    ):
        if not least <= low <= high <= most:
            findings.add(
                f"{key}: found {low:g} to {high:g} {name}, expected a range inside {least:g} to {most:g} {name}",
                "follows",
                key,
            )
            return
        if low * (1 + guard) > high * (1 - guard):
            findings.add(
                f"{key}: with a guard of {follows.guard_pct:g} % nothing is left of {low:g} to {high:g} {name}",
                "follows",
                key,
            )
    if not speed.low_pps <= dial.speed_pps <= speed.high_pps:
        findings.add(
            f"speed: found {dial.speed_pps:g} pps, expected {speed.low_pps:g} to {speed.high_pps:g} pps, which the"
            " switches follow",
            "dial",
            "speed",
        )
    if not ratio.low_pct <= dial.break_pct <= ratio.high_pct:
        findings.add(
            f"break: found {dial.break_pct:g} %, expected {ratio.low_pct:g} to {ratio.high_pct:g} %, which the switches"
            " follow",
            "dial",
            "break",
        )
    longest_us, shortest_us = 1_000_000 / speed.low_pps, 1_000_000 / speed.high_pps
    for lasts, limit, relation in (
        (longest_us * ratio.high_pct / 100, times.b_hold.least_us, "a break of {} would outlast relay B's hold of {}"),
        (
            longest_us * (1 - ratio.low_pct / 100),
            times.c_hold.least_us,
            "a make of {} would outlast relay C's hold of {}",
        ),
        (
            -shortest_us * ratio.low_pct / 100,
            -times.magnet_operate.most_us,
            "a break of {} is too short for a magnet of {}",
        ),
        (
            -shortest_us * (1 - ratio.high_pct / 100),
            -times.magnet_release.most_us,
            "a make of {} is too short for a magnet that falls back in {}",
        ),
    ):
        if lasts >= limit:
            findings.add(
                "speed: at the edge of this range " + relation.format(time_text(abs(lasts)), time_text(abs(limit))),
                "follows",
                "speed",
            )
    if times.hunting_sps >= 1:  # else said already
        _pauses(unit, findings)


def _pauses(unit: Unit, findings: Findings) -> None:
    follows, dial = unit.follows, unit.dial
    need_us = hunting_need_us(unit)
    most_us = follows.most_pause_us
    for place, key, us in (("follows", "least pause", follows.least_pause_us), ("dial", "pause", dial.pause_us)):
        if us < need_us:
            findings.add(
                f"{key}: found {time_text(us)}, but a selector may need {time_text(need_us)}: C's longest hold, eleven"
                " hunting steps, the transfer, and the next A and B",
                place,
                key,
            )
    if dial.pause_us < follows.least_pause_us:
        findings.add(
            f"pause: found {time_text(dial.pause_us)}, expected at least {time_text(follows.least_pause_us)}, which the"
            " switches follow",
            "dial",
            "pause",
        )
    if most_us is not None and not follows.least_pause_us <= dial.pause_us <= most_us:
        findings.add(
            f"most pause: found {time_text(most_us)}, expected at least the dial's pause of {time_text(dial.pause_us)}",
            "follows",
            "most pause",
        )
    if dial.pause_us > LONGEST_US:
        findings.add("pause: found more than an hour", "dial", "pause")


def _tones(located: Located[Unit], findings: Findings) -> None:
    tones = located.value.tones
    for name in type(tones).model_fields:
        tone = getattr(tones, name)
        assert isinstance(tone, Tone)
        if any(not 15 <= part <= 3400 for part in tone.parts_Hz):
            findings.add("parts: expected 15 Hz to 3.4 kHz, which a telephone carries", "tones", name, "parts")
        if len(set(tone.parts_Hz)) != len(tone.parts_Hz):
            findings.add("parts: the same frequency stands here twice", "tones", name, "parts")
        if len(tone.cadence_us) % 2 or any(not 10_000 <= us <= 30_000_000 for us in tone.cadence_us):
            findings.add(
                "cadence: expected times on, off, on, off..., each 10 ms to 30 s, as many on as off",
                "tones",
                name,
                "cadence",
            )
        if not -60 <= tone.level_dBm <= 10:
            findings.add(f"level: found {tone.level_dBm:g} dBm, expected -60 to 10 dBm", "tones", name, "level")
        if not 0 < tone.tolerance_pct <= 20:
            findings.add("tolerance: expected more than 0 and at most 20 %", "tones", name, "tolerance")
        if not 0 < tone.cadence_tolerance_pct <= 50:
            findings.add("cadence tolerance: expected more than 0 and at most 50 %", "tones", name, "cadence tolerance")


def _windows(located: Located[Unit], findings: Findings) -> None:
    unit, windows = located.value, located.value.windows
    for field in type(windows).model_fields:
        window = getattr(windows, field)
        name = field.replace("_", " ")
        low, high = (getattr(window, key) for key in type(window).model_fields if key != "source")
        if low is None and high is None:
            findings.add(f"{name}: a window needs 'from', 'to' or both", "windows", name)
        if low is not None and high is not None and low > high:
            findings.add(f"{name}: 'from' lies above 'to', so the window holds nothing", "windows", name)
    for name, held, own in (
        (
            "pulse speed",
            windows.pulse_speed.low_pps <= unit.dial.speed_pps <= windows.pulse_speed.high_pps,
            "dial: speed",
        ),
        (
            "percent break",
            windows.percent_break.low_pct <= unit.dial.break_pct <= windows.percent_break.high_pct,
            "dial: break",
        ),
        ("interdigital", _holds(windows.interdigital, unit.dial.pause_us), "dial: pause"),
        ("ring on", _holds(windows.ring_on, unit.ringing.on_us), "ringing: on"),
        ("ring off", _holds(windows.ring_off, unit.ringing.off_us), "ringing: off"),
    ):
        if not held:
            findings.add(f"{name}: this window does not hold the unit's own figure ({own})", "windows", name)


def _holds(window: TimeWindow, us: int) -> bool:
    return (window.low_us is None or window.low_us <= us) and (window.high_us is None or us <= window.high_us)


def _rests(located: Located[Unit], findings: Findings) -> None:
    unit, times = located.value, located.value.adjustment
    need_us = times.b_hold.most_us + times.restore.most_us + times.line_relay.most_us
    if not need_us <= unit.rest_us <= LONGEST_US:
        findings.add(
            f"rest: found {time_text(unit.rest_us)}, expected at least {time_text(need_us)} (B's longest hold,"
            " restoring, line relay) and at most an hour",
            "rest",
        )
    if not 0 < unit.longest_gate_us <= LONGEST_US:
        findings.add("longest gate: expected more than nothing and at most an hour", "longest gate")


def _lamps(located: Located[Unit], findings: Findings) -> None:
    unit = located.value
    check_lamps(unit.lamps, findings, "lamps")
    check_names(unit.lamps, (line.name for line in unit.lines), unit.switch_names, findings, "lamps")


_CHECKS: tuple[Callable[[Located[Unit], Findings], None], ...] = (
    _train,
    _numbers,
    _lines,
    _hunting,
    _supply,
    _ringing,
    _adjustment,
    _dialling,
    _tones,
    _windows,
    _rests,
    _lamps,
)
