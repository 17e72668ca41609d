"""Both ends of the session, one rule at a time."""

from __future__ import annotations

import tracemalloc
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.wire import messages as m
from demo_ctl.wire.board_session import AUDIO_YIELDS, QUEUE, RESEND_US, BoardSession
from demo_ctl.wire.codec import decode, encode
from demo_ctl.wire.framing import Deframer, frame
from demo_ctl.wire.host_session import ACK_EVENTS, ACK_US, ASK_US, RETRY_US, TRIES, HostLost, HostSession

relaxed = settings(deadline=None)
HELLO = m.Hello(m.PROTOCOL, m.TABLE_HASH, 0x1234)


def welcome(nonce: int = HELLO.nonce, now_us: int = 0) -> m.Welcome:
    return m.Welcome(m.PROTOCOL, m.TABLE_HASH, nonce, 7, now_us, *[1] * 15)


def sent(data: bytes) -> list[Any]:
    """What these bytes say; they must be whole frames."""
    deframer = Deframer()
    payloads = deframer.feed(data)
    assert deframer.bad == 0
    assert not data or data[-1] == 0
    return [decode(payload)[1] for payload in payloads]


def from_host(message: object, sequence: int = 0) -> bytes:
    return frame(encode(sequence, message))


def open_board() -> BoardSession:
    board = BoardSession()
    board.open()
    return board


def open_host() -> HostSession:
    host = HostSession()
    host.request(HELLO, 0)
    host.outgoing()
    assert host.feed(frame(encode(0, welcome())), 0) == [welcome()]
    return host


def event(number: int) -> m.Event:
    return m.Event(number, 1000 * number, m.EV_EDGE, 1, 0)


def events(*numbers: int) -> bytes:
    return b"".join(frame(encode(0, event(number))) for number in numbers)


# -- commands, the board's end ----------------------------------------------------------------------------


def test_a_command_is_performed_once_and_answered_each_time() -> None:
    board = BoardSession()
    board.feed(from_host(m.Start(9), 5), 0)
    assert board.take() == (5, m.Start(9))
    board.answer(5, m.E_STATE, 3)
    first = board.outgoing(999)
    assert sent(first) == [m.Answer(5, m.E_STATE, 3)]
    for _ in range(3):
        board.feed(from_host(m.Start(9), 5), 0)
        assert board.take() is None
        assert board.outgoing(999) == first


def test_repeated_before_it_was_answered() -> None:
    board = BoardSession()
    board.feed(from_host(m.Start(9), 5) * 3, 0)
    assert board.take() == (5, m.Start(9))
    assert board.take() is None
    assert board.outgoing(999) == b""
    board.answer(5, m.OK)
    assert sent(board.outgoing(999)) == [m.Answer(5, m.OK, 0)]


def test_each_command_has_its_own_answer() -> None:
    board = BoardSession()
    for number in range(3):
        command = from_host(m.Start(number), number)
        board.feed(command, 0)
        assert board.take() == (number, m.Start(number))
        board.feed(command, 0)
        assert board.outgoing(999) == b""  # in particular not the answer of the command before
        board.answer(number, m.E_STATE, number)
        for _ in range(2):
            assert sent(board.outgoing(999)) == [m.Answer(number, m.E_STATE, number)]
            board.feed(command, 0)
        assert board.take() is None
        board.outgoing(999)


@pytest.mark.parametrize("other", [from_host(m.Start(9), 6), from_host(m.Start(8), 5), from_host(m.Go(9), 5)])
def test_another_command_is_another_command(other: bytes) -> None:
    board = BoardSession()
    board.feed(from_host(m.Start(9), 5), 0)
    board.take()
    board.answer(5, m.OK)
    board.feed(other, 0)
    assert board.take() is not None


