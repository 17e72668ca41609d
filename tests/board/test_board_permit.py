"""The supply permit at its real times. (All inputs in every state: safety explore.)"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.board.permit import ALARM_US, ALARMS, AT_NIGHT, LEASE_MOST_MS, Permit
from demo_ctl.wire import messages as m

FIT = AT_NIGHT | ALARMS


@pytest.mark.parametrize(
    ("contact", "reason"),
    [
        (m.IN_SMOKE, m.R_SMOKE),
        (m.IN_FUSE, m.R_FUSE),
        (m.IN_RELEASE, m.R_RELEASE),
        (m.IN_SUPERVISORY, m.R_SUPERVISORY),
    ],
)
def test_an_alarm_drops_it_until_the_key_was_turned_off_and_on(contact: int, reason: int) -> None:
    permit: Any = Permit()
    assert permit.ask(10_000, FIT) == m.R_NONE
    permit.step(0, FIT & ~contact)
    assert permit.step(ALARM_US - 1, FIT & ~contact)
    assert not permit.step(1, FIT & ~contact)
    assert permit.ask(10_000, FIT) == reason
    permit.step(10_000_000, FIT & ~m.IN_KEY)  # for the key, the interlock's word counts, and no wire's
    permit.step(0, FIT)
    assert permit.ask(10_000, FIT) == reason
    permit.step(ALARM_US, FIT & ~m.IN_KEY & ~contact)
    permit.step(ALARM_US, FIT & ~m.IN_KEY & ~contact)
    permit.turned_on()
    permit.step(0, FIT & ~contact)  # it is there yet
    assert permit.ask(10_000, FIT) == reason
    permit.step(0, FIT)
    permit.turned_on()
    assert permit.ask(10_000, FIT & ~contact) == reason
    assert permit.ask(10_000, FIT) == m.R_NONE
    assert permit.step(0, FIT)


def test_a_contact_that_bounces_is_no_alarm() -> None:
    permit: Any = Permit()
    permit.ask(10_000, FIT)
    for _ in range(50):
        assert permit.step(ALARM_US - 1, FIT & ~m.IN_FUSE)
        assert permit.step(10, FIT)


def test_by_day_it_is_not_given_and_the_key_takes_it() -> None:
    permit: Any = Permit()
    assert permit.ask(10_000, FIT & ~m.IN_NIGHT) == m.R_KEY
    permit.ask(10_000, FIT)
    assert permit.step(1, FIT)
    assert not permit.step(1, FIT & ~m.IN_NIGHT)
    assert permit.reason == m.R_KEY
    assert permit.ask(10_000, FIT) == m.R_NONE


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 20_000), st.integers(0, 15_000_000)), min_size=1, max_size=30))
def test_a_lease_is_as_long_as_asked_and_never_longer_than_its_most(asks: list[tuple[int, int]]) -> None:
    permit: Any = Permit()
    left_us = 0
    for lease_ms, elapsed_us in asks:
        assert permit.ask(lease_ms, FIT) == m.R_NONE
        left_us = min(lease_ms, LEASE_MOST_MS) * 1000 - elapsed_us
        assert permit.step(elapsed_us, FIT) == (left_us > 0)
        assert permit.left_us() == (left_us if left_us > 0 else -1)
