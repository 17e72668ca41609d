"""The connections of one server: who says nothing is cut off, and so is who takes nothing.

uvicorn closes a connection only when all that was written to it has been taken, and waits for ever for a request that
never comes whole. A screen with its plug pulled, or somebody who opens connections and sits on them, would hold them
for hours; here they are broken instead.

There are never more than a part of the descriptors that this process may have: the show's records and the board's port
need some as well. Who comes when all places are taken gets the place of the oldest connection over which nothing is
being answered, of the address that has most of them; so silence, however much of it, keeps nobody out.
"""

from __future__ import annotations

import asyncio
from collections import Counter
from typing import Any, Final

from starlette.types import Scope
from uvicorn.protocols.http.h11_impl import H11Protocol

from demo_ctl.show.door import share

try:
    import resource
except ImportError:  # a system without such limits
    _SOFT = -1
else:
    _SOFT = resource.getrlimit(resource.RLIMIT_NOFILE)[0]

#: Connections at most, and of the descriptors that this process may have, one in so many.
_MOST: Final = 256
_ONE_IN: Final = 4
#: A screen's unsent bytes, at most, before its stream waits for it.
_UNSENT: Final = 16 * 1024


def most_connections(soft: int = _SOFT) -> int:
    """Return how many connections a process may have that may have `soft` descriptors (negative: any number)."""
    return min(_MOST, max(8, soft // _ONE_IN)) if soft >= 0 else _MOST


class Connections:
    """All connections of one server. silent_s: how long a request may take to arrive. most: of them all."""

    def __init__(self, *, silent_s: float, most: int | None = None) -> None:
        self.most: Final = most_connections() if most is None else most
        self.open: dict[tuple[str, int], asyncio.Transport] = {}
        self._all: dict[Any, str] = {}  # connections, the oldest first, and whose they are
        self._from: Counter[str] = Counter()
        everyone = self

        class Protocol(H11Protocol):
            """One connection."""

            _deadline: asyncio.TimerHandle | None = None
            _came = False

            def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
                peer = transport.get_extra_info("peername")
                if not everyone._room(str(peer[0]) if peer else ""):
                    transport.abort()
                    return
                super().connection_made(transport)
                self._came = True
                everyone._enter(self, str(peer[0]) if peer else "")
                transport.set_write_buffer_limits(high=_UNSENT)
                if self.client is not None:
                    everyone.open[self.client] = transport
                self._watch()

            def data_received(self, data: bytes) -> None:
                if self._came:
                    super().data_received(data)
                    self._watch()

            def connection_lost(self, exc: Exception | None) -> None:
                if not self._came:
                    return
                super().connection_lost(exc)
                everyone._leave(self)
                self._unwatch()
                if self.client is not None:
                    everyone.open.pop(self.client, None)

            @property
            def busy(self) -> bool:
                """Whether a whole request is being answered."""
                return self.cycle is not None and not self.cycle.response_complete

            def _watch(self) -> None:
                if self.busy:
                    self._unwatch()
                elif self._deadline is None:
                    self._deadline = self.loop.call_later(silent_s, self.transport.abort)

            def _unwatch(self) -> None:
                if self._deadline is not None:
                    self._deadline.cancel()
                    self._deadline = None

        self.protocol: Final[Any] = Protocol

    def _enter(self, connection: Any, address: str) -> None:
        self._all[connection] = address
        self._from[address] += 1

    def _leave(self, connection: Any) -> None:
        address = self._all.pop(connection, None)
        if address is not None:
            self._from -= Counter((address,))  # an address with none is forgotten

    def _room(self, address: str) -> bool:
        """Make room for one more from an address, if there is none; return whether there is now."""
        if self._from[address] >= share(self.most, address):
            return self._break_idle(address)
        if len(self._all) < self.most:
            return True
        return any(self._break_idle(each) for each, _ in self._from.most_common())

    def _break_idle(self, address: str) -> bool:
        """Break an address's oldest connection over which nothing is being answered; return whether it had one."""
        for each, its in self._all.items():
            if its == address and not each.busy:
                self._leave(each)
                each.transport.abort()
                return True
        return False

    def cut_off(self, scope: Scope) -> None:
        """Break the connection that a request came over, whatever is still unsent. Call it inside the loop."""
        client = scope.get("client")
        transport = self.open.get((client[0], client[1])) if client else None
        if transport is not None:
            transport.abort()

    def break_all(self) -> None:
        """Forget every connection, once the loop is closed."""
        self.open.clear()
