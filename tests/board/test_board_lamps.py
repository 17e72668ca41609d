"""Lamps on the board: bounded, dark when nobody speaks for them, and never in the way of ringing's guard."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.board.limits import BLINK_US, LAMPS_US
from demo_ctl.wire import messages as m
from tests.board.in_memory import Stage, memory

I = m.Instruction  # noqa: E741
RINGS = [I(m.OP_RINGING, 2, 1, 80_000_000, 0), I(m.OP_WAIT, 0, 0, 60_000_000, 0)]

asks = st.lists(
    st.tuples(
        st.integers(0, 700_000),  # later than the one before
        st.integers(0, 127),
        st.integers(0, 127),
    ),
    min_size=1,
    max_size=30,
)


def _asked(story: list[tuple[int, int, int]], extra: list[int]) -> tuple[Any, int]:
    """A stage whose host asks for lamps; and when it asked for the last ones."""
    stage = Stage()
    stage.hello()
    at_us = stage.now_us
    stage.extra = sorted(at_us + each for each in extra)
    for nth, (later_us, lit, blink) in enumerate(story):
        at_us += later_us
        message = m.Lamps(lit, blink & lit)
        stage.do(at_us, lambda nth=nth, message=message: stage.command(nth + 100, message))
    stage.run(at_us + 2_500_000)
    return stage, at_us


@settings(max_examples=80, deadline=None)
@given(asks, st.lists(st.integers(0, 20_000_000), max_size=100))
def test_lamps_are_bounded_end_as_asked_and_extra_passes_change_nothing(
    story: list[tuple[int, int, int]], extra: list[int]
) -> None:
    stage, asked_us = _asked(story, [])
    lit = stage.lit()
    assert lit[0] == (0, 0)  # at boot
    assert all(b[0] - a[0] >= LAMPS_US for a, b in pairwise(lit[1:]))
    assert all(a[1] != b[1] for a, b in pairwise(lit))
    wanted, blink = story[-1][1], story[-1][1] & story[-1][2]
    settled_us = asked_us + LAMPS_US + 1
    now = next(mask for at_us, mask in reversed(lit) if at_us <= settled_us)
    for at_us in range(settled_us, settled_us + 2_400_000, 7_000):
        now = next(mask for since_us, mask in reversed(lit) if since_us <= at_us)
        first_half = at_us // BLINK_US % 2 == 0
        if at_us % BLINK_US > LAMPS_US:  # a change just before may have kept it for so long
            assert now == (wanted if first_half else wanted & ~blink)
    assert _asked(story, extra)[0].lit() == lit


def test_a_lamp_that_is_not_there_is_refused_and_the_count_told() -> None:
    stage = Stage()
    stage.hello()
    assert stage.ask(m.Lamps(0, 0))[1:] == (m.OK, 7)
    assert stage.ask(m.Lamps(1 << 6, 0))[1:] == (m.OK, 7)
    assert stage.ask(m.Lamps(1 << 7 | 1, 0))[1:] == (m.E_RANGE, 7)
    assert stage.ask(m.Lamps(1, 2))[1:] == (m.E_RANGE, 7)  # one that blinks and is not lit
    stage.run(stage.now_us + 1_000_000)
    assert stage.lit()[-1][1] == 1 << 6


def test_a_board_without_lamps_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory.MemoryPins, "lamp_count", 0)
    stage = Stage()
    stage.hello()
    assert stage.ask(m.Lamps(0, 0))[1:] == (m.OK, 0)
    assert stage.ask(m.Lamps(1, 0))[1:] == (m.E_RANGE, 0)
    stage.run(stage.now_us + 100_000)
    assert stage.lit() == []


def test_nobody_lights_a_lamp_before_hello() -> None:
    stage = Stage()
    assert stage.ask(m.Lamps(1, 0))[1] == m.E_STATE
    assert stage.lit() == [(0, 0)]


@pytest.mark.parametrize("blink", [0, 5])
def test_silence_makes_them_dark_and_they_stay_so(blink: int) -> None:
    stage = Stage()
    stage.hello()
    stage.ask(m.Lamps(5, blink))
    stage.run(stage.now_us + 500_000)
    spoke_us = stage.firmware._heard_us
    stage.beat_us = 1 << 62
    stage.run(stage.now_us + 3_000_000)
    assert stage.lit()[-1][1] == 0
    assert stage.lit()[-1][0] <= spoke_us + 600_000
    assert stage.ask(m.Lamps(5, 0))[1] == m.E_STATE


def test_a_new_host_finds_them_dark_and_the_same_one_as_they_were() -> None:
    stage = Stage()
    stage.hello(4)
    stage.ask(m.Lamps(5, 0))
    stage.hello(4)
    assert stage.lit()[-1][1] == 5
    stage.hello(6)
    assert stage.lit()[-1][1] == 0


def test_a_stop_leaves_them_lit() -> None:
    stage = Stage()
    stage.play(RINGS)
    stage.ask(m.Lamps(5, 0))
    stage.ask(m.Stop(m.R_STOP))
    stage.run(stage.now_us + 300_000)
    assert stage.lit()[-1][1] == 5


def _trip(stage: Any) -> int:
    """Ring, light lamps, open a cover; return when."""
    stage.play(RINGS)
    stage.run(stage.now_us + 800_000)
    assert stage.firmware.guard.live
    stage.ask(m.Lamps(0x7F, 0x10))
    stage.run(stage.now_us + 200_000)
    assert stage.lit()[-1][1] & 0x0F == 0x0F
    stage.pins.input_bits &= ~3
    opened_us = stage.now_us
    stage.run(opened_us + 700_000)
    assert stage.firmware.guard.state == m.G_TRIPPED
    return int(opened_us)


def test_a_trip_puts_out_what_was_shown_and_a_lamp_may_tell_of_it() -> None:
    stage = Stage()
    opened_us = _trip(stage)
    told_us = next(one.at_us for one in stage.events(m.EV_GUARD) if one.value & 0xFF == m.G_TRIPPED)
    assert stage.lit()[-1] == (told_us, 0)
    assert told_us >= opened_us
    assert stage.ask(m.Lamps(0x40, 0))[1] == m.OK
    stage.run(stage.now_us + 200_000)
    assert stage.lit()[-1][1] == 0x40
    assert stage.firmware.guard.state == m.G_TRIPPED  # and nothing of the trip has gone by it
    stage.turn_key()
    stage.run(stage.now_us + 200_000)
    assert stage.firmware.guard.state == m.G_SAFE
    assert stage.lit()[-1][1] == 0x40


def _rings_under(flood: int) -> Any:
    """A call that rings for three seconds; meanwhile `flood` lamp messages come every 10 ms, some by two."""
    stage = Stage()
    began_us = stage.play(RINGS)
    stage.extra = [began_us + 1000 * nth for nth in range(1, 3_500)]
    for nth in range(300 if flood else 0):
        for each in range(flood):
            message = m.Lamps(nth * 37 + each & 127, nth & 1)
            at_us = began_us + 400_000 + 10_000 * nth
            stage.do(at_us, lambda nth=nth, message=message: stage.command(nth % 200 + 50, message))
    stage.run(began_us + 3_500_000)
    return stage


@pytest.mark.parametrize("flood", [1, 2, 5])
def test_a_flood_of_lamps_while_ringing_is_live_changes_nothing_else(flood: int) -> None:
    plain, flooded = _rings_under(0), _rings_under(flood)
    assert flooded.firmware.guard.live
    assert flooded.firmware.guard.trip_count == 0

    def others(stage: Any) -> list[tuple[int, ...]]:
        return [one for one in stage.pins.log if one[1] != 6]

    assert others(flooded) == others(plain)  # every pump move at the same instant
    assert flooded.events() == plain.events()
    lit = flooded.lit()
    assert len(lit) > 20
    assert all(b[0] - a[0] >= LAMPS_US for a, b in pairwise(lit[1:]))
    assert plain.lit() == [(0, 0)]


def test_a_flood_while_passes_are_slow_trips_nothing() -> None:
    """On a clock that goes on by 4 ms in every pass, as a busy chip's does, the pumps move in time all the same."""
    stage = Stage()
    stage.play(RINGS)
    stage.run(stage.now_us + 800_000)
    run_once, moves = stage.loop.run_once, len(stage.pumps())

    def slow() -> int:
        deadline_us = int(run_once())
        stage.pins.now_us += 4_000
        return max(deadline_us, int(stage.pins.now_us))

    stage.loop.run_once = slow
    for nth in range(400):
        stage.command(nth % 200 + 50, m.Lamps(nth & 127, nth & 1))
        stage.run(stage.now_us + 5_000)
    assert stage.firmware.guard.live
    assert stage.firmware.guard.trip_count == 0
    since = stage.pumps()[moves:]
    assert max(b - a for a, b in pairwise(since)) <= 20_000
    assert len({mask for _, mask in stage.lit()}) > 5
