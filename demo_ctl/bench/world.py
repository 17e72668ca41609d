"""Kernel and board, advanced together.

The board is stepped only where the firmware could notice: when an edge, an input, a byte or an audio block has come,
or when the deadline of its last pass is reached. Events of the unit at an instant come before the board's pass at the
same instant.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Protocol

from demo_ctl.bench.board_clock import PASS_US
from demo_ctl.bench.hardware import Hardware
from demo_ctl.bench.kernel import Kernel

if TYPE_CHECKING:
    from demo_ctl.bench.unit import BenchUnit

FOR_EVER_US = 1 << 62
SAME_INSTANT_MOST = 200  # passes without time moving; after that a pass takes its time


class BoardGone(Exception):
    """The board stopped answering: its process ended, or does not end a pass."""


class Board(Protocol):
    """Something that runs the firmware."""

    def step(self) -> int:
        """Run one pass between `hardware.begin()` and `hardware.end()`; return the firmware's 64-bit deadline."""

    def close(self) -> None:
        """End it."""


class PythonBoard:
    """The firmware in this process. It boots at its first pass."""

    def __init__(self, hardware: Hardware) -> None:
        self._hardware = hardware
        self.step: Callable[[], int] = self._boot

    def _boot(self) -> int:
        from demo_ctl.board.main import Loop

        firmware: Any = Loop  # not typed, it runs in MicroPython
        self.step = firmware(self._hardware).run_once
        return self.step()

    def close(self) -> None:
        """Nothing to end."""


class World:
    """One unit, one board's electronics, one board, one clock."""

    def __init__(self, kernel: Kernel, unit: BenchUnit, hardware: Hardware, start: Callable[[Hardware], Board]) -> None:
        self.kernel = kernel
        self.unit = unit
        self.hardware = hardware
        self._start = start
        self.board = start(hardware)
        self.deadline_us = kernel.now_us
        self._passes = 0
        self._passed_us = -1

    def advance(self, until_us: int, *, stop_at_bytes: bool = False) -> None:
        """Run to `until_us` exactly; with stop_at_bytes, no further than the pass that gave the host bytes.

        Raises BoardGone.
        """
        kernel, hardware = self.kernel, self.hardware
        while True:
            now_us = kernel.now_us
            if hardware.boots:
                self.reset_board()
            if hardware.runs and (hardware.dirty or self.deadline_us <= now_us):
                hardware.begin()
                deadline_us = hardware.clock.kernel_us(self.board.step(), now_us)
                hardware.end()
                if deadline_us <= now_us:
                    deadline_us = self._again(now_us)
                self.deadline_us = deadline_us
                if stop_at_bytes and hardware.to_host:
                    return
            elif now_us >= until_us:
                return
            else:
                to_us = until_us if until_us < self.deadline_us or not hardware.runs else self.deadline_us
                next_us = kernel.next_us()
                kernel.run_to(to_us if next_us is None or next_us > to_us else next_us)

    def _again(self, now_us: int) -> int:
        """Firmware wants its next pass at once: at the same instant, unless it does so without end."""
        if now_us != self._passed_us:
            self._passed_us = now_us
            self._passes = 0
        self._passes += 1
        return now_us if self._passes < SAME_INSTANT_MOST else now_us + PASS_US

    def next_us(self) -> int:
        """Return the earliest instant at which something happens."""
        next_us = self.kernel.next_us()
        hardware = self.hardware
        if hardware.boots or (hardware.runs and hardware.dirty):
            return self.kernel.now_us
        if not hardware.runs:
            return FOR_EVER_US if next_us is None else next_us
        return self.deadline_us if next_us is None or next_us > self.deadline_us else next_us

    def board_clock(self) -> tuple[int, int]:
        """Return the number of the board's boot, and what the kernel's clock reads when the board's reads 0."""
        return self.hardware.firmware_boot, self.hardware.clock.zero_us

    def reset_board(self) -> None:
        """Reset the board as its button does: outputs fall to rest, bytes not yet taken are lost, firmware boots."""
        self.board.close()
        self.hardware.power_off()
        self.hardware.to_host.clear()
        self.hardware.boots = False
        self.hardware.firmware_boot += 1
        self.hardware.clock.restart(self.kernel.now_us)
        self.board = self._start(self.hardware)
        self.deadline_us = self.kernel.now_us  # boot at once

    def close(self) -> None:
        """End the board."""
        self.board.close()
