"""The connections of one server: who says nothing is cut off, and so is who takes nothing.

uvicorn closes a connection only when all that was written to it has been taken, and waits for ever for a request that
never comes whole. A screen with its plug pulled, or somebody who opens connections and sits on them, would hold them
for hours; here they are broken instead.
"""

from __future__ import annotations

import asyncio
from typing import Any, Final

from starlette.types import Scope
from uvicorn.protocols.http.h11_impl import H11Protocol

#: A screen's unsent bytes, at most, before its stream waits for it.
_UNSENT: Final = 16 * 1024


class Connections:
    """All connections of one server. silent_s: how long a request may take to arrive."""

    def __init__(self, *, silent_s: float) -> None:
        self.open: dict[tuple[str, int], asyncio.Transport] = {}
        everyone = self

        class Protocol(H11Protocol):
            """One connection."""

            _deadline: asyncio.TimerHandle | None = None

            def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
                super().connection_made(transport)
                transport.set_write_buffer_limits(high=_UNSENT)
                if self.client is not None:
                    everyone.open[self.client] = transport
                self._watch()

            def data_received(self, data: bytes) -> None:
                super().data_received(data)
                self._watch()

            def connection_lost(self, exc: Exception | None) -> None:
                super().connection_lost(exc)
                self._unwatch()
                if self.client is not None:
                    everyone.open.pop(self.client, None)

            def _watch(self) -> None:
                if self.cycle is not None and not self.cycle.response_complete:
                    self._unwatch()  # a whole request is being answered
                elif self._deadline is None:
                    self._deadline = self.loop.call_later(silent_s, self.transport.abort)

            def _unwatch(self) -> None:
                if self._deadline is not None:
                    self._deadline.cancel()
                    self._deadline = None

        self.protocol: Final[Any] = Protocol

    def cut_off(self, scope: Scope) -> None:
        """Break the connection that a request came over, whatever is still unsent. Call it inside the loop."""
        client = scope.get("client")
        transport = self.open.get((client[0], client[1])) if client else None
        if transport is not None:
            transport.abort()

    def break_all(self) -> None:
        """Forget every connection, once the loop is closed."""
        self.open.clear()
