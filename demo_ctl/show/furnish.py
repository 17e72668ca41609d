"""An exhibit made ready: every call planned, every record read, before the first visitor comes."""

from __future__ import annotations

from dataclasses import dataclass

from demo_ctl.ledger.read import read_record
from demo_ctl.office.model import Line, Unit
from demo_ctl.plan.build import build
from demo_ctl.plan.stretch import release_need_us
from demo_ctl.script.exhibit import Exhibit, Placed, texts_of
from demo_ctl.script.load import load_call
from demo_ctl.script.sheet import words
from demo_ctl.script.staged import beside
from demo_ctl.show import wear
from demo_ctl.show.acts import Act, Watch
from demo_ctl.show.exhibit_model import Offered, Rules
from demo_ctl.show.hours import hours_of
from demo_ctl.show.lamps import lamp_table
from demo_ctl.show.screens import Film, check_sounds, film
from demo_ctl.show.unfold import Unfolding
from demo_ctl.show.visitor import watching_plan
from demo_ctl.show.visitor_ring import ringing_plan
from demo_ctl.terms.errors import InputError, PlanError
from demo_ctl.terms.lamps import Lamp
from demo_ctl.terms.located import Located


@dataclass(frozen=True)
class Furnished:
    """All that a keeper needs of an exhibit's file."""

    title: str
    languages: tuple[str, ...]
    unit: Unit
    rules: Rules
    acts: tuple[Act, ...]
    films: tuple[Film, ...]
    watch: Watch | None = None
    lamps: tuple[Lamp, ...] = ()

    @property
    def ringing(self) -> bool:
        """Whether a bell rings in any call."""
        return any(act.plan.ringing for act in self.acts)


def furnish(exhibit: Located[Exhibit], unit: Located[Unit], *, ports: int = 4) -> Furnished:
    """Read and plan everything. Raises InputError (a script, a record), PlanError (a call that no button can place)."""
    value, plain = exhibit.value, unit.value
    acts = tuple(_act(exhibit, unit, placed, index, ports) for index, placed in enumerate(value.calls))
    films = tuple(
        film(
            read_record(beside(exhibit, recorded.record)),
            plain,
            pace=recorded.pace,
            unfolding=Unfolding(which=recorded.unfold, cap_us=recorded.most_us),
            what=recorded.screen,
            overrides={stage: texts_of(dict(texts)) for stage, texts in recorded.captions.items()},
            sound=recorded.sound,
        )
        for recorded in value.attract
    )
    check_sounds(films, exhibit.place("attract"))
    restore_us = release_need_us(plain) + plain.rest_us
    rules = Rules(
        calls=tuple(
            Offered(act.title, act.plan.ringing, act.plan.most_us + restore_us, wear.planned(act.plan, plain))
            for act in acts
        ),
        replays=tuple(each.total_us for each in films),
        cool_down_us=value.cool_down_us,
        limits=value.wear,
        hours=hours_of(value.hours),
        dark_when_closed=value.hours is not None and value.hours.screen == "dark",
        restore_us=restore_us,
    )
    return Furnished(
        words(value.title, "en"),
        tuple(value.languages),
        plain,
        rules,
        acts,
        films,
        _watch(exhibit, plain),
        lamp_table(unit, exhibit),
    )


def _act(exhibit: Located[Exhibit], unit: Located[Unit], placed: Placed, index: int, ports: int) -> Act:
    script = load_call(beside(exhibit, placed.call))
    where = exhibit.place("calls", index, "call")
    plan = build(script, unit, placed.pace, ports=ports)
    by_hand = next((busy for busy in plan.busy_trunks if busy.met_by == "person"), None)
    if by_hand is not None:
        raise PlanError(
            "no button can place this call: a person must make trunks busy before it",
            where=where,
            next_step="Choose another script.",
        )
    gate = next((gate for gate in plan.gates if gate.tone is None), None)
    if gate is not None:
        raise PlanError(
            f"no button can place this call: it waits for a presenter ({gate.tell})",
            where=where,
            next_step="Choose a script without `gate`.",
        )
    title = words(texts_of(dict(placed.title)), "en") if placed.title else script.value.title
    overrides = {str(stage): texts_of(dict(texts)) for stage, texts in placed.captions.items()}
    return Act(title, plan, placed.screen, overrides)


def _watch(exhibit: Located[Exhibit], unit: Unit) -> Watch | None:
    told = exhibit.value.visitors_dial
    if told is None:
        return None
    line = _line(exhibit, unit, told.line, "line")
    title = words(texts_of(dict(told.title)), "en") if told.title else "A visitor dials"
    plan = watching_plan(unit, line, title)
    if told.rings is None:
        return Watch(plan, told.told_us)
    rung = _line(exhibit, unit, told.rings, "rings")
    if rung.name == line.name:
        raise InputError(
            "visitors cannot ring the telephone that they dial with",
            where=exhibit.place("visitors dial", "rings"),
            next_step="Name another line with a port, or leave `rings` away.",
        )
    return Watch(plan, told.told_us, ringing_plan(unit, line, rung, title, told.rings_us), rung)


def _line(exhibit: Located[Exhibit], unit: Unit, name: str, key: str) -> Line:
    line = next((line for line in unit.lines if line.name == name and line.port), None)
    if line is None:
        known = ", ".join(each.name for each in unit.lines if each.port)
        raise InputError(
            f"{unit.name} has no line {name!r} with a port of the board",
            where=exhibit.place("visitors dial", key),
            next_step=f"Lines with a port: {known}.",
        )
    return line
