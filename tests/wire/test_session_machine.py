"""Both ends joined by a line that loses, damages and cuts out bytes, in virtual time.

A serial line does not reorder. Whatever it does else: each command is performed at most once, each event comes out
once and in order, and when the line is well again everything that was owed arrives.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from demo_ctl.wire import messages as m
from demo_ctl.wire.board_session import QUEUE, BoardSession
from demo_ctl.wire.host_session import RETRY_US, TRIES, HostLost, HostSession

HEARTBEAT_US = 200_000
BOARD_SILENCE_US = 600_000  # then the board gives the host up
HOST_SILENCE_US = 1_000_000  # and the host the board


@dataclass
class Board:
    """The least firmware that keeps the session's rules."""

    session: BoardSession = field(default_factory=BoardSession)
    nonce: int | None = None
    heard_us: int = 0
    performed: list[int] = field(default_factory=list)  # gates of Go
    posted: dict[int, list[int]] = field(default_factory=dict)  # nonce -> values of events, in order

    def step(self, now_us: int) -> None:
        self.session.tick(now_us)
        if self.nonce is not None and now_us - self.heard_us > BOARD_SILENCE_US:
            self.nonce = None
            self.session.close()
        while (got := self.session.take()) is not None:
            sequence, message = got
            self.heard_us = now_us
            if isinstance(message, m.Hello):
                if message.nonce != self.nonce:
                    self.nonce = message.nonce
                    self.posted[message.nonce] = []
                    self.session.open()
                self.session.send(m.Welcome(m.PROTOCOL, m.TABLE_HASH, message.nonce, 1, now_us, *[0] * 15))
            elif isinstance(message, m.Heartbeat):
                if self.nonce is not None:
                    self.session.send(m.Beat(now_us, 0, 0, 0))
            elif isinstance(message, m.StatusRequest):
                self.session.send(m.Status(message.nonce, now_us, *[0] * 7))
            elif isinstance(message, m.Go):
                self.performed.append(message.gate)
                self.session.answer(sequence, m.OK, message.gate)

    def post(self, now_us: int, value: int) -> None:
        if self.session.post(now_us, m.EV_EDGE, 1, value) and self.nonce is not None:
            self.posted[self.nonce].append(value)


@dataclass
class Host:
    """The least client: heartbeats, one command at a time, a new hello when the board is lost."""

    session: HostSession = field(default_factory=HostSession)
    nonce: int = 0
    begun: int = 0
    beat_us: int = 0
    heard_us: int | None = None  # the last beat; None before the welcome
    asked: Any = None
    answered: list[int] = field(default_factory=list)
    got: list[int] = field(default_factory=list)
    lost: int = 0

    def hello(self, now_us: int) -> None:
        self.begun += 1
        self.nonce = self.begun * 0x01010101 & 0xFFFF_FFFF
        self.session = HostSession()
        self.got = []
        self.heard_us = None
        self.ask(m.Hello(m.PROTOCOL, m.TABLE_HASH, self.nonce), now_us)

    def ask(self, message: Any, now_us: int) -> None:
        self.asked = message
        self.session.request(message, now_us)

    def turn(self, now_us: int) -> bytes:
        try:
            self.session.tick(now_us)
        except HostLost:
            self.lost += 1
            self.hello(now_us)
        if self.heard_us is not None and now_us - self.heard_us > HOST_SILENCE_US:
            self.hello(now_us)
        if now_us >= self.beat_us:
            self.session.heartbeat(now_us)
            self.beat_us = now_us + HEARTBEAT_US
        return self.session.outgoing()

    def take(self, data: bytes, now_us: int) -> None:
        for message in self.session.feed(data, now_us):
            if isinstance(message, m.Event):
                assert message.number == len(self.got)
                self.got.append(message.value)
            elif isinstance(message, m.Beat) and self.heard_us is not None:
                self.heard_us = now_us
        answered = self.session.answered
        if self.asked is not None and answered is not None:
            if isinstance(self.asked, m.Go):
                assert answered == m.Answer(answered[0], m.OK, self.asked.gate)
                self.answered.append(self.asked.gate)
            elif isinstance(self.asked, m.Hello):
                assert isinstance(answered, m.Welcome)
                self.heard_us = now_us
            else:
                assert isinstance(answered, m.Status)
            self.asked = None


