"""Laws of the show's engine: no dead end, stop releases, gates open only where a call stands, one call at a time."""

from __future__ import annotations

import json
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from demo_ctl.office.load import load_unit
from demo_ctl.plan.model import Gate, Plan
from demo_ctl.script.sheet_load import parse_sheet
from demo_ctl.show import engine, telling
from demo_ctl.show.engine import How, Phase, State, Then
from demo_ctl.show.hub import LARGEST
from demo_ctl.show.programme import Programme, prepare, real_pace, span
from demo_ctl.show.wishes import Kind, Wish, wish_of
from demo_ctl.wire import messages as m

CONFIGS = Path(__file__).parents[2] / "configs"
SHEET = """\
format: demo_ctl show 1
name: tried
title: {en: A show of a test}
calls:
  - call: ../calls/answered.yaml
    pace: 1/2
    stops: [dial tone, ringing]
    repeat: [{pace: 1}]
    if it fails: {try once more: yes, replay: answered.jsonl}
  - call: ../calls/busy.yaml
    stops: all
    if it fails: {replay: busy.jsonl}
  - call: ../calls/wrong-number.yaml
    stops: none
    repeat: [{unfold: first pulse}]
  - follow: parlour
    at most: 60 s
"""


@cache
def programme() -> Programme:
    sheet = parse_sheet(SHEET, str(CONFIGS / "shows" / "tried.yaml"))
    return prepare(sheet, load_unit(CONFIGS / "units" / "travelling.yaml"))


class World:
    """A board that performs what it is told to, and what was told to it."""

    def __init__(self) -> None:
        self.state = State()
        self.now_us = 1_000_000_000
        self.plan: Plan | None = None  # of the call that is on
        self.started = False
        self.step = 0
        self.gate: Gate | None = None
        self.opened = False
        self.stopped = False
        self.replaying = False
        self.home_us = 0
        self.begun: list[int] = []

    def do(self, after: engine.Next) -> None:
        self.state = after[0]
        for doing in after[1]:
            if isinstance(doing, engine.Begin):
                assert self.plan is None, "two calls at once"
                assert not self.replaying
                assert self.now_us >= self.home_us, "begun before the switches are home"
                self.plan, self.started, self.step, self.gate = doing.plan, False, 0, None
                self.opened = self.stopped = False
                self.begun.append(doing.part)
            elif isinstance(doing, engine.Open):
                assert self.gate is not None, "opened where the call does not stand"
                assert doing.gate == self.gate.number
                assert self.gate.tone is None
                assert not self.opened, "opened twice"
                self.opened = True
            elif isinstance(doing, engine.Stop):
                assert self.plan is not None
                assert not self.stopped
                self.stopped = True
            elif isinstance(doing, engine.Replay):
                assert self.plan is None
                self.replaying = True
            else:
                assert self.replaying
                self.replaying = False

    def wish(self, kind: Kind, pace: Fraction | None = None) -> None:
        before, wish = self.state, Wish(kind, pace)
        self.do(engine.wished(before, wish, self.now_us, programme()))
        found = telling.reply(before, wish, self.state, self.now_us, programme())
        assert found.text
        assert found.done == (before != self.state)

    def tell(self, news: engine.News) -> None:
        self.do(engine.told(self.state, news, self.now_us, programme()))

    def proceed(self) -> None:
        """One step on, as a board goes on: nothing goes wrong."""
        if self.plan is None:
            if self.replaying:
                self.replaying = False
                self.tell(engine.ReplayOver())
            self.now_us += 10_000_000
            self.tell(engine.Tick())
        elif self.stopped:
            self.over(How.STOPPED)
        elif not self.started:
            self.started = True
            self.tell(engine.Begun())
        elif self.gate is not None:
            if self.opened:
                self.leave()
        else:
            steps = self.plan.timeline.steps
            gate = next((each for each in self.plan.gates if each.index == self.step and each.tone is None), None)
            if gate is not None:
                self.gate, self.opened = gate, False
                self.tell(engine.Waits(gate))
                return
            self.now_us += steps[self.step].a if steps[self.step].op == m.OP_WAIT else 1000
            self.step += 1
            if self.step == len(steps):
                self.over(How.WELL)
            else:
                self.tell(engine.At(self.step))

    def leave(self, limit: bool = False) -> None:
        assert self.gate is not None
        gate, self.gate, self.opened = self.gate, None, False
        self.step = gate.index + 1
        self.tell(engine.GoesOn(gate.index, limit))

    def over(self, how: How) -> None:
        self.plan = self.gate = None
        if self.started and how is not How.WELL:
            self.home_us = self.now_us + programme().restore_us
        self.tell(engine.Over(how, "" if how in (How.WELL, How.STOPPED) else "It went wrong."))


