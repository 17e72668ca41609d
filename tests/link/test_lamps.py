"""Lamps over the link: wishes that are sent beside everything else, on the bench with the real firmware."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.link.client import Client
from demo_ctl.link.lamps import SEND_US, LampWishes, lacking_words
from demo_ctl.link.loop import Heard
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.wire import messages as m

UNIT = Path(__file__).resolve().parents[2] / "configs" / "units" / "travelling.yaml"
add_url_package("demo_ctl.bench")
step = m.Instruction
RINGS = [step(m.OP_RINGING, 2, 1, 60_000_000, 0), step(m.OP_WAIT, 0, 0, 30_000_000, 0)]


def hardware(client: Client) -> Any:
    line: Any = getattr(client.port, "_line")  # noqa: B009  # the bench behind the port
    return line.world.hardware


def lit(client: Client) -> list[tuple[str, int, int]]:
    """What the lamps became, and when, by the bench's truth."""
    return [
        (row.what, row.at_us, row.value) for row in hardware(client).unit.truth if row.what.partition("/")[2] == "lit"
    ]


@pytest.fixture(params=["python", "micropython"])
def client(request: pytest.FixtureRequest) -> Iterator[Client]:
    with closing(Client(open_port(f"bench://?unit={UNIT}&board={request.param}"))) as found:
        found.hello()
        yield found


def let(client: Client, us: int) -> list[Heard]:
    until_us = client.now_us() + us
    heard: list[Heard] = []
    while client.now_us() < until_us:
        heard += client.poll(until_us - client.now_us())
    return heard


def test_a_wish_lights_lamps_and_nobody_waits_for_it(client: Client) -> None:
    before_us = client.now_us()
    client.lamps.show(0b101, 0b100)
    assert client.now_us() == before_us
    let(client, 150_000)
    assert client.lamps.shown
    assert client.lamps.count == 7
    assert hardware(client).lit & 1
    let(client, 3_000_000)
    flashes = [at_us for what, at_us, value in lit(client) if what == "lamp 3/lit" and value]
    assert 2 <= len(flashes) <= 4
    client.lamps.show(0)
    let(client, 150_000)
    assert hardware(client).lit == 0


def test_lamps_of_a_host_that_falls_silent_go_dark(client: Client) -> None:
    client.lamps.show(0b1111)
    let(client, 300_000)
    client.say_nothing(350_000)
    assert hardware(client).lit == 0b1111
    client.say_nothing(250_000)
    assert hardware(client).lit == 0
    client.hello()  # and the wish is remembered
    let(client, 150_000)
    assert hardware(client).lit == 0b1111


def test_the_board_s_reset_makes_them_dark(client: Client) -> None:
    client.lamps.show(0b1111)
    let(client, 300_000)
    line: Any = getattr(client.port, "_line")  # noqa: B009
    line.world.reset_board()
    assert hardware(client).lit == 0


def test_a_flood_of_wishes_while_ringing_is_live(client: Client) -> None:
    """Another wish each 5 ms for five seconds: no trip, the plan goes on, heartbeats are in time."""
    client.upload(7, RINGS, (m.UNUSED, m.CALLED))
    client.start(7)
    heard = let(client, 500_000)
    for nth in range(1000):
        client.lamps.show(nth * 5 & 127, nth & 3)
        heard += let(client, 5_000)
    assert client.guard == m.G_LIVE
    assert client.status().plan_state == m.RUNNING
    assert client.safety().trips == 0
    assert client.longest_silence_us <= 210_000
    guards = [e.value & 0xFF for e in heard if isinstance(e, m.Event) and e.kind == m.EV_GUARD]
    assert guards == [m.G_PROVING, m.G_ARMED, m.G_LIVE]
    told = lit(client)
    assert len(told) > 100
    instants = sorted({at_us for _, at_us, _ in told})
    assert min(b - a for a, b in itertools.pairwise(instants)) >= 40_000
    client.stop()


