"""The server of the audience's screens and of the presenter's page: an ASGI application, and a thread that serves it.

The audience can look, and nothing else: every address of theirs answers to GET and HEAD only. The presenter's
addresses exist only if a console is given, and only for who has the token. The one thing that can be sent is a wish
(`wishes.py`): it may begin the sheet's own calls, which ring only where the board and a valid proving allow it. Nothing
here can choose a number, arm the guard or loosen a limit, whoever sends what.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import re
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from demo_ctl.show import door, pagefiles
from demo_ctl.show.connections import Connections
from demo_ctl.show.door import Bucket, Refusal
from demo_ctl.show.hub import Hub, sound_address
from demo_ctl.show.stream import Streams
from demo_ctl.show.wishes import Kind, Reply
from demo_ctl.terms.errors import DemoError

PORT: Final = 8050
#: A wish has a few dozen bytes.
LARGEST_WISH: Final = 1000
LARGEST_VALUE: Final = 40
LARGEST_HEADERS: Final = 16_384
_BODY_S: Final = 3.0
_WAITING_WISHES: Final = 4


@dataclass(frozen=True)
class Console:
    """What the presenter's page talks to.

    states: of `hub.ConsoleState`. wish: takes a wish's word and its value ("" for none), at once, in a thread of the
    server's. It returns what the presenter is told, and raises ValueError, with words for people, if there is no
    such wish.
    """

    states: Hub
    wish: Callable[[str, str], Reply | None]


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
            await _no(refused)(scope, receive, with_headers)
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
    among them, to who has no token. slow_s: how long a screen may take
    nothing before it is cut off. sounds: WAV files by number; empty ones have no address. Raises ValueError if a
    console is given without a token of at least 16 characters.
    """
    cut = cut_off or (lambda _scope: None)
    streams = Streams(hub, most=most_screens, slow_s=slow_s, cut_off=cut)
    routes = [Route("/events", _Audience(streams), methods=["GET"])]
    routes += [_file(address, *what) for address, what in pagefiles.ADDRESSES.items()]
    routes += [_sound(f"/{sound_address(number)}", heard) for number, heard in enumerate(sounds) if heard]
    every = [streams]
    if console is not None:
        if token is None or len(token) < door.LEAST_TOKEN or not token.isascii():
            raise ValueError(f"a console needs a token of at least {door.LEAST_TOKEN} plain characters")
        states = Streams(console.states, most=20, slow_s=slow_s, cut_off=cut, shared=False)
        desk = _Desk(console, token, states, clock_s)
        routes += [_file(address, *what) for address, what in pagefiles.CONSOLE_ADDRESSES.items()]
        routes += [
            Route("/console/events", desk.events, methods=["GET"]),
            Route("/console/wish", desk.wish, methods=["POST"]),
        ]
        every.append(states)
    inner = Starlette(routes=routes)
    inner.router.redirect_slashes = False
    return App(inner, tuple(every), frozenset(allowed_hosts), token, most_requests)


def _no(refused: Refusal, **headers: str) -> Response:
    return PlainTextResponse(refused.text + "\n", refused.status, headers)


def _file(address: str, name: str, kind: str) -> Route:
    body = pagefiles.served(name)

    async def endpoint(_request: Request) -> Response:
        return Response(body, headers={"content-type": kind})

    return Route(address, endpoint, methods=["GET"])


def _sound(address: str, body: bytes) -> Route:
    async def endpoint(request: Request) -> Response:
        # A player that jumps asks for the rest only; whole files are short, and asked for once.
        headers = {"content-type": "audio/wav", "accept-ranges": "bytes"}
        part = _range(request.headers.get("range", ""), len(body))
        if part is None:
            return Response(body, headers=headers)
        first, last = part
        headers["content-range"] = f"bytes {first}-{last}/{len(body)}"
        return Response(body[first : last + 1], 206, headers=headers)

    return Route(address, endpoint, methods=["GET"])


def _range(asked: str, size: int) -> tuple[int, int] | None:
    """Return the first and last byte of a simple range; None: the whole is sent."""
    match = re.fullmatch(r"bytes=(\d{1,12})-(\d{0,12})", asked)
    if match is None:
        return None
    first, last = int(match[1]), min(int(match[2] or size - 1), size - 1)
    return (first, last) if first <= last else None


