"""Ringing, sensed through an envelope whose phase nobody knows."""

from __future__ import annotations

from collections.abc import Callable
from math import pi, sin
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.plan.model import Check
from demo_ctl.wire import messages as m

Make = Callable[..., Any]
S = 1_000_000


def ring(scene: Any, port: int, begin_us: float, end_us: float, phase: float = 0.1, threshold: float = 0.36) -> None:
    """Let a peak detector follow a 20 Hz wave of unit peak, and tell its edges.

    Written out step by step (20 us), so that it shares nothing with what it checks.
    """
    hold_us = scene.welcome.ring_hold_us
    charged_us = None
    level = 0
    t_us = begin_us
    before = 0.0
    while True:
        ringing = t_us < end_us
        now = abs(sin(2 * pi * (t_us / 50_000 + phase))) if ringing else 0.0
        if now >= threshold and (now > before or charged_us is None or not level):
            charged_us = t_us
            if not level:
                level = 1
                scene.edge(t_us, port, m.RINGING, 1)
        if level and charged_us is not None and t_us - charged_us >= hold_us:
            level = 0
            scene.edge(t_us, port, m.RINGING, 0)
        if not ringing and not level:
            return
        before = now
        t_us += 20 if (t_us < end_us and (t_us - begin_us < 60_000 or end_us - t_us < 90_000)) or t_us >= end_us else 50


def dialled(scene: Any, at_us: int = S) -> int:
    """A digit whose last make began at at_us."""
    index: int = scene.pulses(at_us - 61_000, 1, 61_000, 39_000)
    return index


def test_first_ring_and_cadence_lie_within_their_uncertainty(new_scene: Make) -> None:
    """Whatever the phase: at least 95 % within 2u, and the ring's own length too."""
    rng = np.random.default_rng(8)
    hits: dict[Check, list[bool]] = {}
    for _ in range(60):
        scene = new_scene()
        index = dialled(scene)
        phase, threshold = float(rng.uniform(0, 1)), float(rng.uniform(0.2, 0.6))
        on_us, off_us = float(rng.uniform(0.9, 1.1)) * S, float(rng.uniform(1.4, 1.6)) * S
        begin_us = S + 300_000 + float(rng.uniform(0, 50_000))
        for ringing in range(3):
            at_us = begin_us + ringing * (on_us + off_us)
            ring(scene, 2, at_us, at_us + on_us, phase, threshold)
        until = scene.step(m.OP_WAIT, 12 * S)
        where = {"port": 1, "other_port": 2, "index": index, "until": until}
        truths = {Check.FIRST_RING: begin_us - S, Check.RING_ON: on_us, Check.RING_OFF: off_us}
        for check in truths:
            scene.expect(check, **where)
        scene.end(12 * S)
        for (check, truth_us), found in zip(truths.items(), scene.measure(), strict=True):
            error = abs(found.quantity.value - truth_us / 1000)
            hits.setdefault(check, []).append(error <= 2 * found.quantity.u)
    for check, inside in hits.items():
        assert np.mean(inside) >= 0.95, check


@settings(deadline=None, max_examples=40)
@given(bursts=st.integers(0, 5), others=st.integers(0, 2), kicks=st.integers(0, 3))
def test_rings_are_counted_on_the_right_port(new_scene: Make, bursts: int, others: int, kicks: int) -> None:
    """Law: every burst is counted once, on its own port; a lone kick of a relay is none."""
    scene = new_scene()
    index = dialled(scene)
    for ringing in range(bursts):
        scene.edge(2 * S + ringing * 3 * S, 2, m.RINGING, 1)
        scene.edge(3 * S + ringing * 3 * S, 2, m.RINGING, 0)
    for ringing in range(others):
        scene.edge(2 * S + ringing * 3 * S, 3, m.RINGING, 1)
        scene.edge(3 * S + ringing * 3 * S, 3, m.RINGING, 0)
    for kick in range(kicks):
        scene.edge(S + kick * 400_000 + 200_000, 4, m.RINGING, 1)
        scene.edge(S + kick * 400_000 + 230_000, 4, m.RINGING, 0)
    until = scene.step(m.OP_WAIT, 20 * S)
    scene.expect(Check.RANG, 1, 5, port=1, other_port=2, index=index, until=until)
    scene.expect(Check.OTHERS_RANG, 0, 0, other_port=2)
    scene.expect(Check.NO_RINGING, 0, 0)
    scene.end(20 * S)
    assert [found.quantity.value for found in scene.measure()] == [bursts, others, bursts + others]


def test_a_missed_cycle_is_no_silence(new_scene: Make) -> None:
    """A gap of one cycle (facts R04) does not make one ring into two."""
    scene = new_scene()
    index = dialled(scene)
    for at_us, level in ((2 * S, 1), (2.5 * S, 0), (2.55 * S, 1), (3 * S, 0)):
        scene.edge(at_us, 2, m.RINGING, level)
    until = scene.step(m.OP_WAIT, 9 * S)
    scene.expect(Check.RANG, 1, 1, port=1, other_port=2, index=index, until=until)
    scene.end(9 * S)
    assert scene.one().quantity.value == 1


