"""Attacks on the server of the screens: everything is refused, and the show goes on unharmed."""

from __future__ import annotations

import contextlib
import json
import socket
import time
from collections.abc import Callable, Iterator, Mapping
from functools import partial

import httpx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.show import door
from demo_ctl.show.app import make_app
from demo_ctl.show.connections import Connections
from demo_ctl.show.desk import LARGEST_WISH, Console, wish_in
from demo_ctl.show.door import Bucket
from demo_ctl.show.hub import Hub
from demo_ctl.show.server import Serving, serve
from demo_ctl.show.wishes import Reply, wish_of

#: There is no TLS here; without this, each request would begin with reading all certificates of the machine.
get_at = partial(httpx.get, verify=False)
post_at = partial(httpx.post, verify=False)
request_at = partial(httpx.request, verify=False)
stream_at = partial(httpx.stream, verify=False)

TOKEN = "abcd-efgh-jkmn-pqrs"


class Target:
    """A show under attack: whatever was wished for, and whether its screens still see it."""

    def __init__(self) -> None:
        self.hub = Hub()
        self.states = Hub()
        self.taken: list[tuple[str, str]] = []
        self.serving: Serving

    def wish(self, name: str, value: str) -> Reply | None:
        wish_of(name, value)
        self.taken.append((name, value))
        return None

    @property
    def own(self) -> dict[str, str]:
        return {
            door.TOKEN_HEADER: TOKEN,
            "origin": self.serving.url.rstrip("/"),
            "sec-fetch-site": "same-origin",
            "content-type": "application/json",
        }

    def post(
        self,
        content: bytes = b'{"wish": "next"}',
        *,
        without: tuple[str, ...] = (),
        headers: Mapping[str, str] | None = None,
    ) -> httpx.Response:
        sent = {**self.own, **(headers or {})}
        for name in without:
            del sent[name]
        return post_at(self.serving.url + "console/wish", content=content, headers=sent, timeout=20)

    def raw(self, request: bytes) -> bytes:
        """Send exactly these bytes and return what comes back until the server closes."""
        with socket.create_connection(("127.0.0.1", self.serving.port), timeout=20) as connection:
            connection.sendall(request)
            got = b""
            while part := connection.recv(65536):
                got += part
            return got

    def unharmed(self) -> None:
        """A screen that comes now sees what is published now."""
        version = self.hub.publish({"still": "here"})
        with stream_at("GET", self.serving.url + "events", timeout=20) as answer:
            for line in answer.iter_lines():
                if line == f"id: {version}":
                    return
        raise AssertionError("the stream ended")


@pytest.fixture
def target() -> Iterator[Target]:
    made = Target()
    with serve(made.hub, Console(made.states, made.wish), TOKEN, port=0, slow_s=0.3) as serving:
        made.serving = serving
        yield made
        made.unharmed()


def test_the_attacker_would_get_in_with_everything_right(target: Target) -> None:
    # Else every refusal below would prove nothing.
    assert target.post().status_code == 200
    assert target.taken == [("next", "")]


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://elsewhere.example"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1"},  # another port of this computer is another site
        {"origin": "http://127.0.0.1:1"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "none"},
    ],
)
def test_foreign_pages_are_refused_even_with_the_token(target: Target, headers: dict[str, str]) -> None:
    assert target.post(headers=headers).status_code == 403
    assert target.taken == []


def test_a_wish_that_does_not_say_where_it_comes_from_is_refused(target: Target) -> None:
    assert target.post(without=("origin",)).status_code == 403
    assert target.taken == []


def test_a_foreign_page_cannot_ask_beforehand_either(target: Target) -> None:
    answer = httpx.options(
        target.serving.url + "console/wish",
        headers={"origin": "http://elsewhere.example", "access-control-request-method": "POST"},
    )
    assert answer.status_code == 405
    assert not [name for name in answer.headers if name.startswith("access-control")]


