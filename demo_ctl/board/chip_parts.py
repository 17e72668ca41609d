"""Parts of the chip's pins that need no chip, tested on any computer.

Edge queue, chunked output, audio ring; the two devices on the bus; the state of the memory; the way in for firmware.
"""

from array import array

from demo_ctl.board.pins import TICKS
from demo_ctl.wire.messages import AUDIO_BLOCK, AUDIO_HZ

CHUNK = 64  # bytes of one USB packet
ROOM = 256  # bytes that may wait in Outbox: the longest frame
EDGES = 256  # a power of two
SAMPLE_US = 1000000 // AUDIO_HZ
BLOCK_BYTES = 2 * AUDIO_BLOCK
MASK = TICKS - 1
ASK_US = 40000  # the expander is asked this often: with passes of 10 ms, each 50 ms at the latest
# So long after a reading the next is begun, one channel a pass; and after so long what remains of it is read at once: a
# reading each 50 ms at the latest, which Pins.bus promises, and no two that overlap much (true rms of 50 ms each).
BEGIN_US = 30000
HURRY_US = 40000

# The converter that measures the ringing bus, as data. Any isolated one will do that scans four channels by itself and
# keeps each newest result, 12 bits at the left of two bytes, in a register of its own; choose one and write its figures
# here. In front of it stand converters to true rms, averaging one cycle of 20 Hz, whose output at nothing is a tenth of
# full scale: less is a broken wire or a dead converter, not silence.
CONVERTER = (
    0x48,  # address
    ((0x01, b"\x0f"),),  # written at the start and after an error: (register, bytes): scan all four
    # In the order of Pins.bus: (register, what the top of the scale stands for)
    (
        (0x10, 150000),  # bus, mV
        (0x11, 250000),  # bus, uA
        (0x12, 150000),  # generator, mV
        (0x13, 75000),  # battery, mV
    ),
)
STEPS = 4095
ZERO_STEPS = 410  # the live zero
DEAD_STEPS = 370  # less is no signal
SMALL = (1 << 30) - 1  # integers above it allocate

# The port expander, as data: line 7 of its input port is wired to line 7 of its output port, the echo. The other lines
# of the output port are lamps.
EXPANDER = (
    0x20,  # address
    ((0x02, b"\x00"), (0x03, b"\x00"), (0x06, b"\xff"), (0x07, b"\x00")),  # outputs 0; port 0 is inputs, port 1 outputs
    0x00,  # register of the inputs
    0x03,  # register of the outputs
)
ECHO = 7
ECHOES = 4  # good ones in a row before an input is believed: two of each level

# Memory. See `main` for how often garbage is collected while ringing is live.
LOOK_US = 250000  # free memory is counted this often: that walks through all of it, and takes up to 1 ms
FREE_LEAST = 48 * 1024  # twice what PASSES_MOST passes of the busiest kind may allocate
COLLECT_MOST_US = 10000  # a longer collection finds no place between two passes while ringing is live

HOLD_MS = 3000  # the button held for so long at boot keeps the firmware from starting
HOLD_STEP_MS = 50


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


class Converter:
    """The ringing bus, measured. One channel is read in a pass, so that no pass is long, unless passes are few.

    i2c: writeto_mem and readfrom_mem_into as MicroPython has them; described: like CONVERTER. An error of the bus never
    leaves here: the reading in hand is dropped, and its number stands still, which the firmware takes for a fault.
    """

    def __init__(self, i2c, described, ticks_us):
        self._i2c = i2c
        self._address, self._set_up, self._channels = described
        self._ticks_us = ticks_us
        for _, full in self._channels:
            if full * (STEPS - ZERO_STEPS) > SMALL:
                raise ValueError("full scale %d is too large a number" % full)
        self._two = bytearray(2)
        self._values = [0] * len(self._channels)
        self._nth = 0  # channel that is next
        self._ended = (ticks_us() - HURRY_US) & MASK  # the last reading
        self._ready = False
        self.reading = (0,) * (1 + len(self._channels))  # number modulo 256, values
        self.errors = 0

    def step(self):
        """Read a channel if one is due. Return the newest complete reading."""
        now = self._ticks_us()
        since_us = (now - self._ended) & MASK
        if since_us < BEGIN_US:
            return self.reading
        try:
            if not self._ready:
                for register, data in self._set_up:
                    self._i2c.writeto_mem(self._address, register, data)
                self._ready = True
            going = True
            while going:
                going = self._read_next(now) and since_us >= HURRY_US
        except OSError:
            self.errors += 1
            self._ready = False
            self._end(now)
        return self.reading

    def _end(self, now):
        self._nth = 0
        self._ended = now

    def _read_next(self, now):
        """Read one channel. Return whether the reading lacks another."""
        register, full = self._channels[self._nth]
        self._i2c.readfrom_mem_into(self._address, register, self._two)
        steps = (self._two[0] << 8 | self._two[1]) >> 4
        if steps < DEAD_STEPS:
            self._end(now)
            return False
        self._values[self._nth] = (steps - ZERO_STEPS) * full // (STEPS - ZERO_STEPS) if steps > ZERO_STEPS else 0
        self._nth += 1
        if self._nth < len(self._channels):
            return True
        self.reading = (self.reading[0] + 1 & 255,) + tuple(self._values)
        self._end(now)
        return False


