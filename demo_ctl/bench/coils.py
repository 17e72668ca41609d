"""Windings: how the flux of a relay follows what drives it, and when it passes a value. Closed forms only.

Flux is given in milliamperes: as the steady current that would keep it up. A winding follows its drive with one
time constant: while a contact keeps it on a battery that is inductance over resistance; after the contact has opened
it is what the core (eddy currents) or a copper slug leaves. On top of a steady drive there may be one surge that dies
away (a condenser charging through the winding) or an alternating current (ringing). Nothing settles before the drive
changes again, so a winding always goes on from where it is.

The forms (D46, D47 of the facts are their simplest cases), u being the time since the drive began:

    steady drive       x(u) = final + gap exp(-u / tau)
    surge S, tau_s     adds   S tau_s / (tau_s - tau) exp(-u / tau_s)
    current I, omega   adds   I / sqrt(1 + (omega tau)^2) sin(omega u + phase - atan(omega tau))

with `gap` such that x(0) is where the winding was.
"""

from __future__ import annotations

from collections.abc import Callable
from math import atan, cos, exp, log, pi, sin, sqrt

#: Crossings of the longer forms are found this closely.
_CLOSE_US = 0.01
#: After so many time constants an exponential counts as gone.
_GONE = 30.0


class Course:
    """The flux in mA of one winding from `since_us` on, until its drive changes."""

    __slots__ = ("final", "gap", "omega", "phase", "ripple", "since_us", "surge", "surge_us", "tau_us")

    def __init__(
        self,
        since_us: float,
        start: float,
        final: float,
        tau_us: float,
        *,
        surge: float = 0.0,
        surge_us: float = 0.0,
        ripple: float = 0.0,
        omega: float = 0.0,
        phase: float = 0.0,
    ) -> None:
        """Start at `start` mA towards `final` mA with `tau_us`.

        surge, surge_us: mA at the start of a drive that dies away with its own time constant.
        ripple, omega, phase: peak mA of an alternating drive, radians a microsecond, its phase at the start.
        A course has a surge or a ripple, not both.
        """
        self.since_us = since_us
        self.final = final
        self.tau_us = tau_us
        gap = start - final
        if surge:
            if abs(surge_us - tau_us) < 1e-6 * tau_us:
                surge_us = tau_us * (1 + 1e-6)  # two equal time constants need another form; this is as near
            surge = surge * surge_us / (surge_us - tau_us)
            gap -= surge
        if ripple:
            turned = omega * tau_us
            ripple /= sqrt(1 + turned * turned)
            phase -= atan(turned)
            gap -= ripple * sin(phase)
        self.gap = gap
        self.surge = surge
        self.surge_us = surge_us
        self.ripple = ripple
        self.omega = omega
        self.phase = phase

    def at(self, t_us: float) -> float:
        """Return the flux in mA at `t_us`, which does not lie before the start."""
        u = t_us - self.since_us
        value = self.final
        if u < _GONE * self.tau_us:
            value += self.gap * exp(-u / self.tau_us)
        if self.surge:
            value += self.surge * exp(-u / self.surge_us)
        if self.ripple:
            value += self.ripple * sin(self.omega * u + self.phase)
        return value

    def first(self, level: float, rising: bool, from_us: float) -> float | None:
        """Return when the flux is first at or above `level` (rising) or at or below it, from `from_us` on.

        None: never. `from_us` itself if it already is.
        """
        if self.surge:
            return self._first_of_two(level, rising, from_us)
        if self.ripple:
            return self._first_rippled(level, rising, from_us)
        now = self.at(from_us)
        if now >= level if rising else now <= level:
            return from_us
        return self._passes(level, from_us)

    def _passes(self, level: float, from_us: float) -> float | None:
        """When the flux without surge and ripple comes to `level`, which it hasn't yet; it only goes one way."""
        part = (level - self.final) / self.gap if self.gap else 0.0
        if part <= 0.0:
            return None
        when_us = self.since_us - self.tau_us * log(part)
        # Behind: it is on its way from there. A little behind is a rounding.
        return None if when_us < from_us - _CLOSE_US else max(from_us, when_us)

    def _first_of_two(self, level: float, rising: bool, from_us: float) -> float | None:
        """Two exponentials have at most one turning point: look before it and after it."""
        sign = 1.0 if rising else -1.0

        def above(t_us: float) -> float:
            return sign * (self.at(t_us) - level)

        if above(from_us) >= 0:
            return from_us
        end_us = max(self.since_us, from_us) + _GONE * max(self.tau_us, self.surge_us)
        ends = [end_us]
        slope, surge_slope = self.gap / self.tau_us, self.surge / self.surge_us
        if slope * surge_slope < 0:
            turn_us = self.since_us + log(-slope / surge_slope) / (1 / self.tau_us - 1 / self.surge_us)
            if from_us < turn_us < end_us:
                ends.insert(0, turn_us)
        begin_us = from_us
        for stop_us in ends:
            if above(stop_us) >= 0:
                return between(above, begin_us, stop_us)
            begin_us = stop_us
        return None

    def _first_rippled(self, level: float, rising: bool, from_us: float) -> float | None:
        """From where the envelope reaches the level, in pieces of an eighth of a cycle."""
        sign = 1.0 if rising else -1.0

        def above(t_us: float) -> float:
            return sign * (self.at(t_us) - level)

        if above(from_us) >= 0:
            return from_us
        near = level - sign * abs(self.ripple)
        u = from_us - self.since_us
        mean = self.final + self.gap * exp(-u / self.tau_us)
        begin_us: float | None = from_us
        if sign * (mean - near) < 0:
            begin_us = self._passes(near, from_us)
        if begin_us is None:
            return None
        piece_us = pi / 4 / self.omega
        # Pieces end at the wave's crests. Where one holds a top of its own (the exponential is there, too), it is
        # looked at, so that one that only just reaches the level is not stepped over.
        angle = self.omega * (begin_us - self.since_us) + self.phase
        stop_us = begin_us + ((-angle) % (pi / 4)) / self.omega + 1e-3
        # Once the exponential has gone the wave repeats: two more cycles show all there is.
        end_us = max(begin_us, self.since_us + _GONE * self.tau_us) + 16 * piece_us
        while begin_us < end_us:
            if above(stop_us) >= 0:
                return between(above, begin_us, stop_us)
            if sign * self._slope(begin_us) > 0 > sign * self._slope(stop_us):
                top_us = between(lambda t_us: -sign * self._slope(t_us), begin_us, stop_us)
                if above(top_us) >= 0:
                    return between(above, begin_us, top_us)
            begin_us = stop_us
            stop_us += piece_us
            if sign * (self.final - near) < 0 and sign * self.gap > 0:
                # Sinking away from the level: past the last chance there is none.
                mean = self.final + self.gap * exp(-(begin_us - self.since_us) / self.tau_us)
                if sign * (mean - near) < 0:
                    return None
        return None

    def _slope(self, t_us: float) -> float:
        """How fast a flux with ripple changes, in mA a microsecond."""
        u = t_us - self.since_us
        wave = self.ripple * self.omega * cos(self.omega * u + self.phase)
        return wave - self.gap / self.tau_us * exp(-u / self.tau_us)