class Shows(RuleBasedStateMachine):
    """A presenter who wishes anything at any time, a board that goes on, fails, or is lost at any time."""

    def __init__(self) -> None:
        super().__init__()
        self.world = World()

    @rule(kind=st.sampled_from(Kind), pace=st.sampled_from([None, Fraction(1, 4), Fraction(1), Fraction(2)]))
    def wishes(self, kind: Kind, pace: Fraction | None) -> None:
        self.world.wish(kind, pace if kind is Kind.PACE else None)

    @rule(times=st.integers(1, 12))
    def proceeds(self, times: int) -> None:
        for _ in range(times):
            self.world.proceed()

    @precondition(lambda self: self.world.plan is not None)
    @rule(how=st.sampled_from([How.BADLY, How.LOST, How.UNSAFE, How.STOPPED]))
    def goes_wrong(self, how: How) -> None:
        self.world.over(how)

    @precondition(lambda self: self.world.gate is not None)
    @rule()
    def gate_reaches_its_limit(self) -> None:
        self.world.leave(limit=True)

    @rule(us=st.integers(0, 3_000_000))
    def a_moment_passes(self, us: int) -> None:
        self.world.now_us += us
        self.world.tell(engine.Tick())

    @rule(state=st.integers(0, 7))
    def guard_changes(self, state: int) -> None:
        self.world.tell(engine.Guard(state))

    @rule(part=st.sampled_from([0, 1, 2, 3, 5]))
    def hears_late_news(self, part: int) -> None:
        """News of a call that is over changes nothing but what is known of the guard."""
        if self.world.plan is None:
            plan = programme().parts[part].plan
            before = self.world.state
            gate = next(gate for gate in plan.gates if gate.tone is None)
            for news in (engine.At(3), engine.Waits(gate), engine.GoesOn(5), engine.Begun(), engine.Over(How.WELL)):
                self.world.tell(news)
            assert self.world.state == before

    @rule(how=st.sampled_from([How.STOPPED, How.BADLY, How.LOST, How.UNSAFE]))
    def stops_and_is_released(self, how: How) -> None:
        """From anywhere: stop, and the line is free, and nothing begins by itself."""
        world = self.world
        world.wish(Kind.STOP)
        assert world.plan is None or world.stopped
        begun = len(world.begun)
        if world.plan is not None:
            world.over(how)  # as the board says it: perhaps it failed in the same moment
        for _ in range(8):
            world.proceed()
        assert world.state.phase in (Phase.READY, Phase.DONE)
        assert world.plan is None
        assert not world.replaying
        assert len(world.begun) == begun

    @invariant()
    def what_is_told_is_whole(self) -> None:
        world = self.world
        told: Any = telling.console_state(world.state, world.now_us, programme())
        assert len(json.dumps(told)) < LARGEST
        assert told["happening"]
        assert told["next"]
        assert told["left_us"] >= 0
        assert told["running"] == (world.plan is not None)
        assert (told["waiting"] and world.gate is not None) or not told["waiting"]
        if told["line"]:
            assert world.plan is not None

    def teardown(self) -> None:
        """No dead end: whoever only ever presses Next comes to the end."""
        world = self.world
        for _ in range(2000):
            if world.state.phase is Phase.DONE:
                return
            if world.state.phase is Phase.READY or world.state.gate is not None:
                world.wish(Kind.NEXT)
            world.proceed()
        raise AssertionError(f"stuck: {world.state}")


