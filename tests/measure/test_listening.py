"""Checks on tones, from streamed audio."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from demo_ctl.plan.model import Check
from demo_ctl.wire import messages as m

Make = Callable[..., Any]
S = 1_000_000
Sound = tuple[list[float], list[float]]
DIAL: Sound = ([350, 440], [])
BUSY: Sound = ([480, 620], [0.5, 0.5])
OVERFLOW: Sound = ([480, 620], [0.25, 0.25])


def cycles(cadence: list[float], begin: float, end: float) -> list[tuple[float, float]]:
    on, off = cadence
    return [(at, min(end, at + on)) for at in np.arange(begin, end, on + off).tolist()]


@pytest.mark.parametrize("delay_ms", [80, 203, 2900])
def test_dial_tone_delay(new_scene: Make, tone_of: Make, sing: Make, delay_ms: int) -> None:
    scene = new_scene()
    index = scene.step(m.OP_LOOP, S, x=1)
    until = scene.step(m.OP_GATE, S + delay_ms * 1000 + 200_000, ending=m.OPENED)
    long_s = delay_ms / 1000 + 1
    scene.sound(S, sing(np.random.default_rng(1), DIAL[0], [(delay_ms / 1000, long_s)], long_s))
    scene.expect(Check.DIAL_TONE_DELAY, high=3000, port=1, index=index, until=until, tone=tone_of(DIAL[0]))
    scene.end(6 * S)
    found = scene.one()
    assert abs(found.quantity.value - delay_ms) <= max(0.2, 2 * found.quantity.u)
    assert found.quantity.u < 3


def test_dial_tone_that_was_there_already_has_no_delay(new_scene: Make, tone_of: Make, sing: Make) -> None:
    scene = new_scene()
    index = scene.step(m.OP_LOOP, S, x=1)
    until = scene.step(m.OP_GATE, 2 * S, ending=m.OPENED)
    scene.sound(S + 300_000, sing(np.random.default_rng(1), DIAL[0], [(0, 2)], 1.0))
    scene.expect(Check.DIAL_TONE_DELAY, high=3000, port=1, index=index, until=until, tone=tone_of(DIAL[0]))
    scene.end(6 * S)
    found = scene.one()
    assert found.quantity is None
    assert "sounded when hearing began" in found.reason


def test_no_dial_tone_and_no_audio_are_two_reasons(new_scene: Make, tone_of: Make, sing: Make) -> None:
    def scene(listened: bool) -> Any:
        made = new_scene()
        index = made.step(m.OP_LOOP, S, x=1)
        until = made.step(m.OP_GATE, 4 * S, ending=m.LIMIT)
        if listened:
            made.sound(S, sing(np.random.default_rng(1), DIAL[0], [], 3.1))
        made.expect(Check.DIAL_TONE_DELAY, high=3000, port=1, index=index, until=until, tone=tone_of(DIAL[0]))
        made.end(4 * S, early=m.R_LIMIT)
        return made.one()

    assert "did not come" in scene(True).reason
    assert "nothing was listened to" in scene(False).reason


def test_dial_tone_stops_in_the_first_break(new_scene: Make, tone_of: Make, sing: Make) -> None:
    scene = new_scene()
    index = scene.pulses(3 * S, 5, 61_000, 39_000)
    scene.sound(S, sing(np.random.default_rng(1), DIAL[0], [(0.2, 2.012)], 2.5))
    scene.expect(Check.DIAL_TONE_STOP, high=200, port=1, index=index, until=index, tone=tone_of(DIAL[0]))
    scene.end(9 * S)
    found = scene.one()
    assert abs(found.quantity.value - 12) <= 2 * found.quantity.u + 0.1


@pytest.mark.parametrize("pulses", [3, 5, 10])
def test_dial_tone_that_goes_on_through_the_pulses(new_scene: Make, tone_of: Make, sing: Make, pulses: int) -> None:
    """Chopped by the breaks it is still heard, and later than allowed."""
    scene = new_scene()
    index = scene.pulses(3 * S, pulses, 61_000, 39_000)
    sounding = [(0.2, 2.0)] + [(2.061 + at / 10, 2.1 + at / 10) for at in range(pulses)]
    scene.sound(S, sing(np.random.default_rng(1), DIAL[0], sounding, 2 + pulses / 10))
    scene.expect(Check.DIAL_TONE_STOP, high=200, port=1, index=index, until=index, tone=tone_of(DIAL[0]))
    scene.end(9 * S)
    assert scene.one().quantity.value > 200


def test_dial_tone_heard_to_the_end_of_a_short_digit_is_unsettled(new_scene: Make, tone_of: Make, sing: Make) -> None:
    """It had 100 ms to go on in, and was allowed 200: no verdict."""
    scene = new_scene()
    index = scene.pulses(3 * S, 1, 61_000, 39_000)
    scene.sound(S, sing(np.random.default_rng(1), DIAL[0], [(0.2, 3)], 2.1))
    scene.expect(Check.DIAL_TONE_STOP, high=200, port=1, index=index, until=index, tone=tone_of(DIAL[0]))
    scene.end(9 * S)
    found = scene.one()
    assert found.quantity is None
    assert "still heard" in found.reason


def test_a_single_pulse_does_not_hide_dial_tone_that_goes_on(new_scene: Make, tone_of: Make, sing: Make) -> None:
    """Silent in the break itself, the tone is back with the make: listening into the pause finds it."""
    scene = new_scene()
    index = scene.pulses(3 * S, 1, 61_000, 39_000)
    until = scene.step(m.OP_WAIT, 3 * S + 400_000)
    scene.sound(S, sing(np.random.default_rng(1), DIAL[0], [(0.2, 2.0), (2.061, 3)], 2.4))
    scene.expect(Check.DIAL_TONE_STOP, high=200, port=1, index=index, until=until, tone=tone_of(DIAL[0]))
    scene.end(9 * S)
    found = scene.one()
    assert found.quantity.value == pytest.approx(400, abs=m.AUDIO_BLOCK_US / 1000)
    assert "still heard" in found.detail


@pytest.mark.parametrize(("sounds", "until_s"), [(DIAL, 2.0), (BUSY, 2.0), (DIAL, 4.0), (BUSY, 3.75)])
def test_a_tone_must_last_as_long_as_it_is_listened_to(
    new_scene: Make, tone_of: Make, sing: Make, sounds: Any, until_s: float
) -> None:
    """Heard at first is not enough; but an interrupted tone may be in its silence at the end."""
    scene = new_scene()
    start = scene.step(m.OP_LISTEN, S, x=1)
    until = scene.step(m.OP_WAIT, 5 * S)
    parts, cadence = sounds
    sounding = cycles(cadence, 0.25, until_s) if cadence else [(0.25, until_s)]
    scene.sound(S, sing(np.random.default_rng(1), parts, sounding, 4.1))
    scene.expect(Check.TONE, 1, 1, port=1, index=start, until=until, tone=tone_of(parts, cadence))
    scene.end(9 * S)
    found = scene.one()
    lasts = until_s > 3
    assert found.quantity.value == lasts
    assert ("stopped" in found.detail) is not lasts


@pytest.mark.parametrize(("sounds", "busy", "overflow"), [(BUSY, 1, 0), (OVERFLOW, 0, 1), (DIAL, 0, 0)])
def test_busy_and_overflow_are_told_apart(
    new_scene: Make, tone_of: Make, sing: Make, sounds: Any, busy: int, overflow: int
) -> None:
    scene = new_scene()
    last = scene.pulses(S - 100_000, 1, 61_000, 39_000)
    start = scene.step(m.OP_LISTEN, S, x=1)
    until = scene.step(m.OP_WAIT, 5 * S)
    parts, cadence = sounds
    sounding = cycles(cadence, 0.25, 4.0) if cadence else [(0.25, 4.0)]
    scene.sound(S, sing(np.random.default_rng(1), parts, sounding, 4.1))
    where = {"port": 1, "index": start, "until": until}
    for check, (wanted_parts, wanted_cadence) in (
        (Check.TONE, BUSY),
        (Check.TONE, OVERFLOW),
        (Check.NO_OVERFLOW, OVERFLOW),
    ):
        scene.expect(check, **where, tone=tone_of(wanted_parts, wanted_cadence))
    scene.expect(Check.POST_DIAL_DELAY, high=1000, **(where | {"index": last}), tone=tone_of(*BUSY))
    scene.end(6 * S)
    is_busy, is_overflow, no_overflow, delay = scene.measure()
    assert is_busy.quantity.value == busy
    assert is_overflow.quantity.value == overflow
    assert no_overflow.quantity.value == overflow
    if busy:
        assert delay.quantity.value == pytest.approx(250 + 39, abs=1)
    else:
        assert delay.quantity is None


def test_cadence_is_measured_and_the_worst_is_given(new_scene: Make, tone_of: Make, sing: Make) -> None:
    scene = new_scene()
    start = scene.step(m.OP_LISTEN, S, x=1)
    until = scene.step(m.OP_WAIT, 5.4 * S)
    # The first is cut short by the connector's arrival and does not count; the third is long.
    sounding = [(0.1, 0.3), (0.8, 1.3), (1.8, 2.34), (2.8, 3.3), (3.75, 4.25)]
    scene.sound(S, sing(np.random.default_rng(1), BUSY[0], sounding, 4.5, noise=3))
    for check in (Check.TONE_ON, Check.TONE_OFF):
        scene.expect(check, 450, 550, port=1, index=start, until=until, tone=tone_of(*BUSY))
    scene.end(6 * S)
    on, off = scene.measure()
    assert on.quantity.value == pytest.approx(540, abs=1)
    assert off.quantity.value == pytest.approx(450, abs=11) or off.quantity.value == pytest.approx(460, abs=1)
    assert "worst of 4" in on.detail


@pytest.mark.parametrize("missing", [range(10, 20), range(300)])
def test_missing_audio_is_no_proof_of_silence(new_scene: Make, tone_of: Make, sing: Make, missing: range) -> None:
    scene = new_scene()
    start = scene.step(m.OP_LISTEN, S, x=1)
    until = scene.step(m.OP_WAIT, 5 * S)
    scene.sound(S, sing(np.random.default_rng(1), OVERFLOW[0], [], 4.1), missing=missing)
    where = {"port": 1, "index": start, "until": until, "tone": tone_of(*OVERFLOW)}
    scene.expect(Check.NO_OVERFLOW, 0, 0, **where)
    scene.expect(Check.TONE, 1, 1, **where)
    scene.end(6 * S)
    for found in scene.measure():
        assert found.quantity is None
        assert found.reached


def test_a_tone_heard_surely_beside_a_gap_counts(new_scene: Make, tone_of: Make, sing: Make) -> None:
    scene = new_scene()
    start = scene.step(m.OP_LISTEN, S, x=1)
    until = scene.step(m.OP_WAIT, 5 * S)
    sounding = cycles(BUSY[1], 0.25, 4.0)
    scene.sound(S, sing(np.random.default_rng(1), BUSY[0], sounding, 4.1), missing=range(30, 50))
    scene.expect(Check.TONE, 1, 1, port=1, index=start, until=until, tone=tone_of(*BUSY))
    scene.end(6 * S)
    assert scene.one().quantity.value == 1
