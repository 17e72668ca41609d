"""Everything that must leave the board safe: loops open, pump still, and the reason told."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.board import guard as g
from demo_ctl.board import limits
from demo_ctl.wire import messages as m

I = m.Instruction  # noqa: E741


def _load() -> Any:
    spec = importlib.util.spec_from_file_location("memory_pins", Path(__file__).with_name("memory_pins.py"))
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


Stage = _load().Stage
NEVER = 1 << 62
RING_AND_TALK = [
    I(m.OP_LOOP, 1, 1, 0, 0),
    I(m.OP_LISTEN, 1, 1, 0, 0),
    I(m.OP_RINGING, 2, 1, 60_000_000, 0),
    I(m.OP_WAIT, 0, 0, 1_000_000, 0),
    I(m.OP_PULSES, 1, 20, 100_000, 100_000),
    I(m.OP_WAIT, 0, 0, 50_000_000, 0),
]


def _ringing(start_us: int = 0) -> tuple[Any, int]:
    """A plan at 1.5 s: in the middle of a train, listening, ringing allowed."""
    stage = Stage(start_us=start_us)
    t = stage.play(RING_AND_TALK)
    stage.run(t + 1_500_000)
    assert stage.closed() == [1]
    assert stage.pumps()[-1] == stage.now_us - stage.now_us % 10_000
    return stage, t


def _is_safe(stage: Any, since_us: int, reason: int) -> None:
    """Nothing moved after `since_us`, loops open, listening off, and both events say why."""
    assert stage.closed() == []
    assert stage.pumps()[-1] <= since_us
    assert [one[2] for one in stage.pins.log if one[1] == 4][-1] == 0
    assert stage.firmware.guard.state == m.G_OFF
    assert stage.firmware.sequencer.state == m.ENDED_EARLY
    assert stage.firmware.sequencer.reason == reason


def _told(stage: Any, reason: int) -> None:
    assert stage.events(m.EV_GUARD)[-1].value == m.G_OFF | reason << 8
    assert stage.events(m.EV_PLAN)[-1].value == m.ENDED_EARLY | reason << 8
    assert stage.events(m.EV_ENDED)[-1].value >> 16 == m.STOPPED


def test_boot_is_safe() -> None:
    stage = Stage()
    stage.run(5_000_000)
    assert stage.pumps() == []
    assert stage.closed() == []
    assert {one[1:] for one in stage.pins.log} == {(1, port, 0) for port in (1, 2, 3, 4)} | {(4, 0)}
    assert stage.wire == []


def test_silence_releases_everything_in_time() -> None:
    stage, _ = _ringing()
    stage.beat_us = NEVER
    last_us = stage.now_us - stage.now_us % 200_000  # at or before the last heartbeat's time
    stage.run(stage.now_us + 3_000_000)
    _is_safe(stage, last_us + 200_000 + 600_000, m.R_SILENCE)
    _told(stage, m.R_SILENCE)
    lost_us = stage.events(m.EV_PLAN)[-1].at_us
    beats = [one.now_us for one in stage.heard if type(one) is m.Beat]
    assert lost_us == beats[-1] + 600_000
    # The host is back: it hears what became of its plan, and nothing moves before a new hello.
    stage.beat_us = stage.now_us
    stage.run(stage.now_us + 300_000)
    assert [one for one in stage.heard if type(one) is m.Beat][-1].plan_state == m.ENDED_EARLY
    assert stage.ask(m.Start(5)).code == m.E_STATE
    assert stage.ask(m.StatusRequest(1)).reason == m.R_SILENCE
    stage.hello(2)
    assert stage.upload(6, [I(m.OP_WAIT, 0, 0, 1, 0)]) == [0, 0, 0, 0]


def test_commands_do_not_stand_in_for_a_heartbeat() -> None:
    stage, _ = _ringing()
    stage.beat_us = NEVER
    for nth in range(20):
        stage.do(stage.now_us + nth * 100_000, lambda nth=nth: stage.command(nth, m.Go(nth)))
    stage.run(stage.now_us + 2_000_000)
    assert stage.firmware.sequencer.reason == m.R_SILENCE


def test_stop() -> None:
    stage, _ = _ringing()
    now_us = stage.now_us
    assert stage.ask(m.Stop(m.R_STOP)).code == m.OK
    _is_safe(stage, now_us, m.R_STOP)
    _told(stage, m.R_STOP)
    stage.run(stage.now_us + 2_000_000)
    _is_safe(stage, now_us, m.R_STOP)
    assert stage.ask(m.Stop(m.R_STOP)).code == m.OK  # again: as safe as before


def test_another_hello() -> None:
    stage, _ = _ringing()
    now_us = stage.now_us
    assert type(stage.ask(m.Hello(m.PROTOCOL, m.TABLE_HASH, 99))) is m.Welcome
    stage.run(stage.now_us + 500_000)
    _is_safe(stage, now_us, m.R_NEW_HELLO)


def test_a_hello_of_another_version_is_refused_and_changes_nothing() -> None:
    for protocol, table in ((m.PROTOCOL + 1, m.TABLE_HASH), (m.PROTOCOL, m.TABLE_HASH ^ 1)):
        stage, _ = _ringing()
        answer = stage.ask(m.Hello(protocol, table, 3))
        assert answer.code == m.E_VERSION
        assert stage.firmware.sequencer.state == m.RUNNING


def test_the_same_hello_again_is_the_same_session() -> None:
    stage, _ = _ringing()
    stage.command(77, m.Hello(m.PROTOCOL, m.TABLE_HASH, 1))
    stage.run(stage.now_us + 10_000)
    assert stage.firmware.sequencer.state == m.RUNNING


@settings(max_examples=20, deadline=None)
@given(st.binary(min_size=2000, max_size=6000))
def test_a_flood_of_garbage_is_silence(data: bytes) -> None:
    stage, _ = _ringing()
    stage.beat_us = NEVER
    for nth in range(0, len(data), 100):
        stage.do(stage.now_us + nth * 300, lambda nth=nth: stage.pins.waiting.extend(data[nth : nth + 100]))
    stage.run(stage.now_us + 2_500_000)
    _is_safe(stage, stage.now_us - 1_000_000, m.R_SILENCE)


def test_a_full_event_queue_releases_and_says_so_once_there_is_room() -> None:
    stage, t = _ringing()
    stage.pins.space = 0  # the host's driver takes nothing more, but its heartbeats come
    for nth in range(700):
        stage.pins.at(t + 1_600_000 + nth * 4_000, 9, nth & 1)
        stage.pins.at(t + 1_600_000 + nth * 4_000, 13, nth & 1)
    stage.run(t + 5_000_000)
    at_us = stage.pins.log[-1][0]
    _is_safe(stage, at_us, m.R_OVERFLOW)
    assert at_us < t + 3_000_000
    assert stage.events(m.EV_OVERFLOW) == []
    stage.pins.space = 4096
    stage.run(t + 6_000_000)
    (told,) = stage.events(m.EV_OVERFLOW)
    assert told.value > 100
    after = [one for one in stage.events() if one.number > told.number]
    assert [one.value for one in after if one.kind == m.EV_PLAN] == [m.ENDED_EARLY | m.R_OVERFLOW << 8]
    assert [one.number for one in stage.events()] == list(range(len(stage.events())))


def test_a_new_host_does_not_hear_of_the_last_ones_overflow() -> None:
    stage, t = _ringing()
    stage.pins.space = 0
    for nth in range(700):
        stage.pins.at(t + 1_600_000 + nth * 4_000, 9, nth & 1)
    stage.run(t + 5_000_000)
    assert stage.firmware.sequencer.reason == m.R_OVERFLOW
    stage.pins.space = 4096
    stage.heard = []
    stage.hello(2)
    stage.run(stage.now_us + 1_000_000)
    assert stage.events() == []


@pytest.mark.parametrize("channel", [m.IN_CHAIN_A, m.IN_CHAIN_B])
def test_an_open_chain(channel: int) -> None:
    stage, _ = _ringing()
    now_us = stage.now_us
    stage.pins.input_bits &= ~channel
    stage.run(now_us + 1_000_000)
    _is_safe(stage, now_us, m.R_CHAIN)
    _told(stage, m.R_CHAIN)


@pytest.mark.parametrize("channel", [m.IN_CHAIN_A, m.IN_CHAIN_B])
def test_no_ringing_begins_with_an_open_chain(channel: int) -> None:
    stage = Stage()
    stage.pins.input_bits &= ~channel
    t = stage.play(RING_AND_TALK)
    stage.run(t + 1_000_000)
    assert stage.pumps() == []
    assert stage.events(m.EV_GUARD) == []
    assert stage.events(m.EV_PLAN)[-1].value == m.ENDED_EARLY | m.R_CHAIN << 8


def test_ringing_on_another_port_ends_the_plan() -> None:
    stage, _ = _ringing()
    now_us = stage.now_us
    stage.pins.at(now_us + 1000, 4 * 3 + m.RINGING, 1)
    stage.run(now_us + 500_000)
    _is_safe(stage, now_us + 21_000, m.R_UNEXPECTED_RINGING)
    _told(stage, m.R_UNEXPECTED_RINGING)


def test_ringing_on_the_named_port_does_not() -> None:
    stage, _ = _ringing()
    stage.pins.at(stage.now_us + 1000, 4 * 1 + m.RINGING, 1)
    stage.run(stage.now_us + 500_000)
    assert stage.firmware.sequencer.state == m.RUNNING
    assert stage.pumps()[-1] == stage.now_us - stage.now_us % 10_000


@pytest.mark.parametrize(("after_us", "ends"), [(50_000, False), (limits.UNEXPECTED_GRACE_US, True)])
def test_ringing_after_the_window_is_the_guards_release_only_for_a_moment(after_us: int, ends: bool) -> None:
    stage = Stage()
    t = stage.play([I(m.OP_RINGING, 2, 1, 100_000, 0), I(m.OP_WAIT, 0, 0, 2_000_000, 0)])
    stage.pins.at(t + 100_000 + after_us, 4 * 1 + m.RINGING, 1)
    stage.run(t + 600_000)
    assert (stage.firmware.sequencer.reason == m.R_UNEXPECTED_RINGING) == ends


def test_the_windows_own_limit_withdraws_and_the_plan_goes_on() -> None:
    stage = Stage()
    t = stage.play([I(m.OP_RINGING, 2, 1, 300_000, 0), I(m.OP_WAIT, 0, 0, 1_000_000, 0)])
    stage.run(t + 900_000)
    assert stage.pumps()[-1] < t + 300_000
    assert stage.events(m.EV_GUARD)[-1][1:] == (t + 300_000, m.EV_GUARD, 2, m.G_OFF | m.R_WINDOW << 8)
    assert stage.firmware.sequencer.state == m.RUNNING


@pytest.mark.parametrize("gap_us", [None, 500_000, 999_999, 1_100_000])
def test_windows_joined_end_to_end_are_one_window(gap_us: int | None) -> None:
    """Opening again, or closing for a moment, must not be a way past the board's own limit."""
    stage = Stage()
    plan = []
    for _ in range(20):
        plan += [I(m.OP_RINGING, 2, 1, 60_000_000, 0), I(m.OP_WAIT, 0, 0, 8_999_990, 0)]
        if gap_us is not None:
            plan += [I(m.OP_RINGING, 2, 0, 0, 0), I(m.OP_WAIT, 0, 0, gap_us, 0)]
    t = stage.play(plan)
    stage.run(t + 250_000_000)
    runs = [[stage.pumps()[0]]]
    for at_us in stage.pumps():
        if at_us - runs[-1][-1] >= limits.RING_REST_US + 2 * limits.PUMP_US:
            runs.append([])
        runs[-1].append(at_us)
    lengths = [run[-1] - run[0] for run in runs]
    most_us = 9_000_000 if gap_us == 1_100_000 else limits.RING_WINDOW_MS * 1000
    assert most_us - 1_050_000 < max(lengths) < most_us
    assert stage.firmware.sequencer.state in (m.FINISHED, m.RUNNING)
    assert len(runs) == (20 if gap_us == 1_100_000 else 2)


