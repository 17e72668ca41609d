"""The command line as a person uses it: real processes, exit codes, messages that say what to do."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from tests.cli.started import demo

ROOT = Path(__file__).resolve().parents[2]
ANSWERED = "configs/calls/answered.yaml"
TRAVELLING = ("--unit", "configs/units/travelling.yaml")


def _run(*words: str, cwd: Path = ROOT) -> subprocess.CompletedProcess[str]:
    return demo(*words, cwd=cwd)


def test_an_answered_seven_digit_call_passes_with_every_check_measured() -> None:
    run = _run("call", ANSWERED, "--json")
    assert run.returncode == 0, run.stderr
    result = json.loads(run.stdout)
    assert len(result["digits"]) == 7
    assert result["status"] == "finished"
    assert {verdict["outcome"] for verdict in result["verdicts"]} == {"pass"}
    assert "bench" in run.stderr  # nobody may take it for the real unit


def test_the_table_says_what_it_is_and_passes() -> None:
    run = _run("call", ANSWERED, *TRAVELLING)
    assert run.returncode == 0, run.stderr
    assert "PASSED" in run.stdout
    assert "simulated" in run.stdout


def _copy(tmp_path: Path, source: str, old: str, new: str) -> str:
    text = (ROOT / source).read_text()
    assert old in text
    path = tmp_path / Path(source).name
    path.write_text(text.replace(old, new))
    return str(path)


def test_a_wrong_expectation_fails_and_says_which_and_by_how_much(tmp_path: Path) -> None:
    script = _copy(
        tmp_path, ANSWERED, "must not:", 'expect:\n  ring trip: { to: 20 ms, source: "too strict" }\nmust not:'
    )
    run = _run("call", script, *TRAVELLING)
    assert run.returncode == 1
    line = next(line for line in run.stdout.splitlines() if "more than" in line)
    assert "ring" in line
    assert "ms" in line
    assert "20 ms" in run.stdout


@pytest.mark.parametrize(
    ("old", "new", "line_of", "said"),
    [
        ("talk: 4 s", "talk: 4", "talk: 4", "with its unit"),
        ("lift: caller", "lfit: caller", "lfit", "lift"),
        ("hang up: called", "hang up: clled", "clled", "called"),
        ("steps:", "steps: [", "", "expected"),
    ],
)
def test_a_broken_script_names_line_and_what_was_expected(
    tmp_path: Path, old: str, new: str, line_of: str, said: str
) -> None:
    script = _copy(tmp_path, ANSWERED, old, new)
    run = _run("call", script)
    assert run.returncode == 2
    assert said in run.stderr
    if line_of:
        number = next(i for i, line in enumerate(Path(script).read_text().splitlines(), 1) if line_of in line)
        assert f"{script}:{number}:" in run.stderr


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("call", "configs/calls/answred.yaml"), 2, "Did you mean configs/calls/answered.yaml?"),
        (("call", "configs/calls/zzz.yaml"), 2, "In that folder there are: abandoned.yaml"),
        (("call", "configs/calls"), 2, "In that folder there are: abandoned.yaml"),
        (("call", ANSWERED, "--pace", "1/0"), 2, "--pace"),
        (("call", ANSWERED, "--pace", "9"), 2, "between 1/50 and 4"),
        (("call", ANSWERED, "--unit", "nowhere.yaml"), 2, "no such file"),
        (("call", ANSWERED, "--unit", "configs"), 2, "this is a folder"),
        (("record", "no-such.jsonl"), 2, "Check the spelling"),
        (("call", ANSWERED, "--port", "/dev/not-there"), 3, "/dev/not-there"),
        (("call", ANSWERED, "--port", "nonsense://x"), 2, "nonsense"),
        (("call", ANSWERED, "--port", "bench://?speed=9"), 2, "speed"),
        (("record", "configs/calls/answered.yaml"), 2, "record"),
        (("plan", ANSWERED, "--unit", ANSWERED), 2, "answered.yaml:"),
    ],
)
def test_what_is_wrong_is_said(words: tuple[str, ...], code: int, said: str) -> None:
    run = _run(*words)
    assert run.returncode == code, run.stderr
    assert said in run.stderr


def test_a_plan_shows_what_each_part_got_and_why() -> None:
    run = _run("plan", ANSWERED, "--pace", "1/4")
    assert run.returncode == 0
    for word in ("stretchable", "bounded", "fixed", "asked", "got", "why"):
        assert word in run.stdout
    as_json = json.loads(_run("plan", ANSWERED, "--pace", "1/4", "--json").stdout)
    assert {row["kind"] for row in as_json["pace_table"]} == {"stretchable", "bounded", "fixed"}


def test_a_record_is_judged_again_alike(tmp_path: Path) -> None:
    path = str(tmp_path / "call.jsonl")
    first = _run("call", "configs/calls/busy.yaml", *TRAVELLING, "--record", path, "--json")
    assert first.returncode == 0, first.stderr
    again = _run("record", path, "--json")
    assert again.returncode == 0, again.stderr
    assert json.loads(again.stdout)["verdicts"] == json.loads(first.stdout)["verdicts"]
    assert _run("call", ANSWERED, "--record", path).returncode == 2  # a record is never written over


@pytest.mark.parametrize("kind", ["unit", "call"])
def test_the_schema_in_the_configs_is_the_one_in_force(kind: str) -> None:
    assert _run("schema", kind).stdout == (ROOT / f"configs/schema/{kind}.schema.json").read_text()


def test_it_runs_from_any_folder(tmp_path: Path) -> None:
    assert _run("call", str(ROOT / ANSWERED), "--json", cwd=tmp_path).returncode == 0


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_releases_the_line_keeps_the_record_and_says_so(tmp_path: Path, how: signal.Signals) -> None:
    path = tmp_path / "stopped.jsonl"
    command = [sys.executable, "-u", "-m", "demo_ctl", "call", ANSWERED, "--port", "bench://?clock=paced"]
    call = subprocess.Popen(
        [*command, "--record", str(path)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT
    )
    assert call.stdout is not None
    for line in call.stdout:
        if "dials" in line:
            break
    time.sleep(0.3)  # into the digit
    call.send_signal(how)
    out, err = call.communicate(timeout=60)
    assert call.returncode == 130, out + err
    assert "Traceback" not in err
    assert "released" in out + err
    rows = [json.loads(line) for line in path.read_text().splitlines()]
    assert rows[-1]["row"] == "end"
    assert rows[-1]["status"] == "interrupted"
    again = _run("record", str(path))
    assert "interrupted" in again.stdout


def test_a_reader_that_goes_away_is_no_trouble() -> None:
    run = subprocess.run(
        f"{sys.executable} -m demo_ctl plan {ANSWERED} | head -1", shell=True, capture_output=True, text=True, cwd=ROOT
    )
    assert "Traceback" not in run.stderr
    assert "Error" not in run.stderr


def test_the_pictures_in_the_readme_are_what_the_program_prints() -> None:
    shown = (ROOT / "README.md").read_text().split("```text\n")[1:]
    run = _run("call", ANSWERED)
    printed = [line.rstrip() for line in run.stdout.splitlines()]
    assert len(shown) >= 2
    for block in (part.split("\n```")[0].splitlines() for part in shown):
        assert block in [printed[first : first + len(block)] for first in range(len(printed))]


@pytest.mark.parametrize(("how", "code"), [(signal.SIGINT, 130), (signal.SIGTERM, 0)])
def test_a_bench_that_is_served_ends_with_the_code_that_its_help_names(how: signal.Signals, code: int) -> None:
    command = [sys.executable, "-u", "-m", "demo_ctl", "bench", "--pty"]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout
        for line in process.stdout:
            if line.startswith("help lists"):
                process.send_signal(how)
        assert process.wait(60) == code
