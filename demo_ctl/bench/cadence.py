"""An interrupter: cams on a shaft that never stops, so its state follows from the time alone."""

from __future__ import annotations

from itertools import accumulate
from typing import Any

import numpy as np

from demo_ctl.bench.ailments import Ailments

#: One part of a cam that never comes off, or never on.
_STUCK_US = 1_000_000


class Cadence:
    """On, off, on, off... for so many microseconds each, over and over; empty: always on.

    `offset_us` says where in its cycle the shaft stood at time zero.
    """

    def __init__(self, parts_us: tuple[int, ...], offset_us: int = 0) -> None:
        if len(parts_us) % 2:
            parts_us = (*parts_us, 0)
        self.parts_us = parts_us
        self.cycle_us = sum(parts_us)
        self._ends = tuple(accumulate(parts_us))
        self._edges = np.array(self._ends, dtype=np.int64)
        self.offset_us = offset_us % self.cycle_us if self.cycle_us else 0

    def on_at(self, t_us: int) -> bool:
        """Say whether the contact is closed at `t_us`."""
        if not self.cycle_us:
            return True
        here = (t_us + self.offset_us) % self.cycle_us
        return sum(end <= here for end in self._ends) % 2 == 0

    def next_change_us(self, t_us: int) -> int | None:
        """Return the first instant after `t_us` at which a cam passes; None if the contact never moves."""
        if not self.cycle_us:
            return None
        here = (t_us + self.offset_us) % self.cycle_us
        return t_us + next(end - here for end in self._ends if end > here)

    def mask(self, times_us: np.ndarray[Any, np.dtype[np.int64]]) -> np.ndarray[Any, np.dtype[np.bool_]]:
        """`on_at` for many times at once: same shape, True where closed."""
        if not self.cycle_us:
            return np.ones(times_us.shape, dtype=np.bool_)
        here = (times_us + self.offset_us) % self.cycle_us
        closed: np.ndarray[Any, np.dtype[np.bool_]] = np.searchsorted(self._edges, here, side="right") % 2 == 0
        return closed


def ailing(cadence: Cadence, ailments: Ailments, part: str) -> Cadence:
    """Return the cadence as what is wrong with its cam leaves it: stuck on, stuck off, or on a shaft at another speed.

    A contact that is stuck off has a cycle of its own in which it never closes.
    """
    if ailments.strikes("stuck off", part):
        return Cadence((0, _STUCK_US))
    if ailments.strikes("stuck on", part):
        return Cadence(())
    factor = ailments.scale("cadence", part)
    if factor == 1.0 or not cadence.cycle_us:
        return cadence
    parts_us = tuple(max(1, round(part_us * factor)) for part_us in cadence.parts_us)
    return Cadence(parts_us, round(cadence.offset_us * factor))
