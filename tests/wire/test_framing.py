"""Laws of the framing: nothing is lost that arrived whole, nothing is taken that did not, nothing grows."""

from __future__ import annotations

import itertools
import random
import tracemalloc

import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from demo_ctl.wire.framing import MOST_FRAME, MOST_PAYLOAD, Deframer, frame
from demo_ctl.wire.stuffing import stuff, unstuff

relaxed = settings(deadline=None)

# Payloads as they are: runs of zeros, words with a zero in each, and anything else.
_runs = st.lists(
    st.one_of(
        st.binary(max_size=20),
        st.integers(0, 60).map(lambda n: bytes(n)),
        st.tuples(st.binary(min_size=1, max_size=3), st.integers(0, 80)).map(lambda pair: pair[0] * pair[1]),
        st.integers(1, 254).map(lambda n: bytes(range(1, n + 1))),
    ),
    max_size=8,
).map(b"".join)
payloads = st.one_of(
    st.binary(min_size=1, max_size=MOST_PAYLOAD), _runs.map(lambda data: data[:MOST_PAYLOAD]).filter(bool)
)


def pieces_of(stream: bytes, cuts: list[int]) -> list[bytes]:
    places = sorted({min(cut, len(stream)) for cut in cuts} | {0, len(stream)})
    return [stream[a:b] for a, b in itertools.pairwise(places)]


@relaxed
@given(payloads)
@example(b"\0")
@example(bytes(MOST_PAYLOAD))
@example(b"\xff" * MOST_PAYLOAD)
@example(b"\0\x08" * 125)
def test_round_trip(payload: bytes) -> None:
    framed = frame(payload)
    assert len(framed) == len(payload) + 6 <= MOST_FRAME
    assert framed.index(0) == len(framed) - 1  # the only zero is the last byte
    deframer = Deframer()
    assert deframer.feed(framed) == [payload]
    assert deframer.bad == 0


@relaxed
@given(st.one_of(st.binary(max_size=254), _runs.map(lambda data: data[:254])))
def test_stuffing_is_one_to_one(content: bytes) -> None:
    # Twice, so that what was remembered the first time is used the second.
    for _ in range(2):
        coding = stuff(content)
        assert 0 not in coding
        assert len(coding) == len(content) + 1
        assert unstuff(coding) == content


@relaxed
@given(
    st.lists(st.integers(1, 255), min_size=1, max_size=255).map(bytes)
    | st.integers(64, 255).map(lambda n: b"\2\x08" * n)
)
def test_every_coding_has_one_content_or_none(coding: bytes) -> None:
    coding = coding[:255]
    for _ in range(2):
        content = unstuff(coding)
        assert content is None or stuff(content) == coding


@relaxed
@given(st.data())
def test_contents_full_of_zeros(data: st.DataObject) -> None:
    content = bytearray(data.draw(st.binary(min_size=1, max_size=4)) * 120)[:254]
    for place in data.draw(st.lists(st.integers(0, 250), max_size=40)):
        content[place % len(content)] = 0
    for place, value in data.draw(st.lists(st.tuples(st.integers(0, 253), st.integers(0, 3)), max_size=12)):
        content[place % len(content)] = value
        coding = stuff(bytes(content))
        # The definition: each code is the distance to the next zero, the end counting as one.
        expected = b"".join(bytes([len(part) + 1]) + part for part in bytes(content).split(b"\0"))
        assert coding == expected
        assert unstuff(coding) == bytes(content)


@relaxed
@given(st.just(0) | st.integers(MOST_PAYLOAD + 1, 2000))
def test_an_empty_or_too_long_payload_is_refused(size: int) -> None:
    with pytest.raises(ValueError, match="1 to 250 bytes"):
        frame(bytes(size))


@relaxed
@given(
    st.lists(st.one_of(payloads.map(frame), st.binary(max_size=600)), max_size=6).map(b"".join),
    st.lists(st.integers(0, 3000), max_size=12),
)
def test_any_pieces_give_the_same(stream: bytes, cuts: list[int]) -> None:
    whole, parts, bytewise = Deframer(), Deframer(), Deframer()
    good = whole.feed(stream)
    assert [payload for piece in pieces_of(stream, cuts) for payload in parts.feed(piece)] == good
    assert [payload for byte in stream for payload in bytewise.feed(bytes([byte]))] == good
    assert whole.bad == parts.bad == bytewise.bad


@relaxed
@given(st.binary(max_size=1000), st.lists(payloads, min_size=1, max_size=3))
def test_in_step_again_after_any_garbage(garbage: bytes, wanted: list[bytes]) -> None:
    deframer = Deframer()
    before = deframer.feed(garbage)
    found = deframer.feed(b"\0" + b"".join(map(frame, wanted)))
    # The zero ends the garbage; should the garbage have ended in a whole frame, that comes first.
    assert found[-len(wanted) :] == wanted
    assert len(before) + len(found) - len(wanted) <= garbage.count(0) + 1


@relaxed
@given(st.binary(max_size=1000), payloads, payloads)
def test_garbage_costs_at_most_the_frame_it_runs_into(garbage: bytes, first: bytes, second: bytes) -> None:
    assert Deframer().feed(garbage + frame(first) + frame(second))[-1] == second