TestShows = Shows.TestCase
TestShows.settings = settings(deadline=None, max_examples=60, stateful_step_count=40)


def play(world: World, until: Phase, most: int = 400) -> None:
    for _ in range(most):
        if world.state.phase is until:
            return
        if world.state.gate is not None:
            world.wish(Kind.NEXT)
        world.proceed()
    raise AssertionError(world.state)


def test_it_holds_where_the_sheet_says_and_nowhere_else() -> None:
    world, held = World(), []
    world.wish(Kind.NEXT)
    while world.state.phase is not Phase.READY:
        if world.state.gate is not None:
            held.append(world.state.gate.stage)
            world.wish(Kind.NEXT)
        world.proceed()
    assert held == ["dial tone", "ringing"]
    assert (world.state.part, world.state.last) == (1, 0)


def test_hold_holds_any_call_at_its_next_stable_point_once() -> None:
    world, held = World(), []
    world.state = State(part=3)
    world.wish(Kind.NEXT)
    world.wish(Kind.HOLD)
    assert telling.next_stop(world.state, programme()) is not None
    while world.state.phase is not Phase.READY:
        if world.state.gate is not None:
            held.append(world.state.gate.stage)
            world.wish(Kind.NEXT)
        world.proceed()
    assert held == ["dial tone"]


def test_a_second_next_skips_nothing() -> None:
    """A clicker that bounces must not run past the next stop."""
    world = World()
    world.wish(Kind.NEXT)
    world.wish(Kind.NEXT)
    while world.state.gate is None:
        world.proceed()
    world.wish(Kind.NEXT)
    assert world.opened
    world.wish(Kind.NEXT)
    while world.state.gate is None or world.opened:
        world.proceed()
    assert world.state.gate.stage == "ringing"


def test_a_failed_call_is_placed_once_more_and_then_shown_as_a_replay() -> None:
    world = World()
    world.wish(Kind.NEXT)
    for _ in range(10):
        world.proceed()
    world.over(How.BADLY)
    assert (world.state.phase, world.state.then) == (Phase.RESTORING, Then.ONCE_MORE)
    assert "once more" in world.state.notice
    world.proceed()
    assert world.begun == [0, 0]
    world.proceed()
    world.over(How.BADLY)
    assert world.state.then is Then.REPLAY
    assert "A recorded call is shown instead" in world.state.notice
    world.now_us = world.state.home_us
    world.tell(engine.Tick())
    assert world.replaying
    told = telling.console_state(world.state, world.now_us, programme())
    assert told["happening"].startswith("REPLAY")
    assert "A recorded call is shown instead" in told["notice"]
    world.wish(Kind.NEXT)
    assert not world.replaying
    assert (world.state.phase, world.state.part) == (Phase.READY, 1)


def test_after_a_trip_nothing_is_tried_again() -> None:
    world = World()
    world.wish(Kind.NEXT)
    world.proceed()
    world.over(How.UNSAFE)
    assert world.state.then is Then.REPLAY


def test_repeat_and_pace() -> None:
    world = World()
    world.wish(Kind.REPEAT)
    assert world.plan is None
    world.wish(Kind.NEXT)
    play(world, Phase.READY)
    world.wish(Kind.PACE, Fraction(2))
    world.wish(Kind.REPEAT)
    assert world.begun == [0, 0]
    assert world.plan is not None
    assert world.plan.pace == 2
    world.wish(Kind.REPEAT)
    play(world, Phase.READY)
    assert (world.state.part, world.state.pace) == (0, None)  # once more was asked for while it was on
    world.wish(Kind.NEXT)
    assert world.plan is not None
    assert world.plan.pace == Fraction(1, 2)


