"""All kinds of check together: one function each, order kept; and a whole simulated call against the truth."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.protocol_bench import Serial
from demo_ctl.link.client import Client
from demo_ctl.link.port import Port
from demo_ctl.measure.measure import MEASURES
from demo_ctl.measure.model import Measurement
from demo_ctl.office.load import load_unit
from demo_ctl.plan.build import build
from demo_ctl.plan.model import Check
from demo_ctl.run.perform import perform
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.script.load import load_call
from demo_ctl.wire import messages as m

Make = Callable[..., Any]
CONFIGS = Path(__file__).parents[2] / "configs"


def test_every_kind_of_check_has_its_function() -> None:
    assert set(MEASURES) == set(Check)


def test_order_is_the_plans(new_scene: Make) -> None:
    scene = new_scene()
    index = scene.step(m.OP_LOOP, 1000, x=1)
    for check in (Check.NO_REVERSAL, Check.OTHERS_RANG, Check.ANSWER_REVERSAL, Check.NO_REVERSAL):
        scene.expect(check, 0, 0, port=1, index=index)
    scene.end(10**6)
    assert [one.expectation for one in scene.measure()] == [each.id for each in scene.plan.expectations]


@settings(deadline=None, max_examples=150)
@given(
    events=st.lists(
        st.tuples(
            st.integers(0, 10**7), st.integers(1, 12), st.integers(0, 5), st.integers(0, 9) | st.integers(0, 2**32 - 1)
        ),
        max_size=60,
    ),
    blocks=st.lists(
        st.tuples(st.integers(0, 3000), st.integers(0, 10**7), st.integers(0, 4), st.binary(max_size=224)), max_size=6
    ),
)
def test_whatever_was_reported_gives_figures_or_reasons(
    new_scene: Make, tone_of: Make, events: list[Any], blocks: list[Any]
) -> None:
    """Law: any events and audio give one measurement a check, with a figure or a reason, and never a fault."""
    scene = new_scene()
    scene.step(m.OP_LOOP, None, x=1)
    scene.step(m.OP_PULSES, None, x=3, a=60_000, b=40_000)
    scene.step(m.OP_PULSES, None, x=1, a=60_000, b=40_000)
    scene.step(m.OP_WAIT, None, a=10**6)
    for event in events:
        scene.event(*event)
    for first, at_us, port, data in blocks:
        scene.blocks.append(m.Audio(first, at_us, port, data[: len(data) // 2 * 2]))
    for check in Check:
        index = 1 if "dial" in check.value or check in (Check.HELD, Check.CUT_THROUGH, Check.FIRST_RING) else 0
        scene.expect(
            check,
            0,
            1000,
            port=1,
            other_port=2,
            index=index,
            until=3,
            indices=(1, 2),
            tone=tone_of([350, 440], [0.5, 0.5]),
        )
    for found in scene.measure():
        if found.quantity is None:
            assert found.reason
        else:
            assert found.reached
            assert found.quantity.u >= 0
        known = {event.number for event in scene.observation.events}
        assert set(found.evidence) <= known


@contextmanager
def called(script: str, unit: str, seed: int) -> Iterator[tuple[dict[str, Measurement], Any, Any]]:
    """Perform a sample call on the bench: measurements by title's check, the simulated unit, the plan."""
    path = CONFIGS / "units" / f"{unit}.yaml"
    plan = build(load_call(CONFIGS / "calls" / f"{script}.yaml"), load_unit(path), Fraction(1))
    line = Serial()
    line.port = f"bench://?unit={path}&seed={seed}&clock=free"
    line.open()
    client = Client(Port(line.port, line))
    try:
        result = perform(plan, client, ready=bench_ready)
        zero_us = line.world.board_clock()[1]  # what the unit's clock reads when the board's reads 0
        truth = [row._replace(at_us=row.at_us - zero_us) for row in line.unit.truth]
        yield {found.expectation: found for found in result.measurements}, truth, result
    finally:
        client.close()


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_simulated_call_is_measured_as_it_was(seed: int) -> None:
    """The board's figures lie within 2u of what really happened inside the simulated unit."""
    with called("answered", "travelling", seed) as (found, rows, result):
        plan = result.plan
        ended = {event.value & 0xFFFF: event.at_us for event in result.observation.events if event.kind == m.EV_ENDED}
        wanted = {each.id: each for each in plan.expectations}

        def truth(what: str, value: int, after_us: int) -> int:
            found_us: int = next(
                row.at_us for row in rows if row.what == what and row.value == value and row.at_us > after_us
            )
            return found_us

        def check(name: str, at_us: float, begin_us: float) -> None:
            quantity = found[name].quantity
            assert quantity is not None, found[name].reason
            error_us = quantity.value * 1000 - (at_us - begin_us)
            assert abs(error_us) <= 2000 * quantity.u, (name, error_us, quantity)

        lifted = ended[wanted["dial-tone-delay"].index]
        check("dial-tone-delay", truth("selector 1/B", 1, lifted), lifted)
        digit = wanted["cut-through"].index
        make_us = ended[digit] - plan.timeline.steps[digit].b
        check("cut-through", truth("selector 1/cut-through", 1, make_us), make_us)
        answer = ended[wanted["ring-trip"].index]
        check("ring-trip", truth("connector 3-1/F", 1, answer), answer)
        # The interrupter's cams turn bell and ringing tone together (facts R20): two ways to one instant.
        bell, tone = found["first-ring"].quantity, found["post-dial-delay"].quantity
        assert bell is not None
        assert tone is not None
        assert abs(bell.value - tone.value) <= 2 * (bell.u**2 + tone.u**2) ** 0.5


@pytest.mark.parametrize(("script", "tone"), [("busy", "busy tone"), ("wrong-number", "vacant tone")])
def test_simulated_tones_are_known(script: str, tone: str) -> None:
    with called(script, "travelling", 4) as (found, _, result):
        wanted = {each.id: each for each in result.plan.expectations}
        heard = [one for name, one in found.items() if wanted[name].check is Check.TONE and tone in wanted[name].title]
        assert [one.quantity.value for one in heard if one.quantity] == [1]
