"""WIRE.md against the code: a stranger who follows the page must meet what the code does."""

from __future__ import annotations

import re
from binascii import crc32
from pathlib import Path
from struct import pack

import pytest

from demo_ctl.wire import board_session, framing, host_session
from demo_ctl.wire import messages as m
from demo_ctl.wire.codec import decode, encode
from demo_ctl.wire.framing import Deframer, frame

PAGE = (Path(__file__).resolve().parents[2] / "demo_ctl" / "wire" / "WIRE.md").read_text(encoding="utf-8")
FLAT = " ".join(PAGE.split())
WIDTHS = {"B": "u8", "H": "u16", "I": "u32", "Q": "u64"}
NAMES = {name: getattr(m, name) for name in dir(m)} | {"pack": pack, "crc32": crc32}
EXAMPLES = re.findall(r"^\| `(\d+): (.+)` \| `([0-9a-f]+)` \| `([0-9a-f]+)` \|$", PAGE, re.M)


def test_table_of_messages() -> None:
    rows = re.findall(r"^\| `([0-9a-f]{2})` \| (\w+) \| (.*) \|$", PAGE, re.M)
    expected = []
    for code, (kind, layout, tail) in m.TABLE.items():
        fields = [f"{name} {WIDTHS[letter]}" for name, letter in zip(kind._fields, layout[1:], strict=not tail)]
        expected.append((f"{code:02x}", kind.__name__, ", ".join(fields + ["data"] * tail)))
    assert rows == expected
    assert f"a check sum of this table, {m.TABLE_HASH} here" in FLAT


@pytest.mark.parametrize(
    "names", [m.SIGNALS, m.OPS, m.ENDINGS, m.EVENTS, m.PLAN_STATES, m.R_NAMES, m.GUARD_STATES, m.ANSWERS]
)
def test_names_of_numbers(names: tuple[str, ...]) -> None:
    if names is m.OPS:
        assert re.findall(r"^- (\d) ([a-z ]+): ", PAGE, re.M) == [(str(n), op) for n, op in enumerate(names) if op]
    else:
        assert ", ".join(f"{n} {name}" for n, name in enumerate(names) if name) + "." in FLAT


def test_figures() -> None:
    for said in (
        f"1 to {framing.MOST_PAYLOAD} bytes",
        f"{framing.MOST_FRAME} bytes of memory",
        f"Unanswered for {host_session.RETRY_US // 1000} ms",
        f"after {host_session.ACK_EVENTS} events or {host_session.ACK_US // 1000} ms",
        f"at most every {host_session.ASK_US // 1000} ms",
        f"{board_session.RESEND_US // 1000} ms without progress",
        f"kept by the board ({board_session.QUEUE} of them)",
        f"1 to {m.LOAD_MOST} instructions",
        f"An instruction is {m.INSTRUCTION_BYTES} bytes",
        f"{m.AUDIO_HZ} samples a second",
        f"{m.AUDIO_BLOCK} to a block",
        "five times in all",
    ):
        assert said in FLAT
    assert host_session.TRIES == 5


@pytest.mark.parametrize(("sequence", "call", "payload", "framed"), EXAMPLES, ids=[one[1][:12] for one in EXAMPLES])
def test_example(sequence: str, call: str, payload: str, framed: str) -> None:
    message = eval(call, dict(NAMES))
    assert encode(int(sequence), message).hex() == payload
    assert frame(bytes.fromhex(payload)).hex() == framed
    assert Deframer().feed(bytes.fromhex(framed)) == [bytes.fromhex(payload)]
    assert decode(bytes.fromhex(payload)) == (int(sequence), message)


def test_there_are_examples_of_most() -> None:
    assert len({call.partition("(")[0] for _, call, _, _ in EXAMPLES}) >= 11


def test_a_stranger_can_read_it() -> None:
    """The page's own words, followed literally and slowly, without this project's code, give the same payloads."""
    polynomial = int(f"{0x04C11DB7:032b}"[::-1], 2)  # bits reflected
    for _, _, payload, framed in EXAMPLES:
        line = bytes.fromhex(framed)
        assert line[-1] == 0
        content, at = list(line[:-1]), 0
        while at < len(content):
            step, content[at] = content[at], 0
            at += step
        assert at == len(content)
        whole = bytes(content[1:])
        crc = 0xFFFFFFFF
        for byte in whole[:-4]:
            crc ^= byte
            for _ in range(8):
                crc = crc >> 1 ^ (polynomial if crc & 1 else 0)
        assert (crc ^ 0xFFFFFFFF).to_bytes(4, "little") == whole[-4:]
        assert whole[:-4].hex() == payload
