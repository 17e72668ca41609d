"""The server of the audience's screens and of the presenter's page: a thread that serves the application (`app.py`).

The one thing that can be sent is a wish (`desk.py`): it may begin the sheet's own calls, which ring only where the
board and a valid proving allow it. Nothing here can choose a number, arm the guard or loosen a limit, whoever sends
what.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import socket
import sys
import threading
from collections.abc import Callable, Iterable, Sequence
from typing import Any, Final

import uvicorn

from demo_ctl.show import door
from demo_ctl.show.app import LARGEST_HEADERS, App, make_app
from demo_ctl.show.connections import Connections
from demo_ctl.show.desk import Console
from demo_ctl.show.hub import Hub
from demo_ctl.terms.errors import DemoError

PORT: Final = 8050


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