@pytest.mark.parametrize("path", ["events", "console/events"])
def test_no_other_site_reads_the_streams(target: Target, path: str) -> None:
    for headers in ({"origin": "http://elsewhere.example"}, {"sec-fetch-site": "cross-site"}):
        answer = get_at(target.serving.url + path, headers={door.TOKEN_HEADER: TOKEN, **headers})
        assert answer.status_code == 403


@pytest.mark.parametrize("token", ["", "abcd", TOKEN[:-1], TOKEN + "x", TOKEN.upper(), "ü", "x" * 8000])
def test_a_wrong_token_is_refused(target: Target, token: str) -> None:
    sent = [(name.encode(), value.encode()) for name, value in {**target.own, door.TOKEN_HEADER: token}.items()]
    answer = post_at(target.serving.url + "console/wish", content=b'{"wish": "stop"}', headers=sent)
    assert answer.status_code == 401
    got = get_at(target.serving.url + "console/events", headers=[(door.TOKEN_HEADER.encode(), token.encode())])
    assert got.status_code == 401
    assert target.taken == []


def test_a_missing_token_is_refused_and_none_is_read_from_the_address_or_a_cookie(target: Target) -> None:
    assert target.post(without=(door.TOKEN_HEADER,)).status_code == 401
    url = target.serving.url
    assert get_at(f"{url}console/events?token={TOKEN}&{door.TOKEN_HEADER}={TOKEN}").status_code == 401
    assert get_at(f"{url}console/events", headers={"cookie": f"token={TOKEN}"}).status_code == 401


def test_guessing_is_slowed_down_and_never_locks_the_presenter_out(target: Target) -> None:
    codes = [target.post(headers={door.TOKEN_HEADER: "wrong-wrong-wrong"}).status_code for _ in range(12)]
    assert codes[:5] == [401] * 5
    assert 429 in codes[5:]
    assert target.post().status_code == 200


def test_too_many_wishes_are_refused_but_a_stop_is_taken(target: Target) -> None:
    codes = [target.post().status_code for _ in range(40)]
    assert 429 in codes
    assert target.post(b'{"wish": "stop"}').status_code == 200
    assert target.taken[-1] == ("stop", "")


def test_the_audience_can_change_nothing(target: Target) -> None:
    for path in ("", "events", "screen.js"):
        for method in ("POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "PROPFIND"):
            answer = request_at(method, target.serving.url + path, headers=target.own)
            assert answer.status_code == 405, (method, path)
    assert get_at(target.serving.url + "console/wish", headers=target.own).status_code == 405


def test_without_a_console_there_is_no_console() -> None:
    with serve(Hub(), port=0) as serving:
        for path in ("console", "console.js", "console/events", "console/wish"):
            assert get_at(serving.url + path).status_code == 404
        assert post_at(serving.url + "console/wish", json={"wish": "next"}).status_code == 404


@pytest.mark.parametrize("token", [None, "", "short", "ü" * 20])
def test_a_console_without_a_good_token_is_not_served(token: str | None) -> None:
    with pytest.raises(ValueError, match="token"):
        make_app(Hub(), Console(Hub(), lambda name, value: None), token)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"next",
        b"{",
        b"[]",
        b"null",
        b'"next"',
        b"{}",
        b'{"wish": 1}',
        b'{"wish": null}',
        b'{"wish": ["next"]}',
        b'{"wish": "ring"}',
        b'{"wish": "arm"}',
        b'{"wish": "NEXT"}',
        b'{"wish": "next", "number": "555-0123"}',
        b'{"wish": "next", "value": 1}',
        b'{"wish": "next", "value": "1/2"}',
        b'{"wish": "pace", "value": "' + b"9" * 41 + b'"}',
        b'{"wish": "pace", "value": "1/0"}',
        b'{"wish": "pace", "value": "../../etc/passwd"}',
        b"\xff\xfe{}",
        b"\x00" * 100,
        b"[" * 900,
    ],
)
def test_malformed_wishes_are_refused_with_words(target: Target, content: bytes) -> None:
    answer = target.post(content)
    assert answer.status_code == 400
    assert "Traceback" not in answer.text
    assert target.taken == []


