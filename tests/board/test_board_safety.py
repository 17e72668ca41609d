"""Everything that must leave the board safe: loops open, pump still, and the reason told."""

from __future__ import annotations

import struct
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.board import guard as g
from demo_ctl.board import limits
from demo_ctl.board.identity import VERSION
from demo_ctl.board.petition import RELEASE_US
from demo_ctl.wire import messages as m
from demo_ctl.wire.codec import encode
from demo_ctl.wire.framing import frame
from tests.board.in_memory import Stage

I = m.Instruction  # noqa: E741
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
    assert stage.firmware.guard.live
    assert stage.pumps()[-1] == stage.now_us
    return stage, t


def _is_safe(stage: Any, since_us: int, reason: int) -> None:
    """Nothing moved after `since_us`, loops open, listening off, and both events say why."""
    assert stage.closed() == []
    assert stage.pumps()[-1] <= since_us
    assert [one[2] for one in stage.pins.log if one[1] == 4][-1] == 0
    assert not stage.firmware.guard.live
    if reason in g.IN_ORDER:
        assert stage.firmware.guard.state in (m.G_FALLING, m.G_SAFE)
    else:
        assert stage.firmware.guard.state == m.G_TRIPPED
        assert stage.firmware.guard.trip(0)[0] == reason
    assert stage.firmware.sequencer.state == m.ENDED_EARLY
    assert stage.firmware.sequencer.reason == reason


def _told(stage: Any, reason: int) -> None:
    state = m.G_FALLING if reason in g.IN_ORDER else m.G_TRIPPED
    assert state | reason << 8 in [one.value for one in stage.events(m.EV_GUARD)[-3:]]
    assert stage.events(m.EV_PLAN)[-1].value == m.ENDED_EARLY | reason << 8
    assert stage.events(m.EV_ENDED)[-1].value >> 16 == m.STOPPED


def test_boot_is_safe() -> None:
    stage = Stage()
    stage.run(5_000_000)
    assert stage.pumps() == []
    assert stage.closed() == []
    assert {one[1:] for one in stage.pins.log} == {(1, port, 0) for port in (1, 2, 3, 4)} | {(4, 0), (6, 0)}
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