# What a line does to the bytes that cross it in one turn: a list of (what, where, how much).
damage = st.lists(
    st.tuples(
        st.sampled_from(["cut out", "flip", "insert", "burst", "cut short", "lose all"]),
        st.integers(0, 300),
        st.integers(1, 40),
    ),
    max_size=3,
)
clean: list[tuple[str, int, int]] = []


def cross(data: bytes, harm: list[tuple[str, int, int]]) -> bytes:
    for what, where, much in harm:
        at = where % (len(data) + 1)
        if what == "cut out":  # the ends close up: two frames may be spliced
            data = data[:at] + data[at + much :]
        elif what == "flip" and at < len(data):
            data = data[:at] + bytes([data[at] ^ 1 << much % 8]) + data[at + 1 :]
        elif what == "insert":
            data = data[:at] + bytes((where * 7 + n * 31) % 256 for n in range(much)) + data[at:]
        elif what == "burst":
            data = data[:at] + bytes(byte ^ (0x5A + much) % 256 for byte in data[at : at + 4]) + data[at + 4 :]
        elif what == "cut short":
            data = data[:at]
        elif what == "lose all":
            data = b""
    return data


class Joined(RuleBasedStateMachine):
    """Host and board on a bad line."""

    def __init__(self) -> None:
        super().__init__()
        self.now_us = 0
        self.board = Board()
        self.host = Host()
        self.asked_gates: list[int] = []
        self.value = 0

    def pass_time(
        self, step_us: int, up: list[tuple[str, int, int]], down: list[tuple[str, int, int]], space: int
    ) -> None:
        self.now_us += step_us
        self.board.session.feed(cross(self.host.turn(self.now_us), up), self.now_us)
        self.board.step(self.now_us)
        out = self.board.session.outgoing(space)
        assert len(out) <= space
        self.host.take(cross(out, down), self.now_us)

    @initialize()
    def begin(self) -> None:
        self.host.hello(self.now_us)

    @precondition(lambda self: self.host.asked is None)
    @rule()
    def command(self) -> None:
        gate = len(self.asked_gates)
        self.asked_gates.append(gate)
        self.host.ask(m.Go(gate), self.now_us)

    @precondition(lambda self: self.host.asked is None)
    @rule(nonce=st.integers(0, 3))
    def question(self, nonce: int) -> None:
        self.host.ask(m.StatusRequest(nonce), self.now_us)

    @rule(many=st.sampled_from([1, 1, 2, 5, 20, 100, 300]))
    def happenings(self, many: int) -> None:
        for _ in range(many):
            self.value += 1
            self.board.post(self.now_us, self.value)

    @rule()
    def sound(self) -> None:
        self.board.session.offer_audio(0, self.now_us, 1, b"\x00\x08" * m.AUDIO_BLOCK)

    @rule(step_us=st.integers(0, 60_000), up=damage, down=damage, space=st.integers(0, 2000))
    def bad_line(self, step_us: int, up: Any, down: Any, space: int) -> None:
        self.pass_time(step_us, up, down, space)

    @rule(turns=st.integers(1, 30), step_us=st.integers(1000, 50_000))
    def good_line(self, turns: int, step_us: int) -> None:
        for _ in range(turns):
            self.pass_time(step_us, clean, clean, 600)

    @rule(turns=st.integers(1, 30))
    def dead_line(self, turns: int) -> None:
        for _ in range(turns):
            self.pass_time(50_000, [("lose all", 0, 1)], [("lose all", 0, 1)], 600)

    @rule()
    def another_host(self) -> None:
        self.host.asked = None
        self.host.hello(self.now_us)

    @invariant()
    def each_command_at_most_once(self) -> None:
        performed = self.board.performed
        assert performed == sorted(set(performed))  # none twice, and in the order in which they were asked

    @invariant()
    def what_was_answered_was_performed(self) -> None:
        assert set(self.host.answered) <= set(self.board.performed)
        assert self.host.answered == sorted(set(self.host.answered))

    @invariant()
    def events_once_and_in_order(self) -> None:
        posted = self.board.posted.get(self.host.nonce, [])
        assert self.host.got == posted[: len(self.host.got)]

    def teardown(self) -> None:
        # The line is well again: five seconds later nothing is owed.
        for _ in range(500):
            self.pass_time(10_000, clean, clean, 600)
        assert self.host.asked is None
        assert self.board.nonce == self.host.nonce
        assert self.host.got == self.board.posted[self.host.nonce]
        assert self.board.session.outgoing(1 << 20) == b""
        assert self.board.session.next_deadline() is None
        for value in range(QUEUE):  # all room is free again
            assert self.board.session.post(0, 1, 1, value)


