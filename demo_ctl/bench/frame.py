"""The frame everything is mounted on: what lines and switches share."""

from __future__ import annotations

from collections.abc import Callable
from random import Random

from demo_ctl.bench.ailments import SOUND, Ailments
from demo_ctl.bench.cadence import Cadence
from demo_ctl.bench.circuit import LineCircuit
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.relays import Relay, line_coil, local_coil, own_us
from demo_ctl.bench.truth import Truth
from demo_ctl.office.model import Adjustment, Coils, Spread, Supply

#: How much the operate current of one line-fed relay differs from the unit's figure, and one interrupter's setting
#: (common practice, no source).
_OPERATE_SPREAD = 0.1
_SETTING = 0.02


def _nobody(_current_mA: float) -> None:
    """Nobody measures."""


class Frame:
    """Clock, truth, adjustment, chance, interrupter, and whether the guard lets the generator's current through.

    Each part draws from a generator seeded by the unit's seed and the part's own name: the same seed gives the
    same unit, whichever part is used first.
    """

    def __init__(
        self,
        kernel: Kernel,
        adjustment: Adjustment,
        coils: Coils,
        supply: Supply,
        seed: int,
        interrupter: Cadence,
        ailments: Ailments = SOUND,
    ) -> None:
        self.kernel = kernel
        self.adjustment = adjustment
        self.coils = coils
        self.supply = supply
        #: Where the times of the adjustment were taken.
        self.reference = LineCircuit(supply.battery_V, supply.feed_ohm, coils.reference_ohm)
        #: What is wrong with the unit; every part asks.
        self.ailments = ailments
        self._figures = ailments if ailments.any else None
        self.interrupter = interrupter
        self.truth: list[Truth] = []
        self.ringing_feed = False
        #: Called with what all lines together draw from the ringing bus, mA rms, when it has changed.
        self.on_draw: Callable[[float], None] = _nobody
        self._drawn_mA: dict[str, float] = {}
        self._seed = seed
        self.hunting_us = round(1e6 / adjustment.hunting_sps)
        self.finder_us = round(1e6 / adjustment.finder_sps)

    def note(self, what: str, value: int) -> None:
        """Write down that `what` is now `value`."""
        self.truth.append(Truth(self.kernel.now_us, what, value))

    def draw(self, name: str, current_mA: float) -> None:
        """Line `name` draws this much from the ringing bus now, mA rms: bells in step, so currents add."""
        if current_mA:
            self._drawn_mA[name] = current_mA
        else:
            self._drawn_mA.pop(name, None)
        self.on_draw(sum(self._drawn_mA.values()))

    def random(self, name: str) -> Random:
        """Return the part's own generator."""
        return Random(f"{self._seed} {name}")

    def relay(
        self,
        random: Random,
        what: str,
        operate: Spread,
        release: Spread,
        changed: Callable[[bool], None],
        *,
        slow: bool = False,
    ) -> Relay:
        """Make a relay or magnet between local contacts, with an adjustment of its own. slow: its release is a hold."""
        coil = local_coil(self.coils, own_us(random, operate), own_us(random, release), slow=slow)
        return Relay(self.kernel, self.truth, what, coil, changed, random, self._figures)

    def line_relay(
        self,
        random: Random,
        what: str,
        operate: Spread,
        release: Spread,
        changed: Callable[[bool], None],
        *,
        slug: bool = False,
    ) -> Relay:
        """Make a relay that feeds a line. slug: a copper slug keeps alternating current from moving it."""
        part = 1 - _OPERATE_SPREAD + 2 * _OPERATE_SPREAD * random.random()
        operate_us, release_us = own_us(random, operate), own_us(random, release)
        coil = line_coil(self.coils, self.reference, operate_us, release_us, part, slug=slug)
        return Relay(self.kernel, self.truth, what, coil, changed, random, self._figures)

    def stepping_relay(
        self, random: Random, what: str, period_us: int, changed: Callable[[bool], None]
    ) -> tuple[Relay, float]:
        """Make a magnet, and the pace at which its own interrupter springs let it step every `period_us`.

        The springs open and close before the armature's stroke is over; that is how they are set. Each magnet is set
        a little differently; weak battery, or a magnet out of adjustment, then changes its speed.
        """
        times = self.adjustment
        relay = self.relay(random, what, times.magnet_operate, times.magnet_release, changed)
        set_to = 1 - _SETTING + 2 * _SETTING * random.random()
        return relay, period_us * set_to / relay.coil.cycle_us()
