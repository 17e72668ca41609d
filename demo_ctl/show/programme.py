"""A run sheet made ready: every call planned, at its pace, with a gate at every stable point.

The plans have gates everywhere, also where the sheet wants no stop: those are opened the moment they are reached, which
costs a few milliseconds, and so a presenter may hold any call at its next stable point.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

from demo_ctl.ledger.read import read_record
from demo_ctl.office.model import Unit
from demo_ctl.plan.build import build
from demo_ctl.plan.check import step_us
from demo_ctl.plan.model import Gate, Plan
from demo_ctl.plan.stops import Stops
from demo_ctl.plan.stretch import release_need_us
from demo_ctl.script.load import load_call
from demo_ctl.script.model import Call
from demo_ctl.script.sheet import Again, Followed, Language, Screen, Sheet, Unfold, words
from demo_ctl.script.staged import beside
from demo_ctl.show.following import FOLLOW, Follows, following_plan, line_of
from demo_ctl.show.lamps import lamp_table
from demo_ctl.show.replay import replay
from demo_ctl.show.screens import Film, film, film_of
from demo_ctl.show.unfold import Unfolding
from demo_ctl.terms.errors import PlanError
from demo_ctl.terms.lamps import Lamp
from demo_ctl.terms.located import Located
from demo_ctl.wire import messages as m

Texts = Mapping[str, str]

#: What a telephone that is followed is called, if the sheet says nothing.
YOU_DIAL: Texts = {"en": "You dial", "de": "Sie wählen", "fr": "Vous composez"}


@dataclass(frozen=True)
class Part:
    """One performance of the show. call: which item of the sheet; again: 0 the first time, then its repeats.

    name: for files. script: what is placed; None when a telephone is followed. follows: which one, then. unfold:
    nothing is placed either: what was seen of this call is shown again, this of it one after the other. replay: what is
    shown if the call fails, and replay_unfold what of it one after the other.
    """

    call: int
    again: int
    name: str
    script: Located[Call] | None
    titles: Texts
    pace: Fraction
    stops: frozenset[str]
    screen: Screen
    lamps: bool
    captions: Mapping[str, Texts]
    try_once_more: bool
    replay: Path | None
    plan: Plan
    #: Shortest time of the same call at normal speed.
    normal_us: int
    follows: Follows | None = None
    unfold: Unfold | None = None
    replay_unfold: Unfold = "nothing"

    def holds(self, gate: Gate) -> bool:
        """Whether the sheet (or the script itself) wants the call to wait for the presenter at this gate."""
        return gate.tone is None and (not gate.stage or gate.stage in self.stops)


@dataclass
class Programme:
    """All parts in order. plans: those made for another pace than the sheet's, kept so that none is made twice."""

    sheet: Located[Sheet]
    unit: Located[Unit]
    parts: tuple[Part, ...]
    stops: Stops
    ports: int
    rehearsal: bool
    lamps: tuple[Lamp, ...] = ()
    plans: dict[tuple[int, Fraction], Plan] = field(default_factory=dict)
    films: dict[int, Film] = field(default_factory=dict)  # of the replays of parts that fail, read once

    def plan(self, part: int, pace: Fraction | None = None) -> Plan:
        """Return the plan of a part, at another pace than the sheet's if one is given. Raises PlanError."""
        chosen = self.parts[part]
        if pace is None or pace == chosen.pace or chosen.script is None or chosen.unfold is not None:
            return chosen.plan
        key = (part, pace)
        if key not in self.plans:
            self.plans[key] = build(
                chosen.script, self.unit, pace, ports=self.ports, holds=self.stops, rehearsal=self.rehearsal
            )
        return self.plans[key]

    @property
    def cap_us(self) -> int:
        """The longest time that any replay of this show takes."""
        return self.sheet.value.unfolded_us

    def fallback(self, part: int) -> Film | None:
        """Return what is shown if a part fails; None: nothing is. Raises InputError: its record is no good."""
        chosen = self.parts[part]
        if chosen.replay is None:
            return None
        if part not in self.films:
            self.films[part] = film(
                read_record(chosen.replay),
                self.unit.value,
                unfolding=Unfolding(which=chosen.replay_unfold, cap_us=self.cap_us),
                what=chosen.screen,
                overrides=chosen.captions,
            )
        return self.films[part]

    def seen_again(self, part: int, plan: Plan, events: Sequence[m.Event], pace: Fraction | None = None) -> Film:
        """Return what was seen of a call as a part wants it shown again."""
        chosen = self.parts[part]
        unfolding = Unfolding(which=chosen.unfold or "nothing", cap_us=self.cap_us)
        made = replay(plan, self.unit.value, events, pace=pace or chosen.pace, unfolding=unfolding)
        return film_of(made, plan, chosen.screen, chosen.captions)

    def takes(self, part: int) -> Span:
        """How long a part takes, as the sheet has it."""
        chosen = self.parts[part]
        if chosen.unfold is None:
            return span(chosen, chosen.plan)
        # What will have been seen takes as long as the call at that pace, and what is unfolded of it longer.
        call_us = max(0, chosen.plan.least_us - self.unit.value.rest_us)
        return Span(min(self.cap_us, int(call_us / chosen.pace)), self.cap_us)

    def title(self, part: int, language: str = "en") -> str:
        """What a part is called."""
        return words(self.parts[part].titles, language)

    @property
    def restore_us(self) -> int:
        """From opened loops until every switch is home and the unit has rested."""
        return release_need_us(self.unit.value) + self.unit.value.rest_us

    @property
    def ringing(self) -> bool:
        """Whether a bell rings anywhere in the show."""
        return any(part.plan.ringing for part in self.parts)


