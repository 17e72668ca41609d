"""From the show's thread to the server's loop: everyone who waits for a hub is woken, and nobody makes it wait."""

from __future__ import annotations

import asyncio
import contextlib

from demo_ctl.show.hub import Hub


class Wake:
    """Wakes the tasks of one event loop when a hub has something new. Made and used inside that loop."""

    def __init__(self, hub: Hub) -> None:
        self._hub = hub
        self._loop = asyncio.get_running_loop()
        self._bells: set[asyncio.Event] = set()
        self._asked = False
        self.closed = False
        self._hear = self._from_outside  # one object: each mention of a method makes a new one
        hub.listen(self._hear)

    def _from_outside(self) -> None:
        if self._asked:  # the loop has not come round since the last time: once is enough
            return
        self._asked = True
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody is left to wake
            self._loop.call_soon_threadsafe(self._all)

    def _all(self) -> None:
        self._asked = False
        for bell in self._bells:
            bell.set()

    def join(self, bell: asyncio.Event) -> None:
        """Set `bell` at every change from now on. Who waits clears it first, looks at the hub, and waits last."""
        self._bells.add(bell)

    def leave(self, bell: asyncio.Event) -> None:
        """Undo `join`."""
        self._bells.discard(bell)

    def forget(self) -> None:
        """Hear no more of the hub. For a loop that is closed, too."""
        self.closed = True
        self._hub.forget(self._hear)

    def close(self) -> None:
        """Wake everyone for the last time."""
        self.forget()
        self._all()
