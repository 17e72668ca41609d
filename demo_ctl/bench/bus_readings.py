"""What the board's converter measures on the ringing bus, one reading a cycle of 50 ms.

Theory of operation. The converter's readings are root mean squares over one whole cycle, as the board's arithmetic
gives them: they tell what was there during the last complete cycle, and a cycle in which the guard opened half way
reads in between. Nothing is scheduled for that. Between two changes voltage and current are steady, so the integral of
their squares is a closed form; it is brought forward when something changes and when somebody asks.

The cycle is the board's own and stays 50 ms, whatever the generator's frequency is.
"""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

from demo_ctl.board.chip_parts import CONVERTER, DEAD_STEPS, STEPS, ZERO_STEPS

CYCLE_US = 50_000  # 20 Hz: one cycle of ringing (board.pins: at least one reading each 50 ms)
_COUNTS = 256
_FULL = tuple(full for _, full in CONVERTER[2])  # of bus, current, generator, battery
_SOUND = (1, 1)


def as_read(value: int, full: int, drift: tuple[int, int]) -> int | None:
    """Return what the board makes of a value when the converter's reference stands at drift[0] / drift[1].

    The live zero drifts with the rest; None: it is less than the board takes for a signal. value, full: mV or uA.
    """
    span = STEPS - ZERO_STEPS
    steps = min(STEPS, (ZERO_STEPS + value * span // full) * drift[0] // drift[1])
    if steps < DEAD_STEPS:
        return None
    return max(0, steps - ZERO_STEPS) * full // span


class Reading(NamedTuple):
    """As `Pins.bus` returns it; rms."""

    cycle: int  # modulo 256
    bus_mV: int
    bus_uA: int
    supply_mV: int
    battery_mV: int


class BusReadings:
    """The readings. `stuck`: values stand still, the count goes on. `dead`: no new reading comes."""

    def __init__(self, now_us: int, supply_V: float, battery_V: float) -> None:
        self._cycle = now_us // CYCLE_US
        self._since_us = now_us
        self._now = (0.0, 0.0, supply_V * supply_V)  # squares of bus V, bus mA, supply V as they are
        self._sums = (0.0, 0.0, 0.0)  # squares times us, of the cycle that runs
        first_us = now_us - self._cycle * CYCLE_US
        if first_us:  # switched on in mid-cycle: it stood like this before, too
            self._sums = (0.0, 0.0, self._now[2] * first_us)
        self._last = self._now  # mean squares of the cycle before
        self.battery_V = battery_V
        self._kept: Reading | None = None
        self._kept_at = 0  # the cycle of `_kept`
        self._stuck: Reading | None = None
        self._dead: Reading | None = None
        self._drift = _SOUND

    def change(self, now_us: int, bus_V: float, bus_mA: float, supply_V: float) -> None:
        """From now on these are there (rms)."""
        self._roll(now_us)
        self._now = (bus_V * bus_V, bus_mA * bus_mA, supply_V * supply_V)

    def set_battery(self, battery_V: float) -> None:
        """From now on the battery has this voltage; the next reading shows it."""
        self.battery_V = battery_V

    def drift(self, now_us: int, drift: tuple[int, int]) -> None:
        """From the next reading on the converter's reference stands at drift[0] / drift[1] of what it should be."""
        if drift != self._drift:
            self.newest(now_us)
            self._drift = drift

    def stick(self, now_us: int, stuck: bool, dead: bool) -> None:
        """Let values stand still (stuck), or the whole reading (dead), as they are now; or go on."""
        if not dead:
            self._dead = None
        if not stuck:
            self._stuck = None
        reading = self.newest(now_us)
        if stuck and not self._stuck:
            self._stuck = reading
        if dead:
            self._dead = reading  # of one that is dead already: the same

    def newest(self, now_us: int) -> Reading:
        """Return the newest reading: of the last complete cycle."""
        if self._dead:
            return self._dead
        cycle = now_us // CYCLE_US
        kept = self._kept
        if kept is None or cycle != self._kept_at:
            self._roll(now_us)
            bus, current, supply = self._last
            kept = Reading(
                cycle % _COUNTS,
                round(sqrt(bus) * 1000),
                round(sqrt(current) * 1000),
                round(sqrt(supply) * 1000),
                round(self.battery_V * 1000),
            )
            if self._drift != _SOUND:
                kept = self._drifted(kept) or self._kept or kept._replace(cycle=0)
            self._kept = kept
            self._kept_at = cycle
        if self._stuck:
            return self._stuck._replace(cycle=kept.cycle)
        return kept

    def _drifted(self, true: Reading) -> Reading | None:
        """Return what is read of these, None: one of them is no signal, and the reading is dropped."""
        read = [as_read(value, full, self._drift) for value, full in zip(true[1:], _FULL, strict=True)]
        known = [value for value in read if value is not None]
        return Reading(true.cycle, *known) if len(known) == len(read) else None

    def _roll(self, now_us: int) -> None:
        """Bring the integrals forward to now."""
        cycle = now_us // CYCLE_US
        now = self._now
        if cycle != self._cycle:
            if cycle == self._cycle + 1:
                left_us = cycle * CYCLE_US - self._since_us
                done = [(total + square * left_us) / CYCLE_US for total, square in zip(self._sums, now, strict=True)]
                self._last = (done[0], done[1], done[2])
            else:
                self._last = now
            self._cycle = cycle
            self._sums = (0.0, 0.0, 0.0)
            self._since_us = cycle * CYCLE_US
        passed_us = now_us - self._since_us
        if passed_us:
            bus, current, supply = self._sums
            self._sums = (bus + now[0] * passed_us, current + now[1] * passed_us, supply + now[2] * passed_us)
            self._since_us = now_us
