"""What a line carries, sample by sample."""

from __future__ import annotations

from collections.abc import Callable
from math import sqrt
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.wire.messages import AUDIO_REST

S = 1_000_000
MS = 1000
BLOCK = 112
RESTING = AUDIO_REST

Play = Callable[..., Any]


def samples(p: Any, port: int, begin_us: int, many: int) -> np.ndarray[Any, np.dtype[np.float64]]:
    """`many` blocks as volts times 1000, around rest."""
    data = b"".join(p.bench.audio_block(port, BLOCK * k, begin_us) for k in range(many))
    assert len(data) == 2 * BLOCK * many
    words = np.frombuffer(data, dtype="<u2")
    assert words.max() <= 4095
    return words.astype(float) - RESTING


def rms_near(block: np.ndarray[Any, np.dtype[np.float64]], frequency_Hz: float) -> float:
    """RMS of one sine by least squares."""
    angles = 2 * np.pi * frequency_Hz / 8000 * np.arange(len(block))
    parts, *_ = np.linalg.lstsq(np.stack((np.cos(angles), np.sin(angles)), axis=1), block, rcond=None)
    return float(np.hypot(*parts)) / sqrt(2)


def test_dial_tone_has_both_parts_at_their_level(play: Play) -> None:
    p = play()
    p.lift(1)
    p.wait(2 * S)
    begin_us = p.now_us
    p.wait(2 * S)
    heard = samples(p, 1, begin_us, 100)  # 1.4 s: whole turns of both
    # -13 dBm in 600 ohm is 0.1734 V (facts L15).
    for part_Hz in (350, 440):
        assert rms_near(heard, part_Hz) == pytest.approx(173.4, rel=0.01)
    assert np.sqrt(np.mean(heard**2)) == pytest.approx(173.4 * sqrt(2), rel=0.01)
    assert abs(np.mean(heard)) < 2


def test_an_open_loop_is_silent(play: Play) -> None:
    p = play()
    p.wait(S)
    assert not samples(p, 1, 0, 10).any()
    p.lift(1)
    p.wait(2 * S)
    p.hang_up(1)
    hung_up = p.now_us
    p.wait(S)
    assert not samples(p, 1, hung_up, 10).any()
    assert samples(p, 1, hung_up - 140 * MS, 10).any()
    assert p.bench.audio_block(7, 0, 0) == RESTING.to_bytes(2, "little") * BLOCK


@settings(deadline=None, max_examples=20)
@given(early_us=st.integers(0, 13_999))
def test_tone_begins_and_ends_inside_a_block_where_it_should(play: Play, early_us: int) -> None:
    p = play()
    p.lift(1)
    p.wait(2 * S)
    p.hang_up(1)
    opened_us = p.now_us
    p.wait(100 * MS)
    begin_us = opened_us - early_us
    heard = samples(p, 1, begin_us, 1)
    first_silent = -(-early_us // 125)
    assert not heard[first_silent:].any()
    if first_silent > 16:
        assert np.abs(heard[:first_silent]).max() > 100


@settings(deadline=None, max_examples=15)
@given(seed=st.integers(0, 999))
def test_busy_tone_is_interrupted_sixty_times_a_minute_and_a_block_may_straddle_a_cam(play: Play, seed: int) -> None:
    p = play(seed=seed)
    p.lift(2)
    p.wait(2 * S)
    p.call(1, "5550150")
    begin_us = p.now_us
    p.wait(3 * S)
    heard = samples(p, 1, begin_us, 200)  # 2.8 s
    loud = np.convolve(np.abs(heard), np.ones(40) / 40, "same") > 10
    edges = np.flatnonzero(np.diff(loud.astype(int)))
    assert 4 <= len(edges) <= 6
    lengths_ms = np.diff(edges) / 8
    assert np.all(np.abs(lengths_ms - 500) < 10)


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_ringback_is_in_step_with_the_bell(play: Play, seed: int) -> None:
    p = play(seed=seed)
    p.call(1, "5550150")
    begin_us = p.now_us
    p.wait(15 * S)
    heard = samples(p, 1, begin_us, 1000)  # 14 s
    loud = np.convolve(np.abs(heard), np.ones(200) / 200, "same") > 15
    on_us = [begin_us + 125 * int(k) for k in np.flatnonzero(np.diff(loud.astype(int)) == 1)]
    bell_us = [t for t, level in p.edges_of(2, 3) if level and begin_us + S < t < begin_us + 13 * S]
    assert len(bell_us) >= 2
    assert all(any(abs(a - b) < 30 * MS for a in on_us) for b in bell_us)


def test_a_rung_line_hums_at_the_ringing_frequency(play: Play) -> None:
    p = play()
    p.call(1, "5550150")
    p.wait(6 * S)
    while not p.level(2, 3):
        p.wait(10 * MS)
    p.wait(300 * MS)
    begin_us = p.now_us
    p.wait(500 * MS)
    heard = samples(p, 2, begin_us, 25)
    assert rms_near(heard, 20) > 0.9 * np.sqrt(np.mean(heard**2)) > 100


def test_the_start_of_current_clicks(play: Play) -> None:
    p = play()
    p.wait(100 * MS)
    p.lift(1)
    p.wait(20 * MS)
    heard = samples(p, 1, 100 * MS, 1)
    assert heard[0] > 300
    assert abs(heard[80]) < 5


def test_samples_lie_on_one_clock_whoever_began_the_stream(play: Play) -> None:
    """A stream begun eight samples earlier carries the same tone eight samples later."""
    p = play()
    p.lift(1)
    p.wait(2 * S)
    begin_us = p.now_us
    p.wait(S)
    early, late = samples(p, 1, begin_us, 1), samples(p, 1, begin_us + 1000, 1)
    assert np.abs(early[8:] - late[:-8]).max() < 8  # noise only
