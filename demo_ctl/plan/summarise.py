"""A plan's timeline as rows for people: when each instruction can begin at the earliest and at the latest."""

from __future__ import annotations

from dataclasses import dataclass

from demo_ctl.plan.check import step_us
from demo_ctl.plan.model import Plan
from demo_ctl.terms.errors import Place


@dataclass(frozen=True)
class Row:
    """One instruction. Times in microseconds from the plan's start; least_us and most_us are how long it may take."""

    index: int
    earliest_us: int
    latest_us: int
    least_us: int
    most_us: int
    port: int
    label: str
    place: Place


def summarise(plan: Plan) -> tuple[Row, ...]:
    """Return one row an instruction, in order."""
    rows: list[Row] = []
    earliest = latest = 0
    for index, step in enumerate(plan.timeline.steps):
        least, most = step_us(step)
        rows.append(Row(index, earliest, latest, least, most, step.port, step.label, step.place))
        earliest += least
        latest += most
    return tuple(rows)
