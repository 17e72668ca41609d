"""Lamps through whole commands: shows, exhibits and replays on the bench, whose truth tells what was lit when."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.bench.serve import serve_pty
from demo_ctl.cli.main import main
from demo_ctl.ledger.read import read_record, read_truth
from demo_ctl.link.client import Client
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m
from tests.cli.started import demo

ROOT = Path(__file__).resolve().parents[2]
CONFIGS = ROOT / "configs"
BUSY = str(CONFIGS / "exhibits" / "recorded" / "busy.jsonl")
CORNER = str(CONFIGS / "exhibits" / "corner.yaml")
SHEET = f"""\
format: demo_ctl show 1
name: short
title: {{en: A short show}}
unit: {CONFIGS}/units/travelling.yaml
lamps:
  - {{ lamp: 1, shows: off the hook, of: caller }}
  - {{ lamp: 2, shows: ringing, of: called }}
  - {{ lamp: 3, shows: talking }}
  - {{ lamp: 4, shows: moves, of: connector }}
  - {{ lamp: 5, shows: ringing possible }}
  - {{ lamp: 6, shows: your turn }}
  - {{ lamp: 7, shows: tripped }}
calls:
  - call: {CONFIGS}/calls/answered.yaml
    stops: []
  - call: {CONFIGS}/calls/answered.yaml
    stops: []
    lamps: off
