"""The same train as `BenchUnit`'s, as a model in SimPy, for `bench_unit_vs_simpy.py`: what a general tool would cost.

Line and cut-off relays, finders with their allotter, selectors, connector, ringing, trip, reversal, release. The
physics of a winding (`coils.Course`) is the bench's own pure function: it is not what is compared. Everything else is
written for SimPy, and to SimPy's advantage: what goes on by itself (callers, searches, hunts, ringing) are processes,
and what a relay does hangs on the callback of a bare Timeout, the cheapest thing that SimPy has. A Timeout cannot be
called off, so a relay looks when it comes whether it still means anything.

What a line hears, and whether current flows in it, is kept as the bench keeps it; the relays' wander is drawn, with the
width that it is given. Nothing is wrong here, and there is nothing that calls that succeed don't need: no ports, no
sound, no absorbing, no hunting over groups, no busy or vacant lines.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from math import inf, pi
from random import Random
from typing import Any

import simpy

from demo_ctl.bench.cadence import Cadence
from demo_ctl.bench.circuit import NOTHING, Drive, LineCircuit
from demo_ctl.bench.coils import Course
from demo_ctl.bench.lines import Wave
from demo_ctl.bench.relays import Coil, line_coil, local_coil
from demo_ctl.bench.terminals import place_of
from demo_ctl.office.model import Line as LineModel
from demo_ctl.office.model import Selector as SelectorModel
from demo_ctl.office.model import Unit

TOP = 10
MOST_HEARD = 400
Process = Generator[simpy.Event, Any, None]


class Yard:
    """What all parts share. Every Spread of the unit's adjustment has least = typical = most."""

    def __init__(self, unit: Unit, interrupter: Cadence, wave: Wave, wander: float) -> None:
        self.wander = wander
        self.random = Random(1).random
        self.env = simpy.Environment()
        self.unit = unit
        self.interrupter = interrupter
        self.wave = wave
        self.omega = 2 * pi / wave.period_us
        self.rows: list[tuple[int, str, int]] = []
        self.reference = LineCircuit(unit.supply.battery_V, unit.supply.feed_ohm, unit.coils.reference_ohm)
        self.allotter = Allotter(self)
        self.lines = {model.name: Line(self, model) for model in unit.lines}
        self.at_place = {line.place: line for line in self.lines.values()}
        self.terminals = {line.terminal: line for line in self.lines.values()}
        self.switches: dict[tuple[str, int], Switch] = {}
        self.finders = [Finder(self, number) for number in range(1, unit.finders.count + 1)]

    def note(self, what: str, value: int) -> None:
        self.rows.append((int(self.env.now), what, value))

    def after(self, delay_us: int, call: Callable[[], Any]) -> simpy.Timeout:
        timeout = self.env.timeout(delay_us)
        timeout.callbacks.append(lambda _: call())
        return timeout

    def local(self, what: str, operate_us: int, release_us: int, turned: Callable[[bool], None]) -> Winding:
        return Winding(self, what, local_coil(self.unit.coils, operate_us, release_us), turned)

    def fed(
        self, what: str, operate_us: int, release_us: int, turned: Callable[[bool], None], slug: bool = False
    ) -> Winding:
        coil = line_coil(self.unit.coils, self.reference, operate_us, release_us, slug=slug)
        return Winding(self, what, coil, turned)

    def stepping(self, what: str, steps_a_second: float, turned: Callable[[bool], None]) -> tuple[Winding, float]:
        times = self.unit.adjustment
        magnet = self.local(what, times.magnet_operate.typical_us, times.magnet_release.typical_us, turned)
        return magnet, round(1e6 / steps_a_second) / magnet.coil.cycle_us()

    def switch(self, prefix: str, number: int) -> Switch:
        found = self.switches.get((prefix, number))
        if found is None:
            kind = Selector if isinstance(self.unit.train[len(prefix)], SelectorModel) else Connector
            found = self.switches[(prefix, number)] = kind(self, prefix, number)
        return found


