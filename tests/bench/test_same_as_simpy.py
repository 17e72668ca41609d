"""The unit against the same train written for another simulator: the same events at the same microseconds."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent


def test_the_train_in_simpy_does_the_same_to_the_microsecond() -> None:
    """One call after another through rotating finders, and three callers racing for the same trunks."""
    command = [sys.executable, str(HERE / "bench_unit_vs_simpy.py"), "--calls", "4", "--at-once", "3", "--repeats", "1"]
    run = subprocess.run(command, capture_output=True, text=True)
    assert run.returncode == 0, run.stdout + run.stderr
    events = [int(count) for count in re.findall(r"(\d+) events, the same in both to the microsecond", run.stdout)]
    assert len(events) == 2, run.stdout
    assert min(events) > 900
