"""Windings against scipy's solver of differential equations: same circuit, same course, same crossings."""

from __future__ import annotations

from math import cos, exp, pi, sin

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from demo_ctl.bench.circuit import BELL_OHM, LineCircuit
from demo_ctl.bench.coils import Course, between

starts = st.floats(0, 120)
finals = st.floats(0, 120)
taus = st.floats(1_000, 300_000)

surges = st.fixed_dictionaries({"surge": st.floats(-60, 60), "surge_us": st.floats(300, 60_000)})
ripples = st.fixed_dictionaries(
    {"ripple": st.floats(0.5, 200), "omega": st.floats(2 * pi * 15e-6, 2 * pi * 66e-6), "phase": st.floats(0, 2 * pi)}
)
shapes: st.SearchStrategy[dict[str, float]] = st.one_of(st.just({}), surges, ripples)


def driven_mA(final: float, shape: dict[str, float], u: float) -> float:
    """What drives the winding at u microseconds: the right side of tau x' = drive - x."""
    drive = final
    if shape.get("surge"):
        drive += shape["surge"] * exp(-u / shape["surge_us"])
    if shape.get("ripple"):
        drive += shape["ripple"] * sin(shape["omega"] * u + shape["phase"])
    return drive


@settings(deadline=None, max_examples=60)
@given(starts, finals, taus, shapes, st.floats(0.05, 4))
def test_the_flux_is_what_the_solver_says(
    start: float, final: float, tau_us: float, shape: dict[str, float], long: float
) -> None:
    end_us = long * tau_us
    at_us = np.linspace(0, end_us, 20)
    solved = solve_ivp(
        lambda u, x: (driven_mA(final, shape, u) - x) / tau_us,
        (0, end_us),
        [start],
        t_eval=at_us,
        rtol=1e-8,
        atol=1e-8,
        max_step=2_000 if "ripple" in shape else np.inf,
    )
    course = Course(500.0, start, final, tau_us, **shape)
    assert np.allclose([course.at(500.0 + u) for u in at_us], solved.y[0], rtol=1e-5, atol=1e-4)


@settings(deadline=None, max_examples=60)
@given(starts, finals, taus, shapes, st.floats(0, 120), st.booleans())
def test_crossings_are_where_the_solver_finds_them(
    start: float, final: float, tau_us: float, shape: dict[str, float], level: float, rising: bool
) -> None:
    sign = 1.0 if rising else -1.0
    assume(sign * (start - level) < -0.5)
    assume(abs(final - level) > 0.05)  # nothing ever quite comes to where it is going
    course = Course(0.0, start, final, tau_us, **shape)
    end_us = 4 * max(tau_us, shape.get("surge_us", 0.0)) if "ripple" not in shape else min(4 * tau_us, 400_000.0)

    def over(u: float, x: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
        return float(sign * (x[0] - level))

    over.terminal = True  # type: ignore[attr-defined]
    over.direction = 1.0  # type: ignore[attr-defined]
    solved = solve_ivp(
        lambda u, x: (driven_mA(final, shape, u) - x) / tau_us,
        (0, end_us),
        [start],
        events=over,
        rtol=1e-9,
        atol=1e-9,
        max_step=1_000 if "ripple" in shape else end_us / 100,
    )
    found = course.first(level, rising, 0.0)
    if len(solved.t_events[0]):
        expected = float(solved.t_events[0][0])
        slope = abs(driven_mA(final, shape, expected) - level) / tau_us
        if found is None or abs(found - expected) > 1.0 + 1e-3 / max(slope, 1e-7):
            # Only a crest that grazes the level may be passed over.
            until_us = min(end_us, expected + 20_000 if found is None else found)
            over_mA = [sign * (course.at(t) - level) for t in np.linspace(expected, until_us - 1.0, 300)]
            assert "ripple" in shape
            assert max(over_mA) < 0.01 * abs(course.ripple)
    else:
        closest = float(np.max(sign * (solved.y[0] - level)))
        assert found is None or found >= end_us or closest > -0.05


@settings(deadline=None)
@given(starts, finals, taus, shapes, st.floats(0, 120), st.booleans(), st.floats(0, 2))
def test_a_crossing_is_never_early_and_never_behind(
    start: float, final: float, tau_us: float, shape: dict[str, float], level: float, rising: bool, later: float
) -> None:
    course = Course(0.0, start, final, tau_us, **shape)
    from_us = later * tau_us
    found = course.first(level, rising, from_us)
    assume(found is not None)
    assert found is not None
    assert found >= from_us
    sign = 1.0 if rising else -1.0
    assert sign * (course.at(found) - level) >= -1e-3
    for part in (0.1, 0.5, 0.9) if found > from_us else ():
        before = from_us + part * (found - from_us)
        # A graze of a crest may pass unseen; it stays a graze.
        assert sign * (course.at(before) - level) <= 1e-3 + 0.01 * abs(course.ripple)


@settings(deadline=None)
@given(st.floats(0, 2 * pi), st.floats(-0.99, 0.99))
def test_the_root_is_found_from_above(phase: float, level: float) -> None:
    low, high = phase - pi / 2, phase + pi / 2

    def value(x: float) -> float:
        return sin(x - phase) - level

    assume(value(low) < -1e-3 < 1e-3 < value(high))
    scale = 1e4
    root = between(lambda x: value(x / scale), low * scale, high * scale) / scale
    assert value(root) >= 0
    assert value(root) <= 1e-5 * max(0.2, abs(cos(root - phase))) + 1e-6


@pytest.mark.parametrize("bells", [0, 1, 3, 5])
@pytest.mark.parametrize("leak_ohm", [float("inf"), 100e3, 25e3])
@pytest.mark.parametrize("loop_ohm", [0.0, 300.0, 1900.0])
def test_what_flows_after_the_loop_opens_is_what_the_network_gives(
    bells: int, leak_ohm: float, loop_ohm: float
) -> None:
    """Battery, feed, leak across, bells with their condenser: the node's own differential equation."""
    battery_V, feed_ohm = 48.0, 400.0
    circuit = LineCircuit(battery_V, feed_ohm, loop_ohm, leak_ohm, bells)
    opening = circuit.opening()
    node_before_V = battery_V - circuit.closed().final_mA * feed_ohm / 1000
    farad = bells * 1e-6
    bell_ohm = BELL_OHM / bells if bells else float("inf")

    def node_V(condenser_V: float) -> float:
        conductance = 1 / feed_ohm + 1 / leak_ohm + 1 / bell_ohm
        return (battery_V / feed_ohm + condenser_V / bell_ohm) / conductance

    at_s = np.linspace(0, 0.02, 40)
    if bells:
        solved = solve_ivp(
            lambda _, v: [(node_V(v[0]) - v[0]) / bell_ohm / farad],
            (0, 0.02),
            [node_before_V],
            t_eval=at_s,
            rtol=1e-9,
            atol=1e-9,
        )
        condenser_V = solved.y[0]
    else:
        condenser_V = np.full(40, node_before_V)
    expected_mA = [(battery_V - node_V(v)) / feed_ohm * 1000 for v in condenser_V]
    said_mA = [
        opening.final_mA + (opening.surge_mA * exp(-1e6 * t / opening.surge_us) if opening.surge_us else 0.0)
        for t in at_s
    ]
    assert np.allclose(said_mA, expected_mA, atol=1e-4)