class Winding:
    """A relay or magnet: flux by `Course`, contacts a flight later."""

    def __init__(self, yard: Yard, what: str, coil: Coil, turned: Callable[[bool], None]) -> None:
        self.yard = yard
        self.env = yard.env
        self.what = what
        self.coil = coil
        self.turned = turned
        self.course = Course(yard.env.now, 0.0, 0.0, coil.fall_us)
        self.landing: simpy.Timeout | None = None
        self.landing_us: float = 0
        self.armature_us = 0.0
        self.pace = 1.0
        self.energised = self.operated = self.locked = False
        self.waiting: simpy.Event | None = None

    def next_turn(self) -> simpy.Event:
        """An event of the next move of the contacts, for processes."""
        self.waiting = self.env.event()
        return self.waiting

    def factor(self) -> float:
        wander = self.yard.wander
        return self.pace * (1 - wander + 2 * wander * self.yard.random())

    def drive(self, on: bool) -> None:
        if on == self.energised or (self.locked and not on):
            return
        self.energised = on
        now, coil = self.env.now, self.coil
        flux = self.course.at(now)
        if on:
            self.follow(Course(now, flux, coil.rated, coil.rise_us * self.factor()))
        else:
            self.follow(Course(now, flux, 0.0, coil.fall_us * self.factor()))

    def feed(self, drive: Drive, on: bool, omega: float = 0.0, phase: float = 0.0) -> None:
        if self.locked and not on:
            return
        self.energised = on
        now, coil = self.env.now, self.coil
        flux = self.course.at(now)
        if on:
            tau_us = coil.rise_us * self.factor()
            if coil.rise_ohm < inf:
                tau_us *= coil.rise_ohm / max(drive.ohm, 1.0)
        else:
            tau_us = coil.fall_us * self.factor()
            if coil.rise_ohm == inf and drive.ripple_mA:
                tau_us = max(tau_us, coil.rise_us)
            flux += drive.charge_nC / tau_us
        surge_mA = 0.0 if drive.ripple_mA else drive.surge_mA
        self.follow(
            Course(
                now,
                flux,
                drive.final_mA,
                tau_us,
                surge=surge_mA,
                surge_us=drive.surge_us,
                ripple=drive.ripple_mA,
                omega=omega,
                phase=phase,
            )
        )

    def passes(self, up: bool, from_us: float) -> float | None:
        return self.course.first(self.coil.operate if up else self.coil.release, up, from_us)

    def follow(self, course: Course) -> None:
        self.course = course
        from_us: float = self.env.now
        if self.landing is not None:
            if from_us >= self.armature_us:
                back_us = self.passes(self.operated, from_us)
                if back_us is None or back_us >= self.landing_us:
                    return
                from_us = back_us
            self.landing = None
        self.plan(from_us)

    def plan(self, from_us: float) -> None:
        up = not self.operated
        flight_us = (self.coil.pull_us if up else self.coil.drop_us) * self.pace
        course = self.course
        for _ in range(64):
            leaves_us = self.passes(up, from_us)
            if leaves_us is None:
                return
            if course.ripple or course.surge:
                back_us = self.passes(not up, leaves_us)
                if back_us is not None and back_us < leaves_us + flight_us:
                    if back_us <= from_us:
                        return
                    from_us = back_us
                    continue
            self.armature_us = leaves_us
            now = self.env.now
            self.landing_us = max(now, round(leaves_us + flight_us))
            self.landing = self.env.timeout(self.landing_us - now)
            self.landing.callbacks.append(self.land)
            return

    def land(self, event: simpy.Event) -> None:
        if event is not self.landing:
            return  # it was called off
        self.landing = None
        operated = self.operated = not self.operated
        self.yard.note(self.what, int(operated))
        course = self.course
        if course.ripple or course.surge or course.since_us >= self.armature_us:
            self.plan(self.env.now)
        waiting, self.waiting = self.waiting, None
        if waiting is not None:
            waiting.succeed(operated)
        self.turned(operated)