def test_heartbeats_between_do_not_make_a_repetition_new() -> None:
    board = BoardSession()
    board.feed(from_host(m.Start(9), 5), 0)
    board.take()
    board.answer(5, m.OK)
    board.feed(from_host(m.Heartbeat(0)) + from_host(m.EventAck(0, 0)) + from_host(m.Start(9), 5), 0)
    assert [board.take(), board.take(), board.take()] == [(0, m.Heartbeat(0)), (0, m.EventAck(0, 0)), None]


def test_hello_again_gets_its_welcome_again_with_the_time_of_now() -> None:
    board = BoardSession()
    board.feed(from_host(HELLO, 3), 1000)
    assert board.take() == (3, HELLO)
    board.open()
    board.send(welcome(now_us=1000))
    assert sent(board.outgoing(999)) == [welcome(now_us=1000)]
    board.post(1, m.EV_BOOT, 0, 0)
    board.feed(from_host(HELLO, 3), 250_000)
    assert board.take() is None  # so nobody opens the session anew
    assert sent(board.outgoing(999)) == [welcome(now_us=250_000), m.Event(0, 1, m.EV_BOOT, 0, 0)]


def test_another_nonce_is_another_hello() -> None:
    board = BoardSession()
    board.feed(from_host(HELLO, 3), 0)
    board.take()
    board.send(welcome())
    other = HELLO._replace(nonce=99)
    board.feed(from_host(other, 3), 0)
    assert board.take() == (3, other)


def test_hello_again_after_the_board_gave_the_host_up_opens_anew() -> None:
    """The welcome was lost, the silence was too long and the board closed: the same hello must count once more."""
    board = BoardSession()
    board.feed(from_host(HELLO, 3), 0)
    board.take()
    board.open()
    board.send(welcome())
    board.outgoing(999)
    board.close()
    board.feed(from_host(HELLO, 3), 700_000)
    assert board.take() == (3, HELLO)


def test_a_command_performed_before_the_board_gave_the_host_up_stays_performed() -> None:
    board = open_board()
    board.feed(from_host(m.Start(9), 5), 0)
    board.take()
    board.answer(5, m.OK)
    board.close()
    board.outgoing(999)
    board.feed(from_host(m.Start(9), 5), 700_000)
    assert board.take() is None
    assert sent(board.outgoing(999)) == [m.Answer(5, m.OK, 0)]


def test_status_answers_its_request_again() -> None:
    board = BoardSession()
    status = m.Status(77, 5, 1, 0, 0, 0, 0, 0, 0)
    board.feed(from_host(m.StatusRequest(77), 8), 0)
    board.take()
    board.send(status)
    board.feed(from_host(m.StatusRequest(77), 8), 0)
    assert board.take() is None
    assert sent(board.outgoing(999)) == [status]  # not yet sent: once is enough
    board.feed(from_host(m.StatusRequest(77), 8), 0)
    assert sent(board.outgoing(999)) == [status]


def test_an_unknown_message_is_told_so() -> None:
    """A newer host's command: it arrived whole, so silence would be wrong."""
    board = BoardSession()
    board.feed(frame(bytes([0x33, 9, 1, 2, 3])) + frame(bytes([m.CODES[m.Start], 10])), 0)
    assert board.take() is None
    assert sent(board.outgoing(999)) == [m.Answer(9, m.E_UNKNOWN, 0x33), m.Answer(10, m.E_UNKNOWN, m.CODES[m.Start])]
    assert board.bad_frames == 2


def test_a_boards_own_echo_is_not_answered() -> None:
    board, other = BoardSession(), BoardSession()
    board.feed(frame(encode(0, m.Beat(1, 2, 3, 4))) + frame(bytes([0xC0, 0])) + frame(b"\x01"), 0)
    assert board.take() is None
    assert board.outgoing(999) == b""
    assert board.bad_frames == 3
    other.feed(b"garbage\0", 0)
    assert other.bad_frames == 1


