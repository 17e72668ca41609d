"""Ctrl-S in the middle of a call: the terminal stands still, the call does not."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
UNIT = ROOT / "configs" / "units" / "travelling.yaml"
CALL = """\
format: demo_ctl call 1
name: short
title: A short call
parties: {caller: counter, called: parlour}
steps:
  - lift: caller
  - await: dial tone
  - dial: called
  - answer: called
    after: 5 s
  - hang up: caller
  - hang up: called
"""
CTRL_S, CTRL_Q = b"\x13", b"\x11"
#: Many times what the board lets pass without a heartbeat (600 ms); a ring begins in it, and is printed.
STANDS_S = 4


def read_until(master: int, wanted: str, found: str = "") -> str:
    give_up = time.monotonic() + 120
    while wanted not in found and time.monotonic() < give_up:
        if select.select([master], [], [], 0.2)[0]:
            try:
                found += os.read(master, 65536).decode(errors="replace")
            except OSError:  # the other end was closed
                break
    return found


@pytest.mark.realtime
def test_a_terminal_that_stands_still_while_it_rings_stops_no_heartbeat(tmp_path: Path) -> None:
    script = tmp_path / "short.yaml"
    script.write_text(CALL, encoding="utf-8")
    master, slave = pty.openpty()
    words = ["call", str(script), "--unit", str(UNIT), "--port", "bench://?clock=paced"]
    with subprocess.Popen(
        [sys.executable, "-m", "demo_ctl", *words],
        stdin=subprocess.DEVNULL,
        stdout=slave,
        stderr=slave,
        cwd=ROOT,
        env={**os.environ, "TERM": "dumb"},
    ) as child:
        os.close(slave)
        said = read_until(master, "ringing voltage may be on a line")
        assert "ringing voltage may be on a line" in said
        os.write(master, CTRL_S)
        time.sleep(STANDS_S)
        os.write(master, CTRL_Q)
        said = read_until(master, "the call is over: every line is released", said)
        read_until(master, "\0")
        os.close(master)
    assert "the bell of called (parlour) rings, 1st time" in said
    assert "TRIPPED" not in said.upper()
    assert child.returncode == 0, said
