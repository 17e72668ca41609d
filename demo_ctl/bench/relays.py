"""A relay or a magnet: a winding is driven, its flux follows, and armature and contacts follow the flux.

Theory of operation. The flux of the winding takes a closed-form course (`coils.py`). When it comes up to the operate
value the armature leaves its rest, and a flight later the contacts have changed; when it sinks to the release value
they go back, a flight later. An armature whose flux turns in time falls back before it has touched a contact. Driven
again before its flux has settled, a winding goes on from where it is: a slow relay that had too short a make to fill
up again lets go sooner (facts D42), and a pull that follows close on another comes quicker.

The unit's file gives times, not currents and inductances. They are the times on the reference circuit (`coils` in the
file: nominal battery, a loop of so many ohms with one bell, no leak), from rest. From the times and the operate and
release values the time constants follow; whatever else happens (other loops, battery, leak, half-filled cores) comes
out of them.

Contacts bounce when they close (facts T32). `bounced` tells those whose windings could see it.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, inf, log
from random import Random
from typing import Protocol

from demo_ctl.bench.circuit import Drive, LineCircuit
from demo_ctl.bench.coils import Course, between, tau_for_operate_us
from demo_ctl.bench.kernel import Handle, Kernel
from demo_ctl.bench.truth import Truth
from demo_ctl.office.model import Coils, Spread

#: How much one relay's time differs from operation to operation, part of its own time (common practice, no source).
_WANDER = 0.02
#: What flows in a winding between two local contacts at nominal battery: everything else is a part of that.
_RATED = 100.0
#: How many flutters of an armature are looked at ahead: one that never touches in so many never will.
_TRIES = 64


class Figures(Protocol):
    """What is wrong with the unit, as far as a relay has to know."""

    def scale(self, figure: str, part: str) -> float:
        """Return the factor on a figure of a part; 1.0 when nothing is wrong."""

    def strikes(self, kind: str, part: str) -> bool:
        """Whether an event of a part goes wrong this time."""


class Coil:
    """One winding with its armature, as adjusted.

    operate, release: flux in mA at which the armature moves. rated: flux of a local winding. rise_us: time constant
    when driven, through `rise_ohm` if that isn't inf (less resistance, slower rise). fall_us: time constant when left
    alone. pull_us, drop_us: flight of the armature. hold: whether its slow release has a name of its own.
    """

    __slots__ = ("drop_us", "fall_us", "operate", "pull_us", "rated", "release", "rise_ohm", "rise_us", "slow")

    def __init__(
        self,
        operate: float,
        release: float,
        rise_us: float,
        fall_us: float,
        pull_us: float,
        drop_us: float,
        *,
        rated: float = _RATED,
        rise_ohm: float = inf,
        slow: bool = False,
    ) -> None:
        self.operate = operate
        self.release = release
        self.rated = rated
        self.rise_us = rise_us
        self.rise_ohm = rise_ohm
        self.fall_us = fall_us
        self.pull_us = pull_us
        self.drop_us = drop_us
        self.slow = slow

    def cycle_us(self) -> float:
        """Return the period with which it interrupts itself, once it has been going for a step."""
        topped = self.rated - (self.rated - self.operate) * exp(-self.pull_us / self.rise_us)
        left = self.release * exp(-self.drop_us / self.fall_us)
        rise_us = self.rise_us * log((self.rated - left) / (self.rated - self.operate))
        return rise_us + self.pull_us + self.fall_us * log(topped / self.release) + self.drop_us


def local_coil(coils: Coils, operate_us: float, release_us: float, *, slow: bool = False) -> Coil:
    """Make a winding between local contacts, with its times at nominal battery."""
    operate, release = _RATED * coils.operate_pct / 100, _RATED * coils.release_pct / 100
    pull_us = min(coils.flight_us, operate_us / 3)
    drop_us = min(coils.flight_us, release_us / 3)
    rise_us = tau_for_operate_us(operate_us - pull_us, operate / _RATED)
    fall_us = (release_us - drop_us) / log(_RATED / release)
    return Coil(operate, release, rise_us, fall_us, pull_us, drop_us, slow=slow)


def line_coil(
    coils: Coils, reference: LineCircuit, operate_us: float, release_us: float, part: float = 1.0, *, slug: bool = False
) -> Coil:
    """Make a winding that feeds a line, with its times on the `reference` circuit.

    part: its operate value, of the unit's. slug: a copper slug, not the circuit, sets the pace of its rise.
    """
    drive = reference.closed()
    # On a circuit that hardly carries the current the times are as good as can be.
    operate = min(coils.line_operate_mA * part, 0.95 * drive.final_mA)
    release = min(coils.line_release_mA * part, 0.8 * operate)
    pull_us = min(coils.flight_us, operate_us / 3)
    drop_us = min(coils.flight_us, release_us / 3)
    rise_us = tau_for_operate_us(operate_us - pull_us, operate / drive.final_mA)
    opening = reference.opening()
    wait_us = release_us - drop_us

    start_mA, surge_mA, surge_us = drive.final_mA, opening.surge_mA, opening.surge_us

    def over_mA(fall_us: float) -> float:
        course = Course(0.0, start_mA, opening.final_mA, fall_us, surge=surge_mA, surge_us=surge_us)
        return course.at(wait_us) - release

    # Without bells it would be the most; a hundredth of it is as good as a winding without any core.
    most_us = wait_us / log(start_mA / release)
    if over_mA(most_us) <= 0:
        fall_us = most_us
    elif over_mA(most_us / 100) >= 0:
        fall_us = most_us / 100
    else:
        fall_us = between(over_mA, most_us / 100, most_us)
    return Coil(
        operate, release, rise_us, fall_us, pull_us, drop_us, rise_ohm=inf if slug else drive.ohm, rated=drive.final_mA
    )


class Relay:
    """`drive` or `feed` the winding; `changed(operated)` is called when the contacts follow, and the truth gets a row.

    `locked`: a contact of its own holds the winding, so taking its current away does nothing. `pace`: factor on all
    its times; a magnet that interrupts itself has its springs set to its own pace. `energised`: it has current enough.
    """

    __slots__ = (
        "_armature_us",
        "_bounced",
        "_bounces",
        "_changed",
        "_coil",
        "_course",
        "_figures",
        "_hold",
        "_kernel",
        "_landing",
        "_random",
        "_truth",
        "bounce_us",
        "energised",
        "locked",
        "operated",
        "pace",
        "what",
    )

    def __init__(
        self,
        kernel: Kernel,
        truth: list[Truth],
        what: str,
        coil: Coil,
        changed: Callable[[bool], None],
        random: Random | None = None,
        figures: Figures | None = None,
    ) -> None:
        self._kernel = kernel
        self._truth = truth
        self.what = what
        self._coil = coil
        self._changed = changed
        self._random = random
        self._figures = figures
        self._course = Course(kernel.now_us, 0.0, 0.0, coil.fall_us)
        #: When the contacts will have changed, and when the armature leaves or left its rest for that.
        self._landing: Handle | None = None
        self._armature_us = 0.0
        self._bounced: Callable[[bool, bool], None] | None = None
        self._bounces: list[Handle] = []
        self.bounce_us = 0
        self._hold = "hold" if coil.slow else "release"
        self.pace = 1.0
        self.energised = False
        self.operated = False
        self.locked = False

    @property
    def coil(self) -> Coil:
        """The winding."""
        return self._coil

    def flux(self) -> float:
        """Return the flux now, in mA, or in per cent of nominal for a local winding."""
        return self._course.at(self._kernel.now_us)

    def on_bounce(self, bounce_us: int, bounced: Callable[[bool, bool], None]) -> None:
        """Have `bounced(front, closed)` called while the front contact (else the back one) bounces, after closing."""
        self.bounce_us = bounce_us
        self._bounced = bounced

    def drive(self, on: bool) -> None:
        """Energise the winding by a local contact or take its current away, now."""
        if on == self.energised or (self.locked and not on):
            return
        self.energised = on
        now_us = self._kernel.now_us
        coil = self._coil
        if on:
            rated = coil.rated if self._figures is None else coil.rated * self._figures.scale("battery", self.what)
            course = Course(now_us, self._course.at(now_us), rated, coil.rise_us * self._factor("operate"))
        else:
            course = Course(now_us, self._course.at(now_us), 0.0, coil.fall_us * self._factor(self._hold))
        self._follow(course)

    def feed(self, drive: Drive, on: bool, omega: float = 0.0, phase: float = 0.0) -> None:
        """Let a line drive the winding, now. on: whether its loop is closed. omega, phase: of the ringing in it."""
        if self.locked and not on:
            return
        self.energised = on
        now_us = self._kernel.now_us
        coil = self._coil
        start = self._course.at(now_us)
        if on:
            tau_us = coil.rise_us * self._factor("operate")
            if coil.rise_ohm < inf:
                tau_us *= coil.rise_ohm / max(drive.ohm, 1.0)
        else:
            tau_us = coil.fall_us * self._factor(self._hold)
            if coil.rise_ohm == inf and drive.ripple_mA:
                tau_us = max(tau_us, coil.rise_us)  # the slug is there for ringing, too
            start += drive.charge_nC / tau_us
        self._follow(
            Course(
                now_us,
                start,
                drive.final_mA,
                tau_us,
                surge=0.0 if drive.ripple_mA else drive.surge_mA,
                surge_us=drive.surge_us,
                ripple=drive.ripple_mA,
                omega=omega,
                phase=phase,
            )
        )

    def _factor(self, figure: str) -> float:
        factor = self.pace
        if self._random is not None:
            factor *= 1 - _WANDER + 2 * _WANDER * self._random.random()
        if self._figures is not None:
            factor *= self._figures.scale(figure, self.what)
        return factor

    def _follow(self, course: Course) -> None:
        self._course = course
        now_us = self._kernel.now_us
        landing = self._landing
        if landing is not None:
            if now_us >= self._armature_us:
                # The armature is in the air: it falls back if its flux turns before it has touched.
                back_us = self._passes(self.operated, now_us)
                if back_us is None or back_us >= landing.at_us:
                    return
                now_us_or_later = back_us
            else:
                now_us_or_later = float(now_us)
            self._kernel.cancel(landing)
            self._landing = None
            self._plan(now_us_or_later)
        else:
            self._plan(now_us)

    def _passes(self, operate: bool, from_us: float) -> float | None:
        coil = self._coil
        return self._course.first(coil.operate if operate else coil.release, operate, from_us)

    def _plan(self, from_us: float) -> None:
        """Schedule the contacts' next change, if the flux as it goes will bring one."""
        course, coil = self._course, self._coil
        up = not self.operated
        flight_us = (coil.pull_us if up else coil.drop_us) * self.pace
        for _ in range(_TRIES):
            leaves_us = self._passes(up, from_us)
            if leaves_us is None:
                return
            lands_us = leaves_us + flight_us
            if course.ripple or course.surge:
                back_us = self._passes(not up, leaves_us)
                if back_us is not None and back_us < lands_us:
                    if back_us <= from_us:
                        return
                    from_us = back_us
                    continue
            self._armature_us = leaves_us
            self._landing = self._kernel.at(max(self._kernel.now_us, round(lands_us)), self._land)
            return

    def _land(self) -> None:
        self._landing = None
        if self._figures is not None and self._figures.strikes("stuck" if self.operated else "dead", self.what):
            return
        operated = self.operated = not self.operated
        if self._bounces:
            for handle in self._bounces:
                self._kernel.cancel(handle)
            self._bounces.clear()
        now_us = self._kernel.now_us
        self._truth.append(Truth(now_us, self.what, int(operated)))
        course = self._course
        if course.ripple or course.surge or course.since_us >= self._armature_us:
            self._plan(now_us)
        if self._bounced is not None and self.bounce_us:
            self._bounce(now_us, operated)
        self._changed(operated)

    def _bounce(self, now_us: int, front: bool) -> None:
        """One or two short openings within `bounce_us` of touching."""
        random, bounced = self._random, self._bounced
        if random is None or bounced is None:
            return
        at, left_us = self._kernel.at, float(self.bounce_us)
        if self._figures is not None:
            left_us *= self._figures.scale("bounce", self.what)
        begin_us = now_us
        for _ in range(1 + (random.random() < 0.5)):
            touch_us = 1 + round(left_us * (0.1 + 0.2 * random.random()))
            open_us = 1 + round(left_us * (0.1 + 0.2 * random.random()))
            self._bounces.append(at(begin_us + touch_us, bounced, front, False))
            self._bounces.append(at(begin_us + touch_us + open_us, bounced, front, True))
            begin_us += touch_us + open_us
            left_us -= touch_us + open_us


def own_us(random: Random, spread: Spread) -> int:
    """Draw the time to which one relay has been adjusted; with its wander it stays within `spread`."""
    least, most = spread.least_us * (1 + _WANDER), spread.most_us * (1 - _WANDER)
    if least >= most:
        return (spread.least_us + spread.most_us) // 2
    return round(random.triangular(least, most, min(max(spread.typical_us, least), most)))


def adjusted(random: Random, spread: Spread) -> Callable[[object], int]:
    """Give a motion that has no winding of its own here (restoring, transfer) its time, and a little wander.

    Every time returned lies within the spread's least and most.
    """
    least, most = spread.least_us, spread.most_us
    if least >= most:
        return lambda _: least
    own = random.triangular(least, most, min(max(spread.typical_us, least), most))

    def delay_us(_: object) -> int:
        return min(max(round(own * random.uniform(1 - _WANDER, 1 + _WANDER)), least), most)

    return delay_us