class Expander:
    """Seven slow inputs over the bus, all 0 unless the expander is seen to be alive; and seven lamps, taken along.

    Its echo line follows what was last written, and changes with every reading: an expander that is frozen, gone, or
    has forgotten how it was set up gives a wrong echo in two readings. Then nothing is believed until ECHOES are right.
    Lamps (`lit`, lamp 1 in bit 0) stand in the same byte as the echo: they add no transfer, and change with the next
    reading, after ASK_US at the latest. Setting up makes them dark first, so those of a board that was reset go out.
    """

    def __init__(self, i2c, described, ticks_us):
        self._i2c = i2c
        self._address, self._set_up, self._inputs, self._outputs = described
        self._ticks_us = ticks_us
        self._one = bytearray(1)
        self._out = bytearray(1)
        self.lit = 0
        self._asked = (ticks_us() - ASK_US) & MASK
        self._ready = False
        self._echo = 0
        self._right = 0
        self.bits = 0
        self.errors = 0

    def read(self):
        """Return the inputs, line 0 in bit 0, as of the last ASK_US."""
        now = self._ticks_us()
        if (now - self._asked) & MASK < ASK_US:
            return self.bits
        self._asked = now
        self._echo ^= 1
        try:
            if not self._ready:
                for register, data in self._set_up:
                    self._i2c.writeto_mem(self._address, register, data)
                self._ready = True
            self._out[0] = self._echo << ECHO | self.lit
            self._i2c.writeto_mem(self._address, self._outputs, self._out)
            self._i2c.readfrom_mem_into(self._address, self._inputs, self._one)
        except OSError:
            self.errors += 1
            self._ready = False
            self._right = 0
            self.bits = 0
            return 0
        bits = self._one[0]
        if bits >> ECHO != self._echo:
            self._ready = False
            self._right = 0
        elif self._right < ECHOES:
            self._right += 1
        self.bits = bits & ((1 << ECHO) - 1) if self._right == ECHOES else 0
        return self.bits


class Memory:
    """Whether memory runs short. collect, mem_free: those of MicroPython's gc."""

    def __init__(self, ticks_us, collect, mem_free):
        self._ticks_us = ticks_us
        self._collect = collect
        self._mem_free = mem_free
        self._looked = ticks_us()
        self._short = mem_free() < FREE_LEAST
        self.collect_us = 0

    def collect(self):
        """Collect garbage, and remember how long it took."""
        began = self._ticks_us()
        self._collect()
        self.collect_us = (self._ticks_us() - began) & MASK

    def low(self):
        """Return whether too little is free, or a collection takes too long to be made while ringing is live."""
        if self.collect_us > COLLECT_MOST_US:
            return True
        now = self._ticks_us()
        if (now - self._looked) & MASK >= LOOK_US:
            self._looked = now
            self._short = self._mem_free() < FREE_LEAST
        return self._short


def held_at_boot(pressed, sleep_ms):
    """Return whether the button is held for HOLD_MS from now. pressed(): whether it is now; a moment ends it."""
    for _ in range(0, HOLD_MS, HOLD_STEP_MS):
        if not pressed():
            return False
        sleep_ms(HOLD_STEP_MS)
    return bool(pressed())
