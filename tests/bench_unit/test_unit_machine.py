"""A machine that lifts, dials, flashes, answers and hangs up at will on four telephones at once, and looks every time.

Beside `test_unit_laws.py`, where whole scripts of each telephone are drawn beforehand: here the next act is chosen
knowing what stands now, so that calls meet: the same trunk at the same instant, a called line that lifts while it is
seized, a guard that opens while it rings, a line dialled while it comes home.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from demo_ctl.bench.connector import Connector
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.truth import THINGS
from demo_ctl.bench.truth_file import TruthFile
from demo_ctl.bench.unit import BenchUnit, BusySpec
from demo_ctl.ledger.read import read_truth

S = 1_000_000
MS = 1000
PORTS = (1, 2, 3, 4)
#: On the unit of these tests lines 1 to 4 are 323, 350, 300, 399.
NUMBERS = ("23", "50", "00", "99", "11")

Act = tuple[Any, ...]
ports = st.sampled_from(PORTS)
few_ms = st.integers(0, 400)


def play(unit: Any, seed: int, busy: tuple[BusySpec, ...], acts: list[Act], file: Path) -> tuple[list[Any], BenchUnit]:
    """Do it all again on a fresh unit; return the sensed edges."""
    kernel = Kernel()
    bench = BenchUnit(kernel, unit, seed=seed, busy=busy)
    out = TruthFile(file, port="bench://", unit="machine", seed=seed, clock=lambda: (1, 0))
    bench.tell_truth(out.tell)
    edges: list[Any] = []
    bench.on_edge = lambda bit, level: edges.append((kernel.now_us, bit, level))
    for act in acts:
        do(kernel, bench, act)
    out.close()
    return edges, bench


def do(kernel: Kernel, bench: BenchUnit, act: Act) -> None:
    """One act: ("loop", port, closed), ("feed", on) or ("wait", us)."""
    kind, *rest = act
    if kind == "loop":
        bench.set_loop(*rest)
    elif kind == "feed":
        bench.set_ringing_feed(*rest)
    else:
        kernel.run_to(kernel.now_us + rest[0])


class Telephones(RuleBasedStateMachine):
    """The unit, four telephones, and the guard."""

    make_unit: Callable[..., Any]

    def __init__(self) -> None:
        super().__init__()
        self.acts: list[Act] = []
        self.closed = dict.fromkeys(PORTS, False)
        self.edges: list[Any] = []
        self.folder = tempfile.TemporaryDirectory(prefix="truth")

    @initialize(
        seed=st.integers(0, 9999),
        finders=st.integers(1, 4),
        trunks=st.sampled_from(["1-10", "1-2", "1", "10"]),
        blocked=st.sampled_from([(), (1,), tuple(range(1, 11))]),
        feed=st.booleans(),
    )
    def power(self, seed: int, finders: int, trunks: str, blocked: tuple[int, ...], feed: bool) -> None:
        self.seed = seed
        self.unit = type(self).make_unit(1, prefix="3", finders=finders, trunks=trunks, hunting=(("00", "01"),))
        self.busy = (BusySpec(1, 3, blocked),) if blocked else ()
        self.kernel = Kernel()
        self.bench = BenchUnit(self.kernel, self.unit, seed=seed, busy=self.busy)
        self.bench.on_edge = lambda bit, level: self.edges.append((self.kernel.now_us, bit, level))
        self.truth = TruthFile(
            Path(self.folder.name) / "first", port="bench://", unit="machine", seed=seed, clock=lambda: (1, 0)
        )
        self.bench.tell_truth(self.truth.tell)
        self.act("feed", feed)

    def act(self, *act: Any) -> None:
        self.acts.append(act)
        if act[0] == "loop":
            self.closed[act[1]] = act[2]
        if act[0] != "wait":
            do(self.kernel, self.bench, act)
            return
        # Look after every event, not only at the end of the wait.
        end_us = self.kernel.now_us + act[1]
        while (due_us := self.kernel.next_us()) is not None and due_us <= end_us:
            self.kernel.run_to(due_us)
            self.look()
        self.kernel.run_to(end_us)

    @rule(port=ports)
    def lift_or_hang_up(self, port: int) -> None:
        self.act("loop", port, not self.closed[port])

    @rule(ms=st.integers(0, 2500))
    def wait(self, ms: int) -> None:
        self.act("wait", ms * MS)

    @rule(us=st.integers(0, 40_000))
    def wait_a_moment(self, us: int) -> None:
        self.act("wait", us)

    @rule(port=ports, digit=st.integers(1, 10), break_ms=st.integers(40, 75), pause_ms=st.sampled_from([0, 300, 700]))
    def dial_one(self, port: int, digit: int, break_ms: int, pause_ms: int) -> None:
        self.pulse([port], [digit], break_ms, pause_ms)

    @rule(
        callers=st.sets(ports, min_size=1, max_size=4),
        number=st.sampled_from(NUMBERS),
        apart_us=st.sampled_from([0, 0, 1, 500, 20_000]),
    )
    def call_at_once(self, callers: set[int], number: str, apart_us: int) -> None:
        """Several lift together and dial the same number in step: they race for each trunk and for the line."""
        for port in sorted(callers):
            if not self.closed[port]:
                self.act("loop", port, True)
        self.act("wait", 2500 * MS)
        for digit in "3" + number:
            self.pulse(sorted(callers), [int(digit) or 10], 60, 700, apart_us)

    def pulse(self, where: list[int], digits: list[int], break_ms: int, pause_ms: int, apart_us: int = 0) -> None:
        for count in digits:
            for _ in range(count):
                for port in where:
                    self.act("loop", port, False)
                    self.act("wait", apart_us)
                self.act("wait", break_ms * MS)
                for port in where:
                    self.act("loop", port, True)
                    self.act("wait", apart_us)
                self.act("wait", (100 - break_ms) * MS)
        self.act("wait", pause_ms * MS)

    @rule(port=ports, ms=few_ms)
    def flash(self, port: int, ms: int) -> None:
        self.act("loop", port, False)
        self.act("wait", ms * MS)
        self.act("loop", port, True)

    @rule(on=st.booleans())
    def guard(self, on: bool) -> None:
        self.act("feed", on)

    @precondition(lambda self: any(self.closed.values()))
    @rule()
    def all_hang_up(self) -> None:
        for port in PORTS:
            self.act("loop", port, False)

    @invariant()
    def look(self) -> None:
        """No trunk doubly held, no line on two switches, the train a chain, wipers where they can be."""
        if not hasattr(self, "bench"):
            return
        switches = list(self.bench._switches.values())
        ahead = [id(s.after) for s in switches if s.after is not None]
        assert len(ahead) == len(set(ahead))
        lines = [id(s.line) for s in switches if s.line is not None]
        assert len(lines) == len(set(lines))
        called = [id(s.called) for s in switches if isinstance(s, Connector) and s.called is not None]
        assert len(called) == len(set(called))
        found = [id(finder.line) for finder in self.bench._allotter.finders if finder.line is not None]
        assert len(found) == len(set(found))
        for switch in switches:
            assert switch.after is None or switch.after.taken
            assert switch.taken or (switch.level, switch.terminal) == (0, 0)

    def teardown(self) -> None:
        try:
            if hasattr(self, "bench"):
                self.come_home()
        finally:
            self.folder.cleanup()

    def come_home(self) -> None:
        for port in PORTS:
            self.act("loop", port, False)
        self.act("wait", 15 * S)
        assert self.kernel.next_us() is None
        self.truth.close()
        first = Path(self.folder.name) / "first"
        lifted = any(act[0] == "loop" and act[2] for act in self.acts)
        rows = read_truth(first).rows if first.exists() else ()
        assert lifted or not rows
        # Every shaft is home, every relay at rest, every sleeve restored, every line fed as at rest.
        standing: dict[str, int] = {}
        for row in rows:
            assert standing.get(row.what, 0) != row.value, row
            assert 0 <= row.value <= THINGS[row.what.rpartition("/")[2]], row
            standing[row.what] = row.value
        assert not {what for what, value in standing.items() if value}
        assert self.bench.levels() == 0b0010_0010_0010_0010
        assert all(not finder.busy for finder in self.bench._allotter.finders)
        # A sleeve is grounded by one at a time: never grounded again before it was restored (rows alternate, above),
        # and while it is grounded its shaft is the only one that answers to it.
        again = Path(self.folder.name) / "again"
        edges, _ = play(self.unit, self.seed, self.busy, self.acts, again)
        assert edges == self.edges
        assert again.exists() == first.exists()
        if first.exists():
            assert again.read_bytes() == first.read_bytes()


@pytest.fixture(scope="module")
def machine(make_unit: Callable[..., Any]) -> type[Telephones]:
    class Machine(Telephones):
        pass

    Machine.make_unit = staticmethod(make_unit)
    return Machine


def test_however_calls_overlap(machine: type[Telephones]) -> None:
    from hypothesis.stateful import run_state_machine_as_test

    run_state_machine_as_test(machine, settings=settings(deadline=None, max_examples=40, stateful_step_count=20))
