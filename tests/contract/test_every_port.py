"""Every kind of port keeps the same contract: one simple client, which knows nothing about the port, on all of them."""

from __future__ import annotations

import struct
import threading
import time
from binascii import crc32
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pytest
import serial

from demo_ctl.bench.serve import serve_pty
from demo_ctl.wire import messages as m
from demo_ctl.wire.host_session import HostSession

UNIT = Path(__file__).resolve().parents[2] / "configs" / "units" / "travelling.yaml"
KINDS = [f"{how}-{board}" for how in ("free", "paced", "pty") for board in ("python", "micropython")]


@contextmanager
def served(board: str) -> Iterator[str]:
    """A bench served on a pseudo-terminal; gives its path."""
    path: list[str] = []
    there = threading.Event()
    stop = threading.Event()
    trouble: list[BaseException] = []

    def announce(where: str) -> None:
        path.append(where)
        there.set()

    def serve() -> None:
        try:
            serve_pty([("unit", str(UNIT)), ("board", board)], announce=announce, stop=stop)
        except BaseException as e:
            trouble.append(e)
            there.set()

    thread = threading.Thread(target=serve)
    thread.start()
    try:
        assert there.wait(30)
        assert not trouble
        yield path[0]
    finally:
        stop.set()
        thread.join(30)
    assert not thread.is_alive()
    assert not trouble
    assert not Path(path[0]).exists()


@pytest.fixture(params=KINDS)
def line(request: pytest.FixtureRequest) -> Iterator[Any]:
    serial.protocol_handler_packages.append("demo_ctl.bench")
    how, board = request.param.split("-")
    with ExitStack() as stack:
        if how == "pty":
            url = stack.enter_context(served(board))
        else:
            url = f"bench://?unit={UNIT}&clock={how}&board={board}"
        yield stack.enter_context(serial.serial_for_url(url, timeout=0))


class Client:
    """A few lines of host: waits on the port's own clock, as every host must."""

    def __init__(self, line: Any, nonce: int) -> None:
        self.line = line
        self.clock: Callable[[], int] = getattr(line, "clock_us", lambda: time.monotonic_ns() // 1000)
        self.session = HostSession()
        self.nonce = nonce
        self.heard: list[Any] = []

    def wait(self, for_us: int, done: Callable[[], bool] = lambda: False, beats: bool = False) -> None:
        until = self.clock() + for_us
        beat_us = self.clock()
        while not done() and (now := self.clock()) < until:
            if beats and now >= beat_us:
                self.session.heartbeat(now)
                beat_us = now + 200_000
            self.session.tick(now)
            self.line.write(self.session.outgoing())
            ends = [until, self.session.next_deadline() or until, beat_us if beats else until]
            self.line.timeout = max(0, min(ends) - now) / 1e6
            data = self.line.read(1)
            if data:
                data += self.line.read(self.line.in_waiting)
            self.heard += self.session.feed(data, self.clock())

    def ask(self, message: Any) -> Any:
        self.session.request(message, self.clock())
        self.wait(3_000_000, lambda: self.session.answered is not None)
        return self.session.answered

    def hello(self) -> Any:
        return self.ask(m.Hello(m.PROTOCOL, m.TABLE_HASH, self.nonce))

    def events(self, kind: int) -> list[Any]:
        return [e for e in self.heard if type(e) is m.Event and e.kind == kind]


LIFT_AND_WAIT = [m.Instruction(m.OP_LOOP, 1, 1, 0, 0), m.Instruction(m.OP_WAIT, 0, 0, 30_000_000, 0)]


def test_hello_status_heartbeat_silence(line: Any) -> None:
    host = Client(line, 0x1234_5678)
    welcome = host.hello()
    assert type(welcome) is m.Welcome
    assert (welcome.table, welcome.ports, welcome.simulated) == (m.TABLE_HASH, 4, 1)
    status = host.ask(m.StatusRequest(5))
    assert status.plan_state == m.IDLE
    assert not status.levels & 1
    host.wait(500_000, lambda: any(type(x) is m.Beat for x in host.heard), beats=True)
    assert any(type(x) is m.Beat for x in host.heard)

    data = b"".join(struct.pack(m.INSTRUCTION, *one) for one in LIFT_AND_WAIT)
    assert host.ask(m.Begin(7, 2, m.CALLING, m.CALLED, 0, 0, m.PLAN_CALL)).code == m.OK
    assert host.ask(m.Load(0, 2, data)).code == m.OK
    assert host.ask(m.Commit(7, crc32(data))).code == m.OK
    assert host.ask(m.Start(7)).code == m.OK
    host.wait(1_000_000, beats=True)
    status = host.ask(m.StatusRequest(6))
    assert status.plan_state == m.RUNNING
    assert status.levels & 1 << m.LOOP  # current flows in port 1's loop
    loop = next(e for e in host.events(m.EV_EDGE) if e.port == 1 and e.value == (m.LOOP << 1 | 1))
    assert loop.at_us >= welcome.now_us

    # Silent now: the port's time goes on, nothing is written.
    until = host.clock() + 1_500_000
    while (now := host.clock()) < until:
        line.timeout = (until - now) / 1e6
        line.read(4096)

    again = Client(line, 0x0BAD_CAFE)
    assert type(again.hello()) is m.Welcome
    status = again.ask(m.StatusRequest(7))
    assert (status.plan_state, status.reason) == (m.ENDED_EARLY, m.R_SILENCE)
    assert not status.levels & 1 << m.LOOP
    assert status.now_us - loop.at_us >= 1_500_000  # one clock all the way through


def test_garbage_before_hello_does_no_harm(line: Any) -> None:
    line.write(bytes(range(256)) * 3 + b"\x03\x03 hello? \x00\x00\x04")
    host = Client(line, 99)
    assert type(host.hello()) is m.Welcome
    assert host.ask(m.StatusRequest(1)).bad_frames > 0
