"""The ringing guard: whether the pump may move now. Pure: no pins, no clock of its own.

Theory of operation
-------------------
The generator reaches the unit only through two relays that stay up only while the firmware's own loop keeps moving a
pump, at every instant of a 10 ms grid. This module is asked before each move. It says yes only in state ALLOWED, and
every way out of that state is one call that leaves it OFF:

    OFF      --open: plan running, heartbeat fresh, both chain inputs closed, time left-->  ALLOWED
    ALLOWED  --close(reason): window over, plan over, silence, chain open, ringing where none is expected-->  OFF

So ringing is off at boot, and off after everything else. Nothing here can be told to ignore a condition; the host can
only ask for a window, and ask for a shorter longest window. A window that is opened again while open, or less than a
second after it closed, does not start a new limit: the limit counts from the first opening.

`move` is asked with the inputs of the same instant, so a chain that opens costs no further move. The chain also
takes the coils' supply away by its own contacts; the firmware is the second of two ways, never the only one.

This is the guard's first form: it withdraws. Latched trips, the mirror contacts' checks, the key and the bus
measurements belong to the full interlock, which replaces this module.
"""

from demo_ctl.board.limits import FAR_US, PUMP_US, RING_REST_US, RING_WINDOW_MS, UNEXPECTED_GRACE_US
from demo_ctl.wire.messages import (
    G_ALLOWED,
    G_OFF,
    IN_CHAIN_A,
    IN_CHAIN_B,
    R_CHAIN,
    R_ENDED,
    R_NONE,
    R_UNEXPECTED_RINGING,
    R_WINDOW,
)

CHAIN = IN_CHAIN_A | IN_CHAIN_B


def chain_closed(inputs):
    """Return whether both channels of the interlock chain read closed. inputs: IN_* bits."""
    return inputs & CHAIN == CHAIN


def unexpected(ringing, port):
    """Return whether ringing is sensed on a port other than `port`. ringing: bit (port - 1)."""
    if port:
        ringing &= ~(1 << (port - 1))
    return ringing != 0


class Guard:
    """State of the ringing guard: off, or allowed for one port until an instant."""

    def __init__(self):
        self.state = G_OFF
        self.port = 0  # who may be rung; 0 while off
        self.ends_us = FAR_US  # the window's end
        self.next_us = FAR_US  # the pump's next instant on the grid
        self.most_us = RING_WINDOW_MS * 1000  # tightened by the host
        self._from_us = 0  # first opening that the limit counts from
        self._closed_us = -FAR_US

    def open(self, now_us, port, for_us, inputs, ringing):
        """Allow ringing on `port` for at most for_us. Return R_NONE, or why not (the guard is off then).

        The caller has checked that a plan runs and its heartbeat is fresh.
        """
        if not chain_closed(inputs):
            return R_CHAIN
        if unexpected(ringing, port):
            return R_UNEXPECTED_RINGING
        if self.state != G_ALLOWED and now_us - self._closed_us >= RING_REST_US:
            self._from_us = now_us
        most_us = self._from_us + self.most_us
        if most_us <= now_us:
            return R_WINDOW
        self.ends_us = min(now_us + for_us, most_us)
        if self.state != G_ALLOWED:
            self.next_us = now_us + -now_us % PUMP_US
        self.state = G_ALLOWED
        self.port = port
        return R_NONE

    def tighten(self, most_us):
        """Make the longest window shorter, the open one included."""
        if most_us < self.most_us:
            self.most_us = most_us
            if self.state == G_ALLOWED:
                self.ends_us = min(self.ends_us, self._from_us + most_us)

    def close(self, now_us):
        """No move from here on. Return whether ringing was allowed until now."""
        if self.state == G_OFF:
            return False
        self.state = G_OFF
        self.port = 0
        self.ends_us = self.next_us = FAR_US
        self._closed_us = now_us
        return True

    def check(self, now_us, ringing):
        """Return R_NONE, or why ringing must be withdrawn now. ringing: bit (port - 1), debounced."""
        if self.state == G_OFF:
            return R_NONE
        if now_us >= self.ends_us:
            return R_WINDOW
        if unexpected(ringing, self.port):
            return R_UNEXPECTED_RINGING
        return R_NONE

    def unexplained(self, now_us):
        """Return whether ringing that is sensed from now on has no window that explains it."""
        return self.state == G_OFF and now_us - self._closed_us >= UNEXPECTED_GRACE_US

    def move(self, now_us, running, inputs):
        """At an instant of the grid: return R_NONE to move the pump, or why ringing must be withdrawn instead.

        running: a plan runs and its heartbeat is fresh. Call only when now_us >= next_us.
        """
        if self.state != G_ALLOWED or not running:
            return R_ENDED
        if now_us >= self.ends_us:
            return R_WINDOW
        if not chain_closed(inputs):
            return R_CHAIN
        self.next_us = now_us - now_us % PUMP_US + PUMP_US
        return R_NONE
