"""Ringing criteria: laws of the arithmetic, what is not known, and the command."""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.cli import safety_criteria
from demo_ctl.cli.main import main
from demo_ctl.office.load import load_unit
from demo_ctl.safety import criteria as c
from demo_ctl.safety import ringing_figures as f
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.outcome import Outcome

ROOT = Path(__file__).resolve().parents[2]
VOLTS = st.floats(1, 200)
RINGING = st.builds(
    f.Ringing,
    wave=VOLTS.map(f.sine),
    u_V=st.just(0.0),
    battery_least_V=st.just(45.0),
    battery_most_V=st.floats(45, 70),
    frequency_Hz=st.floats(10, 80),
    on_us=st.integers(200_000, 8_000_000),
    off_us=st.integers(200_000, 8_000_000),
    source_ohm=st.one_of(st.none(), st.floats(0, 4000)),
)
GOOD = f.Ringing(f.sine(78), 0.0, 46.0, 54.0, 20.0, 2_000_000, 4_000_000, 400.0)


@settings(deadline=None)
@given(RINGING, st.floats(1.01, 3))
def test_more_voltage_never_mends_a_check(ringing: f.Ringing, factor: float) -> None:
    rank = {Outcome.PASS: 0, Outcome.NOT_MEASURED: 1, Outcome.FAIL: 2}
    for low, high in zip(c.findings(ringing), c.findings(ringing.scaled(factor)), strict=True):
        assert rank[high.outcome] >= rank[low.outcome], low.title


@settings(deadline=None)
@given(RINGING, st.floats(1, 4000))
def test_more_source_resistance_never_harms(ringing: f.Ringing, more_ohm: float) -> None:
    rank = {Outcome.PASS: 0, Outcome.NOT_MEASURED: 1, Outcome.FAIL: 2}
    other = replace(ringing, source_ohm=(ringing.source_ohm or 0.0) + more_ohm)
    for low, high in zip(c.findings(other), c.findings(ringing), strict=True):
        assert rank[high.outcome] >= rank[low.outcome], low.title


@settings(deadline=None)
@given(st.floats(1, 100), st.floats(1, 100), st.floats(1, 3_000_000))
def test_a_bursts_current_lies_between_its_two_figures_and_goes_from_one_to_the_other(
    peak_mA: float, swing_mA: float, on_us: float
) -> None:
    ends = sorted((peak_mA / f.ROOT2, swing_mA / (2 * f.ROOT2)))
    value = f.burst_current_mA(peak_mA, swing_mA, on_us)
    assert ends[0] - 1e-9 <= value <= ends[1] + 1e-9
    assert f.burst_current_mA(peak_mA, swing_mA, 600_000) == pytest.approx(peak_mA / f.ROOT2)
    assert f.burst_current_mA(peak_mA, swing_mA, 600_000.001) == pytest.approx(peak_mA / f.ROOT2, rel=1e-6)
    assert f.burst_current_mA(peak_mA, swing_mA, 1_200_000) == pytest.approx(swing_mA / (2 * f.ROOT2))


@settings(deadline=None)
@given(st.integers(8, 400), st.floats(1, 300), st.floats(-60, 60), st.integers(1, 3))
def test_samples_of_a_sine_on_a_battery_are_that_sine(many: int, rms_V: float, battery_V: float, cycles: int) -> None:
    many *= 4 * cycles  # quarter cycles are sampled, so the peaks are among the samples
    samples = [battery_V + rms_V * f.ROOT2 * math.sin(2 * math.pi * cycles * i / many) for i in range(many)]
    found, expected = f.waveform(samples), f.sine(rms_V)
    assert found.rms_V == pytest.approx(expected.rms_V, rel=1e-6)
    assert found.swing_V == pytest.approx(expected.swing_V, rel=1e-6)
    assert found.peak_V == pytest.approx(expected.peak_V, rel=1e-6)


def test_a_peaky_waveform_fails_where_a_sine_of_its_voltage_would_pass() -> None:
    square = f.waveform([90.0] * 50 + [-90.0] * 50)
    peaky = f.waveform([180.0] * 12 + [0.0] * 38 + [-180.0] * 12 + [0.0] * 38)
    assert square.peak_V == pytest.approx(square.rms_V)
    assert peaky.rms_V == pytest.approx(88.2, abs=0.1)
    outcomes = {
        wave: {one.title: one.outcome for one in c.findings(replace(GOOD, wave=wave)) if one.method == "B"}
        for wave in (f.sine(peaky.rms_V), peaky)
    }
    title = "peak to peak, open circuit"
    assert outcomes[f.sine(peaky.rms_V)][title] is Outcome.PASS
    assert outcomes[peaky][title] is Outcome.FAIL


def test_too_few_samples_tell_no_peak() -> None:
    with pytest.raises(ValueError, match="at least 8"):
        f.waveform([1.0] * 7)


