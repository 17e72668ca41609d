"""Keeps an exhibit's counts in a thread of its own: a disk that takes its time holds up neither heartbeat nor screen.

One count is written at a time, and the newest one waits: it holds all that an older one would have said. Whoever asked
looks for the outcome now and then (`news`); a disk that never answers is told by nobody here, and has its limit in the
machine (`exhibit.KEEP_US`).
"""

from __future__ import annotations

import threading
from collections import deque
from typing import Protocol

from demo_ctl.show.exhibit_model import Kept, NotKept
from demo_ctl.show.wear import Counters
from demo_ctl.terms.errors import DemoError

#: At the end the disk is given so long for what is being written.
CLOSE_S = 10.0


class Counting(Protocol):
    """What keeps counters (`wear_store.WearStore`)."""

    counters: Counters

    def keep(self, counters: Counters) -> None:
        """Keep them; DemoError: they may not be."""
        ...


class Bookkeeper:
    """Hands counts to a store. `keep` and `news` return at once, and are called by one thread.

    wait_s: how long `keep` waits for the disk all the same: for a simulated clock, which would run away from it.
    """

    def __init__(self, store: Counting, wait_s: float = 0.0) -> None:
        self._store, self._wait_s = store, wait_s
        self._change = threading.Condition()
        self._waiting: Counters | None = None
        self._writing = self._closing = False
        self._news: deque[Kept | NotKept] = deque()
        self._thread: threading.Thread | None = None

    def keep(self, counters: Counters) -> None:
        """Have these counters kept, instead of any that still wait."""
        with self._change:
            if self._thread is None:
                # A daemon: a disk that hangs must not keep the program from ending.
                self._thread = threading.Thread(target=self._work, name="counting", daemon=True)
                self._thread.start()
            self._waiting = counters
            self._change.notify_all()
        self.settle(self._wait_s)

    def news(self) -> list[Kept | NotKept]:
        """Return what has come of it since the last time."""
        with self._change:
            found = list(self._news)
            self._news.clear()
            return found

    def settle(self, wait_s: float) -> bool:
        """Wait until nothing is to be written, at most so long; return whether that is so."""
        with self._change:
            return self._change.wait_for(lambda: self._waiting is None and not self._writing, wait_s)

    def close(self, wait_s: float = CLOSE_S) -> None:
        """Let what is being written come to its end, and end the thread."""
        self.settle(wait_s)
        with self._change:
            self._closing = True
            self._change.notify_all()

    def _work(self) -> None:
        while True:
            with self._change:
                self._change.wait_for(lambda: self._waiting is not None or self._closing)
                if self._waiting is None:
                    return
                counters, self._waiting, self._writing = self._waiting, None, True
            told: Kept | NotKept
            try:
                self._store.keep(counters)
                told = Kept(counters.number)
            except DemoError as error:
                told = NotKept(counters.number, error.what)
            except Exception as error:
                told = NotKept(counters.number, f"this program failed ({type(error).__name__}: {error})")
            with self._change:
                self._news.append(told)
                self._writing = False
                self._change.notify_all()
