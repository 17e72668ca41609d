"""Laws of the wide clock over the counter's wrap at 2**30."""

from __future__ import annotations

import itertools

from hypothesis import example, given, settings
from hypothesis import strategies as st

from demo_ctl.wire.clock import Widener

TICKS = 1 << 30
HALF = 1 << 29
relaxed = settings(deadline=None)
steps = st.lists(st.one_of(st.integers(0, HALF - 1), st.integers(0, 2000), st.just(HALF - 1)), min_size=1, max_size=30)


@relaxed
@given(st.integers(0, TICKS - 1), steps)
@example(0, [HALF - 1] * 9)
@example(TICKS - 1, [1, 0, 1])
def test_widens_every_instant_rightly(start: int, passed: list[int]) -> None:
    clock = Widener()
    for instant in itertools.accumulate([start, *passed]):
        assert clock.now(instant % TICKS) == instant


@relaxed
@given(st.integers(0, TICKS - 1), steps, st.integers(-HALF + 1, HALF - 1))
def test_past_and_just_after(start: int, passed: list[int], ago: int) -> None:
    """Captured up to half a turn before the last look, or (an interrupt since then) after it."""
    clock = Widener()
    for instant in itertools.accumulate([start, *passed]):
        clock.now(instant % TICKS)
        captured = instant - ago
        assert clock.past(captured % TICKS) == max(captured, 0)
        assert clock.now(instant % TICKS) == instant  # asking changed nothing


@relaxed
@given(st.integers(0, TICKS - 1), st.lists(st.integers(0, TICKS - 1), max_size=60))
def test_never_goes_back(start: int, readings: list[int]) -> None:
    clock = Widener()
    seen = [clock.now(ticks) for ticks in [start, *readings]]
    assert seen == sorted(seen)


@relaxed
@given(st.integers(0, TICKS - 1), st.lists(st.tuples(st.integers(0, 1000), st.integers(0, 20)), max_size=40))
def test_a_late_reading_loses_nothing(start: int, looks: list[tuple[int, int]]) -> None:
    """Readings a few microseconds older than the last do not pull the clock, nor push it a turn ahead."""
    clock = Widener()
    instant = start
    latest = clock.now(start)
    for passed, late in looks:
        instant += passed
        latest = max(latest, instant - late)
        assert clock.now((instant - late) % TICKS) == latest


def test_a_day() -> None:
    clock = Widener()
    for instant in range(0, 86_400_000_000, 300_000_000):  # every five minutes
        assert clock.now(instant % TICKS) == instant
