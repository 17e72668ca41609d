"""The firmware's law: extra calls of step at any instants change no event, no output and no byte."""

from __future__ import annotations

import sys
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from demo_ctl.wire import messages as m
from tests.board.in_memory import Stage

I = m.Instruction  # noqa: E741
WRAP = 1 << 30

waits = st.builds(lambda a: I(m.OP_WAIT, 0, 0, a, 0), st.integers(0, 400_000))
loops = st.builds(lambda p, x: I(m.OP_LOOP, p, x, 0, 0), st.integers(1, 2), st.integers(0, 1))
trains = st.builds(
    lambda n, a, b: I(m.OP_PULSES, 1, n, a, b), st.integers(1, 4), st.integers(5000, 70_000), st.integers(5000, 70_000)
)
awaits = st.builds(
    lambda p, s, n, a, b: I(m.OP_WAIT_FOR, p, s | n << 8, a, b),
    st.integers(1, 2),
    st.integers(0, 7),
    st.integers(1, 2),
    st.integers(0, 500_000),
    st.integers(0, 1),
)
gates = st.builds(lambda a, b: I(m.OP_GATE, 0, 4, a, b), st.integers(0, 300_000), st.integers(0, 1))
listens = st.builds(lambda p, x: I(m.OP_LISTEN, p, x, 0, 0), st.integers(1, 2), st.integers(0, 1))
rings = st.builds(lambda x, a: I(m.OP_RINGING, 2, x, a, 0), st.integers(0, 1), st.integers(1, 900_000))
plans = st.lists(st.one_of(waits, loops, trains, awaits, gates, listens, rings), min_size=1, max_size=12)

edges = st.lists(st.tuples(st.integers(0, 1_500_000), st.integers(0, 15), st.integers(0, 1)), max_size=30)
bursts = st.lists(st.tuples(st.integers(0, 1_500_000), st.integers(0, 15), st.integers(1, 200)), max_size=2)


def _scene(
    start_us: int,
    plan: list[m.Instruction],
    edges: list[tuple[int, int, int]],
    bursts: list[tuple[int, int, int]],
    chain_opens_us: int,
    quiet_us: int,
    extra: list[int],
) -> Any:
    stage = Stage(start_us=start_us)
    stage.extra = sorted(start_us + at for at in extra)
    t = stage.play(plan)
    for at_us, bit, level in edges:
        stage.pins.at(t + at_us, bit, level)
    for at_us, bit, many in bursts:
        for nth in range(many):
            stage.pins.at(t + at_us + nth * 300, bit, nth & 1)
    stage.do(t + 200_000, lambda: stage.command(200, m.Go(4)))
    stage.do(t + chain_opens_us, lambda: setattr(stage.pins, "input_bits", m.IN_CHAIN_B))
    stage.do(t + quiet_us, lambda: setattr(stage, "beat_us", 1 << 62))
    stage.run(t + 2_000_000)
    return stage


@settings(max_examples=120, deadline=None)
@given(
    start_us=st.sampled_from([0, 3, WRAP - 700_000, WRAP - 1]),
    plan=plans,
    edges=edges,
    bursts=bursts,
    chain_opens_us=st.integers(0, 3_000_000),
    quiet_us=st.integers(0, 3_000_000),
    extra=st.lists(st.integers(0, 2_100_000), min_size=1, max_size=200),
)
def test_extra_steps_change_nothing(
    start_us: int,
    plan: list[m.Instruction],
    edges: list[tuple[int, int, int]],
    bursts: list[tuple[int, int, int]],
    chain_opens_us: int,
    quiet_us: int,
    extra: list[int],
) -> None:
    plain = _scene(start_us, plan, edges, bursts, chain_opens_us, quiet_us, [])
    busy = _scene(start_us, plan, edges, bursts, chain_opens_us, quiet_us, extra)
    assert busy.passes >= plain.passes
    assert busy.pins.log == plain.pins.log
    assert busy.events() == plain.events()
    assert busy.wire == plain.wire


#: A window of 1,681 us. The guard is safe again with a reading of the bus, which is numbered from the start here: were
#: they numbered by the clock's own multiples, the last event would come 26 ms sooner or later.
SHORT_WINDOW = [
    I(m.OP_WAIT_FOR, 1, 1 << 8, 0, 0),
    I(m.OP_WAIT, 0, 0, 0, 0),
    I(m.OP_WAIT, 0, 0, 120_000, 0),
    I(m.OP_PULSES, 1, 2, 70_000, 19_320),
    I(m.OP_RINGING, 2, 1, 1681, 0),
    I(m.OP_WAIT, 0, 0, 1000, 0),
]


