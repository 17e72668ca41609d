"""The ringing criteria against the published figures (facts H01..H05, H20..H29).

IEC 60950-1 annex M and IEC 62368-1 annex H: **from memory**, as marked beside each row; "for this unit" is arithmetic
on them. Clause titles and H01, H02, H05 were read. The two curves of the annexes are not reproduced, so no test here
checks a verdict that needs one.
"""

from __future__ import annotations

import math

import pytest

from demo_ctl.board.bus import ceiling_mV
from demo_ctl.office.check import HIGHEST_PEAK_V, HIGHEST_RINGING_V
from demo_ctl.safety.criteria import Finding, classes, energy_class, findings
from demo_ctl.safety.ringing_figures import (
    K_OTHER,
    K_STRICT,
    Protection,
    Ringing,
    cadence_current_mA,
    ceiling_V,
    peak_current_mA,
    protection,
    sine,
    source_needed_ohm,
    swing_mA,
)
from demo_ctl.terms.outcome import Outcome


def of(
    rms_V: float, battery_V: float = 48.0, source_ohm: float | None = 0.0, on_s: float = 2, off_s: float = 4
) -> Ringing:
    return Ringing(sine(rms_V), 0.0, battery_V, battery_V, 20.0, round(on_s * 1e6), round(off_s * 1e6), source_ohm)


def check(ringing: Ringing, row: str, part: str = "") -> Finding:
    (found,) = [one for one in findings(ringing) if row in one.row and part in one.title and one.method != "ours"]
    return found


def test_h01_h02_guarding_and_touch() -> None:
    """Read: OSHA letter of 4 September 2015 (50 V); IEC 950 introduction, quoted (about 40 V peak or 60 V DC)."""
    said = {one.row: one.counts_as for one in classes(of(86, 52.0))}
    assert "guard them" in said["H01"]
    assert "guard them" not in {one.row: one.counts_as for one in classes(of(86, 49.9))}["H01"]
    assert "above 40 V peak" in said["H02"]
    assert "not above 40 V peak" in {one.row: one.counts_as for one in classes(of(28.2))}["H02"]


@pytest.mark.parametrize(
    ("peak_V", "rms_V", "direct_V", "expected"),
    [
        (42.4, 30.0, 60.0, 1),
        (42.5, 30.0, 60.0, 2),
        (42.4, 30.0, 60.1, 2),
        (70.7, 50.0, 120.0, 2),
        (70.8, 50.0, 120.0, 3),
        (70.7, 50.1, 0.0, 3),
        (0.0, 0.0, 120.1, 3),
    ],
)
def test_h03_classes(peak_V: float, rms_V: float, direct_V: float, expected: int) -> None:
    """From memory, sure of number and place: IEC 60950-1 2.2; IEC 62368-1 table 4."""
    assert energy_class(peak_V, rms_V, direct_V) == expected


def test_h04_ringing_is_of_the_third_class() -> None:
    """From memory, sure of number and place: IEC 62368-1 5.2.2."""
    assert all("ES3" in one.counts_as for rms_V in (75, 90, 105) for one in classes(of(rms_V)) if "H04" in one.row)


@pytest.mark.parametrize(("rms_V", "battery_V", "fits"), [(100, 58.5, True), (100, 58.6, False), (86, 60.1, False)])
def test_h05_what_insulation_is_made_for(rms_V: float, battery_V: float, fits: bool) -> None:
    """Read: UL application guide: 200 V peak, 120 V rms, 60 V DC."""
    assert (check(of(rms_V, battery_V), "H05").outcome is Outcome.PASS) == fits


@pytest.mark.parametrize(
    ("rms_V", "current_mA"), [(75, 15.0), (80, 16.0), (86, 17.2), (90, 18.0), (100, 20.0), (105, 21.0)]
)
def test_h20_through_5000_ohm(rms_V: float, current_mA: float) -> None:
    """From memory, sure of number and place: annex M, method A."""
    assert swing_mA(sine(rms_V), 5000) / (2 * math.sqrt(2)) == pytest.approx(current_mA)
    value = check(of(rms_V), "H23").value
    assert value is not None
    assert value.value == pytest.approx(current_mA)


def test_h21_peak_and_swing() -> None:
    """From memory, sure of the number only: 90 V on 48 V."""
    assert peak_current_mA(sine(90), 48, 5000) == pytest.approx(35.056, abs=5e-4)
    assert swing_mA(sine(90), 5000) == pytest.approx(50.912, abs=5e-4)


