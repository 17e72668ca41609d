"""The screens' server as an ASGI application: which addresses there are, and who is answered at all.

The audience can look, and nothing else: every address of theirs answers to GET and HEAD only. The presenter's
addresses exist only if a console is given, and only for who has the token.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from typing import Final

from starlette.applications import Starlette
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from demo_ctl.show import door, pagefiles
from demo_ctl.show.answers import file_route, refusing, sound_route
from demo_ctl.show.desk import Console, Desk
from demo_ctl.show.door import Refusal
from demo_ctl.show.hub import Hub, sound_address
from demo_ctl.show.stream import Streams

LARGEST_HEADERS: Final = 16_384


class App:
    """The ASGI application. `close` ends its streams."""

    def __init__(
        self,
        inner: ASGIApp,
        streams: tuple[Streams, ...],
        allowed_hosts: frozenset[str],
        token: str | None = None,
        most_requests: int = 160,
    ) -> None:
        self._inner = inner
        self.streams: Final = streams
        self._allowed = allowed_hosts
        self._token = token
        self._most = most_requests
        self.requests = 0  # being answered now

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check the name asked for, answer, and put the headers on the answer. Above `most_requests`: with the token.

        Connections over which nothing is asked do not count here.
        """
        if scope["type"] != "http":
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in door.HEADERS:
                    headers[name] = value
            await send(message)

        hosts = [value.decode("latin-1") for name, value in scope["headers"] if name == b"host"]
        refused = door.refuse_host(hosts, self._allowed)
        if sum(len(name) + len(value) for name, value in scope["headers"]) > LARGEST_HEADERS:
            refused = Refusal(431, "the request's headers are too large")
        if refused is None and self.requests >= self._most and not self._in_charge(scope):
            refused = Refusal(503, "too much is being asked at once: come again in a few seconds")
        if refused is not None:
            await refusing(refused)(scope, receive, with_headers)
            return
        self.requests += 1
        try:
            await self._inner(scope, receive, with_headers)
        finally:
            self.requests -= 1

    def _in_charge(self, scope: Scope) -> bool:
        return self._token is not None and door.same_token(Request(scope).headers, self._token)

    def close(self) -> None:
        """End every stream. Call it inside the loop that serves."""
        for each in self.streams:
            each.close()


def make_app(
    hub: Hub,
    console: Console | None = None,
    token: str | None = None,
    *,
    allowed_hosts: Iterable[str] = door.LOOPBACK,
    most_screens: int = 100,
    most_requests: int = 160,
    slow_s: float = 5.0,
    sounds: Sequence[bytes] = (),
    cut_off: Callable[[Scope], None] | None = None,
    clock_s: Callable[[], float] = time.monotonic,
) -> App:
    """Return the application for one hub, and for a console if one is given, which needs a token.

    allowed_hosts: names by which the server may be asked for, without port. most_requests: answered at once, screens
    among them, to who has no token. slow_s: how long a screen may take nothing before it is cut off. sounds: WAV files
    by number; empty ones have no address. Raises ValueError if a console is given without a token of at least 16
    characters.
    """
    cut = cut_off or (lambda _scope: None)
    streams = Streams(hub, most=most_screens, slow_s=slow_s, cut_off=cut)
    routes = [Route("/events", _Audience(streams), methods=["GET"])]
    routes += [file_route(address, *what) for address, what in pagefiles.ADDRESSES.items()]
    routes += [sound_route(f"/{sound_address(number)}", heard) for number, heard in enumerate(sounds) if heard]
    every = [streams]
    if console is not None:
        if token is None or len(token) < door.LEAST_TOKEN or not token.isascii():
            raise ValueError(f"a console needs a token of at least {door.LEAST_TOKEN} plain characters")
        states = Streams(console.states, most=20, slow_s=slow_s, cut_off=cut, shared=False)
        desk = Desk(console, token, states, clock_s)
        routes += [file_route(address, *what) for address, what in pagefiles.CONSOLE_ADDRESSES.items()]
        routes += [
            Route("/console/events", desk.events, methods=["GET"]),
            Route("/console/wish", desk.wish, methods=["POST"]),
        ]
        every.append(states)
    inner = Starlette(routes=routes)
    inner.router.redirect_slashes = False
    return App(inner, tuple(every), frozenset(allowed_hosts), token, most_requests)


class _Audience:
    """The audience's stream, for the server's own page only: no other site may read along."""

    def __init__(self, streams: Streams) -> None:
        self._streams = streams

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        refused = door.refuse_foreign(Request(scope).headers, strict=False)
        await (self._streams if refused is None else refusing(refused))(scope, receive, send)
