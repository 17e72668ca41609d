"""Relays: contacts follow the flux, the file's times come out on the reference circuit, bounce stays short."""

from __future__ import annotations

from itertools import pairwise
from math import inf
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.ailments import Ailments, Effect
from demo_ctl.bench.circuit import NOTHING, LineCircuit
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.relays import Coil, Relay, adjusted, line_coil, local_coil, own_us
from demo_ctl.bench.truth import Truth
from demo_ctl.office.model import Coils, Spread

MS = 1000
COILS = Coils()
REFERENCE = LineCircuit(48.0, 400.0, 300.0)

drives = st.lists(st.tuples(st.integers(1, 90_000), st.booleans()), max_size=25)
coil_times = st.tuples(st.integers(3_000, 40_000), st.integers(4_000, 300_000))


def walked(coil: Coil, wanted: list[tuple[int, bool]], until_us: int, step_us: float = 10.0) -> list[tuple[float, int]]:
    """The oracle: flux and armature walked in small steps, with no formula but the differential equation."""
    found, flux, operated, air_us, now_us = [], 0.0, False, None, 0.0
    changes = list(wanted)
    on = False
    while now_us < until_us:
        while changes and changes[0][0] <= now_us:
            on = changes.pop(0)[1]
        tau_us = coil.rise_us if on else coil.fall_us
        # The middle of the step, so that ten microseconds are small enough.
        walk_us = min(step_us, changes[0][0] - now_us) if changes else step_us
        slope = ((coil.rated if on else 0.0) - flux) / tau_us
        middle = flux + slope * walk_us / 2
        flux += ((coil.rated if on else 0.0) - middle) / tau_us * walk_us
        now_us += walk_us
        flight_us = coil.drop_us if operated else coil.pull_us
        if air_us is None:
            if (flux <= coil.release) if operated else (flux >= coil.operate):
                air_us = now_us
        elif (flux >= coil.operate) if operated else (flux <= coil.release):
            air_us = None
        if air_us is not None and now_us >= air_us + flight_us:
            operated, air_us = not operated, None
            found.append((now_us, int(operated)))
    return found


@settings(deadline=None, max_examples=40)
@given(coil_times, drives)
def test_contacts_follow_the_flux(times: tuple[int, int], waits: list[tuple[int, bool]]) -> None:
    coil = local_coil(COILS, *times)
    kernel = Kernel()
    truth: list[Truth] = []
    relay = Relay(kernel, truth, "A", coil, lambda _: None)
    wanted = []
    for wait_us, on in waits:
        kernel.run_to(kernel.now_us + wait_us)
        relay.drive(on)
        wanted.append((kernel.now_us, on))
    end_us = kernel.now_us + 700_000
    kernel.run_to(end_us)
    rows = [(row.at_us, row.value) for row in truth]
    steps = walked(coil, wanted, end_us)
    # Where a pulse is only just long enough the steps may see it and the formula not: such an example says nothing.
    if len(rows) != len(steps):
        nudged = [
            walked(
                Coil(coil.operate * k, coil.release * k, coil.rise_us, coil.fall_us, coil.pull_us, coil.drop_us),
                wanted,
                end_us,
            )
            for k in (0.99, 1.01)
        ]
        assert any(len(other) == len(rows) for other in nudged)
        return
    for (row_us, value), (step_us, stepped) in zip(rows, steps, strict=True):
        assert value == stepped
        assert abs(row_us - step_us) <= 60


@settings(deadline=None)
@given(st.integers(3_000, 60_000), st.integers(4_000, 400_000), st.booleans())
def test_a_local_winding_takes_the_files_times_from_rest_and_from_full(
    operate_us: int, release_us: int, slow: bool
) -> None:
    kernel = Kernel()
    truth: list[Truth] = []
    relay = Relay(kernel, truth, "B", local_coil(COILS, operate_us, release_us, slow=slow), lambda _: None)
    relay.drive(True)
    kernel.run_to(10_000_000)
    relay.drive(False)
    kernel.run_to(20_000_000)
    assert [row.value for row in truth] == [1, 0]
    assert abs(truth[0].at_us - operate_us) <= 1
    assert abs(truth[1].at_us - 10_000_000 - release_us) <= 1


@settings(deadline=None)
@given(st.integers(5_000, 40_000), st.integers(5_000, 40_000), st.floats(0.9, 1.1), st.sampled_from([0.0, 1.0]))
def test_a_line_relay_takes_the_files_times_on_the_reference_line(
    operate_us: int, release_us: int, part: float, bells: float
) -> None:
    reference = REFERENCE._replace(bells=bells)
    kernel = Kernel()
    truth: list[Truth] = []
    relay = Relay(kernel, truth, "A", line_coil(COILS, reference, operate_us, release_us, part), lambda _: None)
    relay.feed(reference.closed(), True)
    kernel.run_to(10_000_000)
    relay.feed(reference.opening(), False)
    kernel.run_to(20_000_000)
    assert [row.value for row in truth] == [1, 0]
    assert abs(truth[0].at_us - operate_us) <= 1
    assert abs(truth[1].at_us - 10_000_000 - release_us) <= 1


