"""Pulses, speed, ratio, pauses and cut-through from edge trains with known truth."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.plan.model import Check
from demo_ctl.wire import messages as m

Make = Callable[..., Any]


def send(scene: Any, at_us: int, count: int, break_us: int, make_us: int, blur: Callable[[], float], **how: Any) -> int:
    """Send a digit, and let the line show it with each stamp blurred."""
    index: int = scene.pulses(at_us, count, break_us, make_us, **how)
    for pulse in range(count):
        fall_us = at_us + pulse * (break_us + make_us)
        scene.edge(fall_us + blur(), 1, m.LOOP, 0)
        scene.edge(fall_us + break_us + blur(), 1, m.LOOP, 1)
    return index


def exact() -> float:
    return 0.0


@settings(deadline=None, max_examples=60)
@given(
    digits=st.lists(st.integers(1, 10), min_size=1, max_size=7),
    period_us=st.integers(80_000, 140_000),
    share=st.floats(0.5, 0.75),
    seed=st.integers(0, 2**32 - 1),
)
def test_what_is_sent_is_measured_within_its_bounds(
    new_scene: Make, digits: list[int], period_us: int, share: float, seed: int
) -> None:
    """Law: speed, ratio, pause and count are right to within the worst that the declared blur allows."""
    rng = np.random.default_rng(seed)
    scene = new_scene()
    half = scene.welcome.loop_blur_us / 2
    break_us = round(period_us * share)
    at_us, indices = 1_000_000, []
    for digit in digits:
        blur = lambda: float(rng.uniform(-half, half))  # noqa: E731
        indices.append(send(scene, at_us, digit, break_us, period_us - break_us, blur))
        at_us += digit * period_us + 700_000
    span = {"port": 1, "index": indices[0], "until": indices[-1], "indices": tuple(indices)}
    for index in indices:
        scene.expect(Check.PULSES, port=1, index=index, until=index)
    scene.expect(Check.PERCENT_BREAK, 55, 65, **span)
    scene.expect(
        Check.PULSE_SPEED,
        8,
        12,
        **(span | {"indices": tuple(i for i, d in zip(indices, digits, strict=True) if d > 1)}),
    )
    scene.expect(Check.INTERDIGITAL, 600, **span)
    scene.end(at_us)
    *counted, ratio, speed, pause = scene.measure()
    assert [one.quantity.value for one in counted] == digits
    assert abs(ratio.quantity.value - 100 * break_us / period_us) <= 100 * 2.1 * half / period_us + 1e-3 * half
    if max(digits) > 1:
        assert abs(1e6 / speed.quantity.value - period_us) <= 2 * half + 2
    if len(digits) > 1:
        assert abs(pause.quantity.value * 1000 - (700_000 + period_us - break_us)) <= 2 * half + 2


def test_stated_uncertainty_covers_the_error_of_single_digits(new_scene: Make) -> None:
    """Of many trains with stamps blurred uniformly, at least 95 % lie within 2u of the truth (facts Q60)."""
    rng = np.random.default_rng(5)
    inside: dict[str, list[bool]] = {"speed": [], "ratio": [], "pause": []}
    for _ in range(300):
        scene = new_scene(loop_blur_us=2000)
        blur = lambda: float(rng.uniform(-1000, 1000))  # noqa: E731
        digits = rng.integers(2, 4, size=2)
        one = send(scene, 1_000_000, int(digits[0]), 61_000, 39_000, blur)
        two = send(scene, 3_000_000, int(digits[1]), 61_000, 39_000, blur)
        truth_pause = 2_000_000 - (digits[0] * 100_000 - 39_000)
        scene.expect(Check.PULSE_SPEED, 8, 12, port=1, index=one, indices=(one,))
        scene.expect(Check.PERCENT_BREAK, 55, 65, port=1, index=one, indices=(one,))
        scene.expect(Check.INTERDIGITAL, 600, port=1, index=one, indices=(one, two))
        scene.end(5_000_000)
        for name, found, truth in zip(inside, scene.measure(), (10.0, 61.0, truth_pause / 1000), strict=True):
            inside[name].append(abs(found.quantity.value - truth) <= 2 * found.quantity.u)
    for name, hits in inside.items():
        assert np.mean(hits) >= 0.95, name


def test_what_was_sent_comes_from_the_boards_own_stamps(new_scene: Make) -> None:
    scene = new_scene()
    index = scene.pulses(1_000_000, 10, 61_000, 39_000)
    where = {"port": 1, "index": index, "indices": (index,)}
    scene.expect(Check.PULSE_SPEED_SENT, 9.9, 10.1, **where)
    scene.expect(Check.PERCENT_BREAK_SENT, 60.5, 61.5, **where)
    scene.end(3_000_000)
    speed, ratio = scene.measure()
    assert speed.quantity.value == pytest.approx(10)
    assert ratio.quantity.value == pytest.approx(61)
    assert 0 < speed.quantity.u < 0.01
    assert 0 < ratio.quantity.u < 0.05


def test_worst_digit_is_named(new_scene: Make) -> None:
    scene = new_scene()
    indices = []
    for place, period_us in enumerate((100_000, 122_000, 101_000)):
        indices.append(send(scene, 1_000_000 + place * 2_000_000, 4, 61_000, period_us - 61_000, exact, digit="4"))
    where = {"port": 1, "index": indices[0], "indices": tuple(indices)}
    scene.expect(Check.PULSE_SPEED, 8.5, 12, **where)
    scene.expect(Check.PERCENT_BREAK, 55, 65, **where)
    scene.end(9_000_000)
    speed, ratio = scene.measure()
    assert speed.quantity.value == pytest.approx(1e6 / 122_000)
    assert "digit 2 of 3" in speed.detail
    assert ratio.quantity.value == pytest.approx(50)
    assert "digit 2 of 3" in ratio.detail


def test_bounce_is_not_counted_and_edges_are_the_evidence(new_scene: Make) -> None:
    scene = new_scene()
    index = scene.pulses(1_000_000, 2, 60_000, 40_000)
    for fall_us in (1_000_000, 1_100_000):
        scene.edge(fall_us, 1, m.LOOP, 0)
        # The contact closes, bounces open for a millisecond, and stays.
        for after_us, level in ((60_000, 1), (61_000, 0), (62_000, 1)):
            scene.edge(fall_us + after_us, 1, m.LOOP, level)
    scene.expect(Check.PULSES, 2, 2, port=1, index=index, until=index)
    scene.end(3_000_000)
    found = scene.one()
    assert found.quantity.value == 2
    kinds = {scene.observation.events[number].kind for number in found.evidence}
    assert kinds == {m.EV_BEGAN, m.EV_ENDED, m.EV_EDGE}


def test_a_pulse_that_the_line_did_not_show_is_told(new_scene: Make) -> None:
    scene = new_scene()
    index = scene.pulses(1_000_000, 3, 60_000, 40_000)
    for fall_us in (1_000_000, 1_200_000):
        scene.edge(fall_us, 1, m.LOOP, 0)
        scene.edge(fall_us + 60_000, 1, m.LOOP, 1)
    scene.expect(Check.PULSES, 3, 3, port=1, index=index, until=index)
    scene.expect(Check.PULSE_SPEED, 8, 12, port=1, index=index, indices=(index,))
    scene.end(3_000_000)
    count, speed = scene.measure()
    assert count.quantity.value == 2
    assert speed.quantity is None
    assert "3 pulses sent, 2 sensed" in speed.reason


def test_dropped_edges_leave_a_digit_unmeasured(new_scene: Make) -> None:
    scene = new_scene()
    index = send(scene, 1_000_000, 3, 60_000, 40_000, exact)
    later = send(scene, 3_000_000, 3, 60_000, 40_000, exact)
    scene.event(1_350_000, m.EV_EDGES_LOST, 1, 4)
    for which in (index, later):
        scene.expect(Check.PULSES, 3, 3, port=1, index=which, until=which)
    scene.end(5_000_000)
    lost, fine = scene.measure()
    assert lost.quantity is None
    assert "dropped" in lost.reason
    assert lost.reached
    assert fine.quantity.value == 3


def test_a_digit_cut_off_by_the_plans_end_was_not_reached(new_scene: Make) -> None:
    scene = new_scene()
    scene.event(1_000_000, m.EV_BEGAN, 1, 0)
    index = scene.step(m.OP_PULSES, 1_150_000, ending=m.STOPPED, x=5, a=60_000, b=40_000)
    never = scene.step(m.OP_PULSES, None, x=5, a=60_000, b=40_000)
    for which in (index, never):
        scene.expect(Check.PULSES, 5, 5, port=1, index=which, until=which)
    scene.expect(Check.PULSE_SPEED, 8, 12, port=1, index=index, indices=(index, never))
    scene.end(1_150_000, early=m.R_STOP)
    assert [(one.reached, one.quantity) for one in scene.measure()] == [(False, None)] * 3


@pytest.mark.parametrize("dip_us", [6_000, 18_000])
def test_cut_through_is_last_make_to_dip(new_scene: Make, dip_us: int) -> None:
    scene = new_scene()
    index = send(scene, 1_000_000, 5, 61_000, 39_000, exact)
    make_us = 1_500_000 - 39_000
    scene.edge(make_us + 250_000, 1, m.LOOP, 0)
    scene.edge(make_us + 250_000 + dip_us, 1, m.LOOP, 1)
    after = send(scene, 2_300_000, 2, 61_000, 39_000, exact)
    scene.expect(Check.CUT_THROUGH, 130, 560, port=1, index=index, until=after, required=False)
    scene.expect(Check.CUT_THROUGH, 130, 560, port=1, index=after, until=-1, required=False)
    scene.end(5_000_000)
    seen, none = scene.measure()
    assert seen.quantity.value == pytest.approx(250)
    assert none.quantity is None
    assert none.reached
    assert "no dip" in none.reason


def test_our_own_hanging_up_is_no_dip(new_scene: Make) -> None:
    scene = new_scene()
    index = send(scene, 1_000_000, 5, 61_000, 39_000, exact)
    scene.step(m.OP_LOOP, 2_000_000, x=0)
    scene.edge(2_000_010, 1, m.LOOP, 0)
    scene.expect(Check.CUT_THROUGH, 130, 560, port=1, index=index, until=-1, required=False)
    scene.end(5_000_000)
    assert scene.one().quantity is None