SIX = ("next", "hold", "repeat", "pace", "blank", "stop")
ANYTHING = st.none() | st.booleans() | st.floats() | st.text(max_size=60) | st.sampled_from(SIX) | st.lists(st.text())


@settings(deadline=None)
@given(ANYTHING | st.dictionaries(st.sampled_from(["wish", "value", "x"]), ANYTHING))
def test_only_the_six_wishes_are_ever_read(value: object) -> None:
    body = json.dumps(value).encode()
    try:
        name, text = wish_in(body)
    except ValueError:
        return
    assert name in SIX
    assert len(text) <= 40


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""])
def test_a_form_of_a_foreign_page_is_no_wish(target: Target, kind: str) -> None:
    assert target.post(headers={"content-type": kind}).status_code == 415
    assert target.taken == []


def test_oversized_wishes_are_refused_before_they_are_read(target: Target) -> None:
    assert target.post(b'{"wish": "next"' + b" " * LARGEST_WISH + b"}").status_code == 413
    head = "\r\n".join(f"{name}: {value}" for name, value in target.own.items())
    host = f"Host: 127.0.0.1:{target.serving.port}"
    answer = target.raw(f"POST /console/wish HTTP/1.1\r\n{host}\r\n{head}\r\nContent-Length: 99999999\r\n\r\n".encode())
    assert answer.startswith(b"HTTP/1.1 413")
    # Without a length, in pieces without end.
    pieces = b"400\r\n" + b"a" * 1024 + b"\r\n"
    start = f"POST /console/wish HTTP/1.1\r\n{host}\r\n{head}\r\nTransfer-Encoding: chunked\r\n\r\n".encode()
    assert target.raw(start + pieces * 4 + b"0\r\n\r\n").startswith(b"HTTP/1.1 413")
    assert target.taken == []


def test_oversized_headers_are_refused(target: Target) -> None:
    assert get_at(target.serving.url, headers={"x": "y" * 60_000}).status_code == 431


@pytest.mark.parametrize(
    "path",
    [
        "/../pyproject.toml",
        "/page/../../hub.py",
        "/..%2f..%2fhub.py",
        "/%2e%2e/%2e%2e/hub.py",
        "/....//hub.py",
        "//etc/passwd",
        "/etc/passwd",
        "/..\\hub.py",
        "/screen.js%00.html",
        "/screen.js/../../../hub.py",
        "/player.html",
        "/console/../screen.html",
        "/%c0%ae%c0%ae/hub.py",
        "/page/",
        "/.",
        "/screen.html",
    ],
)
def test_no_path_leads_to_a_file(target: Target, path: str) -> None:
    answer = target.raw(
        f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1:{target.serving.port}\r\nConnection: close\r\n\r\n".encode("latin-1")
    )
    assert answer.split(b" ")[1] in (b"404", b"400"), answer[:200]
    assert b"def " not in answer
    assert b"root:" not in answer


@pytest.mark.parametrize(
    "host",
    [
        "elsewhere.example",
        "127.0.0.1.elsewhere.example",
        "localhost.elsewhere.example:80",
        "127.0.0.1@elsewhere.example",
        "127.0.0.1/elsewhere",
        "127.0.0.1:99999999",
        "",
        " ",
        "[::1",
        "2130706433",
    ],
)
def test_names_that_are_not_ours_are_refused(target: Target, host: str) -> None:
    for path in ("/", "/events", "/console"):
        answer = target.raw(f"GET {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n".encode())
        assert answer.split(b" ")[1] in (b"421", b"400"), answer[:100]


def test_two_names_or_none_are_refused(target: Target) -> None:
    port = target.serving.port
    two = target.raw(
        f"GET / HTTP/1.1\r\nConnection: close\r\nHost: 127.0.0.1:{port}\r\nHost: elsewhere.example\r\n\r\n".encode()
    )
    assert two.startswith(b"HTTP/1.1 4")
    none = target.raw(b"GET / HTTP/1.1\r\n\r\n")
    assert none.startswith(b"HTTP/1.1 4")
    old = target.raw(b"GET / HTTP/1.0\r\n\r\n")
    assert old.split(b" ")[1] == b"421"


