"""The frame everything is mounted on: what lines and switches share."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from demo_ctl.bench.cadence import Cadence
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.relays import Relay, adjusted
from demo_ctl.bench.truth import Truth
from demo_ctl.office.model import Adjustment, Spread


class Frame:
    """Clock, truth, adjustment, chance, interrupter, and whether the guard lets the generator's current through.

    Each part draws from a generator seeded by the unit's seed and the part's own name: the same seed gives the
    same unit, whichever part is used first.
    """

    def __init__(self, kernel: Kernel, adjustment: Adjustment, seed: int, interrupter: Cadence) -> None:
        self.kernel = kernel
        self.adjustment = adjustment
        self.interrupter = interrupter
        self.truth: list[Truth] = []
        self.ringing_feed = False
        self._seed = seed
        self.hunting_us = round(1e6 / adjustment.hunting_sps)
        self.finder_us = round(1e6 / adjustment.finder_sps)

    def note(self, what: str, value: int) -> None:
        """Write down that `what` is now `value`."""
        self.truth.append(Truth(self.kernel.now_us, what, value))

    def random(self, name: str) -> Random:
        """Return the part's own generator."""
        return Random(f"{self._seed} {name}")

    def relay(
        self, random: Random, what: str, operate: Spread, release: Spread, changed: Callable[[bool], None]
    ) -> Relay:
        """Make a relay with an adjustment of its own."""
        return Relay(self.kernel, self.truth, what, adjusted(random, operate), adjusted(random, release), changed)