def test_a_full_inbox_costs_no_command() -> None:
    board = BoardSession()
    board.feed(from_host(m.Heartbeat(0)) * 100 + from_host(m.Start(9), 5), 0)
    taken = []
    while (one := board.take()) is not None:
        taken.append(one[1])
    assert set(taken) == {m.Heartbeat(0)}
    board.feed(from_host(m.Start(9), 5), 200_000)  # the host's second try
    assert board.take() == (5, m.Start(9))


# -- events and sound, the board's end ---------------------------------------------------------------------


def test_events_are_numbered_kept_and_let_go() -> None:
    board = open_board()
    for number in range(QUEUE):
        assert board.post(1000 * number, m.EV_EDGE, 1, 0)
    assert not board.post(0, m.EV_EDGE, 1, 0)
    assert sent(board.outgoing(1 << 20)) == [event(number) for number in range(QUEUE)]
    assert not board.post(0, m.EV_EDGE, 1, 0)  # sent is not acknowledged
    board.feed(from_host(m.Heartbeat(2)), 0)
    assert board.post(1000 * QUEUE, m.EV_EDGE, 1, 0)
    assert board.post(1000 * (QUEUE + 1), m.EV_EDGE, 1, 0)
    assert not board.post(0, m.EV_EDGE, 1, 0)
    assert sent(board.outgoing(1 << 20)) == [event(QUEUE), event(QUEUE + 1)]


def test_nobody_there_means_no_events_and_no_overflow() -> None:
    board = BoardSession()
    for _ in range(2):
        for _ in range(2 * QUEUE):
            assert board.post(1, m.EV_EDGE, 1, 0)
        assert not board.offer_audio(0, 0, 1, bytes(4))
        assert board.outgoing(999) == b""
        assert board.next_deadline() is None
        board.open()
        assert board.post(0, m.EV_EDGE, 1, 0)
        assert sent(board.outgoing(999)) == [event(0)]
        board.post(0, m.EV_EDGE, 1, 0)
        board.close()


def test_after_300_ms_without_progress_events_are_sent_again() -> None:
    board = open_board()
    board.tick(1000)
    board.post(0, m.EV_EDGE, 1, 0)
    board.post(1000, m.EV_EDGE, 1, 0)
    assert board.next_deadline() is None  # nothing is on its way
    board.outgoing(999)
    assert board.next_deadline() == 1000 + RESEND_US
    board.tick(1000 + RESEND_US - 1)
    assert board.outgoing(999) == b""
    board.feed(from_host(m.EventAck(1, 0)), 200_000)
    assert board.next_deadline() == 200_000 + RESEND_US  # that was progress
    board.feed(from_host(m.EventAck(1, 0)), 300_000)
    assert board.next_deadline() == 200_000 + RESEND_US  # and that none
    board.tick(200_000 + RESEND_US)
    assert sent(board.outgoing(999)) == [event(1)]
    assert board.next_deadline() == 200_000 + 2 * RESEND_US
    board.feed(from_host(m.EventAck(2, 0)), 600_000)
    assert board.next_deadline() is None


def test_asked_to_resend_it_does_so_at_once() -> None:
    board = open_board()
    for number in range(5):
        board.post(1000 * number, m.EV_EDGE, 1, 0)
    board.outgoing(999)
    board.feed(from_host(m.EventAck(3, 1)), 0)
    assert sent(board.outgoing(999)) == [event(3), event(4)]


def test_an_acknowledgement_may_overtake_the_second_sending() -> None:
    board = open_board()
    for number in range(5):
        board.post(1000 * number, m.EV_EDGE, 1, 0)
    board.outgoing(999)
    board.tick(RESEND_US)
    board.feed(from_host(m.EventAck(4, 0)), RESEND_US)
    assert sent(board.outgoing(999)) == [event(4)]


