"""A hub as a stream of server-sent events, to each screen at the screen's own speed.

    event: hello   {"page": fingerprint of the page's files, "epoch": the hub's}
    event: value   the newest value; its id is its number
    event: beat    nothing new for a while: the line is alive

A screen that reads slowly is given the newest value when it can take one; if for `slow_s` it takes nothing at all, it
is cut off, and may come again.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections import Counter
from collections.abc import Callable

from starlette.responses import PlainTextResponse
from starlette.types import Message, Receive, Scope, Send

from demo_ctl.show import pagefiles
from demo_ctl.show.door import share
from demo_ctl.show.hub import Hub
from demo_ctl.show.wake import Wake

#: Silence a screen may take for a broken line is three of these.
BEAT_S = 10.0


class Streams:
    """All screens of one hub. An ASGI application that answers each request with an endless stream.

    cut_off: called with the ASGI scope of a screen that takes nothing; breaks its connection. shared: one address has
    no more than its share (`door.share`) of the `most` places.
    """

    def __init__(
        self, hub: Hub, *, most: int, slow_s: float, cut_off: Callable[[Scope], None], shared: bool = True
    ) -> None:
        self.hub = hub
        self.count = 0
        self._most = most
        self._shared = shared
        self._from: Counter[str] = Counter()
        self._slow_s = slow_s
        self._cut_off = cut_off
        self._wakes: dict[asyncio.AbstractEventLoop, Wake] = {}
        self._closed = False

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one screen."""
        address = (scope.get("client") or ("",))[0]
        full = self._full(address)
        if full:
            await PlainTextResponse(full + "\n", 503, {"retry-after": "5"})(scope, receive, send)
            return
        self.count += 1
        self._from[address] += 1
        bell = asyncio.Event()
        wake = self._wake()
        wake.join(bell)
        gone = asyncio.ensure_future(_until_gone(receive))
        gone.add_done_callback(lambda _: bell.set())
        try:
            await self._answer(scope, send, wake, bell, gone)
        except TimeoutError:
            self._cut_off(scope)
        finally:
            self.count -= 1
            self._from -= Counter((address,))  # what is at none is forgotten
            wake.leave(bell)
            gone.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await gone

    def _full(self, address: str) -> str:
        """Return why no screen more may come from an address, "" when one may."""
        if self._closed:
            return "the screens are being closed"
        if self.count >= self._most:
            return f"too many screens: all {self._most} places are taken; close one that nobody looks at"
        its = share(self._most, address) if self._shared else self._most
        if self._from[address] >= its:
            return f"too many screens from this address: its {its} places are taken; close one that nobody looks at"
        return ""

    async def _answer(
        self, scope: Scope, send: Send, wake: Wake, bell: asyncio.Event, gone: asyncio.Future[None]
    ) -> None:
        async def put(message: Message) -> None:
            async with asyncio.timeout(self._slow_s):
                await send(message)

        await put(
            {
                "type": "http.response.start",
                "status": 200,
                "headers": [(b"content-type", b"text/event-stream; charset=utf-8")],
            }
        )
        if scope["method"] == "HEAD":
            await put({"type": "http.response.body", "body": b""})
            return
        hello = json.dumps({"page": pagefiles.fingerprint(), "epoch": self.hub.epoch})
        await put(_body(f"retry: 1000\nevent: hello\ndata: {hello}\n\n".encode()))
        version = 0
        while not gone.done() and not wake.closed:
            bell.clear()
            update = self.hub.after(version)
            if update is not None:
                version = update.version
                await put(_body(b"id: %d\nevent: value\ndata: %s\n\n" % (version, update.data)))
                continue
            if not await _rings(bell):
                await put(_body(b"event: beat\ndata: {}\n\n"))
        if not gone.done():
            await put({"type": "http.response.body", "body": b""})

    def _wake(self) -> Wake:
        loop = asyncio.get_running_loop()
        for each in [each for each in self._wakes if each.is_closed()]:
            self._wakes.pop(each).forget()
        if loop not in self._wakes:
            self._wakes[loop] = Wake(self.hub)
        return self._wakes[loop]

    def close(self) -> None:
        """End every stream, and begin no other. Call it inside the loop that the streams run in."""
        self._closed = True
        for wake in self._wakes.values():
            wake.close()


async def _until_gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


async def _rings(bell: asyncio.Event) -> bool:
    """Wait for a bell, not longer than for a beat; return whether it rang."""
    try:
        async with asyncio.timeout(BEAT_S):
            await bell.wait()
    except TimeoutError:
        return False
    return True


def _body(data: bytes) -> Message:
    return {"type": "http.response.body", "body": data, "more_body": True}
