"""Debounced levels: the second layer over raw edges. Pure: no pins, no clock of its own.

A level counts once it has been steady for as long as its filter says; its stamp is when it became steady, so filters
cost delay, never truth. How long depends on what the port is doing:

* a loop that dials is not judged before its pulse train has ended;
* a port that is being rung carries the generator's current, so direct current is judged over more than one ringing
  cycle (20 Hz: 50 ms), and so is current on a called port whose own loop is open;
* ringing is an envelope: it must have lasted a little, and be gone for longer than the dips of a poor generator.

Bits number (port - 1) * 4 + signal, as in `pins`.
"""

from demo_ctl.board.limits import FAR_US
from demo_ctl.wire.messages import CALLED, CALLING, LOOP, MONITORED, RINGING

STEADY_US = 5000  # contact bounce of relays and dials: common practice, no source
CYCLE_US = 60000  # more than one cycle of 20 Hz ringing
RINGING_ON_US = 20000
# On the port that is to be rung: a lone peak, such as a bell's kick, reads 1 for ring_hold_us and at most two of
# ring_attack_us (pins). With two more there were 50 ms of ringing: of the very end of a burst, joined late, less than
# that sounds no bell, and its tone cannot be heard. It is no ring to wait for, nor one to count.
RING_US = 82000
RINGING_OFF_US = 60000

MASK = (1 << 30) - 1


def filter_us(role, signal, level, ringing, closed):
    """Return how long a level must be steady.

    ringing: ringing is sensed on the port; closed: we hold its loop closed.
    """
    if signal == RINGING:
        if not level:
            return RINGING_OFF_US
        return RING_US if role == CALLED else RINGING_ON_US
    if signal == LOOP:
        if role in (CALLED, MONITORED) and ringing:
            return CYCLE_US
        if role == CALLED and level and not closed:
            return CYCLE_US
    return STEADY_US


class Sense:
    """Raw and debounced level of every bit, and when the debounced one began."""

    def __init__(self, ports, levels):
        self.raw = levels
        self.levels = levels
        self.roles = bytearray(ports + 1)
        self.closed = bytearray(ports + 1)  # our own loop relay of each port
        self.since_us = [0] * (4 * ports)
        self.next_us = FAR_US  # when the next pending level is steady
        self._pending = []  # bits whose raw level differs from the debounced one
        self._changed_us = [0] * (4 * ports)
        self._due_us = [0] * (4 * ports)
        self._train_us = [-1] * (ports + 1)  # end of the port's pulse train

    def ringing(self):
        """Return which ports have ringing now, debounced: bit (port - 1)."""
        ringing = 0
        levels = self.levels >> RINGING
        port = 1
        while levels:
            if levels & 1:
                ringing |= port
            levels >>= 4
            port <<= 1
        return ringing

    def edge(self, at_us, bit, level):
        """Take one raw edge."""
        mask = 1 << bit
        if (self.raw & mask != 0) == level:
            return  # a repeat: nothing new
        self.raw ^= mask
        if (self.raw ^ self.levels) & mask:
            port = (bit >> 2) + 1
            signal = bit & 3
            shift = 4 * (port - 1) + RINGING
            ringing = (self.raw | self.levels) >> shift & 1
            due_us = at_us + filter_us(self.roles[port], signal, level, ringing, self.closed[port])
            if signal == LOOP and self.roles[port] == CALLING and due_us < self._train_us[port]:
                due_us = self._train_us[port]
            self._changed_us[bit] = at_us
            self._due_us[bit] = due_us
            self._pending.append(bit)
            if due_us < self.next_us:
                self.next_us = due_us
        else:
            self._pending.remove(bit)
            self._find_next()

    def pop(self):
        """Settle the level that is due at next_us; return (bit, level, began_us)."""
        at_us = self.next_us
        for bit in self._pending:
            if self._due_us[bit] == at_us:
                break
        self._pending.remove(bit)
        self._find_next()
        mask = 1 << bit
        self.levels ^= mask
        self.since_us[bit] = self._changed_us[bit]
        return bit, 1 if self.levels & mask else 0, self._changed_us[bit]

    def train(self, port, end_us):
        """Our pulse train runs on the port until end_us; call again with the instant of a stop."""
        bit = 4 * (port - 1) + LOOP
        self._train_us[port] = end_us
        if bit in self._pending:
            self._due_us[bit] = max(end_us, self._changed_us[bit] + STEADY_US)
            self._find_next()

    def _find_next(self):
        next_us = FAR_US
        for bit in self._pending:
            if self._due_us[bit] < next_us:
                next_us = self._due_us[bit]
        self.next_us = next_us
