"""A board whose pins fail, in the chip's own loop. Runs in CPython and in MicroPython.

`hold` makes the host's part of a call that closes loops and lets ringing run; then, at an instant, one method of the
pins raises. Whatever it was, `run` must end with every loop open, nothing listened to, and no pump move after it.
"""
# mypy: allow-untyped-calls

import struct
from binascii import crc32

from memory_pins import FINE, KEY_OFF, MemoryPins  # type: ignore[import-not-found]

from demo_ctl.board.main import run
from demo_ctl.wire import messages as m
from demo_ctl.wire.codec import encode
from demo_ctl.wire.framing import frame

FAIL_US = 800000  # in mid-call: a train, ringing live for 0.3 s, listening
METHODS = (
    "ticks_us",
    "read_bytes",
    "write_space",
    "write_bytes",
    "next_edge",
    "edges_lost",
    "inputs",
    "bus",
    "memory_low",
    "pump",
    "audio_block",
    "alive",
    "rest",
    "set_loop",
)


def plan_frames() -> "list[bytes]":
    """What a host sends to start the call."""
    steps = [
        m.Instruction(m.OP_LOOP, 1, 1, 0, 0),
        m.Instruction(m.OP_LOOP, 2, 1, 0, 0),
        m.Instruction(m.OP_LISTEN, 1, 1, 0, 0),
        m.Instruction(m.OP_RINGING, 2, 1, 60000000, 0),
        m.Instruction(m.OP_PULSES, 1, 20, 100000, 100000),
        m.Instruction(m.OP_LOOP, 1, 0, 0, 0),
        m.Instruction(m.OP_WAIT, 0, 0, 60000000, 0),
    ]
    data = b"".join([struct.pack(m.INSTRUCTION, *one) for one in steps])
    messages: list[object] = [
        m.Hello(m.PROTOCOL, m.TABLE_HASH, 1),
        m.Begin(5, len(steps), m.CALLING, m.CALLED, 0, 0, m.PLAN_CALL),
        m.Load(0, len(steps), data),
        m.Commit(5, crc32(data)),
        m.Start(5),
    ]
    return [frame(encode(sequence, message)) for sequence, message in enumerate(messages)]


class FailingPins(MemoryPins):  # type: ignore[misc]
    """Time passes in `rest` and a little in `ticks_us`; at FAIL_US the method named raises `error`, for ever."""

    def __init__(self, method: str, error: BaseException, bad_port: int = 0) -> None:
        MemoryPins.__init__(self)
        self.method = method
        self.error = error
        self.bad_port = bad_port  # this port's relay cannot be opened any more
        self.frames = plan_frames()
        self.beat_us = 100000
        self.failed_us = -1
        self.taken_events = 0
        self.hog: list[bytearray] = []
        # An instance's attribute hides the class's method, in both Pythons.
        self.real = getattr(self, method)
        setattr(self, method, self._perhaps)

    def _perhaps(self, *arguments: object) -> object:
        if self.now_us >= FAIL_US:
            if self.failed_us < 0:
                self.failed_us = self.now_us
                if type(self.error) is MemoryError:
                    self.exhaust()
            if self.method != "set_loop" or self.bad_port in (0, arguments[0]):
                raise self.error
        if self.method == "ticks_us":
            self.now_us += 5
        return self.real(*arguments)

    def exhaust(self) -> None:
        """Take all memory there is, and keep it."""

    def ticks_us(self) -> int:
        self.now_us += 5
        return int(MemoryPins.ticks_us(self))

    def rest(self, most_us: int) -> None:
        self.now_us += most_us
        self.arrive()
        # A person has turned the key off and on before the host comes.
        self.input_bits = KEY_OFF if self.now_us < 150000 else FINE
        if self.frames and self.now_us >= 350000:
            self.waiting += self.frames.pop(0)
        if self.now_us >= self.beat_us:
            self.beat_us += 200000
            self.sent = bytearray()
            self.waiting += frame(encode(0, m.Heartbeat(0)))


def lasting(pins: FailingPins) -> "tuple[list[int], int, int]":
    """Ports whose loop is closed at the end, the port listened to, and the last pump move."""
    state = [0] * (pins.ports + 1)
    listening = 0
    pumped = -1
    for one in pins.log:
        if one[1] == 1:
            state[one[2]] = one[3]
        elif one[1] == 2:
            state[one[2]] = 1
        elif one[1] == 3:
            pumped = one[0]
        elif one[1] == 4:
            listening = one[2]
    return [port for port, closed in enumerate(state) if closed], listening, pumped


def fails(method: str, error: BaseException, bad_port: int = 0, exhaust: object = None) -> FailingPins:
    """Run until the pins fail; return them."""
    pins = FailingPins(method, error, bad_port)
    if exhaust:
        pins.exhaust = exhaust(pins)  # type: ignore
    ended = None
    try:
        run(pins)
    except BaseException as trouble:
        ended = trouble
    assert type(ended) is type(error), ended
    return pins


def main() -> None:
    """Print what every failure leaves behind."""
    for method in METHODS:
        for error in (OSError(5), RuntimeError("x"), KeyboardInterrupt()):
            if method != "set_loop":
                pins = fails(method, error)
                print(method, type(error).__name__, *lasting(pins)[:2], 0 <= lasting(pins)[2] <= pins.failed_us)


if __name__ == "__main__":
    main()
