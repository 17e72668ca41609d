"""Relays follow their windings after their own delay, and stay inside their adjustment."""

from __future__ import annotations

from random import Random

from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.relays import Relay, adjusted
from demo_ctl.bench.truth import Truth
from demo_ctl.office.model import Spread


@settings(deadline=None)
@given(
    st.integers(1, 40),
    st.integers(1, 300),
    st.lists(st.tuples(st.integers(1, 400), st.booleans()), max_size=30),
)
def test_contacts_follow_a_winding_that_was_steady_for_long_enough(
    operate_us: int, release_us: int, drives: list[tuple[int, bool]]
) -> None:
    kernel = Kernel()
    truth: list[Truth] = []
    relay = Relay(kernel, truth, "A", lambda _: operate_us, lambda _: release_us, lambda _: None)
    # The oracle: one delay for each state of the winding; shorter stretches are not followed.
    expected: list[tuple[int, int]] = []
    operated, energised, since_us = False, False, 0
    for wait_us, on in [*drives, (1000, False)]:
        delay_us = operate_us if energised else release_us
        if energised != operated and kernel.now_us + wait_us >= since_us + delay_us:
            operated = energised
            expected.append((since_us + delay_us, int(operated)))
        kernel.run_to(kernel.now_us + wait_us)
        if on != energised:
            energised, since_us = on, kernel.now_us
        relay.drive(on)
    kernel.run_to(kernel.now_us + 1000)
    if operated:
        expected.append((since_us + release_us, 0))
    assert [(row.at_us, row.value) for row in truth] == expected
    assert kernel.next_us() is None


def test_a_locked_relay_stays() -> None:
    kernel = Kernel()
    relay = Relay(kernel, [], "F", lambda _: 5, lambda _: 5, lambda _: None)
    relay.drive(True)
    kernel.run_to(10)
    relay.locked = True
    relay.drive(False)
    kernel.run_to(100)
    assert relay.operated
    relay.locked = False
    relay.drive(False)
    kernel.run_to(200)
    assert not relay.operated


@settings(deadline=None)
@given(st.integers(0, 50_000), st.integers(0, 50_000), st.integers(0, 100_000), st.integers())
def test_a_relays_times_stay_inside_its_adjustment(least_us: int, more_us: int, typical_us: int, seed: int) -> None:
    spread = Spread.model_construct(typical_us=typical_us, least_us=least_us, most_us=least_us + more_us)
    delay_us = adjusted(Random(seed), spread)
    times = [delay_us(None) for _ in range(20)]
    assert all(least_us <= time <= least_us + more_us for time in times)
    same = adjusted(Random(seed), spread)
    assert times == [same(None) for _ in range(20)]