@settings(deadline=None)
@given(st.text(max_size=40))
def test_no_other_host_is_read_as_one_of_ours(header: str) -> None:
    refused = door.refuse_host([header], ("127.0.0.1", "localhost", "::1"))
    bare = header.lower().rsplit(":", 1)[0] if not header.endswith("]") else header.lower()
    ours = header.lower() in ("127.0.0.1", "localhost", "[::1]") or bare in ("127.0.0.1", "localhost", "[::1]", "::1")
    assert ours or refused is not None


def test_headers_without_end_are_refused(target: Target) -> None:
    answer = target.raw(b"GET / HTTP/1.1\r\nX: " + b"y" * 20_000)
    assert answer == b"" or answer.startswith(b"HTTP/1.1 4")


@pytest.mark.parametrize("text", [b"\x16\x03\x01\x02\x00\x01\x00", b"GET\r\n\r\n", b"\x00" * 500])
def test_what_is_no_request_is_refused(target: Target, text: bytes) -> None:
    answer = target.raw(text)
    assert answer == b"" or answer.startswith(b"HTTP/1.1 4")


def wait_for(true: Callable[[], bool]) -> None:
    """Wait until something is true; a minute is more than any of it takes."""
    for _ in range(1200):
        if true():
            return
        time.sleep(0.05)
    raise AssertionError("it did not come about")


def test_screens_that_take_nothing_are_cut_off_and_delay_nobody(target: Target) -> None:
    serving, slow = target.serving, []
    for _ in range(20):
        connection = socket.create_connection(("127.0.0.1", serving.port))
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        connection.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{serving.port}\r\n\r\n".encode())
        slow.append(connection)
    wait_for(lambda: serving.app.streams[0].count == 20)
    # Until what is on its way to them is full: from then on, each is cut off.
    for _ in range(400):
        target.hub.publish({"filling": "x" * 20_000})
        time.sleep(0.002)
        if serving.app.streams[0].count == 0:
            break
    target.unharmed()
    wait_for(lambda: serving.app.streams[0].count == 0)
    wait_for(lambda: len(serving.connections.open) == 0)
    for connection in slow:
        connection.close()


def test_who_opens_connections_and_says_nothing_is_cut_off(monkeypatch: pytest.MonkeyPatch) -> None:
    def quick(*, silent_s: float) -> Connections:
        assert silent_s == 10.0
        return Connections(silent_s=0.3)

    monkeypatch.setattr("demo_ctl.show.server.Connections", quick)
    hub = Hub()
    hub.publish({})
    with serve(hub, port=0) as serving:
        silent = [socket.create_connection(("127.0.0.1", serving.port)) for _ in range(10)]
        for half in silent[5:]:
            half.sendall(b"GET / HTTP/1.1\r\nHost: 127.0")
        with stream_at("GET", serving.url + "events", timeout=20) as answer:
            for connection in silent:
                connection.settimeout(20)
                with contextlib.suppress(ConnectionResetError):
                    assert connection.recv(10) == b""
                connection.close()
            # A screen that has asked and only listens is not one of them.
            hub.publish({"last": True})
            for line in answer.iter_lines():
                if "last" in line:
                    break


def test_a_bucket_gives_no_more_than_it_holds_and_what_time_brings() -> None:
    now = [0.0]
    bucket = Bucket(3, 2, lambda: now[0])
    assert [bucket.take() for _ in range(5)] == [True, True, True, False, False]
    now[0] += 0.5
    assert [bucket.take() for _ in range(2)] == [True, False]
    now[0] += 1000
    assert [bucket.take() for _ in range(4)] == [True, True, True, False]
    now[0] -= 500  # a clock that goes back gives nothing
    assert not bucket.take()


def test_new_tokens_differ_and_can_be_typed() -> None:
    tokens = {door.new_token() for _ in range(200)}
    assert len(tokens) == 200
    assert all(len(token) == 19 and token.isascii() and not set(token) & set("il01o") for token in tokens)