def test_what_is_not_known_is_not_measured_and_says_so() -> None:
    found = c.findings(f.Ringing(f.sine(75)))
    unknown = [one for one in found if one.value is None]
    assert {one.row for one in unknown} >= {"H20, H21", "H22", "H24", "H25", "H29", "H05"}
    assert all(one.outcome is Outcome.NOT_MEASURED and "is not known" in one.note for one in unknown)
    assert c.worst(found, "B") is Outcome.NOT_MEASURED


def test_near_a_limit_the_uncertainty_does_not_settle_it() -> None:
    sure = {one.title: one for one in c.findings(replace(GOOD, wave=f.sine(100.0), source_ohm=0.0))}
    doubtful = {one.title: one for one in c.findings(replace(GOOD, wave=f.sine(100.0), source_ohm=0.0, u_V=0.5))}
    stuck = "single fault, ringing stuck on: through 5000 ohm"
    assert sure[stuck].outcome is Outcome.PASS
    assert doubtful[stuck].outcome is Outcome.MARGINAL
    value = doubtful[stuck].value
    assert value is not None
    assert value.u == pytest.approx(0.1)  # 0.5 V through 5000 ohm
    assert doubtful["frequency"].outcome is Outcome.PASS
    clear = {one.title: one for one in c.findings(replace(GOOD, wave=f.sine(98.9), source_ohm=0.0, u_V=0.5))}
    assert clear[stuck].outcome is Outcome.PASS


@settings(deadline=None)
@given(RINGING, st.floats(0.01, 5))
def test_with_doubt_a_pass_holds_at_both_ends(ringing: f.Ringing, u_V: float) -> None:
    part = 2 * u_V / ringing.wave.rms_V
    ends = [c.findings(ringing.scaled(factor)) for factor in (max(0.0, 1 - part), 1 + part)]
    for index, one in enumerate(c.findings(replace(ringing, u_V=u_V))):
        outcomes = {found[index].outcome for found in ends}
        if one.outcome in (Outcome.PASS, Outcome.FAIL):
            assert outcomes == {one.outcome}
        elif one.outcome is Outcome.MARGINAL:
            assert len(outcomes) == 2


# The command.


def _run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    parser = argparse.ArgumentParser()
    safety_criteria.arguments(parser)
    code = safety_criteria.run(parser.parse_args([*words]))
    return code, capsys.readouterr().out


@pytest.mark.parametrize("unit", ["mossbrook", "travelling"])
def test_the_sample_units_fail_nothing(capsys: pytest.CaptureFixture[str], unit: str) -> None:
    path = str(ROOT / "configs" / "units" / f"{unit}.yaml")
    code, text = _run(capsys, "--unit", path, "--json")
    told = json.loads(text)
    assert code == 0
    assert told["format"] == "demo_ctl safety criteria 1"
    assert told["ringing"]["voltage_is"] == told["ringing"]["battery_is"] == "declared"
    assert not [one for one in told["checks"] if one["outcome"] == "fail"]
    assert told["methods"]["ours"] == "pass"
    assert "competent person" in told["note"]


def test_given_figures_replace_the_declared_ones(capsys: pytest.CaptureFixture[str]) -> None:
    code, text = _run(capsys, "--voltage", "105", "--battery", "52.1", "--source-ohm", "0", "--json")
    told = json.loads(text)
    assert code == 1
    assert told["ringing"]["voltage_is"] == "given"
    assert told["methods"]["ours"] == told["methods"]["B"] == "fail"
    assert any(one["value"] == pytest.approx(200.59, abs=0.01) for one in told["checks"])
    code, text = _run(capsys, "--voltage", "105", "--battery", "48", "--source-ohm", "2600")
    assert "105 V rms (given)" in text
    assert "A competent person decides and signs" in " ".join(text.split())


@pytest.mark.parametrize("wrong", ["nan", "-1", "many", "1e9", "inf"])
@pytest.mark.parametrize("option", ["--voltage", "--battery", "--source-ohm", "--doubt"])
def test_figures_that_are_none_are_refused(option: str, wrong: str) -> None:
    parser = argparse.ArgumentParser()
    safety_criteria.arguments(parser)
    with pytest.raises(InputError, match=option):
        safety_criteria.run(parser.parse_args([f"{option}={wrong}"]))


def test_generator_and_battery_as_the_board_measures_them(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["safety", "criteria", "--measured", "--json", "--port", "bench://?fault=weak-ringing@ringing"]) in (
        0,
        1,
    )
    told = json.loads(capsys.readouterr().out)
    assert told["ringing"]["voltage_is"] == told["ringing"]["battery_is"] == "measured"
    unit = load_unit(ROOT / "configs" / "units" / "mossbrook.yaml").value
    assert told["ringing"]["rms_V"] != unit.ringing.voltage_V


def test_measured_goes_with_no_other_figure(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["safety", "criteria", "--measured", "--voltage", "80", "--port", "bench://"]) == 2
    assert "goes with neither" in capsys.readouterr().err