def test_a_trip_makes_them_dark_and_the_wish_lights_them_again(client: Client) -> None:
    client.upload(7, RINGS, (m.UNUSED, m.CALLED))
    client.start(7)
    client.lamps.show(0b11)
    let(client, 500_000)
    assert client.guard == m.G_LIVE
    hardware(client).open_cover()
    let(client, 500_000)
    assert client.guard == m.G_TRIPPED
    told = lit(client)
    assert [(what, value) for what, _, value in told] == [
        ("lamp 1/lit", 1), ("lamp 2/lit", 1),
        ("lamp 1/lit", 0), ("lamp 2/lit", 0),
        ("lamp 1/lit", 1), ("lamp 2/lit", 1),
    ]  # fmt: skip
    assert told[4][1] - told[2][1] >= 40_000
    assert client.safety().state == m.G_TRIPPED


@pytest.mark.parametrize(("count", "lit_there", "lacks"), [(0, 0, (1, 3, 7)), (2, 1, (3, 7)), (7, 0b1000101, ())])
def test_a_board_with_fewer_lamps_shows_those_it_has(count: int, lit_there: int, lacks: tuple[int, ...]) -> None:
    with closing(Client(open_port(f"bench://?unit={UNIT}&lamps={count}"))) as client:
        client.hello()
        client.lamps.show(0b1000101)
        let(client, 500_000)
        assert client.lamps.count == count
        assert client.lamps.lacking() == lacks
        assert hardware(client).lit == lit_there
        assert client.lamps.shown
        if lacks:
            assert (
                lacking_words("/dev/ttyACM0", count, lacks)
                == {
                    0: "the board on /dev/ttyACM0 has no lamps",
                    2: "the board on /dev/ttyACM0 has lamps 1 to 2, and no lamp 3, 7",
                }[count]
            )


class Board:
    """What the firmware does with lamps, as WIRE.md says."""

    def __init__(self, count: int) -> None:
        self.count, self.now = count, (0, 0)

    def take(self, message: m.Lamps) -> m.Answer:
        if message.lit >> self.count or message.blink & ~message.lit:
            return m.Answer(1, m.E_RANGE, self.count)
        self.now = (message.lit, message.blink)
        return m.Answer(1, m.OK, self.count)


@settings(max_examples=200, deadline=None)
@given(
    st.integers(0, 16),
    st.lists(
        st.one_of(
            st.tuples(st.integers(0, 0xFFFF), st.integers(0, 0xFFFF)),
            st.sampled_from(["hello", "trip", "lost session"]),
            st.integers(0, 200_000),
        ),
        max_size=40,
    ),
)
def test_the_last_wish_is_shown_whatever_came_before(count: int, story: list[object]) -> None:
    board, wishes = Board(count), LampWishes()
    now_us = sent = 0
    last_us = -SEND_US
    wanted = None
    closed = False
    for item in [*story, 200_000, 200_000, 200_000]:
        if isinstance(item, tuple):
            wishes.show(*item)
            wanted = (item[0], item[0] & item[1])
        elif isinstance(item, int):
            now_us += item
        elif item == "hello":
            board.now, closed = (0, 0), False
            wishes.forget()
        elif item == "trip":
            board.now = (0, 0)
            wishes.hear(m.Event(1, now_us, m.EV_GUARD, 0, m.G_TRIPPED))
        else:
            board.now, closed = (0, 0), True
        message = wishes.request(now_us)
        if message is not None:
            assert now_us - last_us >= SEND_US
            last_us, sent = now_us, sent + 1
            wishes.answered(m.Answer(1, m.E_STATE, 0) if closed else board.take(message))
    assert sent <= len(story) + 3
    if wanted is None:
        assert not sent
    elif not closed and "lost session" not in story:
        mask = (1 << count) - 1
        assert board.now == (wanted[0] & mask, wanted[1] & mask)
        assert wishes.lacking() == tuple(n for n in range(count + 1, 17) if wanted[0] >> n - 1 & 1)
