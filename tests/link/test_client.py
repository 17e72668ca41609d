"""The client against the real firmware on the bench, and against lines on which things go wrong."""

from __future__ import annotations

import os
import pty
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.link.client import HELLO_US, Client
from demo_ctl.link.loop import Heard
from demo_ctl.link.port import Port, add_url_package, open_port
from demo_ctl.terms.errors import InputError, LinkError
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m
from demo_ctl.wire.board_session import BoardSession
from demo_ctl.wire.codec import encode
from demo_ctl.wire.framing import frame

UNIT = Path(__file__).resolve().parents[2] / "configs" / "units" / "travelling.yaml"
step = m.Instruction
ROLES = (m.CALLING, m.CALLED)
HOLD = [step(m.OP_LOOP, 1, 1, 0, 0), step(m.OP_WAIT, 0, 0, 60_000_000, 0), step(m.OP_LOOP, 1, 0, 0, 0)]


@pytest.fixture
def bench() -> Iterator[Port]:
    add_url_package("demo_ctl.bench")
    port = open_port(f"bench://?unit={UNIT}")
    yield port
    port.close()


def follow(client: Client, until: Callable[[Heard], bool], most_us: int = 120_000_000) -> list[Heard]:
    heard: list[Heard] = []
    give_up_us = client.now_us() + most_us
    while not (heard and until(heard[-1])):
        assert client.now_us() < give_up_us, heard
        for item in client.poll(100_000):
            heard.append(item)
            if until(item):
                break
    return heard


def over(item: Heard) -> bool:
    return isinstance(item, m.Event) and item.kind == m.EV_PLAN and item.value & 0xFF in (m.FINISHED, m.ENDED_EARLY)


def running(item: Heard) -> bool:
    return isinstance(item, m.Event) and item.kind == m.EV_PLAN and item.value == m.RUNNING


def events(heard: list[Heard]) -> list[m.Event]:
    return [item for item in heard if isinstance(item, m.Event)]


def started(port: Port, program: list[m.Instruction] = HOLD) -> Client:
    client = Client(port)
    client.hello()
    client.upload(7, program, ROLES)
    client.start(7)
    return client


def test_a_timeline_is_uploaded_run_and_told_in_order(bench: Port) -> None:
    """More instructions than a LOAD frame holds, audio, and a gate."""
    waits = [step(m.OP_WAIT, 0, 0, 10_000 + n, 0) for n in range(3 * m.LOAD_MOST)]
    program = [
        step(m.OP_LOOP, 1, 1, 0, 0),
        step(m.OP_LISTEN, 1, 1, 0, 0),
        *waits,
        step(m.OP_GATE, 0, 3, 30_000_000, 1),
        step(m.OP_LISTEN, 1, 0, 0, 0),
        step(m.OP_LOOP, 1, 0, 0, 0),
    ]
    gate = 2 + len(waits)
    client = started(bench, program)
    heard = follow(client, lambda item: isinstance(item, m.Event) and (item.kind, item.value) == (m.EV_BEGAN, gate))
    assert client.go(2) is False  # another gate than the one that waits
    assert client.go(3) is True
    heard += follow(client, over)
    told = events(heard)
    assert [event.number for event in told] == list(range(len(told)))
    assert told[0].kind == m.EV_BOOT
    ended = [event for event in told if event.kind == m.EV_ENDED]
    assert [event.value for event in ended] == [
        index | (m.OPENED if index == gate else m.DONE) << 16 for index in range(len(program))
    ]
    lasted_us = sum(10_000 + n for n in range(len(waits)))
    assert ended[gate - 1].at_us - ended[1].at_us == lasted_us
    assert told[-1].value == m.FINISHED
    blocks = [item for item in heard if isinstance(item, m.Audio)]
    assert [block.first for block in blocks] == [n * m.AUDIO_BLOCK for n in range(len(blocks))]
    assert len(blocks) >= lasted_us // m.AUDIO_BLOCK_US - 1
    assert client.go(3) is False  # the plan is over


def test_heartbeats_keep_a_plan_running_while_the_caller_polls(bench: Port) -> None:
    client = started(bench, [step(m.OP_WAIT, 0, 0, 20_000_000, 0)])
    told = events(follow(client, over))
    assert told[-1].value == m.FINISHED


def test_a_caller_that_does_not_come_back_is_a_silent_host(bench: Port) -> None:
    """The heartbeat vouches for the loop that handles events: no loop, no heartbeat."""
    client = started(bench)
    follow(client, running)
    while client.now_us() < 5_000_000:  # the caller waits for something else
        bench.read(5_000_000)
    # The session's events are lost with it, but heartbeats are answered and say how it is.
    follow(client, lambda item: isinstance(item, m.Beat) and item.plan_state == m.ENDED_EARLY)
    assert client.status().reason == m.R_SILENCE