TestJoined = Joined.TestCase
TestJoined.settings = settings(max_examples=60, stateful_step_count=30, deadline=None)


@settings(deadline=None)
@given(st.integers(0, 1 << 40), st.lists(st.integers(1, 70_000), max_size=40))
def test_a_dead_line_is_known_after_a_second(begun_us: int, looks: list[int]) -> None:
    """The last try's time is up TRIES * RETRY_US after the request, however often one looks."""
    session = HostSession()
    session.request(m.Hello(m.PROTOCOL, m.TABLE_HASH, 1), begun_us)
    end_us = begun_us + TRIES * RETRY_US
    tries = session.outgoing().count(0)
    times = set()
    now_us = begun_us
    for look in looks:
        now_us += look
        times.add(now_us)
    while True:
        deadline = session.next_deadline()
        assert deadline is not None
        now_us = min([deadline, *times])
        times.discard(now_us)
        try:
            session.tick(now_us)
        except HostLost:
            break
        tries += session.outgoing().count(0)
    assert now_us == end_us
    assert tries == TRIES


def _run(seed_bytes: bytes, extra: frozenset[int]) -> list[tuple[int, str, bytes]]:
    """Play one scripted story with both sides woken only when due (and at `extra` instants); return all traffic."""
    board, host = Board(), Host()
    host.hello(0)
    posts = {20_000 + 17_000 * n: byte for n, byte in enumerate(seed_bytes)}
    flight: list[tuple[int, str, bytes]] = []
    traffic: list[tuple[int, str, bytes]] = []
    now_us, end_us, number = 0, 2_500_000, 0
    while now_us < end_us:
        for arrival in [one for one in flight if one[0] == now_us]:
            flight.remove(arrival)
            if arrival[1] == "up":
                board.session.feed(arrival[2], now_us)
            else:
                host.take(arrival[2], now_us)
        if now_us in posts:
            for value in range(posts.pop(now_us) % 5):
                board.post(now_us, value)
        if host.asked is None and now_us % 50_000 == 0:
            host.ask(m.Go(number), now_us)
            number += 1
        board.step(now_us)
        for way, data in (("up", host.turn(now_us)), ("down", board.session.outgoing(10_000))):
            if data:
                traffic.append((now_us, way, data))
                byte = seed_bytes[(now_us // 1000) % len(seed_bytes)]
                if byte % 4:  # every fourth or so is lost on the way
                    flight.append((now_us + 900 + byte * 40, way, data))
        due = [one[0] for one in flight] + list(posts) + [now_us // 50_000 * 50_000 + 50_000, host.beat_us]
        due += [at for at in (board.session.next_deadline(), host.session.next_deadline()) if at is not None]
        if host.heard_us is not None:
            due.append(host.heard_us + HOST_SILENCE_US + 1)
        if board.nonce is not None:
            due.append(board.heard_us + BOARD_SILENCE_US + 1)
        due += [at for at in extra if at > now_us]
        now_us = min(at for at in due if at > now_us)
    return traffic


@settings(deadline=None, max_examples=40)
@given(st.binary(min_size=10, max_size=60), st.frozensets(st.integers(1, 2_499_999), max_size=30))
def test_looking_more_often_changes_nothing(story: bytes, extra: frozenset[int]) -> None:
    assert _run(story, extra) == _run(story, frozenset())