def _flipped(framed: bytes, bits: tuple[int, ...]) -> bytes:
    damaged = bytearray(framed)
    for bit in bits:
        damaged[bit // 8] ^= 1 << bit % 8
    return bytes(damaged)


def _check_refused(before: bytes, damaged: bytes, after: bytes) -> None:
    """The damaged frame between two sound ones never comes out; its neighbours do, unless it runs into the next."""
    found = Deframer().feed(frame(before) + damaged + frame(after))
    if damaged[-1] == 0:
        assert found == [before, after]
    else:
        assert found == [before]


@settings(deadline=None, max_examples=300)
@given(payloads, st.data())
def test_up_to_three_flipped_bits_are_refused(payload: bytes, data: st.DataObject) -> None:
    framed = frame(payload)
    bits = data.draw(st.sets(st.integers(0, len(framed) * 8 - 1), min_size=1, max_size=3))
    _check_refused(b"before", _flipped(framed, tuple(bits)), b"after")


@settings(deadline=None, max_examples=300)
@given(payloads, st.integers(1, (1 << 32) - 1), st.integers(0, 2047))
def test_bursts_up_to_32_bits_are_refused(payload: bytes, pattern: int, start: int) -> None:
    framed = frame(payload)
    value = int.from_bytes(framed, "little") ^ (pattern << start % (len(framed) * 8))
    value &= (1 << len(framed) * 8) - 1
    damaged = value.to_bytes(len(framed), "little")
    assume(damaged != framed)
    _check_refused(b"before", damaged, b"after")


def test_one_flip_cuts_no_empty_frame_off_a_longer_one() -> None:
    """Found by the law above: 01 01 01 01 01 would be a sound empty frame, if there were empty frames."""
    framed = frame(bytes(6))
    damaged = _flipped(framed, (40,))
    assert damaged[:6] == b"\1\1\1\1\1\0"
    _check_refused(b"before", damaged, b"after")


def test_every_flip_of_three_bits_of_an_answer_is_refused() -> None:
    """Exhaustive, not sampled: all 234 248 ways to flip one, two or three bits of an ANSWER of 14 bytes."""
    framed = frame(bytes([0x82, 0, 17, 0, 0, 0, 0, 0]))
    tried = 0
    for many in (1, 2, 3):
        value = int.from_bytes(framed, "little")
        stream = bytearray()
        for bits in itertools.combinations(range(len(framed) * 8), many):
            stream += (value ^ sum(1 << bit for bit in bits)).to_bytes(len(framed), "little") + b"\0"
            tried += 1
        assert Deframer().feed(stream) == []
    assert tried == 112 + 112 * 111 // 2 + 112 * 111 * 110 // 6


def test_many_bursts_of_an_event_are_refused() -> None:
    chance = random.Random(5)
    framed = frame(bytes([0x84, 0, 57, 0, 0, 0]) + (5_000_000_000).to_bytes(8, "little") + bytes([1, 2, 3, 0, 0, 0]))
    value = int.from_bytes(framed, "little")
    stream = bytearray()
    for start in range(len(framed) * 8 - 1):
        room = min(32, len(framed) * 8 - start)
        for _ in range(300):
            burst = chance.getrandbits(room) | 1
            stream += (value ^ burst << start).to_bytes(len(framed), "little") + b"\0"
    assert Deframer().feed(stream) == []


@relaxed
@given(st.lists(payloads, min_size=3, max_size=6), st.data())
def test_missing_bytes_never_make_a_frame(sent: list[bytes], data: st.DataObject) -> None:
    """Bytes lost anywhere: what comes out are frames that were sent, in the order in which they were sent."""
    stream = b"".join(map(frame, sent))
    start = data.draw(st.integers(0, len(stream)))
    end = data.draw(st.integers(start, len(stream)))
    found = iter(sent)
    assert all(payload in found for payload in Deframer().feed(stream[:start] + stream[end:]))


def test_no_input_makes_it_grow() -> None:
    deframer = Deframer()
    chance = random.Random(9)
    kinds = [
        b"\x07" * 4096,  # a frame that never ends
        b"\0" * 4096,
        bytes(chance.randrange(1, 256) for _ in range(4096)),
        chance.randbytes(4096),
        b"\2\x08" * 120 + b"\0",
    ]
    for data in kinds:
        deframer.feed(data)
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        for data in kinds:
            for _ in range(100):  # the first and the third never bring a zero
                deframer.feed(data)
            assert tracemalloc.get_traced_memory()[0] - before < 2000
    finally:
        tracemalloc.stop()


def test_an_endless_frame_is_counted_once() -> None:
    deframer = Deframer()
    for _ in range(100):
        assert deframer.feed(b"\x55" * 100) == []
    assert deframer.bad == 0  # it has not ended
    assert deframer.feed(b"\0") == []
    assert deframer.bad == 1
    assert deframer.feed(frame(b"fine")) == [b"fine"]


@pytest.mark.parametrize("kind", [bytes, bytearray, memoryview])
def test_takes_any_bytes_and_gives_bytes(kind: type) -> None:
    (payload,) = Deframer().feed(kind(frame(b"\0 here")))
    assert type(payload) is bytes
