"""The sequencer: anchors, waits, gates, lateness, uploads. Real firmware, real session, a board in memory."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.board import limits
from demo_ctl.board.main import run
from demo_ctl.wire import messages as m
from tests.board.in_memory import Stage

I = m.Instruction  # noqa: E741


def _wait(us: int) -> m.Instruction:
    return I(m.OP_WAIT, 0, 0, us, 0)


def _ended(stage: Any) -> list[tuple[int, int, int]]:
    """(index, ending, instant relative to the plan's start)."""
    start_us = next(one.at_us for one in stage.events(m.EV_PLAN) if one.value == m.RUNNING)
    return [(one.value & 0xFFFF, one.value >> 16, one.at_us - start_us) for one in stage.events(m.EV_ENDED)]


def test_a_hundred_pulses_do_not_drift() -> None:
    plan = [I(m.OP_LOOP, 1, 1, 0, 0)]
    for _ in range(10):
        plan += [I(m.OP_PULSES, 1, 10, 60_601, 39_397), _wait(700_003)]
    stage = Stage(start_us=1)
    stage.play(plan)
    stage.run(18_000_000)
    period = 10 * (60_601 + 39_397)
    for index, ending, at_us in _ended(stage):
        trains, waits = (index + 1) // 2, index // 2
        assert (ending, at_us) == (m.DONE, trains * period + waits * 700_003)
    assert [one[0] for one in stage.pins.log if one[1] == 2] == [
        stage.events(m.EV_BEGAN)[0].at_us + nth * (period + 700_003) for nth in range(10)
    ]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 300_000), min_size=1, max_size=100))
def test_waits_add_up_exactly(lengths: list[int]) -> None:
    plan = []
    for nth, us in enumerate(lengths):
        plan += [_wait(us), I(m.OP_LOOP, 1, nth & 1, 0, 0)]
    stage = Stage()
    stage.play(plan)
    stage.run(stage.now_us + sum(lengths) + 100_000)
    total = 0
    wanted = []
    for nth, us in enumerate(lengths):
        total += us
        wanted += [(2 * nth, m.DONE, total), (2 * nth + 1, m.DONE, total)]
    assert _ended(stage) == wanted


def test_a_slow_pass_does_not_shift_what_follows() -> None:
    """A pass 15 ms late moves the pin late and says so; the next instruction is on time again."""
    stage = Stage()
    t = stage.play([_wait(100_000), I(m.OP_LOOP, 1, 1, 0, 0), _wait(100_000), I(m.OP_LOOP, 1, 0, 0, 0)])
    stage.run(t + 50_000)
    stage.pins.now_us = t + 115_000
    stage.run(t + 400_000)
    assert _ended(stage) == [(0, 0, 100_000), (1, 0, 115_000), (2, 0, 200_000), (3, 0, 200_000)]


@pytest.mark.parametrize(("late_us", "ends"), [(limits.LATE_US, False), (limits.LATE_US + 1, True)])
def test_too_late_ends_the_plan(late_us: int, ends: bool) -> None:
    stage = Stage()
    t = stage.play([_wait(100_000), I(m.OP_LOOP, 1, 1, 0, 0), _wait(100_000)])
    stage.run(t + 50_000)
    stage.pins.now_us = t + 100_000 + late_us
    stage.run(t + 150_000)
    assert bool(stage.closed()) != ends
    if ends:
        assert _ended(stage)[-1] == (1, m.STOPPED, 100_000 + late_us)
        assert stage.events(m.EV_PLAN)[-1].value == m.ENDED_EARLY | m.R_LATE << 8


def test_a_level_already_there_is_met_at_the_anchor() -> None:
    stage = Stage()
    stage.pins.sensed = 1 << 1
    stage.firmware.sense.edge(0, 1, 1)
    t = stage.play([_wait(50_000), I(m.OP_WAIT_FOR, 1, m.NORMAL << 1 | 1 | 1 << 8, 100_000, 1), _wait(10_000)])
    stage.run(t + 100_000)
    assert _ended(stage) == [(0, 0, 50_000), (1, m.MET, 50_000), (2, 0, 60_000)]


