"""The interrupter and the ringing wave, against plain counting."""

from __future__ import annotations

from math import pi, sin

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.cadence import Cadence
from demo_ctl.bench.lines import Wave

parts = st.lists(st.integers(1, 900), max_size=6).map(tuple)


def counted(parts_us: tuple[int, ...], offset_us: int, t_us: int) -> bool:
    """On or off at `t_us`, by walking along the cams."""
    if not parts_us:
        return True
    padded = parts_us if len(parts_us) % 2 == 0 else (*parts_us, 0)
    place = (t_us + offset_us) % sum(padded)
    for index, part_us in enumerate(padded):
        if place < part_us:
            return index % 2 == 0
        place -= part_us
    raise AssertionError


@settings(deadline=None)
@given(parts, st.integers(0, 5000), st.integers(0, 10_000))
def test_a_cadence_is_what_its_cams_say(parts_us: tuple[int, ...], offset_us: int, t_us: int) -> None:
    cadence = Cadence(parts_us, offset_us)
    expected = [counted(parts_us, offset_us, t_us + k) for k in range(200)]
    assert [cadence.on_at(t_us + k) for k in range(200)] == expected
    assert cadence.mask(np.arange(t_us, t_us + 200)).tolist() == expected
    change_us = cadence.next_change_us(t_us)
    if not parts_us:
        assert change_us is None
    else:
        assert change_us is not None
        assert change_us > t_us
        state = cadence.on_at(t_us)
        assert all(cadence.on_at(k) == state for k in range(t_us, change_us))


@settings(deadline=None)
@given(st.floats(15, 30), st.floats(30, 105), st.floats(0, 0.999), st.integers(0, 10_000_000))
def test_the_wave_is_seen_at_its_first_and_last_height(
    frequency_Hz: float, voltage_V: float, offset: float, t_us: int
) -> None:
    wave = Wave(frequency_Hz, voltage_V, offset)
    threshold_V = 40.0

    def height_V(at_us: int) -> float:
        return abs(wave.peak_V * sin(2 * pi * (at_us * frequency_Hz / 1e6 + offset)))

    half_us = wave.period_us / 2
    first_us = wave.first_above_us(t_us, threshold_V)
    assert first_us is not None
    assert t_us <= first_us <= t_us + half_us
    assert height_V(first_us) >= threshold_V - 0.05
    before = range(t_us, first_us - 2, 97)
    assert all(height_V(k) <= threshold_V + 0.05 for k in before)

    top_us = wave.last_top_us(t_us, threshold_V)
    assert t_us - half_us <= top_us <= t_us
    # Since then the wave was never as high, unless it has not yet come up to the threshold again.
    assert all(height_V(k) <= max(height_V(top_us), threshold_V) + 0.05 for k in range(top_us, t_us, 97))
    assert top_us == t_us or height_V(top_us) > 0.999 * wave.peak_V


def test_ringing_below_the_threshold_is_never_seen() -> None:
    assert Wave(20.0, 10.0, 0.0).first_above_us(0, 40.0) is None