def between(value: Callable[[float], float], low: float, high: float) -> float:
    """Return where `value`, below 0 at `low` and not at `high`, comes to 0, to `_CLOSE_US`: never on the low side.

    False position, with an end's value halved while that end stays, and steps that leave the ends a little.
    """
    at_low, at_high = value(low), value(high)
    for _ in range(200):
        if high - low <= _CLOSE_US:
            break
        middle = high - at_high * (high - low) / (at_high - at_low)
        margin = min(0.4 * _CLOSE_US, 0.5 * (high - low))
        middle = min(max(middle, low + margin), high - margin)
        at_middle = value(middle)
        if at_middle >= 0:
            high, at_high = middle, at_middle
            at_low *= 0.5
        else:
            low, at_low = middle, at_middle
            at_high *= 0.5
    return high


def operate_wait_us(tau_us: float, part: float) -> float:
    """How long a winding at rest takes to `part` (0 to 1) of its final current (D46)."""
    return -tau_us * log(1.0 - part)


def release_wait_us(tau_us: float, start: float, level: float, leak: float = 0.0) -> float | None:
    """How long a flux takes from `start` down to `level` when `leak` goes on flowing (D47); None: it never does."""
    if start <= level:
        return 0.0
    if level <= leak:
        return None
    return tau_us * log((start - leak) / (level - leak))


def tau_for_operate_us(wait_us: float, part: float) -> float:
    """The time constant with which a winding comes to `part` of its final current in `wait_us`."""
    return -wait_us / log(1.0 - part)
