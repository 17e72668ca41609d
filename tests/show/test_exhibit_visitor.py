"""A visitor dials for themselves, on the bench: followed from what is sensed alone, and told how their dial ran."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.bench.protocol_bench import Serial
from demo_ctl.link.client import Client
from demo_ctl.link.port import Port
from demo_ctl.office.load import load_unit
from demo_ctl.show import wear
from demo_ctl.show.model import Happening, Scene
from demo_ctl.show.visitor import VisitorLive, dial_ran, told_in_charge, told_to_visitor, watching_plan
from demo_ctl.wire import messages as m

UNIT = Path(__file__).parents[2] / "configs" / "units" / "mossbrook.yaml"
PORT = 1


class Visitor:
    """A person with a telephone on port 1, and a board that watches."""

    def __init__(self) -> None:
        self.unit = load_unit(UNIT).value
        line = self.unit.line_at_port(PORT)
        assert line is not None
        self.line = Serial()
        self.line.port = f"bench://?unit={UNIT}&clock=free"
        self.line.open()
        self.client = Client(Port("bench", self.line))
        self.plan = watching_plan(self.unit, line, "A visitor dials")
        self.live = VisitorLive(self.plan, self.unit)
        self.happened: list[Happening] = []
        self.scenes: list[Scene] = []
        welcome = self.client.hello()
        self.blur_us = welcome.loop_blur_us
        steps = [m.Instruction(s.op, s.port, s.x, s.a, s.b) for s in self.plan.timeline.steps]
        self.client.upload(7, steps, self.plan.timeline.roles, m.PLAN_VISITORS)
        self.client.start(7)

    def at(self, us: float, closed: bool) -> None:
        """The telephone's contacts close or open the loop, so much later."""
        kernel: Any = self.line.world.kernel
        kernel.at(kernel.now_us + round(us), self.line.world.unit.set_loop, PORT, closed)

    def dial(self, digit: int, periods_us: Sequence[int], share: float = 0.61) -> None:
        """Dial one digit, each pulse with its own period; then a pause."""
        at = 0.0
        for period_us in periods_us[:digit]:
            self.at(at, False)
            self.at(at + share * period_us, True)
            at += period_us
        self.run(at + 900_000)

    def run(self, us: float) -> None:
        until_us = self.client.now_us() + round(us)
        while (left_us := until_us - self.client.now_us()) > 0:
            for heard in self.client.poll(min(50_000, left_us)):
                if isinstance(heard, m.Event):
                    self._fold(self.live.take(heard))
                elif isinstance(heard, m.Beat):
                    self._fold(self.live.due(heard.now_us))

    def _fold(self, found: tuple[Happening, ...]) -> None:
        self.happened += found
        if found:
            self.scenes.append(self.live.scene)

    def lift(self) -> None:
        self.at(0, True)
        self.run(1_500_000)

    def hang_up(self) -> None:
        self.at(0, False)
        self.run(3_000_000)


@pytest.fixture
def person() -> Any:
    made = Visitor()
    yield made
    made.client.close()


def test_a_visitors_call_to_a_busy_number_is_followed_and_their_dial_is_told(person: Visitor) -> None:
    kernel: Any = person.line.world.kernel
    person.lift()
    assert person.live.lifted
    assert person.live.scene.caller.off_hook
    assert person.live.scene.stage == 3  # dial tone, inferred
    for digit in (5, 5, 5, 10, 1, 3, 4):
        person.dial(digit, [100_000] * 10)
    assert person.live.scene.digits == "5550134"
    stages = list(dict.fromkeys(scene.stage for scene in person.scenes))
    assert stages[:4] == [1, 2, 3, 4]
    assert 6 in stages  # the connector has come to the line
    before_hang_up = person.live.scene
    person.hang_up()
    assert before_hang_up.dialled == ""  # nobody wrote a number down
    assert not person.live.lifted
    assert person.live.scene.stage in (0, 10)
    ran = dial_ran(person.live.seen, PORT, person.unit, person.blur_us)
    assert ran.digits == "5550134"
    assert ran.speed is not None
    assert abs(ran.speed.value - 10) < 3 * ran.speed.u + 0.02
    assert ran.uneven_pct is not None
    assert ran.uneven_pct < 2
    assert ran.break_pct is not None
    # Times are the board's: they rise, and none is later than the bench's own.
    times = [each.at_us for each in person.happened]
    assert times == sorted(times)
    assert times[-1] < kernel.now_us + 10_000_000
    # What the switches did, inferred from the dial alone, is what they really did.
    person.happened += person.live.finish()
    told = wear.worked(person.happened, person.unit)
    assert told["connector"] == 3 + 4 + 1
    assert told["line finder"] > 1
    # Nothing of the board's moved.
    assert {each.part for each in person.happened if each.thing == "hook"} == {"caller"}


@pytest.mark.parametrize(("period_us", "pps"), [(125_000, 8.0), (83_333, 12.0)])
def test_a_slow_dial_and_a_fast_one(person: Visitor, period_us: int, pps: float) -> None:
    person.lift()
    person.dial(5, [period_us] * 5)
    person.dial(7, [period_us] * 7)
    person.hang_up()
    ran = dial_ran(person.live.seen, PORT, person.unit, person.blur_us)
    assert ran.digits == "57"
    assert ran.speed is not None
    assert abs(ran.speed.value - pps) < 3 * ran.speed.u + 0.02
    words = told_to_visitor(ran)
    assert set(words) == {"en", "de", "fr"}
    assert f"{pps:.1f} pulses a second" in words["en"]
    assert f"{pps:.1f}".replace(".", ",") in words["de"]
    assert all(len(text) <= 160 for text in words.values())
    assert "A visitor dialled 57" in told_in_charge(ran)


def test_a_finger_that_drags_is_uneven(person: Visitor) -> None:
    person.lift()
    person.dial(6, [100_000, 100_000, 120_000, 90_000, 100_000, 100_000])
    person.hang_up()
    ran = dial_ran(person.live.seen, PORT, person.unit, person.blur_us)
    # Of five periods from fall to fall: 100, 100, 120, 90, 100 ms; mean 102.
    assert ran.uneven_pct == pytest.approx(100 * 30 / 102, abs=1)


def test_lifted_and_put_down_is_no_digit(person: Visitor) -> None:
    person.lift()
    person.hang_up()
    ran = dial_ran(person.live.seen, PORT, person.unit, person.blur_us)
    assert ran.digits == ""
    assert told_to_visitor(ran) == {}
    assert told_in_charge(ran) == "A visitor dialled nothing."
    assert person.live.scene.digits == ""
    assert [each.value for each in person.happened if each.thing == "hook"] == [1, 0]
    assert not [each for each in person.happened if each.thing == "digit" and each.value]


def test_the_watching_plan_moves_nothing() -> None:
    unit = load_unit(UNIT).value
    line = unit.line_at_port(PORT)
    assert line is not None
    plan = watching_plan(unit, line, "A visitor dials")
    assert {step.op for step in plan.timeline.steps} == {m.OP_WAIT}
    assert not plan.ringing
    assert sum(step.a for step in plan.timeline.steps) == plan.most_us
