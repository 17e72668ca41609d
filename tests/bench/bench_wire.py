"""Frames a second: this project's wire against the `cobs` package, `struct` and `zlib`, in the same run.

    python tests/bench/bench_wire.py

Both do the same work on the same messages: named tuple -> payload -> CRC -> COBS -> bytes, and back to an equal
named tuple, refusing what is damaged. Each figure is the best of several rounds, the two taken by turns so that a
busy computer slows both. The package stuffs in C where it could be built, and in Python elsewhere; both are shown.
It only prints: a speed is no test.
"""

from __future__ import annotations

import struct
import time
import zlib
from collections.abc import Callable
from typing import Any

from cobs.cobs import DecodeError, _cobs_py
from cobs.cobs import decode as c_decode
from cobs.cobs import encode as c_encode

from demo_ctl.wire import messages as m
from demo_ctl.wire.codec import decode, encode
from demo_ctl.wire.framing import Deframer, frame

ROUNDS = 15

_WRITERS = {
    kind: (code, struct.Struct("<BB" + m.TABLE[code][1][1:]), m.TABLE[code][2]) for kind, code in m.CODES.items()
}
_READERS = {code: (kind, struct.Struct("<BB" + layout[1:]), tail) for code, (kind, layout, tail) in m.TABLE.items()}


def send(messages: list[Any]) -> bytes:
    """Do it with this project's modules."""
    return b"".join([frame(encode(0, message)) for message in messages])


def receive(stream: bytes) -> list[Any]:
    """And back."""
    return [decode(payload)[1] for payload in Deframer().feed(stream)]


def reference_send(messages: list[Any], stuff: Callable[[bytes], bytes] = c_encode) -> bytes:
    """Do it with the general-purpose packages."""
    frames = []
    for message in messages:
        code, layout, tail = _WRITERS[type(message)]
        if tail:
            payload = layout.pack(code, 0, *message[:-1]) + message[-1]
        else:
            payload = layout.pack(code, 0, *message)
        frames.append(stuff(payload + zlib.crc32(payload).to_bytes(4, "little")) + b"\0")
    return b"".join(frames)


def reference_receive(stream: bytes, unstuff: Callable[[bytes], bytes] = c_decode) -> list[Any]:
    """And back."""
    heard = []
    for piece in stream.split(b"\0"):
        if not piece:
            continue
        try:
            content = unstuff(piece)
        except (DecodeError, _cobs_py.DecodeError):
            continue
        payload = content[:-4]
        if zlib.crc32(payload) != int.from_bytes(content[-4:], "little"):
            continue
        kind, layout, tail = _READERS[payload[0]]
        if tail:
            heard.append(kind(*layout.unpack_from(payload)[2:], payload[layout.size :]))
        else:
            heard.append(kind(*layout.unpack(payload)[2:]))
    return heard


def loads() -> dict[str, list[Any]]:
    """Return what is sent: name -> messages."""
    events = [m.Event(n, 5_000_000_000 + 61_000 * n, m.EV_EDGE, 1 + n % 4, n % 8) for n in range(500)]
    beats = [m.Beat(5_000_000_000 + 200_000 * n, m.RUNNING, m.G_SAFE, 63) for n in range(500)]
    # A tone of 440 Hz about the converter's rest, and the silence of an ideal converter: a zero in every word.
    words = [int(m.AUDIO_REST + 300 * ((n * 55 % 1000) / 500 - 1)) for n in range(m.AUDIO_BLOCK)]
    tone = struct.pack(f"<{m.AUDIO_BLOCK}H", *words)
    silence = struct.pack(f"<{m.AUDIO_BLOCK}H", *[m.AUDIO_REST] * m.AUDIO_BLOCK)
    steps = b"".join(struct.pack(m.INSTRUCTION, m.OP_WAIT, 1, 0, 600_000 + n, 0) for n in range(m.LOAD_MOST))
    return {
        "events": events,
        "beats": beats,
        "audio, a tone": [m.Audio(m.AUDIO_BLOCK * n, 14_000 * n, 1, tone) for n in range(500)],
        "audio, dead silence": [m.Audio(m.AUDIO_BLOCK * n, 14_000 * n, 1, silence) for n in range(500)],
        "uploads": [m.Load(16 * n, m.LOAD_MOST, steps) for n in range(500)],
        "a call's mixture": [mixed for n in range(125) for mixed in (*events[3 * n : 3 * n + 3], beats[n])],
    }


def _seconds(work: Callable[[], object]) -> float:
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def _compare(messages: list[Any]) -> tuple[float, float, float]:
    """Return seconds, there and back: ours, the package's in C, the package's in Python."""
    stream = send(messages)
    if stream != reference_send(messages) or receive(stream) != messages or reference_receive(stream) != messages:
        raise SystemExit("the two do not agree: a comparison would mean nothing")
    works: tuple[Callable[[], object], ...] = (
        lambda: send(messages),
        lambda: receive(stream),
        lambda: reference_send(messages),
        lambda: reference_receive(stream),
        lambda: reference_send(messages, _cobs_py.encode),
        lambda: reference_receive(stream, _cobs_py.decode),
    )
    best = [min(times) for times in zip(*([_seconds(work) for work in works] for _ in range(ROUNDS)), strict=True)]
    return best[0] + best[1], best[2] + best[3], best[4] + best[5]


def main() -> None:
    """Print the table."""
    print(
        f"{'frames a second, there and back':34}{'wire':>10}{'cobs in C':>12}{'ratio':>8}{'in Python':>12}{'ratio':>8}"
    )
    for name, messages in loads().items():
        ours, in_c, in_python = _compare(messages)
        count = len(messages)
        print(
            f"{name:34}{count / ours:10,.0f}{count / in_c:12,.0f}{in_c / ours:8.2f}"
            f"{count / in_python:12,.0f}{in_python / ours:8.2f}"
        )


if __name__ == "__main__":
    main()
