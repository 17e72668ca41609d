"""How much ringing there may be: one burst, one call, one hour. Pure: no pins, no clock, nothing allocated.

Two things are counted. *Live* is time in which the guard lets the generator through; it is counted for the call (the
plan) and for the hour. *Ringing* is time in which current flows into the bus or a port senses ringing; it is counted
for the burst: a burst ends with a pause, and shorter gaps do not end it. A burst that goes on without its pause is a
stuck interrupter or a connector that was not tripped, and no plan explains it.

The hour's budget is a bucket: it holds half of the hour's limit and takes an hour to fill by that half again (all but
a millisecond). So in any hour, wherever it begins, no more than the limit is spent; and after a full day of rest there
is half of it at once.
"""

from demo_ctl.wire.messages import R_BURST, R_CALL, R_HOUR, R_NONE

# The bucket fills by so much at a time, so that it fills the same however often `step` is called.
QUANTUM_US = 1000
HOUR = 3600000  # quanta
MOST_US = 1 << 29  # nothing is counted further: more than any limit, and small enough never to allocate


class Budget:
    """Three counters. Limits are in microseconds, of the mode that holds now; they may shrink at any time."""

    def __init__(self):
        self.burst_us = 0  # of the burst that runs
        self.still_us = 0  # since ringing was last seen
        self.call_us = 0  # live in this call, or in this visitors' session
        self._shared = False  # which of the two
        self._session_us = 0  # of the session, while another plan has its own call
        self.spent_us = 0  # of the hour's bucket, which holds half of the hour's limit
        self.rest_us = 0  # time not live that has not yet filled a quantum

    def new_call(self, shared, anew):
        """A plan starts. shared: one of a visitors' session, which have one budget together; anew: none before it."""
        if self._shared:
            self._session_us = self.call_us
        self.call_us = 0 if anew else self._session_us
        self._shared = shared

    def step(self, elapsed_us, live, ringing, limits):
        """Time passed. live, ringing: during it. limits: (burst_us, pause_us, call_us, hour_us).

        Return R_NONE, or the limit that is reached while live.
        """
        burst_us, pause_us, call_us, hour_us = limits
        if ringing:
            # A gap shorter than a pause belongs to the burst.
            self.burst_us = min(self.burst_us + self.still_us + elapsed_us, MOST_US)
            self.still_us = 0
        elif self.burst_us:
            self.still_us += elapsed_us
            if self.still_us >= pause_us:
                self.burst_us = 0
                self.still_us = 0
        if not live:
            self._rest(elapsed_us, hour_us)
            return R_NONE
        self.call_us = min(self.call_us + elapsed_us, MOST_US)
        self.spent_us = min(self.spent_us + elapsed_us, MOST_US)
        if self.burst_us >= burst_us:
            return R_BURST
        if self.call_us >= call_us:
            return R_CALL
        if self.spent_us >= hour_us // 2:
            return R_HOUR
        return R_NONE

    def _rest(self, elapsed_us, hour_us):
        # Quanta that an hour of rest fills: one less than half of the limit, for the one that was all but full before.
        fill = hour_us // (2 * QUANTUM_US) - 1
        if fill <= 0:
            return
        full_us = -(-HOUR // fill) * QUANTUM_US  # rest that fills one quantum, rounded up
        self.rest_us += elapsed_us
        self.spent_us -= self.rest_us // full_us * QUANTUM_US
        self.rest_us %= full_us
        if self.spent_us <= 0:
            self.spent_us = 0
            self.rest_us = 0

    def left_us(self, limits):
        """Return how long ringing may still be live: by the call's limit and the hour's."""
        return max(0, min(limits[2] - self.call_us, limits[3] // 2 - self.spent_us))
