"""`demo_ctl call --truth FILE`."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from demo_ctl.ledger.read import read_record, read_truth
from tests.cli.started import demo

ROOT = Path(__file__).resolve().parents[2]
ANSWERED = str(ROOT / "configs/calls/answered.yaml")


def _call(*words: str) -> subprocess.CompletedProcess[str]:
    return demo("call", ANSWERED, "--fast", *words)


def test_a_call_writes_what_happened_inside_beside_its_record(tmp_path: Path) -> None:
    truth_file, record_file = tmp_path / "inside of it & all.jsonl", tmp_path / "record.jsonl"
    run = _call("--port", "bench://", "--truth", str(truth_file), "--record", str(record_file))
    assert run.returncode == 0, run.stderr
    assert "inside of it & all.jsonl" in run.stdout
    truth, record = read_truth(truth_file), read_record(record_file)
    assert truth.complete
    assert truth.boot == record.observation.welcome.boot
    # The called line is rung while the record sees ringing, by the same clock.
    rung = [row.at_us for row in truth.rows if row.what.endswith("/ringing") and row.value]
    assert len(rung) == 1
    assert record.observation.events[0].at_us < rung[0] < record.observation.events[-1].at_us


def test_it_is_never_written_over(tmp_path: Path) -> None:
    file = tmp_path / "mine"
    file.write_text("mine")
    run = _call("--port", "bench://", "--truth", str(file))
    assert run.returncode == 2
    assert "never written over" in run.stderr
    assert file.read_text() == "mine"


@pytest.mark.parametrize("port", ["socket://localhost:1", "/dev/null"])
def test_a_real_unit_has_none(tmp_path: Path, port: str) -> None:
    run = _call("--port", port, "--truth", str(tmp_path / "t"))
    assert run.returncode == 2
    assert "bench only" in run.stderr
    assert not (tmp_path / "t").exists()


def test_a_call_that_is_refused_leaves_no_file(tmp_path: Path) -> None:
    record = tmp_path / "record.jsonl"
    record.write_text("an older one")
    run = _call("--port", "bench://", "--truth", str(tmp_path / "t"), "--record", str(record))
    assert run.returncode == 2, run.stderr
    assert not (tmp_path / "t").exists()