BEAT = frame(encode(0, m.Heartbeat(0)))
HELLO = [frame(encode(nth, m.Hello(m.PROTOCOL, m.TABLE_HASH, 1))) for nth in range(256)]
QUEUED = 4096  # bytes that a computer's driver keeps for a program that has died
BACKLOGS = {
    "heartbeats": BEAT * (QUEUED // len(BEAT)),
    "heartbeats among commands": (BEAT + b"".join(frame(encode(0, m.Lamps(1, 0))) for _ in range(30))) * 10,
    "heartbeats in noise": (BEAT + b"\x55" * 299 + b"\0") * 13,
    "hellos of the same session": b"".join(HELLO)[:QUEUED],
    "hellos in noise": b"".join(each + b"\x55" * 299 + b"\0" for each in HELLO[:13]),
}


@pytest.mark.parametrize("pass_us", [1_000, 3_000, 9_000])
@pytest.mark.parametrize("what", BACKLOGS)
def test_what_a_dead_host_left_waiting_is_no_sign_of_life(what: str, pass_us: int) -> None:
    """Its driver goes on handing over what had been queued; a pass takes its time, and reads 16 bytes."""
    stage, _ = _ringing()
    run_once = stage.loop.run_once

    def slow() -> int:
        deadline_us = int(run_once())
        stage.pins.now_us += pass_us
        stage.pins.arrive()
        return max(deadline_us, int(stage.pins.now_us))

    stage.loop.run_once = slow
    stage.beat_us, stage.acks = NEVER, False
    died_us = stage.now_us
    stage.pins.waiting += BACKLOGS[what]
    stage.run(died_us + 6_000_000)
    assert not stage.pins.waiting
    assert died_us < stage.pumps()[-1] <= died_us + 600_000 + 2 * pass_us
    assert stage.firmware.guard.trip(0)[0] == m.R_SILENCE


@pytest.mark.parametrize("gap_us", [1_250, 12_500, 40_000])
def test_nor_is_what_comes_late_over_a_slow_way(gap_us: int) -> None:
    """Heartbeats that wait on the way, not here: one of 12 bytes each 12.5 ms is a line of 9,600 baud."""
    stage, _ = _ringing()
    stage.beat_us = NEVER
    died_us = stage.now_us
    for nth in range(QUEUED // len(BEAT)):
        stage.do(died_us + nth * gap_us, lambda: stage.pins.waiting.extend(BEAT))
    stage.run(died_us + 3_000_000)
    assert stage.pumps()[-1] <= died_us + 600_000 + 4 * gap_us
    assert stage.firmware.guard.trip(0)[0] == m.R_SILENCE


@settings(max_examples=60, deadline=None)
@given(held=st.lists(st.integers(0, 399_000), min_size=40, max_size=40))
def test_heartbeats_of_a_live_host_may_be_held_up_and_come_together(held: list[int]) -> None:
    """Each is held up for as long as it happens to be, and comes after those before it: ringing goes on."""
    stage, _ = _ringing()
    from_us = stage.beat_us
    stage.beat_us = NEVER
    comes_us = 0
    for nth, held_us in enumerate(held):
        comes_us = max(comes_us, from_us + nth * 200_000 + held_us)
        stage.do(comes_us, lambda: stage.command(0, m.Heartbeat(0)))
    stage.run(from_us + 200_000 * len(held))
    assert stage.firmware.guard.live
    assert stage.firmware.guard.trip_count == 0


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


@pytest.mark.parametrize(
    ("missing", "reason"),
    [
        (m.IN_CHAIN_A | m.IN_CHAIN_B, m.R_CHAIN),
        (m.IN_CHAIN_A, m.R_DISCREPANCY),
        (m.IN_CHAIN_B, m.R_DISCREPANCY),
        (m.IN_MIRROR_A, m.R_MIRROR),
        (m.IN_MIRROR_B, m.R_MIRROR),
        (m.IN_KEY | m.IN_CHAIN_A | m.IN_CHAIN_B, m.R_KEY),
    ],
)
def test_no_ringing_begins_while_something_is_open(missing: int, reason: int) -> None:
    stage = Stage()
    stage.turn_key()
    stage.pins.input_bits &= ~missing
    stage.run(stage.now_us + 400_000)
    t = stage.play(RING_AND_TALK, key=False)
    stage.run(t + 1_000_000)
    assert stage.pumps() == []
    assert m.G_LIVE not in [one.value & 255 for one in stage.events(m.EV_GUARD)]
    assert stage.events(m.EV_PLAN)[-1].value == m.ENDED_EARLY | reason << 8


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
    assert stage.pumps()[-1] == stage.now_us


@pytest.mark.parametrize(("after_us", "trips"), [(50_000, False), (RELEASE_US, True)])
def test_ringing_after_the_window_is_the_guards_release_only_for_a_moment(after_us: int, trips: bool) -> None:
    stage = Stage()
    ring = [I(m.OP_RINGING, 2, 1, 900_000, 0), I(m.OP_WAIT, 0, 0, 300_000, 0), I(m.OP_RINGING, 2, 0, 0, 0)]
    t = stage.play([*ring, I(m.OP_WAIT, 0, 0, 2_000_000, 0)])
    stage.pins.at(t + 300_000 + after_us, 4 * 1 + m.RINGING, 1)
    stage.pins.at(t + 300_000 + after_us + 90_000, 4 * 1 + m.RINGING, 0)
    stage.run(t + 1_000_000)
    assert (stage.firmware.sequencer.reason == m.R_UNEXPECTED_RINGING) == trips
    assert (stage.firmware.guard.state == m.G_TRIPPED) == trips


def test_ringing_that_goes_on_when_the_window_closes_trips() -> None:
    """It was there before, so no edge comes: the level tells."""
    stage = Stage()
    ring = [I(m.OP_RINGING, 2, 1, 900_000, 0), I(m.OP_WAIT, 0, 0, 500_000, 0), I(m.OP_RINGING, 2, 0, 0, 0)]
    t = stage.play([*ring, I(m.OP_WAIT, 0, 0, 2_000_000, 0)])
    stage.pins.at(t + 300_000, 4 * 1 + m.RINGING, 1)
    stage.run(t + 500_000 + RELEASE_US)
    assert stage.firmware.guard.state == m.G_TRIPPED
    assert stage.firmware.guard.interlock.reason == m.R_UNEXPECTED_RINGING
    assert stage.events(m.EV_PLAN)[-1].at_us == t + 500_000 + RELEASE_US


def test_the_windows_own_limit_trips() -> None:
    stage, t = Stage(), 0
    t = stage.play([I(m.OP_RINGING, 2, 1, 300_000, 0), I(m.OP_WAIT, 0, 0, 1_000_000, 0)])
    stage.run(t + 900_000)
    assert t + 290_000 <= stage.pumps()[-1] < t + 300_000
    _is_safe(stage, t + 300_000, m.R_WINDOW)
    _told(stage, m.R_WINDOW)


@pytest.mark.parametrize("gap_us", [None, 500_000, 1_100_000, 3_000_000])
def test_no_way_of_opening_windows_rings_longer_than_a_call_may(gap_us: int | None) -> None:
    """Opening again, or closing for a while, must not be a way past the board's own limit."""
    stage = Stage()
    plan = []
    for _ in range(20):
        plan += [I(m.OP_RINGING, 2, 1, 60_000_000, 0), I(m.OP_WAIT, 0, 0, 8_999_990, 0)]
        if gap_us is not None:
            plan += [I(m.OP_RINGING, 2, 0, 0, 0), I(m.OP_WAIT, 0, 0, gap_us, 0)]
    t = stage.play(plan)
    stage.run(t + 250_000_000)
    pumps = stage.pumps()
    live_us = sum(min(later - at, 10_000) for at, later in pairwise(pumps))
    assert 88_000_000 < live_us <= 90_000_000
    assert stage.firmware.sequencer.reason in (m.R_CALL, m.R_WINDOW)


def test_an_hours_ringing_is_never_exceeded_however_many_plans_ask() -> None:
    stage = Stage()
    plan = [
        I(m.OP_RINGING, 2, 1, 60_000_000, 0),
        I(m.OP_WAIT, 0, 0, 59_000_000, 0),
        I(m.OP_RINGING, 2, 0, 0, 0),
        I(m.OP_WAIT, 0, 0, 500_000, 0),
    ]
    t = stage.play(plan)
    reasons = set()
    while stage.now_us < t + 3_600_000_000:
        stage.run(stage.now_us + 61_000_000)
        reasons.add(stage.firmware.sequencer.reason)
        if stage.firmware.guard.state == m.G_TRIPPED:
            stage.turn_key()
        assert stage.ask(m.Start(5)).code in (m.OK, m.E_STATE)
        if stage.firmware.sequencer.state != m.RUNNING:
            assert stage.upload(5, plan) == [0, 0, 0, 0]
            stage.ask(m.Start(5))
    pumps = [at for at in stage.pumps() if at < t + 3_600_000_000]
    live_us = sum(min(later - at, 10_000) for at, later in pairwise(pumps))
    assert 750_000_000 < live_us <= 900_000_000
    assert m.R_HOUR in reasons


def test_a_burst_without_its_pause_trips() -> None:
    stage, t = _ringing()
    stage.pins.at(t + 2_000_000, 4 * 1 + m.RINGING, 1)
    stage.run(t + 8_000_000)
    # Counted from when ringing is known: after its filter on the called port.
    known_us = t + 2_000_000 + 82_000
    _is_safe(stage, known_us + 5_000_000, m.R_BURST)
    assert stage.events(m.EV_PLAN)[-1].at_us == known_us + 5_000_000


@pytest.mark.parametrize(
    ("what", "value", "reason", "within_us"),
    [
        ("bus_uA", 181_000, m.R_OVERCURRENT, 100_000),
        ("bus_mV", 101_000, m.R_OVERVOLTAGE, 50_000),
        ("supply_mV", 59_000, m.R_SUPPLY, 50_000),
        ("battery_mV", 41_000, m.R_SUPPLY, 50_000),
        ("readings", False, m.R_STALE, 210_000),
        ("low", True, m.R_MEMORY, 10_000),
    ],
)
def test_what_is_measured_trips(what: str, value: int, reason: int, within_us: int) -> None:
    stage, _ = _ringing()
    now_us = stage.now_us
    setattr(stage.pins, what, value)
    stage.run(now_us + 1_000_000)
    _is_safe(stage, now_us + within_us, reason)


def test_a_high_battery_lowers_the_ceiling() -> None:
    """(200 V - 56 V) / sqrt 2 is 101.8 V: not lower than 100. At 60 V it would be 99: no battery is sane then."""
    stage, _ = _ringing()
    stage.pins.battery_mV = 56_600
    stage.run(stage.now_us + 500_000)
    assert stage.firmware.guard.interlock.reason == m.R_SUPPLY


def test_a_relay_that_drops_out_is_noticed() -> None:
    stage, _ = _ringing()
    now_us = stage.now_us
    stage.pins.moves_from_us = 1 << 60  # never up
    stage.run(now_us + 500_000)
    _is_safe(stage, now_us + 10_000, m.R_MIRROR)


def test_a_telephone_off_the_hook_where_none_should_be() -> None:
    stage, _ = _ringing()
    now_us = stage.now_us
    stage.pins.at(now_us + 1_000, 4 * 2 + m.LOOP, 1)
    stage.run(now_us + 500_000)
    _is_safe(stage, now_us + 10_000, m.R_OFF_HOOK)


def test_a_watch_that_did_not_look_stops_the_pump() -> None:
    stage, _ = _ringing()
    now_us = stage.now_us
    stage.firmware.guard.petition.trips = lambda *_: m.R_NONE
    take = stage.firmware._in_order

    def forgets() -> Any:
        left_over = take()
        stage.firmware.guard.tokens = 0
        return left_over

    stage.firmware._in_order = forgets
    stage.run(now_us + 100_000)
    _is_safe(stage, now_us + 10_000, m.R_TOKEN)


def test_a_late_pass_while_live_trips() -> None:
    for late_us, reason in ((20_000, m.R_NONE), (20_001, m.R_LOOP), (1_000_000, m.R_CLOCK)):
        stage, _ = _ringing()
        stage.beat_us = NEVER
        stage.firmware._heard_us += 2_000_000  # it is the pass that is late here, not the heartbeat
        stage.pins.now_us += late_us
        stage.run(stage.now_us)
        assert stage.firmware.guard.interlock.reason == reason
        assert (stage.firmware.guard.state == m.G_TRIPPED) == (reason != m.R_NONE)


def test_boot_is_locked_until_the_key_goes_off_and_on() -> None:
    stage = Stage()
    stage.run(300_000)
    stage.hello()
    assert stage.ask(m.SafetyRequest(1)).state == m.G_LOCKED
    assert stage.ask(m.SafetyRequest(2)).obstacle == m.R_LOCKED
    assert not any(stage.upload(5, RING_AND_TALK))
    stage.ask(m.Start(5))
    stage.run(stage.now_us + 500_000)
    assert stage.firmware.sequencer.reason == m.R_LOCKED
    assert stage.pumps() == []
    stage.turn_key()
    assert stage.ask(m.SafetyRequest(3)).obstacle == m.R_NONE


def test_a_trip_is_left_by_the_key_and_by_nothing_that_a_host_says() -> None:
    stage, _ = _ringing()
    stage.pins.input_bits &= ~m.IN_CHAIN_A
    stage.run(stage.now_us + 100_000)
    stage.pins.input_bits |= m.IN_CHAIN_A
    for nonce in (3, 4):
        stage.hello(nonce)
        for message in (m.Stop(1), m.Tighten(m.L_BURST_MS, 4000), m.Permit(1000, 0), m.Permit(0, 40), m.Go(1)):
            stage.ask(message)
        stage.upload(5, RING_AND_TALK)
        stage.ask(m.Start(5))
        stage.run(stage.now_us + 1_000_000)
        assert stage.firmware.guard.state == m.G_TRIPPED
        assert stage.firmware.sequencer.reason == m.R_CHAIN
    stage.turn_key()
    assert stage.firmware.guard.state == m.G_SAFE


def test_a_key_that_does_not_open_a_channel_keeps_the_guard_tripped() -> None:
    for stuck in (m.IN_CHAIN_A, m.IN_CHAIN_B):
        stage = Stage()
        stage.pins.input_bits &= ~(m.IN_KEY | 3)
        stage.pins.input_bits |= stuck
        stage.run(150_000)
        stage.pins.input_bits |= m.IN_KEY | 3
        stage.run(300_000)
        assert stage.firmware.guard.state == m.G_TRIPPED
        assert stage.firmware.guard.interlock.reason == m.R_STUCK_CHAIN


def test_night_wants_covers_proven_and_nobody_there_and_rings_board_ports_only() -> None:
    ring = [I(m.OP_RINGING, 2, 1, 5_000_000, 0), I(m.OP_WAIT, 0, 0, 2_000_000, 0), I(m.OP_RINGING, 2, 0, 0, 0)]
    for missing, roles, reason in (
        (0, (1, m.CALLED, 0, 0), m.R_NONE),
        (0, (1, m.MONITORED, 0, 0), m.R_PLACE),
        (m.IN_ALONE, (1, m.CALLED, 0, 0), m.R_PRESENCE),
        (m.IN_COVERS, (1, m.CALLED, 0, 0), m.R_COVERS),
    ):
        stage = Stage()
        stage.turn_key()
        stage.pins.input_bits |= m.IN_NIGHT
        stage.pins.input_bits &= ~missing
        t = stage.play(ring, roles)
        assert stage.ask(m.SafetyRequest(1)).mode == m.MODE_NIGHT
        stage.run(t + 3_000_000)
        assert stage.firmware.sequencer.reason == reason
        assert bool(stage.pumps()) == (reason == m.R_NONE)


@pytest.mark.parametrize(("missing", "reason"), [(m.IN_ALONE, m.R_PRESENCE), (m.IN_COVERS, m.R_COVERS)])
def test_at_night_presence_means_stop(missing: int, reason: int) -> None:
    stage = Stage()
    stage.turn_key()
    stage.pins.input_bits |= m.IN_NIGHT
    t = stage.play([I(m.OP_RINGING, 2, 1, 20_000_000, 0), I(m.OP_WAIT, 0, 0, 20_000_000, 0)])
    stage.run(t + 1_000_000)
    assert stage.firmware.guard.live
    stage.pins.input_bits &= ~missing
    stage.run(t + 2_000_000)
    _is_safe(stage, t + 1_000_000, reason)


def test_night_has_limits_of_its_own() -> None:
    stage = Stage()
    stage.pins.input_bits |= m.IN_NIGHT
    welcome = stage.hello()
    assert welcome.ring_window_ms == 30_000
    assert stage.upload(1, [I(m.OP_RINGING, 2, 1, 30_000_001, 0)])[-2:] == [m.E_RANGE, 0]


def test_a_visitors_session_is_opened_at_the_key_and_ends_by_itself() -> None:
    stage = Stage()
    stage.turn_key()
    on_us = stage.now_us
    stage.hello()
    session = [I(m.OP_RINGING, 2, 1, 30_000_000, 0), I(m.OP_WAIT, 0, 0, 25_000_000, 0), I(m.OP_RINGING, 2, 0, 0, 0)]
    roles = (1, m.MONITORED, 0, 0)
    assert not any(stage.upload(5, [*session, I(m.OP_WAIT, 0, 0, 600_000_000, 0)], roles, m.PLAN_VISITORS))
    assert stage.ask(m.Start(5)).code == m.OK
    stage.run(stage.now_us + 1_000_000)
    assert stage.ask(m.SafetyRequest(1)).mode == m.MODE_VISITORS
    assert stage.firmware.guard.live
    # Half an hour after the key was turned no session begins, and one that runs ends.
    stage.run(on_us + 1_799_000_000)
    assert not any(stage.upload(6, [*session, I(m.OP_WAIT, 0, 0, 600_000_000, 0)], roles, m.PLAN_VISITORS))
    assert stage.ask(m.Start(6)).code == m.OK
    stage.run(on_us + 1_801_000_000)
    assert stage.firmware.sequencer.reason == m.R_VISITORS
    assert stage.firmware.guard.state == m.G_SAFE
    assert not any(stage.upload(7, session, roles, m.PLAN_VISITORS))
    assert stage.ask(m.Start(7)).code == m.E_STATE


def test_the_supply_permit_is_a_lease_and_an_alarm_latches_it() -> None:
    stage = Stage()
    stage.turn_key()
    stage.hello()
    assert stage.ask(m.Permit(1000, 0)).detail == m.R_KEY  # by day the key's own contact holds the contactor
    stage.pins.input_bits |= m.IN_NIGHT
    assert stage.ask(m.Permit(1000, 0)).code == m.OK
    began_us = stage.now_us
    stage.run(began_us + 3_000_000)
    moves = [one[0] for one in stage.pins.log if one[1] == 5]
    assert 95 <= len(moves) <= 101
    assert moves[-1] < began_us + 1_000_000
    assert stage.events(m.EV_PERMIT)[-1].value == m.R_LEASE << 8
    assert stage.ask(m.Permit(9000, 0)).code == m.OK
    stage.pins.input_bits &= ~m.IN_SMOKE
    stage.run(stage.now_us + 1_000_000)
    assert stage.events(m.EV_PERMIT)[-1].value == m.R_SMOKE << 8
    stage.pins.input_bits |= m.IN_SMOKE
    assert stage.ask(m.Permit(9000, 0)).detail == m.R_SMOKE
    stage.turn_key()
    assert stage.ask(m.Permit(9000, 0)).code == m.OK


def test_what_is_in_force_can_be_read_back_and_proved() -> None:
    stage = Stage()
    stage.hello()
    before = stage.ask(m.LimitsRequest(1))
    values = struct.unpack("<26I", before.data)
    assert values == tuple(limits.safety_limits())
    assert before.digest == m.limits_digest(before.data, VERSION)
    assert stage.ask(m.Tighten(m.L_BURST_MS, 4000)).code == m.OK
    after = stage.ask(m.LimitsRequest(2))
    assert after.digest != before.digest
    assert struct.unpack("<26I", after.data)[m.L_BURST_MS] == 4000


def test_limits_are_tightened_and_never_loosened() -> None:
    stage = Stage()
    first = stage.hello()
    assert (first.heartbeat_ms, first.ring_window_ms) == (600, 90_000)
    for which, value, code in (
        (m.L_HEARTBEAT_MS, 601, m.E_LOOSER),
        (m.L_WINDOW_MS, 90_001, m.E_LOOSER),
        (m.L_HEARTBEAT_MS, 249, m.E_RANGE),  # a host beats every 200 ms
        (m.L_BURST_MS, 0, m.E_RANGE),
        (m.L_PAUSE_MS, 800, m.E_RANGE),  # a constant
        (m.L_KEY_US, 1, m.E_RANGE),
        (255, 1, m.E_RANGE),
        (m.L_HEARTBEAT_MS, 400, m.OK),
        (m.L_WINDOW_MS, 5_000, m.OK),
        (m.L_HEARTBEAT_MS, 401, m.E_LOOSER),
        (m.L_WINDOW_MS, 5_001, m.E_LOOSER),
    ):
        assert stage.ask(m.Tighten(which, value)).code == code
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
@given(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 1_000_000)), min_size=1, max_size=20))
def test_no_sequence_of_commands_loosens(asks: list[tuple[int, int]]) -> None:
    stage = Stage()
    stage.hello()
    now = limits.safety_limits()
    for nth, (which, value) in enumerate(asks):
        stage.ask(m.Tighten(which, value), 100)
        if nth % 5 == 4:
            stage.hello(nth + 2)
        after = list(stage.firmware.guard.limits)
        assert all(new <= old for new, old in zip(after, now, strict=True))
        assert after[m.L_PAUSE_MS :] == now[m.L_PAUSE_MS :]
        assert stage.firmware.heartbeat_us == after[m.L_HEARTBEAT_MS] * 1000 >= limits.HEARTBEAT_LEAST_MS * 1000
        now = after


