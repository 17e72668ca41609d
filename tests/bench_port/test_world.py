"""Kernel and board together: order at equal instants, no call without cause, no standstill."""

from __future__ import annotations

import itertools
from typing import Any, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.board_clock import PASS_US
from demo_ctl.bench.hardware import CLOCK_JUMP_US, Hardware
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.world import SAME_INSTANT_MOST, World


class QuietUnit:
    """A unit in which nothing happens by itself."""

    on_edge: Any = None
    generator_V = 86.0
    battery_V = 50.0
    lamp_ohm = 400.0

    def on_draw(self, to: Any) -> None:
        pass

    def set_ringing_feed(self, on: bool) -> None:
        pass

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


def faulty(gaps: list[int], name: str) -> tuple[World, Script]:
    _, _, world, board = make(gaps)
    world.advance(10_000)
    world.hardware.break_part(name)
    return world, board


def test_a_loop_that_hangs_is_not_stepped_until_it_is_mended() -> None:
    world, board = faulty([1000] * 100, "loop-hung")
    steps = len(board.steps)
    world.hardware.host_writes(b"x")
    world.advance(500_000)
    assert len(board.steps) == steps
    assert world.next_us() > 500_000
    world.hardware.mend_part("loop-hung")
    assert world.next_us() == 500_000
    world.advance(510_000)
    assert board.steps[steps] == 500_000


@pytest.mark.parametrize(("name", "factor"), [("clock-stopped", 0), ("clock-fast", 10)])
def test_deadlines_are_the_board_s_own_time(name: str, factor: int) -> None:
    world, board = faulty([], name)
    seen: list[tuple[int, int]] = []

    def step() -> int:
        hardware = world.hardware
        seen.append((world.kernel.now_us, hardware.ticks_us()))
        return hardware.clock.board_us(world.kernel.now_us) + 10_000

    board.step = step  # type: ignore[method-assign]
    world.advance(110_000)
    assert [ticks for _, ticks in seen] == [10_000 + (at - 10_000) * factor for at, _ in seen]
    gaps = {b - a for (a, _), (b, _) in itertools.pairwise(seen)}
    assert gaps == {10_000 // factor if factor else PASS_US}  # a loop whose clock stands goes round all the same
    world.hardware.mend_part(name)
    world.advance(210_000)
    assert seen[-1][0] - seen[-2][0] == 10_000


def test_a_clock_that_jumps_is_ahead_from_then_on_and_so_are_deadlines() -> None:
    world, _ = faulty([5000], "clock-jumped")
    world.hardware.begin()
    assert world.hardware.ticks_us() == 10_000 + CLOCK_JUMP_US
    assert world.hardware.clock.zero_us == -CLOCK_JUMP_US
    assert not world.hardware.broken


def test_the_board_without_power_boots_when_it_comes_back() -> None:
    made: list[Script] = []

    def start(hardware: Hardware) -> Script:
        made.append(Script(hardware, [1000] * 10))
        return made[-1]

    kernel, unit = Kernel(), QuietUnit()
    hardware = Hardware(kernel, cast(Any, unit))
    world = World(kernel, cast(Any, unit), hardware, start)
    world.advance(20_000)
    boot = hardware.firmware_boot
    hardware.break_part("board-dead")
    hardware.host_writes(b"nobody hears")
    world.advance(1_000_000)
    assert (len(made), len(hardware.to_board)) == (1, 0)
    assert max(made[0].steps) <= 20_000
    hardware.mend_part("board-dead")
    world.advance(1_000_000)
    assert made[1].steps[0] == 1_000_000
    assert hardware.clock.ticks(1_000_000) == 0
    hardware.break_part("brown-out")
    world.advance(1_100_000)
    assert made[2].steps[0] == 1_000_000
    assert hardware.firmware_boot == boot + 2