@pytest.mark.parametrize(("on_ms", "burst_mA"), [(400, 24.79), (900, 21.39), (1000, 20.26), (2000, 18.00)])
def test_h21_one_burst(on_ms: int, burst_mA: float) -> None:
    """From memory, sure of the number only: annex M, method A; between 600 and 1200 ms a straight line."""
    value = check(of(90, on_s=on_ms / 1000), "H21").value
    assert value is not None
    assert value.value == pytest.approx(burst_mA, abs=5e-3)


@pytest.mark.parametrize(("rms_V", "outcome"), [(75, Outcome.PASS), (80, Outcome.PASS), (81, Outcome.NOT_MEASURED)])
def test_h21_above_what_a_continuous_signal_may_have_the_curve_is_not_invented(rms_V: float, outcome: Outcome) -> None:
    """16 mA if continuous: from memory, sure of the number only."""
    found = check(of(rms_V), "H21")
    assert found.outcome is outcome
    assert ("take the limit from the standard" in found.note) == (outcome is Outcome.NOT_MEASURED)
    assert "from memory" in found.source


@pytest.mark.parametrize(
    ("rms_V", "strict_mA", "other_mA"), [(75, 9.56, 8.91), (86, 10.72, 10.15), (90, 11.15, 10.60), (105, 12.78, 12.30)]
)
def test_h22_with_pauses(rms_V: float, strict_mA: float, other_mA: float) -> None:
    """From memory, sure of the number only, and of k only its order: 2 s in 6 s, 9.6 mA in the pause."""
    for k, expected in ((K_STRICT, strict_mA), (K_OTHER, other_mA)):
        assert cadence_current_mA(rms_V / 5, 9.6, 2e6, 6e6, k) == pytest.approx(expected, abs=5e-3)
    found = check(of(rms_V), "H22")
    assert found.value is not None
    assert found.value.value == pytest.approx(strict_mA, abs=5e-3)
    assert f"{other_mA:.2f} mA" in found.note
    assert found.outcome is Outcome.PASS


def test_h22_the_limit() -> None:
    """From memory, sure of the number only: 16 mA. Ringing that hardly pauses comes near its burst."""
    assert check(of(90, on_s=4, off_s=1), "H22").outcome is Outcome.FAIL
    assert check(of(75, on_s=4, off_s=1), "H22").outcome is Outcome.PASS


@pytest.mark.parametrize(
    ("rms_V", "source_ohm", "fits"), [(100, 0, True), (100.1, 0, False), (105, 249, False), (105, 250, True)]
)
def test_h23_stuck_on(rms_V: float, source_ohm: float, fits: bool) -> None:
    """From memory, sure of the number only: over 100 V fails without series resistance; 105 V needs 250 ohm."""
    assert (check(of(rms_V, source_ohm=source_ohm), "H23").outcome is Outcome.PASS) == fits


@pytest.mark.parametrize(("rms_V", "fits"), [(106.06, True), (106.07, False)])
def test_h24_peak_to_peak(rms_V: float, fits: bool) -> None:
    """From memory, sure of number and place: < 300 V peak to peak, which is 106.07 V rms."""
    assert (check(of(rms_V), "H24", "peak to peak").outcome is Outcome.PASS) == fits


@pytest.mark.parametrize(("battery_V", "rms_V"), [(48.0, 107.5), (52.1, 104.6), (56.0, 101.8)])
def test_h24_peak_to_earth_on_a_battery(battery_V: float, rms_V: float) -> None:
    """From memory, sure of number and place: < 200 V to earth, so (200 - battery) / root 2."""
    assert (200 - battery_V) / math.sqrt(2) == pytest.approx(rms_V, abs=0.05)
    assert check(of(rms_V - 0.1, battery_V), "H24", "to earth").outcome is Outcome.PASS
    assert check(of(rms_V + 0.1, battery_V), "H24", "to earth").outcome is Outcome.FAIL


def test_h24_105_volts_on_a_floating_battery_are_too_much() -> None:
    """From memory, sure of number and place: 105 V on 52.1 V reaches 200.6 V."""
    found = check(of(105, 52.1), "H24", "to earth")
    assert found.value is not None
    assert found.value.value == pytest.approx(200.6, abs=0.05)
    assert found.outcome is Outcome.FAIL


@pytest.mark.parametrize(("frequency_Hz", "fits"), [(20, True), (70, True), (70.1, False)])
def test_h24_frequency(frequency_Hz: float, fits: bool) -> None:
    """From memory, sure of number and place: <= 70 Hz."""
    ringing = Ringing(sine(86), frequency_Hz=frequency_Hz)
    assert (check(ringing, "H24", "frequency").outcome is Outcome.PASS) == fits


