"""Uncertainty and guarded verdicts against published figures.

JCGM 100 (4.3.7, 4.3.9) and JCGM 106, ILAC-G8: from memory (facts Q60, Q61); the numbers themselves are recomputed.
"""

from __future__ import annotations

from math import erfc, sqrt

import numpy as np
import pytest

from demo_ctl.judge.judge import outcome_of
from demo_ctl.measure.model import Observation
from demo_ctl.measure.sight import Sight
from demo_ctl.plan.model import Plan
from demo_ctl.terms.outcome import Outcome
from demo_ctl.terms.quantity import Quantity
from demo_ctl.terms.window import Window
from demo_ctl.wire.messages import Welcome


def sight(**blurs: int) -> Sight:
    fields = dict.fromkeys(Welcome._fields, 0) | blurs
    plan = Plan.__new__(Plan)  # nothing of it is read
    return Sight(plan, Observation(Welcome(**fields), (), ()))


def test_q60_uniform_doubt() -> None:
    """JCGM 100 4.3.7, from memory: uniform +/- a has u = 0.57735 a; half a millisecond either way: 0.28868 ms."""
    found = sight(stamp_blur_us=1000, loop_blur_us=2000, battery_blur_us=200_000)
    assert found.stamp_u_us == pytest.approx(0.57735 * 500, rel=1e-5)
    assert found.loop_u_us == pytest.approx(0.57735 * 1000, rel=1e-5)
    assert found.battery_u_us == pytest.approx(0.28868 * 200_000, rel=2e-5)


def test_q60_combined() -> None:
    """JCGM 100, from memory: 0.5 ms uniform with u 0.1 ms gives 0.30551 ms."""
    assert sqrt((sight(stamp_blur_us=1000).stamp_u_us / 1000) ** 2 + 0.1**2) == pytest.approx(0.30551, abs=5e-6)


@pytest.mark.parametrize(
    ("guard_in_u", "false_accept"), [(0.0, 0.5), (1.0, 0.1587), (1.645, 0.05), (2.0, 0.02275), (3.0, 0.00135)]
)
def test_q61_false_accept_at_the_edge(guard_in_u: float, false_accept: float) -> None:
    """JCGM 106, ILAC-G8, from memory: the chance to accept a value that lies on the limit, by guard band."""
    assert erfc(guard_in_u / sqrt(2)) / 2 == pytest.approx(false_accept, abs=6e-5)


def test_q61_our_guard_band_is_two_u() -> None:
    """Of values on the limit, seen with a normal error u, 2.275 % pass and 2.275 % fail; the rest is marginal."""
    rng = np.random.default_rng(61)
    window = Window(None, 200.0, "ms", "a test")
    many = 40_000
    seen = [outcome_of(Quantity(float(figure), "ms", 3.0), window) for figure in 200 + rng.normal(0, 3.0, many)]
    three_sigma = 3 * sqrt(0.02275 * 0.97725 / many)
    assert seen.count(Outcome.PASS) / many == pytest.approx(0.02275, abs=three_sigma)
    assert seen.count(Outcome.FAIL) / many == pytest.approx(0.02275, abs=three_sigma)
