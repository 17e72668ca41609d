"""Where a number leads on this unit, given who is off-hook and which trunks are taken.

Worked out before anything is rung, so that a plan can refuse to ring an end that nobody declared.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from enum import Enum

from demo_ctl.office.model import Line, Unit
from demo_ctl.office.route import Leg, complete, hunting_group, line_reached, route, terminal


class End(Enum):
    """How a dialled number ends."""

    PARTIAL = "digits are missing"
    OVERFLOW = "no trunk is free"
    VACANT = "a vacant terminal is reached"
    BUSY = "the line is busy"
    RINGS = "the line is rung"


@dataclass(frozen=True)
class Reach:
    """legs: what each digit does. at: the leg where it ends. line: the line that is rung, if any.

    hunts: rotary steps the connector makes by itself, over a hunting group, before it ends.
    """

    legs: tuple[Leg, ...]
    end: End
    at: int
    line: Line | None = None
    hunts: int = 0


def reach(unit: Unit, digits: str, off_hook: Collection[str], busy: Collection[tuple[int, str]]) -> Reach:
    """Follow `digits` through the unit.

    off_hook: names of lines whose handset is lifted. busy: (stage, level) whose trunks are all taken. A terminal with
    nothing attached is a vacant one.
    """
    legs = route(unit, digits)
    for at, leg in enumerate(legs):
        if leg.does == "select" and (not leg.trunks or (leg.stage, leg.digit) in busy):
            return Reach(legs, End.OVERFLOW, at)
    last = len(legs) - 1
    if not complete(legs):
        return Reach(legs, End.PARTIAL, last)
    line = line_reached(unit, digits)
    if line is None or line.attached == "nothing":
        return Reach(legs, End.VACANT, last)
    group = hunting_group(unit, line)
    free = next((each for each in group if each.name not in off_hook), None)
    hunts = terminal(unit, free or group[-1]) - terminal(unit, group[0])
    return Reach(legs, End.BUSY if free is None else End.RINGS, last, free, hunts)
