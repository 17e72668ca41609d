"""Two-motion switches: what every selector and connector share, and the selector.

Theory of operation. The last switch of a train has its A relay on the calling line. A follows the loop; B operates
after A, grounds the sleeve back to the switch before, and is slow to release, so it holds over a dial's breaks but
not over a longer open. Each time A falls while B holds, the magnet pulls and C operates; C is slow to release, so
it holds over a dial's makes, and its fall says that the digit has ended.

A selector then turns by itself over the level it has risen to, past grounded sleeves, and stops on the first idle
trunk. Its cut-through relay takes its own A off the line; after the contacts' transfer the line reaches the next
switch's A, whose B must ground the sleeve before this switch's B lets go: from then on a switch is held from ahead.
With all ten positions grounded the shaft goes on to an eleventh, where a cam puts the overflow tone on the line.

When the last B falls its sleeve opens and every switch and the finder lose their hold at once; each restores in its
own time and keeps its incoming sleeve guarded until it is home (facts T19, T19b).

A digit to be absorbed brings the shaft down again from its level: nothing is cut through, B holds, and dial tone
does not come back (the off-normal springs have taken it away for this call). "once": after one absorbed digit the
next one selects, whichever it is. "another digit": listed digits are absorbed until one comes that isn't listed.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from demo_ctl.bench.frame import Frame
from demo_ctl.bench.kernel import Handle
from demo_ctl.bench.lines import Line
from demo_ctl.bench.relays import adjusted
from demo_ctl.office.model import Selector as SelectorModel

TOP = 10
OVERFLOW = 11


class Holder(Protocol):
    """Whatever stands before a switch, and is held by its sleeve."""

    def check_hold(self) -> None:
        """Release if nothing holds it any more."""


class Switch:
    """Relays A, B, C, a shaft, and the hold of the train."""

    def __init__(self, frame: Frame, name: str, first: bool, on_home: Callable[[], None]) -> None:
        self._frame = frame
        self._kernel = frame.kernel
        self._ailments = frame.ailments
        self.name = name
        self._first = first
        self._on_home = on_home
        random = frame.random(name)
        times = frame.adjustment
        self.a = frame.line_relay(random, f"{name}/A", times.a_operate, times.a_release, self._a_turned)
        self.a.on_bounce(frame.coils.bounce_us, self._a_bounced)
        self.b = frame.relay(random, f"{name}/B", times.b_operate, times.b_hold, self._b_turned, slow=True)
        # C pulls up as fast as A does; only its release is slow.
        self.c = frame.relay(random, f"{name}/C", times.a_operate, times.c_hold, self._c_turned, slow=True)
        self.vertical_magnet = frame.relay(
            random, f"{name}/vertical magnet", times.magnet_operate, times.magnet_release, self._vertical_turned
        )
        self.rotary_magnet, self._hunting_pace = frame.stepping_relay(
            random, f"{name}/rotary magnet", frame.hunting_us, self._rotary_turned
        )
        self._transfer_us = adjusted(random, times.transfer)
        self._restore_us = adjusted(random, times.restore)
        self._random = random
        self.line: Line | None = None
        self.before: Holder | None = None
        #: Who came upon this switch though it was in use (an open sleeve): held by it, and of no use to it.
        self.intruders: list[Holder] = []
        self.after: Switch | None = None
        self.taken = False
        self.restoring = False
        self._late = False
        self.level = 0
        self.terminal = 0
        #: What the switch will do next by itself, at most one thing at a time.
        self._work: Handle | None = None

    # Hold and release.
    @property
    def held(self) -> bool:
        """Whether ground on its sleeve, its own or from ahead, holds this switch and the one before."""
        return self.b.operated or (self.after is not None and self.after.held)

    def seize(self, before: Holder) -> None:
        """Guard this switch against others; `before` will put the line on it."""
        assert not self.taken
        self.taken = True
        self.before = before
        self._frame.note(f"{self.name}/sleeve", 1)

    def take_line(self, line: Line) -> None:
        """Put the calling line on this switch's A relay."""
        self.line = line
        line.connect(self.a)

    def check_hold(self) -> None:
        """Release if nothing holds this switch any more."""
        if self.taken and not self.restoring and not self.held:
            self._release()

    def _release(self) -> None:
        self.restoring = True
        self._kernel.cancel(self._work)
        self._work = None
        line, self.line = self.line, None
        after, self.after = self.after, None
        if line is not None:
            line.hear("")
            line.connect(None)
        if after is not None:
            after.check_hold()
        self._let_go()
        self.c.drive(False)
        self.vertical_magnet.drive(False)
        self.rotary_magnet.drive(False)
        before, self.before = self.before, None
        if before is not None:
            before.check_hold()
        if self.intruders:
            intruders, self.intruders = self.intruders, []
            for intruder in intruders:
                intruder.check_hold()
        if self.level or self.terminal:
            self._frame.note(f"{self.name}/release magnet", 1)
            if not self._ailments.strikes("shaft sticks", self.name):
                self._work = self._kernel.at(self._kernel.now_us + self._restoring_us(), self._home)
        else:
            # Nothing to restore, but the relays' contacts still fly.
            self._work = self._kernel.at(self._kernel.now_us, self._home)

    def _restoring_us(self) -> int:
        return round(self._restore_us(None) * self._ailments.scale("restore", self.name))

    def _home(self) -> None:
        self._work = None
        self._rest_shaft()
        if self.a.operated or self.b.operated:
            # A or B was caught on its way up; it falls by itself, and then the switch is at rest.
            self._late = True
            return
        self._late = False
        self._ready()
        self.restoring = False
        self.taken = False
        self._frame.note(f"{self.name}/sleeve", 0)
        self._on_home()

    def _rest_shaft(self) -> None:
        if self.terminal:
            self.terminal = 0
            self._frame.note(f"{self.name}/rotary", 0)
        if self.level:
            self.level = 0
            self._frame.note(f"{self.name}/vertical", 0)
            self._frame.note(f"{self.name}/off-normal", 0)
            self._frame.note(f"{self.name}/release magnet", 0)

    # Rotary steps that the switch makes by itself: its magnet pulls, the pawl turns the wipers one terminal on and
    # the interrupter springs open; the magnet falls back, the pawl drops behind the next tooth, the springs close.
    def _hunt(self) -> None:
        self.rotary_magnet.pace = self._hunting_pace
        self.rotary_magnet.drive(True)

    def _rotary_turned(self, operated: bool) -> None:
        hunting = self.rotary_magnet.pace != 1.0
        if operated:
            turns = self.terminal < (OVERFLOW if hunting else TOP) and not self.restoring
            if turns and (hunting or not self._ailments.strikes("misses a step round", self.name)):
                self._turn()
            if hunting:
                self.rotary_magnet.drive(False)
        elif hunting:
            self.rotary_magnet.pace = 1.0
            if not self.restoring:
                self._hunted()

    def _turn(self) -> None:
        self.terminal += 1
        self._frame.note(f"{self.name}/rotary", self.terminal)

    # Relays.
    def _a_turned(self, operated: bool) -> None:
        self.b.drive(operated)
        if self._late and not operated and not self.b.operated:
            self._home()
        if self.line is None:
            return
        if operated:
            self._pulse_ended()
            self.c.drive(False)
        elif self.b.operated and self._pulse():
            self.c.drive(True)

    def _a_bounced(self, front: bool, closed: bool) -> None:
        """A's contact bounces: what it has just switched on loses its current for a moment."""
        if front:
            self.b.drive(closed)
        elif self.line is None or not self.b.operated:
            return
        elif not closed:
            self._pulse_ended()
            self.c.drive(False)
        elif self._pulse():
            self.c.drive(True)

    def _b_turned(self, operated: bool) -> None:
        if not operated:
            if self._late:
                self._home()
            self.check_hold()
        elif self._first and self.line is not None and not self._ailments.strikes("no dial tone", self.name):
            self.line.hear("dial")

    def _c_turned(self, operated: bool) -> None:
        if not operated and self.line is not None and not self.restoring:
            if 0 < self.level < TOP and not self.terminal and self._ailments.strikes("rises too far", self.name):
                self._rise()
            self._digit_ended()

    def _vertical_turned(self, operated: bool) -> None:
        rises = operated and self.level < TOP and not self.restoring
        if rises and not self._ailments.strikes("misses a step up", self.name):
            self._rise()

    def _rise(self) -> None:
        self.level += 1
        self._frame.note(f"{self.name}/vertical", self.level)
        if self.level == 1:
            self._off_normal()

    def _off_normal(self) -> None:
        """The shaft has left its rest: the springs there take dial tone away, and the release magnet can be reached."""
        self._frame.note(f"{self.name}/off-normal", 1)
        if self._first and self.line is not None:
            self.line.hear("")

    # What the kinds of switch do in their own way.
    def _pulse(self) -> bool:
        """A fell: energise a magnet; say whether this switch takes digits now."""
        raise NotImplementedError

    def _pulse_ended(self) -> None:
        """A is up again: no magnet has current."""
        self.vertical_magnet.drive(False)

    def _digit_ended(self) -> None:
        """C fell."""
        raise NotImplementedError

    def _hunted(self) -> None:
        """The wipers have made one step of a hunt and the magnet has fallen back: test."""
        raise NotImplementedError

    def _ready(self) -> None:
        """Be as new for the next call."""
        raise NotImplementedError

    def _let_go(self) -> None:
        """Drop what is particular to the kind of switch."""