def test_commands_before_any_hello() -> None:
    stage = Stage()
    for nth, message in enumerate((m.Begin(1, 1, 1, 2, 0, 0, 0), m.Start(1), m.Go(1), m.Tighten(0, 300))):
        stage.command(nth, message)
    stage.run(100_000)
    answers = [one for one in stage.heard if type(one) is m.Answer]
    assert [one.code for one in answers] == [m.E_STATE] * 4
    assert stage.firmware.heartbeat_us == 600_000


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
    """Every move: between 'allowed' and its end, chain closed, heartbeat fresh, plan running; every 10 ms."""
    stage = Stage()
    t = stage.play(plan)
    fine = stage.pins.input_bits
    inputs = [(0, fine)]
    for at_us, bits in sorted(chain):
        inputs.append((t + at_us, fine & ~3 | bits))
        stage.do(t + at_us, lambda bits=bits: setattr(stage.pins, "input_bits", fine & ~3 | bits))
    stage.do(t + quiet_us, lambda: setattr(stage, "beat_us", NEVER))
    stage.run(t + 5_000_000)
    beats = [one.now_us for one in stage.heard if type(one) is m.Beat]
    spans = []
    began = None
    for one in stage.events(m.EV_GUARD):
        if one.value & 255 == m.G_LIVE:
            assert began is None
            began = one.at_us
        elif began is not None:
            assert one.value & 255 in (m.G_FALLING, m.G_TRIPPED)
            spans.append((began, one.at_us))
            began = None
    assert began is None
    ends = [one.at_us for one in stage.events(m.EV_PLAN) if one.value & 255 != m.RUNNING]
    for at_us in stage.pumps():
        assert any(first <= at_us <= last for first, last in spans)
        assert [bits for when, bits in inputs if when < at_us or not when][-1] & 3 == 3
        assert at_us - max(beat for beat in beats if beat <= at_us) < 600_000
        assert not ends or at_us <= ends[0]
    for first, last in spans:  # and it does move, every 10 ms in between
        moves = list(range(first, last, 10_000))
        assert [at for at in stage.pumps() if first <= at < last] == moves


