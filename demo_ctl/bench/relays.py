"""A relay or a magnet: a winding is driven, and a contact or an armature follows a while later.

The delay is a function of the relay, asked at the moment the winding changes. Here it is drawn from the unit's
adjustment; a function that works out a coil's current from its circuit fits the same place.
"""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from demo_ctl.bench.kernel import Handle, Kernel
from demo_ctl.bench.truth import Truth
from demo_ctl.office.model import Spread

#: A contact's flight when it changes over (facts T32: 1..3 ms, common practice, no source).
FLIGHT_US = 2000

#: How much one relay's time differs from operation to operation, part of its own time (common practice, no source).
_WANDER = 0.02


class Relay:
    """`drive` the winding; `changed(operated)` is called when the contacts follow, and the truth gets a row.

    A winding driven the other way before the contacts moved calls the move off. `locked`: a contact of its own
    holds the winding, so driving it off does nothing.
    """

    __slots__ = (
        "_changed",
        "_kernel",
        "_operate_us",
        "_pending",
        "_release_us",
        "_truth",
        "energised",
        "locked",
        "operated",
        "what",
    )

    def __init__(
        self,
        kernel: Kernel,
        truth: list[Truth],
        what: str,
        operate_us: Delay,
        release_us: Delay,
        changed: Callable[[bool], None],
    ) -> None:
        self._kernel = kernel
        self._truth = truth
        self.what = what
        self._operate_us = operate_us
        self._release_us = release_us
        self._changed = changed
        self._pending: Handle | None = None
        self.energised = False
        self.operated = False
        self.locked = False

    def drive(self, on: bool) -> None:
        """Energise the winding or take its current away, now."""
        if on == self.energised or (self.locked and not on):
            return
        self.energised = on
        if self._pending is not None:
            self._kernel.cancel(self._pending)
            self._pending = None
        if on != self.operated:
            delay_us = (self._operate_us if on else self._release_us)(self)
            self._pending = self._kernel.at(self._kernel.now_us + delay_us, self._turn)

    def _turn(self) -> None:
        self._pending = None
        self.operated = self.energised
        self._truth.append(Truth(self._kernel.now_us, self.what, int(self.operated)))
        self._changed(self.operated)


#: Microseconds from the winding's change to the contacts'.
Delay = Callable[[Relay], int]


def adjusted(random: Random, spread: Spread) -> Callable[[Relay | None], int]:
    """Give one relay its adjustment: its own time within `spread`, and a little wander at each operation.

    Every time returned lies within the spread's least and most.
    """
    least, most = spread.least_us, spread.most_us
    if least >= most:
        return lambda _: least
    own = random.triangular(least, most, min(max(spread.typical_us, least), most))

    def delay_us(_: Relay | None) -> int:
        return min(max(round(own * random.uniform(1 - _WANDER, 1 + _WANDER)), least), most)

    return delay_us
