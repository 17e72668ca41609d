"""Opening, using and losing ports: real pseudo-terminals and sockets; only the errno of a refusal is made up."""

from __future__ import annotations

import errno
import os
import pty
import socket
import subprocess
import sys
import threading
import tty
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
import serial

from demo_ctl.link.port import (
    BOARD_PRODUCT,
    BOARD_VENDOR,
    FoundBoard,
    Port,
    add_url_package,
    boards_among,
    choose,
    find_boards,
    open_port,
    refused,
)
from demo_ctl.terms.errors import LinkError
from demo_ctl.terms.outcome import Exit

ROOT = Path(__file__).resolve().parents[2]
SOON_US = 5_000_000


class Pair:
    """A pseudo-terminal: the program has `url`, the test plays the board on `master`."""

    def __init__(self) -> None:
        self.master, self.slave = pty.openpty()
        tty.setraw(self.slave)
        self.url = os.ttyname(self.slave)
        self.port: Port | None = None

    def open(self) -> Port:
        self.port = open_port(self.url)
        return self.port

    def pull(self) -> None:
        """Pull the cable."""
        for descriptor in (self.master, self.slave):
            if descriptor >= 0:
                os.close(descriptor)
        self.master = self.slave = -1

    def close(self) -> None:
        if self.port is not None:
            self.port.close()
        self.pull()


@pytest.fixture
def pair() -> Iterator[Pair]:
    made = Pair()
    yield made
    made.close()


def test_bytes_go_both_ways_as_soon_as_they_are_there(pair: Pair) -> None:
    port = pair.open()
    os.write(pair.master, b"hello")
    got = b""
    while len(got) < 5:
        got += port.read(port.clock_us() + SOON_US)
    assert got == b"hello"
    port.write(b"\0\x11\x13\x03back\n")  # nothing of it means anything to the terminal driver
    assert os.read(pair.master, 100) == b"\0\x11\x13\x03back\n"


def test_nothing_there_gives_nothing_at_the_deadline(pair: Pair) -> None:
    port = pair.open()
    until_us = port.clock_us() + 20_000
    assert port.read(until_us) == b""
    assert port.clock_us() >= until_us
    assert port.read(0) == b""  # a deadline in the past does not wait


def test_the_second_program_is_told_that_the_port_is_busy(pair: Pair) -> None:
    pair.open()
    with pytest.raises(LinkError, match="in use by another program") as caught:
        open_port(pair.url)
    assert "Close the other program" in caught.value.next_step


def test_another_process_is_told_so_too(pair: Pair) -> None:
    pair.open()
    code = "import sys; from demo_ctl.link.port import open_port; open_port(sys.argv[1])"
    run = subprocess.run([sys.executable, "-c", code, pair.url], capture_output=True, text=True, cwd=ROOT)
    assert "in use by another program" in run.stderr


def test_a_cable_pulled_while_reading(pair: Pair) -> None:
    port = pair.open()
    puller = threading.Timer(0.05, pair.pull)
    puller.start()
    with pytest.raises(LinkError, match="vanished in use") as caught:
        port.read(port.clock_us() + 60_000_000)
    puller.join()
    assert "releases the line by itself" in caught.value.next_step
    port.close()
    port.close()


def test_a_cable_pulled_before_writing(pair: Pair) -> None:
    port = pair.open()
    pair.pull()
    with pytest.raises(LinkError, match="vanished in use"):
        port.write(b"x")


def test_a_board_that_takes_nothing_is_not_waited_for_for_ever(pair: Pair) -> None:
    port = pair.open()

    def write_on() -> None:
        for _ in range(100):
            port.write(bytes(4096))

    with pytest.raises(LinkError, match="takes no more bytes"):
        write_on()


def test_a_closed_port_says_so(pair: Pair) -> None:
    port = pair.open()
    port.close()
    with pytest.raises(LinkError, match="closed"):
        port.read(0)
    with pytest.raises(LinkError, match="closed"):
        port.write(b"x")


def test_a_socket_is_a_port() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = open_port(f"socket://127.0.0.1:{server.getsockname()[1]}")
        board, _ = server.accept()
        with board:
            port.write(b"\0abc")
            assert board.recv(10) == b"\0abc"
            board.sendall(bytes(range(256)) * 4)
            got = b""
            while len(got) < 1024:
                got += port.read(port.clock_us() + SOON_US)
            assert got == bytes(range(256)) * 4
        with pytest.raises(LinkError, match="vanished in use"):
            port.read(port.clock_us() + SOON_US)
        port.close()


def test_nobody_at_the_socket() -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        number = server.getsockname()[1]
    with pytest.raises(LinkError, match="nothing could be reached"):
        open_port(f"socket://127.0.0.1:{number}")