def test_a_winding_driven_again_before_it_has_settled_goes_on_from_where_it_is() -> None:
    """D42: B is not full again after a short make, and lets go sooner."""
    hold_us = []
    for make_us in (20 * MS, 40 * MS, 400 * MS):
        kernel = Kernel()
        truth: list[Truth] = []
        relay = Relay(kernel, truth, "B", local_coil(COILS, 20 * MS, 250 * MS, slow=True), lambda _: None)
        relay.drive(True)
        kernel.run_to(1_000_000)
        relay.drive(False)
        kernel.run_to(1_200_000)
        relay.drive(True)
        kernel.run_to(1_200_000 + make_us)
        relay.drive(False)
        kernel.run_to(3_000_000)
        assert [row.value for row in truth] == [1, 0]
        hold_us.append(truth[1].at_us - 1_200_000 - make_us)
    assert hold_us[0] < hold_us[1] - 5 * MS < hold_us[2]
    assert abs(hold_us[2] - 250 * MS) <= 10


def test_a_locked_relay_stays() -> None:
    kernel = Kernel()
    truth: list[Truth] = []
    relay = Relay(kernel, truth, "F", line_coil(COILS, REFERENCE, 100 * MS, 8 * MS, slug=True), lambda _: None)
    relay.feed(REFERENCE.closed(), True)
    kernel.run_to(500 * MS)
    assert relay.operated
    relay.locked = True
    relay.feed(NOTHING, False)
    kernel.run_to(5_000 * MS)
    assert relay.operated
    relay.locked = False
    relay.feed(NOTHING, False)
    kernel.run_to(10_000 * MS)
    assert not relay.operated


@pytest.mark.parametrize("seed", range(20))
def test_bounce_is_a_short_burst_that_ends_closed(seed: int) -> None:
    kernel = Kernel()
    seen: list[tuple[int, bool, bool]] = []
    moved: list[tuple[int, bool]] = []
    relay = Relay(
        kernel, [], "A", local_coil(COILS, 8 * MS, 8 * MS), lambda on: moved.append((kernel.now_us, on)), Random(seed)
    )
    relay.on_bounce(3000, lambda front, closed: seen.append((kernel.now_us, front, closed)))
    relay.drive(True)
    kernel.run_to(100 * MS)
    relay.drive(False)
    kernel.run_to(200 * MS)
    assert [on for _, on in moved] == [True, False]
    for touched_us, front in moved:
        burst = [(t, closed) for t, which, closed in seen if which == front]
        assert [closed for _, closed in burst] in ([False, True], [False, True] * 2)
        assert all(touched_us < t <= touched_us + 3000 for t, _ in burst)


@settings(deadline=None)
@given(st.integers(1, 50_000), st.integers(0, 50_000), st.integers(0, 100_000), st.integers())
def test_times_stay_inside_the_adjustment(least_us: int, more_us: int, typical_us: int, seed: int) -> None:
    spread = Spread.model_construct(typical_us=typical_us, least_us=least_us, most_us=least_us + more_us)
    delay_us = adjusted(Random(seed), spread)
    times = [delay_us(None) for _ in range(20)]
    assert all(least_us <= time <= least_us + more_us for time in times)
    same = adjusted(Random(seed), spread)
    assert times == [same(None) for _ in range(20)]
    assert least_us <= own_us(Random(seed), spread) <= least_us + more_us


@pytest.mark.parametrize(("operate_us", "release_us"), [(25 * MS, 12 * MS), (15 * MS, 20 * MS)])
def test_a_magnet_that_interrupts_itself_steps_with_its_cycle(operate_us: int, release_us: int) -> None:
    kernel = Kernel()
    pulls: list[int] = []

    def changed(operated: bool) -> None:
        if operated:
            pulls.append(kernel.now_us)
        relay.drive(not operated)

    coil = local_coil(COILS, operate_us, release_us)
    relay = Relay(kernel, [], "rotary magnet", coil, changed)
    relay.drive(True)
    kernel.run_to(1_000_000)
    periods = [b - a for a, b in pairwise(pulls)]
    assert all(abs(period - coil.cycle_us()) <= 2 for period in periods)
    # Half-filled cores make it quicker than a pull from rest and a release from full.
    assert coil.cycle_us() < operate_us + release_us
    assert coil.rise_ohm == inf


def self_stepping_us(battery: float) -> int:
    """Period of a magnet that interrupts itself on this part of its battery; 0: it does not step."""
    kernel = Kernel()
    pulls: list[int] = []

    def changed(operated: bool) -> None:
        if operated:
            pulls.append(kernel.now_us)
        relay.drive(not operated)

    weak = Ailments([Effect("battery", lambda _: True, factor=battery)])
    relay = Relay(kernel, [], "rotary magnet", local_coil(COILS, 25 * MS, 12 * MS), changed, figures=weak)
    relay.drive(True)
    kernel.run_to(400 * MS)
    return pulls[5] - pulls[4] if len(pulls) > 5 else 0


def test_a_weak_battery_slows_a_magnet_and_too_weak_a_one_does_not_pull_it() -> None:
    periods = [self_stepping_us(part) for part in (1.1, 1.0, 0.9, 0.7, 0.45)]
    assert 0 < periods[0] < periods[1] < periods[2] < periods[3]
    assert periods[4] == 0