def test_stop_ends_the_plan_and_may_be_said_again(bench: Port) -> None:
    client = started(bench)
    follow(client, running)
    client.stop()
    told = events(follow(client, over))
    assert told[-1].value == m.ENDED_EARLY | m.R_STOP << 8
    client.stop()
    assert client.status().plan_state == m.ENDED_EARLY


def test_a_new_hello_begins_a_new_session(bench: Port) -> None:
    client = started(bench)
    follow(client, running)
    first = client.welcome
    again = client.hello()
    assert first is not None
    assert again.boot == first.boot
    assert client.status().reason == m.R_NEW_HELLO
    client.upload(8, [step(m.OP_WAIT, 0, 0, 1000, 0)], ROLES)
    client.start(8)
    assert events(follow(client, over))[-1].value == m.FINISHED


def test_a_refusal_says_what_was_refused_and_breaks_nothing(bench: Port) -> None:
    client = Client(bench)
    client.hello()
    with pytest.raises(LinkError, match="refuses the start: not possible in this state"):
        client.start(99)
    with pytest.raises(LinkError, match="never loosened"):
        client.tighten(m.L_HEARTBEAT_MS, 5000)
    client.tighten(m.L_HEARTBEAT_MS, 500)
    with pytest.raises(LinkError, match="refuses the upload") as caught:
        client.upload(1, [step(m.OP_WAIT, 0, 0, 1, 0)] * 1000, ROLES)
    assert "shorter" in caught.value.next_step
    client.upload(1, [step(m.OP_WAIT, 0, 0, 1, 0)], ROLES)


def test_a_board_reset_in_the_middle_is_noticed_and_stays_noticed(bench: Port) -> None:
    client = started(bench)
    follow(client, running)
    follow(client, lambda item: isinstance(item, m.Beat) and item.now_us > 1_000_000)
    bench._line.world.reset_board()
    with pytest.raises(LinkError, match="reset in the middle") as caught:
        follow(client, over)
    for again in (client.hello, client.status, client.stop, client.keep_alive, lambda: client.poll(0)):
        with pytest.raises(LinkError) as later:
            again()
        assert later.value is caught.value


def test_a_cable_pulled_in_the_middle(bench: Port) -> None:
    client = started(bench)
    follow(client, running)
    bench._line.unplug()
    with pytest.raises(LinkError, match="vanished in use") as caught:
        follow(client, over)
    with pytest.raises(LinkError) as later:
        client.stop()
    assert later.value is caught.value


class Line:
    """A port with a clock of its own, on which `board` answers: bytes in, bytes out, nothing waits in real time."""

    url = "line"

    def __init__(self, board: Callable[[bytes, int], bytes]) -> None:
        self.board = board
        self.now = 0
        self.waiting = b""

    def clock_us(self) -> int:
        return self.now

    def read(self, until_us: int) -> bytes:
        data, self.waiting = self.waiting[:64], self.waiting[64:]
        data = data or self.board(b"", self.now)
        self.now = self.now + 1000 if data else max(self.now + 1000, until_us)
        return data

    def write(self, data: bytes) -> None:
        self.waiting += self.board(data, self.now)

    def close(self) -> None:
        pass


def test_nothing_answers() -> None:
    line = Line(lambda data, now_us: b"")
    with pytest.raises(LinkError, match="nothing answers") as caught:
        Client(line).hello()
    assert caught.value.exit_code is Exit.BOARD_TROUBLE
    assert "demo_ctl/board" in caught.value.next_step
    assert HELLO_US <= line.now < 2 * HELLO_US


