"""A visitor dials on a real telephone: the board only watches the line, and the picture follows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.protocol_bench import Serial
from demo_ctl.link.client import Client
from demo_ctl.link.port import Port
from demo_ctl.office.numbers import pulses_of
from demo_ctl.plan.model import Plan, Step, Timeline
from demo_ctl.run.perform import perform
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.show.happen import happenings
from demo_ctl.show.live import Live
from demo_ctl.show.model import STAGES, TONES, Happening
from demo_ctl.show.scene import scenes, start
from demo_ctl.terms.errors import Place
from demo_ctl.wire import messages as m

Make = Callable[..., Any]

CONFIGS = Path(__file__).parents[2] / "configs"
BREAK_US, MAKE_US, PAUSE_US = 61_000, 39_000, 900_000


def visit_plan(call: Any, us: int) -> Plan:
    """A plan that does nothing but watch port 1 for so long."""
    step = Step(m.OP_WAIT, 0, 0, us, 0, "a visitor's call", Place("", 0))
    plan: Plan = replace(
        call.plan,
        number="",
        digits="",
        called_port=0,
        timeline=Timeline((step,), (m.MONITORED, 0, 0, 0)),
        gates=(),
        expectations=(),
        ringing=False,
        most_us=us,
    )
    return plan


@cache
def visited(
    make: Make, unit: str, digits: str, speed_pct: int
) -> tuple[Any, Plan, tuple[m.Event, ...], tuple[Any, ...]]:
    """Let hands dial on the bench while the board watches; return the call, plan, events and truth."""
    call = make("permanent-off-hook", unit)
    moves: list[tuple[int, bool]] = [(300_000, True)]
    at_us = 2_500_000
    for digit in digits:
        for _ in range(pulses_of(digit)):
            moves += [(at_us, False), (at_us + BREAK_US * 100 // speed_pct, True)]
            at_us += (BREAK_US + MAKE_US) * 100 // speed_pct
        at_us += PAUSE_US
    moves.append((at_us + 1_500_000, False))
    plan = visit_plan(call, at_us + 4_000_000)
    path = CONFIGS / "units" / f"{unit}.yaml"
    line = Serial()
    line.port = f"bench://?unit={path}&seed=1&clock=free"
    line.open()
    client = Client(Port(line.port, line))
    kernel = line.world.kernel
    try:
        begun_us: list[int] = []

        def begin(event: m.Event) -> None:
            if event.kind == m.EV_PLAN and event.value & 255 == m.RUNNING and not begun_us:
                begun_us.append(kernel.now_us)
                for at, closed in moves:
                    kernel.at(kernel.now_us + at, line.unit.set_loop, 1, closed)

        result = perform(plan, client, on_event=begin, ready=bench_ready)
        zero_us = line.world.board_clock()[1]
        truth = tuple(row._replace(at_us=row.at_us - zero_us) for row in line.unit.truth)
    finally:
        client.close()
    assert begun_us
    return call, plan, result.observation.events, truth


def told(found: tuple[Happening, ...], thing: str) -> list[int]:
    return [each.value for each in found if each.part == "caller" and each.thing == thing]


@pytest.mark.parametrize("speed_pct", [85, 100, 110])
@pytest.mark.parametrize(("unit", "digits"), [("travelling", "357"), ("travelling", "399"), ("mossbrook", "5550134")])
def test_a_visitors_digits_are_followed(bench_call: Make, unit: str, digits: str, speed_pct: int) -> None:
    """Hook, every pulse, every digit, and every shaft, from the line alone."""
    call, plan, events, truth = visited(bench_call, unit, digits, speed_pct)
    found = happenings(plan, call.unit, events)
    assert told(found, "hook") == [1, 0]
    assert told(found, "dialled") == [*map(int, digits), -1]
    assert told(found, "digit") == [*range(1, len(digits) + 1), 0]
    counts = told(found, "pulses")
    assert counts == [count for digit in digits for count in range(1, pulses_of(digit) + 1)]
    assert max(scene.digits for scene in scenes(start(plan, call.unit), found)) == digits
    true = happenings(plan, call.unit, events, truth)
    names = ["line finder", *[stage.name for stage in call.unit.train]]
    for name in names:
        for thing in ("vertical", "rotary", "A", "B", "cut-through"):
            own = [
                [each.value for each in one if each.thing == thing and each.part.startswith(f"{name} ")]
                for one in (found, true)
            ]
            assert own[0] == own[1], (name, thing)


def test_the_stages_of_a_visitors_call(bench_call: Make) -> None:
    """Dial tone is told, though nobody listens: it follows from where the switches stand."""
    call, plan, events, _ = visited(bench_call, "travelling", "399", 100)
    found = happenings(plan, call.unit, events)
    stages = [STAGES[each.value] for each in found if each.thing == "stage"]
    assert stages[:5] == ["lifted", "finding", "dial tone", "dialling", "selecting"]
    assert stages[-4:] == ["connecting", "tone", "clearing", "ended"]
    assert [TONES[value] for value in told(found, "tone")] == ["dial tone", "", "vacant tone", ""]


def test_a_visitors_call_is_followed_while_it_runs(bench_call: Make) -> None:
    call, plan, events, _ = visited(bench_call, "mossbrook", "5550134", 100)
    live = Live(plan, call.unit)
    found = [happening for event in events for happening in live.take(event)]
    found += live.finish()
    assert tuple(found) == happenings(plan, call.unit, events)
    assert live.scene.digits == ""
    assert not live.scene.caller.off_hook


@settings(deadline=None, max_examples=100)
@given(
    st.lists(st.tuples(st.integers(1, 400_000), st.integers(0, 5)), max_size=60),
)
def test_whatever_a_visitor_does_is_some_story(bench_call: Make, moves: list[tuple[int, int]]) -> None:
    """Law: any edges of loop and battery give a story in order, and the hook is never down while the loop is closed."""
    call = bench_call()
    plan = visit_plan(call, 10_000_000)
    at_us, events = 0, []
    for number, (wait_us, value) in enumerate(moves):
        at_us += wait_us
        events.append(m.Event(number, at_us, m.EV_STATE, 1, value))
    found = happenings(plan, call.unit, events)
    assert [each.number for each in found] == list(range(1, len(found) + 1))
    assert all(one.at_us <= two.at_us for one, two in pairwise(found))
    for scene in scenes(start(plan, call.unit), found):
        last = scene.last
        if last is not None and last.thing == "hook" and not last.value:
            assert not scene.caller.loop