@pytest.mark.parametrize("number", [0, 3, 4, 0xFFFF_FFFF])
def test_an_acknowledgement_of_what_was_never_sent_is_passed_over(number: int) -> None:
    board = open_board()
    for each in range(3):
        board.post(1000 * each, m.EV_EDGE, 1, 0)
    board.outgoing(60)  # room for two
    board.feed(from_host(m.Heartbeat(number)), 0)
    assert sent(board.outgoing(999)) == [event(2)]
    assert board.next_deadline() is not None


def test_answers_before_events_before_sound_and_never_more_than_there_is_space() -> None:
    board = open_board()
    block = bytes(2 * m.AUDIO_BLOCK)
    assert board.offer_audio(0, 0, 1, block)
    for number in range(3):
        board.post(1000 * number, m.EV_EDGE, 1, 0)
    board.answer(1, m.OK)
    parts = []
    for _ in range(100):
        part = board.outgoing(60)
        assert len(part) <= 60
        parts.append(part)
    assert sent(b"".join(parts)) == [m.Answer(1, m.OK, 0), event(0), event(1), event(2)]
    assert board.outgoing(248) == b""
    assert sent(board.outgoing(249)) == [m.Audio(0, 0, 1, block)]
    assert board.outgoing(999) == b""


def test_sound_is_dropped_first() -> None:
    board = open_board()
    assert board.offer_audio(0, 0, 1, bytes(4))
    assert not board.offer_audio(2, 0, 1, bytes(4))  # one waits already
    board.outgoing(999)
    for _ in range(AUDIO_YIELDS + 1):
        board.post(0, m.EV_EDGE, 1, 0)
    assert not board.offer_audio(4, 0, 1, bytes(4))  # many events wait: the line is behind
    assert sent(board.outgoing(30)) == [event(0)]
    assert board.offer_audio(5, 0, 1, bytes(4))  # a few do not stand in the way, but they go first
    assert [type(each) for each in sent(board.outgoing(999))] == [m.Event] * AUDIO_YIELDS + [m.Audio]
    assert board.offer_audio(6, 0, 1, bytes(4))  # sent and not yet acknowledged does not stand in the way
    board.outgoing(999)
    board.tick(RESEND_US)  # all of them again
    assert not board.offer_audio(8, 0, 1, bytes(4))


def test_only_the_newest_beat_waits_and_answers_find_room() -> None:
    board = BoardSession()
    for now_us in range(50):
        board.send(m.Beat(now_us, 0, 0, 0))
    board.answer(1, m.OK)
    assert sent(board.outgoing(999)) == [m.Beat(49, 0, 0, 0), m.Answer(1, m.OK, 0)]


# -- the host's end ----------------------------------------------------------------------------------------


def test_a_request_is_repeated_byte_for_byte_then_given_up() -> None:
    host = HostSession()
    host.request(HELLO, 1000)
    first = host.outgoing()
    assert sent(first) == [HELLO]
    for again in range(1, TRIES):
        assert host.next_deadline() == 1000 + again * RETRY_US
        host.tick(1000 + again * RETRY_US - 1)
        assert host.outgoing() == b""
        host.tick(1000 + again * RETRY_US)
        assert host.outgoing() == first
    host.tick(1000 + TRIES * RETRY_US - 1)
    for _ in range(2):  # and it stays lost
        with pytest.raises(HostLost, match="Hello after 5 tries"):
            host.tick(1000 + TRIES * RETRY_US)
    host.request(HELLO, 5_000_000)  # only a new hello begins again
    assert host.outgoing() == first


def test_a_new_hello_begins_everything_anew() -> None:
    host = open_host()
    host.feed(events(0, 1, 3), 0)
    again = HELLO._replace(nonce=99)
    host.request(again, 10)
    assert sent(host.outgoing())[0] == again
    # Not welcomed yet: this is the old session's.
    assert host.feed(events(2), 20) == []
    assert host.feed(frame(encode(0, welcome(99))) + events(0, 1), 30) == [welcome(99), event(0), event(1)]
    host.tick(30 + ACK_US)
    assert sent(host.outgoing()) == [m.EventAck(2, 0)]


