"""The shipped interlock with its real limits, driven by Hypothesis: the laws, and a twin that is called more often."""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from demo_ctl.board import interlock
from demo_ctl.safety.laws import BY_STATE, CHAIN, DOWN, HELD, KEY, READY, WINDOW, Notes
from demo_ctl.wire import messages as m

TIMES = interlock.Times()
LIMITS = sorted({value for name, value in vars(TIMES).items()})
SHORT = st.sampled_from(sorted({0, 1, *(limit + off for limit in LIMITS for off in (-1, 0, 1))}))
ELAPSED = st.one_of(SHORT, st.integers(0, 20_000), st.integers(0, 1 << 28))
USUAL = (DOWN, DOWN | CHAIN | KEY, READY, READY | WINDOW, HELD | WINDOW, HELD, HELD | DOWN)
FACTS = st.one_of(
    st.sampled_from(USUAL),
    st.builds(lambda usual, bit: usual ^ (1 << bit), st.sampled_from(USUAL), st.integers(0, 9)),
    st.integers(0, interlock.FACTS),
)


class Interlocked(RuleBasedStateMachine):
    """it: called as a caller likes; twin: called in between too, with the facts as they were."""

    def __init__(self) -> None:
        super().__init__()
        self.it: Any = interlock.Interlock()
        self.twin: Any = interlock.Interlock()
        self.notes = Notes(TIMES)
        self.kept = Notes.BEGIN
        self.facts = 0
        self.wait_us = 0

    def _step(self, elapsed: int, facts: int, fault: int = m.R_NONE, between: tuple[int, ...] = ()) -> bool:
        n, it = self.notes, self.it
        n.was, n.old_reason = it.state, it.reason
        moves = bool(it.step(elapsed, facts, fault))
        n.elapsed_us, n.facts, n.fault = elapsed, facts, fault
        n.state, n.reason, n.moves = it.state, it.reason, moves
        n.look(self.kept)
        for _, law in BY_STATE[n.was]:
            assert law.check(n) is not False, law.says
        self.kept = n.keep()
        # The twin: more passes, as long as time alone may change nothing and the facts stay.
        passed = 0
        for part in between:
            if passed + part < min(self.wait_us, elapsed):
                was = self.twin.state, self.twin.reason
                assert not self.twin.step(part, self.facts, m.R_NONE)
                assert (self.twin.state, self.twin.reason) == was
                passed += part
        assert self.twin.step(elapsed - passed, facts, fault) == moves
        self.facts, self.wait_us = facts, it.wait_us
        return moves

    @rule(elapsed=ELAPSED, facts=FACTS, between=st.lists(st.integers(0, 9_000), max_size=3).map(tuple))
    def a_pass_in_time(self, elapsed: int, facts: int, between: tuple[int, ...]) -> None:
        # In time: at wait_us at the latest.
        self._step(min(elapsed, self.wait_us), facts, between=between)

    @rule(elapsed=ELAPSED, facts=FACTS)
    def a_pass_whenever(self, elapsed: int, facts: int) -> None:
        self._step(elapsed, facts)

    @rule(facts=FACTS, reason=st.sampled_from([m.R_OVERCURRENT, m.R_BURST, m.R_CLOCK, m.R_UNEXPECTED_RINGING]))
    def a_watch_finds_something(self, facts: int, reason: int) -> None:
        self._step(0, facts, reason)
        assert self.it.state == m.G_TRIPPED

    @rule(then=st.sampled_from([DOWN | CHAIN | KEY, READY, READY | WINDOW, HELD | WINDOW]), passes=st.integers(1, 30))
    def the_key_is_turned_and_a_plan_runs(self, then: int, passes: int) -> None:
        for facts in (DOWN | CHAIN | KEY, DOWN, DOWN | CHAIN | KEY):
            self._step(0, facts)
            for _ in range(3):
                self._step(100_000, facts)
        assert self.it.state == m.G_SAFE
        for facts, count in ((READY, 20), (READY | WINDOW, 6), (then, passes)):
            for _ in range(count):
                self._step(10_000, facts if self.it.state != m.G_LIVE else facts & ~DOWN)

    @invariant()
    def twins(self) -> None:
        ours, twins = dict(vars(self.it)), dict(vars(self.twin))
        ours.pop("times")
        twins.pop("times")
        assert ours == twins

    @invariant()
    def small_numbers(self) -> None:
        for name, value in vars(self.it).items():
            if name != "times":
                assert -1 <= value < 1 << 30


Interlocked.TestCase.settings = settings(
    max_examples=80, stateful_step_count=40, deadline=None, suppress_health_check=list(HealthCheck)
)
TestInterlocked = Interlocked.TestCase
