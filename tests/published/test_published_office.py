"""Numbers, pulses, routes and limits against published documents. Ids in brackets are rows of the list of facts."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from demo_ctl.office.check import ringing_ceiling_V
from demo_ctl.office.load import load_unit
from demo_ctl.office.model import Spread, Unit
from demo_ctl.office.numbers import digits_of, pulses_of, train_of
from demo_ctl.office.route import number_digits, route
from demo_ctl.office.timing import hunting_need_us

UNITS = Path(__file__).resolve().parents[2] / "configs" / "units"


@pytest.fixture(scope="module")
def mossbrook() -> Unit:
    return load_unit(UNITS / "mossbrook.yaml").value


@pytest.fixture(scope="module")
def travelling() -> Unit:
    return load_unit(UNITS / "travelling.yaml").value


@pytest.mark.parametrize("letters", ["e161", "north american", "british"])
def test_klondike_is_55(letters: str) -> None:
    """[D01-D03] KLondike is 55 on these dials: encyclopedia "Telephone exchange names", ITU-T E.161 abstract."""
    assert digits_of("KLondike 5-0123", letters) == "5550123"


def test_an_australian_number_of_letters() -> None:
    """[D04] BX 3701 was 29 3701: encyclopedia "Telephone exchange names"."""
    assert digits_of("BX 3701", "australian") == "293701"


@pytest.mark.parametrize(
    ("letters", "row"),
    [
        # ITU-T E.161 (02/2001) abstract; encyclopedia "Rotary dial".
        ("e161", ["", "ABC", "DEF", "GHI", "JKL", "MNO", "PQRS", "TUV", "WXYZ", ""]),
        ("north american", ["", "ABC", "DEF", "GHI", "JKL", "MNO", "PRS", "TUV", "WXY", ""]),
        # MN and OQ: the same; the others from memory: GPO dial.
        ("british", ["", "ABC", "DEF", "GHI", "JKL", "MN", "PRS", "TUV", "WXY", "OQ"]),
        ("australian", list("ABFJLMUWXY")),
    ],
)
def test_letters_on_the_holes(letters: str, row: list[str]) -> None:
    """[D01-D04]"""
    for hole, written in zip("1234567890", row, strict=True):
        for letter in written:
            assert digits_of(letter, letters) == hole


def test_zero_carries_o_and_q_in_britain_only() -> None:
    """[D03] Encyclopedia "Rotary dial"; on the older North American dial Q has no hole: common practice, no source."""
    assert digits_of("Q", "british") == digits_of("O", "british") == "0"
    assert digits_of("O", "north american") == "6"
    with pytest.raises(ValueError, match="no hole"):
        digits_of("Q", "north american")


def test_emergency_numbers_in_pulses() -> None:
    """[D05] 911 is 11 pulses, 999 is 27: public signalling guide, "Pulse dialing"."""
    assert sum(train_of("911")) == 11
    assert sum(train_of("999")) == 27


def test_pulses_of_sweden() -> None:
    """[D06] 9 sends 10 pulses and 0 sends 1: public signalling guide; encyclopedia "Rotary dial"."""
    assert pulses_of("9", "plus one") == 10
    assert pulses_of("0", "plus one") == 1
    assert [pulses_of(digit, "plus one") for digit in "12345678"] == list(range(2, 10))


def test_pulses_of_new_zealand() -> None:
    """[D07] 111 there sends what 999 sends elsewhere; n sends 10 - n: the same sources."""
    assert train_of("111", "reversed") == train_of("999", "normal")
    assert [pulses_of(digit, "reversed") for digit in "1234567890"] == [9, 8, 7, 6, 5, 4, 3, 2, 1, 10]


@pytest.mark.parametrize(("number", "pulses"), [("555-0123", 31), ("555-0199", 44), ("555-0100", 46)])
def test_pulses_of_whole_numbers(number: str, pulses: int) -> None:
    """[1.4] Computed from D05."""
    assert sum(train_of(digits_of(number))) == pulses


def test_the_hole_prs_sends_seven_pulses_and_zero_ten() -> None:
    """[P04, P08] Common practice, no source."""
    assert {sum(train_of(digits_of(letter))) for letter in "PRS"} == {7}
    assert pulses_of("0") == 10


def test_five_selectors_and_a_connector_take_seven_characters(mossbrook: Unit) -> None:
    """[P07] One to five by selectors, the sixth vertically, the seventh by rotary: common practice, no source."""
    legs = route(mossbrook, digits_of("KLondike 5-0134"))
    assert [leg.does for leg in legs] == ["select"] * 5 + ["tens", "units"]
    assert [leg.stage for leg in legs] == [1, 2, 3, 4, 5, 6, 6]


def test_a_number_ending_in_00_stands_on_the_tenth_terminal_of_the_tenth_level(
    mossbrook: Unit, travelling: Unit
) -> None:
    """[P08] Common practice, no source."""
    for unit in (mossbrook, travelling):
        line = unit.line("workshop")
        assert line is not None
        legs = route(unit, number_digits(unit, line))
        assert [leg.pulses for leg in legs[-2:]] == [10, 10]


def test_all_numbers_of_the_default_unit_are_in_the_range_kept_for_fiction(mossbrook: Unit) -> None:
    """[D02] KLondike 5-01xx, 555-01xx: encyclopedia "Telephone exchange names"."""
    for line in mossbrook.lines:
        assert number_digits(mossbrook, line).startswith("55501")


@pytest.mark.parametrize(("battery", "volts"), [(48.0, 107.5), (52.1, 104.6), (56.0, 101.8)])
def test_ringing_on_top_of_the_battery(battery: float, volts: float, mossbrook: Unit) -> None:
    """[H24, H23] (200 - battery) / sqrt 2, and never above 100 V rms; from memory: IEC 60950-1 Annex M."""
    assert (200 - battery) / math.sqrt(2) == pytest.approx(volts, abs=0.06)
    unit = mossbrook.model_copy(update={"supply": mossbrook.supply.model_copy(update={"most_V": battery})})
    assert ringing_ceiling_V(unit) == min(100.0, (200 - battery) / math.sqrt(2)) == 100.0
    high = mossbrook.model_copy(update={"supply": mossbrook.supply.model_copy(update={"most_V": 60.0})})
    assert ringing_ceiling_V(high) == pytest.approx(98.995, abs=0.001)


def test_the_samples_ring_within_what_bells_take(mossbrook: Unit, travelling: Unit) -> None:
    """[R06, R07] 40..130 V rms at 20 +/- 3 Hz: 47 CFR 68.312 ringer table, type A, second-hand."""
    for unit in (mossbrook, travelling):
        assert 40 <= unit.ringing.voltage_V <= 130
        assert 17 <= unit.ringing.frequency_Hz <= 23


def test_the_pause_a_hunting_selector_needs(mossbrook: Unit) -> None:
    """[T42] 250 + 440 + 50 + 60 = 800 ms; agrees with the 800 ms of automatic dialers (public signalling guide)."""

    def most(ms: int) -> Spread:
        return Spread.model_validate({"typical": f"{ms} ms", "least": "1 ms", "most": f"{ms} ms"})

    figures = {
        "c_hold": most(250),
        "hunting_sps": 25.0,
        "transfer": most(50),
        "a_operate": most(20),
        "b_operate": most(40),
    }
    adjustment = mossbrook.adjustment.model_copy(update=figures)
    assert hunting_need_us(mossbrook.model_copy(update={"adjustment": adjustment})) == 800_000


def test_the_samples_dial_as_published(mossbrook: Unit, travelling: Unit) -> None:
    """[D10, D11, D14] 10 pulses/s, 60 or 61 % break: AT&T Specification 4566, second-hand; inside 8..12 pulses/s and
    55..65 %, which line equipment must take: 7 CFR 1755.522 (f)(2)(i)."""
    for unit, ratio in ((mossbrook, 61.0), (travelling, 60.0)):
        assert unit.dial.speed_pps == 10.0
        assert unit.dial.break_pct == ratio
        follows = unit.follows
        assert 8 <= follows.speed.low_pps <= follows.speed.high_pps <= 12
        assert 55 <= follows.percent_break.low_pct <= follows.percent_break.high_pct <= 65


def test_the_samples_relays_are_inside_the_ranges_of_their_kinds(mossbrook: Unit, travelling: Unit) -> None:
    """[T30, T31] Slow-release relays 50..500 ms, most relays 1..100 ms: BSTJ, January 1954 (abstracts)."""
    for unit in (mossbrook, travelling):
        times = unit.adjustment
        for slow in (times.b_hold, times.c_hold):
            assert 50_000 <= slow.least_us <= slow.most_us <= 500_000
        for quick in (times.a_operate, times.a_release, times.b_operate, times.line_relay, times.cut_off_relay):
            assert 1_000 <= quick.least_us <= quick.most_us <= 100_000


def test_the_samples_tones_and_cadences(mossbrook: Unit) -> None:
    """[N10-N13] AT&T Notes on Distance Dialing (1968), second-hand; 60 a minute also 7 CFR 1755.522 (o)(1)."""
    tones = mossbrook.tones
    assert tones.dial.parts_Hz == (350.0, 440.0)
    assert tones.ringback.parts_Hz == (440.0, 480.0)
    assert tones.busy.parts_Hz == tones.overflow.parts_Hz == (480.0, 620.0)
    assert 60_000_000 / sum(tones.busy.cadence_us) == 60
    assert 60_000_000 / sum(tones.overflow.cadence_us) == 120
    # 7 CFR 1755.522 (s)(6)(ii): 2 s of ringing, a cycle of at most 6 s; tone and bell from one interrupter.
    assert (mossbrook.ringing.on_us, mossbrook.ringing.off_us) == (2_000_000, 4_000_000) == tones.ringback.cadence_us
