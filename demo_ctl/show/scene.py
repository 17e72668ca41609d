"""Scenes: what a picture of the call needs, and how one happening makes the next. Pure; nothing is kept elsewhere.

Folding the same happenings from the same start gives the same scene, whoever does it and whenever: that is all that
keeps many screens alike, and lets one that joins late begin with the latest scene alone.

A switch that nobody has named yet takes its place in the picture when a happening says whom it serves. The caller's
train always has one switch a stage, at rest before it is taken. One that a new call replaces before it has come home
stays until it is home, serving nobody.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, replace
from typing import Any

from demo_ctl.office.model import Line, Unit
from demo_ctl.office.numbers import digits_of
from demo_ctl.office.route import line_reached
from demo_ctl.plan.model import Plan
from demo_ctl.show.model import Happening, Party, Scene, Switch

FINDER = "line finder"
#: The things of a switch that are its relays, in the order in which a scene lists them.
RELAYS = ("A", "B", "C", "D", "F", "cut-through", "ringing")
_LINE_RELAYS = ("line relay", "cut-off relay")
_MAGNETS = {"vertical magnet": "vertical", "rotary magnet": "rotary", "release magnet": "release"}
#: In the order of the picture: the caller's train, the called's, then those on their way home.
_ORDER = {1: 0, 2: 1, 0: 2}


def called_line(plan: Plan, unit: Unit) -> Line | None:
    """Return the line that the whole number leads to (or that is rung), whether or not the call gets there."""
    if plan.called_port:
        return unit.line_at_port(plan.called_port)
    try:
        digits = digits_of(plan.number, unit.numbering.letters)
        return line_reached(unit, digits)
    except (ValueError, IndexError):
        return None  # no number at all, or not this unit's


def stage_names(unit: Unit) -> tuple[str, ...]:
    """Return what the stages are called: the finder's, then the train's, in order."""
    return (FINDER, *(stage.name for stage in unit.train))


def start(plan: Plan, unit: Unit) -> Scene:
    """Return the scene before anything has happened: both telephones at rest, and one switch of each stage."""
    called = called_line(plan, unit)
    caller = unit.line_at_port(plan.caller_port)
    train = [Switch(f"{FINDER} of caller", 0, "finder", FINDER)]
    for place, stage in enumerate(unit.train, 1):
        train.append(Switch(f"{stage.name} of caller", place, stage.kind, stage.name))
    return Scene(
        number=0,
        at_us=0,
        stage=0,
        title=plan.title,
        dialled=plan.number.strip(),
        digits=plan.digits,
        caller=_party(caller),
        called=_party(called),
        switches=tuple(train),
    )


def _party(line: Line | None) -> Party:
    # A line at rest has battery on it: its own line relay's.
    return Party("", 0) if line is None else Party(line.name, line.port, battery=1 if line.port else 0)


def fold(scene: Scene, happening: Happening) -> Scene:
    """Return the scene after one more happening. Things that no scene shows change only `number` and `last`."""
    part, thing = happening.part, happening.thing
    changed = scene
    if part == "caller" and thing == "dialled":
        # A visitor dials what they like: the digits become known one by one.
        digits = f"{scene.digits}{happening.value}" if happening.value >= 0 else ""
        changed = replace(scene, digits=digits)
    elif part == "caller":
        changed = replace(scene, caller=_fold_party(scene.caller, thing, happening.value))
    elif part == "called":
        changed = replace(scene, called=_fold_party(scene.called, thing, happening.value))
    elif part == "call":
        changed = replace(scene, stage=happening.value) if thing == "stage" else scene
    elif part == "guard":
        changed = replace(scene, guard=happening.value) if thing == "state" else scene
    elif part.startswith("line ") and thing in _LINE_RELAYS:
        changed = _fold_line(scene, happening)
    else:
        changed = replace(scene, switches=_fold_switches(scene.switches, happening))
    return replace(changed, number=happening.number, at_us=happening.at_us, last=happening)


def scenes(first: Scene, happenings: Iterable[Happening]) -> Iterator[Scene]:
    """Yield the scene after each happening, in order."""
    for happening in happenings:
        first = fold(first, happening)
        yield first


def as_json(scene: Scene) -> dict[str, Any]:
    """Return a scene for JSON, field by field as the types say (SCENE.md tells it)."""
    return asdict(scene)


def _fold_party(party: Party, thing: str, value: int) -> Party:
    if thing == "hook":
        return replace(party, off_hook=bool(value))
    if thing == "loop":
        return replace(party, loop=bool(value))
    if thing == "digit":
        return replace(party, digit=value, pulses=0)  # a new digit has had no breaks yet
    if thing == "pulse":
        return replace(party, open_contact=bool(value))
    if thing == "pulses":
        return replace(party, pulses=value)
    if thing == "battery":
        return replace(party, battery=value)
    if thing == "tone":
        return replace(party, tone=value)
    if thing == "ringing":
        return replace(party, ringing=bool(value))
    return party


def _fold_line(scene: Scene, happening: Happening) -> Scene:
    name = happening.part.removeprefix("line ")
    if name == scene.caller.name:
        relays = _with(scene.caller.relays, happening.thing, happening.value, _LINE_RELAYS)
        return replace(scene, caller=replace(scene.caller, relays=relays))
    if name == scene.called.name:
        relays = _with(scene.called.relays, happening.thing, happening.value, _LINE_RELAYS)
        return replace(scene, called=replace(scene.called, relays=relays))
    return scene


def _with(relays: tuple[str, ...], name: str, value: int, order: tuple[str, ...]) -> tuple[str, ...]:
    operated = {*relays, name} if value else {*relays} - {name}
    return tuple(each for each in order if each in operated)


def at_rest(switch: Switch) -> bool:
    """Whether nothing of a switch is off its rest."""
    return not (switch.vertical or switch.rotary or switch.magnet or switch.relays)


def _fold_switches(switches: tuple[Switch, ...], happening: Happening) -> tuple[Switch, ...]:
    if happening.thing == "serves":
        return _serve(switches, happening)
    place = next((place for place, each in enumerate(switches) if each.part == happening.part), None)
    if place is None:
        return switches
    now = _fold_switch(switches[place], happening)
    gone = now.serves == 0 and at_rest(now)
    return switches[:place] + (() if gone else (now,)) + switches[place + 1 :]


def _fold_switch(switch: Switch, happening: Happening) -> Switch:
    thing, value, known = happening.thing, happening.value, happening.known
    if thing in RELAYS:
        return replace(switch, relays=_with(switch.relays, thing, value, RELAYS), known=known)
    if thing == "vertical":
        return replace(switch, vertical=value, known=known)
    if thing == "rotary":
        return replace(switch, rotary=value, known=known)
    magnet = _MAGNETS.get(thing)
    if magnet == "vertical":
        return replace(switch, magnet="vertical" if value else _unless(switch.magnet, magnet), known=known)
    if magnet == "rotary":
        return replace(switch, magnet="rotary" if value else _unless(switch.magnet, magnet), known=known)
    if magnet == "release":
        return replace(switch, magnet="release" if value else _unless(switch.magnet, magnet), known=known)
    return switch  # its sleeve, its off-normal springs


def _unless(magnet: Any, released: str) -> Any:
    """A magnet that falls back leaves another one as it is."""
    return "" if magnet == released else magnet


def _serve(switches: tuple[Switch, ...], happening: Happening) -> tuple[Switch, ...]:
    part, whom = happening.part, happening.value
    kept = [each for each in switches if each.part != part]
    own = next((each for each in switches if each.part == part), None)
    if whom == 0:
        # The caller's train keeps its picture; others leave it when they are home.
        if own is None or own.serves == 1:
            return switches
        return tuple(kept) if at_rest(own) else _sorted([*kept, replace(own, serves=0)])
    stage = _stage_of(switches, part)
    if stage is None:
        return switches
    if own is None:
        own = replace(_blank(stage), part=part, serves=0)
    if own.serves == 1 and whom != 1:
        # The caller's train keeps a switch of this stage, though nobody knows now which it will be.
        blank = replace(_blank(stage), part=f"{stage.name} of caller")
        if blank.part == part:
            return switches
        kept.append(blank)
    own = replace(own, serves=whom, known=happening.known)
    others = []
    for each in kept:
        if each.stage != own.stage or each.serves != whom:
            others.append(each)
        elif not at_rest(each):
            others.append(replace(each, serves=0))
    return _sorted([*others, own])


def _stage_of(switches: tuple[Switch, ...], part: str) -> Switch | None:
    """Return a switch of the stage that a part's name tells: the longest stage's name that it begins with."""
    fitting = [each for each in switches if part == each.name or part.startswith(f"{each.name} ")]
    return max(fitting, key=lambda each: len(each.name), default=None)


def _blank(switch: Switch) -> Switch:
    return Switch(switch.part, switch.stage, switch.kind, switch.name)


def _sorted(switches: list[Switch]) -> tuple[Switch, ...]:
    return tuple(sorted(switches, key=lambda each: (_ORDER[each.serves], each.stage)))
