"""The loop around the firmware: reads the clock, widens it, steps. Chip and bench run this same loop."""

from demo_ctl.board.firmware import Firmware
from demo_ctl.wire.clock import Widener

MOST_US = 300000000  # the clock must be looked at every 2**29 us; five minutes leave a margin
IDLE_US = 20000  # a pass that finds nothing due for this long may collect garbage
REST_US = 500  # between passes with nothing due: edges are stamped by interrupts, so they can wait this long


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


def run(pins):
    """Run for ever. However it ends, by an exception of any kind, the outputs are off when it has."""
    try:
        loop = Loop(pins)
        while True:
            deadline_us = loop.run_once()
            pins.alive()
            left_us = deadline_us - loop.clock.now(pins.ticks_us())
            if left_us > IDLE_US:
                pins.collect()
            if left_us > REST_US:
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
    try:
        pins.listen(0)
    except Exception:
        pass
