"""The counter of microseconds wraps every 2**30 (17.9 minutes); here, and only here, it becomes a 64-bit clock."""

_MASK = (1 << 30) - 1
_HALF = 1 << 29


class Widener:
    """Widens ticks modulo 2**30 to instants in microseconds.

    It must be shown the clock (`now`) at least every 2**29 us, about 8.9 minutes. Integers beyond 30 bits take
    memory on the chip, so interrupt code keeps ticks and the main loop widens them.
    """

    def __init__(self):
        self._ticks = -1  # not shown the clock yet
        self._now_us = 0

    def now(self, ticks):
        """Return the instant of `ticks`, read from the clock just now. Never goes back.

        The first instant is the first ticks themselves.
        """
        if self._ticks < 0:
            self._ticks = ticks
            self._now_us = ticks
            return ticks
        passed = (ticks - self._ticks) & _MASK
        if passed < _HALF:  # else ticks lie before the last: a reading that came late
            self._ticks = ticks
            self._now_us += passed
        return self._now_us

    def past(self, ticks):
        """Return the instant of `ticks` captured within 2**29 us before the last `now`.

        An interrupt may capture ticks just after the last `now` and before it is asked for them: those
        are widened rightly too. Instants before the clock's first turn began read 0.
        """
        ago = (self._ticks - ticks) & _MASK
        if ago > _HALF:
            ago -= _MASK + 1
        instant = self._now_us - ago
        return instant if instant > 0 else 0
