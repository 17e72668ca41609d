"""Pins of MicroPython on a computer: the bench holds pins and time, this process runs the firmware.

The serial line is this process's standard input and output (a raw pseudo-terminal). Pins and time go over two pipes in
lockstep: a request record is everything one pass of the firmware may see, the reply everything it did. Counts in the
request say how many bytes have arrived, so reading never waits and every run is the same. `demo_ctl.bench.cosim` is
the other side. Nothing may be printed here: standard output is the serial line.
"""

import struct
import sys

from demo_ctl.board.main import Loop
from demo_ctl.board.pins import Pins
from demo_ctl.wire.messages import AUDIO_BLOCK

# ticks, bytes to read, space to write, levels, inputs, edges lost, edges, flags, and the bus: count, four readings
REQUEST = "<IHHIHIHBBIIII"
HAS_BLOCK, MEMORY_LOW = 1, 2  # flags: an audio block follows
EDGE = "<IB"  # ticks, bit << 1 | level
AUDIO = "<QI"  # index, ticks; then the block
# deadline, bytes read, bytes written, edges taken, lost edges asked for, audio block taken, calls
REPLY = "<QHHHBBB"
CALL = "<BBHII"  # which, port, count, two times
CALLS_MOST = 64  # in a pass; many more than firmware makes
AUDIO_BYTES = 2 * AUDIO_BLOCK

SET_LOOP, START_PULSES, PUMP, LISTEN, PERMIT, LAMPS = 1, 2, 3, 4, 5, 6


class CosimPins(Pins):
    """What a request says, and a list of what the firmware did."""

    def __init__(self, ports, boot, board, simulated, lamp_count, requests, replies, serial_in, serial_out):
        self.ports = ports
        self.firmware_boot = boot
        self.board = board
        self.simulated = simulated
        self.lamp_count = lamp_count
        self._requests = requests
        self._replies = replies
        self._in = serial_in
        self._out = serial_out
        self._request = bytearray(struct.calcsize(REQUEST))
        self._reply = bytearray(struct.calcsize(REPLY) + CALLS_MOST * struct.calcsize(CALL))
        self._view = memoryview(self._reply)
        self._edge_bytes = struct.calcsize(EDGE)
        self._ticks = 0
        self._waiting = self._space = self._levels = self._inputs = self._lost = 0
        self._memory_low = False
        self._bus = (0, 0, 0, 0, 0)
        self._edges = b""
        self._edge_count = 0
        self._audio = None
        self._clear()

    def _clear(self):
        self._read = self._written = self._edges_taken = self._lost_asked = self._audio_taken = 0
        self._calls = 0
        self._end = struct.calcsize(REPLY)

    def serve(self):
        """Boot the firmware at the first request, answer requests until the bench closes the pipe."""
        loop = None
        while self._requests.readinto(self._request):
            said = struct.unpack(REQUEST, self._request)
            (self._ticks, self._waiting, self._space, self._levels, self._inputs, self._lost, count, flags) = said[:8]
            self._bus = said[8:]
            self._memory_low = flags & MEMORY_LOW != 0
            self._edge_count = count
            self._edges = self._requests.read(count * self._edge_bytes) if count else b""
            self._audio = None
            if flags & HAS_BLOCK:
                first, ticks = struct.unpack(AUDIO, self._requests.read(struct.calcsize(AUDIO)))
                self._audio = (first, ticks, self._requests.read(AUDIO_BYTES))
            self._clear()
            if loop is None:
                loop = Loop(self)
            deadline = loop.run_once()
            struct.pack_into(
                REPLY,
                self._reply,
                0,
                deadline,
                self._read,
                self._written,
                self._edges_taken,
                self._lost_asked,
                self._audio_taken,
                self._calls,
            )
            self._replies.write(self._view[: self._end])

    def _call(self, which, port=0, count=0, a=0, b=0):
        struct.pack_into(CALL, self._reply, self._end, which, port, count, a, b)
        self._end += struct.calcsize(CALL)
        self._calls += 1

    def ticks_us(self):
        """See Pins."""
        return self._ticks

    def read_bytes(self, most):
        """See Pins."""
        count = min(most, self._waiting)
        if not count:
            return b""
        self._waiting -= count
        self._read += count
        return self._in.read(count)

    def write_space(self):
        """See Pins."""
        return self._space

    def write_bytes(self, data):
        """See Pins."""
        if len(data) > self._space:
            raise ValueError("%d bytes written into space for %d" % (len(data), self._space))
        self._space -= len(data)
        self._written += len(data)
        self._out.write(data)

    def next_edge(self):
        """See Pins."""
        if self._edges_taken == self._edge_count:
            return None
        edge = struct.unpack_from(EDGE, self._edges, self._edges_taken * self._edge_bytes)
        self._edges_taken += 1
        return edge

    def edges_lost(self):
        """See Pins."""
        lost = self._lost
        self._lost = 0
        self._lost_asked = 1
        return lost

    def levels(self):
        """See Pins."""
        return self._levels

    def inputs(self):
        """See Pins."""
        return self._inputs

    def bus(self):
        """See Pins."""
        return self._bus

    def memory_low(self):
        """See Pins."""
        return self._memory_low

    def set_loop(self, port, closed):
        """See Pins."""
        self._call(SET_LOOP, port, 1 if closed else 0)

    def start_pulses(self, port, count, break_us, make_us):
        """See Pins."""
        self._call(START_PULSES, port, count, break_us, make_us)
        return self._ticks

    def pump(self):
        """See Pins."""
        self._call(PUMP)

    def permit(self):
        """See Pins."""
        self._call(PERMIT)

    def lamps(self, mask):
        """See Pins."""
        self._call(LAMPS, 0, mask)

    def listen(self, port):
        """See Pins."""
        self._call(LISTEN, port)
        self._audio = None

    def audio_block(self):
        """See Pins."""
        block = self._audio
        if block:
            self._audio = None
            self._audio_taken = 1
        return block

    def collect(self):
        """Nothing to do: memory is not short on a computer, and MicroPython collects by itself."""


def main(requests, replies, ports, boot, board, simulated, lamp_count):
    """Serve the bench over the two inherited file descriptors until it closes them."""
    import micropython

    if hasattr(micropython, "kbd_intr"):
        micropython.kbd_intr(-1)  # byte 3 of a frame must not interrupt
    asked = open(requests, "rb")  # noqa: SIM115  # open for as long as this process lives
    told = open(replies, "wb")  # noqa: SIM115
    pins = CosimPins(ports, boot, board, simulated, lamp_count, asked, told, sys.stdin.buffer, sys.stdout.buffer)
    pins.serve()
