"""Signals and kill -9: a real process performs the call, and is interrupted or dies."""

from __future__ import annotations

import os
import pty
import select
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.ledger.read import Record, read_record
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.client import Client
from demo_ctl.link.port import Port, add_url_package, open_port
from demo_ctl.plan.model import Plan
from demo_ctl.run.perform import perform
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m

ROOT = Path(__file__).resolve().parents[2]
GIVE_UP_S = 60  # nothing is asserted about it: a hung test should end

CHILD = """
import os, sys
from demo_ctl.ledger.read import read_record
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.client import Client
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.run.perform import perform

plan_file, url, record_file, mode = sys.argv[1:]
add_url_package("demo_ctl.bench")
port = open_port(url)
if "deaf" in mode:
    # The board never hears a STOP.
    from demo_ctl.wire import messages as m
    from demo_ctl.wire.codec import decode
    from demo_ctl.wire.framing import Deframer
    write, ear = port.write, Deframer()
    def deaf(data):
        if not any(isinstance(decode(payload)[1], m.Stop) for payload in ear.feed(data)):
            write(data)
    port.write = deaf

def show(item):
    print(item.kind, item.label, flush=True)
    if "wait" in mode and item.label in ("loop on", "releasing the line"):
        sys.stdin.readline()  # the parent sends its signal now

result = perform(read_record(plan_file).plan, Client(port), RecordWriter(record_file), on_progress=show)
print("RESULT", result.status.value, result.reason, result.released, result.error, flush=True)
if url.startswith("bench") and "deaf" in mode:
    world = port._line.world
    print("CLOSED", bool(world.unit.levels() & 1))
    world.advance(world.kernel.now_us + 600_000)
if url.startswith("bench"):
    print("CLOSED", bool(port._line.world.unit.levels() & 1), flush=True)
sys.exit(result.exit_code)
"""


@pytest.fixture
def plan_file(bench: Port, hold: Plan, tmp_path: Path) -> Path:
    """The plan as a record, so that a child can have it."""
    path = tmp_path / "plan.jsonl"
    recorder = RecordWriter(path)
    recorder.start(hold, Client(bench).hello(), bench.url)
    recorder.close()
    return path


class Child:
    """The process that performs the call; it waits for a line on its input where it can be signalled."""

    def __init__(self, plan_file: Path, url: str, record: Path, mode: str = "") -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-c", CHILD, plan_file, url, record, mode],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )

    def until(self, wanted: str) -> str:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if line.startswith(wanted):
                return line.strip()
        raise AssertionError(f"the child ended without {wanted!r}")

    def signal(self, number: int) -> None:
        """Signal it, and let it read on: the signal comes first."""
        self.process.send_signal(number)
        assert self.process.stdin is not None
        self.process.stdin.write("\n")
        self.process.stdin.flush()

    def close(self) -> None:
        self.process.kill()
        self.process.communicate()


@pytest.fixture
def child(plan_file: Path, tmp_path: Path) -> Iterator[Callable[..., Child]]:
    made: list[Child] = []

    def make(url: str, mode: str = "") -> Child:
        made.append(Child(plan_file, url, tmp_path / "call.jsonl", mode))
        return made[-1]

    yield make
    for one in made:
        one.close()


def stop_reasons(record: Record) -> list[int]:
    return [e.value >> 8 for e in record.observation.events if e.kind == m.EV_PLAN and e.value & 0xFF == m.ENDED_EARLY]


@pytest.mark.parametrize(("number", "name"), [(signal.SIGINT, "Ctrl-C"), (signal.SIGTERM, "SIGTERM")])
def test_a_signal_in_mid_call_releases_the_line_and_keeps_the_record(
    child: Callable[..., Child], unit_file: Path, tmp_path: Path, number: int, name: str
) -> None:
    performing = child(f"bench://?unit={unit_file}", "wait")
    performing.until("sensed loop on")
    performing.signal(number)
    performing.until("stop releasing the line")
    assert performing.process.stdin is not None
    performing.process.stdin.write("\n")
    performing.process.stdin.flush()
    assert performing.until("RESULT") == f"RESULT interrupted stopped by {name} True None"
    assert performing.until("CLOSED") == "CLOSED False"
    assert performing.process.wait(GIVE_UP_S) == Exit.INTERRUPTED
    record = read_record(tmp_path / "call.jsonl")
    assert (record.status, record.exit_code, record.remarks) == ("interrupted", Exit.INTERRUPTED, ())
    assert stop_reasons(record) == [m.R_STOP]