class Selector(Switch):
    """Vertical by the dial, rotary by itself."""

    def __init__(
        self,
        frame: Frame,
        name: str,
        first: bool,
        on_home: Callable[[], None],
        model: SelectorModel,
        digit_at: Mapping[int, str],
        idle_trunk: Callable[[str, int], Switch | None],
    ) -> None:
        super().__init__(frame, name, first, on_home)
        times = frame.adjustment
        self._model = model
        self._digit_at = digit_at
        self._idle_trunk = idle_trunk
        self.cut_through = frame.relay(
            self._random, f"{name}/cut-through", times.a_operate, times.a_release, self._cut_through_turned
        )
        #: What its trunks are called where something is wrong with them: "trunk", stage.
        self.bank = ""
        self._takes_digit = True
        self._absorbs_more = model.absorbs is not None

    def _pulse(self) -> bool:
        if self._takes_digit:
            self.vertical_magnet.drive(True)
        return self._takes_digit

    def _digit_ended(self) -> None:
        if not self.level or not self._takes_digit:
            return
        self._takes_digit = False
        if self._absorbs(self._digit_at[self.level]):
            self._frame.note(f"{self.name}/release magnet", 1)
            # The shaft only falls by the levels it rose: of a whole restoring's ten down and ten round.
            fall_us = self._restoring_us() * self.level // 20
            self._work = self._kernel.at(self._kernel.now_us + fall_us, self._absorbed_home)
        else:
            self._hunt()

    def _absorbs(self, digit: str) -> bool:
        rule = self._model.absorbs
        if rule is None or not self._absorbs_more or digit not in rule.digits:
            return False
        self._absorbs_more = rule.until == "another digit"
        return True

    def _absorbed_home(self) -> None:
        self._work = None
        self._rest_shaft()
        self._takes_digit = True

    def _hunted(self) -> None:
        if self.terminal == OVERFLOW:
            if self.line is not None:
                self.line.hear("overflow")
            return
        trunk = self._idle_trunk(self._digit_at[self.level], self.terminal)
        if trunk is None or self._ailments.strikes("turns too far", self.name):
            self._hunt()
            return
        if trunk.taken:
            trunk.intruders.append(self)
        else:
            trunk.seize(self)
        self.after = trunk
        self.cut_through.drive(True)

    def _cut_through_turned(self, operated: bool) -> None:
        line, trunk = self.line, self.after
        if not operated or line is None or trunk is None:
            return
        self.line = None
        line.hear("")
        line.connect(None)
        if trunk.before is not self:
            line.share()
        elif not self._ailments.strikes("open", f"{self.bank}/{self._digit_at[self.level]}/{self.terminal}"):
            self._work = self._kernel.at(self._kernel.now_us + self._transfer_us(None), trunk.take_line, line)

    def _let_go(self) -> None:
        self.cut_through.drive(False)

    def _ready(self) -> None:
        self._takes_digit = True
        self._absorbs_more = self._model.absorbs is not None
