"""Run by CPython and by MicroPython; whatever it prints must be the same. Needs demo_ctl on the module path.

No test framework here: MicroPython has none. Chance is a small generator of our own, so that both draw alike.
"""

import struct
import sys

from demo_ctl.wire import messages as m
from demo_ctl.wire.board_session import BoardSession
from demo_ctl.wire.clock import Widener
from demo_ctl.wire.codec import WireError, decode, encode
from demo_ctl.wire.framing import Deframer, frame
from demo_ctl.wire.host_session import HostLost, HostSession


class Chance:
    """A linear congruential generator: the same numbers everywhere."""

    def __init__(self, seed: int) -> None:
        self.state = seed

    def below(self, limit: int) -> int:
        """Return a number from 0 to limit - 1."""
        self.state = (self.state * 1103515245 + 12345) & 0x7FFFFFFF
        return (self.state >> 8) % limit

    def bytes(self, size: int) -> bytes:
        """Return so many bytes, about every third a zero."""
        return bytes([self.below(256) if self.below(3) else 0 for _ in range(size)])


def frames(chance: Chance) -> None:
    """Every length, sparse and dense."""
    deframer = Deframer()
    for size in range(1, 251):
        for payload in (chance.bytes(size), bytes(size), (b"\0\x08" * 125)[:size], bytes(range(1, 251))[:size]):
            framed = frame(payload)
            print(size, framed.hex())
            assert deframer.feed(framed) == [payload]
    assert deframer.bad == 0
    for size in (0, 251, 400):
        try:
            frame(bytes(size))
        except ValueError as error:
            print(error)


def damage(chance: Chance) -> None:
    """A damaged stream, fed in pieces."""
    deframer = Deframer()
    stream = b""
    for _ in range(300):
        framed = bytearray(frame(chance.bytes(1 + chance.below(60))))
        if chance.below(3) == 0:
            framed[chance.below(len(framed))] ^= 1 << chance.below(8)
        if chance.below(9) == 0:
            framed = framed[chance.below(len(framed)) :]
        stream += bytes(framed)
        if chance.below(9) == 0:
            stream += chance.bytes(chance.below(600))
    while stream:
        size = 1 + chance.below(90)
        for payload in deframer.feed(stream[:size]):
            print("good", payload.hex())
        stream = stream[size:]
    print("bad", deframer.bad)


def payloads(chance: Chance) -> None:
    """Every message at its least, at its most, and somewhere between; and what is none."""
    for code in sorted(m.TABLE):
        kind, layout, tail = m.TABLE[code]
        for fill in (b"\0", b"\xff", None):
            size = struct.calcsize(layout)
            fields = list(struct.unpack(layout, fill * size if fill else chance.bytes(size)))
            if kind is m.Load:
                fields[1] = 1 + chance.below(m.LOAD_MOST)
                fields.append(chance.bytes(fields[1] * m.INSTRUCTION_BYTES))
            elif kind is m.InForce:
                fields.append(chance.bytes(4 * len(m.LIMIT_NAMES)))
            elif tail:
                fields.append(chance.bytes(2 * (1 + chance.below(m.AUDIO_BLOCK))))
            message = kind(*fields)
            payload = encode(chance.below(256), message)
            print(payload.hex(), message)
            assert decode(payload) == (payload[1], message)
            for wrong in (payload[:-1], payload + b"\0", payload[:1], b""):
                try:
                    print(decode(wrong))
                except WireError as error:
                    print("WireError", error)
    for code in range(256):
        try:
            print(decode(bytes([code]) + chance.bytes(chance.below(30))))
        except WireError as error:
            print("WireError", error)
    for odd in ((1, 2), m.Instruction(1, 2, 3, 4, 5), m.Load(0, 2, bytes(12)), m.Audio(0, 0, 1, b"abc")):
        try:
            encode(0, odd)
        except WireError as error:
            print("WireError", error)


def clock(chance: Chance) -> None:
    """Many turns of the counter."""
    widener = Widener()
    instant = chance.below(1 << 22)
    for _ in range(500):
        ticks = instant & 0x3FFFFFFF
        before = (instant - chance.below(100000)) & 0x3FFFFFFF
        print(widener.now(ticks), widener.past(before), widener.past((ticks + 7) & 0x3FFFFFFF))
        instant += chance.below(1 << 22) * 100


def session(chance: Chance, loss: int) -> None:
    """Host and board on a line that damages every loss-th chunk or so, in virtual time; everything is printed."""
    board, host = BoardSession(), HostSession()
    host.request(m.Hello(m.PROTOCOL, m.TABLE_HASH, 77), 0)
    performed, got, gate, first = 0, 0, 0, 0
    for now_us in range(0, 4_000_000, 10_000):
        calm = now_us > 3_000_000
        try:
            host.tick(now_us)
        except HostLost as error:
            print(now_us, "HostLost", error)
            return
        if now_us % 200_000 == 0:
            host.heartbeat(now_us)
        if host.next_deadline() is None and host.answered is not None and not calm:
            gate += 1
            host.request(m.Go(gate), now_us)
        up = bytearray(host.outgoing())
        if up and not calm and chance.below(loss) == 0:
            up[chance.below(len(up))] ^= 1 + chance.below(255)
        board.feed(up, now_us)
        board.tick(now_us)
        while True:
            taken = board.take()
            if taken is None:
                break
            sequence, message = taken
            print(now_us, "board hears", sequence, message)
            if isinstance(message, m.Hello):
                board.open()
                board.send(m.Welcome(m.PROTOCOL, m.TABLE_HASH, message.nonce, 1, now_us, *range(15)))
            elif isinstance(message, m.Heartbeat):
                board.send(m.Beat(now_us, m.RUNNING, m.G_SAFE, 63))
            elif isinstance(message, m.Go):
                performed += 1
                assert message.gate == performed
                board.answer(sequence, m.OK, message.gate)
        if not calm:
            for port in range(chance.below(4)):
                board.post(now_us, m.EV_EDGE, 1 + port, chance.below(8))
            first += m.AUDIO_BLOCK
            board.offer_audio(first, now_us, 1, chance.bytes(2 * m.AUDIO_BLOCK))
        down = bytearray(board.outgoing(chance.below(500)))
        if down and not calm and chance.below(loss) == 0:
            down[chance.below(len(down))] ^= 1 + chance.below(255)
        for message in host.feed(down, now_us):
            print(now_us, "host hears", message)
            if isinstance(message, m.Event):
                assert message.number == got
                got += 1
    print("performed", performed, "of", gate, "events", got, "bad", board.bad_frames, host.bad_frames)
    assert performed == gate
    assert got > 100


def idle_takes_no_memory() -> None:
    """On the chip a pass with nothing to do must leave no garbage: here the heap is locked meanwhile."""
    if sys.implementation.name != "micropython":
        return
    import micropython

    board = BoardSession()
    board.open()
    for _ in range(2):
        micropython.heap_lock()
        try:
            for now_us in range(50):
                board.tick(now_us)
                board.take()
                board.outgoing(256)
                board.next_deadline()
        finally:
            micropython.heap_unlock()
        board.feed(frame(encode(0, m.Heartbeat(0))), 0)
        board.take()


frames(Chance(1))
damage(Chance(2))
payloads(Chance(3))
clock(Chance(4))
session(Chance(5), 1000)
session(Chance(6), 6)
session(Chance(7), 1)
idle_takes_no_memory()
print("end")
