"""`demo_ctl faults`, and `--fault` and `--night` where they are allowed."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from tests.cli.started import demo

ROOT = Path(__file__).resolve().parents[2]
CALL = ("call", "configs/calls/answered.yaml", "--unit", "configs/units/travelling.yaml")
BENCH = (*CALL, "--port", "bench://", "--json")


def _run(*words: str) -> subprocess.CompletedProcess[str]:
    return demo(*words, env={"COLUMNS": "120"})


def test_the_list_has_every_fault_with_its_line_places_and_figures() -> None:
    listed = json.loads(_run("faults", "--json").stdout)
    assert listed["format"] == "demo_ctl faults 1"
    assert len(listed["faults"]) >= 25
    printed = _run("faults").stdout
    for fault in listed["faults"]:
        assert fault["name"] in printed
        assert fault["wrong"]
        assert fault["shows"]
        assert fault["places"]
        assert {"chance", "from-night", "each-night"} <= {figure["name"] for figure in fault["figures"]}
        assert all(figure["usual"] and figure["range"] and figure["says"] for figure in fault["figures"])


def test_a_call_with_a_fault_fails_its_check_and_without_passes() -> None:
    assert _run(*BENCH).returncode == 0
    run = _run(*BENCH, "--fault", "slow-trip@connector:to=400 %")
    assert run.returncode == 1
    outcomes = {verdict["expectation"]: verdict["outcome"] for verdict in json.loads(run.stdout)["verdicts"]}
    assert outcomes["ring-trip"] == "fail"


def test_a_fault_that_begins_on_a_later_night_is_not_there_before() -> None:
    fault = ("--fault", "no-reversal@connector:from-night=3")
    assert [_run(*BENCH, *fault, "--night", night).returncode for night in ("2", "3")] == [0, 1]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ((*BENCH, "--fault", "slow-magnt"), "no fault 'slow-magnt'"),
        ((*BENCH, "--fault", "slow-magnet@selector 2"), "selector 1, all or one"),
        ((*BENCH, "--night", "-1"), "--night is a whole number"),
        ((*CALL, "--port", "/dev/null", "--fault", "low-battery"), "for the bench only"),
        ((*CALL, "--port", "/dev/null", "--night", "2"), "for the bench only"),
        (("bench", "--pty", "--fault", "hum@line attic"), "line counter, line parlour"),
    ],
)
def test_what_is_wrong_with_a_fault_is_said_before_anything_is_opened(words: tuple[str, ...], says: str) -> None:
    run = _run(*words)
    assert run.returncode == 2
    assert says in run.stderr
    assert run.stdout == ""
