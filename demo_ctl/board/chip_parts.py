"""Parts of the chip's pins that need no chip: edge queue, chunked output, audio ring. Tested on any computer."""

from array import array

from demo_ctl.wire.messages import AUDIO_BLOCK, AUDIO_HZ

CHUNK = 64  # bytes of one USB packet
ROOM = 256  # bytes that may wait in Outbox: the longest frame
EDGES = 256  # a power of two
SAMPLE_US = 1000000 // AUDIO_HZ
BLOCK_BYTES = 2 * AUDIO_BLOCK


class EdgeQueue:
    """Edges between interrupt and loop. `put` allocates nothing and runs with interrupts off; `take` is the loop's."""

    def __init__(self):
        self.lost = 0
        self._ticks = array("i", bytes(4 * EDGES))
        self._codes = bytearray(EDGES)
        self._in = 0
        self._out = 0

    def put(self, ticks, code):
        """Add an edge; a full queue counts it as lost."""
        at = self._in
        after = (at + 1) & (EDGES - 1)
        if after == self._out:
            self.lost += 1
            return
        self._ticks[at] = ticks
        self._codes[at] = code
        self._in = after

    def take(self):
        """Return (ticks, code) of the oldest, or None."""
        at = self._out
        if at == self._in:
            return None
        got = (self._ticks[at], self._codes[at])
        self._out = (at + 1) & (EDGES - 1)
        return got


class Watch:
    """One sensed pin. Its `edge` is the interrupt's handler: made once, since making it would allocate."""

    def __init__(self, queue, bit, level, ticks_us):
        self._queue = queue
        self._code = bit << 1
        self._level = level
        self._ticks_us = ticks_us
        self.edge = self._edge

    def _edge(self, pin):
        ticks = self._ticks_us()
        level = pin.value()
        if level == self._level:
            # Two edges so close that one interrupt served both: too short to report, but declared.
            self._queue.lost += 1
            return
        self._level = level
        self._queue.put(ticks, self._code | level)


class Outbox:
    """Bytes on their way to a USB serial driver that would make the loop wait if it had no room.

    The driver says only whether it has room for one byte. Its buffer is a multiple of 64 bytes and the host takes up to
    64 at a time; so if nothing but whole chunks of 64 is ever written, room for one byte is room for 64. Frames are
    filled up with zero bytes, which are empty frames and mean nothing.
    """

    def __init__(self, ready, write):
        self._ready = ready  # () -> whether a byte can be written
        self._write = write  # (memoryview of CHUNK bytes)
        self._bytes = bytearray(ROOM)
        self._view = memoryview(self._bytes)
        self._next = 0
        self._end = 0

    def space(self):
        """Return how many bytes `put` takes now."""
        self.push()
        return ROOM if self._next == self._end else 0

    def put(self, data):
        """Take up to ROOM bytes; only when space() said so."""
        size = len(data)
        end = (size + CHUNK - 1) // CHUNK * CHUNK
        self._bytes[:size] = data
        for i in range(size, end):
            self._bytes[i] = 0
        self._next = 0
        self._end = end
        self.push()

    def push(self):
        """Write what goes without waiting."""
        while self._next < self._end and self._ready():
            self._write(self._view[self._next : self._next + CHUNK])
            self._next += CHUNK


class AudioRing:
    """Samples that the converter's own transfer writes into a ring, cut into blocks. No work per sample.

    ring: a power of two of bytes, the transfer wraps in it by itself. If the loop was away for longer than the ring
    lasts (128 ms for 2048 bytes) whole blocks are left out, and the index says so.
    """

    def __init__(self, ring):
        self._ring = memoryview(ring)
        self._samples = len(ring) // 2
        self._next = 0
        self._start_ticks = 0
        self.lost = 0

    def start(self, ticks):
        """Sample 0 is taken at these ticks."""
        self._next = 0
        self._start_ticks = ticks
        self.lost = 0

    def block(self, written, mask):
        """Return (index, ticks, data) of the next whole block, or None.

        written: samples since start; mask: of ticks.
        """
        ready = written - self._next
        if ready < AUDIO_BLOCK:
            return None
        spare = self._samples - AUDIO_BLOCK
        if ready > spare:  # the oldest is being overwritten, or soon will be
            blocks = (ready - spare + AUDIO_BLOCK - 1) // AUDIO_BLOCK
            self.lost += blocks
            self._next += blocks * AUDIO_BLOCK
        first = self._next
        self._next = first + AUDIO_BLOCK
        begin = 2 * (first % self._samples)
        end = begin + BLOCK_BYTES
        size = len(self._ring)
        if end <= size:
            data = bytes(self._ring[begin:end])
        else:
            data = bytes(self._ring[begin:]) + bytes(self._ring[: end - size])
        return first, (self._start_ticks + first * SAMPLE_US) & mask, data
