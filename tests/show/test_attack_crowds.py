"""Crowds of connections, silent ones and screens: nobody else is kept out, least of all who is in charge."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import Any

import httpx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_ctl.show import door, server
from demo_ctl.show.app import make_app
from demo_ctl.show.connections import Connections, most_connections
from demo_ctl.show.desk import Console
from demo_ctl.show.hub import Hub
from demo_ctl.show.server import Serving, serve
from demo_ctl.show.wishes import Reply

TOKEN = "abcd-efgh-jkmn-pqrs"
LIMIT = 24


@contextmanager
def show(monkeypatch: pytest.MonkeyPatch, most: int | None = None, **options: Any) -> Iterator[Serving]:
    """Serve a show whose stop is always done. most: connections, if fewer than usual."""
    if most is not None:
        monkeypatch.setattr(server, "Connections", lambda silent_s: Connections(silent_s=silent_s, most=most))
    with serve(Hub(), Console(Hub(), lambda name, value: Reply(True, name)), TOKEN, port=0, **options) as serving:
        yield serving


def stop(serving: Serving) -> int:
    origin = serving.url.rstrip("/")
    sent = {door.TOKEN_HEADER: TOKEN, "origin": origin, "sec-fetch-site": "same-origin"}
    return httpx.post(f"{origin}/console/wish", json={"wish": "stop"}, headers=sent, timeout=5).status_code


def connect(serving: Serving, stack: ExitStack, request: str = "") -> socket.socket:
    connection = stack.enter_context(socket.create_connection(("127.0.0.1", serving.port), timeout=20))
    if request:
        connection.sendall(f"{request} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
    return connection


def test_silent_connections_delay_no_stop_and_are_never_more_than_the_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    with show(monkeypatch, LIMIT) as serving, ExitStack() as stack:
        silent = [connect(serving, stack) for _ in range(2 * LIMIT)]
        assert stop(serving) == 200
        assert len(serving.connections.open) <= LIMIT
        # The oldest went first, without an answer.
        with suppress(ConnectionResetError):
            assert silent[0].recv(10) == b""


def test_as_many_silent_ones_as_requests_are_answered_delay_no_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    with show(monkeypatch) as serving, ExitStack() as stack:
        for _ in range(170):
            connect(serving, stack)
        assert stop(serving) == 200
        assert httpx.get(serving.url, timeout=5).status_code == 200


def test_screens_are_not_broken_for_who_comes_later(monkeypatch: pytest.MonkeyPatch) -> None:
    with show(monkeypatch, LIMIT) as serving, ExitStack() as stack:
        screen = connect(serving, stack, "GET /events")
        assert screen.recv(15) == b"HTTP/1.1 200 OK"
        for _ in range(2 * LIMIT):
            connect(serving, stack)
        assert stop(serving) == 200
        assert serving.app.streams[0].count == 1


def test_screens_of_one_address_leave_places_to_others_and_a_stop_gets_through(monkeypatch: pytest.MonkeyPatch) -> None:
    with show(monkeypatch, most_screens=8) as serving, ExitStack() as stack:
        for _ in range(6):
            assert connect(serving, stack, "GET /events").recv(15) == b"HTTP/1.1 200 OK"
        refused = httpx.get(serving.url + "events", timeout=5)
        assert refused.status_code == 503
        assert "too many screens from this address: its 6 places are taken" in refused.text
        assert stop(serving) == 200


async def _answered(app: Callable[..., Any], address: str, path: str = "/", token: str = "") -> int:
    """Ask an application from an address; return the answer's status, and leave a stream as soon as it has begun."""
    began: asyncio.Future[int] = asyncio.get_running_loop().create_future()

    async def send(message: dict[str, Any]) -> None:
        if message["type"] == "http.response.start":
            began.set_result(message["status"])

    async def receive() -> dict[str, Any]:
        await asyncio.Event().wait()
        return {}

    headers = [(b"host", b"127.0.0.1"), (door.TOKEN_HEADER.encode(), token.encode())]
    scope = {"type": "http", "method": "GET", "path": path, "headers": headers, "client": (address, 1)}
    asked = asyncio.ensure_future(app({**scope, "query_string": b"", "root_path": ""}, receive, send))
    _kept.append(asked)
    return await began


_kept: list[asyncio.Future[None]] = []


def test_a_share_for_each_address_and_places_kept_for_the_token() -> None:
    app = make_app(Hub(), Console(Hub(), lambda name, value: None), TOKEN, most_screens=20, most_requests=8)

    async def crowd() -> None:
        each = [await _answered(app, "192.0.2.1", "/events") for _ in range(7)]
        assert each == [200] * 5 + [503] * 2  # a quarter of 20
        assert [await _answered(app, "192.0.2.2", "/events") for _ in range(3)] == [200] * 3
        assert app.requests == 8
        assert await _answered(app, "192.0.2.3") == 503
        assert await _answered(app, "192.0.2.3", token=TOKEN[:-1] + "x") == 503
        assert await _answered(app, "192.0.2.3", "/console/events", TOKEN) == 200
        app.close()
        await asyncio.gather(*_kept)
        _kept.clear()
        assert app.requests == 0
        assert app.streams[0].count == 0

    asyncio.run(crowd())


def test_answers_that_nobody_takes_keep_nobody_out(monkeypatch: pytest.MonkeyPatch) -> None:
    with show(monkeypatch, LIMIT, sounds=(b"\0" * 4_000_000,)) as serving, ExitStack() as stack:
        for _ in range(2 * LIMIT):
            # Begun, so that it is no request any more that waits for its answer; most of it is never taken.
            with suppress(ConnectionResetError):
                connect(serving, stack, "GET /sound/0.wav").recv(1)
        assert stop(serving) == 200
        assert len(serving.connections.open) <= LIMIT


def test_a_loop_in_trouble_says_so_once_and_shows_no_traceback(capsys: pytest.CaptureFixture[str]) -> None:
    async def trouble() -> None:
        loop = asyncio.get_running_loop()
        loop.set_exception_handler(server._one_line())
        for _ in range(50):
            loop.call_exception_handler({"message": "accept() failed", "exception": OSError(24, "Too many open files")})

    asyncio.run(trouble())
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "the server of the screens is in trouble, and goes on: [Errno 24] Too many open files" in said


@pytest.mark.parametrize(("soft", "most"), [(1024, 256), (256, 64), (-1, 256), (1 << 20, 256), (64, 16)])
def test_connections_are_a_part_of_the_descriptors(soft: int, most: int) -> None:
    assert most_connections(soft) == most


@given(st.integers(1, 400), st.ip_addresses() | st.text(max_size=20))
def test_no_address_has_all_places(most: int, address: object) -> None:
    assert 1 <= door.share(most, str(address)) <= most
    if most >= 4:
        assert door.share(most, str(address)) < most
    for own in ("127.0.0.1", "::1", "::ffff:127.0.0.1"):
        assert door.share(most, own) >= door.share(most, "192.0.2.1")
