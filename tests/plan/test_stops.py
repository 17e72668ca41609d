"""Presenter gates: where they stand, how long they hold, and that without them nothing changes."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.office.model import Unit
from demo_ctl.plan.build import build
from demo_ctl.plan.check import step_us
from demo_ctl.plan.model import Check, Plan
from demo_ctl.plan.stops import BEFORE_LIMIT_US, STOPS, Stops
from demo_ctl.script.load import load_call
from demo_ctl.terms.located import Located
from demo_ctl.wire import messages as m

CALLS = ("answered", "no-answer", "busy", "abandoned", "wrong-number", "called-clears-first", "flash")
PACES = st.sampled_from([Fraction(1, 50), Fraction(1, 4), Fraction(1), Fraction(3, 2), Fraction(4)])
STILL = {m.OP_WAIT, m.OP_WAIT_FOR, m.OP_GATE, m.OP_LISTEN}
Units = dict[str, Located[Unit]]


def made(configs: Path, units: Units, call: str, unit: str, pace: Fraction, **more: Any) -> Plan:
    return build(load_call(configs / "calls" / f"{call}.yaml"), units[unit], pace, **more)


@settings(deadline=None, max_examples=60)
@given(
    call=st.sampled_from(CALLS),
    unit=st.sampled_from(["travelling", "mossbrook"]),
    pace=PACES,
    at=st.sets(st.sampled_from(STOPS)),
)
def test_gates_stand_only_where_asked_and_only_where_nothing_moves(
    configs: Path, units: Units, call: str, unit: str, pace: Fraction, at: set[str]
) -> None:
    plain = made(configs, units, call, unit, pace)
    plan = made(configs, units, call, unit, pace, holds=Stops(at=frozenset(at)))
    shows = [gate for gate in plan.gates if gate.stage]
    assert {gate.stage for gate in shows} <= at
    steps = plan.timeline.steps
    for gate in shows:
        step = steps[gate.index]
        assert (step.op, step.x, step.a, step.b) == (m.OP_GATE, gate.number, gate.limit_us, 0)
        assert gate.limit_us <= units[unit].value.longest_gate_us
        # What was just done has had its time: no pulse and no move of the hook ends where the gate begins.
        assert steps[gate.index - 1].op in STILL
    # Held by nobody the call takes as long as without; nothing but waits for the bell is added.
    assert plan.least_us == plain.least_us
    added = [step for step in steps if step.op not in (m.OP_GATE, m.OP_WAIT_FOR)]
    assert [(s.op, s.port, s.label, s.b) for s in added] == [
        (s.op, s.port, s.label, s.b) for s in plain.timeline.steps if s.op not in (m.OP_GATE, m.OP_WAIT_FOR)
    ]
    assert plan.most_us >= plan.least_us + sum(gate.limit_us for gate in shows)


@settings(deadline=None, max_examples=40)
@given(
    call=st.sampled_from(["answered", "no-answer", "called-clears-first", "flash"]),
    unit=st.sampled_from(["travelling", "mossbrook"]),
    window_us=st.integers(20_000_000, 90_000_000),
    call_us=st.integers(20_000_000, 180_000_000),
)
def test_ringing_is_over_before_its_limit_however_long_it_was_held(
    configs: Path, units: Units, call: str, unit: str, window_us: int, call_us: int
) -> None:
    stops = Stops(ring_window_us=window_us, ring_call_us=call_us)
    plan = made(configs, units, call, unit, Fraction(1), holds=stops)
    steps = plan.timeline.steps
    ringing = [gate for gate in plan.gates if gate.stage == "ringing"]
    windows = [index for index, step in enumerate(steps) if step.op == m.OP_RINGING and step.x]
    if not ringing:
        return
    (gate,) = ringing
    longest = min(window_us, units[unit].value.ringing.longest_us)
    start = max(index for index in windows if index < gate.index)
    end = next(index for index in range(start + 1, len(steps)) if steps[index].op == m.OP_RINGING)
    took = sum(step_us(step)[1] for step in steps[start + 1 : end])
    assert took <= steps[start].a <= longest - BEFORE_LIMIT_US
    assert sum(steps[index].a for index in windows) <= call_us - BEFORE_LIMIT_US


def test_a_board_that_allows_no_time_has_no_ringing_gate(configs: Path, units: Units) -> None:
    plan = made(configs, units, "answered", "mossbrook", Fraction(1), holds=Stops(ring_window_us=25_000_000))
    assert "ringing" not in {gate.stage for gate in plan.gates}
    assert any("no time to hold while the bell rings" in note for note in plan.notes)


def test_a_digit_is_held_no_longer_than_the_unit_allows_a_pause(
    changed_unit: Callable[..., Unit], plan_of: Callable[..., Plan], call_of: Any
) -> None:
    unit = changed_unit("travelling", follows={"most pause": "9 s"})
    script = call_of([{"lift": "caller"}, {"await": "dial tone"}, {"dial": "called"}, {"hang up": "caller"}])
    plan = build(script, unit, holds=Stops())
    (gate,) = (gate for gate in plan.gates if gate.stage == "digits")
    pause = next(step.a for step in plan.timeline.steps if step.label == "pause between digits")
    assert gate.limit_us + pause <= 9_000_000
    short = build(script, changed_unit("travelling", follows={"most pause": "900 ms"}), holds=Stops())
    assert not [gate for gate in short.gates if gate.stage == "digits"]
    assert any("the longest pause is 900 ms" in note for note in short.notes)


def test_every_stable_point_of_an_answered_call(configs: Path, units: Units) -> None:
    plan = made(configs, units, "answered", "travelling", Fraction(1), holds=Stops())
    assert [gate.stage for gate in plan.gates if gate.stage] == ["dial tone", "digits", "ringing", "talking"]
    busy = made(configs, units, "busy", "travelling", Fraction(1), holds=Stops())
    assert [gate.stage for gate in busy.gates if gate.stage] == ["dial tone", "dial tone", "digits", "tone"]
    assert {row.part for row in plan.pace_table} >= {"hold, dial tone", "hold, digits", "hold, ringing"}


@pytest.mark.parametrize("call", CALLS)
@pytest.mark.parametrize("unit", ["travelling", "mossbrook"])
def test_a_rehearsal_has_everything_but_the_ringing(configs: Path, units: Units, call: str, unit: str) -> None:
    plain = made(configs, units, call, unit, Fraction(1))
    plan = made(configs, units, call, unit, Fraction(1), holds=Stops(), rehearsal=True)
    assert not plan.ringing
    assert not any(step.op == m.OP_RINGING for step in plan.timeline.steps)
    assert not any(step.op == m.OP_WAIT_FOR and step.x >> 1 & 3 == m.RINGING for step in plan.timeline.steps)
    told = {Check.FIRST_RING, Check.RANG, Check.RING_ON, Check.RING_OFF, Check.RING_TRIP}
    assert not told & {each.check for each in plan.expectations if not each.left_out}
    # What has no place in it is there all the same, as left out: the same checks in the same order, none lost.
    names = [(each.check, each.title) for each in plan.expectations]
    assert names == [(each.check, each.title) for each in plain.expectations]
    left = {each.check for each in plan.expectations if each.left_out}
    assert {each.check for each in plain.expectations} & told <= left
    assert len({each.id for each in plan.expectations}) == len(names)
    assert all("rehearsal" in each.left_out and not each.required for each in plan.expectations if each.left_out)
    kept = {each.check for each in plain.expectations} - told - {Check.NO_RINGING, Check.TONE_ON, Check.TONE_OFF}
    assert plain.ringing or not left
    if plain.ringing:
        assert {Check.OTHERS_RANG, Check.NO_RINGING} & {each.check for each in plain.expectations} <= left
    kept -= {Check.TONE, Check.POST_DIAL_DELAY}  # ringback goes with the ringing
    assert kept <= {each.check for each in plan.expectations}
    moves = [(s.op, s.port, s.x, s.a) for s in plan.timeline.steps if s.op in (m.OP_LOOP, m.OP_PULSES)]
    assert moves == [(s.op, s.port, s.x, s.a) for s in plain.timeline.steps if s.op in (m.OP_LOOP, m.OP_PULSES)]
