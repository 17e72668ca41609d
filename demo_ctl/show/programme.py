"""A run sheet made ready: every call planned, at its pace, with a gate at every stable point.

The plans have gates everywhere, also where the sheet wants no stop: those are opened the moment they are reached, which
costs a few milliseconds, and so a presenter may hold any call at its next stable point.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

from demo_ctl.office.model import Unit
from demo_ctl.plan.build import build
from demo_ctl.plan.check import step_us
from demo_ctl.plan.model import Gate, Plan
from demo_ctl.plan.stops import Stops
from demo_ctl.plan.stretch import release_need_us
from demo_ctl.script.load import load_call
from demo_ctl.script.model import Call
from demo_ctl.script.sheet import Language, Screen, Sheet, words
from demo_ctl.script.staged import beside
from demo_ctl.show.lamps import lamp_table
from demo_ctl.terms.errors import PlanError
from demo_ctl.terms.lamps import Lamp
from demo_ctl.terms.located import Located

Texts = Mapping[str, str]


@dataclass(frozen=True)
class Part:
    """One performance of the show. call: which call of the sheet; again: 0 the first time, then its repeats."""

    call: int
    again: int
    script: Located[Call]
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

    def plan(self, part: int, pace: Fraction | None = None) -> Plan:
        """Return the plan of a part, at another pace than the sheet's if one is given. Raises PlanError."""
        chosen = self.parts[part]
        if pace is None or pace == chosen.pace:
            return chosen.plan
        key = (part, pace)
        if key not in self.plans:
            self.plans[key] = build(
                chosen.script, self.unit, pace, ports=self.ports, holds=self.stops, rehearsal=self.rehearsal
            )
        return self.plans[key]

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
        script = load_call(beside(sheet, shown.call))
        normal_us = build(script, unit, ports=ports, rehearsal=rehearsal).least_us
        rule = shown.if_it_fails
        titles: Texts = _texts(shown.title) if shown.title else {sheet.value.languages[0]: script.value.title}
        ways = ((shown.pace, shown.stops, shown.screen), *((a.pace, a.stops, a.screen) for a in shown.repeat))
        for again, (pace, at, screen) in enumerate(ways):
            try:
                plan = build(script, unit, pace, ports=ports, holds=chosen, rehearsal=rehearsal)
            except PlanError as error:
                error.what += f" (call {index + 1} of {sheet.file})"
                raise
            parts.append(
                Part(
                    index,
                    again,
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
                )
            )
    return Programme(sheet, unit, tuple(parts), chosen, ports, rehearsal, lamp_table(unit, sheet))


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