def test_a_level_to_come_is_stamped_when_it_began() -> None:
    stage = Stage()
    t = stage.play([I(m.OP_WAIT_FOR, 1, m.NORMAL << 1 | 1 | 1 << 8, 500_000, 1), _wait(100_000)])
    stage.pins.at(t + 30_000, 1, 1)
    stage.pins.at(t + 33_000, 1, 0)  # bounce
    stage.pins.at(t + 34_000, 1, 1)
    stage.run(t + 300_000)
    assert _ended(stage) == [(0, m.MET, 34_000), (1, 0, 134_000)]


def test_the_second_ring_counts_as_two() -> None:
    stage = Stage()
    t = stage.play(
        [
            I(m.OP_RINGING, 2, 1, 10_000_000, 0),
            I(m.OP_WAIT_FOR, 2, m.RINGING << 1 | 1 | 2 << 8, 9_000_000, 1),
            I(m.OP_LOOP, 2, 1, 0, 0),
        ]
    )
    for begin in (1_000_000, 3_000_000):
        stage.pins.at(t + begin, 7, 1)
        stage.pins.at(t + begin + 1_000_000, 7, 0)
    stage.run(t + 5_000_000)
    assert _ended(stage) == [(0, 0, 0), (1, m.MET, 3_000_000), (2, 0, 3_082_000)]


@pytest.mark.parametrize("ends_plan", [0, 1])
def test_the_limit_of_a_wait(ends_plan: int) -> None:
    stage = Stage()
    t = stage.play([I(m.OP_WAIT_FOR, 1, m.REVERSED << 1 | 1 | 1 << 8, 70_000, ends_plan), _wait(10_000)])
    stage.run(t + 200_000)
    if ends_plan:
        assert _ended(stage) == [(0, m.LIMIT, 70_000)]
        assert stage.events(m.EV_PLAN)[-1].value == m.ENDED_EARLY | m.R_LIMIT << 8
    else:
        assert _ended(stage) == [(0, m.LIMIT, 70_000), (1, 0, 80_000)]
        assert stage.events(m.EV_PLAN)[-1].value == m.FINISHED


def test_a_gate_opens_when_the_host_says_its_number() -> None:
    stage = Stage()
    t = stage.play([_wait(10_000), I(m.OP_GATE, 0, 3, 900_000, 1), _wait(5_000)])
    assert stage.ask(m.Go(3)).code == m.E_STATE  # not there yet: not kept for later
    stage.run(t + 100_000)
    assert stage.ask(m.Go(2)).code == m.E_STATE
    now_us = stage.now_us
    assert stage.ask(m.Go(3)).code == m.OK
    assert _ended(stage)[1:] == [(1, m.OPENED, now_us - t), (2, 0, now_us - t + 5_000)]


def test_all_loops_open_at_the_end() -> None:
    stage = Stage()
    t = stage.play([I(m.OP_LOOP, 1, 1, 0, 0), I(m.OP_LOOP, 2, 1, 0, 0), _wait(10_000)])
    stage.run(t + 9_999)
    assert stage.closed() == [1, 2]
    stage.run(t + 10_000)
    assert stage.closed() == []


def test_three_hundred_instructions() -> None:
    stage = Stage()
    t = stage.play([_wait(1000)] * 300)
    stage.run(t + 400_000)
    assert len(_ended(stage)) == 300
    assert _ended(stage)[-1] == (299, 0, 300_000)


# Uploads.

