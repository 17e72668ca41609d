"""Lamps: what the host wants lit, brought to the pins at most once each LAMPS_US, and dark when nobody speaks for it.

Nothing of safety hangs on a lamp, and no lamp may hang anything of safety up: the firmware comes here last in a pass,
and only in one that left nothing over; there is one call to the pins at most, which on the chip stores one number (the
expander takes it along with the byte it is sent anyway). A flood of messages costs what any other command costs;
only the newest is shown.
"""

from demo_ctl.board.limits import BLINK_US, FAR_US, LAMPS_US


class Lamps:
    """The lamps of one board. next_us: when `step` has something to do."""

    def __init__(self, pins):
        self._pins = pins
        self.count = pins.lamp_count
        self._lit = 0
        self._blink = 0
        self._shown = 0
        self._free_us = 0  # no change before this
        self.next_us = FAR_US
        if self.count:
            pins.lamps(0)

    def ask(self, now_us, lit, blink):
        """Light these from now on (bit 0: lamp 1); those in `blink`, of the lit ones, blink. False: no such lamps."""
        if lit >> self.count or blink & ~lit:
            return False
        self._lit = lit
        self._blink = blink
        self._await(now_us)
        return True

    def dark(self, now_us):
        """Every lamp off, at once."""
        self._lit = 0
        self._blink = 0
        if self._shown:
            self._show(now_us, 0)
        self.next_us = FAR_US

    def step(self, now_us):
        """Show what is due."""
        mask = self._wanted(now_us)
        if mask != self._shown:
            self._show(now_us, mask)
        self._await(now_us)

    def _wanted(self, now_us):
        """All that blink do so together: lit in the first half of each second of the board's clock."""
        return self._lit & ~self._blink if now_us // BLINK_US & 1 else self._lit

    def _show(self, now_us, mask):
        self._shown = mask
        self._free_us = now_us + LAMPS_US
        self._pins.lamps(mask)

    def _await(self, now_us):
        if self._wanted(now_us) != self._shown:
            next_us = now_us
        elif self._blink:
            next_us = (now_us // BLINK_US + 1) * BLINK_US
        else:
            self.next_us = FAR_US
            return
        self.next_us = next_us if next_us > self._free_us else self._free_us
