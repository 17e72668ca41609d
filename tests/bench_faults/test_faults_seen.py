"""Every fault of the catalogue, in whole calls: what the board senses changes as its description says.

Each row of `ROWS` is a call, a fault, and what its verdicts become; the same call without the fault passes all its
checks. What verdicts cannot tell (a later dial tone that is still in time) has a test of its own below.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.fault_text import ailments_of
from demo_ctl.bench.faults import FAULTS
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.unit import BenchUnit
from demo_ctl.judge.model import Verdict
from demo_ctl.office.model import Unit
from demo_ctl.run.result import CallResult, Status
from demo_ctl.terms.outcome import Outcome
from demo_ctl.wire import messages as m

Place = Callable[..., CallResult]
FAIL, UNMEASURED, PASS = Outcome.FAIL, Outcome.NOT_MEASURED, Outcome.PASS
S = 1_000_000
ROOT = Path(__file__).resolve().parents[2]


class Row(NamedTuple):
    """One call with one fault: expectation -> its outcome, and words of the reason for which the call ended."""

    fault: str
    call: str
    becomes: dict[str, Outcome]
    reason: str = ""


NO_TONE = {"dial-tone-delay": UNMEASURED}
NO_RING = {"dial-tone-delay": PASS, "first-ring": UNMEASURED}
OVERFLOW = {"dial-tone-stop": PASS, "no-overflow": FAIL}
ROWS = (
    Row("short-hold@selector 1", "answered", {"dial-tone-delay": PASS, "dial-tone-stop": FAIL, "pulses": FAIL}),
    Row("short-hold@connector", "answered", {"pulses-5": PASS, "pulses-6": FAIL}),
    Row("long-hold@connector", "answered", {"answer-reversal": PASS, "release": FAIL}),
    Row("digit-ends-early@selector 1", "answered", OVERFLOW),
    Row("digit-ends-late@selector 1", "answered", OVERFLOW),
    Row("sluggish-pulsing-relay@selector 1", "answered", {"dial-tone-stop": FAIL, "cut-through": UNMEASURED}),
    Row("sluggish-return@selector 1", "answered", {"pulses": FAIL}),
    Row("chattering-contact@selector 1", "answered", OVERFLOW),
    Row("dead-pulsing-relay@selector 1", "answered", NO_TONE),
    Row("dead-pulsing-relay@selector 2", "answered", {"dial-tone-delay": PASS, "no-overflow": FAIL}),
    Row("stuck-pulsing-relay@selector 1", "answered", {"dial-tone-stop": FAIL, "pulses": PASS}),
    Row("stuck-pulsing-relay@selector 1", "permanent-off-hook", {"tone": PASS, "release": UNMEASURED}),
    Row("slow-magnet@selector 1", "answered", {"dial-tone-stop": FAIL}),
    Row("dead-vertical-magnet@selector 1", "answered", {"dial-tone-stop": FAIL, "cut-through": UNMEASURED}),
    Row("dead-vertical-magnet@finder 1", "answered", NO_TONE),
    Row("dead-rotary-magnet@selector 1", "answered", {"dial-tone-stop": PASS, "cut-through": UNMEASURED}),
    Row("dead-rotary-magnet@connector", "answered", {"cut-through-5": PASS, "first-ring": UNMEASURED}),
    Row("missed-step-up@selector 1", "answered", OVERFLOW),
    Row("missed-step-up@connector", "answered", {"cut-through-5": PASS, "first-ring": UNMEASURED}),
    Row("missed-step-round@connector", "answered", {"cut-through-5": PASS, "first-ring": UNMEASURED}),
    Row("vertical-overshoot@selector 1", "answered", OVERFLOW),
    Row("vertical-overshoot@connector", "answered", {"cut-through-5": PASS, "first-ring": UNMEASURED}),
    Row("rotary-overshoot@selector 1", "answered", OVERFLOW),
    Row("rotary-overshoot@connector", "answered", {"cut-through-5": PASS, "first-ring": UNMEASURED}),
    Row("sticking-shaft@finder 1", "answered", {"answer-reversal": PASS, "release": UNMEASURED}),
    Row("slow-restoring@finder 1", "answered", {"answer-reversal": PASS, "release": FAIL}),
    Row("finder-passes-line@line counter", "answered", NO_TONE),
    Row("finder-start-fails@finder 1", "answered", NO_TONE),
    Row("open-bank-contact@trunk 1/5/1", "answered", {"dial-tone-stop": PASS, "no-overflow": FAIL}),
    Row("open-sleeve@trunk 1/5/4", "all-trunks-busy", {"tone-2": FAIL}),
    Row("open-sleeve@terminal 34", "busy", {"tone-3": FAIL, "no-reversal": FAIL}),
    Row("held-busy@terminal 34", "answered", {"cut-through-5": PASS, "first-ring": UNMEASURED}),
    Row("held-busy@selector 1/level 5", "answered", OVERFLOW),
    Row("crossed-terminals@terminal 34", "answered", {"others-rang": FAIL}, "ringing where none is expected"),
    Row("crossed-terminals@terminal 34:with=99", "answered", {"first-ring": UNMEASURED, "cut-through-5": PASS}),
    Row("dead-cut-through@selector 1", "answered", {"dial-tone-stop": PASS, "cut-through": UNMEASURED}),
    Row("dead-cut-through@connector", "busy", {"cut-through-5": PASS, "tone-3": FAIL}),
    Row("weak-ringing", "answered", {"first-ring": UNMEASURED, "cut-through-5": PASS}),
    Row("no-ringing@connector", "answered", {"first-ring": UNMEASURED, "cut-through-5": PASS}),
    Row("interrupter-stuck-on@ringing", "answered", {"first-ring": PASS, "ring-on": UNMEASURED}, "without its pause"),
    Row("interrupter-stuck-on@tone ringback", "answered", {"tone-2": FAIL}),
    Row("interrupter-stuck-on@tone busy", "busy", {"tone-3": FAIL}),
    Row("interrupter-stuck-off@ringing", "answered", {"first-ring": UNMEASURED, "cut-through-5": PASS}),
    Row("interrupter-stuck-off@tone busy", "busy", {"tone-3": FAIL}),
    Row("interrupter-off-speed@ringing", "no-answer", {"ring-on": FAIL, "ring-off": FAIL}),
    Row("interrupter-off-speed@tone ringback", "no-answer", {"ring-on": PASS, "tone-2": FAIL}),
    Row("trip-fails@connector", "answered", {"ring-trip": UNMEASURED, "answer-reversal": UNMEASURED}),
    Row("trip-fails@connector", "called-clears-first", {"ring-trip": FAIL, "answer-reversal": UNMEASURED}),
    Row("slow-trip@connector", "answered", {"ring-trip": FAIL, "answer-reversal": FAIL}),
    Row("pre-trip@connector", "no-answer", {"cut-through-5": PASS, "rang": UNMEASURED}),
    Row("pre-trip@connector:after=7 s", "no-answer", {"first-ring": PASS, "rang": UNMEASURED}),
    Row("no-reversal@connector", "answered", {"ring-trip": PASS, "answer-reversal": UNMEASURED}),
    Row("quick-supervisory-relay@connector", "no-answer", {"rang": PASS, "no-reversal": FAIL}),
    Row("slow-reversal@connector", "called-clears-first", {"answer-reversal": FAIL, "clear-reversal": FAIL}),
    Row("stuck-supervisory-relay@connector", "called-clears-first", {"clear-reversal": UNMEASURED}),
    Row("dead-line-relay@line counter", "answered", NO_TONE),
    Row("stuck-line-relay@line counter", "answered", {"answer-reversal": PASS, "release": FAIL}),
    Row("dead-cut-off-relay@line counter", "answered", NO_TONE),
    Row("dead-cut-off-relay@line parlour", "answered", {"cut-through-5": PASS, "first-ring": UNMEASURED}),
    Row("leaky-line@line counter", "answered", {"dial-tone-stop": FAIL, "cut-through": UNMEASURED}),
    Row("leaky-line@line counter", "permanent-off-hook", {"tone": PASS, "release": UNMEASURED}),
    Row("high-resistance-loop@line counter", "answered", NO_TONE),
    Row("high-resistance-loop@line parlour", "answered", {"rang": PASS, "answer-reversal": UNMEASURED}),
    Row("crossed-wires@line counter", "answered", {"ring-trip": PASS, "answer-reversal": FAIL}),
    Row("bell-tapping@line counter", "answered", {"pulses": Outcome.NOT_RUN}, "ringing where none is expected"),
    Row("hum@line counter", "answered", NO_TONE),
    Row("noisy-contact@line counter", "answered", NO_TONE),
    Row("low-battery", "answered", NO_TONE),
    Row("no-dial-tone@selector 1", "answered", NO_TONE),
    Row("faint-tone@tone dial", "answered", NO_TONE),
    Row("faint-tone@tone ringback", "answered", {"rang": PASS, "tone-2": FAIL}),
    Row("tone-off-pitch@tone dial", "answered", NO_TONE),
    Row("tone-off-pitch@tone busy", "busy", {"tone-3": FAIL}),
)
#: Faults with a test of their own below.
BY_THEMSELVES = {"crossed-trunks", "group-not-hunted", "ringing-off-frequency"}


def verdicts(result: CallResult) -> dict[str, Verdict]:
    assert result.judgement is not None
    return {verdict.expectation: verdict for verdict in result.judgement.verdicts}


def value(result: CallResult, expectation: str) -> float:
    quantity = verdicts(result)[expectation].quantity
    assert quantity is not None, expectation
    return quantity.value


def passed(result: CallResult) -> bool:
    return result.status is Status.FINISHED and result.judgement is not None and result.judgement.passed


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.fault} {row.call}")
def test_a_call_shows_the_fault_and_passes_without(row: Row, place: Place) -> None:
    assert passed(place(row.call))
    result = place(row.call, row.fault)
    found = verdicts(result)
    assert {name: found[name].outcome for name in row.becomes} == row.becomes
    assert result.judgement is not None
    assert not result.judgement.passed
    assert row.reason in result.reason


def test_every_fault_is_shown_by_some_call() -> None:
    assert {row.fault.partition("@")[0] for row in ROWS} | BY_THEMSELVES == set(FAULTS)


@pytest.mark.parametrize("fault", ["slow-magnet@finder 1", "finder-passes-line@finder 1"])
def test_a_slow_or_blind_finder_brings_dial_tone_later(fault: str, place: Place) -> None:
    sound, ailing = (value(place("answered", *faults), "dial-tone-delay") for faults in ((), (fault,)))
    assert ailing > sound + 100


def test_a_trunk_held_busy_is_passed_by_one_step_later(place: Place, mossbrook: Unit) -> None:
    step_ms = 1000 / mossbrook.adjustment.hunting_sps
    sound, ailing = (value(place("answered", *faults), "cut-through") for faults in ((), ("held-busy@trunk 1/5/1",)))
    assert sound + 0.7 * step_ms < ailing < sound + 1.3 * step_ms


def test_a_crossed_trunk_leads_to_another_switch_and_its_faults(place: Place) -> None:
    dead, crossed = "dead-vertical-magnet@selector 2/switch 2", "crossed-trunks@trunk 1/5/1:with=2"
    assert passed(place("answered", dead))
    assert passed(place("answered", crossed))
    assert verdicts(place("answered", dead, crossed))["cut-through-2"].outcome is UNMEASURED


def test_selectors_that_stick_are_used_up(place_several: Callable[..., list[CallResult]], mossbrook: Unit) -> None:
    calls = ["abandoned"] * (mossbrook.finders.count + 1)
    assert all(passed(result) for result in place_several(calls))
    *before, last = place_several(calls, "sticking-shaft@selector 1")
    assert all(passed(result) for result in before)
    assert verdicts(last)["dial-tone-delay"].outcome is UNMEASURED


def test_a_missed_start_is_over_with_the_next_lifting(place_several: Callable[..., list[CallResult]]) -> None:
    first, second = place_several(["permanent-off-hook"] * 2, "finder-start-fails@finder 1")
    assert verdicts(first)["dial-tone-delay"].outcome is UNMEASURED
    assert passed(second)


GROUP_CALL = """format: demo_ctl call 1
name: group
title: A call to a group
parties:
  caller: counter
  called: parlour
  next: workshop