"""


def lit(truth: Path, number: int) -> list[tuple[int, int]]:
    """When this lamp was lit, and until when."""
    rows = [row for row in read_truth(truth).rows if row.what == f"lamp {number}/lit"]
    assert [row.value for row in rows] == [1, 0] * (len(rows) // 2) + [1] * (len(rows) % 2)
    instants = [row.at_us for row in rows]
    return list(zip(instants[::2], [*instants[1::2], 1 << 62], strict=False))


@pytest.mark.parametrize("kind", ["python", "micropython"])
def test_a_show_s_lamps_follow_the_call_that_follows_them(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet, truth, records = tmp_path / "short.yaml", tmp_path / "truth.jsonl", tmp_path / "records"
    sheet.write_text(SHEET, encoding="utf-8")
    port = f"bench://?board={kind}&truth={truth}"
    assert main(["show", str(sheet), "--port", port, "--fast", "--json", "--records", str(records)]) == Exit.OK
    done = json.loads(capsys.readouterr().out)["calls"]
    assert [(call["status"], call["passed"]) for call in done] == [("finished", True)] * 2
    first, second = [read_record(path).observation.events for path in sorted(records.glob("*.jsonl"))]
    ended = {event.value & 0xFFFF: event.at_us for event in first if event.kind == m.EV_ENDED}
    lifted_us = ended[0]
    states = [(e.at_us, e.port, e.value >> 1, e.value & 1) for e in first if e.kind == m.EV_STATE]
    # The loop opens for good as the caller hangs up; the breaks of the dial are too short for its filter.
    hung_up_us = max(at for at, port, which, level in states if (port, which, level) == (1, m.LOOP, 0))
    ((on_us, off_us),) = lit(truth, 1)  # of the first call alone: the second has its lamps off
    assert 0 <= on_us - lifted_us < 300_000
    assert 0 <= off_us - hung_up_us < 600_000
    begun = [at for at, port, which, level in states if (port, which, level) == (2, m.RINGING, 1)]
    assert len(lit(truth, 2)) == len(begun) == 2
    assert all(0 <= on - at < 300_000 for (on, _), at in zip(lit(truth, 2), begun, strict=True))
    ((talk_us, quiet_us),) = lit(truth, 3)
    assert 3_500_000 < quiet_us - talk_us < 5_500_000
    assert lit(truth, 4)

    # What the guard tells is shown in both calls; nothing tripped, whatever the lamps did.
    def live(events: Any) -> int:
        return sum(e.kind == m.EV_GUARD and e.value & 0xFF == m.G_LIVE for e in events)

    def windows(events: Any) -> list[tuple[int, int]]:
        """From the instant at which ringing was let through until it was seen to have fallen."""
        guards = [(e.at_us, e.value & 0xFF) for e in events if e.kind == m.EV_GUARD]
        return [
            (at, next(after for after, then in guards if after > at and then not in (m.G_LIVE, m.G_FALLING)))
            for at, state in guards
            if state == m.G_LIVE
        ]

    assert len(lit(truth, 5)) == live(first) + live(second) > 2
    for (on, off), (began_us, over_us) in zip(lit(truth, 5), [*windows(first), *windows(second)], strict=True):
        assert 0 <= on - began_us < 300_000
        assert 0 <= off - over_us < 400_000
    assert not lit(truth, 7)
    assert not [e for e in (*first, *second) if e.kind == m.EV_GUARD and e.value & 0xFF == m.G_TRIPPED]


def test_the_events_of_a_call_are_those_of_a_call_without_lamps(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found: list[list[tuple[int, int, int, int]]] = []
    for lamps in (SHEET, re.sub(r"lamps:\n(  - .*\n)+calls", "lamps: []\ncalls", SHEET)):
        folder = tmp_path / str(len(found))
        folder.mkdir()
        (folder / "short.yaml").write_text(lamps, encoding="utf-8")
        words = ["show", str(folder / "short.yaml"), "--port", "bench://", "--fast", "--json"]
        assert main([*words, "--records", str(folder / "records")]) == Exit.OK
        record = read_record(sorted((folder / "records").glob("*.jsonl"))[0])
        zero_us = next(e.at_us for e in record.observation.events if e.kind == m.EV_PLAN)
        found.append([(e.at_us - zero_us, e.kind, e.port, e.value) for e in record.observation.events])
        capsys.readouterr()
    steps = [[each for each in one if each[1] in (m.EV_GUARD, m.EV_PLAN)] for one in found]
    assert [each[1:] for each in steps[0]] == [each[1:] for each in steps[1]]
    edges = [[each[1:] for each in one if each[1] == m.EV_STATE] for one in found]
    assert edges[0] == edges[1]


def test_an_exhibit_s_lamps_follow_recordings_and_real_calls(tmp_path: Path) -> None:
    truth = tmp_path / "truth.jsonl"
    words = ["exhibit", CORNER, "--port", f"bench://?truth={truth}", "--state", str(tmp_path / "state")]
    typed = "wait 125 s\npress\nwait 30 s\n"
    done = demo(*words, "--fast", "--json", "--at", "2026-08-04T11:00+01:00", typed=typed)
    assert done.returncode == Exit.OK, done.stderr
    assert json.loads(done.stdout)["placed"] == 1
    rows = read_truth(truth).rows
    first_us = next(row.at_us for row in rows if row.what.endswith("/line relay"))  # the real call begins
    recorded, button = lit(truth, 6), lit(truth, 7)
    assert recorded[0][0] < button[0][0] + 3_000_000 < first_us
    # In the real call nothing is called a recording; the lamp in the button is dark while it is on.
    assert any(off <= first_us + 500_000 for _, off in recorded)
    real = (first_us + 500_000, first_us + 20_000_000)
    assert not [on for on, off in recorded if on < real[1] and off > real[0]]
    assert not [on for on, off in button if on < real[1] and off > real[0]]
    assert [on for on, _ in lit(truth, 4) if real[0] < on < real[1]]  # the bell of the real call
    assert [on for on, _ in lit(truth, 2) if on < first_us - 1_000_000]  # and a recorded selector moved before it


def test_a_replay_on_lamps_by_typed_words(tmp_path: Path) -> None:
    """In real time, a few seconds: held, stepped, gone on with, ended; the lamps are dark afterwards."""
    truth = tmp_path / "truth.jsonl"
    with subprocess.Popen(
        [sys.executable, "-m", "demo_ctl", "replay", BUSY, "--pace", "4", "--lamps", f"bench://?truth={truth}"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    ) as run:
        assert run.stdin is not None
        assert run.stdout is not None
        said = []
        for line in run.stdout:
            said.append(line)
            if "lifts the handset" in line:
                run.stdin.write("hold\n")
            elif line.startswith("Held at"):
                run.stdin.write("next\nnext\nback\ngo\n")
            elif "The dial sends" in line:
                run.stdin.write("quit\n")
            run.stdin.flush()
        assert run.wait() == Exit.OK
    text = "".join(said)
    assert "On the lamps of bench://" in text
    assert re.search(r"0\.\d\d s  Dial tone: ready for the number\.", text)
    ((_, off_us),) = lit(truth, 1)
    assert off_us < 1 << 62
    rows = read_truth(truth).rows
    assert {row.what.partition(" ")[0] for row in rows} == {"lamp"}  # nothing of the unit moved


def test_ctrl_c_leaves_the_lamps_dark(tmp_path: Path) -> None:
    truth = tmp_path / "truth.jsonl"
    with subprocess.Popen(
        [sys.executable, "-m", "demo_ctl", "replay", BUSY, "--lamps", f"bench://?truth={truth}", "--again"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
    ) as run:
        assert run.stdout is not None
        assert any("Dial tone" in line for line in run.stdout)
        os.kill(run.pid, signal.SIGINT)
        assert run.wait() == Exit.INTERRUPTED
    assert all(off < 1 << 62 for off in [off for _, off in lit(truth, 1)])


def test_json_goes_to_the_output_and_captions_beside_it(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["replay", BUSY, "--pace", "4", "--at-most", "5 s", "--json", "--lamps", "bench://?clock=free"]
    assert main(words) == Exit.OK
    said = capsys.readouterr()
    assert json.loads(said.out)["frames"]
    assert "lifts the handset" in said.err


@pytest.mark.parametrize(
    ("words", "code", "text"),
    [
        (["--lamps", "bench://?lamps=0"], Exit.BOARD_TROUBLE, "has no lamps"),
        (["--lamps", "bench://?lamps=9"], Exit.BAD_INPUT, "the bench's option lamps is a whole number from 0 to 7"),
        (["--lamps-of", CORNER], Exit.BAD_INPUT, "--lamps-of is for --lamps"),
        (["--lamps", "bench://", "--lamps-of", "nowhere.yaml"], Exit.BAD_INPUT, "there is no such file"),
    ],
)
def test_what_cannot_be_is_said(words: list[str], code: int, text: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["replay", BUSY, *words]) == code
    said = " ".join(capsys.readouterr().err.split())
    assert text in said
    assert "Traceback" not in said


def test_a_unit_whose_file_says_nothing_of_lamps(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (CONFIGS / "units" / "mossbrook.yaml").read_text(encoding="utf-8")
    unit = tmp_path / "plain.yaml"
    unit.write_text(text[: text.index("lamps:\n")] + text[text.index("longest gate:") :], encoding="utf-8")
    assert main(["replay", BUSY, "--unit", str(unit), "--lamps", "bench://"]) == Exit.BAD_INPUT
    said = " ".join(capsys.readouterr().err.split())
    assert "there is no list `lamps`" in said
    assert "plain.yaml" in said
    words = ["--lamps", "bench://?clock=free", "--lamps-of", CORNER, "--pace", "4", "--json"]
    assert main(["replay", BUSY, "--unit", str(unit), *words]) == Exit.OK


@contextmanager
def served(*options: tuple[str, str]) -> Iterator[str]:
    """A bench on a pseudo-terminal, as `demo_ctl bench --pty` serves it: real time, a port like any other."""
    add_url_package("demo_ctl.bench")
    paths: list[str] = []
    here, stop = threading.Event(), threading.Event()

    def announce(path: str) -> None:
        paths.append(path)
        here.set()

    thread = threading.Thread(target=serve_pty, args=(options,), kwargs={"announce": announce, "stop": stop})
    thread.start()
    try:
        assert here.wait(30)
        yield paths[0]
    finally:
        stop.set()
        thread.join(30)


@pytest.mark.realtime
def test_a_served_bench_s_lamps_go_dark_when_the_program_that_lit_them_is_killed(tmp_path: Path) -> None:
    truth = tmp_path / "truth.jsonl"
    unit = str(CONFIGS / "units" / "mossbrook.yaml")
    with served(("unit", unit), ("truth", str(truth))) as port:
        with subprocess.Popen(
            [sys.executable, "-m", "demo_ctl", "replay", BUSY, "--lamps", port],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        ) as run:
            assert run.stdout is not None
            assert any("Dial tone" in line for line in run.stdout)
            run.kill()
        for _ in range(100):
            time.sleep(0.05)
            rows = [row for row in truth.read_text(encoding="utf-8").splitlines() if '"lamp 1/lit"' in row]
            if rows and rows[-1].endswith('"value":0}'):
                break
        assert [json.loads(row)["value"] for row in rows] == [1, 0]
        client = Client(open_port(port))
        try:
            assert client.hello().ports == 4
            assert client.status().plan_state == m.IDLE
        finally:
            client.close()
