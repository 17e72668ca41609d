"""What the two methods of the ringing criteria compute of a ringing signal, and their limits. Pure arithmetic.

Every limit stands here from memory (see `criteria`, which says of each how sure that is).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import Enum

ROOT2 = math.sqrt(2.0)

#: What a person's body counts as, in both methods' current checks (facts H20, H26).
BODY_ohm = 5000.0
#: The resistors that decide about a tripping device and a monitoring voltage (facts H27, H28).
LOW_ohm = 500.0
HIGH_ohm = 1500.0

#: Method A (facts H21..H23): a burst up to the first time counts its peak, from the second on its swing.
SHORT_US = 600_000
LONG_US = 1_200_000
CONTINUOUS_mA = 16.0
SINGLE_FAULT_mA = 20.0
#: Both values of k that are remembered; the first gives the larger current, and decides.
K_STRICT = 3.75
K_OTHER = 3.75**2

#: Method B (facts H24..H29).
MOST_Hz = 70.0
MOST_SWING_V = 300.0
MOST_PEAK_V = 200.0
LONGEST_BURST_US = 5_000_000
SHORTEST_PAUSE_US = 1_000_000
MOST_PAUSE_V = 60.0
OLDER_PAUSE_V = 56.5
MOST_FAULT_SWING_mA = 56.5
TRIP_SWING_mA = 100.0
MONITOR_LEAST_V = 19.0
MONITOR_MOST_V = 60.0

#: What this project keeps ringing to, rms (facts H23).
HIGHEST_RINGING_V = 100.0


@dataclass(frozen=True)
class Waveform:
    """One or more whole cycles of ringing without the battery under it. high, low: its peaks, volts."""

    rms_V: float
    high_V: float
    low_V: float

    @property
    def swing_V(self) -> float:
        """Peak to peak."""
        return self.high_V - self.low_V

    @property
    def peak_V(self) -> float:
        """The higher of the two peaks."""
        return max(self.high_V, -self.low_V)


def sine(rms_V: float) -> Waveform:
    """Return a sine of this voltage."""
    return Waveform(rms_V, rms_V * ROOT2, -rms_V * ROOT2)


def waveform(samples_V: Sequence[float]) -> Waveform:
    """Return what whole cycles, sampled at equal steps, amount to; their mean (the battery) is taken away.

    Raises ValueError for fewer than 8 samples, which tell no peak.
    """
    if len(samples_V) < 8:
        raise ValueError(f"at least 8 samples of whole cycles tell a waveform, found {len(samples_V)}")
    mean_V = math.fsum(samples_V) / len(samples_V)
    rms_V = math.sqrt(math.fsum((sample - mean_V) ** 2 for sample in samples_V) / len(samples_V))
    return Waveform(rms_V, max(samples_V) - mean_V, min(samples_V) - mean_V)


@dataclass(frozen=True)
class Ringing:
    """What is known of a ringing supply. None: not measured, not declared.

    u_V: standard uncertainty of its voltage. battery_least/most_V: what it rides on. on_us, off_us: a burst and the
    pause after it. source_ohm: everything between the generator and the person, lamp and resistors.
    """

    wave: Waveform
    u_V: float = 0.0
    battery_least_V: float | None = None
    battery_most_V: float | None = None
    frequency_Hz: float | None = None
    on_us: int | None = None
    off_us: int | None = None
    source_ohm: float | None = None

    def scaled(self, factor: float) -> Ringing:
        """Return the same with another voltage, for a look at the edges of the uncertainty."""
        wave = self.wave
        return replace(self, wave=Waveform(wave.rms_V * factor, wave.high_V * factor, wave.low_V * factor))


def peak_current_mA(wave: Waveform, battery_V: float, ohm: float) -> float:
    """Return Ip: the highest current, battery included, through `ohm` (the resistor and the source together)."""
    return max(abs(battery_V + wave.high_V), abs(battery_V + wave.low_V)) / ohm * 1000


def swing_mA(wave: Waveform, ohm: float) -> float:
    """Return Ipp: peak to peak through `ohm`."""
    return wave.swing_V / ohm * 1000


def burst_current_mA(peak_mA: float, swing_mA: float, on_us: float) -> float:
    """Return ITS1 of a burst of this length (facts H21): by its peak up to 600 ms, by its swing from 1200 ms."""
    by_peak_mA = peak_mA / ROOT2
    by_swing_mA = swing_mA / (2 * ROOT2)
    if on_us <= SHORT_US:
        return by_peak_mA
    if on_us >= LONG_US:
        return by_swing_mA
    share = (on_us - SHORT_US) / (LONG_US - SHORT_US)
    return share * by_swing_mA + (1 - share) * by_peak_mA


def cadence_current_mA(burst_mA: float, pause_mA: float, on_us: float, cycle_us: float, k: float = K_STRICT) -> float:
    """Return ITS2 of bursts of on_us in each cycle_us (facts H22); pause_mA: direct current in the pause."""
    share = on_us / cycle_us
    return math.sqrt(share * burst_mA**2 + (1 - share) * pause_mA**2 / k)


def ceiling_V(battery_V: float) -> float:
    """Return the highest ringing voltage, rms, on this battery: 100 V, or less if the peak would reach 200 V."""
    return max(0.0, min(HIGHEST_RINGING_V, (MOST_PEAK_V - battery_V) / ROOT2))


def source_needed_ohm(swing_V: float, ohm: float, most_swing_mA: float) -> float:
    """Return the source resistance with which `ohm` sees at most this current, peak to peak."""
    return max(0.0, swing_V / most_swing_mA * 1000 - ohm)


class Protection(Enum):
    """What method B asks for beside the voltages (facts H27, H28)."""

    NOTHING = "nothing more"
    EITHER = "a tripping device that is good at 500 ohm, or a monitoring voltage"
    TRIP = "a tripping device; and a monitoring voltage, unless the device is good at 500 ohm"


def protection(swing_V: float, source_ohm: float) -> Protection:
    """Return what is needed with this swing behind this source."""
    if swing_V / (source_ohm + LOW_ohm) * 1000 <= TRIP_SWING_mA:
        return Protection.NOTHING
    if swing_V / (source_ohm + HIGH_ohm) * 1000 <= TRIP_SWING_mA:
        return Protection.EITHER
    return Protection.TRIP
