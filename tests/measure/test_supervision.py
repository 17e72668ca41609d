"""Reversal, release and holding, from edges of the battery's comparators."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from demo_ctl.plan.model import Check
from demo_ctl.wire import messages as m

Make = Callable[..., Any]
S = 1_000_000


def turn(scene: Any, at_us: float, port: int, to: int, flight_us: int = 2000) -> None:
    """Turn a line's battery round at at_us; `to` is NORMAL or REVERSED."""
    other = m.NORMAL if to == m.REVERSED else m.REVERSED
    scene.edge(at_us - flight_us, port, other, 0)
    scene.edge(at_us, port, to, 1)


def test_answer_and_clear(new_scene: Make) -> None:
    scene = new_scene()
    answer = scene.step(m.OP_LOOP, 5 * S, port=2, x=1)
    turn(scene, 5 * S + 151_240, 1, m.REVERSED)
    clear = scene.step(m.OP_LOOP, 9 * S, port=2, x=0)
    turn(scene, 9 * S + 70_000, 1, m.NORMAL)
    scene.expect(Check.ANSWER_REVERSAL, high=400, port=1, other_port=2, index=answer)
    scene.expect(Check.CLEAR_REVERSAL, high=200, port=1, other_port=2, index=clear)
    scene.expect(Check.NO_REVERSAL, 0, 0, port=1)
    scene.end(12 * S)
    answered, cleared, counted = scene.measure()
    assert answered.quantity.value == pytest.approx(151.24)
    assert cleared.quantity.value == pytest.approx(70)
    assert counted.quantity.value == 1
    assert scene.observation.events[answered.evidence[-1]].value == m.REVERSED << 1 | 1


def test_uncertainty_is_the_stamps_and_the_comparators(new_scene: Make) -> None:
    """Uniform blurs in quadrature (facts Q60), and they cover the error."""
    rng = np.random.default_rng(2)
    hits = []
    for _ in range(300):
        scene = new_scene(stamp_blur_us=1000, battery_blur_us=3000)
        truth_us = float(rng.uniform(100_000, 300_000))
        answer = scene.step(m.OP_LOOP, round(5 * S + rng.uniform(-500, 500)), port=2, x=1)
        scene.edge(5 * S + truth_us + rng.uniform(-1500, 1500), 1, m.REVERSED, 1)
        scene.expect(Check.ANSWER_REVERSAL, high=400, port=1, index=answer)
        scene.end(9 * S)
        found = scene.one().quantity
        assert found.u == pytest.approx((1000**2 / 12 + 3000**2 / 12) ** 0.5 / 1000)
        hits.append(abs(found.value - truth_us / 1000) <= 2 * found.u)
    assert np.mean(hits) >= 0.95


def test_no_reversal_came(new_scene: Make) -> None:
    scene = new_scene()
    answer = scene.step(m.OP_LOOP, 5 * S, port=2, x=1)
    scene.expect(Check.ANSWER_REVERSAL, high=400, port=1, index=answer)
    scene.expect(Check.NO_REVERSAL, 0, 0, port=1)
    scene.end(9 * S)
    answered, counted = scene.measure()
    assert answered.quantity is None
    assert answered.reached
    assert counted.quantity.value == 0


def test_release_is_the_last_return_of_the_lines_own_battery(new_scene: Make) -> None:
    """Battery may come, change and go while a train falls back; only the last return counts."""
    scene = new_scene()
    index = scene.step(m.OP_LOOP, 5 * S, x=0)
    scene.edge(5 * S + 100, 1, m.LOOP, 0)
    turn(scene, 5 * S + 60_000, 1, m.NORMAL)
    scene.edge(5 * S + 280_000, 1, m.NORMAL, 0)
    scene.edge(5 * S + 571_150, 1, m.NORMAL, 1)
    until = scene.step(m.OP_WAIT, 6.4 * S)
    scene.expect(Check.RELEASE, 350, 1100, port=1, index=index, until=until)
    scene.end(7 * S)
    assert scene.one().quantity.value == pytest.approx(571.15)


def test_a_train_that_does_not_release_is_not_measured(new_scene: Make) -> None:
    scene = new_scene()
    index = scene.step(m.OP_LOOP, 5 * S, x=0)
    scene.edge(5 * S + 280_000, 1, m.NORMAL, 0)
    until = scene.step(m.OP_WAIT, 6.4 * S)
    scene.expect(Check.RELEASE, 350, 1100, port=1, index=index, until=until)
    scene.expect(Check.RELEASE, 350, 1100, port=3, index=index, until=until)
    scene.end(7 * S)
    gone, still = scene.measure()
    assert "no battery" in gone.reason
    assert "no change" in still.reason


def test_a_flash_that_holds_shows_only_its_own_break(new_scene: Make) -> None:
    scene = new_scene()
    index = scene.pulses(5 * S, 1, 150_000, 39_000)
    scene.edge(5 * S, 1, m.LOOP, 0)
    scene.edge(5 * S + 150_000, 1, m.LOOP, 1)
    until = scene.step(m.OP_WAIT, 7 * S)
    scene.expect(Check.HELD, 0, 0, port=1, other_port=2, index=index, until=until)
    scene.end(9 * S)
    assert scene.one().quantity.value == 0
    # The train falls back after all: battery turns, and the called party loses its feed.
    turn(scene, 5 * S + 300_000, 1, m.NORMAL)
    scene.edge(5 * S + 310_000, 2, m.LOOP, 0)
    assert scene.one().quantity.value == 3


def test_the_connection_stays_when_the_called_party_hangs_up(new_scene: Make) -> None:
    scene = new_scene()
    index = scene.step(m.OP_WAIT, 3 * S)
    until = scene.step(m.OP_WAIT, 6 * S)
    scene.expect(Check.HELD, 0, 0, port=1, index=index, until=until)
    turn(scene, 2 * S, 1, m.NORMAL)  # the clearing itself
    scene.edge(6 * S - 100, 1, m.LOOP, 0)  # our own hanging up, stamped early
    scene.end(9 * S)
    assert scene.one().quantity.value == 0
    # The train goes, and a finder takes the caller for a new call: a dip in its loop current.
    scene.edge(4 * S, 1, m.LOOP, 0)
    scene.edge(4 * S + 10_000, 1, m.LOOP, 1)
    assert scene.one().quantity.value == 1


def test_lost_edges_make_nothing_of_nothing(new_scene: Make) -> None:
    scene = new_scene()
    scene.step(m.OP_LOOP, 0, x=1)
    scene.event(3 * S, m.EV_EDGES_LOST, 1, 7)
    scene.expect(Check.NO_REVERSAL, 0, 0, port=1)
    scene.expect(Check.NO_REVERSAL, 0, 0, port=2)
    scene.end(9 * S)
    lost, other = scene.measure()
    assert lost.quantity is None
    assert other.quantity.value == 0