# What an attacker tried.


def test_a_storm_of_edges_does_not_hide_ringing_on_another_port() -> None:
    """More edges than the passes take: what is known of the lines is old, and that is no watch."""
    stage, _ = _ringing()
    pins = stage.pins
    pins.readings = True
    began_us = stage.now_us
    stage.beat_us = NEVER
    for nth in range(2000):
        pins.edges.append((pins.now_us & (1 << 30) - 1, 1 << 1 | nth & 1)) if len(pins.edges) < 256 else None
        pins.lost += 3
        pins.now_us += 9_000  # a pass takes so long
        stage.firmware._heard_us = pins.now_us
        stage.deadline_us = stage.loop.run_once()
        for _ in range(4):
            pins.edges.append((pins.now_us & (1 << 30) - 1, 1 << 1 | nth & 1))
        if stage.firmware.guard.state == m.G_TRIPPED:
            break
    assert stage.firmware.guard.trip(0)[0] == m.R_TOKEN
    assert pins.now_us - began_us < 100_000


@pytest.mark.parametrize("channel", [m.IN_CHAIN_A, 0])
def test_a_trip_that_meets_a_full_queue_is_told_as_a_trip(channel: int) -> None:
    stage, t = _ringing()
    stage.pins.space = 0
    for nth in range(126 if channel else 700):
        stage.pins.at(t + 1_600_000 + nth * 4_000, 9, nth & 1)
        if not channel:
            stage.pins.at(t + 1_600_000 + nth * 4_000, 13, nth & 1)
    stage.do(t + 1_600_000 + 126 * 4_000, lambda: setattr(stage.pins, "input_bits", stage.pins.input_bits & ~channel))
    stage.run(t + 5_000_000)
    stage.pins.space = 4096
    stage.run(t + 6_000_000)
    told = stage.events(m.EV_GUARD)[-1]
    assert told.value & 255 == m.G_TRIPPED
    assert stage.firmware.guard.trip(0)[0] == told.value >> 8


