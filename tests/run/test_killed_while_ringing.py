"""kill -9, a cut cable, a flood of garbage, a reset, a loop that stands still: while ringing is on, over a terminal.

The board is the paced bench's, once in this process and once in real MicroPython; the host is a real process. What is
measured is the unit's own: when the generator was last let through to the bus, and when the host was last heard.
"""

from __future__ import annotations

import os
import pty
import random
import select
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

from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.client import Client
from demo_ctl.link.port import Port, add_url_package, open_port
from demo_ctl.plan.model import Plan
from demo_ctl.wire import messages as m

ROOT = Path(__file__).resolve().parents[2]
GIVE_UP_S = 60  # nothing is asserted about it: a hung test should end
HEARTBEAT_US = 600_000
#: The relays fall at most so long after the last move of the pumps (bench/guard_circuit.py: 50 ms and 8 ms).
FALL_US = 60_000

CHILD = """
import sys
from demo_ctl.ledger.read import read_record
from demo_ctl.link.client import Client
from demo_ctl.link.port import open_port
from demo_ctl.run.perform import perform
from demo_ctl.safety.readiness import bench_ready

perform(read_record(sys.argv[1]).plan, Client(open_port(sys.argv[2])), ready=bench_ready,
        on_progress=lambda item: print(item.kind, item.label, flush=True))
"""


class Terminal:
    """A paced bench behind a real pseudo-terminal, and what happens at it, by the bench's clock."""

    def __init__(self, url: str) -> None:
        add_url_package("demo_ctl.bench")
        self.bench: Any = open_port(url)
        self.serial: Any = self.bench._line
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.path = os.ttyname(self.slave)
        self.heard_us = 0  # the last bytes from the host
        self.off_us: list[int] = []
        self.ending = threading.Event()
        self.cut = threading.Event()
        hardware: Any = self.serial.world.hardware
        settle = hardware._set_feed

        def watched() -> None:
            before = hardware.ringing_fed
            settle()
            if before and not hardware.ringing_fed:
                self.off_us.append(self.serial.world.kernel.now_us)

        hardware._set_feed = watched
        self.thread = threading.Thread(target=self._relay)
        self.thread.start()

    def _relay(self) -> None:
        while not self.ending.is_set():
            if select.select([self.master], [], [], 0.002)[0]:
                data = os.read(self.master, 4096)
                if not self.cut.is_set():
                    self.bench.write(data)
                    self.heard_us = self.serial.world.kernel.now_us
            data = self.bench.read(self.bench.clock_us() + 2_000)
            if data and not self.cut.is_set():
                os.write(self.master, data)

    @property
    def rings(self) -> bool:
        with self.serial.standing_still() as world:
            return bool(world.hardware.ringing_fed)

    def until_silent(self) -> None:
        give_up = time.monotonic() + GIVE_UP_S
        while self.rings and time.monotonic() < give_up:
            time.sleep(0.01)

    def close(self) -> None:
        self.ending.set()
        self.thread.join()
        self.bench.close()
        os.close(self.master)
        os.close(self.slave)


@pytest.fixture
def plan_file(bench: Port, make_plan: Callable[..., Plan], tmp_path: Path) -> Path:
    """A plan that lets the generator through to the bus, as a record, so that a child can have it."""
    path = tmp_path / "plan.jsonl"
    plan = make_plan((m.OP_LOOP, 1, 1, 0, 0), (m.OP_RINGING, 2, 1, 60_000_000, 0), (m.OP_WAIT, 0, 0, 50_000_000, 0))
    recorder = RecordWriter(path)
    recorder.start(plan, Client(bench).hello(), bench.url)
    recorder.close()
    return path


@contextmanager
def ringing(plan_file: Path, url: str) -> Iterator[tuple[Terminal, subprocess.Popen[str]]]:
    """A host process performs the plan, and the generator is let through."""
    terminal = Terminal(url)
    child = subprocess.Popen(
        [sys.executable, "-c", CHILD, plan_file, terminal.path], stdout=subprocess.PIPE, text=True, cwd=ROOT
    )
    try:
        assert child.stdout is not None
        for line in child.stdout:
            if line.startswith("ringing ringing allowed"):
                break
        give_up = time.monotonic() + GIVE_UP_S
        while not terminal.rings and time.monotonic() < give_up:
            time.sleep(0.01)
        assert terminal.rings
        yield terminal, child
    finally:
        child.kill()
        child.communicate()
        terminal.close()


@pytest.mark.realtime
@pytest.mark.parametrize("board", ["python", "micropython"])
@pytest.mark.parametrize("what", ["kill -9", "cable cut", "garbage flood", "reset", "loop stalled"])
def test_ringing_ends_in_time(plan_file: Path, unit_file: Path, board: str, what: str) -> None:
    with ringing(plan_file, f"bench://?unit={unit_file}&clock=paced&board={board}") as (terminal, child):
        flood = random.Random(1)
        if what == "cable cut":
            terminal.cut.set()
        elif what in ("reset", "loop stalled"):
            with terminal.serial.standing_still() as world:
                began_us = world.kernel.now_us
                world.hardware.break_part("brown-out" if what == "reset" else "loop-hung")
        else:
            child.kill()
            child.wait(GIVE_UP_S)
        if what == "garbage flood":
            stranger = os.open(terminal.path, os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)
            end = time.monotonic() + 2
            silent_from_us = terminal.heard_us
            while time.monotonic() < end:
                try:
                    os.write(stranger, flood.randbytes(500))
                except BlockingIOError:
                    time.sleep(0.001)
            os.close(stranger)
        terminal.until_silent()
        assert not terminal.rings
        off_us = terminal.off_us[-1]
        if what in ("reset", "loop stalled"):
            assert off_us - began_us <= FALL_US
        elif what == "garbage flood":
            assert off_us - silent_from_us <= HEARTBEAT_US + FALL_US
        else:
            assert off_us - terminal.heard_us <= HEARTBEAT_US + FALL_US
        time.sleep(0.5)
        assert not terminal.rings  # and it stays off
        if what == "loop stalled":
            return
        # Whoever comes next is told: a trip is latched, or the board has booted and is locked.
        child.kill()
        child.wait(GIVE_UP_S)
        terminal.cut.clear()
        port = open_port(terminal.path)
        asking = Client(port)
        asking.hello()
        safety = asking.safety()
        port.close()
        if what == "reset":
            assert (safety.state, safety.obstacle) == (m.G_LOCKED, m.R_LOCKED)
        else:
            assert (safety.state, safety.reason) == (m.G_TRIPPED, m.R_SILENCE)
