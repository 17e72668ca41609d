"""The circuit of one line: what drives the winding that feeds it, with the loop closed, open, leaking and ringing.

    battery -- feed (winding, with its inductance) -- leak across -- line and telephone -- contact of the loop
                                                                   \\- bells with their condensers

All closed forms of a network of resistances, and one condenser: the telephone's bells are all alike, so any number
of them is one bell of less resistance and more capacitance. The cable's own capacitance charges in microseconds; what
counts is the charge, which goes through the winding at once.
"""

from __future__ import annotations

from math import inf, pi, sqrt
from typing import NamedTuple

#: One bell for direct current and pulses: 1800 ohm and 1 uF (facts R10, the older European form).
BELL_OHM = 1800.0
BELL_uF = 1.0
#: One ringer equivalence number at the ringing frequency (facts R10).
REN_OHM = 7000.0
#: Cable (facts L14).
CABLE_nF_PER_KM = 52.0


class Drive(NamedTuple):
    """What a line does to its winding.

    final_mA: direct current in the winding, in the end. ohm: all that limits the rise of the current (with the
    winding's inductance it gives the time constant); inf: the loop is open, so the winding is left to itself.
    surge_mA, surge_us: a condenser charges through the winding. charge_nC: goes through it at once.
    ripple_mA: peak of the ringing current in the winding.
    """

    final_mA: float
    ohm: float = inf
    surge_mA: float = 0.0
    surge_us: float = 0.0
    charge_nC: float = 0.0
    ripple_mA: float = 0.0


NOTHING = Drive(0.0)


class LineCircuit(NamedTuple):
    """A line as its feed sees it. Resistances in ohm; `leak_ohm` inf: none; `bells` is how many hang on it."""

    battery_V: float
    feed_ohm: float
    loop_ohm: float
    leak_ohm: float = inf
    bells: float = 1.0
    cable_nF: float = 0.0

    def closed(self, more_ohm: float = 0.0, ripple_V: float = 0.0) -> Drive:
        """The loop is closed. more_ohm: in series with the feed. ripple_V: peak of the ringing generator."""
        ohm = self.feed_ohm + more_ohm + parallel(self.loop_ohm, self.leak_ohm)
        return Drive(milliamps(self.battery_V, ohm), ohm, ripple_mA=milliamps(ripple_V, ohm) if ripple_V else 0.0)

    def opened(self, more_ohm: float = 0.0, ripple_V: float = 0.0) -> Drive:
        """The loop is open and has been: leak, and the bells for ringing."""
        leak_mA = milliamps(self.battery_V, self.feed_ohm + more_ohm + self.leak_ohm)
        ripple_mA = 0.0
        if ripple_V:
            # The bell is nearly a resistance of its own at ringing frequency (R10: 6930 of 7001 ohm).
            bells_ohm = parallel(REN_OHM / self.bells if self.bells else inf, self.leak_ohm)
            ripple_mA = milliamps(ripple_V, self.feed_ohm + more_ohm + bells_ohm)
        return Drive(leak_mA, ripple_mA=ripple_mA)

    def opening(self) -> Drive:
        """The loop opens now: as `opened`, and what charges the condensers, which stood at the telephone's voltage."""
        leak_mA = milliamps(self.battery_V, self.feed_ohm + self.leak_ohm)
        open_V = self.battery_V * (self.leak_ohm / (self.feed_ohm + self.leak_ohm) if self.leak_ohm < inf else 1.0)
        loop_ohm = parallel(self.loop_ohm, self.leak_ohm)
        ohm = self.feed_ohm + loop_ohm
        rise_V = open_V - (self.battery_V * loop_ohm / ohm if ohm else 0.0)
        source_ohm = parallel(self.feed_ohm, self.leak_ohm)
        share = self.leak_ohm / (self.feed_ohm + self.leak_ohm) if self.leak_ohm < inf else 1.0
        charge_nC = rise_V * self.cable_nF * share
        if not self.bells:
            return Drive(leak_mA, charge_nC=charge_nC)
        ohm = source_ohm + BELL_OHM / self.bells
        return Drive(leak_mA, inf, share * milliamps(rise_V, ohm), ohm * BELL_uF * self.bells, charge_nC)

    def loop_mA(self, more_ohm: float = 0.0) -> float:
        """Direct current in the telephone while the loop is closed."""
        total_mA = self.closed(more_ohm).final_mA
        if self.leak_ohm == inf:
            return total_mA
        both = self.leak_ohm + self.loop_ohm
        return total_mA * self.leak_ohm / both if both else total_mA


def parallel(one_ohm: float, other_ohm: float) -> float:
    """Two resistances side by side; either may be inf or 0."""
    if one_ohm == inf:
        return other_ohm
    if other_ohm == inf:
        return one_ohm
    return one_ohm * other_ohm / (one_ohm + other_ohm) if one_ohm or other_ohm else 0.0


def milliamps(volts: float, ohm: float) -> float:
    """Ohm's law; at most an ampere, which is what a heat coil lets through."""
    return min(1000.0, 1000.0 * volts / ohm) if ohm else 1000.0


def most_loop_ohm(battery_V: float, feed_ohm: float, least_mA: float) -> float:
    """The longest loop that still carries `least_mA` (facts L05, L06)."""
    return 1000.0 * battery_V / least_mA - feed_ohm


def least_leak_ohm(battery_V: float, feed_ohm: float, release_mA: float) -> float:
    """The leak at which a winding that releases at `release_mA` never does (facts D47)."""
    return 1000.0 * battery_V / release_mA - feed_ohm


def impedance_ohm(ohm: float, microfarad: float, frequency_Hz: float) -> float:
    """Size of a bell's impedance: resistance and condenser in series (facts R10)."""
    reactance = 1e6 / (2 * pi * frequency_Hz * microfarad) if microfarad else 0.0
    return sqrt(ohm * ohm + reactance * reactance)