@pytest.mark.parametrize("alarm", [m.IN_SMOKE, m.IN_FUSE, m.IN_RELEASE, m.IN_SUPERVISORY])
def test_an_alarm_at_night_ends_ringing(alarm: int) -> None:
    stage = Stage()
    stage.turn_key()
    stage.pins.input_bits |= m.IN_NIGHT
    t = stage.play([I(m.OP_RINGING, 2, 1, 20_000_000, 0), I(m.OP_WAIT, 0, 0, 20_000_000, 0)])
    stage.run(t + 1_000_000)
    assert stage.firmware.guard.live
    stage.pins.input_bits &= ~alarm
    stage.run(t + 2_000_000)
    assert stage.pumps()[-1] <= t + 1_000_000
    reasons = {m.IN_SMOKE: m.R_SMOKE, m.IN_FUSE: m.R_FUSE, m.IN_RELEASE: m.R_RELEASE}
    assert stage.firmware.sequencer.reason == reasons.get(alarm, m.R_SUPERVISORY)


def test_turning_the_key_to_night_ends_a_ring_that_may_not_be_by_night() -> None:
    stage = Stage()
    t = stage.play([I(m.OP_RINGING, 2, 1, 60_000_000, 0), I(m.OP_WAIT, 0, 0, 50_000_000, 0)], (1, m.MONITORED, 0, 0))
    stage.run(t + 1_000_000)
    assert stage.firmware.guard.live
    stage.pins.input_bits |= m.IN_NIGHT
    stage.run(t + 2_000_000)
    assert stage.pumps()[-1] <= t + 1_000_000
    assert stage.firmware.sequencer.reason == m.R_PLACE