def test_one_command_at_a_time() -> None:
    host = open_host()
    host.request(m.Start(1), 0)
    with pytest.raises(ValueError, match="still waiting"):
        host.request(m.Go(1), 0)


def test_each_command_has_the_next_sequence() -> None:
    host = open_host()
    previous = HELLO.nonce & 0xFF
    for gate in range(600):
        host.request(m.Go(gate), 0)
        ((sequence, message),) = [decode(payload) for payload in Deframer().feed(host.outgoing())]
        assert (sequence, message) == ((previous + 1) & 0xFF, m.Go(gate))
        late, mine = m.Answer(previous, m.OK, 1), m.Answer(sequence, m.OK, 2)
        assert host.feed(frame(encode(0, late)), 0) == [late]
        assert host.answered is None
        assert host.feed(frame(encode(0, mine)), 0) == [mine]
        assert host.answered == mine
        assert host.next_deadline() is None
        previous = sequence


def test_what_answers_what() -> None:
    host = HostSession()
    host.request(HELLO, 0)
    for other in (welcome(nonce=99), m.Answer(HELLO.nonce & 0xFF, m.OK, 0), m.Beat(0, 0, 0, 0)):
        assert host.feed(frame(encode(0, other)), 0) == [other]
        assert host.answered is None
    refusal = m.Answer(HELLO.nonce & 0xFF, m.E_VERSION, 0)
    host.feed(frame(encode(0, refusal)), 0)
    assert host.answered == refusal
    host.request(m.StatusRequest(5), 0)
    host.feed(frame(encode(0, m.Status(4, *[0] * 8))), 0)
    assert host.answered is None
    host.feed(frame(encode(0, m.Status(5, *[0] * 8))), 0)
    assert host.answered == m.Status(5, *[0] * 8)


def test_events_and_sound_of_another_session_are_passed_over() -> None:
    host = HostSession()
    host.request(HELLO, 0)
    stale = events(0, 1, 57) + frame(encode(0, m.Audio(0, 0, 1, bytes(4))))
    assert host.feed(stale + frame(encode(0, welcome())) + events(0), 0) == [welcome(), event(0)]
    # A second copy of the welcome does not begin the numbering again.
    assert host.feed(frame(encode(0, welcome())) + events(0, 1), 0) == [welcome(), event(1)]


def test_acknowledges_after_16_events_or_50_ms() -> None:
    host = open_host()
    host.feed(events(*range(ACK_EVENTS - 1)), 1000)
    assert host.outgoing() == b""
    assert host.next_deadline() == 1000 + ACK_US
    host.feed(events(ACK_EVENTS - 1), 2000)
    assert sent(host.outgoing()) == [m.EventAck(ACK_EVENTS, 0)]
    assert host.next_deadline() is None
    host.feed(events(ACK_EVENTS), 3000)
    host.tick(3000 + ACK_US - 1)
    assert host.outgoing() == b""
    host.tick(3000 + ACK_US)
    assert sent(host.outgoing()) == [m.EventAck(ACK_EVENTS + 1, 0)]


def test_a_heartbeat_acknowledges_too() -> None:
    host = open_host()
    host.feed(events(0, 1), 0)
    host.heartbeat(10)
    assert sent(host.outgoing()) == [m.Heartbeat(2)]
    assert host.next_deadline() is None


def test_a_gap_is_asked_for_at_once_but_not_at_every_event() -> None:
    host = open_host()
    assert host.feed(events(0, 2, 3, 4), 0) == [event(0)]
    host.heartbeat(0)
    assert sent(host.outgoing()) == [m.Heartbeat(1), m.EventAck(1, 1)]
    assert host.feed(events(5, 6), ASK_US - 1) == []
    assert host.outgoing() == b""
    assert host.feed(events(7), ASK_US) == []
    assert sent(host.outgoing()) == [m.EventAck(1, 1)]
    assert host.feed(events(1, 2, 4), ASK_US) == [event(1), event(2)]
    assert sent(host.outgoing()) == [m.EventAck(3, 1)]  # another gap


