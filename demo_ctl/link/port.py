"""The serial port: the one place that imports pyserial, and the only one that knows what a port is.

Any pyserial URL will do (`/dev/ttyACM0`, `socket://HOST:PORT`, and the ones of packages added with
`add_url_package`). A port has a clock of its own, in microseconds: a real port's is the computer's monotonic
clock; a simulated port may offer `clock_us()`, and then every wait here is a wait on that clock.

Every failure is a LinkError that says what is wrong and what to do next; an AddressError, where the address is.
"""

from __future__ import annotations

import contextlib
import errno
import importlib
import io
import select
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import serial

from demo_ctl.terms.errors import AddressError, LinkError

#: MicroPython on RP2 boards shows these USB ids (from memory).
BOARD_VENDOR, BOARD_PRODUCT = 0x2E8A, 0x0005
#: USB serial takes no notice of it; a plain UART adapter does.
BAUD = 115200
#: A board that takes no byte for so long is stuck, or gone. Seconds of the computer's clock.
_WRITE_S = 1.0
_READ_MOST = 4096


def add_url_package(name: str) -> None:
    """Let `open_port` find URL schemes (`protocol_SCHEME` modules) in the package `name`."""
    importlib.import_module(name)
    if name not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(name)


@dataclass(frozen=True)
class FoundBoard:
    """A board that is plugged in. url: what to give to --port; serial: its USB serial number or ""."""

    url: str
    serial: str
    description: str


def boards_among(ports: Iterable[Any]) -> list[FoundBoard]:
    """Pick the boards among pyserial's port entries (device, vid, pid, serial_number, description)."""
    return [
        FoundBoard(str(port.device), port.serial_number or "", port.description or "serial port")
        for port in sorted(ports, key=lambda port: str(port.device))
        if (port.vid, port.pid) == (BOARD_VENDOR, BOARD_PRODUCT)
    ]


def find_boards() -> list[FoundBoard]:
    """List the boards that are plugged in, by their USB ids."""
    from serial.tools.list_ports import comports

    return boards_among(comports())


def choose(found: Sequence[FoundBoard] | None = None) -> FoundBoard | None:
    """Return the one board that is plugged in, or None when there is none.

    With several, LinkError lists them: picking one in silence could ring the wrong unit.
    """
    boards = find_boards() if found is None else found
    if len(boards) > 1:
        rows = "; ".join(
            f"--port {board.url} ({board.description}, serial number {board.serial or 'unknown'})" for board in boards
        )
        raise LinkError(f"{len(boards)} boards are plugged in", next_step=f"Say which one: {rows}.")
    return boards[0] if boards else None


class Port:
    """An open port. Every wait is on `clock_us`; every failure is a LinkError."""

    def __init__(self, url: str, line: Any) -> None:
        self.url = url
        self._line = line
        self._open = True
        clock: Callable[[], int] | None = getattr(line, "clock_us", None)
        self.clock_us: Callable[[], int] = clock if callable(clock) else _monotonic_us
        # Ports of the operating system are waited for with select; others by their own timeout, so that a
        # simulated port knows until when its time may run.
        self._file: int | None = None
        if not callable(clock):
            try:
                self._file = line.fileno()
            except (AttributeError, io.UnsupportedOperation, OSError):
                self._file = None
        line.timeout = 0
        line.write_timeout = _WRITE_S

    @property
    def line(self) -> Any:
        """The pyserial port itself, for whoever knows what stands behind it (a bench)."""
        return self._line

    def read(self, until_us: int) -> bytes:
        """Return bytes as soon as there are any, or b"" when the port's clock reaches `until_us`."""
        if not self._open:
            raise LinkError(f"{self.url} is closed", next_step="Open it again.")
        wait_us = max(0, until_us - self.clock_us())
        try:
            if self._file is not None:
                if wait_us and not select.select([self._file], [], [], wait_us / 1e6)[0]:
                    return b""
                return bytes(self._line.read(_READ_MOST))
            self._line.timeout = wait_us / 1e6
            data = bytes(self._line.read(1))
            waiting = self._line.in_waiting if data else 0
            return data + bytes(self._line.read(waiting)) if waiting else data
        except (OSError, ValueError, TypeError) as error:
            raise vanished(self.url, error) from None

    def write(self, data: bytes) -> None:
        """Write all of `data`; LinkError when the port takes none for a second."""
        if not self._open:
            raise LinkError(f"{self.url} is closed", next_step="Open it again.")
        try:
            self._line.write(data)
        except serial.SerialTimeoutException:
            raise LinkError(
                f"the board on {self.url} takes no more bytes: it hangs, or another program holds its port",
                next_step="Its silence limit releases the line. Unplug the board, plug it in again, and try again.",
            ) from None
        except (OSError, ValueError, TypeError) as error:
            raise vanished(self.url, error) from None

    def close(self) -> None:
        """Close the port; closing twice, or a port that has vanished, is fine."""
        if self._open:
            self._open = False
            with contextlib.suppress(OSError):  # it has gone already, which is what was wanted
                self._line.close()


