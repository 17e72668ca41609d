"""Lines for a terminal that may stand still: whoever has something to say hands it over, and never waits for long.

A terminal stands still when somebody presses Ctrl-S, or when the network behind it is stuck; then whoever prints waits.
A loop that sends heartbeats must not wait: the board would take the line away, and trip if it rings. So one thread
prints, out of a bounded queue, and how many lines found no room is said in their place.
"""

from __future__ import annotations

import os
import select
import threading
from collections import deque
from typing import TextIO

#: More than a call or an hour of a show has to say; what goes on the oldest are left out.
MOST = 1000
#: A full queue is waited for this long, once: a fast show only outruns the thread. Far below the heartbeat's 200 ms.
ROOM_S = 0.1
#: At the end a terminal is given so long to take what is left.
CLOSE_S = 2.0


class Printer:
    """Prints texts on `out`, in order, in a thread of its own. `say` from any thread; `close` at the end.

    trouble: what printing raised, once it has: nothing is printed any more. The thread writes to the file itself where
    there is one, past Python's own buffer: a thread that is stuck there keeps nobody else from ending.
    """

    def __init__(self, out: TextIO, *, most: int = MOST) -> None:
        self.trouble: Exception | None = None
        self._out, self._most = out, most
        self._texts: deque[str] = deque()
        self._change = threading.Condition()
        self._left_out = 0
        self._stands = self._writing = self._closing = False
        self._thread: threading.Thread | None = None

    def say(self, text: str) -> None:
        """Hand over a text, its line's end included. Where there is no room for it the oldest is left out."""
        with self._change:
            if self.trouble is not None or self._closing:
                return
            if self._thread is None:
                self._thread = threading.Thread(target=self._work, name="printer", daemon=True)
                self._thread.start()
            if len(self._texts) >= self._most and not self._stands:
                self._stands = not self._change.wait_for(self._has_room, ROOM_S)
            if len(self._texts) >= self._most:
                self._texts.popleft()
                self._left_out += 1
            self._texts.append(text)
            self._change.notify_all()

    def flush(self, wait_s: float = CLOSE_S) -> bool:
        """Wait until all is printed, at most so long; return whether it is."""
        with self._change:
            return self._change.wait_for(lambda: not self._texts and not self._writing, wait_s)

    def close(self, wait_s: float = CLOSE_S) -> None:
        """Print what is left, if that takes no longer than `wait_s`; what comes later is not printed."""
        self.flush(wait_s)
        with self._change:
            self._closing = True
            self._texts.clear()
            self._change.notify_all()

    def _has_room(self) -> bool:
        return len(self._texts) < self._most or self.trouble is not None

    # -- the thread ---------------------------------------------------------------------------------------

    def _work(self) -> None:
        try:
            handle = self._handle()
            while (text := self._next()) is not None:
                self._write(handle, text)
                with self._change:
                    self._writing = self._stands = False
                    self._change.notify_all()
        except Exception as error:
            with self._change:
                self.trouble = error
                self._writing = False
                self._texts.clear()
                self._change.notify_all()

    def _next(self) -> str | None:
        with self._change:
            self._change.wait_for(lambda: self._texts or self._closing)
            if not self._texts:
                return None
            self._writing = True
            before, self._left_out = self._left_out, 0
            lines = "1 line was" if before == 1 else f"{before} lines were"
            note = f"({lines} left out here: this terminal stood still.)\n" if before else ""
            return note + self._texts.popleft()

    def _handle(self) -> int:
        """Return the file's own number; -1: it has none."""
        try:
            self._out.flush()
            return self._out.fileno()
        except (AttributeError, ValueError, NotImplementedError):  # io.UnsupportedOperation is a ValueError
            return -1

    def _write(self, handle: int, text: str) -> None:
        if handle < 0:
            self._out.write(text)
            self._out.flush()
            return
        data = memoryview(text.encode(getattr(self._out, "encoding", None) or "utf-8", "replace"))
        while data:
            try:
                data = data[os.write(handle, data) :]
            except BlockingIOError:
                select.select([], [handle], [])