@settings(max_examples=30, deadline=None)
@example(plan=SHORT_WINDOW, edges=[], before_us=6001)
@example(plan=SHORT_WINDOW, edges=[], before_us=26_000)
@given(plan=plans, edges=edges, before_us=st.integers(1, 2_000_000))
def test_the_counters_turn_is_not_seen(
    plan: list[m.Instruction], edges: list[tuple[int, int, int]], before_us: int
) -> None:
    """A plan during which ticks wrap at 2**30 does what it does without the wrap, shifted."""
    shift = WRAP - before_us
    early = _scene(0, plan, edges, [], 3_000_000, 3_000_000, [])
    late = _scene(shift, plan, edges, [], 3_000_000, 3_000_000, [])
    assert [(at + shift, *rest) for at, *rest in early.pins.log] == late.pins.log
    assert [one._replace(at_us=one.at_us + shift) for one in early.events()] == late.events()


def test_every_instruction_ends_exactly_once() -> None:
    plan = [
        I(m.OP_WAIT, 0, 0, 1000, 0),
        I(m.OP_LOOP, 1, 1, 0, 0),
        I(m.OP_WAIT_FOR, 1, 1 << 8 | 1, 100_000, 1),
        I(m.OP_PULSES, 1, 2, 50_000, 50_000),
        I(m.OP_LISTEN, 1, 1, 0, 0),
        I(m.OP_RINGING, 2, 1, 950_000, 0),
        I(m.OP_GATE, 0, 4, 900_000, 0),
        I(m.OP_RINGING, 2, 0, 0, 0),
        I(m.OP_WAIT, 0, 0, 100_000, 0),
    ]
    stage = _scene(0, plan, [], [], 3_000_000, 3_000_000, [])
    ended = [one.value & 0xFFFF for one in stage.events(m.EV_ENDED)]
    assert ended == list(range(len(plan)))
    began = [one.value for one in stage.events(m.EV_BEGAN)]
    assert began == [2, 3, 6]
    assert stage.events(m.EV_PLAN)[-1].value == m.FINISHED


def _calls(loop: Any) -> list[int]:
    """Count the calls, of Python and of built-ins, that each pass of this loop makes from now on."""
    counts: list[int] = []
    run_once = loop.run_once

    def counted() -> Any:
        count = 0

        def note(frame: Any, event: str, argument: Any) -> None:
            nonlocal count
            count += event in ("call", "c_call")

        sys.setprofile(note)
        try:
            return run_once()
        finally:
            sys.setprofile(None)
            counts.append(count)

    loop.run_once = counted
    return counts


MOST_CALLS = 340  # see limits.py: under 10 ms on the chip, its pins included


def test_an_idle_pass_is_short() -> None:
    stage = Stage()
    stage.hello()
    stage.beat_us = 1 << 62
    counts = _calls(stage.loop)
    stage.extra = [stage.now_us + 1000 * nth for nth in range(1, 50)]
    stage.run(stage.now_us + 50_000)
    assert sorted(counts)[len(counts) // 2] <= 45  # 1 ms


@pytest.mark.parametrize("flood", ["instructions", "edges on four ports", "levels", "heartbeats", "uploads"])
def test_no_pass_does_too_much(flood: str) -> None:
    stage = Stage()
    counts = _calls(stage.loop)
    if flood != "instructions":
        stage.hello()
        stage.run(400_000)
    if flood == "instructions":
        stage.play([I(m.OP_LOOP, 1, nth & 1, 0, 0) for nth in range(200)])
    elif flood == "edges on four ports":
        for nth in range(200):
            stage.pins.at(stage.now_us + 1000, 4 * (nth & 3) + 1, nth >> 2 & 1)
    elif flood == "levels":
        for bit in range(16):
            stage.pins.at(stage.now_us + 1000, bit, 1)
    elif flood == "heartbeats":
        for _ in range(100):
            stage.command(0, m.Heartbeat(0))
    else:
        assert stage.upload(1, [I(m.OP_PULSES, 1, 20, 5000, 5000)] * 300)[-1] == 0
    stage.run(stage.now_us + 100_000)
    assert len(counts) > 10
    assert max(counts) <= MOST_CALLS, sorted(counts)[-10:]