def test_an_event_seen_before_says_the_acknowledgement_was_lost() -> None:
    host = open_host()
    host.feed(events(0), 0)
    host.tick(ACK_US)
    host.outgoing()  # lost
    assert host.feed(events(0), 400_000) == []
    assert host.next_deadline() == 400_000 + ACK_US


# -- any bytes ---------------------------------------------------------------------------------------------


@relaxed
@given(st.data())
def test_the_board_takes_any_bytes(host_message: Any, board_message: Any, data: st.DataObject) -> None:
    """Garbage, both sides' messages, in any order: no exception, and what is sent is whole frames that fit."""
    framed = st.builds(
        lambda message, sequence: frame(encode(sequence, message)), host_message | board_message, st.integers(0, 255)
    )
    odd = st.binary(min_size=1, max_size=250).map(frame)
    board = BoardSession()
    now_us = 0
    for chunk in data.draw(st.lists(st.one_of(framed, framed, odd, st.binary(max_size=300)), max_size=30)):
        now_us += data.draw(st.integers(0, 400_000))
        board.feed(chunk, now_us)
        board.tick(now_us)
        got = board.take()
        if got is not None:
            sequence, message = got
            assert m.CODES[type(message)] < 0x80
            if isinstance(message, m.Hello):
                board.open()
                board.send(welcome(message.nonce))
            else:
                board.answer(sequence, m.OK)
        board.post(now_us, m.EV_EDGE, 1, 0)
        space = data.draw(st.integers(0, 300))
        out = board.outgoing(space)
        assert len(out) <= space
        assert all(m.CODES[type(message)] >= 0x80 for message in sent(out))


@relaxed
@given(st.data())
def test_the_host_takes_any_bytes(host_message: Any, board_message: Any, data: st.DataObject) -> None:
    framed = st.builds(
        lambda message, sequence: frame(encode(sequence, message)), host_message | board_message, st.integers(0, 255)
    )
    odd = st.binary(min_size=1, max_size=250).map(frame)
    host = open_host()
    now_us, following = 0, 0
    for chunk in data.draw(st.lists(st.one_of(framed, framed, odd, st.binary(max_size=300)), max_size=30)):
        now_us += data.draw(st.integers(0, 100_000))
        for message in host.feed(chunk + events(following), now_us):
            assert m.CODES[type(message)] >= 0x80
            if isinstance(message, m.Event):
                assert message.number == following
                following += 1
        host.tick(now_us)
        assert all(m.CODES[type(message)] < 0x80 for message in sent(host.outgoing()))


def test_no_traffic_makes_a_session_grow() -> None:
    board, host = open_board(), open_host()
    commands = [from_host(m.Go(n), n & 0xFF) for n in range(300)]
    unknown = [frame(bytes([0x40 + n % 60, n & 0xFF])) for n in range(300)]
    answers = [frame(encode(0, m.Answer(n & 0xFF, 0, n))) for n in range(300)] + [events(n * 7) for n in range(300)]

    def burden() -> None:
        for part in (*commands, *unknown, from_host(m.Heartbeat(0)), b"\x01" * 300):
            board.feed(part, 0)
            board.post(0, m.EV_EDGE, 1, 0)
            board.send(m.Beat(0, 0, 0, 0))
            board.offer_audio(0, 0, 1, bytes(224))
        for part in (*answers, b"\x01" * 300):
            host.feed(part, 0)
            host.heartbeat(0)

    burden()
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        for _ in range(20):
            burden()
        after = tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()
    assert after - before < 2000
    assert len(host.outgoing()) < 100  # nobody fetched anything; still no more than one of each
    assert len(board.outgoing(1 << 20)) < 300 + QUEUE * 32 + 256