ROLES = (m.CALLING, m.CALLED, m.MONITORED, m.DIAL_BENCH)
GOOD = [
    I(m.OP_WAIT, 0, 0, limits.WAIT_MOST_US, 0),
    I(m.OP_LOOP, 2, 1, 0, 0),
    I(m.OP_PULSES, 1, 20, 5000, 2_000_000),
    I(m.OP_WAIT_FOR, 3, m.RINGING << 1 | 255 << 8, 0, 1),
    I(m.OP_GATE, 0, 65535, limits.GATE_MOST_US, 0),
    I(m.OP_LISTEN, 4, 1, 0, 0),
    I(m.OP_LISTEN, 0, 0, 0, 0),
    I(m.OP_RINGING, 2, 1, 90_000_000, 0),
    I(m.OP_RINGING, 3, 1, 1, 0),
    I(m.OP_RINGING, 0, 0, 0, 0),
]
BAD = [
    (I(0, 1, 0, 0, 0), m.E_RANGE),
    (I(8, 1, 0, 0, 0), m.E_RANGE),
    (I(m.OP_WAIT, 0, 0, limits.WAIT_MOST_US + 1, 0), m.E_RANGE),
    (I(m.OP_WAIT, 5, 0, 1, 0), m.E_RANGE),
    (I(m.OP_LOOP, 5, 1, 0, 0), m.E_RANGE),
    (I(m.OP_LOOP, 1, 2, 0, 0), m.E_RANGE),
    (I(m.OP_LOOP, 0, 1, 0, 0), m.E_ROLE),
    (I(m.OP_LOOP, 3, 1, 0, 0), m.E_ROLE),
    (I(m.OP_LOOP, 4, 0, 0, 0), m.E_ROLE),
    (I(m.OP_PULSES, 1, 0, 60_000, 40_000), m.E_RANGE),
    (I(m.OP_PULSES, 1, 21, 60_000, 40_000), m.E_RANGE),
    (I(m.OP_PULSES, 1, 1, 4999, 40_000), m.E_RANGE),
    (I(m.OP_PULSES, 1, 1, 60_000, 4999), m.E_RANGE),
    (I(m.OP_PULSES, 1, 1, 2_000_001, 40_000), m.E_RANGE),
    (I(m.OP_PULSES, 2, 1, 60_000, 40_000), m.E_ROLE),
    (I(m.OP_WAIT_FOR, 1, 1, 1000, 0), m.E_RANGE),
    (I(m.OP_WAIT_FOR, 1, 1 << 8 | 8, 1000, 0), m.E_RANGE),
    (I(m.OP_WAIT_FOR, 1, 1 << 8, 1000, 2), m.E_RANGE),
    (I(m.OP_WAIT_FOR, 0, 1 << 8, 1000, 0), m.E_ROLE),
    (I(m.OP_GATE, 0, 1, limits.GATE_MOST_US + 1, 0), m.E_RANGE),
    (I(m.OP_LISTEN, 1, 2, 0, 0), m.E_RANGE),
    (I(m.OP_LISTEN, 0, 1, 0, 0), m.E_ROLE),
    (I(m.OP_RINGING, 2, 1, 90_000_001, 0), m.E_RANGE),
    (I(m.OP_RINGING, 2, 1, 0, 0), m.E_RANGE),
    (I(m.OP_RINGING, 1, 1, 1000, 0), m.E_ROLE),
]


def test_what_a_plan_may_contain() -> None:
    stage = Stage()
    stage.hello()
    assert stage.upload(1, GOOD, ROLES) == [m.OK, m.OK, m.OK, 0]


@pytest.mark.parametrize(("bad", "code"), BAD)
@pytest.mark.parametrize("before", [0, 5, 16])
def test_what_it_may_not(bad: m.Instruction, code: int, before: int) -> None:
    stage = Stage()
    stage.hello()
    answers = stage.upload(1, [_wait(1)] * before + [bad], ROLES)
    assert answers[-2:] == [code, before]
    assert stage.ask(m.Start(1)).code == m.E_STATE


def test_uploads_that_are_not_whole() -> None:
    stage = Stage()
    stage.hello()
    one = bytes([1, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0])
    assert stage.ask(m.Load(0, 1, one)).code == m.E_STATE
    assert stage.ask(m.Begin(1, 301, 1, 0, 0, 0, 0)) == m.Answer(stage.host._sequence, m.E_FULL, 300)
    assert stage.ask(m.Begin(1, 0, 1, 0, 0, 0, 0)).code == m.E_RANGE
    assert stage.ask(m.Begin(1, 1, 5, 0, 0, 0, 0)).code == m.E_RANGE
    assert stage.ask(m.Begin(1, 2, 1, 0, 0, 0, 0)).code == m.OK
    assert stage.ask(m.Load(1, 1, one)).code == m.E_CHECK  # the first is missing
    stage.ask(m.Begin(1, 2, 1, 0, 0, 0, 0))
    stage.ask(m.Load(0, 1, one))
    assert stage.ask(m.Commit(1, 0)).code == m.E_CHECK
    stage.ask(m.Begin(1, 1, 1, 0, 0, 0, 0))
    assert stage.ask(m.Load(0, 2, one * 2)).code == m.E_CHECK  # more than announced
    assert stage.upload(1, [_wait(1)]) == [0, 0, 0, 0]
    assert stage.ask(m.Start(2)).code == m.E_STATE  # another plan
    assert stage.ask(m.Start(1)).code == m.OK