def test_a_flood_of_garbage_is_no_board_and_no_endless_wait() -> None:
    line = Line(lambda data, now_us: bytes((now_us // 7 + n * n) & 0xFF for n in range(64)))
    with pytest.raises(LinkError, match="something talks on line") as caught:
        Client(line).hello()
    assert "right port" in caught.value.next_step
    assert line.now < 2 * HELLO_US


def test_our_own_echo_is_no_board() -> None:
    with pytest.raises(LinkError, match="something talks on line"):
        Client(Line(lambda data, now_us: data)).hello()


class Board:
    """The board's real session under a hello that the test decides about."""

    def __init__(self, **changed: Any) -> None:
        self.session = BoardSession()
        self.changed = changed
        self.old_text = b"MPY: soft reboot\r\nTraceback (most recent call last):\r\n\0" + b"\x05\x01half a frame"

    def __call__(self, data: bytes, now_us: int) -> bytes:
        self.session.feed(data, now_us)
        while (got := self.session.take()) is not None:
            sequence, message = got
            if isinstance(message, m.Hello):
                self.greet(sequence, message, now_us)
        text, self.old_text = self.old_text, b""
        return text + bytes(self.session.outgoing(4096))

    def greet(self, sequence: int, hello: m.Hello, now_us: int) -> None:
        if "code" in self.changed:
            self.session.answer(sequence, self.changed["code"], 1)
            return
        fields = [m.PROTOCOL, m.TABLE_HASH, hello.nonce, 5, now_us, 256, 4, 0, 300, 600, 90000, *[100] * 9]
        self.session.send(m.Welcome(*fields)._replace(**self.changed))


def test_old_text_on_the_line_is_passed_over() -> None:
    assert Client(Line(Board())).hello().boot == 5


@pytest.mark.parametrize("changed", [{"code": m.E_VERSION}, {"table": 1}, {"protocol": 9}, {"code": m.E_UNKNOWN}])
def test_another_firmware_is_refused_with_what_to_do(changed: dict[str, int]) -> None:
    client = Client(Line(Board(**changed)))
    with pytest.raises(LinkError, match="does not belong to this program") as caught:
        client.hello()
    assert "demo_ctl/wire and demo_ctl/board" in caught.value.next_step
    with pytest.raises(LinkError) as later:
        client.hello()
    assert later.value is caught.value


def test_a_board_that_falls_silent_is_given_up() -> None:
    board = Board()
    line = Line(board)
    client = Client(line)
    client.hello()
    line.board = lambda data, now_us: b""
    began_us = line.now
    with pytest.raises(LinkError, match="fell silent") as caught:
        follow(client, over)
    assert "releases the line by itself" in caught.value.next_step
    assert line.now < began_us + 2_500_000


def test_a_board_that_falls_silent_because_it_booted_is_told_apart() -> None:
    line = Line(Board())
    client = Client(line)
    client.hello()
    line.board = Board(boot=6)  # it answers hello, and no heartbeat of an unknown session
    with pytest.raises(LinkError, match="reset in the middle"):
        follow(client, over)


class Answering(Board):
    """A board that answers SafetyRequest with its clock `safety_us`, and sends a beat of `beat_us` right behind it."""

    def __init__(self, safety_us: int, beat_us: int) -> None:
        super().__init__()
        self.safety_us, self.beat_us = safety_us, beat_us

    def __call__(self, data: bytes, now_us: int) -> bytes:
        self.session.feed(data, now_us)
        while (got := self.session.take()) is not None:
            sequence, message = got
            if isinstance(message, m.Hello):
                self.greet(sequence, message, 1000)
            elif isinstance(message, m.SafetyRequest):
                fields = {**dict.fromkeys(m.Safety._fields, 0), "nonce": message.nonce, "now_us": self.safety_us}
                self.session.send(m.Safety(**fields))
                self.session.send(m.Beat(self.beat_us, m.IDLE, m.G_SAFE, 0))
        return bytes(self.session.outgoing(4096))


def test_an_account_read_together_with_a_later_beat_is_no_reset() -> None:
    """A busy computer reads both at once: the beat is the later word, and neither clock has gone back."""
    client = Client(Line(Answering(safety_us=5000, beat_us=5001)))
    client.hello()
    assert client.safety().now_us == 5000


def test_an_account_from_before_what_was_known_when_it_was_asked_is_a_reset() -> None:
    board = Answering(safety_us=5000, beat_us=5001)
    client = Client(Line(board))
    client.hello()
    client.safety()
    board.safety_us, board.beat_us = 4000, 6000
    with pytest.raises(LinkError, match="reset in the middle"):
        client.safety()


def test_a_computer_that_was_held_up_for_longer_than_the_board_waits_says_so(bench: Port) -> None:
    client = Client(bench)
    client.hello()
    assert client.held_up() is None
    client.poll(0)
    until_us = bench.clock_us() + 400_000
    while bench.clock_us() < until_us:
        bench.read(until_us)
    client.safety()
    assert client.held_up() is None  # a second's half does nothing
    until_us = bench.clock_us() + 900_000
    while bench.clock_us() < until_us:
        bench.read(until_us)
    client.safety()
    trouble = client.held_up()
    assert trouble is not None
    assert "said nothing for 0.9 s" in trouble.what
    client.hello()
    assert client.held_up() is None


def test_a_second_boot_event_within_a_session_is_a_reset() -> None:
    line = Line(Board())
    client = Client(line)
    client.hello()
    line.waiting = b"".join(frame(encode(0, m.Event(n, 5, m.EV_BOOT, 0, 0))) for n in range(2))
    with pytest.raises(LinkError, match="reset in the middle"):
        client.poll(100_000)


def test_over_a_pseudo_terminal(bench: Port) -> None:
    """The same client over a real terminal line, the bench's bytes relayed by a thread on the bench's free clock."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    ending = threading.Event()

    def relay() -> None:
        import select

        while not ending.is_set():
            if select.select([master], [], [], 0.002)[0]:
                bench.write(os.read(master, 4096))
            data = bench.read(bench.clock_us() + 2_000)
            if data:
                os.write(master, data)

    thread = threading.Thread(target=relay)
    thread.start()
    try:
        port = open_port(os.ttyname(slave))
        client = Client(port)
        assert client.hello().ports == 4
        client.upload(3, [step(m.OP_LOOP, 1, 1, 0, 0), step(m.OP_WAIT, 0, 0, 300_000, 0)], ROLES)
        client.start(3)
        assert events(follow(client, over))[-1].value == m.FINISHED
        port.close()
    finally:
        ending.set()
        thread.join()
        os.close(master)
        os.close(slave)


# -- the guard ----------------------------------------------------------------------------------------------


def test_the_guard_tells_how_it_stands(bench: Port) -> None:
    client = Client(bench)
    client.hello()
    safety = client.safety()
    assert (safety.state, safety.obstacle, safety.trips) == (m.G_SAFE, m.R_NONE, 0)
    assert safety.board == bench._line.world.hardware.board
    assert client.welcome is not None
    assert safety.now_us >= client.welcome.now_us
    assert client.trips() == []


def test_limits_in_force_come_with_the_digest_that_is_theirs_and_tighten_only(bench: Port) -> None:
    client = Client(bench)
    client.hello()
    before = client.limits_in_force()
    assert list(before.values) == list(m.LIMIT_NAMES)
    assert before.value(m.L_HEARTBEAT_MS) == 600
    client.tighten(m.L_WINDOW_MS, 30_000)
    after = client.limits_in_force()
    assert after.value(m.L_WINDOW_MS) == 30_000
    assert {name for name in m.LIMIT_NAMES if before.values[name] != after.values[name]} == {"window ms"}
    assert before.digest != after.digest
    with pytest.raises(LinkError, match=r"refuses 30001 as its limit of window ms.*never loosened"):
        client.tighten(m.L_WINDOW_MS, 30_001)
    with pytest.raises(InputError, match="takes no 1 as its limit of pump us"):  # a constant of the firmware
        client.tighten(m.L_PUMP_US, 1)
    assert client.limits_in_force() == after


def test_limits_that_do_not_fit_their_digest_are_not_believed(bench: Port) -> None:
    client = Client(bench)
    welcome = client.hello()
    client.limits_in_force()
    client.welcome = welcome._replace(firmware=welcome.firmware + 1)  # the digest is of the firmware, too
    with pytest.raises(LinkError, match="do not belong to the digest"):
        client.limits_in_force()


def test_trips_come_newest_first(bench: Port) -> None:
    hardware = bench._line.world.hardware
    ring = [
        step(m.OP_WAIT, 0, 0, 300_000, 0),
        step(m.OP_RINGING, 2, 1, 5_000_000, 0),
        step(m.OP_WAIT, 0, 0, 4_000_000, 0),
    ]
    client = started(bench, ring)
    live = m.G_LIVE
    follow(client, lambda item: isinstance(item, m.Event) and (item.kind, item.value & 0xFF) == (m.EV_GUARD, live))
    hardware.open_cover()
    follow(client, over)
    assert [trip.reason for trip in client.trips()] == [m.R_CHAIN]
    hardware.close_cover()
    for position in ("off", "day"):
        hardware.turn_key(position)
        until_us = client.now_us() + 300_000
        while client.now_us() < until_us:
            client.poll(100_000)
    client.upload(8, ring, ROLES)
    client.start(8)
    follow(client, lambda item: isinstance(item, m.Event) and (item.kind, item.value & 0xFF) == (m.EV_GUARD, live))
    hardware.break_part("relay-a-dead")
    hardware.break_part("bus-sense-dead")
    follow(client, over)
    trips = client.trips()
    assert [trip.reason for trip in trips][1:] == [m.R_CHAIN]
    assert trips[0].at_us > trips[1].at_us
    assert [trip.back for trip in trips] == [0, 1]


def test_a_silence_on_purpose_is_silence_and_the_board_lets_go(bench: Port) -> None:
    client = started(bench)
    follow(client, running)
    written: list[bytes] = []
    bench.write = written.append  # type: ignore[method-assign, assignment]
    client.say_nothing(1_500_000)
    assert written == []
    del bench.write
    assert client.hello().boot
    assert client.status().reason == m.R_SILENCE


def test_no_supply_permit_by_day_and_the_board_says_why(bench: Port) -> None:
    client = Client(bench)
    client.hello()
    with pytest.raises(LinkError, match=r"no supply permit: the key is off, or not at the position"):
        client.permit(5_000)
    bench._line.world.hardware.turn_key("night")
    follow(client, lambda item: isinstance(item, m.Event) and item.kind == m.EV_INPUTS)
    client.permit(5_000)
    assert client.safety().permit == 1
    client.permit(0)
    safety = client.safety()
    assert (safety.permit, safety.permit_reason) == (0, m.R_LEASE)