def test_turning_the_key_to_night_shortens_the_window_that_is_open() -> None:
    stage = Stage()
    t = stage.play([I(m.OP_RINGING, 2, 1, 60_000_000, 0), I(m.OP_WAIT, 0, 0, 59_000_000, 0)])
    stage.run(t + 1_000_000)
    stage.pins.input_bits |= m.IN_NIGHT
    stage.run(t + 60_000_000)
    assert stage.pumps()[-1] <= t + 30_000_000


def test_a_bus_that_reads_quiet_while_live_is_no_reading_to_trust() -> None:
    stage, t = _ringing()
    stage.pins.bus_mV = 0
    stage.run(t + 3_000_000)
    assert stage.firmware.guard.trip(0)[0] == m.R_DEAD_BUS
    assert stage.pumps()[-1] <= t + 1_500_000 + 60_000


@pytest.mark.parametrize("between", [False, True])
def test_the_visitors_budget_is_that_of_the_session_whatever_plans_it_has(between: bool) -> None:
    stage = Stage()
    stage.turn_key()
    stage.hello()
    ring = [I(m.OP_RINGING, 2, 1, 30_000_000, 0), I(m.OP_WAIT, 0, 0, 28_000_000, 0), I(m.OP_RINGING, 2, 0, 0, 0)]
    live_us = 0
    for plan in range(1, 12):
        before = len(stage.pumps())
        assert not any(stage.upload(plan, ring, (1, m.MONITORED, 0, 0), m.PLAN_VISITORS))
        stage.ask(m.Start(plan))
        stage.run(stage.now_us + 29_000_000)
        live_us += (len(stage.pumps()) - before) * 10_000
        if stage.firmware.guard.state == m.G_TRIPPED or stage.firmware.sequencer.state == m.ENDED_EARLY:
            break
        if between:  # an ordinary call has a budget of its own, and gives the session nothing back
            assert not any(stage.upload(100 + plan, [I(m.OP_WAIT, 0, 0, 1_000_000, 0)]))
            stage.ask(m.Start(100 + plan))
            stage.run(stage.now_us + 2_000_000)
    assert 140_000_000 < live_us <= 180_000_000
    assert stage.firmware.sequencer.reason in (m.R_CALL, m.R_HOUR)