steps:
  - lift: called
  - await: dial tone
    at: called
    for: 1 s
  - lift: caller
  - await: dial tone
    for: 1 s
  - dial: called
  - await: ringing
    at: next
    rings: 2
  - hang up: caller
  - pause: 2 s
  - hang up: called
"""


def test_a_group_that_is_not_hunted_gives_busy_tone(place: Place, tmp_path: Path) -> None:
    text = (ROOT / "configs/units/travelling.yaml").read_text()
    text = text.replace("    vacant: vacant tone\n", "    vacant: vacant tone\n    hunting: [[357, 358]]\n")
    text = text.replace("    number: 300 #", "    number: 358 #")
    unit, call = tmp_path / "grouped.yaml", tmp_path / "group.yaml"
    unit.write_text(text)
    call.write_text(GROUP_CALL)
    assert passed(place(str(call), unit=str(unit)))
    stays = place(str(call), "group-not-hunted@connector", unit=str(unit))
    assert verdicts(stays)["first-ring"].outcome is UNMEASURED
    assert "await ringing" in stays.reason


def test_a_ringing_generator_off_its_frequency_hums_at_another_pitch(travelling: Unit) -> None:
    def hum_Hz(*faults: str) -> float:
        kernel = Kernel()
        bench = BenchUnit(kernel, travelling, ailments=ailments_of(faults, travelling))
        bench.set_ringing_feed(True)
        bench.set_loop(1, True)
        kernel.run_to(2 * S)
        for digit in (3, 5, 7):
            for _ in range(digit):
                bench.set_loop(1, False)
                kernel.run_to(kernel.now_us + 60_000)
                bench.set_loop(1, True)
                kernel.run_to(kernel.now_us + 40_000)
            kernel.run_to(kernel.now_us + 900_000)
        while not bench.levels() >> 4 + m.RINGING & 1:
            kernel.run_to(kernel.now_us + 1000)
        begin_us = kernel.now_us
        kernel.run_to(begin_us + S)
        blocks = b"".join(bench.audio_block(2, m.AUDIO_BLOCK * block, begin_us) for block in range(60))
        samples = np.frombuffer(blocks, dtype="<u2").astype(float) - m.AUDIO_REST
        spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 1 << 16))
        return float(np.argmax(spectrum)) * m.AUDIO_HZ / (1 << 16)

    assert hum_Hz() == pytest.approx(travelling.ringing.frequency_Hz, abs=0.3)
    assert hum_Hz("ringing-off-frequency") == pytest.approx(12, abs=0.3)
    assert hum_Hz("ringing-off-frequency@ringing:frequency=30 Hz") == pytest.approx(30, abs=0.3)


def test_two_calls_on_one_trunk_whose_sleeve_is_open(travelling: Unit) -> None:
    """The second caller comes on top of the first, and can dial nothing; the first notices nothing."""

    def heard(*faults: str) -> tuple[str, str]:
        kernel = Kernel()
        bench = BenchUnit(kernel, travelling, ailments=ailments_of(faults, travelling))
        bench.set_ringing_feed(True)

        def dial(port: int, *digits: int) -> None:
            for digit in digits:
                for _ in range(digit):
                    bench.set_loop(port, False)
                    kernel.run_to(kernel.now_us + 60_000)
                    bench.set_loop(port, True)
                    kernel.run_to(kernel.now_us + 40_000)
                kernel.run_to(kernel.now_us + 900_000)

        for port in (1, 3):
            bench.set_loop(port, True)
            kernel.run_to(kernel.now_us + 2 * S)
            dial(port, 3)
        dial(1, 5, 7)
        dial(3, 6, 1)
        kernel.run_to(kernel.now_us + 7 * S)
        first, second = (bench._lines[name].history[-1].tone for name in ("counter", "workshop"))
        for port in (1, 3):
            bench.set_loop(port, False)
            kernel.run_to(kernel.now_us + 3 * S)
        last = {row.what: row.value for row in bench.truth}
        assert not any(last.values()), last
        assert bench.levels() == 0b0010_0010_0010_0010
        return first, second

    assert heard() == ("ringback", "ringback")
    assert heard("open-sleeve@trunk 1/3/1") == ("ringback", "")


@settings(deadline=None, max_examples=25)
@given(
    call=st.sampled_from(["answered", "busy", "flash", "no-answer", "called-clears-first", "abandoned"]),
    faults=st.lists(st.sampled_from([row.fault for row in ROWS]), min_size=2, max_size=4, unique=True),
    chance_pct=st.sampled_from([10, 50, 100]),
    seed=st.integers(0, 1000),
)
def test_no_faults_together_break_the_bench(
    place: Place, call: str, faults: list[str], chance_pct: int, seed: int
) -> None:
    # In a fault's text figures follow a colon; a comma joins more of them.
    asked = [f"{fault}{',' if '=' in fault else ':'}chance={chance_pct} %" for fault in faults]
    asked = [
        text if "@" in text else text.replace(":", "@unit:" if "battery" in text else "@ringing:") for text in asked
    ]
    result = place(call, *asked, seed=seed)
    assert result.status in (Status.FINISHED, Status.ENDED_EARLY, Status.TRIPPED)
    assert result.released
