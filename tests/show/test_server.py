"""The server of the screens over real sockets: what a screen gets, when it joins and when it comes back."""

from __future__ import annotations

import json
import re
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any

import httpx
import pytest

from demo_ctl.show import door, pagefiles
from demo_ctl.show.desk import Console
from demo_ctl.show.hub import Hub
from demo_ctl.show.server import Serving, serve
from demo_ctl.show.wishes import Reply, wish_of
from demo_ctl.terms.errors import DemoError

#: There is no TLS here; without this, each request would begin with reading all certificates of the machine.
get_at = partial(httpx.get, verify=False)
post_at = partial(httpx.post, verify=False)
stream_at = partial(httpx.stream, verify=False)

TOKEN = "abcd-efgh-jkmn-pqrs"


class Desk:
    """A console that remembers what was wished for."""

    def __init__(self) -> None:
        self.states = Hub()
        self.taken: list[tuple[str, str]] = []

    def wish(self, name: str, value: str) -> Reply | None:
        wish_of(name, value)
        self.taken.append((name, value))
        return Reply(True, f"{name} it is")


@pytest.fixture
def desk() -> Desk:
    return Desk()


@pytest.fixture
def hub() -> Hub:
    return Hub()


@pytest.fixture
def serving(hub: Hub, desk: Desk) -> Iterator[Serving]:
    with serve(hub, Console(desk.states, desk.wish), TOKEN, port=0) as made:
        yield made


@contextmanager
def stream(serving: Serving, path: str = "events", **headers: str) -> Iterator[Callable[[], tuple[str, str, Any]]]:
    """Yield a function that returns the next event: its name, its id, its data."""
    with stream_at("GET", serving.url + path, headers=headers, timeout=20) as answer:
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("text/event-stream")
        lines = answer.iter_lines()

        def following() -> tuple[str, str, Any]:
            fields: dict[str, str] = {}
            for line in lines:
                if not line:
                    return fields["event"], fields.get("id", ""), json.loads(fields["data"])
                name, _, value = line.partition(": ")
                fields[name] = value
            raise EOFError

        yield following


def test_a_screen_that_joins_gets_the_newest_value_and_then_each_one(serving: Serving, hub: Hub) -> None:
    for number in range(1, 31):
        hub.publish({"n": number})
    with stream(serving) as following:
        name, _, data = following()
        assert name == "hello"
        assert data == {"page": pagefiles.fingerprint(), "epoch": hub.epoch}
        assert following() == ("value", "30", {"n": 30})
        for number in range(31, 36):
            hub.publish({"n": number})
            assert following() == ("value", str(number), {"n": number})


def test_a_screen_that_comes_back_gets_the_newest_value(serving: Serving, hub: Hub) -> None:
    hub.publish({"n": 1})
    with stream(serving) as following:
        following()
        following()
    hub.publish({"n": 2})
    with stream(serving, **{"last-event-id": "1"}) as following:
        following()
        assert following() == ("value", "2", {"n": 2})


def test_a_screen_that_came_before_the_show_waits_for_it(serving: Serving, hub: Hub) -> None:
    with stream(serving) as following:
        assert following()[0] == "hello"
        hub.publish({"n": 1})
        assert following() == ("value", "1", {"n": 1})