@pytest.mark.parametrize("dip_ms", [20, 90, 120, 250, 350, 1000])
def test_inputs_that_lose_their_supply_are_no_key(dip_ms: int) -> None:
    """All inputs read 0, as if the key were off and the chain open; but so do the mirror contacts."""
    stage, _ = _ringing()
    fine = stage.pins.input_bits
    stage.pins.input_bits &= ~m.IN_CHAIN_A
    stage.run(stage.now_us + 500_000)
    for bits in (0, fine, 0, fine):
        stage.pins.input_bits = bits
        stage.run(stage.now_us + dip_ms * 1000)
    assert stage.firmware.guard.state == m.G_TRIPPED
    # And at boot, when their supply comes late.
    stage = Stage()
    stage.pins.input_bits = 0
    stage.run(dip_ms * 1000)
    stage.pins.input_bits = fine
    stage.run(stage.now_us + 500_000)
    assert stage.firmware.guard.state in (m.G_LOCKED, m.G_TRIPPED)
    stage.turn_key()
    if stage.firmware.guard.state == m.G_LOCKED:
        stage.turn_key()
    assert stage.firmware.guard.state == m.G_SAFE


def test_a_loose_wire_of_the_key_does_not_reset_a_trip_while_a_cover_is_open() -> None:
    stage, _ = _ringing()
    fine = stage.pins.input_bits
    cover = fine & ~3
    for bits in (cover, cover & ~m.IN_KEY, cover, fine):
        stage.pins.input_bits = bits
        stage.run(stage.now_us + 500_000)
    assert stage.firmware.guard.state == m.G_LOCKED
    assert stage.firmware.guard.obstacle() == m.R_CHAIN
    stage.turn_key()
    assert stage.firmware.guard.state == m.G_SAFE


