"""Kernel and board together: order at equal instants, no call without cause, no standstill."""

from __future__ import annotations

from typing import Any, cast

from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.hardware import Hardware
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.world import PASS_US, SAME_INSTANT_MOST, World


class QuietUnit:
    """A unit in which nothing happens by itself."""

    on_edge: Any = None

    def levels(self) -> int:
        return 0

    def set_loop(self, port: int, closed: bool) -> None:
        pass


class Script:
    """A board that notes when it is stepped and asks for passes at given distances."""

    def __init__(self, hardware: Hardware, gaps: list[int]) -> None:
        self.hardware = hardware
        self.gaps = gaps
        self.steps: list[int] = []
        self.edges: list[int] = []

    def step(self) -> int:
        now = self.hardware.kernel.now_us
        self.steps.append(now)
        while (edge := self.hardware.next_edge()) is not None:
            self.edges.append(edge[0])
        return now + (self.gaps.pop(0) if self.gaps else 1 << 40)

    def close(self) -> None:
        pass


def make(gaps: list[int]) -> tuple[Kernel, QuietUnit, World, Script]:
    kernel, unit = Kernel(), QuietUnit()
    hardware = Hardware(kernel, cast(Any, unit))
    world = World(kernel, cast(Any, unit), hardware, lambda hw: Script(hw, gaps))
    board = world.board
    assert isinstance(board, Script)
    return kernel, unit, world, board


@settings(deadline=None)
@given(st.lists(st.integers(1, 1000), max_size=30), st.lists(st.integers(1, 9000), max_size=30), st.data())
def test_stepped_at_deadlines_and_edges_and_nowhere_else(
    gaps: list[int], edges: list[int], data: st.DataObject
) -> None:
    kernel, unit, world, board = make(list(gaps))
    for at in edges:
        kernel.at(at, lambda: unit.on_edge(0, 1))
        kernel.at(at + 3, lambda: None)  # something the board cannot sense
    stops = data.draw(st.lists(st.integers(0, 10_000), max_size=10).map(sorted))
    for stop in stops:
        world.advance(stop)
        assert kernel.now_us == stop
    world.advance(10_000)
    assert board.edges == sorted(edges)  # each seen, with its own stamp
    want = {0, *edges}
    reached, asked = 0, list(gaps)
    for at in board.steps[1:]:  # replay what it asked for
        deadline = reached + (asked.pop(0) if asked else 1 << 40)
        assert at == deadline or at in want
        assert at <= deadline
        reached = at
    assert set(edges) <= set(board.steps)
    assert len(board.steps) == len(set(board.steps))
    # Where the host happened to stop and look changes nothing.
    kernel, unit, world, other = make(list(gaps))
    for at in edges:
        kernel.at(at, lambda: unit.on_edge(0, 1))
    world.advance(10_000)
    assert other.steps == board.steps


def test_firmware_that_never_rests_cannot_stop_the_clock() -> None:
    kernel, _, world, board = make([0] * 100_000)
    world.advance(10 * PASS_US)
    assert kernel.now_us == 10 * PASS_US
    assert len(board.steps) <= 11 * (SAME_INSTANT_MOST + 1)
    assert sorted(set(board.steps)) == [i * PASS_US for i in range(11)]
