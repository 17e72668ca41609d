"""The nine sample scripts on both sample units: what each of them makes the board do, and what it expects."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest

from demo_ctl.office.model import Unit
from demo_ctl.plan.build import build
from demo_ctl.plan.check import least_us, most_us
from demo_ctl.plan.dial import HEAR_STOP_US
from demo_ctl.plan.model import Check, Plan, Step, Stretch
from demo_ctl.plan.pack import plan_number, to_instructions
from demo_ctl.plan.reach import End, reach
from demo_ctl.plan.summarise import summarise
from demo_ctl.script.load import load_call
from demo_ctl.script.model import CHECKS
from demo_ctl.terms.located import Located
from demo_ctl.wire import messages as wire

SCRIPTS = [
    "abandoned",
    "all-trunks-busy",
    "answered",
    "busy",
    "called-clears-first",
    "flash",
    "no-answer",
    "permanent-off-hook",
    "wrong-number",
]
Units = dict[str, Located[Unit]]


def sample(name: str, unit: str, units: Units, configs: Path, pace: Fraction = Fraction(1)) -> Plan:
    return build(load_call(configs / "calls" / f"{name}.yaml"), units[unit], pace)


def checks(plan: Plan) -> set[Check]:
    return {expectation.check for expectation in plan.expectations}


def steps(plan: Plan, op: int) -> list[Step]:
    return [step for step in plan.timeline.steps if step.op == op]


@pytest.mark.parametrize("unit", ["travelling", "mossbrook"])
@pytest.mark.parametrize("pace", [Fraction(1, 4), Fraction(1), Fraction(2)])
@pytest.mark.parametrize("name", SCRIPTS)
def test_every_sample_is_planned_on_both_units_at_every_pace(
    name: str, pace: Fraction, unit: str, units: Units, configs: Path
) -> None:
    plan = sample(name, unit, units, configs, pace)
    assert plan.script == name
    assert plan.pace == pace
    assert least_us(plan.timeline.steps) == plan.least_us <= plan.most_us == most_us(plan.timeline.steps)
    # Every sample calls for a dial tone, and says which line of the file asked for it.
    delay = next(each for each in plan.expectations if each.check is Check.DIAL_TONE_DELAY)
    assert "dial tone" in (configs / "calls" / f"{name}.yaml").read_text().splitlines()[delay.place.line - 1]


def test_answered_goes_through_in_the_planned_order(units: Units, configs: Path) -> None:
    plan = sample("answered", "travelling", units, configs)
    told = [
        (wire.OPS[step.op], step.port, step.x)
        for step in plan.timeline.steps
        if step.op not in (wire.OP_WAIT, wire.OP_LISTEN)
    ]
    ring, quiet = wire.RINGING << 1 | 1, wire.RINGING << 1
    assert told == [
        ("loop", 1, 1),
        ("gate", 1, 1),
        ("pulses", 1, 3),
        ("pulses", 1, 5),
        ("pulses", 1, 7),
        ("ringing", 2, 1),
        ("wait for", 2, ring | 1 << 8),
        ("wait for", 2, ring | 2 << 8),
        ("wait for", 2, quiet | 1 << 8),
        ("loop", 2, 1),
        ("ringing", 2, 0),
        ("wait for", 1, wire.REVERSED << 1 | 1 | 1 << 8),
        ("loop", 1, 0),
        ("gate", 2, 2),
        ("loop", 2, 0),
        ("ringing", 2, 1),
        ("ringing", 2, 0),
    ]
    assert plan.timeline.roles == (wire.CALLING, wire.CALLED, wire.UNUSED, wire.UNUSED)
    assert (plan.number, plan.digits, plan.caller_port, plan.called_port) == ("357", "357", 1, 2)
    assert checks(plan) == set(Check) - {
        Check.CLEAR_REVERSAL,
        Check.HELD,
        Check.NO_REVERSAL,
    }


def test_answered_expects_a_new_call_at_the_port_left_off_hook(units: Units, configs: Path) -> None:
    """T19a of the facts: common practice, no source."""
    plan = sample("answered", "mossbrook", units, configs)
    first, second = (each for each in plan.expectations if each.check is Check.DIAL_TONE_DELAY)
    hung_up = plan.timeline.steps[second.index]
    assert (hung_up.op, hung_up.port, hung_up.x) == (wire.OP_LOOP, 1, 0)
    assert second.port == 2
    assert first.window.high is not None
    assert second.window.high is not None
    assert second.window.high > first.window.high, "the release comes before the new call's dial tone"


def test_answered_dials_the_seven_digit_number(units: Units, configs: Path) -> None:
    plan = sample("answered", "mossbrook", units, configs)
    assert plan.number == "KLondike 5-0134"
    assert plan.digits == "5550134"
    assert [step.x for step in steps(plan, wire.OP_PULSES)] == [5, 5, 5, 10, 1, 3, 4]
    # Digit 1 has a break but no period: its speed cannot be seen.
    speed = next(each for each in plan.expectations if each.check is Check.PULSE_SPEED)
    sent = next(each for each in plan.expectations if each.check is Check.PULSE_SPEED_SENT)
    assert len(sent.indices) == 7
    assert [plan.timeline.steps[index].x for index in speed.indices] == [5, 5, 5, 10, 3, 4]
    assert sum(each.check is Check.CUT_THROUGH for each in plan.expectations) == 5


def test_dial_tone_is_listened_to_a_moment_longer_than_the_first_digit(units: Units, configs: Path) -> None:
    """A first digit of one pulse is too short to tell; listening goes on inside the pause, which grows no longer."""
    plan = sample("answered", "travelling", units, configs)
    first, second, _ = (index for index, step in enumerate(plan.timeline.steps) if step.op == wire.OP_PULSES)
    between = plan.timeline.steps[first + 1 : second]
    assert [step.op for step in between] == [wire.OP_WAIT, wire.OP_LISTEN, wire.OP_WAIT]
    assert between[1].x == 0
    assert between[0].a == HEAR_STOP_US
    assert between[0].a + between[2].a == units["travelling"].value.dial.pause_us
    stop = next(each for each in plan.expectations if each.check is Check.DIAL_TONE_STOP)
    assert (stop.index, stop.until) == (first, first + 1)


@pytest.mark.parametrize("unit", ["mossbrook", "travelling"])
@pytest.mark.parametrize(
    ("script", "window", "silence_ms"),
    [("busy", "busy_test", 550), ("wrong-number", "busy_test", 0), ("all-trunks-busy", "overflow", 275)],
)
def test_tones_of_switches_have_tighter_windows_than_ringback(
    units: Units, configs: Path, unit: str, script: str, window: str, silence_ms: float
) -> None:
    """A busy tone that comes seconds late is a fault; only ringing may wait for the ringing's interrupter."""
    plan = sample(script, unit, units, configs)
    windows = units[unit].value.windows
    delay = next(each for each in plan.expectations if each.check is Check.POST_DIAL_DELAY)
    assert delay.window.high is not None
    assert delay.window.high == pytest.approx(getattr(windows, window).high_us / 1000 + silence_ms)
    assert delay.window.high * 4 < (windows.post_dial_delay.high_us or 0) / 1000


