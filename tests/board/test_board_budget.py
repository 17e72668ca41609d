"""The budget at its real limits: any hour, by random use; bursts and pauses. (All of it, small: safety explore.)"""

from __future__ import annotations

from collections import deque
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.board.budget import Budget
from demo_ctl.wire import messages as m

DAY = (5_000_000, 850_000, 90_000_000, 900_000_000)
NIGHT = (3_000_000, 850_000, 30_000_000, 300_000_000)
HOUR_US = 3_600_000_000


@settings(deadline=None, max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.booleans(), st.integers(1, 200_000_000), st.integers(1, 400_000_000), st.sampled_from([DAY, NIGHT])
        ),
        min_size=20,
        max_size=120,
    )
)
def test_in_any_hour_no_more_than_the_limit_is_live(uses: list[tuple[bool, int, int, tuple[int, ...]]]) -> None:
    """A caller that takes all it can get: as long as it is let, then a rest, by day and at night."""
    budget: Any = Budget()
    now_us = 0
    live: deque[tuple[int, int]] = deque()
    for greedy, wanted_us, rest_us, limits in uses:
        budget.new_call(False, True)
        for_us = budget.left_us(limits) if greedy else min(wanted_us, budget.left_us(limits))
        if for_us:
            found = budget.step(for_us, True, False, limits)
            assert (found != m.R_NONE) == (budget.left_us(limits) == 0)
            live.append((now_us, now_us + for_us))
            now_us += for_us
        for begin, _ in live:
            in_the_hour = sum(max(0, min(end, begin + HOUR_US) - max(start, begin)) for start, end in live)
            assert in_the_hour <= DAY[3]
        budget.step(rest_us, False, False, limits)
        now_us += rest_us
        while live and live[0][1] < now_us - HOUR_US:
            live.popleft()


@settings(deadline=None)
@given(st.lists(st.integers(1, 2_000_000), min_size=2, max_size=40), st.booleans())
def test_a_burst_is_what_lies_between_two_pauses(lengths: list[int], begins_ringing: bool) -> None:
    budget: Any = Budget()
    limits = (5_000_000, 850_000, 1 << 29, 1 << 30)
    burst_us = gap_us = 0
    ringing = begins_ringing
    for length_us in lengths:
        budget.new_call(False, True)
        found = budget.step(length_us, True, ringing, limits)
        if ringing:
            burst_us += length_us + gap_us
            gap_us = 0
        elif burst_us:
            gap_us += length_us
            if gap_us >= 850_000:
                burst_us = gap_us = 0
        assert (found == m.R_BURST) == (burst_us >= 5_000_000)
        ringing = not ringing


def test_silence_before_a_burst_is_no_part_of_it() -> None:
    budget: Any = Budget()
    budget.step(1_000_000, True, True, DAY)
    budget.step(1_600_000, True, False, DAY)  # a pause, and 750 ms more
    assert budget.step(4_999_999, True, True, DAY) == m.R_NONE
    assert budget.step(1, True, True, DAY) == m.R_BURST


def test_a_stricter_mode_forgets_nothing() -> None:
    budget: Any = Budget()
    for _ in range(5):
        budget.new_call(False, True)
        assert budget.step(89_999_999, True, False, DAY) == m.R_NONE
    budget.new_call(False, True)
    budget.step(0, True, False, NIGHT)
    assert budget.left_us(DAY) == 450_000_000 - 5 * 89_999_999