class _Audience:
    """The audience's stream, for the server's own page only: no other site may read along."""

    def __init__(self, streams: Streams) -> None:
        self._streams = streams

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        refused = door.refuse_foreign(Request(scope).headers, strict=False)
        await (self._streams if refused is None else _no(refused))(scope, receive, send)


class _Desk:
    """The presenter's two addresses."""

    def __init__(self, console: Console, token: str, states: Streams, clock_s: Callable[[], float]) -> None:
        self._console = console
        self._token = token
        self._states = states
        self._wrong = Bucket(5, 0.2, clock_s)
        self._wishes = Bucket(10, 5, clock_s)
        self._stops = Bucket(20, 10, clock_s)  # a budget of its own: no crowd of other wishes delays a stop
        self._busy = 0
        self.events = _DeskEvents(self, states)

    def refuse(self, request: Request, *, strict: bool) -> Response | None:
        """Refuse who comes from elsewhere or without the token. Guesses are counted; the right token never is."""
        refused = door.refuse_foreign(request.headers, strict=strict)
        if refused is not None:
            return _no(refused)
        if door.same_token(request.headers, self._token):
            return None
        if not self._wrong.take():
            return _no(Refusal(429, "too many wrong tokens: wait a little"), **{"retry-after": "5"})
        return _no(Refusal(401, "the token is missing or wrong"), **{"www-authenticate": "Console"})

    async def wish(self, request: Request) -> Response:
        """Take one wish."""
        refused = self.refuse(request, strict=True)
        if refused is not None:
            return refused
        if request.headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
            return _no(Refusal(415, "a wish is sent as application/json"))
        try:
            body = await asyncio.wait_for(_read(request), _BODY_S)
        except TimeoutError:
            return _no(Refusal(408, "the wish did not arrive in time"), connection="close")
        if body is None:
            return _no(Refusal(413, f"a wish has at most {LARGEST_WISH} bytes"), connection="close")
        try:
            name, value = _wish_in(body)
        except ValueError as error:
            return _no(Refusal(400, str(error)))
        if not (self._stops if name == Kind.STOP.value else self._wishes).take():
            return _no(Refusal(429, "too many wishes at once: wait a second"), **{"retry-after": "1"})
        if self._busy >= _WAITING_WISHES and name != Kind.STOP.value:
            return _no(Refusal(503, "the show has not yet answered the wishes before this one"))
        self._busy += 1
        try:
            reply = await run_in_threadpool(self._console.wish, name, value)
        except ValueError as error:
            return _no(Refusal(400, str(error)))
        except Exception:
            return _no(Refusal(500, "the show could not take this wish: look at its own screen"))
        finally:
            self._busy -= 1
        return JSONResponse({"done": reply.done, "text": reply.text} if reply else {"done": True, "text": ""})


class _DeskEvents:
    """The presenter's stream."""

    def __init__(self, desk: _Desk, states: Streams) -> None:
        self._desk = desk
        self._states = states

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        refused = self._desk.refuse(Request(scope), strict=False)
        await (self._states if refused is None else refused)(scope, receive, send)


async def _read(request: Request) -> bytes | None:
    """Return the body, or None as soon as it is too large."""
    declared = request.headers.get("content-length", "0")
    if not declared.isdigit() or int(declared) > LARGEST_WISH:
        return None
    body = b""
    async for part in request.stream():
        body += part
        if len(body) > LARGEST_WISH:
            return None
    return body


def _wish_in(body: bytes) -> tuple[str, str]:
    """Read `{"wish": word, "value": text}`; the value may be left out. Raises ValueError."""
    form = 'a wish is {"wish": "next"}, or {"wish": "pace", "value": "1/2"}'
    try:
        data = json.loads(body)
    except (ValueError, RecursionError):
        raise ValueError(form) from None
    if not isinstance(data, dict) or not set(data) <= {"wish", "value"}:
        raise ValueError(form)
    name, value = data.get("wish"), data.get("value", "")
    if not isinstance(name, str) or not isinstance(value, str) or len(value) > LARGEST_VALUE:
        raise ValueError(form)
    if name not in {each.value for each in Kind}:
        raise ValueError(f"expected one of {', '.join(each.value for each in Kind)}")
    return name, value