def test_when_nothing_happens_the_line_still_tells_that_it_is_alive(
    serving: Serving, hub: Hub, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("demo_ctl.show.stream.BEAT_S", 0.05)
    hub.publish({"n": 1})
    with stream(serving) as following:
        assert [following()[0] for _ in range(5)] == ["hello", "value", "beat", "beat", "beat"]
        hub.publish({"n": 2})
        names = [following()[0] for _ in range(50)]
        assert "value" in names


def test_a_screen_that_leaves_is_forgotten(serving: Serving, hub: Hub) -> None:
    for _ in range(3):
        with stream(serving) as following:
            following()
            assert serving.app.streams[0].count >= 1
    # One more is answered only when the loop has had its turn with those that left.
    while serving.app.streams[0].count:
        httpx.head(serving.url)


def test_fifty_screens_at_once_all_come_to_the_newest_value(serving: Serving, hub: Hub) -> None:
    joined = threading.Barrier(51, timeout=60)
    ends: list[list[int]] = []

    def watch() -> None:
        with stream(serving) as following:
            following()
            joined.wait()
            seen: list[int] = []
            while not seen or seen[-1] < 200:
                seen.append(int(following()[1]))
            ends.append(seen)

    threads = [threading.Thread(target=watch) for _ in range(50)]
    for thread in threads:
        thread.start()
    joined.wait()
    for number in range(1, 201):
        hub.publish({"n": number})
    for thread in threads:
        thread.join(60)
    assert len(ends) == 50
    assert all(seen[-1] == 200 and seen == sorted(set(seen)) for seen in ends)


def test_one_screen_too_many_is_told_to_come_later(hub: Hub) -> None:
    with serve(hub, port=0, most_screens=2) as serving, stream(serving) as one, stream(serving) as other:
        one()
        other()
        answer = get_at(serving.url + "events")
        assert answer.status_code == 503
        assert answer.headers["retry-after"] == "5"


def test_stopping_ends_every_stream_and_frees_the_port(hub: Hub) -> None:
    hub.publish({"n": 1})
    serving = serve(hub, port=0)
    with stream(serving) as following:
        following()
        following()
        serving.stop()
        with pytest.raises((EOFError, httpx.RemoteProtocolError)):
            following()
    serving.stop()
    with serve(hub, port=serving.port) as again, stream(again) as following:
        following()
        assert following()[2] == {"n": 1}


def test_a_taken_port_is_told_with_what_to_do() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        with pytest.raises(DemoError, match="cannot serve screens") as caught:
            serve(Hub(), port=other.getsockname()[1])
        assert "choose another port" in caught.value.next_step


def test_it_serves_this_computer_only_unless_names_are_given() -> None:
    with pytest.raises(DemoError, match="no name is given"):
        serve(Hub(), host="0.0.0.0", port=0)
    with serve(Hub(), host="0.0.0.0", port=0, allowed_hosts=["screens.mossbrook.example"]) as serving:
        url = f"http://127.0.0.1:{serving.port}/"
        assert get_at(url, headers={"host": "screens.mossbrook.example"}).status_code == 200
        assert get_at(url, headers={"host": "elsewhere.example"}).status_code == 421


@pytest.mark.parametrize("address", [*pagefiles.ADDRESSES, *pagefiles.CONSOLE_ADDRESSES])
def test_every_file_of_the_page_comes_with_its_type_and_the_headers(serving: Serving, address: str) -> None:
    answer = get_at(serving.url.rstrip("/") + address)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == {**pagefiles.ADDRESSES, **pagefiles.CONSOLE_ADDRESSES}[address][1]
    for name, value in door.HEADERS:
        assert answer.headers[name] == value
    assert "server" not in answer.headers
    assert "@PAGE@" not in answer.text


def test_the_page_brings_nothing_from_elsewhere() -> None:
    for name, _ in (*pagefiles.ADDRESSES.values(), *pagefiles.CONSOLE_ADDRESSES.values()):
        text = pagefiles.text(name).replace("http://www.w3.org/2000/svg", "")
        assert "http:" not in text
        assert "https:" not in text
        assert "//cdn" not in text


def test_head_is_answered_like_get_without_a_body(serving: Serving) -> None:
    assert httpx.head(serving.url).status_code == 200
    assert httpx.head(serving.url + "events").content == b""


def test_a_wish_is_taken_and_answered(serving: Serving, desk: Desk) -> None:
    origin = serving.url.rstrip("/")
    headers = {door.TOKEN_HEADER: TOKEN, "origin": origin}
    answer = post_at(serving.url + "console/wish", json={"wish": "next"}, headers=headers)
    assert (answer.status_code, answer.json()) == (200, {"done": True, "text": "next it is"})
    answer = post_at(serving.url + "console/wish", json={"wish": "pace", "value": "1/2"}, headers=headers)
    assert answer.status_code == 200
    assert desk.taken == [("next", ""), ("pace", "1/2")]
    answer = post_at(serving.url + "console/wish", json={"wish": "pace", "value": "sideways"}, headers=headers)
    assert answer.status_code == 400
    assert "pace" in answer.text


def test_the_presenters_stream_has_the_presenters_states(serving: Serving, desk: Desk, hub: Hub) -> None:
    hub.publish({"for": "all"})
    desk.states.publish({"for": "the presenter"})
    with stream(serving, "console/events", **{door.TOKEN_HEADER: TOKEN}) as following:
        following()
        assert following()[2] == {"for": "the presenter"}


def test_a_wish_that_breaks_something_is_told_and_the_server_goes_on(hub: Hub) -> None:
    def wish(name: str, value: str) -> Reply | None:
        raise RuntimeError("no such luck")

    with serve(hub, Console(Hub(), wish), TOKEN, port=0) as serving:
        headers = {door.TOKEN_HEADER: TOKEN, "origin": serving.url.rstrip("/")}
        answer = post_at(serving.url + "console/wish", json={"wish": "hold"}, headers=headers)
        assert answer.status_code == 500
        assert "no such luck" not in answer.text
        assert get_at(serving.url).status_code == 200


def test_a_slow_reader_skips_to_the_newest(hub: Hub, serving: Serving) -> None:
    # It reads nothing while far more is published than may be on its way to it. How much of that it gets is the
    # machine's affair, down to the newest alone; what it gets goes forward only, and ends with the newest.
    with socket.create_connection(("127.0.0.1", serving.port)) as slow:
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        slow.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{serving.port}\r\n\r\n".encode())
        slow.settimeout(20)
        first = slow.recv(64)
        assert first.startswith(b"HTTP/1.1 200")
        for number in range(1, 1501):
            hub.publish({"n": number, "filling": "x" * 3000})
        got = b""
        while b'"n":1500,' not in got:
            got += slow.recv(65536)
        shown = [int(number) for number in re.findall(rb'data: {"n":(\d+),', got)]
        assert shown == sorted(set(shown))
        assert shown[-1] == 1500
        assert len(shown) < 750


def test_sounds_are_served_whole_and_in_parts_and_nothing_else_is(hub: Hub) -> None:
    heard = b"RIFF" + bytes(range(200))
    with serve(hub, port=0, sounds=[b"", heard]) as made, httpx.Client(base_url=made.url, timeout=20) as client:
        whole = client.get("/sound/1.wav")
        assert (whole.status_code, whole.content, whole.headers["content-type"]) == (200, heard, "audio/wav")
        assert whole.headers["content-security-policy"].startswith("default-src 'self'")
        for asked, part in (("bytes=4-", heard[4:]), ("bytes=0-3", heard[:4]), ("bytes=10-9999", heard[10:])):
            answer = client.get("/sound/1.wav", headers={"range": asked})
            assert (answer.status_code, answer.content) == (206, part)
            first = int(asked[6:].partition("-")[0])
            assert answer.headers["content-range"] == f"bytes {first}-{first + len(part) - 1}/{len(heard)}"
        for asked in ("bytes=-5", "bytes=9-1", "bytes=500-", "bytes=0-1,3-4", "bytes=" + "9" * 400, "lines=1-2"):
            assert client.get("/sound/1.wav", headers={"range": asked}).content == heard
        for path in ("/sound/0.wav", "/sound/2.wav", "/sound/", "/sound/1.wav/..", "/sound/..%2f1.wav", "/sound/1"):
            assert client.get(path).status_code == 404
        assert client.post("/sound/1.wav").status_code == 405