@pytest.mark.parametrize(
    ("url", "says", "advice", "code"),
    [
        ("/dev/no-such-port", "no port /dev/no-such-port", "demo_ctl boards", Exit.BOARD_TROUBLE),
        ("pigeon://loft", "'pigeon://' is not a kind of port", "socket://", Exit.BAD_INPUT),
        ("socket://loft", "does not say where", "HOST:PORT", Exit.BAD_INPUT),
        ("/dev/null", "is no serial port", "demo_ctl boards", Exit.BOARD_TROUBLE),
    ],
)
def test_what_is_no_port(url: str, says: str, advice: str, code: Exit) -> None:
    with pytest.raises(LinkError, match=says) as caught:
        open_port(url)
    assert advice in caught.value.next_step
    assert caught.value.exit_code is code


@pytest.mark.parametrize(
    ("number", "says", "advice"),
    [
        (errno.EACCES, "may not use", "dialout"),
        (errno.EPERM, "may not use", "dialout"),
        (errno.EBUSY, "in use", "other program"),
        (errno.EAGAIN, "in use", "other program"),
        (errno.ENOENT, "no port", "plugged in"),
        (errno.ENXIO, "no port", "plugged in"),
        (errno.ENODEV, "no port", "plugged in"),
        (errno.EIO, "could not be opened", "boards"),
    ],
)
def test_each_refusal_has_its_next_step(number: int, says: str, advice: str) -> None:
    error = refused("/dev/ttyACM0", serial.SerialException(number, "could not open port"))
    assert says in error.what
    assert "/dev/ttyACM0" in error.what
    assert advice in error.next_step


def _usb(device: str, vid: int | None, pid: int | None, number: str | None = None) -> SimpleNamespace:
    return SimpleNamespace(device=device, vid=vid, pid=pid, serial_number=number, description="Board in FS mode")


def test_boards_are_known_by_their_usb_ids() -> None:
    ports = [
        _usb("/dev/ttyACM1", BOARD_VENDOR, BOARD_PRODUCT, "E66"),
        _usb("/dev/ttyS0", None, None),
        _usb("/dev/ttyACM0", BOARD_VENDOR, BOARD_PRODUCT),
        _usb("/dev/ttyACM2", BOARD_VENDOR, 0x000A),
        _usb("/dev/ttyUSB0", 0x0403, BOARD_PRODUCT),
    ]
    assert boards_among(ports) == [
        FoundBoard("/dev/ttyACM0", "", "Board in FS mode"),
        FoundBoard("/dev/ttyACM1", "E66", "Board in FS mode"),
    ]


def test_the_computers_own_ports_can_be_listed() -> None:
    assert all(isinstance(board, FoundBoard) for board in find_boards())


def test_choosing_a_board() -> None:
    one, two = FoundBoard("/dev/ttyACM0", "A", "board"), FoundBoard("/dev/ttyACM1", "", "board")
    assert choose([]) is None
    assert choose([one]) is one
    with pytest.raises(LinkError, match="2 boards") as caught:
        choose([one, two])
    assert "--port /dev/ttyACM0" in caught.value.next_step
    assert "--port /dev/ttyACM1" in caught.value.next_step


def test_a_package_may_bring_a_scheme(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A port with a clock of its own: waits are on that clock, and given to the port as its time limit."""
    package = tmp_path / "pigeon_house"
    package.mkdir()
    (package / "__init__.py").touch()
    (package / "protocol_pigeon.py").write_text(
        "from serial.serialutil import SerialBase\n"
        "class Serial(SerialBase):\n"
        "    now = 0\n"
        "    def open(self): self.is_open = True\n"
        "    def close(self): self.is_open = False\n"
        "    def _reconfigure_port(self): pass\n"
        "    def clock_us(self): return self.now\n"
        "    in_waiting = 0\n"
        "    def read(self, size=1):\n"
        "        self.now += round(self.timeout * 1e6)\n"
        "        return b''\n"
    )
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.setattr(serial, "protocol_handler_packages", list(serial.protocol_handler_packages))
    add_url_package("pigeon_house")
    add_url_package("pigeon_house")
    assert serial.protocol_handler_packages.count("pigeon_house") == 1
    port = open_port("pigeon://loft")
    assert port.clock_us() == 0
    assert port.read(123_456) == b""
    assert port.clock_us() == 123_456


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ("unit=UNIT&speed=9", "'speed'"),
        ("unit=UNIT&clock=fast", "'fast'"),
        ("unit=UNIT&seed=x", "'x'"),
        ("unit=UNIT&busy=1/5", "'1/5'"),
        ("unit=no-such-unit.yaml", "no-such-unit.yaml"),
    ],
)
def test_a_bench_written_wrongly(options: str, says: str) -> None:
    add_url_package("demo_ctl.bench")
    unit = ROOT / "configs" / "units" / "travelling.yaml"
    with pytest.raises(LinkError, match="bench could not be opened") as caught:
        open_port("bench://?" + options.replace("UNIT", str(unit)))
    assert says in caught.value.what
    assert "bench://?unit=FILE" in caught.value.next_step
    assert caught.value.exit_code is Exit.BAD_INPUT
