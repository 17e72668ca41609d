"""From the events of a call to its happenings: sensed ones, inferred ones, and those that a truth file told.

Events come in one at a time, in the board's order; what they tell comes out, each thing once, when it changed. The
switches are either played by `train` or read from a truth; what follows of that in turn, the call's stage and its
tones, is `follow`'s. A finished record is told by the very same way as a running call, event by event.

A telephone that the board only watches is told by its loop: a visitor dials there. An opening of the loop is the dial's
when it is closed again before relay B would let go, else the hook's; while the line has no battery either, the exchange
opened it. A digit ends as relay C would end it.

Times never go back: a few events are stamped with an earlier instant than the one before them, and are told then.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from demo_ctl.office.model import Line, Unit
from demo_ctl.office.numbers import digit_sent
from demo_ctl.plan.model import Plan, Step
from demo_ctl.show.causes import Causes
from demo_ctl.show.facts import CALLED, CALLER, Clock, Fact, Timer
from demo_ctl.show.follow import Follow, tone_number
from demo_ctl.show.model import Happening, Known
from demo_ctl.show.scene import called_line
from demo_ctl.show.train import Train
from demo_ctl.show.truths import Row, facts_of
from demo_ctl.wire import messages as m

#: After the last event a train may still be on its way home.
AFTER_US = 3_000_000
#: Two senses of one line answer to one contact within this.
_TOGETHER_US = 1_000


def ends_of(plan: Plan, unit: Unit) -> dict[str, Line]:
    """Return which line is at each end of the call; an end without a board port has nothing that could be told."""
    ends = {}
    caller, called = unit.line_at_port(plan.caller_port), called_line(plan, unit)
    if caller is not None:
        ends[CALLER] = caller
    if called is not None and called.port and called != caller:
        ends[CALLED] = called
    return ends


class _Watched:
    """How far a telephone that is only watched has come with a digit."""

    def __init__(self) -> None:
        self.pulses = 0
        self.digit_over = Timer(lambda _: None)
        self.hang_up = Timer(lambda _: None)


class Story:
    """Takes the events of one call, in order, and gives happenings. With `truth`, no switch is inferred."""

    def __init__(self, plan: Plan, unit: Unit, truth: Sequence[Row] | None = None) -> None:
        self._plan = plan
        self._unit = unit
        self._ends = ends_of(plan, unit)
        self._end_at = {line.port: end for end, line in self._ends.items()}
        self._clock = Clock()
        self._follow = Follow(plan, unit, self._ends)
        self._causes = Causes(unit, self._ends)
        self._trains: dict[str, Train] = {}
        self._count = 0
        self._told_by: list[int] = []  # the event of each happening
        self._event = -1
        self._out: list[Happening] = []
        self._levels: dict[tuple[int, int], int] = {(port, m.NORMAL): 1 for port in self._end_at}
        self._hook = {CALLER: 0, CALLED: 0}
        self._broken = {CALLER: False, CALLED: False}  # a pulse holds the dial's contact open
        self._tone = {CALLER: 0, CALLED: 0}
        self._sent = {CALLER: 0, CALLED: 0}
        self._pulsing: dict[str, list[Timer]] = {CALLER: [], CALLED: []}
        roles = plan.timeline.roles
        self._watched = {
            end: _Watched() for end, line in self._ends.items() if roles[line.port - 1 : line.port] == (m.MONITORED,)
        }
        self._kept: tuple[int, str, int] | None = None  # a loss of loop current that nobody here made, and its event
        if truth is None:
            self._trains = {end: Train(end, line, plan, unit, self._clock, self) for end, line in self._ends.items()}
        else:
            for fact in facts_of(truth, unit, self._ends):
                self._clock.at(fact.at_us, lambda _, fact=fact: self._put(fact))  # type: ignore[misc]

    # -- in and out ---------------------------------------------------------------------------------------------

    def take(self, event: m.Event) -> tuple[Happening, ...]:
        """Take the next event; return what has happened since the one before, it included."""
        self._settle(event)
        self._clock.run(max(event.at_us, self._clock.now_us))
        self._event = event.number
        self._take(event)
        return self._given()

    def until(self, now_us: int) -> tuple[Happening, ...]:
        """Return what is due by an instant of the board's clock, without any event."""
        if now_us > self._clock.now_us:
            self._settle(None)
            self._clock.run(now_us)
        return self._given()

    def _given(self) -> tuple[Happening, ...]:
        given, self._out = tuple(self._out), []
        return given

    # -- events -------------------------------------------------------------------------------------------------

    def _take(self, event: m.Event) -> None:
        kind, value, end = event.kind, event.value, self._end_at.get(event.port)
        if kind in (m.EV_EDGE, m.EV_STATE):
            if end is None or value >> 1 >= len(m.SIGNALS):
                return
            if end in self._watched and value >> 1 == m.LOOP:
                if kind == m.EV_STATE:  # contacts of a telephone bounce; the board has waited for that
                    self._watch(end, event.port, value & 1)
            else:
                self._sensed(end, event.port, value >> 1, value & 1)
        elif kind == m.EV_BEGAN:
            step = self._step(value)
            if step is not None and step.op == m.OP_PULSES and end is not None:
                self._dials(end, step, event.at_us)
        elif kind == m.EV_ENDED:
            self._ended(value & 0xFFFF, value >> 16, end)
        elif kind == m.EV_GUARD:
            self._tell("guard", "state", value & 0xFF, "sensed")
        elif kind == m.EV_PLAN and value & 0xFF in (m.FINISHED, m.ENDED_EARLY):
            for each in self._ends:
                self._stop_dial(each)
                self._hang(each, 0)  # the board opens every loop
            for fact in self._follow.ended(self._clock.now_us, self._event):
                self._put(fact)

    def _ended(self, index: int, ending: int, end: str | None) -> None:
        step = self._step(index)
        if step is not None and step.op == m.OP_LOOP and ending == m.DONE and end is None:
            (self._follow.lifted.add if step.x else self._follow.lifted.discard)(step.port)
        if step is None or end is None:
            return
        if step.op == m.OP_LOOP and ending == m.DONE:
            self._hang(end, step.x & 1, tap=self._is_tap(index))
        elif step.op == m.OP_PULSES and ending == m.STOPPED:
            self._stop_dial(end)
        elif step.op == m.OP_GATE and ending == m.OPENED:
            gate = next((gate for gate in self._plan.gates if gate.index == index), None)
            tone = tone_number(self._unit, gate.tone) if gate is not None else 0
            if tone and tone != self._tone[end]:
                self._tell(end, "tone", tone, "sensed")

    def _step(self, index: int) -> Step | None:
        steps = self._plan.timeline.steps
        return steps[index] if 0 <= index < len(steps) else None

    def _is_tap(self, index: int) -> bool:
        """Whether a loop opened by this step is closed again sooner than relay B lets go."""
        steps = self._plan.timeline.steps
        waited_us = 0
        for step in steps[index + 1 :]:
            if step.op == m.OP_WAIT:
                waited_us += step.a
            else:
                here = step.op == m.OP_LOOP and step.port == steps[index].port and step.x == 1
                return here and waited_us < self._unit.adjustment.b_hold.least_us
        return False

    # -- what the board does ------------------------------------------------------------------------------------

    def _hang(self, end: str, value: int, *, tap: bool = False) -> None:
        if value != self._hook[end]:
            self._hook[end] = value
            self._tell(end, "hook", value, "sensed", tap=tap)
            self._contact(end)

    def _dials(self, end: str, step: Step, began_us: int) -> None:
        dials = " flashes" not in step.label  # a tap of the hook is made by the same generator
        if dials:
            self._sent[end] += 1
            self._tell(end, "digit", self._sent[end], "sensed")
            if end in self._trains:
                self._trains[end].sure_of_dial_tone()
        event = self._event
        timers = self._pulsing[end] = []
        for pulse in range(step.x):
            at_us = began_us + pulse * (step.a + step.b)

            def breaks(_at_us: int, count: int = pulse + 1) -> None:
                self._break(end, True, event)
                if dials:
                    self._tell(end, "pulses", count, "sensed", event=event)

            timers.append(self._clock.at(at_us, breaks))
            timers.append(self._clock.at(at_us + step.a, lambda _: self._break(end, False, event)))
        self._clock.run(self._clock.now_us)

    def _break(self, end: str, broken: bool, event: int) -> None:
        if broken != self._broken[end]:
            self._broken[end] = broken
            self._tell(end, "pulse", int(broken), "sensed", event=event)
            self._contact(end)

    def _stop_dial(self, end: str) -> None:
        for timer in self._pulsing[end]:
            timer.off()
        self._break(end, False, self._event)

    def _contact(self, end: str) -> None:
        closed = bool(self._hook[end]) and not self._broken[end]
        for each, train in self._trains.items():
            if each == end:
                train.contact(closed)
            else:
                train.called_contact(self._ends[end], closed)

    # -- what a visitor does ------------------------------------------------------------------------------------

    def _watch(self, end: str, port: int, level: int) -> None:
        if self._levels.get((port, m.LOOP), 0) == level:
            return
        self._levels[port, m.LOOP] = level
        watched, times = self._watched[end], self._unit.adjustment
        if level and not self._hook[end]:
            self._hang(end, 1)
        elif level and self._broken[end]:
            self._one_pulse(end, watched)
            watched.hang_up.off()
            watched.digit_over = self._clock.at(
                self._clock.now_us + times.c_hold.typical_us, lambda _: self._one_digit(end, watched)
            )
        elif not level and self._hook[end] and self._battery(port):
            watched.digit_over.off()
            self._break(end, True, self._event)
            event = self._event
            watched.hang_up = self._clock.at(
                self._clock.now_us + times.b_hold.least_us, lambda _: self._hung_up(end, watched, event)
            )
        self._tell(end, "loop", level, "sensed")

    def _one_pulse(self, end: str, watched: _Watched) -> None:
        if not watched.pulses:
            self._sent[end] += 1
            self._tell(end, "digit", self._sent[end], "sensed")
        watched.pulses += 1
        self._tell(end, "pulses", watched.pulses, "sensed")
        self._break(end, False, self._event)

    def _one_digit(self, end: str, watched: _Watched) -> None:
        pulses, watched.pulses = watched.pulses, 0
        if end == CALLER and 1 <= pulses <= 10:
            self._tell(end, "dialled", int(digit_sent(pulses, self._unit.numbering.pulses)), "sensed")

    def _hung_up(self, end: str, watched: _Watched, event: int) -> None:
        watched.pulses = 0
        self._hook[end] = 0
        self._tell(end, "hook", 0, "sensed", event=event)
        self._break(end, False, event)

    def _battery(self, port: int) -> int:
        return 2 if self._levels.get((port, m.REVERSED), 0) else self._levels.get((port, m.NORMAL), 0)

    # -- what the board senses ----------------------------------------------------------------------------------

    def _sensed(self, end: str, port: int, signal: int, level: int) -> None:
        if self._levels.get((port, signal), 0) == level:
            return
        self._levels[port, signal] = level
        if signal == m.LOOP:
            if not level and self._hook[end] and not self._broken[end]:
                # Perhaps the exchange did it: the battery's sense says so within the same moment.
                self._kept = (self._clock.now_us, end, self._event)
            else:
                self._tell(end, "loop", level, "sensed")
        elif signal == m.RINGING:
            self._inform_ringing(end, level)
            self._tell(end, "ringing", level, "sensed")
        else:
            battery = self._battery(port)
            self._inform_battery(end, battery)
            self._let_go()
            self._tell(end, "battery", battery, "sensed")

    def _inform_battery(self, end: str, battery: int) -> None:
        for each, train in self._trains.items():
            if each != end and train.called_battery(self._ends[end], battery):
                return
        if end in self._trains:
            self._trains[end].battery(battery)

    def _inform_ringing(self, end: str, level: int) -> None:
        for each, train in self._trains.items():
            if level and each != end:
                train.called_ringing(self._ends[end])

    def _settle(self, event: m.Event | None) -> None:
        """Tell a loss of current that was kept back, unless this event is the battery's word on the same moment."""
        if self._kept is None:
            return
        at_us, end, _ = self._kept
        if (
            event is not None
            and event.kind in (m.EV_EDGE, m.EV_STATE)
            and self._end_at.get(event.port) == end
            and event.value in (m.LOOP << 1, m.NORMAL << 1, m.REVERSED << 1)
            and event.at_us - at_us <= _TOGETHER_US
        ):
            return
        self._let_go()

    def _let_go(self) -> None:
        if self._kept is not None:
            at_us, end, event = self._kept
            self._kept = None
            self._put(Fact(max(at_us, self._clock.now_us), end, "loop", 0, "sensed", event))

    # -- what a train asks and tells ----------------------------------------------------------------------------

    def tell(self, part: str, thing: str, value: int) -> None:
        """One inferred fact."""
        self._tell(part, thing, value, "inferred")

    def is_busy(self, line: Line) -> bool:
        """Whether a line is known to be in use."""
        return self._follow.is_busy(line)

    def taken(self, line: Line, held: bool) -> None:
        """A connector has taken a line, or has let it go."""
        for end, train in self._trains.items():
            if self._ends[end] == line:
                train.line_taken(held)

    # -- telling ------------------------------------------------------------------------------------------------

    def _tell(
        self, part: str, thing: str, value: int, known: Known, *, event: int | None = None, tap: bool = False
    ) -> None:
        number = self._event if event is None else event
        self._put(Fact(self._clock.now_us, part, thing, value, known, number), tap=tap)

    def _put(self, fact: Fact, *, tap: bool = False) -> None:
        self._count += 1
        number = self._count
        if fact.thing == "tone" and fact.part in self._tone:
            self._tone[fact.part] = fact.value
        elif fact.thing == "digit" and not fact.value:
            self._sent[fact.part] = 0
        cause = self._causes.cause(fact)
        self._causes.note(fact, number)
        if fact.known != "sensed":  # it follows from what its cause followed from; a truth follows from no event
            fact = fact._replace(event=self._told_by[cause - 1] if cause and fact.known == "inferred" else -1)
        self._told_by.append(fact.event)
        self._out.append(
            Happening(number, fact.at_us, fact.part, fact.thing, fact.value, fact.known, cause, fact.event)
        )
        for each in self._follow.on(fact, number, tap=tap):
            self._put(each)
        if fact.thing == "digit" and not fact.value and fact.part == CALLER and CALLER in self._watched:
            self._put(fact._replace(thing="dialled", value=-1, trigger=number))


def happenings(
    plan: Plan, unit: Unit, events: Iterable[m.Event], truth: Sequence[Row] | None = None
) -> tuple[Happening, ...]:
    """Return everything that happened in a call, in order. truth: rows of its truth file, if there is one."""
    story = Story(plan, unit, truth)
    found: list[Happening] = []
    last_us = 0
    for event in events:
        found += story.take(event)
        last_us = max(last_us, event.at_us)
    found += story.until(last_us + AFTER_US)
    return tuple(found)
