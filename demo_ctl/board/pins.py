"""The hardware interface of the firmware.

Implementations: `pins_rp2` (the chip; the only module that imports machine or rp2), `pins_cosim` (MicroPython on
a computer, its pins simulated over a second channel), and the bench's in-process one (in the bench room).
Ports count from 1. Ticks are microseconds modulo 2**30, as MicroPython's `ticks_us` gives them.

Boot is safe by hardware: every loop open (a monitored or dial-bench port passes its telephone through as wired),
pulse generators idle, pumps still.
"""

TICKS = 1 << 30


class Pins:
    """What a board can do. Every method returns at once."""

    ports = 4
    simulated = 0
    firmware_boot = 0  # differs from boot to boot
    board = 0  # differs from board to board: 64 bits at most
    lamp_count = 0  # 16 at most
    # Declared in WELCOME, microseconds (see wire.messages.Welcome).
    stamp_blur_us = 50
    loop_blur_us = 200
    battery_blur_us = 200
    ring_attack_us = 13000
    ring_hold_us = 30000

    def ticks_us(self):
        """Return the clock, microseconds modulo 2**30."""
        raise NotImplementedError

    # Serial port to the host.
    def read_bytes(self, most):
        """Return up to `most` bytes that have already arrived (b"" if none). Fewer than `most`: no more are waiting."""
        raise NotImplementedError

    def write_space(self):
        """Return how many bytes can be written now without waiting; 0 while no host listens."""
        raise NotImplementedError

    def write_bytes(self, data):
        """Write `data`, which is no longer than write_space() said."""
        raise NotImplementedError

    # Sensing.
    def next_edge(self):
        """Return the oldest raw edge not yet taken as (ticks, bit << 1 | level), or None.

        bit is (port - 1) * 4 + signal. An edge is captured by an interrupt, so its ticks are its own.
        """
        raise NotImplementedError

    def edges_lost(self):
        """Return how many raw edges the capture queue dropped since last asked."""
        raise NotImplementedError

    def levels(self):
        """Return all sensed levels now: bit (port - 1) * 4 + signal."""
        raise NotImplementedError

    def inputs(self):
        """Return the board's own inputs now (wire.messages.IN_*): chain, mirrors, key, button, night, alarms."""
        raise NotImplementedError

    def bus(self):
        """Return the newest reading of the ringing bus: (count, bus mV, bus uA, supply mV, battery mV), rms.

        count goes up by one, modulo 256, with every reading; there is one at least every 50 ms. bus is behind the
        guard's contacts, supply is the generator in front of them.
        """
        raise NotImplementedError

    def memory_low(self):
        """Return whether memory runs short, as of the last collection."""
        return False

    # Outputs.
    def set_loop(self, port, closed):
        """Close (1) or open (0) the port's loop relay; stops any pulse train of the port."""
        raise NotImplementedError

    def start_pulses(self, port, count, break_us, make_us):
        """Begin a train of `count` breaks, each followed by a make, in hardware; return the ticks of its start.

        The first break begins at those ticks; after count * (break_us + make_us) the loop stays closed.
        """
        raise NotImplementedError

    def pump(self):
        """Move both of the ringing guard's pumps once. The guard's relays fall 40..60 ms after the last move.

        The stages refuse direct current, moves less than 3 ms apart and moves more than 40 ms apart.
        """
        raise NotImplementedError

    def permit(self):
        """Move the supply permit's pump once. Its contactor falls 40..60 ms after the last move."""
        raise NotImplementedError

    def lamps(self, mask):
        """Light these lamps and no others: bit 0 is lamp 1. On the chip they follow within 50 ms.

        Asked at most each 40 ms. It must cost no more than storing a number: nothing may wait for a lamp.
        """

    # Listening.
    def listen(self, port):
        """Stream this port's audio (0: none). Sample index 0 is taken at once."""
        raise NotImplementedError

    def audio_block(self):
        """Return (index, ticks, data) of the next complete block, or None.

        index counts samples since listen(); data is AUDIO_BLOCK 16-bit little-endian words as the converter
        left them (12 bits, resting at wire.messages.AUDIO_REST).
        """
        raise NotImplementedError

    def collect(self):
        """Collect garbage once, in the idle part of a pass (nothing to do where there is no need)."""

    def alive(self):
        """Hear that the loop has made a pass: holds the watchdog off (nothing to do where there is none)."""

    def rest(self, most_us):
        """Let at most this time pass; nothing is due (the bench passes no time here)."""