def test_no_ringing_is_told_and_not_called_zero_time(new_scene: Make) -> None:
    scene = new_scene()
    index = dialled(scene)
    until = scene.step(m.OP_WAIT_FOR, 7 * S, ending=m.LIMIT)
    scene.expect(Check.FIRST_RING, high=6000, port=1, other_port=2, index=index, until=until)
    scene.expect(Check.RING_ON, 1800, 2200, other_port=2, index=index, until=until)
    scene.end(7 * S, early=m.R_LIMIT)
    first, on = scene.measure()
    assert (first.quantity, first.reached) == (None, True)
    assert "no ringing came to port 2" in first.reason
    assert on.quantity is None


@pytest.mark.parametrize("trip_ms", [60, 150, 290])
def test_trip_in_ringing(new_scene: Make, trip_ms: int) -> None:
    scene = new_scene()
    answer_us = 5 * S
    index = scene.step(m.OP_LOOP, answer_us, port=2, x=1)
    ring(scene, 2, answer_us - 700_000, answer_us + trip_ms * 1000, phase=0.37)
    # Ringing through a closed loop: current comes and goes with the wave.
    for half in range(trip_ms // 25):
        scene.edge(answer_us + half * 25_000 + 1000, 2, m.LOOP, 1)
        scene.edge(answer_us + half * 25_000 + 20_000, 2, m.LOOP, 0)
    until = scene.step(m.OP_WAIT, answer_us + 700_000)
    scene.expect(Check.RING_TRIP, high=300, other_port=2, index=index, until=until)
    scene.end(6 * S)
    found = scene.one()
    assert abs(found.quantity.value - trip_ms) <= 2 * found.quantity.u
    assert "in ringing" in found.detail


def test_trip_in_silence_is_the_dip(new_scene: Make) -> None:
    scene = new_scene()
    answer_us = 5 * S
    index = scene.step(m.OP_LOOP, answer_us, port=2, x=1)
    ring(scene, 2, answer_us - 2 * S, answer_us - S)
    for after_us, level in ((300, 1), (104_000, 0), (114_000, 1)):
        scene.edge(answer_us + after_us, 2, m.LOOP, level)
    until = scene.step(m.OP_WAIT, answer_us + 700_000)
    scene.expect(Check.RING_TRIP, high=300, other_port=2, index=index, until=until, required=False)
    scene.end(6 * S)
    found = scene.one()
    assert found.quantity.value == pytest.approx(104)
    assert "in silence" in found.detail


def test_a_trip_in_silence_without_a_dip_is_not_measured(new_scene: Make) -> None:
    scene = new_scene()
    index = scene.step(m.OP_LOOP, 5 * S, port=2, x=1)
    scene.edge(5 * S + 300, 2, m.LOOP, 1)
    until = scene.step(m.OP_WAIT, 6 * S)
    scene.expect(Check.RING_TRIP, high=300, other_port=2, index=index, until=until, required=False)
    scene.end(6 * S)
    assert "too short" in scene.one().reason


def test_ringing_that_never_trips_is_too_long_not_missing(new_scene: Make) -> None:
    scene = new_scene()
    index = scene.step(m.OP_LOOP, 5 * S, port=2, x=1)
    scene.edge(4.5 * S, 2, m.RINGING, 1)
    until = scene.step(m.OP_WAIT, 5.6 * S)
    scene.expect(Check.RING_TRIP, high=300, other_port=2, index=index, until=until)
    scene.end(6 * S)
    found = scene.one()
    assert found.quantity.value >= 600
    assert "still ringing" in found.detail


def test_must_not_ring_counts_only_from_its_step_on(new_scene: Make) -> None:
    scene = new_scene()
    ring(scene, 2, S, 2 * S)
    index = scene.step(m.OP_WAIT, 3 * S)
    until = scene.step(m.OP_WAIT, 9 * S)
    scene.expect(Check.NO_RINGING, 0, 0, other_port=2, index=index, until=until)
    scene.end(9 * S)
    assert scene.one().quantity.value == 0
    ring(scene, 3, 5 * S, 6 * S)
    assert scene.one().quantity.value == 1


def test_must_not_ring_is_unsettled_when_the_call_ends_early(new_scene: Make) -> None:
    """Nothing seen of a stretch that was not watched to its end proves nothing; a ring seen does."""
    scene = new_scene()
    scene.step(m.OP_LOOP, 0, x=1)
    scene.expect(Check.NO_RINGING, 0, 0)
    scene.end(2 * S, early=m.R_STOP)
    assert scene.one().quantity is None
    ring(scene, 4, S, 1.5 * S)
    assert scene.one().quantity.value == 1


def test_a_ring_that_the_stop_cut_short_is_not_a_whole_one(new_scene: Make) -> None:
    scene = new_scene()
    index = dialled(scene)
    scene.expect(Check.RING_ON, index, index, other_port=2)
    ring(scene, 2, 2 * S, 4 * S)
    ring(scene, 2, 8 * S, 10 * S)
    ring(scene, 2, 14 * S, 15 * S)  # the board took ringing off
    scene.end(15 * S, early=m.R_STOP)
    quantity = scene.one().quantity
    assert quantity is not None
    assert abs(quantity.value - 2000) <= 2 * quantity.u
