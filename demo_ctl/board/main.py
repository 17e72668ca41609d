"""The loop around the firmware: reads the clock, widens it, steps, collects garbage. Chip and bench run this same loop.

Garbage while ringing is live
-----------------------------
A collection that MicroPython begins by itself comes anywhere, and everything waits for it: the pumps, too. So the loop
makes them, where they do no harm, and memory is never let run so low that another one begins.

*How long one takes.* Measured: 0.9 ms on a small heap, 18 ms with 100 KB of live objects, so 0.17 ms a KB. Live after
boot with a full upload and a full event queue (MicroPython with 32-bit words, on a computer): 23 KB of objects, 12 of
them events; and the modules, 90 KB copied as source, 78 KB as .mpy. That makes 20 to 23 ms with copied files, which is
longer than the guard lets two passes be apart (interlock.Times.loop_us, 20 ms), and there is no ringing then. Frozen
into MicroPython, their code stays in the chip's flash, and some 25 to 30 KB of names and classes are left (estimated,
not measured): 50 KB, 9.5 ms. The loop measures its own.

*Where one fits.* The pumps move each 10 ms, a quiet pass takes 2 to 3 ms; so a collection of up to 7 ms or so is made
once in every such idle slot, as soon as the slot is longer than the last collection was. One that is longer, or a loop
that has no idle slot, makes one between two passes when PASSES_SOON have gone by and nothing is left over, or when
PASSES_MOST have. It takes COLLECT_MOST_US at most, and a pass some 10 ms: passes stay about 20 ms apart, and pump moves
about 30. (The stage wants one each 40 ms; the guard trips at 20 between passes.) A longer one than that is never made
while ringing is live, and Pins.memory_low says so before ringing begins.

*What must be free.* A quiet pass leaves 0.6 KB behind, the busiest 4 KB, PASSES_MOST of them in a row some 20 KB. Twice
as much is asked for (chip_parts.FREE_LEAST); with less the guard trips. All of it is checked by a test.
"""

from demo_ctl.board.chip_parts import COLLECT_MOST_US, MASK
from demo_ctl.board.firmware import Firmware
from demo_ctl.wire.clock import Widener

MOST_US = 300000000  # the clock must be looked at every 2**29 us; five minutes leave a margin
IDLE_US = 20000  # a pass that finds nothing due for this long may collect garbage
REST_US = 500  # between passes with nothing due: edges are stamped by interrupts, so they can wait this long
COLLECT_US = 250000  # while no ringing is live, garbage is collected this often at most
SLOT_US = 8000  # while it is, once in each interval between two pump moves
PASSES_SOON = 8  # after so many passes without one it does not wait for a slot that is long enough
PASSES_MOST = 16  # and after so many not even for a pass with nothing left over


class Loop:
    """One firmware and its clock."""

    def __init__(self, pins):
        self.pins = pins
        self.clock = Widener()
        self.firmware = Firmware(pins)

    def run_once(self):
        """One pass. Return the 64-bit instant at which the next is due at the latest, never over five minutes away."""
        now_us = self.clock.now(self.pins.ticks_us())
        return min(self.firmware.step(now_us), now_us + MOST_US)


class Collector:
    """Decides after each pass whether garbage is collected now, and knows how long it takes: cost_us, of the last."""

    def __init__(self, pins):
        self._pins = pins
        self._passes = 0  # since the last one, while live
        self._at_us = -COLLECT_US
        self.cost_us = 0

    def collect(self, now_us):
        """Collect now."""
        pins = self._pins
        began = pins.ticks_us()
        pins.collect()
        self.cost_us = (pins.ticks_us() - began) & MASK
        self._at_us = now_us
        self._passes = 0

    def passed(self, live, now_us, left_us):
        """A pass is over. live: the pumps are being moved; left_us: until the next one is due at the latest.

        Return whether garbage was collected, and so time has passed.
        """
        if live:
            self._passes += 1
            if left_us > self.cost_us:
                due = now_us - self._at_us >= SLOT_US
            elif self.cost_us > COLLECT_MOST_US:
                due = False
            else:
                due = self._passes >= (PASSES_SOON if left_us > REST_US else PASSES_MOST)
            if not due:
                return False
        elif left_us <= IDLE_US or now_us - self._at_us < COLLECT_US:
            self._passes = 0
            return False
        self.collect(now_us)
        return True


def run(pins):
    """Run for ever. However it ends, by an exception of any kind, the outputs are off when it has."""
    try:
        loop = Loop(pins)
        guard = loop.firmware.guard
        collector = Collector(pins)
        collector.collect(loop.clock.now(pins.ticks_us()))  # so that it is known from the start how long that takes
        while True:
            deadline_us = loop.run_once()
            pins.alive()
            now_us = loop.clock.now(pins.ticks_us())
            left_us = deadline_us - now_us
            if not collector.passed(guard.live, now_us, left_us) and left_us > REST_US:
                pins.rest(REST_US)
    finally:
        outputs_off(pins)


def outputs_off(pins):
    """Open every loop, end every train and the listening. The pump stands still: nobody moves it any more.

    One output that fails must not keep the others on.
    """
    for port in range(1, pins.ports + 1):
        try:
            pins.set_loop(port, 0)
        except Exception:
            pass
    for off in (pins.listen, pins.lamps):
        try:
            off(0)
        except Exception:
            pass