def test_hunting_over_a_group_makes_the_busy_tone_later(
    changed_unit: Callable[..., Unit],
) -> None:
    plain = changed_unit("travelling")
    group = plain.train[-1].model_copy(update={"hunting": (("357", "359"),)})
    second = plain.lines[1].model_copy(
        update={"name": "parlour two", "number": "359", "finder_terminal": 9, "attached": "nothing"}
    )
    unit = plain.model_copy(update={"train": (*plain.train[:-1], group), "lines": (*plain.lines, second)})
    there = reach(unit, "357", {"parlour", "parlour two"}, set())
    assert (there.end, there.hunts) == (End.BUSY, 2)
    assert reach(unit, "357", {"parlour"}, set()).hunts == 2
    assert reach(plain, "357", {"parlour"}, set()).hunts == 0


def test_no_answer_counts_three_rings_and_keeps_the_feed_open_to_hear_a_fourth(units: Units, configs: Path) -> None:
    plan = sample("no-answer", "travelling", units, configs)
    rang = next(each for each in plan.expectations if each.check is Check.RANG)
    assert (rang.window.low, rang.window.high) == (3, 3)
    ops = [step.op for step in plan.timeline.steps]
    assert not [step for step in steps(plan, wire.OP_LOOP) if step.port == 2], "nobody answers"
    hung_up = next(i for i, step in enumerate(plan.timeline.steps) if step.op == wire.OP_LOOP and not step.x)
    assert wire.OP_RINGING in ops[hung_up:], "the window closes after the caller has hung up"
    quiet = next(each for each in plan.expectations if each.check is Check.NO_RINGING)
    waited = plan.timeline.steps[quiet.until].a
    assert waited >= units["travelling"].value.ringing.on_us + units["travelling"].value.ringing.off_us


