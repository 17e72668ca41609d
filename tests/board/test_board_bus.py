"""The bus: readings at random, and what they say. (Every limit in each combination: safety explore.)"""

from __future__ import annotations

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.board.bus import STALE_US, Bus, ceiling_mV
from demo_ctl.wire import messages as m

READING = st.tuples(st.integers(0, 130_000), st.integers(0, 400_000), st.integers(0, 130_000), st.integers(0, 70_000))


def test_before_the_first_reading_nothing_is_known() -> None:
    bus: Any = Bus()
    assert bus.step(10_000, (0, 0, 0, 0, 0), False, False, 180_000, 100_000, 2_000) == m.R_NONE
    assert (bus.quiet, bus.fit, bus.flows) == (False, False, False)
    assert bus.step(STALE_US, (0, 0, 0, 0, 0), False, False, 180_000, 100_000, 2_000) == m.R_STALE
    assert bus.step(0, (1, 0, 0, 80_000, 50_000), False, False, 180_000, 100_000, 2_000) == m.R_NONE
    assert (bus.quiet, bus.fit, bus.flows) == (True, True, False)


def test_a_converter_that_stops_is_a_fault_and_not_silence() -> None:
    bus: Any = Bus()
    reading = (7, 80_000, 90_000, 80_000, 50_000)
    assert bus.step(0, reading, True, False, 180_000, 100_000, 2_000) == m.R_NONE
    assert bus.flows
    assert bus.step(STALE_US - 1, reading, True, False, 180_000, 100_000, 2_000) == m.R_NONE
    assert bus.step(1, reading, True, False, 180_000, 100_000, 2_000) == m.R_STALE
    assert (bus.quiet, bus.fit, bus.flows) == (False, False, False)


@settings(deadline=None)
@given(st.lists(st.tuples(READING, st.integers(0, 120_000), st.booleans()), max_size=60), st.integers(0, 255))
def test_readings_in_the_order_they_come(readings: list[Any], first: int) -> None:
    bus: Any = Bus()
    count, over = first, 0
    for values, elapsed_us, live in readings:
        count = (count + 1) & 255
        seen = count == bus._seen  # only if the very first count is the one that stands for "none"
        found = bus.step(elapsed_us, (count, *values), live, False, 180_000, 100_000, 2_000)
        if seen:
            continue
        volts, current, supply, battery = values
        over = over + 1 if live and current > 180_000 else 0
        most = ceiling_mV(100_000, battery)
        wanted = m.R_OVERCURRENT if over >= 2 else m.R_OVERVOLTAGE if live and volts > most else m.R_NONE
        assert found == wanted
        assert bus.quiet == (volts < 10_000)
        assert bus.fit == (60_000 <= supply <= most and 42_000 <= battery <= 56_500)


@given(st.integers(0, 250_000), st.integers(1_000, 120_000))
def test_the_ceiling_keeps_the_peak_below_200_v_to_earth(battery_mv: int, limit_mv: int) -> None:
    ceiling = ceiling_mV(limit_mv, battery_mv)
    assert 0 <= ceiling <= limit_mv
    if ceiling:
        assert ceiling * 2**0.5 + battery_mv <= 200_000
    if ceiling < limit_mv:
        assert (ceiling + 1) * 1.415 + battery_mv > 200_000
