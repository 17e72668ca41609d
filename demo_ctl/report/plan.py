"""A plan for people: timeline, expectations, and what the pace asked and got. Pure; fits 80 columns."""

from __future__ import annotations

import re
from pathlib import PurePath

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from demo_ctl.plan.model import Check, Expectation, Plan, Step
from demo_ctl.plan.summarise import summarise
from demo_ctl.report.words import OPTIONAL_SAYS, Letters, allowed_words, plain_table, time_words, title_words
from demo_ctl.terms.errors import Place
from demo_ctl.wire import messages as m

ROLES = ("unused", "calling", "called", "monitored", "dial bench")


def how(step: Step) -> str:
    """What a step makes the board do, in few words."""
    if step.op == m.OP_WAIT:
        return f"for {time_words(step.a)}"
    if step.op == m.OP_LOOP:
        return "close the loop" if step.x else "open the loop"
    if step.op == m.OP_PULSES:
        return f"{step.x} x {time_words(step.a)} off, {time_words(step.b)} on"
    if step.op == m.OP_WAIT_FOR:
        count = step.x >> 8
        signal = m.SIGNALS[step.x >> 1 & 3]
        times = f" {count} times" if count > 1 else ""
        return f"until {signal} {'on' if step.x & 1 else 'off'}{times}, at most {time_words(step.a)}"
    if step.op == m.OP_GATE:
        return f"gate {step.x}, at most {time_words(step.a)}"
    if step.op == m.OP_LISTEN:
        return "audio on" if step.x else "audio off"
    if step.op == m.OP_RINGING:
        return f"for at most {time_words(step.a)}" if step.x else "ringing off"
    return ""


def _place(place: Place, script: str) -> str:
    """The line; the file too, where it is not the script's."""
    if not place.file:
        return ""
    name = PurePath(place.file).name
    return str(place.line) if PurePath(name).stem == script else f"{name}:{place.line}"


def timeline_table(plan: Plan) -> Table:
    """Instructions in order: earliest start, who asked for it, what the board does."""
    table = plain_table(
        "Timeline (earliest start of each step)", "#", "at", "step", "what the board does", "port", "line"
    )
    table.columns[0].justify = table.columns[1].justify = "right"
    for column in (0, 1, 4, 5):
        table.columns[column].no_wrap = True
    for begins, step in zip(summarise(plan), plan.timeline.steps, strict=True):
        row = (
            str(begins.index),
            f"{begins.earliest_us / 1e6:.3f} s",
            step.label,
            how(step),
            str(step.port or ""),
            _place(step.place, plan.script),
        )
        table.add_row(*(Text(cell) for cell in row))
    return table


def _same_pulses(plan: Plan) -> list[Expectation]:
    """Expectations that each digit comes as dialled: they share a line, if there are two or more."""
    found = [
        each
        for each in plan.expectations
        if each.check is Check.PULSES and each.window.low == each.window.high == plan.timeline.steps[each.index].x
    ]
    return found if len(found) > 1 else []


def expectations_table(plan: Plan) -> list[RenderableType]:
    """What is expected, and who says so."""
    table = plain_table("Expectations", "check", "allowed", "source")
    sources, same = Letters(), _same_pulses(plan)
    for each in plan.expectations:
        if each in same:
            if each is same[0]:
                says = " ".join(
                    dict.fromkeys(sources.of(re.sub(r"[;:] digit .$", "", pulses.window.source)) for pulses in same)
                )
                table.add_row(f"pulses in each of {len(same)} digits", "as dialled", says)
            continue
        cells = (title_words(each.title, each.required), allowed_words(each.check, each.window))
        table.add_row(*(Text(cell) for cell in cells), sources.of(each.window.source))
    optional = [] if all(each.required for each in plan.expectations) else [Text(OPTIONAL_SAYS, style="dim")]
    return [table, *sources.lines(), *optional]


def pace_table(plan: Plan) -> list[RenderableType]:
    """For each part: what the pace asked, what it got, and why."""
    table = plain_table(f"Pace {pace_words(plan)}", "part", "kind", "normal", "asked", "got", "why")
    reasons = Letters()
    for row in plan.pace_table:
        cells = (row.part, row.kind.value, row.normal, row.asked, row.got, reasons.of(row.why))
        table.add_row(*(Text(cell) for cell in cells))
    return [table, *reasons.lines()]


def pace_words(plan: Plan) -> str:
    """The pace as people write it."""
    pace = plan.pace
    return str(pace.numerator) if pace.denominator == 1 else f"{pace.numerator}/{pace.denominator}"


def plan_tables(plan: Plan) -> list[RenderableType]:
    """A plan as things to print, in order."""
    parts: list[RenderableType] = [Text(f"{plan.title} (script {plan.script}) on {plan.unit}", style="bold")]
    number = f"{plan.number} ({plan.digits})" if plan.number != plan.digits else plan.number
    roles = ", ".join(f"port {port} {ROLES[role]}" for port, role in enumerate(plan.timeline.roles, 1) if role)
    parts.append(Text(f"Dials {number or 'nothing'} at pace {pace_words(plan)}; {roles}."))
    parts.append(Text(f"Takes {time_words(plan.least_us)} at least, {time_words(plan.most_us)} at most."))
    parts.append(
        Text("It rings a bell: ringing voltage will be on a line." if plan.ringing else "Nothing is meant to ring.")
    )
    for busy in plan.busy_trunks:
        trunks = ", ".join(map(str, busy.positions))
        by = "a person" if busy.met_by == "person" else busy.met_by
        parts.append(Text(f"Busy beforehand, by {by}: stage {busy.stage}, level {busy.level}, trunks {trunks}."))
    for gate in plan.gates:
        what = f"goes on when it hears {gate.tell}" if gate.tone else f"waits for a person: {gate.tell}"
        parts.append(Text(f"Gate {gate.number} {what}, for {time_words(gate.limit_us)} at most."))
    parts.extend(Text(f"Note: {note}") for note in plan.notes)
    for tables in ([timeline_table(plan)], expectations_table(plan), pace_table(plan)):
        parts.extend((Text(""), *tables))
    return parts
