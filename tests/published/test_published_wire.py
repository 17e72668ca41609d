"""The wire's framing against references that others made.

COBS: the general-purpose `cobs` package, and the figures of facts Q04 and Q05 (method: S. Cheshire, M. Baker,
"Consistent Overhead Byte Stuffing", SIGCOMM 1997). CRC: the check value of CRC-32/ISO-HDLC as catalogues of CRCs
print it (facts Q03), and zlib.
"""

from __future__ import annotations

import zlib
from binascii import crc32

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.wire.framing import Deframer, frame
from demo_ctl.wire.stuffing import stuff, unstuff

relaxed = settings(deadline=None)
# Few different bytes: many zeros, and long stretches without.
contents = st.one_of(
    st.binary(max_size=254),
    st.lists(st.sampled_from([0, 0, 1, 2, 255]), max_size=254).map(bytes),
    st.tuples(st.binary(max_size=4), st.integers(0, 254)).map(lambda pair: (pair[0] * pair[1])[:254]),
)
#: Facts Q04: content -> coding, as published examples and the package give them.
SHORT = {
    "": "01",
    "00": "0101",
    "0000": "010101",
    "001100": "01021101",
    "11220033": "0311220233",
    "11223344": "0511223344",
    "11000000": "0211010101",
    "4500002c4c79": "024501042c4c79",
}


@pytest.mark.parametrize(("content", "coding"), SHORT.items())
def test_cobs_short(content: str, coding: str) -> None:
    assert stuff(bytes.fromhex(content)).hex() == coding
    assert unstuff(bytes.fromhex(coding)) == bytes.fromhex(content)


def test_cobs_at_the_block_edge() -> None:
    """Facts Q05: 254 bytes without a zero make one block and no more. (Longer contents never occur here.)"""
    content = bytes(range(1, 255))
    assert stuff(content) == b"\xff" + content
    assert unstuff(b"\xff" + content) == content
    assert stuff(b"\0" + content[:253]) == b"\x01\xfe" + content[:253]


@relaxed
@given(contents)
def test_cobs_as_the_package_does_it(content: bytes) -> None:
    coding = cobs.encode(content)
    for _ in range(2):  # the second time from memory, where there is one
        assert stuff(content) == coding
        assert unstuff(coding) == content


@relaxed
@given(st.lists(st.integers(1, 255), min_size=1, max_size=255).map(bytes))
def test_cobs_refuses_what_the_package_refuses(coding: bytes) -> None:
    try:
        expected: bytes | None = cobs.decode(coding)
    except cobs.DecodeError:
        expected = None
    assert unstuff(coding) == expected


def test_crc_check_value() -> None:
    """CRC-32/ISO-HDLC of the nine digits: CBF43926 (facts Q03)."""
    assert crc32(b"123456789") == 0xCBF43926
    content = cobs.decode(frame(b"123456789")[:-1])
    assert content == b"123456789" + bytes.fromhex("2639f4cb")  # low byte first


@relaxed
@given(st.binary(min_size=1, max_size=250))
def test_a_frame_is_zlib_and_cobs(payload: bytes) -> None:
    crc = zlib.crc32(payload)
    reference = cobs.encode(payload + crc.to_bytes(4, "little")) + b"\0"
    assert frame(payload) == reference
    assert Deframer().feed(reference) == [payload]
    # Facts Q03: over data and its CRC, low byte first, always the same.
    assert zlib.crc32(payload + crc.to_bytes(4, "little")) == 0x2144DF1C
    wrong = cobs.encode(payload + (crc ^ 1).to_bytes(4, "little")) + b"\0"
    assert Deframer().feed(wrong) == []


def test_crc_finds_any_four_wrong_bits_of_a_frame() -> None:
    """Known of this polynomial: Hamming distance 5 up to 2974 bits (P. Koopman's tables, from memory); recomputed.

    A pattern of wrong bits goes unnoticed if its single-bit syndromes cancel. Over the 2032 bits of the longest
    content, all syndromes and all sums of two are different: so no one, two, three or four of them cancel.
    """
    bits = 254 * 8
    zero = zlib.crc32(bytes(254))
    single = np.array(
        [zlib.crc32((1 << bit).to_bytes(254, "little")) ^ zero for bit in range(bits)],
        dtype=np.uint32,
    )
    first, second = np.triu_indices(bits, 1)
    sums = np.concatenate([single, single[first] ^ single[second]])
    assert np.unique(sums).size == sums.size
    assert (sums != 0).all()
