"""The soak, in small: sixteen random calls pass; a unit that cannot pass is noticed; Ctrl-C ends it in order."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
SOAK = [sys.executable, str(ROOT / "tests/bench/soak_calls.py"), "--jobs", "1"]


def test_sixteen_random_calls_pass() -> None:
    run = subprocess.run([*SOAK, "--calls", "16", "--first-seed", "1878"], capture_output=True, text=True)
    assert run.returncode == 0, run.stdout + run.stderr
    assert "16 calls of 16, first seed 1878: 0 not passed" in run.stdout
    checks = re.search(r"checks: (\d+) pass$", run.stdout, re.M)
    assert checks is not None, run.stdout
    assert int(checks[1]) > 160


def test_a_unit_that_does_not_meet_its_windows_is_noticed(tmp_path: Path) -> None:
    text = (ROOT / "configs/units/mossbrook.yaml").read_text()
    windows = text.index("\nwindows:")
    tight, many = re.subn(r"(dial tone delay:\s*\{?\s*to:) *[\d.]+ m?s", r"\1 1 ms", text[windows:], count=1)
    assert many == 1
    unit = tmp_path / "hasty.yaml"
    unit.write_text(text[:windows] + tight)
    run = subprocess.run([*SOAK, "--calls", "4", "--unit", str(unit)], capture_output=True, text=True)
    assert run.returncode == 1, run.stdout + run.stderr
    again = re.search(r"^NOT PASSED  demo_ctl (call .* --seed \d+ .*)$", run.stdout, re.M)
    assert again is not None, run.stdout
    # The command it names places the same call again, with the same result.
    alone = subprocess.run([sys.executable, "-m", "demo_ctl", *again[1].split()], cwd=ROOT, capture_output=True)
    assert alone.returncode == 1, alone.stderr


def test_ctrl_c_ends_it_with_a_summary(tmp_path: Path) -> None:
    told = tmp_path / "out"
    with told.open("w") as file:
        run = subprocess.Popen(
            [*SOAK, "--calls", "100000"], stdout=file, stderr=subprocess.PIPE, text=True, start_new_session=True
        )
    assert run.stderr is not None
    try:
        assert "Ctrl-C" in run.stderr.readline()
        assert "calls, 0 not passed" in run.stderr.readline()  # it is well under way
    finally:
        time.sleep(0.1)  # into the midst of a call
        os.killpg(run.pid, signal.SIGINT)  # as a terminal does: the processes of the pool get it too
        _, err = run.communicate(timeout=120)
    out = told.read_text()
    assert run.returncode == 130, out + err
    assert "Traceback" not in err
    done = re.search(r"^(\d+) calls of 100000, first seed 0: 0 not passed$", out, re.M)
    assert done is not None, out
    assert 0 < int(done[1]) < 100_000