def test_a_second_ctrl_c_waits_no_longer_and_the_board_lets_go_by_itself(
    child: Callable[..., Child], unit_file: Path, tmp_path: Path
) -> None:
    performing = child(f"bench://?unit={unit_file}", "deaf wait")
    performing.until("sensed loop on")
    performing.signal(signal.SIGINT)
    performing.until("stop releasing the line")
    performing.signal(signal.SIGINT)
    said = performing.until("RESULT")
    assert "interrupted" in said
    assert "was not waited for" in said
    assert performing.until("CLOSED") == "CLOSED True"
    assert performing.until("CLOSED") == "CLOSED False"
    assert performing.process.wait(GIVE_UP_S) == Exit.INTERRUPTED
    record = read_record(tmp_path / "call.jsonl")
    assert record.status == "interrupted"
    assert stop_reasons(record) == []


@contextmanager
def on_a_terminal(unit_file: Path) -> Iterator[tuple[str, Any]]:
    """A paced bench behind a real pseudo-terminal: (path, the bench's port)."""
    add_url_package("demo_ctl.bench")
    bench = open_port(f"bench://?unit={unit_file}&clock=paced")
    master, slave = pty.openpty()
    tty.setraw(slave)
    ending = threading.Event()

    def relay() -> None:
        while not ending.is_set():
            if select.select([master], [], [], 0.002)[0]:
                bench.write(os.read(master, 4096))
            data = bench.read(bench.clock_us() + 2_000)
            if data:
                os.write(master, data)

    thread = threading.Thread(target=relay)
    thread.start()
    try:
        yield os.ttyname(slave), bench
    finally:
        ending.set()
        thread.join()
        bench.close()
        os.close(master)
        os.close(slave)


def test_kill_9_leaves_the_board_released_and_every_row_readable(
    child: Callable[..., Child], unit_file: Path, tmp_path: Path, line_closed: Callable[[Any], bool]
) -> None:
    with on_a_terminal(unit_file) as (url, bench):
        performing = child(url)
        performing.until("sensed loop on")
        was_closed = line_closed(bench)
        performing.process.kill()
        performing.process.wait(GIVE_UP_S)
        # The next host only asks; it sends no heartbeat, and no hello that would end the plan.
        port = open_port(url)
        asking = Client(port)
        give_up = time.monotonic() + GIVE_UP_S
        while (told := asking.status()).plan_state == m.RUNNING and time.monotonic() < give_up:
            time.sleep(0.02)
        port.close()
        assert was_closed
        assert not line_closed(bench)
    assert (told.plan_state, told.reason) == (m.ENDED_EARLY, m.R_SILENCE)
    record = read_record(tmp_path / "call.jsonl")
    assert not record.complete
    assert record.plan.script == "hand-made"
    assert any(event.kind == m.EV_PLAN and event.value == m.RUNNING for event in record.observation.events)


def test_a_cable_pulled_from_a_real_terminal(hold: Plan, unit_file: Path, tmp_path: Path) -> None:
    """The master side closes, as when a USB plug is drawn: the host is told at once."""
    add_url_package("demo_ctl.bench")
    bench = open_port(f"bench://?unit={unit_file}&clock=paced")
    master, slave = pty.openpty()
    tty.setraw(slave)
    url = os.ttyname(slave)
    pulled = threading.Event()

    def relay() -> None:
        while not pulled.is_set():
            if select.select([master], [], [], 0.002)[0]:
                bench.write(os.read(master, 4096))
            data = bench.read(bench.clock_us() + 2_000)
            if data:
                os.write(master, data)
        os.close(master)
        os.close(slave)

    thread = threading.Thread(target=relay)
    thread.start()
    port = open_port(url)
    try:
        path = tmp_path / "call.jsonl"
        result = perform(
            hold,
            Client(port),
            RecordWriter(path),
            on_progress=lambda item: pulled.set() if item.label == "loop on" else None,
        )
    finally:
        pulled.set()
        thread.join()
        port.close()
        bench.close()
    assert result.status.value == "link lost"
    assert result.exit_code == 3
    assert "vanished in use" in result.reason
    assert read_record(path).observation == result.observation