@pytest.mark.parametrize("name", ["abandoned", "all-trunks-busy", "busy", "permanent-off-hook", "wrong-number"])
@pytest.mark.parametrize("unit", ["travelling", "mossbrook"])
def test_a_call_that_cannot_ring_opens_no_ringing_window(name: str, unit: str, units: Units, configs: Path) -> None:
    plan = sample(name, unit, units, configs)
    assert not plan.ringing
    assert not steps(plan, wire.OP_RINGING)
    assert Check.NO_RINGING in checks(plan)
    assert wire.CALLED not in plan.timeline.roles


def test_the_caller_keeps_the_train_when_the_called_party_clears_first(units: Units, configs: Path) -> None:
    plan = sample("called-clears-first", "travelling", units, configs)
    held = next(each for each in plan.expectations if each.check is Check.HELD)
    loops = [(index, step.port) for index, step in enumerate(plan.timeline.steps) if step.op == wire.OP_LOOP]
    (called_up, called), (caller_up, caller) = loops[-2:]
    assert (called, caller) == (plan.called_port, plan.caller_port) == (2, 1)
    assert held.port == caller
    assert called_up < held.index < held.until == caller_up - 1
    assert (held.window.low, held.window.high) == (0, 0)
    # Where the caller hangs up at once there is nothing to hold.
    assert Check.HELD not in checks(sample("answered", "travelling", units, configs))


def test_busy_expects_sixty_interruptions_a_minute(units: Units, configs: Path) -> None:
    plan = sample("busy", "travelling", units, configs)
    on = next(each for each in plan.expectations if each.check is Check.TONE_ON)
    assert on.window.low == pytest.approx(450)
    assert on.window.high == pytest.approx(550)
    assert on.tone == units["travelling"].value.tones.busy


def test_two_spare_ports_hold_the_two_trunks_of_the_travelling_unit(units: Units, configs: Path) -> None:
    plan = sample("all-trunks-busy", "travelling", units, configs)
    (busy,) = plan.busy_trunks
    assert (busy.stage, busy.level, busy.prefix, busy.positions, busy.met_by) == (1, "3", "3", (1, 2), "held calls")
    loops = [(step.port, step.x) for step in steps(plan, wire.OP_LOOP)]
    assert loops == [(3, 1), (4, 1), (1, 1), (1, 0), (3, 0), (4, 0)]
    assert [(step.port, step.x) for step in steps(plan, wire.OP_PULSES)] == [(3, 3), (4, 3), (1, 3)]
    assert all(gate.tone is not None for gate in plan.gates)
    delay = next(each for each in plan.expectations if each.check is Check.POST_DIAL_DELAY)
    assert delay.tone == units["travelling"].value.tones.overflow
    assert Check.CUT_THROUGH not in checks(plan), "no switch cuts through where no trunk is free"


def test_ten_trunks_of_the_large_unit_are_made_busy_by_a_person(units: Units, configs: Path) -> None:
    plan = sample("all-trunks-busy", "mossbrook", units, configs)
    (busy,) = plan.busy_trunks
    assert (busy.level, busy.positions, busy.met_by) == ("5", tuple(range(1, 11)), "person")
    gate = plan.gates[0]
    assert (gate.index, gate.tone, gate.port) == (0, None, 0)
    assert gate.tell == "make busy: first selector, level 5, trunks 1-10"
    assert gate.limit_us == units["mossbrook"].value.longest_gate_us