@pytest.mark.parametrize(
    ("on_s", "off_s", "battery_V", "failed"),
    [(5, 1, 60, ""), (5.1, 1, 60, "between"), (5, 0.9, 60, "pause"), (5, 1, 60.1, "in the pause")],
)
def test_h25_cadence(on_s: float, off_s: float, battery_V: float, failed: str) -> None:
    """From memory, sure of the number only: pauses of 1 s, no more than 5 s apart, at most 60 V in them."""
    rows = [one for one in findings(of(75, battery_V, 0.0, on_s, off_s)) if one.row == "H25"]
    assert len(rows) == 3
    for one in rows:
        wrong = bool(failed) and (one.title == failed or (failed != "pause" and failed in one.title))
        assert (one.outcome is Outcome.FAIL) == wrong
    older = next(one for one in rows if "in the pause" in one.title)
    assert "56.5 V of older US text" in older.note


def test_h26_single_fault() -> None:
    """From memory, sure of number and place: 56.5 mA peak to peak, which is 19.98 mA rms, the 20 mA of H23."""
    assert 56.5 / (2 * math.sqrt(2)) == pytest.approx(19.98, abs=5e-3)
    assert check(of(99.8), "H26").outcome is Outcome.PASS
    assert check(of(99.9), "H26").outcome is Outcome.FAIL


@pytest.mark.parametrize(("rms_V", "nothing_ohm", "trip_ohm"), [(75, 1622, 621), (90, 2046, 1046), (105, 2470, 1470)])
def test_h27_h28_source_resistance(rms_V: float, nothing_ohm: int, trip_ohm: int) -> None:
    """From memory, sure of number and place: 100 mA peak to peak through 500 ohm, and through 1500 ohm."""
    swing_V = sine(rms_V).swing_V
    assert source_needed_ohm(swing_V, 500, 100) == pytest.approx(nothing_ohm, abs=1)
    assert source_needed_ohm(swing_V, 1500, 100) == pytest.approx(trip_ohm, abs=1)
    assert protection(swing_V, nothing_ohm + 1) is Protection.NOTHING
    assert protection(swing_V, nothing_ohm - 1) is Protection.EITHER
    assert protection(swing_V, trip_ohm + 1) is Protection.EITHER
    assert protection(swing_V, trip_ohm - 1) is Protection.TRIP


def test_h27_h28_a_plain_old_ringing_machine_needs_a_trip_and_its_curve_is_not_invented() -> None:
    """From memory, sure of number and place."""
    found = check(of(75, source_ohm=400), "H27")
    assert found.outcome is Outcome.NOT_MEASURED
    assert "a tripping device" in found.note
    assert "take the limit from the standard" in found.note
    assert check(of(75, source_ohm=1700), "H27").outcome is Outcome.PASS


@pytest.mark.parametrize(("battery_V", "fits"), [(18.9, False), (19, True), (48, True), (60, True), (60.1, False)])
def test_h29_monitoring_voltage(battery_V: float, fits: bool) -> None:
    """From memory, sure of the number only: 19 V peak to 60 V DC to earth; the battery serves."""
    assert (check(of(75, battery_V), "H29").outcome is Outcome.PASS) == fits


@pytest.mark.parametrize("battery_V", [40.0, 48.0, 52.1, 56.0, 58.5, 58.6, 70.0, 199.0])
def test_ceiling_is_the_same_in_every_room(battery_V: float) -> None:
    """Ours, of H23 and H24: min(100 V, (200 - battery) / root 2). The board's own is never above."""
    expected_V = min(100.0, (200 - battery_V) / math.sqrt(2))
    assert ceiling_V(battery_V) == pytest.approx(expected_V)
    assert min(HIGHEST_RINGING_V, (HIGHEST_PEAK_V - battery_V) / math.sqrt(2)) == pytest.approx(expected_V)
    board_V = ceiling_mV(100_000, round(battery_V * 1000)) / 1000
    assert expected_V * (1 - 6e-4) - 0.001 < board_V <= expected_V


def test_every_figure_of_the_annexes_says_that_it_is_from_memory() -> None:
    for one in findings(of(90)):
        assert "from memory" in one.source or one.row == "H05"
    assert {one.row for one in findings(of(90))} >= {"H22", "H23", "H24", "H25", "H26", "H29", "H05"}
