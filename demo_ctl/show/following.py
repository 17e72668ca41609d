"""A real telephone is followed in a show: the plan that watches its port, and what comes of watching. No I/O.

The plan moves nothing: no loop, no pulse, no ringing. It stands at a gate for as long as the telephone may be used;
next opens it. Then it waits, for a while, until the handset is down, and until every switch must be home.

A digit's pulse, and a switch that passes the line on, open the loop as a hook does. So the plan looks again after
longer than either lasts; whoever performs it should look once more when it is over.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from demo_ctl.office.model import Line, Unit
from demo_ctl.plan import check
from demo_ctl.plan.draft import Draft
from demo_ctl.plan.model import Plan, Timeline
from demo_ctl.plan.stretch import release_need_us
from demo_ctl.show.model import Scene
from demo_ctl.show.visitor import DialRan, VisitorLive, dial_ran
from demo_ctl.terms.errors import InputError, Place, PlanError
from demo_ctl.terms.words import time_text
from demo_ctl.wire import messages as m

#: The kind of gate at which a show stands while a telephone is followed.
FOLLOW = "follow"
#: Whoever was asked to put the handset down is given so long, in all, over several looks.
DOWN_US = (60_000_000, 20_000_000, 10_000_000)
#: No pulse of a dial breaks the loop for so long, and no switch that passes the line on.
NO_PULSE_US = 300_000
#: Nobody lifts, dials and hangs up in less.
LEAST_US = 10_000_000


@dataclass(frozen=True)
class Follows:
    """What a part of a show follows. goes_on: by itself, once the handset is down again."""

    line: Line
    goes_on: bool


def line_of(unit: Unit, name: str, where: Place, ports: int) -> Line:
    """Return the line that is to be followed. Raises InputError: none of that name has a port of this board."""
    line = next((line for line in unit.lines if line.name == name and line.port), None)
    if line is None or line.port > ports:
        known = ", ".join(each.name for each in unit.lines if 0 < each.port <= ports)
        raise InputError(
            f"{unit.name} has no line {name!r} with a port of the board",
            where=where,
            next_step=f"Lines with a port: {known}.",
        )
    return line


def following_plan(unit: Unit, line: Line, title: str, most_us: int, where: Place, ports: int = 4) -> Plan:
    """Return the plan that follows a line's telephone for so long at most. Raises PlanError: that is too long."""
    if not LEAST_US <= most_us <= unit.longest_gate_us:
        raise PlanError(
            f"a telephone is followed for {time_text(LEAST_US)} to {time_text(unit.longest_gate_us)}, found "
            f"{time_text(most_us)}",
            where=where,
            next_step="Change `at most`, or raise `longest gate` in the unit's file.",
        )
    draft = Draft(unit.ringing.longest_us)
    tell = f"while the telephone on line {line.name} is used"
    draft.gate(0, None, most_us, tell, f"follow the telephone on line {line.name}", where, stage=FOLLOW)
    label = f"wait until the handset on line {line.name} is down"
    for limit_us in DOWN_US:
        x = m.LOOP << 1 | 1 << 8
        draft.add(m.OP_WAIT_FOR, line.port, label, where, x=x, a=limit_us, most=limit_us)
        draft.wait(NO_PULSE_US, "see that it was no pulse", where)
    draft.wait(release_need_us(unit) + unit.rest_us, "the switches come home", where)
    steps = tuple(draft.steps)
    plan = Plan(
        script=f"follow-{line.port}",
        title=title,
        unit=unit.name,
        pace=Fraction(1),
        number="",
        digits="",
        caller_port=line.port,
        called_port=0,
        timeline=Timeline(steps, tuple(m.MONITORED if port == line.port else m.UNUSED for port in range(1, ports + 1))),
        expectations=(),
        pace_table=(),
        gates=tuple(draft.gates),
        least_us=check.least_us(steps),
        most_us=check.most_us(steps),
    )
    check.check(plan, unit, ports)
    return plan


def off_hook(levels: int, port: int) -> bool:
    """Whether current flows at a port, by the levels of a board's Status."""
    return bool(levels >> 4 * (port - 1) + m.LOOP & 1)


class Following:
    """One telephone, followed from its events. Give it each event, and the board's time when there is none.

    ran: how the dial ran, once for every time that the handset went down again, also when nothing was dialled.
    """

    def __init__(self, plan: Plan, unit: Unit, loop_blur_us: int) -> None:
        self.ran: list[DialRan] = []
        self.digits = ""  # of the call that is on
        self._unit, self._port, self._blur_us = unit, plan.caller_port, loop_blur_us
        self._live = VisitorLive(plan, unit)
        self._home_us = release_need_us(unit)
        self._lifted = False
        self._down_us: int | None = None
        self._now_us = 0
        self._told: tuple[bool, str, int] = (False, "", 0)

    def news(self) -> bool:
        """Whether there is something new to tell since this was asked last."""
        now = (self._lifted, self.digits, len(self.ran))
        before, self._told = self._told, now
        return before != now

    @property
    def scene(self) -> Scene:
        """The picture now."""
        return self._live.scene

    @property
    def lifted(self) -> bool:
        """Whether the handset is off its hook."""
        return self._lifted

    @property
    def over(self) -> bool:
        """Whether it has been used, is down again, and its switches are home."""
        return self._down_us is not None and self._now_us - self._down_us >= self._home_us

    def take(self, event: m.Event) -> bool:
        """Take the next event; return whether the handset has just gone down."""
        self._live.take(event)
        return self._look(event.at_us)

    def due(self, board_us: int) -> bool:
        """So late is it on the board's clock; return whether the handset has just gone down."""
        self._live.due(board_us)
        return self._look(board_us)

    def _look(self, now_us: int) -> bool:
        self._now_us = max(self._now_us, now_us)
        before, self._lifted = self._lifted, self._live.lifted
        if self._lifted:
            self._down_us = None
            self.digits = self._live.scene.digits
        if self._lifted or not before:
            return False
        self._down_us = self._now_us
        self.ran.append(dial_ran(self._live.seen, self._port, self._unit, self._blur_us))
        self._live.seen.clear()
        return True


def ran_json(part: int, line: str, ran: DialRan) -> dict[str, Any]:
    """One dialling for programs. Null: it could not be measured."""
    return {
        "part": part,
        "line": line,
        "digits": ran.digits,
        "speed_pps": ran.speed.value if ran.speed is not None else None,
        "speed_u_pps": ran.speed.u if ran.speed is not None else None,
        "uneven_pct": ran.uneven_pct,
        "break_pct": ran.break_pct.value if ran.break_pct is not None else None,
        "break_u_pct": ran.break_pct.u if ran.break_pct is not None else None,
    }