def test_flash_is_a_digit_a_break_and_a_release(units: Units, configs: Path) -> None:
    plan = sample("flash", "travelling", units, configs)
    kinds = [(step.op, step.x, step.a) for step in plan.timeline.steps if "flashes" in step.label]
    assert kinds == [
        (wire.OP_PULSES, 1, 100_000),
        (wire.OP_LOOP, 0, 0),
        (wire.OP_LOOP, 1, 0),
        (wire.OP_PULSES, 1, 100_000),
        (wire.OP_LOOP, 0, 0),
        (wire.OP_LOOP, 1, 0),
    ]
    held = next(each for each in plan.expectations if each.check is Check.HELD)
    assert plan.timeline.steps[held.index].op == wire.OP_PULSES
    assert plan.timeline.steps[held.until].a >= units["travelling"].value.adjustment.b_hold.most_us
    pulses = [each for each in plan.expectations if each.check is Check.PULSES]
    assert [each.window.low for each in pulses] == [1, 3, 5, 7]
    assert sum(each.check is Check.RELEASE for each in plan.expectations) == 3


def test_a_quarter_of_normal_speed_says_what_each_part_got(units: Units, configs: Path) -> None:
    plan = sample("answered", "mossbrook", units, configs, Fraction(1, 4))
    rows = {row.part: row for row in plan.pace_table}
    speed = rows["pulse speed"]
    assert (speed.kind, speed.normal, speed.asked, speed.got) == (Stretch.BOUNDED, "10 pps", "2.5 pps", "8.32 pps")
    assert "follow down to 8 pps" in speed.why
    pause = rows["pause between digits"]
    assert (pause.kind, pause.got) == (Stretch.STRETCHABLE, "3.2 s")
    assert (rows["talk"].normal, rows["talk"].got) == ("4 s", "16 s")
    assert rows["ringing"].kind is rows["release"].kind is Stretch.FIXED
    window = next(each.window for each in plan.expectations if each.check is Check.PULSE_SPEED_SENT)
    assert window.low == pytest.approx(8.32 * 0.99, abs=0.001)
    assert window.high == pytest.approx(8.32 * 1.01, abs=0.001)


def test_twice_normal_speed_keeps_what_the_selectors_need(units: Units, configs: Path) -> None:
    plan = sample("answered", "travelling", units, configs, Fraction(2))
    rows = {row.part: row for row in plan.pace_table}
    assert rows["pause between digits"].asked == "450 ms"
    assert rows["pause between digits"].got == "800 ms"
    assert rows["pulse speed"].got == "11.4 pps"
    assert rows["talk"].got == "2 s"


def test_instructions_are_the_steps_and_the_number_is_their_check_sum(units: Units, configs: Path) -> None:
    plan = sample("answered", "travelling", units, configs)
    instructions = to_instructions(plan)
    assert [tuple(each) for each in instructions] == [
        (step.op, step.port, step.x, step.a, step.b) for step in plan.timeline.steps
    ]
    other = sample("answered", "travelling", units, configs, Fraction(1, 2))
    assert plan_number(plan) != plan_number(other)
    assert 0 <= plan_number(plan) < 2**32


def test_the_summary_adds_up(units: Units, configs: Path) -> None:
    plan = sample("answered", "travelling", units, configs)
    rows = summarise(plan)
    assert len(rows) == len(plan.timeline.steps)
    assert (rows[0].earliest_us, rows[0].latest_us) == (0, 0)
    assert rows[-1].earliest_us + rows[-1].least_us == plan.least_us
    assert rows[-1].latest_us + rows[-1].most_us == plan.most_us
    assert all(row.label == step.label for row, step in zip(rows, plan.timeline.steps, strict=True))


def test_scripts_and_plans_name_the_same_checks() -> None:
    assert set(CHECKS) == {check.value for check in Check}