def open_port(url: str) -> Port:
    """Open `url` for ourselves alone, where the system can do that."""
    try:
        line = serial.serial_for_url(url, baudrate=BAUD, timeout=0, exclusive=True, do_not_open=True)
        line.open()
    except Exception as error:  # handlers of URLs raise what they like: KeyError, re.error, OSError...
        raise refused(url, error) from None
    return Port(url, line)


def _monotonic_us() -> int:
    return time.monotonic_ns() // 1000


def vanished(url: str, error: BaseException) -> LinkError:
    """Say that a port in use has gone."""
    return LinkError(
        f"{url} vanished in use ({_plain(error)})",
        next_step="Check the cable and the board's power, then run the command again. "
        "The board releases the line by itself when it hears nothing.",
    )


def refused(url: str, error: BaseException) -> LinkError:
    """Say why a port could not be opened, and what to do about it."""
    scheme = url.split("://", 1)[0].lower() if "://" in url else ""
    if scheme != "bench" and isinstance(error, ValueError) and "not known" in str(error):
        return AddressError(
            f"'{scheme}://' is not a kind of port this program knows",
            next_step="Write a device such as /dev/ttyACM0, socket://HOST:PORT, or bench:// for the simulated unit.",
        )
    if scheme == "bench":
        trouble = AddressError if isinstance(error, ValueError) else LinkError
        return trouble(
            f"the bench could not be opened: {_plain(error)}",
            next_step="Write bench:// alone, or with options after a question mark and & between them, as in "
            "bench://?unit=FILE&seed=7. Each of them may be left out.",
        )
    number = getattr(error, "errno", None)
    if number in (errno.EAGAIN, errno.EBUSY):
        return LinkError(
            f"{url} is in use by another program",
            next_step="Close the other program (a second demo_ctl, a terminal program), then try again.",
        )
    if number in (errno.EACCES, errno.EPERM):
        return LinkError(
            f"you may not use {url}",
            next_step="Join the group that owns serial ports: sudo usermod -a -G dialout $USER, "
            "then log out and in again.",
        )
    if number == errno.ENOTTY or "ioctl" in str(error):
        return LinkError(
            f"{url} is no serial port",
            next_step="demo_ctl boards lists the boards that are plugged in; bench:// is the simulated one.",
        )
    if number in (errno.ENOENT, errno.ENXIO, errno.ENODEV):
        return LinkError(
            f"there is no port {url}",
            next_step="Check that the board is plugged in and has power; demo_ctl boards lists the boards it can see.",
        )
    if scheme == "socket" and not _is_host_and_port(url):
        return AddressError(
            f"{url} does not say where to reach a serial server",
            next_step="Write socket://HOST:PORT, with a port number from 1 to 65535.",
        )
    if scheme == "socket":
        return LinkError(
            f"nothing could be reached at {url} ({_plain(error)})",
            next_step="Check host and port number, and that the serial server there is running.",
        )
    return LinkError(
        f"{url} could not be opened ({_plain(error)})",
        next_step="Is it a serial port? demo_ctl boards lists the boards that are plugged in.",
    )


def _is_host_and_port(url: str) -> bool:
    try:
        parts = urlsplit(url)
        return bool(parts.hostname) and bool(parts.port)
    except ValueError:
        return False


def _plain(error: BaseException) -> str:
    text = getattr(error, "strerror", None) or str(error)
    if "readiness to read but returned no data" in text:  # pyserial's words for a port whose other end has gone
        return "its other end is gone"
    return str(text).strip() or type(error).__name__
