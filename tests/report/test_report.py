"""What people and programs read of a call and of a plan."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console, RenderableType

from demo_ctl.judge.judge import judge
from demo_ctl.judge.model import Judgement
from demo_ctl.link.advice import name_after
from demo_ctl.measure.model import Measurement
from demo_ctl.office.load import load_unit
from demo_ctl.plan.build import build
from demo_ctl.plan.model import Check, Expectation, Gate, PaceRow, Plan, Step, Stretch, Timeline
from demo_ctl.report.call import GROUPS, call_tables, grouped, heading, summary
from demo_ctl.report.live import LONG_US, LiveStory, people, wait_words
from demo_ctl.report.machine import call_json, plan_json
from demo_ctl.report.plan import plan_tables
from demo_ctl.report.words import allowed_words, decimals_for, measured_words, quantity_words, time_words, window_words
from demo_ctl.script.load import load_call
from demo_ctl.terms.errors import Place
from demo_ctl.terms.outcome import Outcome
from demo_ctl.terms.quantity import Quantity
from demo_ctl.terms.window import Window
from demo_ctl.wire import messages as m

WIDTH = 80


def printed(parts: list[RenderableType], *, colour: bool = False) -> str:
    out = io.StringIO()
    console = Console(file=out, width=WIDTH, force_terminal=colour, no_color=not colour, highlight=False)
    for part in parts:
        console.print(part)
    return out.getvalue()


def plan() -> Plan:
    place = Place("configs/calls/sample.yaml", 12)
    steps = (
        Step(m.OP_LOOP, 1, 1, 0, 0, "caller lifts", place),
        Step(m.OP_GATE, 1, 1, 4_000_000, 1, "hold for dial tone at caller", place),
        *(Step(m.OP_PULSES, 1, int(digit), 61_000, 39_000, f"caller dials {digit}", place, digit) for digit in "5531"),
        Step(m.OP_RINGING, 2, 1, 30_000_000, 0, "ringing window for called opens", Place("other.yaml", 3)),
        Step(m.OP_WAIT_FOR, 2, m.RINGING << 1 | 1 | 2 << 8, 6_900_000, 1, "let it ring 2 times", place),
        Step(m.OP_WAIT, 0, 0, 90_000_000, 0, "talk [for a long time]", place),
    )
    expectations = (
        Expectation("delay", Check.DIAL_TONE_DELAY, "dial tone delay", Window(None, 3000, "ms", "S1"), place, port=1),
        *(
            Expectation(f"d{n}", Check.PULSES, f"digit {n}: pulses", Window(p, p, "pulses", "S8"), place, index=n + 1)
            for n, p in enumerate((5, 5, 3, 1), 1)
        ),
        Expectation(
            "cut", Check.CUT_THROUGH, "selector cuts through", Window(130, 560, "ms", "S9"), place, required=False
        ),
        Expectation("tone", Check.TONE, "ringback at caller", Window(1, 1, "", "this script"), place),
        Expectation("trip", Check.RING_TRIP, "ringing trips at called", Window(None, 200, "ms", "LSSGR"), place),
        Expectation("answer", Check.ANSWER_REVERSAL, "battery reverses", Window(None, 400, "ms", "S14"), place),
        Expectation("release", Check.RELEASE, "caller released", Window(350, 1100, "ms", "S10"), place),
    )
    return Plan(
        script="sample",
        title="A sample",
        unit="a unit",
        pace=Fraction(1, 4),
        number="KL5-31",
        digits="5531",
        caller_port=1,
        called_port=2,
        timeline=Timeline(steps, (m.CALLING, m.CALLED, m.UNUSED, m.UNUSED)),
        expectations=expectations,
        pace_table=(PaceRow("talk", Stretch.STRETCHABLE, "4 s", "16 s", "16 s", "nothing waits for this"),),
        gates=(Gate(1, 1, 1, None, "look at the finder", 4_000_000),),
        least_us=91_400_000,
        most_us=102_300_000,
        ringing=True,
        notes=("a note",),
    )


GOOD: dict[str, Any] = {
    "delay": Quantity(203.4, "ms", 0.21),
    "d1": Quantity(5, "pulses"),
    "d2": Quantity(5, "pulses"),
    "d3": Quantity(3, "pulses"),
    "d4": Quantity(1, "pulses"),
    "cut": Quantity(202, "ms", 0.06),
    "tone": Quantity(1, ""),
    "trip": Quantity(101, "ms", 0.06),
    "answer": Quantity(151, "ms", 0.06),
    "release": Quantity(571, "ms", 0.06),
}


def result(**changed: Any) -> tuple[Plan, Judgement]:
    made = plan()
    figures = GOOD | changed
    measurements = tuple(
        Measurement(each.id, figures[each.id], True, reason="" if figures[each.id] else "it was not sensed")
        for each in made.expectations
    )
    return made, judge(made, measurements)


def test_every_kind_of_check_has_one_group() -> None:
    stand = [check for checks in GROUPS.values() for check in checks]
    assert sorted(stand, key=lambda check: check.value) == sorted(Check, key=lambda check: check.value)


def test_a_good_call_reads_in_the_order_of_a_call() -> None:
    made, judgement = result()
    text = printed(call_tables(made, judgement, simulated=True))
    heads = [text.index(head) for head in ("Dialling", "Switching", "Ringing", "Supervision", "Release")]
    assert heads == sorted(heads)
    assert "pulses in each of 4 digits" in text
    assert "digit 2: pulses" not in text
    assert "203.4 ± 0.4 ms" in text
    assert "on the bench" in text
    assert text.rstrip().endswith("PASSED: 10 checks, 10 pass")


def test_a_digit_that_missed_stands_alone() -> None:
    made, judgement = result(d3=Quantity(2, "pulses"))
    text = printed(call_tables(made, judgement))
    assert "pulses in 3 of 4 digits" in text
    assert "digit 3: pulses" in text
    assert "1 pulse less than the 3 pulses expected" in " ".join(text.split())
    assert "FAILED: 10 checks, 9 pass, 1 fail" in text


def test_fails_say_by_how_much_and_where_they_are_written() -> None:
    made, judgement = result(trip=Quantity(312, "ms", 1))
    text = " ".join(printed(call_tables(made, judgement)).split())
    assert "fail: ringing trips at called: 312 ms, 112 ms more than the 200 ms allowed (LSSGR)" in text
    assert "[configs/calls/sample.yaml:12]" in text


def test_an_optional_figure_that_is_missing_does_not_spoil_the_call() -> None:
    made, judgement = result(cut=None)
    text = " ".join(printed(call_tables(made, judgement)).split())
    assert "selector cuts through: not measured, it was not sensed (the call passes all the same)" in text
    assert "PASSED: 10 checks, 9 pass, 1 not measured" in text


@pytest.mark.parametrize("status", ["ended early", "interrupted", "link lost", "tripped", "error"])
def test_how_a_call_ended_is_said(status: str) -> None:
    made, judgement = result()
    text = printed(call_tables(made, judgement, status=status, reason="because of [this]", released=False))
    assert status in text
    assert "because of [this]" in text
    assert "lets go by itself" in " ".join(text.split())


def test_a_call_that_a_person_stopped_is_no_failure_unless_something_failed() -> None:
    made, judgement = result(trip=None)
    text = printed(call_tables(made, judgement, status="interrupted", reason="stopped by Ctrl-C"))
    assert "STOPPED: 10 checks, 9 pass, 1 not measured" in text
    assert "FAILED" not in text
    assert "it was not sensed" not in text
    assert "could not be measured" in text
    made, judgement = result(trip=Quantity(312, "ms", 1))
    assert "FAILED" in printed(call_tables(made, judgement, status="interrupted"))
    # Only people stop calls: whatever else ends one early, it failed.
    made, judgement = result(trip=None)
    assert "FAILED" in printed(call_tables(made, judgement, status="link lost"))


def test_the_heading_says_what_how_long_and_how_to_stop() -> None:
    text = printed(list(heading(plan())))
    assert "A sample: 5531 on a unit at pace 1/4" in text
    assert "1 min 31 s at least" in text
    assert "Ctrl-C" in text


def test_judging_that_was_broken_off_is_no_pass() -> None:
    text = printed(call_tables(plan(), None, status="interrupted", reason="stopped by Ctrl-C"))
    assert "could not be judged" in text
    assert "PASSED" not in text


figures = st.none() | st.builds(
    lambda value, u: (value, u), st.floats(0, 1e7), st.sampled_from([0.0, 0.003, 0.2, 14.0, 2000.0])
)


@settings(deadline=None, max_examples=40)
@given(st.lists(figures, min_size=10, max_size=10))
def test_any_result_fits_and_says_in_words_what_colour_says(values: list[tuple[float, float] | None]) -> None:
    """Law: no line is wider than 80 columns, and without colour nothing is lost."""
    made = plan()
    measurements = tuple(
        Measurement(
            each.id, None if value is None else Quantity(value[0], each.window.unit, value[1]), True, reason="why not"
        )
        for each, value in zip(made.expectations, values, strict=True)
    )
    judgement = judge(made, measurements)
    parts = call_tables(made, judgement, simulated=True)
    text = printed(parts)
    assert max(len(line) for line in text.splitlines()) <= WIDTH
    for row in judgement.verdicts:
        if row.check is not Check.PULSES:
            assert row.outcome.value in text.lower()
            for figure in (measured_words(row.check, row.quantity), allowed_words(row.check, row.window)):
                assert set(figure.split()) <= set(text.split()), figure
    assert ("PASSED" in text) is judgement.passed
    bare = printed(parts, colour=True)
    assert "\x1b[" in bare


@pytest.mark.parametrize("width", [20, 40, 65, 66, 80])
def test_a_narrow_screen_loses_nothing(width: int) -> None:
    made, judgement = result(trip=Quantity(312, "ms", 1))
    out = io.StringIO()
    for part in call_tables(made, judgement):
        Console(file=out, width=width, highlight=False).print(part)
    said = "".join(out.getvalue().split())
    for row in judgement.verdicts:
        if row.check is not Check.PULSES:
            for cell in (row.title, measured_words(row.check, row.quantity), allowed_words(row.check, row.window)):
                assert "".join(cell.split()[-1]) in said, cell
    if width < 66:
        assert "FAIL:ringingtripsatcalled:312±2ms(allowed:atmost200ms)" in said


def test_json_is_whole_and_stable() -> None:
    made, judgement = result(trip=Quantity(312, "ms", 1), cut=None)
    data = json.loads(json.dumps(call_json(made, judgement, status="finished", simulated=True), allow_nan=False))
    assert set(data) == {
        "format",
        "script",
        "title",
        "unit",
        "number",
        "digits",
        "pace",
        "simulated",
        "status",
        "reason",
        "released",
        "passed",
        "counts",
        "verdicts",
    }
    assert data["format"] == "demo_ctl result 1"
    assert (data["passed"], data["pace"]) == (False, "1/4")
    assert data["counts"] == {"pass": 8, "marginal": 0, "fail": 1, "not measured": 1, "not run": 0}
    # Every digit is there, though people see one line.
    assert [row["expectation"] for row in data["verdicts"]] == [each.id for each in made.expectations]
    trip = data["verdicts"][7]
    assert set(trip) == {
        "expectation",
        "check",
        "group",
        "title",
        "outcome",
        "required",
        "quantity",
        "window",
        "say",
        "place",
        "evidence",
        "left_out",
    }
    assert trip["quantity"] == {"value": 312, "unit": "ms", "u": 1}
    assert trip["window"] == {"low": None, "high": 200, "unit": "ms", "source": "LSSGR"}
    assert trip["place"] == {"file": "configs/calls/sample.yaml", "line": 12}
    assert (trip["group"], trip["check"], trip["outcome"]) == ("ringing", "ring trip", "fail")
    assert data["verdicts"][5]["quantity"] is None


def test_json_without_a_judgement() -> None:
    data = json.loads(json.dumps(call_json(plan(), None, status="error", reason="x")))
    assert (data["passed"], data["verdicts"], data["counts"]) == (None, [], {})


def test_a_plan_reads_whole_at_80_columns() -> None:
    text = printed(plan_tables(plan()))
    assert max(len(line) for line in text.splitlines()) <= WIDTH
    flat = " ".join(text.split())
    for wanted in (
        "Dials KL5-31 (5531) at pace 1/4",
        "port 1 calling, port 2 called",
        "Takes 1 min 31 s at least, 1 min 42 s at most",
        "Gate 1 waits for a person: look at the finder",
        "It rings a bell",
        "Note: a note",
        "5 x 61 ms off,",
        "pulses in each of 4 digits",
        "[for a long time]",
        "stretchable",
        "a: nothing waits for this",
        "other.yaml:3",
        "* counts only if it can be sensed",
    ):
        assert wanted in flat, wanted


def test_a_timeline_starts_each_step_when_those_before_must_have_ended() -> None:
    """Waits for a condition may take no time at all; pulses and waits take theirs."""
    rows = [line.split() for line in printed(plan_tables(plan())).splitlines() if line[:3].strip().isdigit()]
    starts = {int(row[0]): float(row[1]) for row in rows}
    assert starts[2] == 0.0
    assert starts[3] == 0.5
    assert starts[6] == 1.4
    assert starts[8] == 1.4


def test_plan_json_holds_every_instruction() -> None:
    data = json.loads(json.dumps(plan_json(plan()), allow_nan=False))
    assert data["format"] == "demo_ctl plan 1"
    assert data["pace"] == "1/4"
    assert [step["op"] for step in data["timeline"]["steps"]] == [step.op for step in plan().timeline.steps]
    assert data["pace_table"][0]["kind"] == "stretchable"


def _story(*items: tuple[Any, ...], made: Plan | None = None, enter: bool = True) -> list[str]:
    """Give the lines for items: kind, at_us, label, detail, port, index; the plan is `plan()`."""
    story = LiveStory(made or plan(), enter=enter)
    return [line.plain.strip() for item in items for line in story.lines(*item)]


def test_the_live_story_tells_what_a_person_would_point_at() -> None:
    assert _story(
        ("plan", 0, "running", ""),
        ("ended", 0, "caller lifts", "done", 1, 0),
        ("began", 0, "hold for dial tone at caller", "", 1, 1),
        ("gate", 0, "dial tone at caller", "4 s at most", 1, 99),
        ("tone", 350_000, "dial tone at caller", "heard", 1, 1),
        ("began", 1_234_567, "caller dials 5", "", 1, 2),
        ("ended", 1_734_567, "caller dials 5", "done", 1, 2),
        ("sensed", 1_900_000, "loop off", "", 1),
        ("ringing", 2_000_000, "ringing allowed", ""),
        ("ended", 2_000_000, "ringing window for called opens", "done", 2, 6),
        ("sensed", 2_100_000, "ringing on", "", 2),
        ("sensed", 4_100_000, "ringing off", "", 2),
        ("sensed", 8_100_000, "ringing on", "", 2),
        ("ended", 8_200_000, "let it ring 2 times", "met", 2, 7),
        ("sensed", 9_000_000, "ringing on", "", 4),
        ("ringing", 9_100_000, "off", "plan ended"),
        ("plan", 9_200_000, "finished", ""),
        ("a kind of tomorrow", 0, "x"),
    ) == [
        "0.00 s  caller lifts",
        "0.35 s  caller hears dial tone",
        "1.23 s  caller dials 5",
        "2.00 s  ringing voltage may be on a line from here on",
        "2.10 s  the bell of called rings, 1st time",
        "8.10 s  the bell of called rings, 2nd time",
        "8.20 s  talk [for a long time]: 1 min 30 s",
        "9.00 s  ringing on the line of port 4, which should not ring",
        "9.10 s  ringing voltage is off",
        "9.20 s  the call is over: every line is released",
    ]


def test_a_gap_after_a_selectors_digit_is_its_cutting_through_and_told_once() -> None:
    made = plan()
    cut = replace(next(each for each in made.expectations if each.check is Check.CUT_THROUGH), index=2)
    made = replace(made, expectations=(cut,))
    gap = [("sensed", 1_900_000, word, "", 1) for word in ("loop off", "normal off", "loop on", "normal on")]
    done = ("ended", 1_700_000, "caller dials 5", "done", 1, 2)
    said = "1.90 s  selector cuts through to the next switch"
    assert _story(done, *gap, *gap, made=made) == [said]
    # Another digit's gap, or one after the next digit began, is not that selector's.
    assert _story(("ended", 1_700_000, "caller dials 5", "done", 1, 3), *gap, made=made) == []
    assert said not in _story(done, ("began", 1_800_000, "caller dials 5", "", 1, 3), *gap, made=made)


def test_a_line_is_at_rest_only_after_its_telephone_was_hung_up() -> None:
    made = plan()
    steps = (
        Step(m.OP_LOOP, 1, 1, 0, 0, "caller lifts", Place("")),
        Step(m.OP_LOOP, 1, 0, 0, 0, "caller hangs up", Place("")),
    )
    made = replace(made, timeline=Timeline(steps, made.timeline.roles), expectations=())
    assert _story(
        ("ended", 0, "caller lifts", "done", 1, 0),
        ("sensed", 160_000, "normal off", "", 1),
        ("sensed", 170_000, "normal on", "", 1),
        ("sensed", 1_000_000, "reversed on", "", 1),
        ("sensed", 2_000_000, "reversed off", "", 1),
        ("ended", 4_000_000, "caller hangs up", "done", 1, 1),
        ("sensed", 4_300_000, "reversed off", "", 1),
        ("sensed", 4_600_000, "normal on", "", 1),
        ("sensed", 4_700_000, "normal on", "", 1),
        made=made,
    ) == [
        "0.00 s  caller lifts",
        "0.16 s  a line finder takes the line of caller",
        "1.00 s  battery reverses at caller: the exchange has seen the answer",
        "2.00 s  battery is normal again at caller",
        "4.00 s  caller hangs up",
        "4.60 s  caller is released: the line is at rest",
    ]


def test_trouble_in_the_live_story_is_in_plain_words() -> None:
    assert _story(
        ("lost", 0, "edges lost", "7", 1),
        ("lost", 0, "audio lost", "3", 1),
        ("ended", 0, "await ringing at called", "limit", 2, 7),
        ("ended", 0, "caller dials 5", "stopped", 1, 2),
        ("ringing", 0, "ringing allowed"),
        ("ringing", 0, "tripped", "interlock chain open"),
        ("ringing", 0, "tripped", "no silence after ringing was taken off"),
        ("ringing", 0, "key off", "key off"),
        ("ringing", 0, "tripped", "the ringing bus is not measured"),
        ("ringing", 0, "tripped", name_after(m.R_NO_SILENCE, m.G_ARMED)),
        ("stop", 0, "releasing the line"),
        ("plan", 0, "ended early", "stopped by the host"),
        ("plan", 0, "ended early", "heartbeat lost"),
    ) == [
        "0.00 s  the current of a line changed too fast to be reported, 7 times (caller)",
        "0.00 s  sound is missing here, 3 pieces of 14 ms: the cable, or this computer, is slow (caller)",
        "0.00 s  ringing at called: it did not come in time",
        "0.00 s  caller dials 5: broken off",
        "0.00 s  ringing voltage may be on a line from here on",
        "0.00 s  the guard trips, and ringing stays off until a person turns the key off and on: a cover, the key or"
        " the emergency stop",
        "0.00 s  the guard stays tripped, and then: ringing voltage did not go away. KEEP HANDS OFF",
        "0.00 s  the guard trips, and ringing stays off until a person turns the key off and on: nothing measures the"
        " ringing bus",
        "0.00 s  the guard stays tripped, and then: a relay or the bus reads as if it rang. KEEP HANDS OFF",
        "0.00 s  releasing the line",
        "0.00 s  the call ends early, every line is released",
        "0.00 s  the call ends early, every line is released: the board heard nothing from this computer",
    ]


def test_every_reason_of_the_board_has_words_in_the_live_story() -> None:
    for name in m.R_NAMES:
        for line in _story(("plan", 0, "ended early", name)):
            assert not name or name not in line


def test_a_gate_says_what_to_press_if_anything_can_be_pressed() -> None:
    # Braces and brackets of a script's own words are only words.
    made = replace(plan(), gates=(Gate(1, 1, 0, None, "say {this} [now]", 60_000_000),))
    waits = ("gate", 0, "say {this} [now]", "60 s at most", 0, 1)
    pressed = ("gate", 5, "say {this} [now]", "go on", 0, 1)  # of that, the item knows no instant of its own
    assert _story(waits, pressed, ("ended", 3_000_000, "hold", "opened", 0, 1), made=made) == [
        "0.00 s  say {this} [now] - press Enter to go on (60 s at most)",
        "3.00 s  going on",
    ]
    assert _story(("ended", 60_000_000, "hold", "limit", 0, 1), made=made) == [
        "60.00 s  say {this} [now]: nobody said go on in time"
    ]
    assert _story(waits, made=made, enter=False) == [
        "0.00 s  say {this} [now] - nobody can press Enter here (60 s at most)"
    ]


ROOT = Path(__file__).resolve().parents[2]
SAMPLES = sorted(ROOT.glob("configs/calls/*.yaml"))


@pytest.mark.parametrize("script", SAMPLES, ids=lambda path: path.stem)
def test_the_sample_scripts_plans_are_told_in_words_for_people(script: Path) -> None:
    """The story reads who is where, and what a wait is for, from labels of the plan: all of them must be known."""
    made = build(load_call(script), load_unit(ROOT / "configs/units/mossbrook.yaml"), Fraction(1, 4))
    who = people(made)
    for step in made.timeline.steps:
        if step.port and step.op in (m.OP_LOOP, m.OP_PULSES):
            assert who[step.port] in step.label
        if step.op == m.OP_WAIT and step.a >= LONG_US:
            assert not wait_words(step.label, step.a).startswith(f"{step.label}:"), step.label


@pytest.mark.parametrize(
    ("us", "words"),
    [
        (0, "0 ms"),
        (61_000, "61 ms"),
        (800_000, "800 ms"),
        (2_500_000, "2.5 s"),
        (60_000_000, "1 min"),
        (90_000_000, "1 min 30 s"),
    ],
)
def test_times(us: int, words: str) -> None:
    assert time_words(us) == words


@pytest.mark.parametrize(
    ("doubt", "decimals"), [(0, 0), (170, 0), (17, 0), (9.2, 0), (1.4, 1), (0.42, 1), (0.12, 2), (0.004, 3), (1e-6, 3)]
)
def test_decimals_follow_the_doubt(doubt: float, decimals: int) -> None:
    assert decimals_for(doubt) == decimals


def test_figures_and_windows_in_words() -> None:
    assert quantity_words(Quantity(2617.41, "ms", 4.6)) == "2617 ± 9 ms"
    assert quantity_words(Quantity(1, "rings")) == "1 ring"
    assert window_words(Window(130, 560, "ms", "")) == "130 to 560 ms"
    assert window_words(Window(0, 0, "rings", "")) == "0 rings"
    assert window_words(Window(600, None, "ms", "")) == "at least 600 ms"
    assert window_words(Window(None, None, "ms", "")) == "any"


def test_groups_keep_the_order_of_verdicts() -> None:
    _, judgement = result()
    rows = grouped(replace(judgement, verdicts=judgement.verdicts[::-1]).verdicts)
    assert [row.expectation for row in rows["dialling"]] == ["d4", "d3", "d2", "d1", "delay"]
    assert "FAILED" in summary(Judgement((), False))
    assert Outcome.PASS.value in summary(judgement)


def test_the_live_story_tells_what_hands_do_at_the_unit() -> None:
    day = m.IN_KEY | m.IN_CHAIN_A | m.IN_CHAIN_B | m.IN_MIRROR_A
    story = LiveStory(plan())
    story.inputs = day
    changes = (day & ~m.IN_CHAIN_A, day & ~m.IN_CHAIN_A & ~m.IN_CHAIN_B, day, day | m.IN_NIGHT, day & ~m.IN_MIRROR_A, 0)
    told = [line.plain.strip() for value in changes for line in story.lines("inputs", 1_000_000, str(value))]
    assert told == [
        "1.00 s  the safety chain opens: a cover, or the emergency stop",
        "1.00 s  the safety chain is closed again",
        "1.00 s  the key is turned to night",
        "1.00 s  the key is turned to day",
        "1.00 s  the key is turned off",
    ]
    # Whoever does not know how they read before tells nothing of the first.
    assert LiveStory(plan()).lines("inputs", 0, str(day)) == []


def test_a_call_that_was_tripped_and_in_which_nothing_failed_is_called_that() -> None:
    assert summary(Judgement((), False), "tripped").startswith("TRIPPED: ")
