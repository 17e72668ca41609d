"""The guard's hardware by itself: what holds a relay, what drops it, and what each single fault makes of it."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.guard_circuit import (
    FOLLOWER_DROP_US,
    FOLLOWER_PULL_US,
    GUARD_DROP_US,
    GUARD_HOLD_US,
    GUARD_PULL_US,
    ISOLATOR_DROP_US,
    ISOLATOR_PULL_US,
    PUMP_LEAST_US,
    PUMP_MOST_US,
    SLOW_HOLD_US,
    GuardCircuit,
)
from demo_ctl.bench.kernel import Kernel
from demo_ctl.wire.messages import IN_CHAIN_A, IN_CHAIN_B, IN_MIRROR_A, IN_MIRROR_B

DOWN = IN_MIRROR_A | IN_MIRROR_B
CHAIN = IN_CHAIN_A | IN_CHAIN_B


class Bench:
    """A guard, and when its contacts closed and opened."""

    def __init__(self) -> None:
        self.kernel = Kernel()
        self.moves: list[tuple[int, bool]] = []
        self.guard = GuardCircuit(self.kernel, self._changed)

    def _changed(self) -> None:
        closed = self.guard.closed
        if closed != bool(self.moves and self.moves[-1][1]):
            self.moves.append((self.kernel.now_us, closed))

    def pump_to(self, until_us: int, gap_us: int = 10_000) -> None:
        while self.kernel.now_us < until_us:
            self.guard.pump()
            self.kernel.run_to(self.kernel.now_us + gap_us)

    def settle(self) -> None:
        for channel in self.guard.channels:
            channel.settle()


@settings(deadline=None)
@given(st.lists(st.integers(1, 80_000), min_size=1, max_size=40))
def test_only_moves_3_to_40_ms_apart_count(gaps: list[int]) -> None:
    bench = Bench()
    guard, kernel = bench.guard, bench.kernel
    guard.pump()
    charged_until = -1
    for gap in gaps:
        kernel.run_to(kernel.now_us + gap - 1)
        assert guard.a.stage.charged == (kernel.now_us < charged_until)
        kernel.run_to(kernel.now_us + 1)
        guard.pump()
        if PUMP_LEAST_US <= gap <= PUMP_MOST_US:
            charged_until = kernel.now_us + GUARD_HOLD_US
        assert guard.a.stage.charged == guard.b.stage.charged == (kernel.now_us < charged_until)
    kernel.run_to(kernel.now_us + GUARD_HOLD_US)
    assert not guard.a.stage.charged
    assert not guard.closed
    assert kernel.next_us() is None  # nothing is left running


@pytest.mark.parametrize("gap_us", [PUMP_LEAST_US - 1, PUMP_MOST_US + 1])
def test_a_loop_that_runs_wild_or_crawls_pulls_nothing_and_holds_nothing(gap_us: int) -> None:
    bench = Bench()
    bench.pump_to(1_000_000, gap_us)
    assert bench.moves == []
    bench.pump_to(1_200_000)
    assert bench.guard.closed
    last_us = bench.kernel.now_us - 10_000
    bench.pump_to(2_000_000, gap_us)
    (off_us, closed) = bench.moves[-1]
    assert not closed
    assert off_us - last_us in (GUARD_HOLD_US, GUARD_HOLD_US + 10_000)  # the first odd gap may have been a good one


@pytest.mark.parametrize("contact", ["key", "cover", "stop"])
@pytest.mark.parametrize("channel", [0, 1])
def test_any_contact_of_either_channel_takes_the_generator_away_though_the_pumps_go_on(
    contact: str, channel: int
) -> None:
    bench = Bench()
    bench.pump_to(100_000)
    assert bench.guard.inputs() == CHAIN
    bench.guard.channels[channel].work(contact, False)
    bench.pump_to(200_000)
    assert bench.moves == [(10_000 + GUARD_PULL_US, True), (100_000 + GUARD_DROP_US, False)]
    assert bench.guard.inputs() == CHAIN & ~(1 << channel) | (DOWN & 4 << channel)
    bench.guard.channels[channel].work(contact, True)
    bench.pump_to(300_000)
    follows_us = FOLLOWER_PULL_US if channel else 0
    assert bench.moves[2:] == [(200_000 + follows_us + ISOLATOR_PULL_US, True)]  # the relay is up before


def test_contacts_are_in_series() -> None:
    bench = Bench()
    for contact in ("key", "cover"):
        bench.guard.a.work(contact, False)
    bench.guard.a.work("key", True)
    assert bench.guard.inputs() == IN_CHAIN_B | DOWN
    bench.guard.a.work("cover", True)
    assert bench.guard.inputs() == CHAIN | DOWN


@settings(deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["pump", "wait", "open", "close"]), st.integers(0, 60_000)), max_size=80))
def test_mirrors_are_force_guided_and_feed_is_both_relays(steps: list[tuple[str, int]]) -> None:
    bench = Bench()
    guard = bench.guard
    open_since = -1
    for what, us in steps:
        if what == "pump":
            guard.pump()
        elif what == "wait":
            bench.kernel.run_to(bench.kernel.now_us + us)
        else:
            guard.a.work("cover", what == "close")
            open_since = -1 if what == "close" else bench.kernel.now_us if open_since < 0 else open_since
        up = [guard.a.up, guard.b.up]
        assert [not guard.inputs() & mirror for mirror in (IN_MIRROR_A, IN_MIRROR_B)] == up
        assert guard.closed == (all(up) and guard.isolator.closed)
        if open_since >= 0 and bench.kernel.now_us >= open_since + GUARD_DROP_US:
            assert not guard.closed


def test_an_open_chain_whose_stage_runs_out_meanwhile_drops_no_later_for_it() -> None:
    bench = Bench()
    bench.pump_to(100_000)
    last_us = bench.kernel.now_us - 10_000
    bench.kernel.run_to(last_us + GUARD_HOLD_US - 2_000)
    for channel in bench.guard.channels:
        channel.work("stop", False)
    bench.kernel.run_to(1_000_000)
    assert bench.moves[-1] == (last_us + GUARD_HOLD_US, False)


# The isolator: the chain alone holds it.


@pytest.mark.parametrize(("channel", "follows_us"), [(0, 0), (1, FOLLOWER_DROP_US)])
def test_either_channel_drops_the_isolator_though_the_guard_is_bypassed(channel: int, follows_us: int) -> None:
    bench = Bench()
    bench.guard.bypassed = True
    bench.settle()
    assert bench.moves == [(0, True)]
    bench.guard.channels[channel].work("cover", False)
    bench.pump_to(1_000_000)
    assert bench.moves[1:] == [(follows_us + ISOLATOR_DROP_US, False)]


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 1), st.booleans(), st.integers(0, 60_000)), max_size=40))
def test_the_isolator_follows_the_chain_and_nothing_else(steps: list[tuple[int, bool, int]]) -> None:
    bench = Bench()
    guard = bench.guard
    slowest_us = max(FOLLOWER_DROP_US + ISOLATOR_DROP_US, FOLLOWER_PULL_US + ISOLATOR_PULL_US)
    for channel, closed, us in steps:
        guard.channels[channel].work("cover", closed)
        bench.pump_to(bench.kernel.now_us + us)
        bench.kernel.run_to(bench.kernel.now_us + slowest_us)
        assert guard.isolator.closed == (guard.a.chain and guard.b.chain)


def test_a_chain_that_opens_only_for_a_moment_does_not_move_it() -> None:
    bench = Bench()
    bench.guard.a.work("cover", False)
    bench.kernel.run_to(ISOLATOR_DROP_US - 1)
    bench.guard.a.work("cover", True)
    bench.kernel.run_to(1_000_000)
    assert bench.guard.isolator.closed
    assert bench.kernel.next_us() is None


@pytest.mark.parametrize("welded", ["chain a", "chain b", "follower"])
def test_one_weld_in_the_isolators_own_chain_is_not_enough_to_hold_it(welded: str) -> None:
    bench = Bench()
    guard = bench.guard
    guard.bypassed = True
    guard.a.chain_welded = welded == "chain a"
    guard.b.chain_welded = welded == "chain b"
    guard.follower.welded = welded == "follower"
    bench.settle()
    for channel in guard.channels:
        channel.work("stop", False)
    bench.kernel.run_to(FOLLOWER_DROP_US + ISOLATOR_DROP_US)
    assert not guard.closed


# Single faults: one of two channels is enough.


@pytest.mark.parametrize("channel", [0, 1])
def test_a_bridge_over_one_contact_is_outlived_by_the_other_and_no_mirror_shows_it(channel: int) -> None:
    bench = Bench()
    bench.guard.channels[channel].bridged = True
    bench.settle()
    assert bench.guard.inputs() == CHAIN | DOWN
    assert not bench.guard.closed
    bench.pump_to(100_000)
    bench.kernel.run_to(1_000_000)
    assert bench.moves[-1] == (90_000 + GUARD_HOLD_US, False)
    bench.guard.channels[1 - channel].press_button(True)
    bench.kernel.run_to(1_000_000 + GUARD_PULL_US)
    assert bench.guard.closed  # which is how the proving finds it


@pytest.mark.parametrize("channel", [0, 1])
def test_a_test_button_bridges_its_stage_and_nothing_else(channel: int) -> None:
    """wiring/README.md: the chain still stands before the coil."""
    bench = Bench()
    one, other = bench.guard.channels[channel], bench.guard.channels[1 - channel]
    one.press_button(True)
    bench.kernel.run_to(bench.kernel.now_us + 1_000_000)
    assert (one.up, other.up, bench.guard.closed) == (True, False, False)
    one.work("cover", False)
    bench.kernel.run_to(bench.kernel.now_us + 1_000_000)
    assert not one.up
    one.work("cover", True)
    one.press_button(False)
    bench.kernel.run_to(bench.kernel.now_us + 1_000_000)
    assert not one.up


def test_a_short_across_one_stage_holds_one_relay_only() -> None:
    bench = Bench()
    bench.guard.b.bypassed = True
    bench.settle()
    bench.kernel.run_to(100_000)
    assert bench.guard.inputs() == CHAIN | IN_MIRROR_A
    assert bench.moves == []
    bench.guard.b.work("cover", False)  # the chain still drops it
    bench.kernel.run_to(200_000)
    assert bench.guard.inputs() == IN_CHAIN_A | DOWN


def test_a_weld_keeps_its_mirror_open_and_the_other_relay_still_opens_the_guard() -> None:
    bench = Bench()
    bench.pump_to(100_000)
    bench.guard.a.welded = True
    bench.settle()
    bench.kernel.run_to(1_000_000)
    assert bench.guard.inputs() == CHAIN | IN_MIRROR_B
    assert bench.moves[-1] == (90_000 + GUARD_HOLD_US, False)


@pytest.mark.parametrize("reads", [True, False])
def test_a_stuck_mirror_reads_the_same_whatever_the_relay_does(reads: bool) -> None:
    bench = Bench()
    bench.guard.a.mirror_stuck = reads
    for until in (100_000, 200_000):
        assert bool(bench.guard.inputs() & IN_MIRROR_A) == reads
        bench.pump_to(until)


def test_one_pin_that_stands_still_is_enough() -> None:
    bench = Bench()
    bench.guard.a.stage.stuck = True
    bench.pump_to(500_000)
    assert bench.moves == []
    assert bench.guard.inputs() == CHAIN | IN_MIRROR_A


def test_a_drifted_condenser_in_one_stage_is_outlived_by_the_other() -> None:
    bench = Bench()
    bench.guard.a.stage.hold_us = SLOW_HOLD_US
    bench.pump_to(100_000)
    bench.kernel.run_to(90_000 + GUARD_HOLD_US)
    assert bench.moves[-1] == (90_000 + GUARD_HOLD_US, False)
    assert bench.guard.a.up
    bench.kernel.run_to(90_000 + SLOW_HOLD_US)
    assert not bench.guard.a.up


def test_a_welded_chain_channel_does_not_open_and_the_other_does() -> None:
    bench = Bench()
    bench.guard.a.chain_welded = True
    bench.pump_to(100_000)
    for channel in bench.guard.channels:
        channel.work("key", False)
    bench.pump_to(200_000)
    assert bench.guard.inputs() == IN_CHAIN_A | IN_MIRROR_B
    assert bench.moves[-1] == (100_000 + GUARD_DROP_US, False)


def test_the_permit_is_held_by_moves_of_its_own() -> None:
    bench = Bench()
    for _ in range(3):
        bench.guard.permit()
        bench.kernel.run_to(bench.kernel.now_us + 20_000)
    assert bench.guard.permit_held
    bench.kernel.run_to(40_000 + GUARD_HOLD_US)
    assert not bench.guard.permit_held
    assert bench.moves == []
    bench.guard.permit_welded = True
    assert bench.guard.permit_held