def test_no_rest_no_new_window() -> None:
    stage = Stage()
    ring = I(m.OP_RINGING, 2, 1, 60_000_000, 0)
    plan = [ring, I(m.OP_WAIT, 0, 0, 59_000_000, 0), ring, I(m.OP_WAIT, 0, 0, 31_900_000, 0), ring]
    t = stage.play(plan)
    stage.run(t + 100_000_000)
    assert stage.pumps()[-1] < t + limits.RING_WINDOW_MS * 1000
    assert stage.events(m.EV_PLAN)[-1][1:] == (t + 90_900_000, m.EV_PLAN, 0, m.ENDED_EARLY | m.R_WINDOW << 8)


def test_limits_are_tightened_and_never_loosened() -> None:
    stage = Stage()
    first = stage.hello()
    assert (first.heartbeat_ms, first.ring_window_ms) == (600, 90_000)
    assert stage.ask(m.Limits(601, 0)).code == m.E_LOOSER
    assert stage.ask(m.Limits(0, 90_001)).code == m.E_LOOSER
    assert stage.ask(m.Limits(500, 90_001)).code == m.E_LOOSER  # all or nothing
    assert stage.ask(m.Limits(100, 0)).code == m.E_RANGE  # a host beats every 200 ms
    assert stage.ask(m.Limits(0, 0)).code == m.OK
    assert stage.ask(m.Limits(400, 5_000)).code == m.OK
    assert stage.ask(m.Limits(401, 0)).code == m.E_LOOSER
    assert stage.ask(m.Limits(0, 5_001)).code == m.E_LOOSER
    assert stage.upload(1, [I(m.OP_RINGING, 2, 1, 5_000_001, 0)])[-2:] == [m.E_RANGE, 0]
    # A new hello is no way round it.
    again = stage.hello(2)
    assert (again.heartbeat_ms, again.ring_window_ms) == (400, 5_000)
    stage.play([*RING_AND_TALK[:2], I(m.OP_WAIT, 0, 0, 5_000_000, 0)])
    stage.beat_us = NEVER
    heard_us = stage.firmware._heard_us
    stage.run(heard_us + 399_999)
    assert stage.firmware.sequencer.state == m.RUNNING
    stage.run(heard_us + 400_000)
    assert stage.closed() == []
    assert stage.firmware.sequencer.reason == m.R_SILENCE


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 700), st.integers(0, 100_000)), min_size=1, max_size=20))
def test_no_sequence_of_limits_loosens(asks: list[tuple[int, int]]) -> None:
    stage = Stage()
    stage.hello()
    now = (600, 90_000)
    for nth, (heartbeat, window) in enumerate(asks):
        stage.ask(m.Limits(heartbeat, window), 100)
        if nth % 5 == 4:
            stage.hello(nth + 2)
        after = (stage.firmware.heartbeat_us // 1000, stage.firmware.guard.most_us // 1000)
        assert after[0] <= now[0]
        assert after[1] <= now[1]
        assert after[0] >= limits.HEARTBEAT_LEAST_MS
        now = after


def test_commands_before_any_hello() -> None:
    stage = Stage()
    for nth, message in enumerate((m.Begin(1, 1, 1, 2, 0, 0), m.Start(1), m.Go(1), m.Limits(300, 0))):
        stage.command(nth, message)
    stage.run(100_000)
    answers = [one for one in stage.heard if type(one) is m.Answer]
    assert [one.code for one in answers] == [m.E_STATE] * 4
    assert stage.firmware.heartbeat_us == 600_000


# The guard by itself.

moves = st.lists(
    st.tuples(
        st.integers(0, 400_000),
        st.sampled_from(["open", "close", "move", "move", "move", "check"]),
        st.integers(1, 4),  # port
        st.integers(1, 2_000_000),  # for_us
        st.integers(0, 63),  # inputs
        st.integers(0, 15),  # ringing
        st.booleans(),  # running
    ),
    max_size=60,
)


@settings(max_examples=300, deadline=None)
@given(moves=moves, most_us=st.integers(1, 3_000_000))
def test_guard_says_yes_only_when_everything_is_right(moves: list[Any], most_us: int) -> None:
    guard = g.Guard()
    guard.most_us = most_us
    now_us = 0
    window: tuple[int, int] | None = None  # (end, port) by a bookkeeping of its own
    first_us, closed_us = 0, -(10**9)
    for later_us, what, port, for_us, inputs, ringing, running in moves:
        now_us += later_us
        chain = inputs & 3 == 3
        if what == "open":
            others = ringing & ~(1 << (port - 1))
            start_us = first_us if window or now_us - closed_us < 1_000_000 else now_us
            allowed = chain and not others and start_us + most_us > now_us
            assert (guard.open(now_us, port, for_us, inputs, ringing) == m.R_NONE) == allowed
            if allowed:
                first_us = start_us
                window = (min(now_us + for_us, first_us + most_us), port)
        elif what == "close":
            assert guard.close(now_us) == (window is not None)
            closed_us = now_us if window else closed_us
            window = None
        elif what == "check":
            wrong = guard.check(now_us, ringing)
            if window is None:
                assert wrong == m.R_NONE
            else:
                expected = now_us >= window[0] or bool(ringing & ~(1 << (window[1] - 1)))
                assert (wrong != m.R_NONE) == expected
        else:
            yes = guard.move(now_us, running, inputs) == m.R_NONE
            assert yes == (window is not None and now_us < window[0] and chain and running)
            if yes:
                assert guard.next_us % 10_000 == 0
                assert now_us < guard.next_us <= now_us + 10_000
        assert (guard.state == m.G_ALLOWED) == (window is not None)
        assert guard.port == (window[1] if window else 0)


@settings(max_examples=60, deadline=None)
@given(
    plan=st.lists(
        st.one_of(
            st.builds(lambda x, a: I(m.OP_RINGING, 2, x, a, 0), st.integers(0, 1), st.integers(1, 900_000)),
            st.builds(lambda a: I(m.OP_WAIT, 0, 0, a, 0), st.integers(0, 700_000)),
        ),
        min_size=1,
        max_size=8,
    ),
    chain=st.lists(st.tuples(st.integers(0, 3_000_000), st.integers(0, 3)), max_size=3),
    quiet_us=st.integers(0, 4_000_000),
)
def test_the_pump_moves_only_while_allowed(
    plan: list[m.Instruction], chain: list[tuple[int, int]], quiet_us: int
) -> None:
    """Every move of the pump: on the grid, between 'allowed' and 'off', chain closed, heartbeat fresh, plan running."""
    stage = Stage()
    t = stage.play(plan)
    inputs = [(0, 31)]
    for at_us, bits in sorted(chain):
        inputs.append((t + at_us, 28 | bits))
        stage.do(t + at_us, lambda bits=bits: setattr(stage.pins, "input_bits", 28 | bits))
    stage.do(t + quiet_us, lambda: setattr(stage, "beat_us", NEVER))
    stage.run(t + 5_000_000)
    beats = [one.now_us for one in stage.heard if type(one) is m.Beat]
    spans = []
    began = None
    for one in stage.events(m.EV_GUARD):
        if one.value & 255 == m.G_ALLOWED:
            began = one.at_us if began is None else began
        else:
            assert began is not None
            spans.append((began, one.at_us))
            began = None
    assert began is None
    ends = [one.at_us for one in stage.events(m.EV_PLAN) if one.value & 255 != m.RUNNING]
    for at_us in stage.pumps():
        assert at_us % 10_000 == 0
        assert any(first <= at_us <= last for first, last in spans)
        assert [bits for when, bits in inputs if when < at_us][-1] & 3 == 3
        assert at_us - max(beat for beat in beats if beat <= at_us) < 600_000
        assert not ends or at_us <= ends[0]
    for first, last in spans:  # and it does move on every instant of the grid in between
        grid = list(range(first + -first % 10_000, last, 10_000))
        assert [at for at in stage.pumps() if first <= at < last] == grid