def test_a_board_of_two_ports_refuses_a_third() -> None:
    stage = Stage(ports=2)
    stage.hello()
    assert stage.ask(m.Begin(1, 1, 1, 2, 1, 0, 0)).code == m.E_RANGE
    assert stage.upload(1, [I(m.OP_LOOP, 3, 1, 0, 0)], (1, 2, 0, 0))[-2:] == [m.E_RANGE, 0]


def test_no_upload_while_a_plan_runs() -> None:
    stage = Stage()
    stage.play([_wait(1_000_000)])
    assert stage.ask(m.Begin(9, 1, 1, 0, 0, 0, 0)) == m.Answer(stage.host._sequence, m.E_STATE, m.RUNNING)
    assert stage.ask(m.Start(5)).code == m.E_STATE


def test_audio_blocks_and_what_was_dropped() -> None:
    stage = Stage()
    t = stage.play([I(m.OP_LISTEN, 2, 1, 0, 0), _wait(500_000), I(m.OP_LISTEN, 2, 0, 0, 0), _wait(400_000)])
    stage.run(t + 200_000)
    stage.pins.space = 100  # the way to the host is too narrow for sound, not for events
    stage.run(t + 400_000)
    stage.pins.space = 4096
    stage.run(t + 950_000)
    blocks = [one for one in stage.heard if type(one) is m.Audio]
    dropped = sum(one.value for one in stage.events(m.EV_AUDIO_LOST))
    assert dropped >= 10
    assert len(blocks) + dropped == 500_000 // m.AUDIO_BLOCK_US
    for one in blocks:
        assert one.at_us == t + one.first * 125
        assert one.data == bytes([one.first // m.AUDIO_BLOCK + 1 & 255, 8]) * m.AUDIO_BLOCK
        assert one.port == 2
    assert len({one.first for one in blocks}) == len(blocks)
    assert stage.passes < 250  # a block costs a pass or two, not one every millisecond


def test_a_way_to_the_host_that_was_full_is_tried_again() -> None:
    stage = Stage()
    stage.hello()
    stage.pins.space = 0
    assert stage.ask(m.StatusRequest(4), 1_000) is None
    stage.pins.space = 4096
    stage.run(stage.now_us + limits.BLOCKED_US)
    assert stage.host.answered.nonce == 4


def test_the_clock_is_looked_at_in_time() -> None:
    stage = Stage(start_us=123)
    stage.run(200_000)  # the key's contact has settled by now
    assert 300_000_000 < stage.deadline_us <= 200_000 + 300_000_000
    stage.run(3 << 30)
    assert stage.hello().now_us == 3 << 30


def test_the_chips_loop_rests_and_collects_only_when_nothing_is_due() -> None:
    class Enough(Exception):
        pass

    done: list[str] = []
    pins = Stage().pins
    pins.arrive()
    ticks_left = [200]

    def ticks() -> int:
        ticks_left[0] -= 1
        if not ticks_left[0]:
            raise Enough
        pins.now_us += 100
        pins.arrive()
        return int(pins.now_us)

    pins.ticks_us = ticks
    pins.collect = lambda: done.append("collect")
    pins.rest = lambda most_us: done.append("rest")
    with pytest.raises(Enough):
        run(pins)
    assert set(done) == {"collect", "rest"}  # nothing is due for five minutes
    done.clear()
    ticks_left[0] = 200
    for nth, bit in enumerate((1, 2, 5, 6, 9, 10, 13, 14)):  # one filter or another always ends within 20 ms
        pins.at(pins.now_us + nth * 3_000, bit, 1)
    with pytest.raises(Enough):
        run(pins)
    assert done[0] == "collect"  # once at boot, to know how long it takes
    assert set(done[1:]) == {"rest"}