def test_what_was_seen_is_shown_again_without_a_call() -> None:
    world = World()
    world.state = State(part=4)
    assert "Next shows again" in telling.coming(world.state, world.now_us, programme())
    world.wish(Kind.NEXT)
    assert world.replaying
    assert world.plan is None
    assert telling.happening(world.state, world.now_us, programme()).startswith("REPLAY: what was seen")
    world.wish(Kind.REPEAT)
    world.proceed()
    assert (world.state.phase, world.state.part) == (Phase.READY, 4)  # once more
    world.wish(Kind.NEXT)
    world.wish(Kind.STOP)
    assert not world.replaying
    assert (world.state.phase, world.state.part) == (Phase.READY, 5)
    assert world.begun == []


def test_a_telephone_that_is_followed_waits_at_its_gate() -> None:
    world = World()
    world.state = State(part=5)
    assert "The telephone on line parlour is followed" in telling.coming(world.state, world.now_us, programme())
    world.wish(Kind.NEXT)
    while world.gate is None:
        world.proceed()
    told = telling.console_state(world.state, world.now_us, programme())
    assert told["happening"] == "Holding while the telephone on line parlour is used, for 1 min at most."
    assert told["waiting"]
    assert told["ringing_left_us"] == -1
    world.wish(Kind.NEXT)
    assert world.opened
    play(world, Phase.DONE)


def test_words_of_consoles() -> None:
    assert wish_of("next") == Wish(Kind.NEXT)
    assert wish_of("pace", "1/4") == Wish(Kind.PACE, Fraction(1, 4))
    assert wish_of("pace") == Wish(Kind.PACE)
    for word, value in (("arm", ""), ("ring", ""), ("", ""), ("next", "1"), ("pace", "9"), ("pace", "fast")):
        with pytest.raises(ValueError, match=r"expected|pace"):
            wish_of(word, value)


def test_what_each_call_really_gets() -> None:
    first, again, busy, wrong, seen, follows = programme().parts
    assert (seen.unfold, follows.unfold) == ("first pulse", None)
    assert programme().takes(4).most_us == programme().cap_us == 60_000_000
    assert programme().takes(5).most_us == follows.plan.most_us > 60_000_000
    assert Fraction(1, 2) < real_pace(first, first.plan) < 1
    assert real_pace(again, again.plan) == 1
    assert span(first, first.plan).most_us < span(first, first.plan, hold_all=True).most_us
    assert span(wrong, wrong.plan).least_us == wrong.plan.least_us
    assert span(busy, busy.plan).most_us == busy.plan.most_us


def test_the_time_to_the_next_stop_runs_down() -> None:
    world = World()
    world.wish(Kind.NEXT)
    before = None
    while world.state.gate is None:
        if world.state.phase is Phase.LIVE:
            found = telling.until_stop(world.state, world.now_us, programme())
            assert before is None or found.most_us <= before.most_us
            before = found
        world.proceed()
    assert before is not None
    assert before.most_us < 1_000_000


@pytest.mark.parametrize("how", [How.BADLY, How.LOST, How.STOPPED])
def test_nothing_begins_a_moment_before_the_switches_are_home(how: How) -> None:
    world = World()
    world.wish(Kind.NEXT)
    for _ in range(10):
        world.proceed()
    if how is How.STOPPED:
        world.wish(Kind.STOP)
    over_us = world.now_us
    world.over(how)
    least_us = programme().restore_us + (engine.LOST_US if how is How.LOST else 0)
    world.now_us = over_us + least_us - 1
    world.tell(engine.Tick())
    world.wish(Kind.NEXT)
    world.wish(Kind.REPEAT)
    assert world.state.phase is Phase.RESTORING
    assert world.begun == [0]
    world.wish(Kind.REPEAT)
    world.now_us += 1
    world.tell(engine.Tick())
    assert world.begun == ([0] if how is How.STOPPED else [0, 0])
    if how is How.STOPPED:
        world.wish(Kind.NEXT)
        assert world.begun == [0, 1]