@pytest.mark.parametrize("tripped", [True, False], ids=["tripped", "since boot"])
def test_a_loose_wire_of_the_key_and_a_cover_that_closes_again_are_no_turn_of_the_key(tripped: bool) -> None:
    stage = _ringing()[0] if tripped else Stage()
    fine = stage.pins.input_bits
    cover = fine & ~3
    for bits in (cover, cover & ~m.IN_KEY, fine & ~m.IN_KEY, fine):
        stage.pins.input_bits = bits
        stage.run(stage.now_us + 500_000)
    guard = stage.firmware.guard
    assert (guard.state, guard.obstacle()) == (m.G_TRIPPED, m.R_STUCK_CHAIN)
    stage.run(stage.now_us + 5_000_000)
    assert guard.state == m.G_TRIPPED
    stage.turn_key()
    assert guard.state == m.G_SAFE


@pytest.mark.parametrize("loose_us", [90_000, 150_000, 300_000, 3_000_000])
def test_a_loose_wire_of_the_key_does_not_free_an_alarms_latch(loose_us: int) -> None:
    stage = Stage()
    stage.turn_key()
    stage.hello()
    stage.pins.input_bits |= m.IN_NIGHT
    assert stage.ask(m.Permit(9000, 0)).code == m.OK
    stage.pins.input_bits &= ~m.IN_SMOKE
    stage.run(stage.now_us + 200_000)
    stage.pins.input_bits |= m.IN_SMOKE
    stage.pins.input_bits &= ~m.IN_KEY
    stage.run(stage.now_us + loose_us)
    stage.pins.input_bits |= m.IN_KEY
    stage.run(stage.now_us + 500_000)
    stage.hello()
    assert stage.ask(m.Permit(9000, 0)).detail == m.R_SMOKE
    night = stage.pins.input_bits
    stage.turn_key()
    stage.pins.input_bits = night
    stage.hello()
    assert stage.ask(m.Permit(9000, 0)).code == m.OK


#: What the expander reads: with it gone, all of it is 0.
EXPANDED = m.IN_NIGHT | m.IN_COVERS | m.IN_ALONE | m.IN_FUSE | m.IN_RELEASE | m.IN_SUPERVISORY | m.IN_SMOKE


@pytest.mark.parametrize("lost", [m.IN_NIGHT, EXPANDED], ids=["night contact", "expander"])
def test_no_broken_wire_makes_day_of_a_night(lost: int) -> None:
    stage = Stage()
    stage.turn_key()
    stage.pins.input_bits |= m.IN_NIGHT
    stage.hello()
    stage.upload(1, [I(m.OP_RINGING, 2, 1, 20_000_000, 0), I(m.OP_WAIT, 0, 0, 20_000_000, 0)])
    assert stage.ask(m.Start(1)).code == m.OK
    stage.run(stage.now_us + 1_000_000)
    guard = stage.firmware.guard
    assert guard.live
    stage.pins.input_bits &= ~lost
    at_us = stage.now_us
    stage.run(at_us + 1_000_000)
    assert not guard.live
    assert stage.pumps()[-1] <= at_us + 20_000
    assert stage.firmware.sequencer.reason == m.R_NIGHT_LOST
    assert guard.mode == m.MODE_NIGHT
    assert guard.obstacle() == m.R_NIGHT_LOST
    stage.pins.input_bits |= EXPANDED & ~m.IN_NIGHT
    stage.run(stage.now_us + 1_000_000)
    assert guard.obstacle() == m.R_NIGHT_LOST  # it may be the key at day: then it is turned off first
    stage.turn_key()
    assert (guard.mode, guard.obstacle()) == (m.MODE_DAY, m.R_NONE)


def test_what_is_worse_than_the_trip_becomes_known_while_it_is_tripped() -> None:
    stage, _ = _ringing()
    stage.pins.welded = True
    stage.pins.input_bits &= ~3  # a cover opens, and the isolating contactor stays
    stage.run(stage.now_us + 1_000_000)
    trip = stage.firmware.guard.trip(0)
    assert (trip[0], trip[1]) == (m.R_CHAIN, m.R_ISOLATOR)
    assert stage.firmware.guard.obstacle() == m.R_ISOLATOR


def test_ringing_on_a_line_while_tripped_is_told() -> None:
    stage, _ = _ringing()
    stage.pins.input_bits &= ~3
    stage.run(stage.now_us + 1_000_000)
    assert stage.firmware.guard.trip(0)[1] == m.R_NONE
    stage.pins.at(stage.now_us, 4 * 2 + m.RINGING, 1)
    stage.run(stage.now_us + 1_000_000)
    trip = stage.firmware.guard.trip(0)
    assert (trip[0], trip[1]) == (m.R_CHAIN, m.R_UNEXPECTED_RINGING)
