"""The simulated unit against facts of the trade: each check names where its fact was published.

Where nothing was published, or nothing could be read, the check says "common practice, no source".
"""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.unit import BenchUnit, BusySpec
from demo_ctl.office.load import load_unit
from demo_ctl.office.model import Unit
from demo_ctl.office.numbers import digits_of, pulses_of
from demo_ctl.wire.messages import AUDIO_REST

S = 1_000_000
MS = 1000
LOOP, NORMAL, REVERSED, RINGING = range(4)
MOSSBROOK = Path(__file__).parents[2] / "configs" / "units" / "mossbrook.yaml"
SWITCHES = ("first selector", "second selector", "third selector", "fourth selector", "fifth selector", "connector")


class Exhibit:
    """The seven-digit unit with a caller at port 1; `order(...)` gives the times of things in the truth."""

    def __init__(self, unit: Unit, busy: tuple[BusySpec, ...] = ()) -> None:
        self.unit = unit
        self.kernel = Kernel()
        self.bench = BenchUnit(self.kernel, unit, seed=7, busy=busy)
        self.edges: list[tuple[int, int, int, int]] = []
        self.bench.on_edge = lambda bit, level: self.edges.append((self.kernel.now_us, bit // 4 + 1, bit % 4, level))
        self.bench.set_ringing_feed(True)

    def wait(self, us: int) -> None:
        self.kernel.run_to(self.kernel.now_us + us)

    def loop(self, port: int, closed: bool, us: int) -> None:
        self.bench.set_loop(port, closed)
        self.wait(us)

    def dial(self, text: str, pause_us: int = 800 * MS) -> None:
        for digit in digits_of(text, self.unit.numbering.letters):
            for _ in range(pulses_of(digit)):
                self.loop(1, False, 61 * MS)
                self.loop(1, True, 39 * MS)
            self.wait(pause_us)

    def call(self, text: str) -> None:
        self.loop(1, True, 2 * S)
        self.dial(text)

    def rows(self, part: str, thing: str) -> list[tuple[int, int]]:
        """(at_us, value) of `thing` of the first part whose name begins so."""
        return [(r.at_us, r.value) for r in self.bench.truth if r.what.startswith(part) and r.what.endswith(thing)]

    def first(self, part: str, thing: str, value: int = 1, since_us: int = 0) -> int:
        return next(t for t, v in self.rows(part, thing) if v == value and t >= since_us)

    def stands(self, part: str) -> tuple[int, int]:
        level, terminal = self.rows(part, "/vertical"), self.rows(part, "/rotary")
        return level[-1][1] if level else 0, terminal[-1][1] if terminal else 0

    def sensed(self, port: int, signal: int, since_us: int = 0) -> list[tuple[int, int]]:
        return [(t, v) for t, p, s, v in self.edges if (p, s) == (port, signal) and t >= since_us]

    def sound(self, us: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        """What port 1 hears for so long from now on."""
        begin_us = self.kernel.now_us
        self.wait(us)
        blocks = [self.bench.audio_block(1, 112 * k, begin_us) for k in range(us // 14_000)]
        return np.frombuffer(b"".join(blocks), dtype="<u2").astype(float) - AUDIO_REST


def parts(sound: np.ndarray[tuple[int], np.dtype[np.float64]]) -> set[int]:
    """Frequencies that stand out, to the nearest 10 Hz."""
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound))))
    lines = np.flatnonzero(spectrum > 0.5 * spectrum.max()) * 8000 / len(sound)
    return {10 * round(line / 10) for line in lines} if spectrum.max() > 50 else set()


def interruptions_a_minute(sound: np.ndarray[tuple[int], np.dtype[np.float64]]) -> float:
    """Beginnings of tone a minute."""
    loud = np.convolve(np.abs(sound), np.ones(80) / 80, "same") > 8
    starts = np.flatnonzero(np.diff(loud.astype(int)) == 1)
    return float(60 * 8000 / np.mean(np.diff(starts)))


@pytest.fixture(scope="module")
def unit() -> Unit:
    return load_unit(MOSSBROOK).value


@pytest.fixture(scope="module")
def answered(unit: Unit) -> Exhibit:
    """KLondike 5-0158 called, answered in the second silence, cleared by the caller."""
    x = Exhibit(unit)
    x.call("KLondike 5-0158")
    x.wait(9 * S)
    while x.bench.levels() >> 15 & 1:
        x.wait(10 * MS)
    x.loop(4, True, 2 * S)
    x.bench.set_loop(1, False)
    x.wait(3 * S)
    return x


# The seven-character number. Common practice, no source (facts P01-P10), unless a check names one.


def test_lifting_operates_the_line_relay_and_starts_a_finder(unit: Unit) -> None:
    """Common practice, no source (P01)."""
    x = Exhibit(unit)
    x.loop(1, True, 2 * S)
    assert x.first("line counter", "line relay") < x.first("line finder", "vertical")


def test_the_finder_steps_up_then_round_and_the_cut_off_relay_releases_the_line_relay(unit: Unit) -> None:
    """Order: Cyclopedia of Telephony and Telegraphy vol. 2 (T03); each finder's own selector: common practice (P02)."""
    x = Exhibit(unit)
    x.loop(1, True, 2 * S)
    up, around = x.rows("line finder 1", "/vertical"), x.rows("line finder 1", "/rotary")
    assert [v for _, v in up] == [1, 2]
    assert [v for _, v in around] == [1, 2, 3]
    cut = x.first("line counter", "cut-off relay")
    assert up[-1][0] < around[0][0] < around[-1][0] < cut < x.first("line counter", "line relay", 0)
    assert {r.what.split("/")[0] for r in x.bench.truth if "selector" in r.what} == {"first selector 1"}


def test_the_first_selectors_a_operates_then_b_and_dial_tone_comes_back(unit: Unit) -> None:
    """Order A, then B: UK slides of a two-motion final selector's circuit (T04); dial tone: common practice (P03).

    350 + 440 Hz: AT&T Notes on Distance Dialing (1968), second-hand (N10).
    """
    x = Exhibit(unit)
    x.loop(1, True, 2 * S)
    assert x.first("first selector", "/A") < x.first("first selector", "/B")
    assert parts(x.sound(500 * MS)) == {350, 440}


def test_dial_tone_well_within_three_seconds(unit: Unit) -> None:
    """7 CFR 1755.522 (p)(2)(ii): at most 1.5 % of busy-hour calls wait over 3 s (T05)."""
    x = Exhibit(unit)
    x.loop(1, True, 3 * S)
    assert x.first("first selector", "/B") < 3 * S


@pytest.mark.parametrize("letter", ["P", "R", "S"])
def test_letters_p_r_s_pulse_relay_magnet_and_shaft_seven_times(unit: Unit, letter: str) -> None:
    """PRS on one hole: descriptions of the North American dial (D02); the seven motions: common practice (P04)."""
    x = Exhibit(unit)
    x.loop(1, True, 2 * S)
    since_us = x.kernel.now_us
    x.dial(letter)
    assert len([t for t, v in x.rows("first selector", "/A") if not v and t > since_us]) == 7
    assert len([t for t, v in x.rows("first selector", "/A") if v and t > since_us]) == 7
    assert [v for _, v in x.rows("first selector", "/vertical magnet")] == [1, 0] * 7
    assert [v for _, v in x.rows("first selector", "/vertical")] == [1, 2, 3, 4, 5, 6, 7]


def test_zero_is_ten_pulses(unit: Unit) -> None:
    """Public signalling guide, "Pulse dialing" (D05)."""
    x = Exhibit(unit)
    x.call("0")
    assert x.stands("first selector")[0] == 10


@pytest.mark.parametrize(("digits", "pulses"), [("911", 11), ("999", 27), ("5550123", 31), ("5550199", 44)])
def test_pulses_of_whole_numbers(unit: Unit, digits: str, pulses: int) -> None:
    """911 = 11 and 999 = 27 pulses: public signalling guide, "Pulse dialing" (D05); the others: arithmetic.

    Counted where they arrive: every A relay's releases, but for the one with which a selector hands the line on.
    """
    x = Exhibit(unit)
    x.loop(1, True, 2 * S)
    since_us = x.kernel.now_us
    x.dial(digits)
    falls = [r for r in x.bench.truth if r.what.endswith("/A") and not r.value and r.at_us > since_us]
    handed_on = [r for r in x.bench.truth if "selector" in r.what and r.what.endswith("/cut-through") and r.value]
    assert len(falls) - len(handed_on) == pulses


def test_dial_tone_stops_at_the_first_pulse(unit: Unit) -> None:
    """UK slides of a two-motion final selector's circuit: off-normal springs close at the first step (T06)."""
    x = Exhibit(unit)
    x.loop(1, True, 2 * S)
    x.loop(1, False, 61 * MS)
    x.loop(1, True, 39 * MS)
    x.wait(10 * MS)  # the click of the make
    assert parts(x.sound(84 * MS)) == set()


def test_c_holds_through_the_train_and_its_fall_ends_the_digit(unit: Unit) -> None:
    """UK slides of a two-motion final selector's circuit (T07, T08)."""
    x = Exhibit(unit)
    x.call("5")
    assert [v for _, v in x.rows("first selector", "/C")] == [1, 0]
    last_a = [t for t, v in x.rows("first selector", "/A") if v][-1]
    c_falls = x.first("first selector", "/C", 0)
    assert last_a < c_falls < x.first("first selector", "/rotary")


def test_grounded_sleeves_are_passed_and_the_first_idle_trunk_is_taken(unit: Unit) -> None:
    """Ground = busy: Cyclopedia of Telephony and Telegraphy vol. 2 (T09)."""
    x = Exhibit(unit, (BusySpec(1, 5, (1, 2, 3)),))
    x.call("5")
    assert x.stands("first selector") == (5, 4)


def test_the_selector_hunts_by_itself_and_the_next_a_operates_over_the_loop(unit: Unit) -> None:
    """Common practice, no source (P06): the wipers stop and stay."""
    x = Exhibit(unit)
    x.call("5")
    assert x.first("first selector", "/rotary") < x.first("second selector", "/A")
    x.wait(60 * S)
    assert x.stands("first selector") == (5, 1)


def test_the_tenth_trunk_is_taken_when_nine_are_busy(unit: Unit) -> None:
    """Common practice, no source (P06: at worst on the tenth and last position)."""
    x = Exhibit(unit, (BusySpec(1, 5, tuple(range(1, 10))),))
    x.call("5")
    assert x.stands("first selector") == (5, 10)
    assert x.rows("second selector 5-10", "/A")[-1][1] == 1


def test_overflow_at_120_interruptions_a_minute_when_ten_are_busy(unit: Unit) -> None:
    """480 + 620 Hz, 120 a minute: AT&T Notes on Distance Dialing (1968), second-hand (N13); T11 common practice."""
    x = Exhibit(unit, (BusySpec(1, 5, tuple(range(1, 11))),))
    x.call("5")
    assert x.stands("first selector") == (5, 11)
    sound = x.sound(3 * S)
    assert parts(sound) == {480, 620}
    assert interruptions_a_minute(sound) == pytest.approx(120, rel=0.02)
    assert not x.rows("second selector", "/A")


def test_five_selectors_take_five_characters_the_connector_two(unit: Unit) -> None:
    """Common practice, no source (P07)."""
    x = Exhibit(unit)
    x.call("KLondike 5-0158")
    assert [x.stands(switch)[0] for switch in SWITCHES] == [5, 5, 5, 10, 1, 5]
    assert x.stands("connector") == (5, 8)
    begun = [x.first(switch, "/vertical") for switch in SWITCHES]
    assert begun == sorted(begun)


def test_the_connector_does_not_hunt_but_waits_for_the_last_digit(unit: Unit) -> None:
    """Vertical, then rotary by the dial: UK slides of a two-motion final selector (T13); the wait: P08."""
    x = Exhibit(unit)
    x.call("555015")
    x.wait(30 * S)
    assert x.stands("connector") == (5, 0)
    x.dial("8")
    assert [v for _, v in x.rows("connector", "/rotary")] == list(range(1, 9))
    assert len(x.rows("connector", "/rotary magnet")) == 16


def test_a_number_ending_in_00_stands_on_the_tenth_terminal_of_the_tenth_level(unit: Unit) -> None:
    """Common practice, no source (P08)."""
    x = Exhibit(unit)
    x.call("KLondike 5-0100")
    assert x.stands("connector") == (10, 10)
    x.wait(7 * S)
    assert x.sensed(3, RINGING)


def test_busy_test_on_the_called_sleeve_gives_sixty_a_minute_and_no_ringing(unit: Unit) -> None:
    """Ground on the called sleeve: UK slides, Cyclopedia vol. 2 (T14); 60 a minute: 7 CFR 1755.522 (o)(1) (N12)."""
    x = Exhibit(unit)
    x.loop(4, True, 2 * S)
    x.call("KLondike 5-0158")
    sound = x.sound(5 * S)
    assert parts(sound) == {480, 620}
    assert interruptions_a_minute(sound) == pytest.approx(60, rel=0.02)
    assert not x.sensed(4, RINGING)


def test_a_free_line_is_cut_off_then_rung_and_ringing_tone_comes_back(answered: Exhibit) -> None:
    """Order: UK slides of a two-motion final selector's circuit (T15).

    Battery lost at seizure: common practice, no source (T15a).
    """
    x = answered
    seized = x.first("line stage", "cut-off relay")
    ringing = x.first("connector", "/ringing")
    assert seized < ringing <= x.sensed(4, RINGING)[0][0]
    assert x.sensed(4, NORMAL)[0] == (seized, 0)


def test_ringing_two_seconds_in_a_cycle_of_at_most_six(unit: Unit) -> None:
    """7 CFR 1755.522 (s)(6)(ii) (R05)."""
    x = Exhibit(unit)
    x.call("KLondike 5-0158")
    x.wait(30 * S)
    on = [t for t, v in x.sensed(4, RINGING) if v]
    off = [t for t, v in x.sensed(4, RINGING) if not v]
    assert all(b - a <= 6 * S + 13 * MS for a, b in pairwise(on[1:]))
    whole = [next(f for f in off if f > t) - t for t in on[1:-1]]
    # Sensed by an envelope: up to 13 ms late on, up to 30 ms late off (WELCOME's ring attack and hold).
    assert whole
    assert all(2 * S - 20 * MS <= burst <= 2 * S + 30 * MS for burst in whole)


def test_answering_stops_the_ringing_and_joins_the_two(answered: Exhibit) -> None:
    """A slugged relay trips on direct current: encyclopedia, "Ringing" and tutorial (R15); P09 common practice.

    At most 200 ms: from memory, LSSGR (R17), which this unit's adjustment keeps.
    """
    x = answered
    lifted = next(t for t, v in x.sensed(4, LOOP) if v)
    tripped = x.first("connector", "/F")
    assert 0 < tripped - lifted <= 200 * MS
    assert not [t for t, v in x.sensed(4, RINGING, tripped) if v]
    assert x.first("connector", "/D") > tripped


def test_answer_reverses_the_callers_battery_once(answered: Exhibit) -> None:
    """Reversal as answer supervision: encyclopedia, "Loop start", and training pages (T18, V06)."""
    x = answered
    flips = x.sensed(1, REVERSED)
    assert [v for _, v in flips] == [1, 0]
    assert flips[0][0] - x.first("connector", "/D") <= 100 * MS


def test_the_caller_clears_a_falls_b_falls_the_sleeve_goes_all_release_together(answered: Exhibit) -> None:
    """Order: UK slides of a two-motion final selector's circuit (T19)."""
    x = answered
    a, b = x.rows("connector", "/A")[-1], x.rows("connector", "/B")[-1]
    assert (a[1], b[1]) == (0, 0)
    assert a[0] < b[0]
    released = {t for t, v in x.rows("", "/release magnet") if v}
    assert released == {b[0]}
    assert len(x.rows("", "/release magnet")) == 2 * 7
    home = [x.first(switch, "/sleeve", 0) for switch in SWITCHES]
    assert all(t > b[0] for t in home)


def test_called_party_clearing_first_leaves_the_connection_to_the_caller(unit: Unit) -> None:
    """Calling-party control: UK slides of a two-motion final selector, training page (T20)."""
    x = Exhibit(unit)
    x.call("KLondike 5-0158")
    x.wait(7 * S)
    x.loop(4, True, 2 * S)
    x.loop(4, False, 120 * S)
    assert x.rows("connector", "/B")[-1][1] == 1
    assert x.sensed(1, NORMAL)[-1][1] == 1


def test_a_plain_unit_waits_for_ever_for_a_caller_who_stops(unit: Unit) -> None:
    """Common practice, no source (T21)."""
    x = Exhibit(unit)
    x.call("55")
    x.wait(600 * S)
    x.dial("50158")
    assert x.stands("connector") == (5, 8)


def test_loop_current_golden_values_decide_what_operates() -> None:
    """Ohm's law (L06) against the 10 mA of L11, which is common practice: 48 V, 400 ohm feed."""
    data = load_unit(MOSSBROOK).value
    for loop_ohm, seen in ((1900.0, True), (4300.0, True), (4500.0, False)):
        line = data.lines[0].model_copy(update={"loop_ohm": loop_ohm})
        supply = data.supply.model_copy(update={"battery_V": 48.0})
        x = Exhibit(data.model_copy(update={"lines": (line, *data.lines[1:]), "supply": supply}))
        x.loop(1, True, S)
        assert (1000 * 48 / (400 + loop_ohm) >= 10) == seen
        assert bool(x.sensed(1, LOOP)) == seen


def test_slow_release_relays_hold_inside_the_published_range(unit: Unit) -> None:
    """50..500 ms ordinary: BSTJ Jan 1954 "Principles of Slow Release Relay Design", abstract (T31)."""
    x = Exhibit(unit)
    x.call("KLondike 5-0158")
    for switch in SWITCHES:
        c_us = x.first(switch, "/C", 0) - max(t for t, v in x.rows(switch, "/A") if v and t < x.first(switch, "/C", 0))
        assert 50 * MS <= c_us <= 500 * MS


def test_a_flash_is_a_long_break(unit: Unit) -> None:
    """V02, T45, common practice: longer than B's hold releases; electronic offices' 300..1000 ms flash (V01) too."""
    x = Exhibit(unit)
    x.call("55")
    x.loop(1, False, 1000 * MS)
    x.loop(1, True, 3 * S)
    assert x.stands("second selector") == (0, 0)
    assert parts(x.sound(500 * MS)) == {350, 440}