class _Uvicorn(uvicorn.Server):
    """A uvicorn server that says when it serves and ends the streams before it waits for them."""

    def __init__(self, config: uvicorn.Config, app: App) -> None:
        super().__init__(config)
        self._app_served = app
        self.ready = threading.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        asyncio.get_running_loop().set_exception_handler(_one_line())
        await super().startup(sockets)
        self.ready.set()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._app_served.close()
        await super().shutdown(sockets)


def _one_line() -> Callable[[asyncio.AbstractEventLoop, dict[str, Any]], None]:
    """Return a handler of a loop's troubles that tells the first one, in a line."""
    told = False

    def handler(_loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        nonlocal told
        if not told:
            told = True
            why = context.get("exception") or context.get("message", "")
            with contextlib.suppress(OSError, ValueError):
                print(f"demo_ctl: the server of the screens is in trouble, and goes on: {why}", file=sys.stderr)

    return handler


class Serving:
    """A server at work in a thread of its own. Use it in a `with`, or call `stop`."""

    def __init__(self, server: _Uvicorn, listener: socket.socket, app: App, connections: Connections) -> None:
        host, self.port = listener.getsockname()[:2]
        self.host: str = host
        self.app: Final = app
        self.connections: Final = connections
        self._server = server
        self._listener = listener
        self._thread = threading.Thread(target=self._run, name="screens", daemon=True)
        self._thread.start()
        while not self._server.ready.wait(0.05):
            if not self._thread.is_alive():
                raise DemoError("the server of the screens did not start", next_step="Try another port.")

    def _run(self) -> None:
        with contextlib.suppress(SystemExit):
            self._server.run(sockets=[self._listener])

    @property
    def url(self) -> str:
        """The audience's address."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"http://{host}:{self.port}/"

    def stop(self) -> None:
        """End all streams, close every connection and join the thread. Twice is as good as once."""
        self._server.should_exit = True
        self._thread.join()
        self.connections.break_all()
        self._listener.close()

    def __enter__(self) -> Serving:
        return self

    def __exit__(self, *exc: object) -> None:
        self.stop()


def serve(
    hub: Hub,
    console: Console | None = None,
    token: str | None = None,
    *,
    host: str = "127.0.0.1",
    port: int = PORT,
    allowed_hosts: Iterable[str] = (),
    most_screens: int = 100,
    slow_s: float = 5.0,
    sounds: Sequence[bytes] = (),
) -> Serving:
    """Serve in a thread until `stop`. port: 0 takes any that is free.

    host: where to listen; an address that other computers reach needs `allowed_hosts`, the names or addresses by
    which they will ask for this one. Raises DemoError if it cannot listen there.
    """
    names = {*door.LOOPBACK, *allowed_hosts}
    if host not in door.LOOPBACK and not set(allowed_hosts):
        raise DemoError(
            f"screens of other computers could reach {host}, but no name is given by which they may ask for it",
            next_step="Name this computer as the screens' addresses do: --name NAME. Or serve on 127.0.0.1.",
        )
    connections = Connections(silent_s=10.0)
    app = make_app(
        hub,
        console,
        token,
        allowed_hosts=names,
        most_screens=most_screens,
        # Some connections are left to who has the token, and to whoever is being told that there is no room.
        most_requests=min(most_screens + 60, connections.most * 5 // 8),
        slow_s=slow_s,
        sounds=sounds,
        cut_off=connections.cut_off,
    )
    listener = _listen(host, port)
    logging.getLogger("asyncio").setLevel(logging.CRITICAL)  # its warnings would be written across the show's screen
    config = uvicorn.Config(
        app,
        http=connections.protocol,
        ws="none",
        loop="asyncio",
        lifespan="off",
        interface="asgi3",
        log_config=None,
        log_level="critical",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        # Taken in so few at a time: `Connections` can break those that are too many before the next come.
        backlog=max(32, connections.most // 4),
        timeout_keep_alive=10,
        timeout_graceful_shutdown=2,
        h11_max_incomplete_event_size=LARGEST_HEADERS,
    )
    return Serving(_Uvicorn(config, app), listener, app, connections)


def _listen(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # Inherited by every connection: what a slow screen has not taken is kept short, or it would be shown minutes
        # of the past before it saw the present.
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 64 * 1024)
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise DemoError(
            f"cannot serve screens at {host} port {port}: {error.strerror or error}",
            next_step="Another program may be using the port: stop it, or choose another port.",
        ) from error
    return listener