class Line:
    """A subscriber's line."""

    def __init__(self, yard: Yard, model: LineModel) -> None:
        self.yard = yard
        times, supply = yard.unit.adjustment, yard.unit.supply
        name = f"line {model.name}"
        self.place = (model.finder_level, model.finder_terminal)
        self.terminal = place_of(yard.unit, model.number)
        circuit = LineCircuit(supply.battery_V, supply.feed_ohm, model.loop_ohm, inf, model.bells, model.cable_nF)
        self.circuit = circuit
        self.drives = (circuit.closed(), circuit.opened(), circuit.opening())
        relay_us, cut_us = times.line_relay.typical_us, times.cut_off_relay.typical_us
        self.relay = yard.fed(f"{name}/line relay", relay_us, relay_us, self.relay_turned)
        self.cut_off = yard.local(f"{name}/cut-off relay", cut_us, cut_us, self.cut_turned)
        self.on_cut: Callable[[], None] | None = None
        self.winding: Winding | None = self.relay
        self.closed = self.ringing = False
        self.tone = ""
        #: (at_us, tone, current flows, ringing).
        self.heard: list[tuple[int, str, bool, bool]] = [(0, "", False, False)]

    @property
    def marked(self) -> bool:
        return self.relay.operated and not self.cut_off.energised

    def set_loop(self, closed: bool) -> None:
        if closed != self.closed:
            self.closed = closed
            self.update(opening=not closed)

    def seize(self, on_cut: Callable[[], None]) -> None:
        assert not (self.relay.operated or self.cut_off.energised or self.cut_off.operated) or self.marked
        self.on_cut = on_cut
        self.cut_off.drive(True)

    def hear(self, tone: str) -> None:
        if tone != self.tone:
            self.tone = tone
            self.remember(self.closed and self.winding is not None)

    def remember(self, flowing: bool) -> None:
        heard = self.heard
        heard.append((int(self.yard.env.now), self.tone, flowing, self.ringing))
        if len(heard) > MOST_HEARD:
            del heard[: MOST_HEARD // 2]

    def free(self) -> None:
        self.on_cut = None
        self.set_ringing(False)
        self.hear("")
        if self.winding is not self.relay:
            self.connect(None)
        self.cut_off.drive(False)

    def connect(self, winding: Winding | None) -> None:
        before, self.winding = self.winding, winding
        if before is not None and before is not winding:
            before.feed(NOTHING, False)
        self.update()

    def set_ringing(self, on: bool) -> None:
        if on != self.ringing:
            self.ringing = on
            self.update()

    def relay_turned(self, _: bool) -> None:
        self.yard.allotter.poke()

    def cut_turned(self, operated: bool) -> None:
        if not operated:
            self.connect(self.relay)
            return
        if self.winding is self.relay:
            self.connect(None)
        if self.on_cut is not None:
            self.on_cut()

    def update(self, opening: bool = False) -> None:
        winding = self.winding
        if winding is not None:
            self.drive(winding, opening)
        flowing = self.closed and winding is not None
        _, _, flowed, rang = self.heard[-1]
        if flowed != flowing or rang != self.ringing:
            self.remember(flowing)

    def drive(self, winding: Winding, opening: bool) -> None:
        if self.ringing:
            yard = self.yard
            made = self.circuit.closed if self.closed else self.circuit.opened
            drive = made(yard.unit.coils.ringing_ohm, yard.wave.peak_V)
            winding.feed(drive, self.closed, yard.omega, 2 * pi * yard.wave.turns(int(yard.env.now)))
        elif self.closed:
            winding.feed(self.drives[0], True)
        else:
            winding.feed(self.drives[2 if opening else 1], False)


class Allotter:
    """Starts finders in rotation, one search at a time."""

    def __init__(self, yard: Yard) -> None:
        self.yard = yard
        self.chosen = 0
        self.searching = False

    def wanted(self) -> bool:
        return any(line.marked for line in self.yard.lines.values())

    def marked_on(self, level: int) -> bool:
        return any(line.place[0] == level and line.marked for line in self.yard.lines.values())

    def poke(self) -> None:
        if self.searching or not self.wanted():
            return
        finders = self.yard.finders
        for ahead in range(len(finders)):
            finder = finders[(self.chosen + ahead) % len(finders)]
            if not finder.busy and not finder.switch.taken:
                self.chosen = (self.chosen + ahead + 1) % len(finders)
                self.searching = True
                self.yard.env.process(finder.search())
                return

    def done(self) -> None:
        self.searching = False
        self.poke()


class Finder:
    """A line finder and the first switch behind it."""

    def __init__(self, yard: Yard, number: int) -> None:
        self.yard = yard
        self.name = f"line finder {number}"
        self.switch = yard.switch("", number)
        sps = yard.unit.adjustment.finder_sps
        self.vertical, pace = yard.stepping(f"{self.name}/vertical magnet", sps, _nothing)
        self.vertical.pace = pace
        self.rotary, pace = yard.stepping(f"{self.name}/rotary magnet", sps, _nothing)
        self.rotary.pace = pace
        self.line: Line | None = None
        self.busy = self.restoring = False

    def search(self) -> Process:
        self.busy = True
        allotter = self.yard.allotter
        level = terminal = 0
        while not allotter.marked_on(level):
            self.vertical.drive(True)
            yield self.vertical.next_turn()
            level += 1
            self.yard.note(f"{self.name}/vertical", level)
            if level == 1:
                self.yard.note(f"{self.name}/off-normal", 1)
            self.vertical.drive(False)
            yield self.vertical.next_turn()
            assert allotter.wanted(), "this model has no callers who give up"
            assert level < TOP or allotter.marked_on(level)
        while True:
            self.rotary.drive(True)
            yield self.rotary.next_turn()
            terminal += 1
            self.yard.note(f"{self.name}/rotary", terminal)
            self.rotary.drive(False)
            line = self.yard.at_place.get((level, terminal))
            if line is not None and line.marked:
                break
            yield self.rotary.next_turn()
        self.line = line
        self.switch.seize(self)
        line.seize(self.line_cut)
        allotter.done()

    def line_cut(self) -> None:
        self.yard.env.process(self.hand_over())

    def hand_over(self) -> Process:
        env, times = self.yard.env, self.yard.unit.adjustment
        yield env.timeout(times.transfer.typical_us)
        assert self.line is not None
        self.switch.take_line(self.line)
        yield env.timeout(times.b_hold.typical_us)
        self.check_hold()

    def check_hold(self) -> None:
        if self.line is None or self.restoring or self.switch.held:
            return
        self.yard.env.process(self.restore(self.line))

    def restore(self, line: Line) -> Process:
        self.line = None
        self.restoring = True
        self.switch.check_hold()
        line.hear("")
        line.connect(None)
        self.yard.note(f"{self.name}/release magnet", 1)
        yield self.yard.env.timeout(self.yard.unit.adjustment.restore.typical_us)
        line.free()
        for what in ("rotary", "vertical", "off-normal", "release magnet"):
            self.yard.note(f"{self.name}/{what}", 0)
        self.restoring = self.busy = False
        self.yard.allotter.poke()


class Switch:
    """What selector and connector share."""

    def __init__(self, yard: Yard, prefix: str, number: int) -> None:
        self.yard = yard
        self.env = yard.env
        self.prefix = prefix
        name = yard.unit.train[len(prefix)].name
        self.name = f"{name} {prefix}-{number}" if prefix else f"{name} {number}"
        times = self.times = yard.unit.adjustment
        name = self.name
        a_up, a_down = times.a_operate.typical_us, times.a_release.typical_us
        self.a = yard.fed(f"{name}/A", a_up, a_down, self.a_turned)
        self.b = yard.local(f"{name}/B", times.b_operate.typical_us, times.b_hold.typical_us, self.b_turned)
        self.c = yard.local(f"{name}/C", a_up, times.c_hold.typical_us, self.c_turned)
        pull, fall = times.magnet_operate.typical_us, times.magnet_release.typical_us
        self.vertical = yard.local(f"{name}/vertical magnet", pull, fall, self.vertical_turned)
        self.rotary, self.pace = yard.stepping(f"{name}/rotary magnet", times.hunting_sps, self.rotary_turned)
        self.test = yard.local(f"{name}/cut-through", a_up, a_down, self.test_turned)
        self.line: Line | None = None
        self.before: Switch | Finder | None = None
        self.after: Switch | None = None
        self.taken = self.restoring = False
        self.level = self.terminal = 0

    @property
    def held(self) -> bool:
        return self.b.operated or (self.after is not None and self.after.held)

    def seize(self, before: Switch | Finder) -> None:
        assert not self.taken
        self.taken = True
        self.before = before
        self.yard.note(f"{self.name}/sleeve", 1)

    def take_line(self, line: Line) -> None:
        self.line = line
        line.connect(self.a)

    def check_hold(self) -> None:
        if self.taken and not self.restoring and not self.held:
            self.restoring = True
            self.env.process(self.restore())

    def restore(self) -> Process:
        line, self.line = self.line, None
        after, self.after = self.after, None
        if line is not None:
            line.hear("")
            line.connect(None)
        if after is not None:
            after.check_hold()
        self.let_go()
        for winding in (self.test, self.c, self.vertical, self.rotary):
            winding.drive(False)
        before, self.before = self.before, None
        if before is not None:
            before.check_hold()
        self.yard.note(f"{self.name}/release magnet", 1)
        yield self.env.timeout(self.times.restore.typical_us)
        assert not self.a.operated
        assert not self.b.operated
        if self.terminal:
            self.yard.note(f"{self.name}/rotary", 0)
        for what in ("vertical", "off-normal", "release magnet", "sleeve"):
            self.yard.note(f"{self.name}/{what}", 0)
        self.level = self.terminal = 0
        self.restoring = self.taken = False
        self.ready()
        if not self.prefix:
            self.yard.allotter.poke()

    def a_turned(self, operated: bool) -> None:
        self.b.drive(operated)
        if self.line is None:
            return
        if operated:
            self.vertical.drive(False)
            if self.rotary.pace == 1.0:
                self.rotary.drive(False)
            self.c.drive(False)
        elif self.b.operated and self.pulse():
            self.c.drive(True)

    def b_turned(self, operated: bool) -> None:
        if not operated:
            self.check_hold()
        elif not self.prefix and self.line is not None:
            self.line.hear("dial")

    def c_turned(self, operated: bool) -> None:
        if not operated and self.line is not None and not self.restoring:
            self.digit_ended()

    def vertical_turned(self, operated: bool) -> None:
        if operated:
            self.level += 1
            self.yard.note(f"{self.name}/vertical", self.level)
            if self.level == 1:
                self.yard.note(f"{self.name}/off-normal", 1)
                if not self.prefix and self.line is not None:
                    self.line.hear("")

    def rotary_turned(self, operated: bool) -> None:
        if operated:
            self.terminal += 1
            self.yard.note(f"{self.name}/rotary", self.terminal)

    def test_turned(self, operated: bool) -> None:
        raise NotImplementedError

    def pulse(self) -> bool:
        raise NotImplementedError

    def digit_ended(self) -> None:
        raise NotImplementedError

    def ready(self) -> None:
        """Be as new."""

    def let_go(self) -> None:
        """Drop what is particular to the kind of switch."""


class Selector(Switch):
    """Up by the dial, round by itself."""

    takes_digit = True

    def pulse(self) -> bool:
        if self.takes_digit:
            self.vertical.drive(True)
        return self.takes_digit

    def digit_ended(self) -> None:
        if self.level and self.takes_digit:
            self.takes_digit = False
            self.env.process(self.hunt())

    def hunt(self) -> Process:
        digit = str(self.level % 10)
        while True:
            self.rotary.pace = self.pace
            self.rotary.drive(True)
            yield self.rotary.next_turn()
            self.rotary.drive(False)
            yield self.rotary.next_turn()
            self.rotary.pace = 1.0
            assert self.terminal <= TOP, "this model has trunks enough"
            trunk = self.yard.switch(self.prefix + digit, self.terminal)
            if not trunk.taken:
                break
        trunk.seize(self)
        self.after = trunk
        self.test.drive(True)

    def test_turned(self, operated: bool) -> None:
        line, trunk = self.line, self.after
        if not operated or line is None or trunk is None:
            return
        self.line = None
        line.hear("")
        line.connect(None)
        self.yard.after(self.times.transfer.typical_us, lambda: trunk.take_line(line))

    def ready(self) -> None:
        self.takes_digit = True


class Connector(Switch):
    """Up and round by the dial; rings, trips, turns the battery round."""

    def __init__(self, yard: Yard, prefix: str, number: int) -> None:
        super().__init__(yard, prefix, number)
        times = self.times
        a_up, a_down = times.a_operate.typical_us, times.a_release.typical_us
        self.f = yard.fed(f"{self.name}/F", times.ring_trip.typical_us, a_down, self.f_turned, slug=True)
        self.d = yard.fed(f"{self.name}/D", a_up, a_down, self.d_turned)
        self.called: Line | None = None
        self.digits = 0
        self.rings = False

    def pulse(self) -> bool:
        if self.digits > 1:
            return False
        (self.rotary if self.digits else self.vertical).drive(True)
        return True

    def digit_ended(self) -> None:
        self.digits += 1
        if self.digits == 2:
            self.test.drive(True)

    def test_turned(self, operated: bool) -> None:
        if operated:
            self.called = self.yard.terminals[self.prefix + str(self.level % 10) + str(self.terminal % 10)]
            self.called.seize(self.called_cut)

    def called_cut(self) -> None:
        self.yard.after(self.times.transfer.typical_us, lambda: self.env.process(self.ring()))

    def ring(self) -> Process:
        called = self.called
        assert called is not None
        self.rings = True
        self.yard.note(f"{self.name}/ringing", 1)
        if self.line is not None:
            self.line.hear("ringback")
        interrupter = self.yard.interrupter
        called.set_ringing(interrupter.on_at(int(self.env.now)))
        called.connect(self.f)
        while True:
            now = int(self.env.now)
            change_us = interrupter.next_change_us(now)
            assert change_us is not None
            yield self.env.timeout(change_us - now)
            if not self.rings:
                return
            called.set_ringing(interrupter.on_at(change_us))

    def stop_ringing(self) -> None:
        if self.rings:
            self.rings = False
            self.yard.note(f"{self.name}/ringing", 0)
        if self.called is not None:
            self.called.set_ringing(False)

    def f_turned(self, operated: bool) -> None:
        called = self.called
        if not operated or called is None or not self.rings:
            return
        self.f.locked = True
        self.stop_ringing()
        if self.line is not None:
            self.line.hear("")
        called.connect(None)
        self.yard.after(self.times.transfer.typical_us, lambda: called.connect(self.d))

    def d_turned(self, _: bool) -> None:
        if self.line is not None:
            self.env.process(self.turn_round(self.line))

    def turn_round(self, line: Line) -> Process:
        yield self.env.timeout(self.times.reversal.typical_us)
        line.connect(None)
        yield self.env.timeout(min(self.yard.unit.coils.flight_us, self.times.a_release.least_us // 2))
        line.connect(self.a)

    def let_go(self) -> None:
        self.stop_ringing()
        called, self.called = self.called, None
        self.f.locked = False
        if called is not None:
            called.free()
        self.f.drive(False)
        self.d.drive(False)

    def ready(self) -> None:
        self.digits = 0


def _nothing(_: bool) -> None:
    """The search itself looks."""
