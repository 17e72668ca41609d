"""What is known while a script is walked: who is off-hook, what was dialled, what has been asked for so far.

`Story` is the one mutable thing of this room, and it never leaves it: `build` makes it, walks the script with it and
turns it into a frozen `Plan`.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from demo_ctl.office.model import Line, Tone, Unit
from demo_ctl.plan.draft import Draft
from demo_ctl.plan.expect import Wanted
from demo_ctl.plan.model import BusyTrunks, Check, Expectation, PaceRow, Stretch
from demo_ctl.plan.reach import Reach
from demo_ctl.plan.rings import RingCount
from demo_ctl.plan.stops import Stops
from demo_ctl.plan.stretch import dialling, release_need_us, stretched_us
from demo_ctl.script.model import Call
from demo_ctl.terms.errors import Place, PlanError
from demo_ctl.terms.located import Located
from demo_ctl.terms.window import Window
from demo_ctl.terms.words import time_text
from demo_ctl.wire import messages as wire

#: How much longer than a window the board waits for something the host must first hear and answer.
HEARING_US = 1_000_000

#: How much longer than a window the board waits for something it senses itself: filters and blur.
SENSING_US = 300_000


@dataclass
class Person:
    """One party: its line, and what it has done so far. Indices are those of timeline steps, -1 for none."""

    name: str
    line: Line
    port: int
    lifted: int = -1
    #: What dial tone is counted from: the lift, a long flash's end, or the other party's hanging up.
    tone_from: int = -1
    tone_after_release: bool = False
    heard_tone: bool = False
    digits: str = ""

    def on_hook(self) -> None:
        """Forget the call: the handset is down, or the train has been released."""
        self.lifted = self.tone_from = -1
        self.tone_after_release = self.heard_tone = False
        self.digits = ""

    def __str__(self) -> str:
        return self.name if self.name == self.line.name else f"{self.name} ({self.line.name})"


@dataclass
class Ringback:
    """Ringback that is heard while the bell rings, to be judged once the ringing is over."""

    place: Place
    start: int  # the LISTEN


@dataclass
class Connection:
    """The call in progress: who dialled, where it leads, and how far it has come."""

    caller: Person
    reach: Reach
    last: int  # the last PULSES
    called: Person | None = None
    rings: RingCount | None = None  # from the first ring on
    ringback: Ringback | None = None
    answered: int = -1
    left_by: int = -1  # the wait after the called party's hanging up: from its end on the caller alone holds the train
    lead_waited: bool = False  # the longest post-dial delay has been waited for


class Story:
    """State of the walk, and the idioms every kind of step uses."""

    def __init__(self, call: Located[Call], unit: Unit, pace: Fraction, ports: int, dial_place: Place | None) -> None:
        self.call, self.unit, self.pace, self.ports = call, unit, pace, ports
        self.script = call.value
        self.windows = unit.windows
        self.draft = Draft(unit.ringing.longest_us)
        self.wanted = Wanted(call)
        self.dial_how, self.rows = dialling(unit, self.script.dial_as, pace, call, dial_place)
        self.release_us = release_need_us(unit)
        self.notes: list[str] = []
        self.roles = [wire.UNUSED] * ports
        self.step_index = 0
        self.here = call.place("steps", 0)
        self.people = self._people()
        self.connection: Connection | None = None
        self.rung: Person | None = None  # a called party of a call that is over, or that has hung up itself
        self.trains: list[int] = []  # every PULSES that sends a digit of the caller's
        self.number = self.digits = ""
        self.called_port = 0
        self.stops: Stops | None = None  # presenter gates, if any
        self.rehearses = False  # everything but the ringing
        self.holders: list[Person] = []
        self.busy: list[BusyTrunks] = []

    def _people(self) -> dict[str, Person]:
        people: dict[str, Person] = {}
        for name, line_name in self.script.parties.items():
            where = self.call.place("parties", name)
            line = self.unit.line(line_name)
            if line is None:
                known = ", ".join(line.name for line in self.unit.lines)
                raise PlanError(
                    f"{self.unit.name} has no line named '{line_name}'", where=where, next_step=f"It has: {known}."
                )
            other = next((person.name for person in people.values() if person.line.name == line.name), None)
            if other is not None:
                raise PlanError(
                    f"'{name}' and '{other}' are the same line, {line.name}",
                    where=where,
                    next_step="Give every party a line of its own.",
                )
            if line.port > self.ports:
                raise PlanError(
                    f"{line.name} hangs on port {line.port}; this board has {self.ports} ports",
                    where=where,
                    next_step="Choose another line, or a board with more ports.",
                )
            people[name] = Person(name, line, line.port)
        return people

    def person(self, name: str) -> Person:
        """Find a party that is to do something: its line must hang on the board."""
        found = self.people.get(name)
        if found is None:
            raise PlanError(
                f"there is no party named '{name}'",
                where=self.here,
                next_step="Parties of this script: " + (", ".join(self.people) or "none") + ".",
            )
        if not found.port:
            raise PlanError(
                f"{found.line.name} is attached to: {found.line.attached}; the board can do nothing there",
                where=self.here,
                next_step="Choose a line that hangs on a port.",
            )
        return found

    @property
    def caller(self) -> Person | None:
        """The party named caller, else the first."""
        return self.people.get("caller") or next(iter(self.people.values()), None)

    def role(self, person: Person, role: int) -> None:
        """Give a port its role. A port that may be rung stays a called one."""
        if self.roles[person.port - 1] != wire.CALLED:
            self.roles[person.port - 1] = role

    def may_pulse(self, person: Person) -> None:
        """Refuse pulses from a port that may be rung in the same script: a board allows a port one of the two."""
        if self.roles[person.port - 1] == wire.CALLED:
            raise PlanError(
                f"{person} is rung in this script, and a port that is rung does not dial",
                where=self.here,
                next_step="Make two scripts of it.",
            )

    def expect(
        self,
        check: Check,
        title: str,
        window: Window,
        *,
        port: int = 0,
        other_port: int = 0,
        index: int = 0,
        until: int = -1,
        indices: tuple[int, ...] = (),
        tone: Tone | None = None,
        required: bool = True,
        place: Place | None = None,
        own: bool = True,
    ) -> None:
        """Ask for one check. place: default, this step's. own: the script's own window goes before `window`."""
        self.wanted.add(
            Expectation(
                "", check, title, window, place or self.here, port, other_port, index, until, indices, tone, required
            ),
            own=own,
        )

    def dwell(self, what: str, us: int, least_us: int = 0) -> int:
        """Wait a stretchable time (never below `least_us`); not stretched while a bell may ring."""
        asked = stretched_us(us, self.pace)
        got = max(asked, least_us)
        kind, why = Stretch.STRETCHABLE, "nothing in the exchange waits for this"
        if got > asked:
            why = "a shorter time would not be enough to judge it"
        if self.draft.ringing_port:
            got, kind, why = max(us, least_us), Stretch.FIXED, "the bell may ring meanwhile; ringing is not stretched"
        index = self.draft.wait(got, what, self.here)
        self.rows.append(PaceRow(self.part(what), kind, time_text(us), time_text(asked), time_text(got), why))
        return index

    def fixed_wait(self, what: str, us: int) -> int:
        """Wait a time that no pace changes."""
        return self.draft.wait(us, what, self.here)

    def part(self, what: str) -> str:
        """Name a row of the pace table; a name that is taken gets its step's number, and then a count."""
        taken = {row.part for row in self.rows}
        name = what if what not in taken else f"{what}, step {self.step_index + 1}"
        count = 2
        while name in taken:
            name = f"{what}, step {self.step_index + 1} ({count})"
            count += 1
        return name
