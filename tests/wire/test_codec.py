"""Laws of the payloads: round trip, and one named error for everything else."""

from __future__ import annotations

import struct
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.wire import messages as m
from demo_ctl.wire.codec import WireError, decode, encode
from demo_ctl.wire.framing import MOST_PAYLOAD, frame

relaxed = settings(deadline=None)


@relaxed
@given(st.data(), st.integers(0, 255))
def test_round_trip(any_message: st.SearchStrategy[Any], data: st.DataObject, sequence: int) -> None:
    message = data.draw(any_message)
    payload = encode(sequence, message)
    assert payload[0] == m.CODES[type(message)]
    assert payload[1] == sequence
    again = decode(payload)
    assert again == (sequence, message)
    assert type(again[1]) is type(message)


@relaxed
@given(st.data(), st.integers(0, 255))
def test_layout_is_the_tables(any_message: st.SearchStrategy[Any], data: st.DataObject, sequence: int) -> None:
    """Field by field, each by itself: little-endian, no padding, in the order of the table."""
    message = data.draw(any_message)
    _, layout, tail = m.TABLE[m.CODES[type(message)]]
    fields = list(message)
    expected = bytes([m.CODES[type(message)], sequence])
    for letter, value in zip(layout[1:], fields, strict=False):
        expected += value.to_bytes({"B": 1, "H": 2, "I": 4, "Q": 8}[letter], "little")
    if tail:
        expected += fields[-1]
    assert encode(sequence, message) == expected


@relaxed
@given(
    st.one_of(
        st.binary(max_size=260),
        st.tuples(st.sampled_from(sorted(m.TABLE)), st.binary(max_size=250)).map(
            lambda pair: bytes([pair[0]]) + pair[1]
        ),
    )
)
def test_any_bytes_give_a_message_or_the_one_error(payload: bytes) -> None:
    try:
        sequence, message = decode(payload)
    except WireError:
        return
    assert encode(sequence, message) == payload


@relaxed
@given(st.data())
def test_one_byte_more_or_less_is_another_length(any_message: st.SearchStrategy[Any], data: st.DataObject) -> None:
    payload = encode(0, data.draw(any_message))
    for wrong in (payload + b"\0", payload[:-1]):
        with pytest.raises(WireError):
            decode(wrong)


@pytest.mark.parametrize("kind", list(m.CODES), ids=lambda kind: str(kind.__name__))
def test_what_does_not_fit_is_refused(kind: Any) -> None:
    _, layout, tail = m.TABLE[m.CODES[kind]]
    good: list[Any] = [0] * (len(layout) - 1)
    if kind is m.Load:
        good[1] = 1
    if tail:
        good.append(bytes(4 * len(m.LIMIT_NAMES) if kind is m.InForce else m.INSTRUCTION_BYTES))
    encode(0, kind(*good))
    for index, letter in enumerate(layout[1:]):
        for wrong in (-1, 1 << 8 * struct.calcsize("<" + letter), 1.5, "1", None):
            with pytest.raises(WireError):
                encode(0, kind(*good[:index], wrong, *good[index + 1 :]))
    for sequence in (-1, 256, None):
        with pytest.raises(WireError):
            encode(sequence, kind(*good))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "message",
    [
        None,
        "hello",
        (1, 2, 3),
        m.Instruction(1, 2, 3, 4, 5),
        m.Load(0, 0, b""),
        m.Load(0, 2, bytes(12)),
        m.Load(0, 17, bytes(17 * 12)),
        m.Load(0, 1, 12),  # type: ignore[arg-type]
        m.InForce(0, 0, bytes(4 * len(m.LIMIT_NAMES) - 1)),
        m.Audio(0, 0, 1, b""),
        m.Audio(0, 0, 1, b"abc"),
        m.Audio(0, 0, 1, bytes(2 * m.AUDIO_BLOCK + 2)),
    ],
)
def test_what_is_no_message_is_refused(message: object) -> None:
    with pytest.raises(WireError):
        encode(0, message)


def test_everything_fits_its_frame() -> None:
    """A payload has at most 250 bytes; an event's frame at most 32, so that it always finds room on the way."""
    longest = {
        m.Load: m.LOAD_MOST * m.INSTRUCTION_BYTES,
        m.Audio: 2 * m.AUDIO_BLOCK,
        m.InForce: 4 * len(m.LIMIT_NAMES),
    }
    for code, (kind, layout, tail) in m.TABLE.items():
        size = 2 + struct.calcsize(layout) + (longest[kind] if tail else 0)
        assert size <= MOST_PAYLOAD, hex(code)
    assert len(frame(encode(0, m.Event(*[0] * 5)))) <= 32


def test_codes_say_which_way_a_message_goes() -> None:
    to_host = {kind.__name__ for kind, code in m.CODES.items() if code >= 0x80}
    assert to_host == {"Welcome", "Answer", "Beat", "Event", "Status", "Audio", "Safety", "InForce", "Trip"}
