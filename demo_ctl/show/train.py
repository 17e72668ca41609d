"""What the switches of one line's train do, inferred: nobody sees them, but they follow from what is sensed.

Theory of operation. Contacts of the telephone (the hook, the dial) open and close the loop, and the unit's
description says how its switches answer: relay A follows the loop, B holds the train over a dial's breaks, C holds
over its makes; each fall of A while B holds steps a magnet; C's fall ends the digit; a selector then hunts by itself,
a connector waits for its second digit and then tests. All that is played here with the typical times of the unit's
adjustment, so that things come in their order and at about their time.

Where the board senses something that only the right next thing can have done, that is taken as its word: the line is
open for some milliseconds without our doing when a finder or a selector hands it on; the called line loses its own
battery when a connector takes it; battery turns round when relay D has operated; the line's battery goes when the last
B falls, and comes back when the finder is home. So the last step of a hunt is not made before the line has been handed
on, and what was due by then is made up for at once.

Which trunk a selector takes is not sensed. It is supposed to be the first one equipped that the plan does not say is
busy. A train whose line is not handed on stops there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

from demo_ctl.office.model import Line, Selector, Unit
from demo_ctl.office.numbers import digit_sent
from demo_ctl.office.route import counted_digits, hunting_group, number_digits, route, terminal
from demo_ctl.plan.model import Plan
from demo_ctl.show.facts import WHOM, Clock, Timer
from demo_ctl.show.scene import FINDER

TOP, OVERFLOW = 10, 11
#: Without word of its battery a line is taken for released when its loop has been open for so many longest B holds.
_PATIENCE = 2


class Outside(Protocol):
    """What a train tells, and asks of others."""

    def tell(self, part: str, thing: str, value: int) -> None:
        """One inferred fact, now."""

    def is_busy(self, line: Line) -> bool:
        """Whether a line is known to be in use."""

    def taken(self, line: Line, held: bool) -> None:
        """A connector has taken another line off its own line relay, or has let it go."""


@dataclass
class _Switch:
    part: str
    stage: int
    on: set[str] = field(default_factory=set)
    vertical: int = 0
    rotary: int = 0
    takes_digit: bool = True
    absorbs_more: bool = True
    tens: bool = False  # a connector that has had its first digit
    prefix: str = ""  # the digits that led to it
    digit: str = ""  # what its own level is called
    target: int = 0  # where a hunt is to end
    passed: bool = False  # the line has been handed on to the next one
    hunt: Timer | None = None


class Train:
    """The train of one end's line. `contact`, `battery` and the called end's news come in, facts go out by `tell`."""

    def __init__(self, end: str, line: Line, plan: Plan, unit: Unit, clock: Clock, outside: Outside) -> None:
        self.end = end
        self.line = line
        self._unit = unit
        self._clock = clock
        self._outside = outside
        self._tell = outside.tell
        self._times = unit.adjustment
        self._busy = {(busy.stage, busy.level, position) for busy in plan.busy_trunks for position in busy.positions}
        self._line_part = f"line {line.name}"
        self._closed = False
        self._battery = 1
        self._state = "rest"  # marked, finding, held, releasing
        self._finder = _Switch(f"{FINDER} of {end}", 0)
        self._switches: list[_Switch] = []
        self._here = 0
        self._a: Timer | None = None
        self._b: Timer | None = None
        self._b_fall: Timer | None = None
        self._c: Timer | None = None
        self._c_fall: Timer | None = None
        self._magnet: Timer | None = None
        self._magnet_back: Timer | None = None
        self._find: Timer | None = None
        self._line_relay = False
        self._cut_off = False
        self._called_cut_off = False
        self._called_closed = False
        #: Whom the connector stands on, when it has tested.
        self.reached: Line | None = None

    # -- what comes in ------------------------------------------------------------------------------------------

    def contact(self, closed: bool) -> None:
        """The telephone's contacts close or open the loop."""
        if closed == self._closed:
            return
        self._closed = closed
        if self._state == "rest":
            if closed:
                self._mark()
        elif self._state in ("marked", "finding"):
            if not closed:
                self._give_up()
        elif self._state == "held":
            self._turn_a(closed)

    def battery(self, value: int) -> None:
        """Battery as sensed at this end: 0 none, 1 normal, 2 reversed."""
        was, self._battery = self._battery, value
        if self._state == "held" and not self._closed and value != was and (value == 0 or was == 2):
            self._b_down(self._clock.now_us)
        elif value == 0 and self._state in ("marked", "finding"):
            self._found()
        elif value == 0 and self._state == "held":
            self._turning() if self._answers() else self._hand_on()
        elif value == 0 and self._state == "releasing" and self._closed and "home" in self._finder.on:
            self._switches_home()  # a finder has found the line again already
            self._found()
        elif value == 2 and self._state == "held":
            self._answered(whole=True)
        elif value == 1 and was == 2 and self._state == "held":
            self._set(self._switch, "D", 0)
        elif value == 1 and self._state == "releasing" and "home" not in self._finder.on:
            self._finder_home(self._clock.now_us)

    def sure_of_dial_tone(self) -> None:
        """Dial tone is heard, or digits are dialled: the finder has found this line, sensed or not."""
        if self._state in ("marked", "finding"):
            self._found()
            self._take(self._clock.now_us)

    def called_battery(self, line: Line, value: int) -> bool:
        """Battery as sensed at another line. True: this train's connector did it."""
        if self._state != "held" or not self._switches or self.reached != line:
            return False
        connector = self._switch
        if "F" in connector.on:
            return False
        if value == 0 and "ringing" in connector.on:
            self._answered(whole=False)
            return True
        if value == 0 and not self._called_cut_off:
            self._cut_called()
            return True
        if value == 1 and self._called_cut_off:
            self._set(connector, "ringing", 1)
            return True
        return False

    def called_ringing(self, line: Line) -> None:
        """Ringing is sensed on another line."""
        if self._state == "held" and self.reached == line and "F" not in self._switch.on:
            self._cut_called()
            self._set(self._switch, "ringing", 1)

    def called_contact(self, line: Line, closed: bool) -> None:
        """The telephone at another line is lifted or hung up."""
        self._called_closed = closed
        if self._state == "held" and self.reached == line and "F" in self._switch.on:
            times = self._times
            wait_us = times.a_operate.typical_us if closed else times.a_release.typical_us
            self._later(wait_us, lambda _: self._set(self._switch, "D", int(closed)) if self._answers() else None)

    def line_taken(self, held: bool) -> None:
        """Somebody else's connector has taken this line, or has let it go."""
        if held and self._state == "rest":
            self._state = "taken"
        elif not held and self._state == "taken":
            self._state = "rest"
            if self._closed:
                self._mark()

    # -- finding ------------------------------------------------------------------------------------------------

    def _mark(self) -> None:
        self._state = "marked"
        self._find = self._later(self._times.line_relay.typical_us, self._marked)

    def _marked(self, _at_us: int) -> None:
        self._relay_of_line(True)
        self._state = "finding"
        finder = self._finder = _Switch(self._finder.part, 0)
        self._tell(finder.part, "serves", WHOM[self.end])
        self._step_later(finder, self._finder_step)

    def _step_later(self, switch: _Switch, step: Callable[[int], None]) -> None:
        pace = self._times.finder_sps if switch is self._finder else self._times.hunting_sps
        switch.hunt = self._later(round(1e6 / float(pace)), step)

    def _finder_step(self, _at_us: int) -> None:
        finder = self._finder
        if finder.vertical < self.line.finder_level:
            self._step(finder, "vertical", by_itself=True)
        elif finder.rotary < self.line.finder_terminal - 1:
            self._step(finder, "rotary", by_itself=True)
        else:
            return  # the last step is made when the line has been taken
        self._step_later(finder, self._finder_step)

    def _found(self) -> None:
        """The finder is on the line: the line has been cut off, or must have been."""
        if self._find is not None:
            self._find.off()
        if self._state == "marked":
            self._marked(self._clock.now_us)
        finder = self._finder
        if finder.hunt is not None:
            finder.hunt.off()
        while finder.vertical < self.line.finder_level:
            self._step(finder, "vertical", by_itself=True)
        while finder.rotary < self.line.finder_terminal:
            self._step(finder, "rotary", by_itself=True)
        self._state = "held"
        self._here = 0
        self._switches = []
        self.reached = None
        self._called_cut_off = False
        self._add_switch("")
        self._cut_off_of_line(True)
        self._later(self._times.line_relay.typical_us, lambda _: self._relay_of_line(False))
        self._later(self._times.transfer.typical_us, self._take)

    def _take(self, _at_us: int) -> None:
        """The line has reached the switch whose turn it is."""
        if self._state == "held" and self._closed and "A" not in self._switch.on:
            self._turn_a(True)
        elif self._state == "held" and not self._closed:
            self._wait_for_release()

    def _give_up(self) -> None:
        """The caller has gone before the finder came."""
        if self._find is not None:
            self._find.off()
        if self._finder.hunt is not None:
            self._finder.hunt.off()
        hunting = self._state == "finding"
        self._state = "releasing" if hunting else "rest"
        if hunting:
            self._relay_of_line(False)
            self._let_shaft_go(self._finder)
            self._later(self._times.restore.typical_us, self._finder_home)

    # -- the switch that has the line ---------------------------------------------------------------------------

    @property
    def _switch(self) -> _Switch:
        return self._switches[self._here]

    def _is_connector(self, switch: _Switch) -> bool:
        return switch.stage == len(self._unit.train)

    def _add_switch(self, prefix: str) -> _Switch:
        stage = len(self._switches) + 1
        name = self._unit.train[stage - 1].name
        switch = _Switch(f"{name} of {self.end}", stage, prefix=prefix)
        model = self._unit.train[stage - 1]
        switch.absorbs_more = isinstance(model, Selector) and model.absorbs is not None
        self._switches.append(switch)
        self._tell(switch.part, "serves", WHOM[self.end])
        return switch

    def _turn_a(self, closed: bool) -> None:
        switch = self._switch
        if self._a is not None:
            self._a.off()
        if closed == ("A" in switch.on):
            return
        times = self._times
        wait_us = times.a_operate.typical_us if closed else times.a_release.typical_us
        self._a = self._later(wait_us, lambda _: self._a_up(switch) if closed else self._a_down(switch))

    def _a_up(self, switch: _Switch) -> None:
        self._set(switch, "A", 1)
        if self._b_fall is not None:
            self._b_fall.off()
        if "B" not in switch.on:
            self._b = self._later(self._times.b_operate.typical_us, lambda _: self._set(switch, "B", 1))
        if self._c is not None:
            self._c.off()
        if self._magnet is not None:
            self._magnet.off()
        self._magnet_back = self._later(self._times.magnet_release.typical_us, lambda _: self._magnets_back(switch))
        if "C" in switch.on:
            self._c_fall = self._later(self._times.c_hold.typical_us, lambda _: self._digit_over(switch))

    def _a_down(self, switch: _Switch) -> None:
        self._set(switch, "A", 0)
        if self._b is not None:
            self._b.off()
        if self._c_fall is not None:
            self._c_fall.off()
        self._wait_for_release()
        if switch.takes_digit and "B" in switch.on and not switch.passed:
            if "C" not in switch.on:
                self._c = self._later(self._times.a_operate.typical_us, lambda _: self._set(switch, "C", 1))
            self._magnet = self._later(self._times.magnet_operate.typical_us, lambda _: self._pulse(switch))

    def _wait_for_release(self) -> None:
        if self._b_fall is not None:
            self._b_fall.off()
        self._b_fall = self._later(_PATIENCE * self._times.b_hold.most_us, self._b_down)

    def _pulse(self, switch: _Switch) -> None:
        if self._is_connector(switch) and switch.tens:
            if switch.rotary < TOP:
                self._step(switch, "rotary")
        elif switch.vertical < TOP:
            self._step(switch, "vertical")

    def _magnets_back(self, switch: _Switch) -> None:
        if not switch.hunt:
            for magnet in ("vertical magnet", "rotary magnet"):
                self._set(switch, magnet, 0)

    def _digit_over(self, switch: _Switch) -> None:
        """C has fallen."""
        self._set(switch, "C", 0)
        if self._magnet_back is not None:
            self._magnet_back.off()
        self._magnets_back(switch)
        if self._state != "held" or switch is not self._switch or not switch.takes_digit:
            return
        scheme = self._unit.numbering.pulses
        if self._is_connector(switch):
            if not switch.tens:
                if switch.vertical:
                    switch.tens = True
                    switch.prefix += digit_sent(switch.vertical, scheme)
            elif switch.rotary:
                switch.takes_digit = False
                switch.prefix += digit_sent(switch.rotary, scheme)
                self._later(self._times.a_operate.typical_us, lambda _: self._test(switch))
        elif switch.vertical:
            switch.takes_digit = False
            switch.digit = digit_sent(switch.vertical, scheme)
            self._level_reached(switch)

    def _level_reached(self, switch: _Switch) -> None:
        model = self._unit.train[switch.stage - 1]
        assert isinstance(model, Selector)
        rule = model.absorbs
        if rule is not None and switch.absorbs_more and switch.digit in rule.digits:
            switch.absorbs_more = rule.until == "another digit"
            self._set(switch, "release magnet", 1)
            # The shaft only falls by the levels it rose: of a whole restoring's ten down and ten round.
            self._later(self._times.restore.typical_us * switch.vertical // 20, lambda _: self._absorbed_home(switch))
            return
        level = model.levels.get(switch.digit)
        free = [
            position
            for position in (level.trunks if level is not None else ())
            if (switch.stage, switch.digit, position) not in self._busy
        ]
        switch.target = min(free, default=OVERFLOW)
        self._step_later(switch, lambda _: self._hunt(switch))

    def _absorbed_home(self, switch: _Switch) -> None:
        if self._state == "held":
            self._shaft_home(switch)
            switch.takes_digit = True

    def _hunt(self, switch: _Switch) -> None:
        if self._state != "held" or switch.passed:
            return
        if switch.rotary < switch.target - 1 or (switch.target == OVERFLOW and switch.rotary < OVERFLOW):
            self._step(switch, "rotary", by_itself=True)
            self._step_later(switch, lambda _: self._hunt(switch))
        else:
            switch.hunt = None  # the last step is made when the line has been handed on

    def _hand_on(self) -> None:
        """The line is open and nobody here did it: a selector hands it to the next switch."""
        switch = self._switch
        if self._is_connector(switch) or not switch.vertical:
            return
        if "C" in switch.on:
            if self._c_fall is not None:
                self._c_fall.off()
            self._digit_over(switch)
        if not switch.digit or switch.passed or switch.takes_digit:
            return
        if switch.hunt is not None:
            switch.hunt.off()
            switch.hunt = None
        if switch.target == OVERFLOW:
            switch.target = max(1, switch.rotary)  # it was handed on nevertheless: somewhere
        while switch.rotary < switch.target:
            self._step(switch, "rotary", by_itself=True)
        switch.passed = True
        self._add_switch(switch.prefix + switch.digit)
        self._set(switch, "cut-through", 1)
        for timer in (self._a, self._b_fall):
            if timer is not None:
                timer.off()
        times = self._times
        self._here += 1
        self._later(times.a_release.typical_us, lambda _: self._set(switch, "A", 0))
        self._later(
            times.a_release.typical_us + times.b_hold.typical_us,
            lambda _: self._set(switch, "B", 0) if self._state == "held" else None,
        )
        self._later(times.transfer.typical_us, self._take)

    # -- the connector ------------------------------------------------------------------------------------------

    def _test(self, switch: _Switch) -> None:
        if self._state != "held" or "cut-through" in switch.on:
            return
        self.reached = next((line for line in self._unit.lines if self._stands_on(switch, line)), None)
        self._set(switch, "cut-through", 1)
        if self.reached is None:
            return
        # Where a group of numbers is listed a connector goes on to the next of it, along the same level.
        for line in hunting_group(self._unit, self.reached):
            while switch.rotary < terminal(self._unit, line):
                self._step(switch, "rotary", by_itself=True)
            self.reached = line
            if not self._outside.is_busy(line):
                return

    def _stands_on(self, switch: _Switch, line: Line) -> bool:
        return counted_digits(route(self._unit, number_digits(self._unit, line))) == switch.prefix

    def _turning(self) -> None:
        """The line is open for a moment after an answer: its battery is being turned round."""
        if self._called_closed != ("D" in self._switch.on):
            self._set(self._switch, "D", int(self._called_closed))

    def _answers(self) -> bool:
        return self._state == "held" and bool(self._switches) and "F" in self._switch.on

    def _cut_called(self) -> None:
        assert self.reached is not None
        if not self._called_cut_off:
            self._called_cut_off = True
            self._tell(f"line {self.reached.name}", "cut-off relay", 1)
            self._outside.taken(self.reached, True)

    def _answered(self, *, whole: bool) -> None:
        """Ringing is tripped; whole: and the called party is known to hold relay D."""
        connector = self._switch
        if not self._is_connector(connector) or self.reached is None:
            return
        if "F" not in connector.on:
            self._cut_called()
            self._set(connector, "F", 1)
            self._set(connector, "ringing", 0)
            times = self._times
            if not whole:
                wait_us = times.transfer.typical_us + times.a_operate.typical_us
                self._later(wait_us, lambda _: self._set(connector, "D", 1) if self._answers() else None)
        if whole:
            self._set(connector, "D", 1)

    # -- release ------------------------------------------------------------------------------------------------

    def _b_down(self, _at_us: int) -> None:
        """The last B falls: everything comes home."""
        if self._state != "held":
            return
        timers = (self._a, self._b, self._b_fall, self._c, self._magnet, self._magnet_back, self._c_fall)
        for timer in timers:
            if timer is not None:
                timer.off()
        self._state = "releasing"
        switch, times = self._switch, self._times
        self._set(switch, "A", 0)
        self._set(switch, "B", 0)
        for each in (self._finder, *self._switches):
            if each.hunt is not None:
                each.hunt.off()
                each.hunt = None
            self._let_shaft_go(each)
        reached, self.reached = (self.reached if self._called_cut_off else None), None
        self._set(switch, "ringing", 0)
        self._later(times.a_release.typical_us, lambda _: self._relays_down(reached))
        self._later(times.restore.typical_us, lambda _: self._switches_home())
        self._later(times.restore.typical_us, self._finder_home)

    def _let_shaft_go(self, switch: _Switch) -> None:
        for magnet in ("vertical magnet", "rotary magnet"):
            self._set(switch, magnet, 0)
        if switch.vertical or switch.rotary:
            self._set(switch, "release magnet", 1)

    def _relays_down(self, reached: Line | None) -> None:
        for each in reversed(self._switches):
            for relay in ("cut-through", "F", "D", "A", "B", "C"):
                self._set(each, relay, 0)
        self._called_cut_off = False
        if reached is not None:
            self._tell(f"line {reached.name}", "cut-off relay", 0)
            self._outside.taken(reached, False)

    def _switches_home(self) -> None:
        for each in self._switches:
            self._shaft_home(each)
            self._tell(each.part, "serves", 0)
        self._switches = []
        self._rest()

    def _finder_home(self, _at_us: int) -> None:
        finder = self._finder
        if "home" in finder.on:
            return
        self._shaft_home(finder)
        finder.on.add("home")
        self._tell(finder.part, "serves", 0)
        self._cut_off_of_line(False)
        self._rest()

    def _rest(self) -> None:
        """All home: the line may begin again."""
        if self._state == "releasing" and not self._switches and "home" in self._finder.on:
            self._state = "rest"
            if self._closed:
                self._mark()

    # -- small things -------------------------------------------------------------------------------------------

    def _later(self, wait_us: int, act: Callable[[int], None]) -> Timer:
        return self._clock.at(self._clock.now_us + wait_us, act)

    def _set(self, switch: _Switch, thing: str, value: int) -> None:
        if bool(value) == (thing in switch.on):
            return
        if value:
            switch.on.add(thing)
        else:
            switch.on.discard(thing)
        self._tell(switch.part, thing, value)

    def _step(self, switch: _Switch, way: str, *, by_itself: bool = False) -> None:
        """One step up or round; by itself: the magnet's own springs let it go again."""
        self._set(switch, f"{way} magnet", 1)
        if way == "vertical":
            switch.vertical += 1
            self._tell(switch.part, "vertical", switch.vertical)
            self._set(switch, "off-normal", 1)
        else:
            switch.rotary += 1
            self._tell(switch.part, "rotary", switch.rotary)
        if by_itself:
            self._set(switch, f"{way} magnet", 0)

    def _shaft_home(self, switch: _Switch) -> None:
        if switch.rotary:
            switch.rotary = 0
            self._tell(switch.part, "rotary", 0)
        if switch.vertical:
            switch.vertical = 0
            self._tell(switch.part, "vertical", 0)
        self._set(switch, "off-normal", 0)
        self._set(switch, "release magnet", 0)

    def _relay_of_line(self, on: bool) -> None:
        if on != self._line_relay:
            self._line_relay = on
            self._tell(self._line_part, "line relay", int(on))

    def _cut_off_of_line(self, on: bool) -> None:
        if on != self._cut_off:
            self._cut_off = on
            self._tell(self._line_part, "cut-off relay", int(on))
