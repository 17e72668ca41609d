"""Board against meter: what the difference means, with the uncertainty of both."""

from __future__ import annotations

from math import sqrt

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from demo_ctl.bench.bus_readings import as_read
from demo_ctl.board.bus import LEAST_BATTERY_MV, LEAST_SUPPLY_MV, MOST_BATTERY_MV, ceiling_mV
from demo_ctl.board.chip_parts import CONVERTER
from demo_ctl.safety.meter import (
    MOST_OFF_PCT,
    MOST_PEAK_V,
    Finding,
    Pair,
    beyond,
    board_read,
    findings,
    meter_read,
    said,
    verdict,
)
from demo_ctl.terms.outcome import Outcome
from demo_ctl.terms.quantity import Quantity

FULL_mV = {"generator": CONVERTER[2][2][1], "battery": CONVERTER[2][3][1]}


def pair(name: str, board_V: float, meter_V: float, doubt_pct: float = 0.5) -> Pair:
    return Pair(name, board_read(name, [board_V]), meter_read(meter_V, doubt_pct))


def compare(
    drift: float, *, generator_V: float = 86, battery_V: float = 50, doubt_pct: float = 0.5
) -> tuple[Finding, ...]:
    """Compare with a meter that is right, when the board reads `drift` times what is there."""
    pairs = (
        pair("generator", generator_V * drift, generator_V, doubt_pct),
        pair("battery", battery_V * drift, battery_V, doubt_pct),
    )
    return findings(*pairs, 100, 54)


def test_a_sound_board_passes_and_a_tenth_low_fails_for_each_of_the_three_reasons() -> None:
    assert verdict(compare(1.0)) is Outcome.PASS
    low = compare(0.9)
    assert [each.outcome for each in low] == [Outcome.FAIL] * 3
    assert low[0].value.value == pytest.approx(-10)
    # 100 V as read are 111 V; their peak on 54 V of battery.
    assert low[2].value.value == pytest.approx(100 / 0.9 * sqrt(2) + 54)
    assert "111.1 V rms" in low[2].note
    assert "210" in said(low) or "211" in said(low)
    assert "-10" in said(low)


def test_reading_high_is_wrong_too_but_lets_nothing_high_pass() -> None:
    high = compare(1.1)
    assert [each.outcome for each in high] == [Outcome.FAIL, Outcome.FAIL, Outcome.PASS]


def test_a_poor_meter_settles_nothing() -> None:
    assert verdict(compare(1.0, doubt_pct=5)) is Outcome.MARGINAL
    assert verdict(compare(0.975, doubt_pct=2)) is Outcome.MARGINAL
    assert not beyond(compare(0.975, doubt_pct=2))
    # Not sure, and most likely wrong all the same.
    unsure = compare(0.965, doubt_pct=2)
    assert verdict(unsure) is Outcome.MARGINAL
    assert beyond(unsure)


@given(st.floats(0.85, 1.15), st.floats(60, 100), st.floats(44, 56), st.floats(0.05, 5))
def test_more_doubt_never_makes_a_verdict_of_an_open_one(
    drift: float, generator_V: float, battery_V: float, doubt_pct: float
) -> None:
    small = compare(drift, generator_V=generator_V, battery_V=battery_V, doubt_pct=doubt_pct)
    large = compare(drift, generator_V=generator_V, battery_V=battery_V, doubt_pct=2 * doubt_pct)
    for before, after in zip(small, large, strict=True):
        assert after.outcome in (before.outcome, Outcome.MARGINAL)


@given(st.floats(0.85, 1.2), st.floats(60, 104), st.floats(43, 56), st.floats(-1, 1), st.floats(-1, 1))
def test_whatever_passes_lets_no_peak_through_that_insulation_is_not_made_for(
    drift: float, generator_V: float, battery_V: float, wrong_g: float, wrong_b: float
) -> None:
    """The meter is wrong by up to what its papers say; the truth is what the board would really let pass."""
    doubt_pct = 1.0
    pairs = (
        pair("generator", generator_V * drift, generator_V * (1 + wrong_g * doubt_pct / 100), doubt_pct),
        pair("battery", battery_V * drift, battery_V * (1 + wrong_b * doubt_pct / 100), doubt_pct),
    )
    highest_V = 54.0
    if verdict(findings(*pairs, 100, highest_V)) is not Outcome.PASS:
        return
    # The battery that the meter saw, and the highest that may be there.
    for true_V in (battery_V, highest_V):
        lets_V = ceiling_mV(100_000, round(true_V * drift * 1000)) / 1000 / drift
        slack_V = 0.012 * highest_V  # the meter's doubt of the battery, where the battery stands higher than it
        assert lets_V * sqrt(2) + true_V < MOST_PEAK_V + slack_V
    assert abs(drift - 1) * 100 <= MOST_OFF_PCT + 2.5 * doubt_pct


@given(st.integers(900, 1100), st.floats(62, 100), st.floats(44, 56))
def test_it_finds_the_drift_of_the_converter_as_the_bench_makes_it(
    per_mille: int, generator_V: float, battery_V: float
) -> None:
    """The bench moves the converter's reference, live zero and all; the error need not be proportional."""
    true = {"generator": round(generator_V * 1000), "battery": round(battery_V * 1000)}
    read = {name: as_read(true[name], FULL_mV[name], (per_mille, 1000)) for name in true}
    assume(all(read.values()))
    pairs = [pair(name, (read[name] or 0) / 1000, true[name] / 1000, 0.2) for name in ("generator", "battery")]
    found = findings(pairs[0], pairs[1], 100, 54)
    if per_mille < 960 or per_mille > 1040:
        assert verdict(found) is Outcome.FAIL
    if 990 <= per_mille <= 1005:
        assert verdict(found) is not Outcome.FAIL


def test_what_the_failure_table_says_of_a_drift_passes_no_comparison() -> None:
    """converter-reads-low: within the board's own limits of generator and battery, so the board says nothing."""
    true = {"generator": 90_000, "battery": 50_000}
    read = {name: as_read(mV, FULL_mV[name], (91, 100)) or 0 for name, mV in true.items()}
    assert read["generator"] >= LEAST_SUPPLY_MV
    assert LEAST_BATTERY_MV <= read["battery"] <= MOST_BATTERY_MV
    pairs = [pair(name, read[name] / 1000, true[name] / 1000, 1.0) for name in ("generator", "battery")]
    assert verdict(findings(pairs[0], pairs[1], 100, 54)) is Outcome.FAIL


def test_the_median_of_the_looks_counts_and_their_scatter_is_doubt() -> None:
    still, moving = board_read("battery", [50.0] * 9), board_read("battery", [50, 49, 50, 51, 50, 50, 12])
    assert still.value == moving.value == 50
    assert 0 < still.u < 0.01 < moving.u
    with pytest.raises(ValueError, match="no voltage of the generator"):
        board_read("generator", [0.0] * 9)


def test_the_ratio_has_the_uncertainty_of_both() -> None:
    """Relative uncertainties of a quotient add in squares (JCGM 100, 5.1.6, from memory): 3 % and 4 % are 5 %."""
    ratio = Pair("battery", Quantity(50, "V", 1.5), Quantity(50, "V", 2.0)).ratio
    assert ratio.u / ratio.value == pytest.approx(0.05)