def prepare(
    sheet: Located[Sheet],
    unit: Located[Unit],
    *,
    ports: int = 4,
    stops: Stops | None = None,
    rehearsal: bool = False,
) -> Programme:
    """Read and plan every call of a sheet.

    stops: what this board allows of ringing. Raises InputError (a script), PlanError (it does not fit this unit).
    """
    chosen = stops or Stops()
    parts: list[Part] = []
    for index, shown in enumerate(sheet.value.calls):
        if isinstance(shown, Followed):
            parts.append(_followed(sheet, unit.value, index, shown, ports))
            continue
        script = load_call(beside(sheet, shown.call))
        normal_us = build(script, unit, ports=ports, rehearsal=rehearsal).least_us
        rule = shown.if_it_fails
        titles: Texts = _texts(shown.title) if shown.title else {sheet.value.languages[0]: script.value.title}
        first = Again(pace=shown.pace, screen=shown.screen, stops=shown.stops)
        for again, way in enumerate((first, *shown.repeat)):
            pace, at, screen = way.pace, way.stops, way.screen
            try:
                placed_at = pace if way.unfold is None else shown.pace
                plan = build(script, unit, placed_at, ports=ports, holds=chosen, rehearsal=rehearsal)
            except PlanError as error:
                error.what += f" (call {index + 1} of {sheet.file})"
                raise
            parts.append(
                Part(
                    index,
                    again,
                    script.value.name,
                    script,
                    titles,
                    pace,
                    frozenset(at),
                    screen,
                    shown.lamps == "follow",
                    {stage: _texts(texts) for stage, texts in shown.captions.items()},
                    rule.try_once_more,
                    beside(sheet, rule.replay) if rule.replay else None,
                    plan,
                    normal_us,
                    unfold=way.unfold,
                    replay_unfold=rule.unfold,
                )
            )
    return Programme(sheet, unit, tuple(parts), chosen, ports, rehearsal, lamp_table(unit, sheet))


def _followed(sheet: Located[Sheet], unit: Unit, index: int, shown: Followed, ports: int) -> Part:
    """A telephone that is followed. Raises InputError (no such line), PlanError (the board may not wait so long)."""
    where = ("calls", index)
    line = line_of(unit, shown.follow, sheet.place(*where, "follow"), ports)
    titles: Texts = _texts(shown.title) if shown.title else YOU_DIAL
    title = words(titles, "en")
    plan = following_plan(unit, line, title, shown.most_us, sheet.place(*where, "at most"), ports)
    return Part(
        index,
        0,
        plan.script,
        None,
        titles,
        Fraction(1),
        frozenset({FOLLOW}),
        shown.screen,
        shown.lamps == "follow",
        {stage: _texts(texts) for stage, texts in shown.captions.items()},
        try_once_more=False,
        replay=None,
        plan=plan,
        normal_us=plan.least_us,
        follows=Follows(line, shown.goes_on),
    )


def _texts(texts: Mapping[Language, str]) -> dict[str, str]:
    return {str(language): text for language, text in texts.items()}


@dataclass(frozen=True)
class Span:
    """How long something takes, microseconds: when nobody holds and nothing is late; and at every limit."""

    least_us: int
    most_us: int

    def __add__(self, other: Span) -> Span:
        return Span(self.least_us + other.least_us, self.most_us + other.most_us)


def span(part: Part, plan: Plan, start: int = 0, end: int | None = None, *, hold_all: bool = False) -> Span:
    """How long steps `start` to `end` (not that one) take: gates that are not held take no time.

    hold_all: as if every gate were held.
    """
    gates = {gate.index: gate for gate in plan.gates if gate.tone is None}
    least = most = 0
    for index, step in enumerate(plan.timeline.steps[start:end], start):
        low, high = step_us(step)
        gate = gates.get(index)
        if gate is not None and not hold_all and not part.holds(gate):
            high = 0
        least, most = least + low, most + high
    return Span(least, most)


def real_pace(part: Part, plan: Plan) -> Fraction:
    """The pace that the whole call really gets: its time at normal speed by its time now, both without holding."""
    return Fraction(part.normal_us, max(1, plan.least_us))
