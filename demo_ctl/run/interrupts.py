"""Ctrl-C, SIGTERM and SIGHUP (the terminal was closed) while a call runs.

The first one only asks: it never breaks a frame in two, and the loop sees it within a poll (a tenth of a second).
The second one raises KeyboardInterrupt at once, wherever the program is: the person does not want to wait. Not so
SIGHUP: shell and system both send one when a terminal closes, and nobody is there to wait.
"""

from __future__ import annotations

import signal
import threading
from types import FrameType, TracebackType
from typing import Any

_HANG_UP = (signal.SIGHUP,) if hasattr(signal, "SIGHUP") else ()  # some systems have none


class Interrupts:
    """A context in which these signals ask for the stop path. Outside the main thread it changes nothing."""

    def __init__(self) -> None:
        self.asked: str | None = None
        self.closing = False  # only the record is still being closed: nobody can be too impatient for that
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Interrupts:
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGINT, signal.SIGTERM, *_HANG_UP):
                # `nohup` has SIGHUP ignored: that stays so.
                if signal.getsignal(number) is not signal.SIG_IGN or number not in _HANG_UP:
                    self._before[number] = signal.signal(number, self._handle)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, before in self._before.items():
            signal.signal(number, before if before is not None else signal.SIG_DFL)

    def _handle(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002
        if self.asked is not None:
            if number in _HANG_UP or self.closing:
                return
            raise KeyboardInterrupt
        self.asked = "Ctrl-C" if number == signal.SIGINT else signal.Signals(number).name
