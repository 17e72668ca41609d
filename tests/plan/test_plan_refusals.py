"""What a plan refuses, with the script's file and line; and a script's own windows."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from typing import Any

import pytest

from demo_ctl.office.model import Unit
from demo_ctl.plan.model import Check, Plan
from demo_ctl.plan.pack import to_instructions
from demo_ctl.terms.errors import PlanError
from demo_ctl.terms.located import Located
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as wire

PlanOf = Callable[..., Plan]
LIFT = {"lift": "caller"}
DIAL = {"dial": "called"}
UP = [LIFT, DIAL, {"answer": "called", "after": "1 ring"}]


@pytest.mark.parametrize(
    ("steps", "more", "line", "says"),
    [
        ([{"lift": "nobody"}], {}, 9, "no party named 'nobody'"),
        ([LIFT, LIFT], {}, 10, "has lifted already"),
        ([DIAL], {}, 9, "has not lifted"),
        ([{"hang up": "caller"}], {}, 9, "has not lifted"),
        ([LIFT, {"dial": "99"}], {}, 10, "dialled with 3"),
        ([LIFT, {"dial": "QZ9"}], {}, 10, "cannot be dialled"),
        ([LIFT, DIAL, DIAL], {}, 11, "has dialled already"),
        ([LIFT, DIAL, {"await": "dial tone"}], {}, 11, "after dialling"),
        ([LIFT, {"dial": "gallery"}], {}, 10, "attached to: public telephone"),
        ([LIFT, {"dial": "staff room"}], {}, 10, "attached to: staff"),
        ([LIFT, {"dial": "workshop"}], {}, 10, "no party of this script"),
        ([LIFT, {"dial": "empty terminal"}, {"await": "ringing"}], {}, 11, "a vacant terminal is reached"),
        ([LIFT, DIAL, {"await": "busy tone"}], {}, 11, "the line is rung"),
        ([LIFT, DIAL, {"await": "overflow tone"}], {}, 11, "the line is rung"),
        ([LIFT, DIAL, {"await": "vacant tone"}], {}, 11, "the line is rung"),
        ([{"lift": "called"}, LIFT, DIAL, {"await": "ringback"}], {}, 12, "the line is busy"),
        ([LIFT, DIAL, {"await": "reversal"}], {}, 11, "nobody has answered"),
        ([LIFT, DIAL, {"lift": "called"}], {}, 11, "has been called"),
        ([LIFT, DIAL, {"talk": "1 s"}], {}, 11, "nobody has answered yet"),
        ([LIFT, {"await": "ringing"}], {}, 10, "no call is up"),
        ([LIFT, {"dial": "called", "only": 1}, {"answer": "called"}], {}, 12, "is not rung"),
        ([LIFT, DIAL, {"await": "ringing", "for": "3 s"}], {}, 12, "`for` says how long a tone"),
        ([LIFT, {"await": "dial tone", "rings": 2}], {}, 11, "`rings` goes with"),
        ([*UP, {"flash": "called", "open": "1 s", "shows": "release"}], {}, 13, "was called"),
        ([LIFT, {"flash": "caller", "open": "220 ms", "shows": "digit 1"}], {}, 11, "may release the train"),
        ([LIFT, {"flash": "caller", "open": "20 ms", "shows": "digit 1"}], {}, 11, "may not lift the shaft"),
        ([LIFT, {"flash": "caller", "open": "370 ms", "shows": "release"}], {}, 11, "may not release the train"),
        ([*UP, {"flash": "caller", "open": "300 ms", "shows": "break"}], {}, 14, "may release the train"),
        ([LIFT, {"flash": "caller", "open": "100 ms", "shows": "break"}], {}, 10, "while its caller is talking"),
        ([LIFT, {"gate": "wait", "limit": "3 min"}], {}, 11, "allows 120 s"),
        ([LIFT, {"await": "dial tone", "within": "3 min"}], {}, 10, "allows 120 s"),
        ([LIFT, DIAL, {"await": "ringing", "rings": 12}], {}, 11, "no ringing window may be longer"),
        ([LIFT, DIAL, {"await": "ringing"}, {"pause": "50 s"}], {}, 12, "no ringing window may be longer"),
    ],
)
def test_refused_with_its_line(
    plan_of: PlanOf, steps: list[dict[str, Any]], more: dict[str, Any], line: int, says: str
) -> None:
    with pytest.raises(PlanError) as caught:
        plan_of(steps, **more)
    assert says in caught.value.what
    assert caught.value.where is not None
    assert str(caught.value.where) == f"tried.yaml:{line}"
    assert caught.value.exit_code is Exit.BAD_INPUT


@pytest.mark.parametrize(
    ("more", "says"),
    [
        ({"dial_as": {"speed": "7 pps"}}, "known to follow 8..12 pps"),
        ({"dial_as": {"speed": "12.5 pps"}}, "known to follow 8..12 pps"),
        ({"dial_as": {"break": "66 %"}}, "known to follow 55..65 %"),
        ({"dial_as": {"pause": "700 ms"}}, "needs at least 800 ms"),
        ({"parties": {"caller": "counter", "called": "attic"}}, "no line named 'attic'"),
        ({"parties": {"caller": "counter", "called": "counter"}}, "are the same line"),
        ({"parties": {"caller": "gallery", "called": "parlour"}}, "the board can do nothing there"),
        ({"trunks_busy": [{"stage": 2}]}, "has 1 selector stages"),
        ({"must_not": ["ringing after clearing"]}, "has no place in this call"),
        ({"expect": {"ring tripp": {"to": "1 s"}}}, "'ring tripp' is no kind of check"),
        ({"expect": {"ring trip": {"to": "1 s"}}}, "no 'ring trip' to check"),
        ({"expect": {"dial tone delay": {"to": "2 V"}}}, "'V' is not a unit of time"),
        ({"expect": {"dial tone delay": {"from": "3 s", "to": "2 s"}}}, "holds nothing"),
        ({"expect": {"pulses": {"to": "many"}}}, "expected a whole number"),
    ],
)
def test_refused_settings_name_their_own_line(plan_of: PlanOf, more: dict[str, Any], says: str) -> None:
    with pytest.raises(PlanError) as caught:
        plan_of([LIFT, {"dial": "called", "only": 2}, {"hang up": "caller"}], **more)
    assert says in str(caught.value)
    assert caught.value.where is not None
    assert caught.value.where.file == "tried.yaml"
    assert caught.value.where.line


def test_a_board_with_too_few_ports_is_refused(plan_of: PlanOf) -> None:
    with pytest.raises(PlanError, match="this board has 1 ports"):
        plan_of([LIFT], ports=1)


def test_a_script_of_too_many_instructions_is_refused(plan_of: PlanOf) -> None:
    again = [LIFT, {"dial": "called", "only": 6}, {"hang up": "caller"}]
    with pytest.raises(PlanError, match="a board holds 300") as caught:
        plan_of(again * 20, unit="mossbrook")
    assert caught.value.where is not None
    assert caught.value.where.line > 9


def test_a_very_long_talk_becomes_several_waits(plan_of: PlanOf) -> None:
    plan = plan_of([*UP, {"talk": "15 min"}, {"hang up": "caller"}, {"hang up": "called"}], pace=Fraction(1, 2))
    talks = [step.a for step in plan.timeline.steps if step.label == "talk"]
    assert talks == [600_000_000] * 3


def test_units_whose_relays_cannot_hold_a_pulse_are_refused(plan_of: PlanOf, changed_unit: Callable[..., Unit]) -> None:
    short = {"least": "60 ms", "typical": "80 ms", "most": "90 ms"}
    unit = changed_unit("travelling", adjustment={"b hold": short})
    with pytest.raises(PlanError, match="would outlast relay B's or C's least hold"):
        plan_of([LIFT], unit=unit)


def test_the_hold_of_relay_c_bounds_the_slowest_pulse(plan_of: PlanOf, changed_unit: Callable[..., Unit]) -> None:
    """Make too long ends the digit (facts D41): 54 ms less 5 % guard, 12 - 5 ms less for relay A: 44.3 ms."""
    short = {"least": "54 ms", "typical": "60 ms", "most": "70 ms"}
    unit = changed_unit("travelling", adjustment={"c hold": short})
    plan = plan_of([LIFT, DIAL], unit=unit, pace=Fraction(1, 4))
    pulses = next(step for step in plan.timeline.steps if step.op == wire.OP_PULSES)
    assert pulses.b == 44_300
    assert pulses.a == 66_450
    row = next(row for row in plan.pace_table if row.part == "pulse speed")
    assert "hold" in row.why


@pytest.mark.parametrize(
    ("check", "low", "high", "window"),
    [
        ("dial tone delay", None, "2 s", (None, 2000.0)),
        ("pulse speed", "9.5 pps", "10.5 pps", (9.5, 10.5)),
        ("percent break", "58 %", "64 %", (58.0, 64.0)),
        ("pulses", "3", "3 pulses", (3.0, 3.0)),
    ],
)
def test_a_scripts_own_window_replaces_the_units(
    plan_of: PlanOf, check: str, low: str | None, high: str, window: tuple[float | None, float]
) -> None:
    own = {"to": high, "source": "a bet"} | ({"from": low} if low else {})
    plan = plan_of([LIFT, {"dial": "called", "only": 1}, {"hang up": "caller"}], expect={check: own})
    found = [each for each in plan.expectations if each.check is Check(check)]
    assert found
    for expectation in found:
        assert (expectation.window.low, expectation.window.high) == window
        assert expectation.window.source == "a bet"


def test_a_narrow_window_of_the_scripts_own_does_not_end_the_call(plan_of: PlanOf) -> None:
    """A wrong expectation must fail as a check, not as an awaited condition that did not come."""
    steps = [LIFT, {"await": "dial tone"}, *UP[1:], {"hang up": "caller"}, {"hang up": "called"}]
    usual = plan_of(steps)
    narrow = plan_of(steps, expect={"dial tone delay": {"to": "1 ms"}, "first ring": {"to": "1 ms"}})
    assert to_instructions(narrow) == to_instructions(usual)


def test_a_wide_window_of_the_scripts_own_is_waited_for(plan_of: PlanOf) -> None:
    plan = plan_of([LIFT, {"await": "dial tone"}], expect={"dial tone delay": {"to": "20 s"}})
    assert plan.gates[0].limit_us > 20_000_000


def test_pulses_of_a_slow_plan_are_judged_by_what_it_dials(plan_of: PlanOf, changed_unit: Callable[..., Unit]) -> None:
    unit = changed_unit(
        "travelling", windows={"pulse speed": {"from": "9.5 pps", "to": "10.5 pps", "source": "well adjusted"}}
    )
    plan = plan_of([LIFT, DIAL], unit=unit, pace=Fraction(1, 4))
    window = next(each.window for each in plan.expectations if each.check is Check.PULSE_SPEED)
    assert window.low is not None
    assert window.low < 8.4 < 10.5 == window.high
    assert "widened" in window.source


def test_a_hunting_group_rings_the_first_free_line(plan_of: PlanOf, changed_unit: Callable[..., Unit]) -> None:
    train = [
        {"kind": "selector", "name": "selector", "levels": {"3": {"trunks": "1-2"}}},
        {"kind": "connector", "name": "connector", "vacant": "vacant tone", "hunting": [["357", "300"]]},
    ]
    unit = changed_unit("travelling", train=train)
    parties = {"caller": "counter", "called": "parlour", "next": "workshop"}
    steps = [{"lift": "called"}, LIFT, DIAL, {"await": "ringing", "at": "next"}, {"hang up": "caller"}]
    plan = plan_of(steps, unit=unit, parties=parties)
    assert plan.called_port == 3
    with pytest.raises(PlanError, match="workshop on port 3, which is no party"):
        plan_of(steps, unit=unit)


def test_a_port_that_is_rung_does_not_dial_and_the_other_way_round(plan_of: PlanOf) -> None:
    back = [{"lift": "called"}, {"dial": "caller", "party": "called"}]
    with pytest.raises(PlanError, match="a port that is rung does not dial"):
        plan_of([LIFT, DIAL, {"hang up": "caller"}, *back])
    with pytest.raises(PlanError, match="a port that dials is not rung"):
        plan_of([{"lift": "called"}, {"dial": "empty terminal", "party": "called"}, {"hang up": "called"}, LIFT, DIAL])


def test_left_off_hook_at_the_end_is_opened_and_said(plan_of: PlanOf) -> None:
    plan = plan_of(UP)
    opened = [step.port for step in plan.timeline.steps if step.op == wire.OP_LOOP and not step.x]
    assert opened == [2, 1], "the called party first: else it would become a new call"
    assert len([note for note in plan.notes if "still off-hook at the end" in note]) == 2


def test_held_calls_need_finders_and_ways(plan_of: PlanOf, changed_unit: Callable[..., Unit]) -> None:
    steps = [LIFT, {"dial": "called", "only": 1}, {"await": "overflow tone"}, {"hang up": "caller"}]
    few = changed_unit("travelling", finders={"count": "3"})
    plan = plan_of(steps, unit=few, trunks_busy=[{"stage": 1}])
    assert plan.busy_trunks[0].met_by == "person"
    plan = plan_of(steps[:2] + steps[3:], trunks_busy=[{"stage": 1, "trunks": "all but last"}])
    assert plan.busy_trunks[0].positions == (1,)
    assert plan.busy_trunks[0].met_by == "held calls"
    assert [step.port for step in plan.timeline.steps if step.op == wire.OP_LOOP and step.x] == [3, 1]


def test_overflow_in_the_middle_stops_the_dialling_there(plan_of: PlanOf, units: dict[str, Located[Unit]]) -> None:
    plan = plan_of(
        [LIFT, DIAL, {"await": "overflow tone"}, {"hang up": "caller"}],
        unit="mossbrook",
        trunks_busy=[{"stage": 3}],
    )
    assert plan.digits == "555"
    assert plan.busy_trunks[0].prefix == "555"
    delay = next(each for each in plan.expectations if each.check is Check.POST_DIAL_DELAY)
    last = max(index for index, step in enumerate(plan.timeline.steps) if step.op == wire.OP_PULSES)
    assert delay.index == last
    assert any("stops after 555" in note for note in plan.notes)
