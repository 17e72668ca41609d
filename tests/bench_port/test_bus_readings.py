"""Readings of the ringing bus: root mean squares of whole cycles, computed from changes."""

from __future__ import annotations

from math import sqrt

from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.bus_readings import CYCLE_US, BusReadings

CHANGES = st.lists(
    st.tuples(st.integers(0, 3 * CYCLE_US), st.integers(0, 120), st.integers(0, 300), st.integers(0, 120)),
    max_size=20,
)


@settings(deadline=None)
@given(st.integers(-5_000_000, 5_000_000), CHANGES, st.lists(st.booleans(), min_size=20, max_size=20))
def test_a_reading_is_the_mean_square_of_the_last_whole_cycle(
    start: int, changes: list[tuple[int, int, int, int]], asked: list[bool]
) -> None:
    bus = BusReadings(start, 90.0, 50.0)
    now = start
    pieces: list[tuple[int, ...]] = [(start - 10 * CYCLE_US, 0, 0, 90)]  # (from, V, mA, supply)
    for (gap, bus_V, bus_mA, supply_V), ask in zip(changes, asked, strict=False):
        now += gap
        if ask:
            bus.newest(now)  # looking changes nothing
        bus.change(now, bus_V, bus_mA, supply_V)
        pieces.append((now, bus_V, bus_mA, supply_V))
        got = bus.newest(now)
        last = now // CYCLE_US * CYCLE_US
        ends = [piece[0] for piece in pieces[1:]] + [1 << 60]
        want = []
        for which in (1, 2, 3):
            total = sum(
                piece[which] ** 2 * max(0, min(end, last) - max(piece[0], last - CYCLE_US))
                for piece, end in zip(pieces, ends, strict=True)
            )
            want.append(1000 * sqrt(total / CYCLE_US))
        assert got.cycle == now // CYCLE_US % 256
        for had, wanted in zip(got[1:4], want, strict=True):
            assert abs(had - wanted) < 1
        assert got.battery_mV == 50_000


def test_there_is_a_new_reading_each_50_ms_and_its_number_wraps() -> None:
    bus = BusReadings(0, 90.0, 50.0)
    numbers = [bus.newest(at).cycle for at in range(0, 300 * CYCLE_US, CYCLE_US // 2)]
    assert numbers == [i // 2 % 256 for i in range(600)]


def test_stuck_values_stand_while_the_count_goes_on_and_dead_ones_do_not_count() -> None:
    bus = BusReadings(0, 90.0, 50.0)
    bus.stick(60_000, True, False)
    bus.change(60_000, 90.0, 20.0, 90.0)
    assert bus.newest(1_000_000) == (20, 0, 0, 90_000, 50_000)
    bus.stick(1_000_000, False, True)
    dead = bus.newest(1_000_000)
    assert dead[:3] == (20, 90_000, 20_000)
    assert bus.newest(3_000_000) == dead
    bus.stick(3_000_000, False, False)
    assert bus.newest(3_000_000) == (60, 90_000, 20_000, 90_000, 50_000)
