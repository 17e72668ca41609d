"""The bench on a pseudo-terminal: any program that opens a serial port can open this one.

Strangers cannot follow a free clock, so the bench behind it is always paced. Clients come and go as they would on a
cable: while nobody has the terminal open the board sees no host, and its silence rule does what it does to a cable
pulled. Unit and board live as long as this function runs.
"""

from __future__ import annotations

import os
import pty
import select
import signal
import termios
import threading
import tty
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from types import FrameType
from urllib.parse import urlencode

from demo_ctl.bench.people import obey
from demo_ctl.bench.protocol_bench import Serial, SerialException
from demo_ctl.terms.errors import InputError, LinkError

LOOK_MS = 50  # how often to look for a client while there is none, and whether to stop
PIECE = 1024


def serve_pty(
    url_options: Iterable[tuple[str, str]],
    *,
    announce: Callable[[str], None],
    stop: threading.Event | None = None,
    typed: int | None = None,
    say: Callable[[str], None] = print,
) -> bool:
    """Serve `bench://?<url_options>` on a pseudo-terminal until Ctrl-C, SIGTERM, or `stop` is set.

    `announce` is called once with the path that clients open. `typed` is the file descriptor on which a person types
    what hands do at the equipment (`people.obey`), `say` gets the answers. Return whether it was Ctrl-C that ended it.
    Raises InputError for wrong options and LinkError when the board behind it is gone.
    """
    ending = stop or threading.Event()
    options = [(name, value) for name, value in url_options if name != "clock"]
    try:
        bench = Serial(None, timeout=None)
        bench.port = "bench://?" + urlencode([*options, ("clock", "paced")], safe="/:")
        bench.open()
    except SerialException as e:
        raise InputError(str(e)) from e
    master, slave = pty.openpty()
    relay = None
    try:
        tty.setraw(slave)  # lasts while the master is open, so that clients need not do it
        path = os.ttyname(slave)
        os.set_blocking(master, False)
        bench.dtr = False
        os.close(slave)
        slave = -1
        hands = None if typed is None else _Hands(bench, typed, say)
        relay = _Relay(bench, master, path, ending, hands)
        with _ends_on_sigterm(ending):
            announce(path)
            relay.run()
    except KeyboardInterrupt:
        ending.set()
        return True
    finally:
        if relay:
            relay.close()
        if slave >= 0:
            os.close(slave)
        bench.close()
        os.close(master)
    return False


@contextmanager
def _ends_on_sigterm(ending: threading.Event) -> Iterator[None]:
    """Let SIGTERM end the service in order. Only the main thread may ask for that; elsewhere the caller stops it."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(_number: int, _frame: FrameType | None) -> None:
        ending.set()

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


class _Hands:
    """Reads what a person types, a line at a time, and does it. Nothing here ever waits."""

    def __init__(self, bench: Serial, typed: int, say: Callable[[str], None]) -> None:
        self._bench = bench
        self._typed = typed
        self._say = say
        self._line = b""
        self._there = True

    def look(self) -> None:
        """Do what has been typed since last time."""
        while self._there and self._can_read():
            try:
                data = os.read(self._typed, PIECE)
            except OSError:
                data = b""
            self._there = bool(data)
            *lines, self._line = (self._line + data).split(b"\n")
            self._line = self._line[-PIECE:]
            for line in lines:
                with self._bench.standing_still() as world:
                    answer = obey(world.hardware, line.decode(errors="replace"))
                if answer:
                    self._say(answer)

    def _can_read(self) -> bool:
        """Whether there is something to read; what is typed while this runs in the background is not for it."""
        try:
            if os.isatty(self._typed) and os.tcgetpgrp(self._typed) != os.getpgrp():
                return False
            return bool(select.select([self._typed], [], [], 0)[0])
        except (OSError, ValueError):  # closed
            self._there = False
            return False


class _Relay:
    """Carries bytes both ways between the bench and the master end of the pseudo-terminal."""

    def __init__(
        self, bench: Serial, master: int, path: str, ending: threading.Event, hands: _Hands | None = None
    ) -> None:
        self._bench = bench
        self._hands = hands
        self._master = master
        self._path = path
        self._ending = ending
        self._trouble: Exception | None = None
        self._room = threading.Event()  # the waiting piece is gone; the reader may fetch the next
        self._piece = b""
        self._wake, self._waker = os.pipe()
        self._reader = threading.Thread(target=self._read_bench, name="bench relay", daemon=True)
        self._reader.start()

    def close(self) -> None:
        """End the reader."""
        self._ending.set()
        self._room.set()
        if self._bench.is_open:
            self._bench.cancel_read()
        while self._reader.is_alive():
            self._bench.cancel_read()
            self._reader.join(LOOK_MS / 1000)
        os.close(self._wake)
        os.close(self._waker)

    def _read_bench(self) -> None:
        try:
            while not self._ending.is_set():
                piece = self._bench.read(1)
                if not piece:
                    continue
                self._piece = piece + self._bench.read(min(PIECE, self._bench.in_waiting))
                self._room.clear()
                os.write(self._waker, b"!")
                self._room.wait()
        except Exception as e:  # told to the thread that serves
            self._trouble = e
            self._ending.set()
            os.write(self._waker, b"!")

    def run(self) -> None:
        """Relay until told to end."""
        watch = select.poll()
        watch.register(self._wake, select.POLLIN)
        present = False
        while not self._ending.is_set():
            wants = select.POLLIN | (select.POLLOUT if self._piece else 0)
            watch.register(self._master, wants if present else 0)
            found = dict(watch.poll(LOOK_MS))
            if self._hands:
                self._hands.look()
            if self._wake in found:
                os.read(self._wake, 64)
            state = found.get(self._master, 0)
            if state & select.POLLIN or not present:
                self._from_client()
            here = not state & select.POLLHUP
            if here != present:
                present = here
                self._bench.dtr = here
                if not here:
                    self._forget()
            if not here:
                self._drop_piece()  # nobody is there to read it
                self._ending.wait(LOOK_MS / 1000)
            elif self._piece:
                self._to_client()
        if self._trouble:
            raise LinkError(str(self._trouble), next_step="start the bench again") from self._trouble

    def _from_client(self) -> None:
        try:
            data = os.read(self._master, PIECE)
        except (BlockingIOError, OSError):  # nothing there, or the client has just gone
            return
        if data:
            self._bench.write(data)

    def _to_client(self) -> None:
        try:
            self._piece = self._piece[os.write(self._master, self._piece) :]
        except BlockingIOError:
            return
        except OSError:
            self._piece = b""
        if not self._piece:
            self._room.set()

    def _drop_piece(self) -> None:
        if self._piece:
            self._piece = b""
            self._room.set()

    def _forget(self) -> None:
        """Drop what the client that went did not read, so that the next does not find it."""
        try:
            end = os.open(self._path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError:
            return
        try:
            termios.tcflush(end, termios.TCIFLUSH)
        finally:
            os.close(end)
