"""When heartbeats are due, and how late this computer ever was with one."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from demo_ctl.link.heartbeat import HEARTBEAT_US, Heartbeats


@given(st.lists(st.integers(0, 3 * HEARTBEAT_US), max_size=30))
def test_one_goes_out_as_soon_as_it_is_due_and_the_longest_gap_between_two_is_known(waits: list[int]) -> None:
    beats, now_us, sent = Heartbeats(), 1_000_000, [1_000_000]
    beats.begin(now_us)
    assert beats.take(now_us)
    for wait_us in waits:
        now_us += wait_us
        due = now_us - sent[-1] >= HEARTBEAT_US
        assert beats.take(now_us) is due
        if due:
            sent.append(now_us)
    gaps = [later - earlier for earlier, later in pairwise(sent)]
    assert beats.longest_silence_us == max(gaps, default=0)
    assert beats.due_us == sent[-1] + HEARTBEAT_US


def test_nothing_is_due_without_a_session_and_a_new_one_knows_nothing_of_the_silence_before_it() -> None:
    beats = Heartbeats()
    assert not beats.take(5_000_000)
    beats.begin(5_000_000)
    assert beats.take(5_000_000)
    assert beats.take(9_000_000)
    assert beats.longest_silence_us == 4_000_000
    beats.rest()
    assert not beats.take(20_000_000)
    beats.begin(20_000_000)
    assert beats.take(20_000_000)
    assert beats.longest_silence_us == 0
