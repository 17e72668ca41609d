"""What is refused before a port is opened: limits of the board, of the unit, and of sense."""

from __future__ import annotations

from collections.abc import Sequence

from demo_ctl.office.check import LONGEST_WINDOW_US
from demo_ctl.office.model import Unit
from demo_ctl.plan.draft import MOST_WAIT_US
from demo_ctl.plan.model import Plan, Step
from demo_ctl.plan.stretch import least_break_us, most_break_us, releasing_break_us
from demo_ctl.script.model import Flash
from demo_ctl.terms.errors import Place, PlanError
from demo_ctl.terms.words import time_text
from demo_ctl.wire import messages as wire

#: What a board of ours does at most; its WELCOME and its answers have the last word.
MOST_INSTRUCTIONS = 300
MOST_PULSES = 20
PULSE_US = (5_000, 2_000_000)


def step_us(step: Step) -> tuple[int, int]:
    """Shortest and longest time of one instruction: a wait for something may end at once, or at its limit."""
    if step.op == wire.OP_WAIT:
        return step.a, step.a
    if step.op == wire.OP_PULSES:
        took = step.x * (step.a + step.b)
        return took, took
    if step.op in (wire.OP_WAIT_FOR, wire.OP_GATE):
        return 0, step.a
    return 0, 0


def least_us(steps: Sequence[Step]) -> int:
    """Shortest time a timeline can take, microseconds."""
    return sum(step_us(step)[0] for step in steps)


def most_us(steps: Sequence[Step]) -> int:
    """Longest time a timeline can take, microseconds."""
    return sum(step_us(step)[1] for step in steps)


def check(plan: Plan, unit: Unit, ports: int) -> None:
    """Refuse a plan that this board or this unit cannot perform. Raises PlanError with the script's line."""
    steps = plan.timeline.steps
    if len(steps) > MOST_INSTRUCTIONS:
        raise PlanError(
            f"this call takes {len(steps)} instructions; a board holds {MOST_INSTRUCTIONS}",
            where=steps[MOST_INSTRUCTIONS].place,
            next_step="Split it into several scripts.",
        )
    for step in steps:
        _instruction(step, unit, ports)


def _instruction(step: Step, unit: Unit, ports: int) -> None:
    if step.port > ports:
        raise PlanError(f"{step.label}: this board has no port {step.port}", where=step.place)
    if step.op == wire.OP_GATE and step.a > unit.longest_gate_us:
        raise PlanError(
            f"{step.label} for up to {time_text(step.a)}; {unit.name} allows {time_text(unit.longest_gate_us)}",
            where=step.place,
            next_step="Shorten `within`, or raise `longest gate` in the unit's file.",
        )
    longest = min(LONGEST_WINDOW_US, unit.ringing.longest_us)
    if step.op == wire.OP_RINGING and step.x and not 0 < step.a <= longest:
        raise PlanError(
            f"a ringing window of {time_text(step.a)}; {time_text(longest)} is the longest", where=step.place
        )
    if step.op in (wire.OP_WAIT, wire.OP_WAIT_FOR) and step.a > MOST_WAIT_US:
        raise PlanError(
            f"{step.label} for up to {time_text(step.a)}; a board waits {time_text(MOST_WAIT_US)} at most",
            where=step.place,
            next_step="Set a shorter `within`.",
        )
    if step.op == wire.OP_PULSES and not (
        1 <= step.x <= MOST_PULSES and PULSE_US[0] <= step.a <= PULSE_US[1] and PULSE_US[0] <= step.b <= PULSE_US[1]
    ):
        raise PlanError(
            f"{step.label}: breaks of {time_text(step.a)} and makes of {time_text(step.b)}; a board makes"
            f" {time_text(PULSE_US[0])}..{time_text(PULSE_US[1])}",
            where=step.place,
        )


def flash(unit: Unit, step: Flash, where: Place) -> None:
    """Refuse a flash that this unit could take for something else than the script says (facts T40, T45, D42)."""
    opened = time_text(step.open_us)
    if step.shows == "release":
        least = releasing_break_us(unit)
        if step.open_us < least:
            raise PlanError(
                f"an open of {opened} may not release the train: relay B may hold up to"
                f" {time_text(unit.adjustment.b_hold.most_us)}",
                where=where,
                next_step=f"Open for {time_text(-(-int(least) // 1000) * 1000)} or longer.",
            )
        return
    most = most_break_us(unit)
    if step.open_us > most:
        raise PlanError(
            f"an open of {opened} may release the train: relay B may let go after"
            f" {time_text(unit.adjustment.b_hold.least_us)}",
            where=where,
            next_step=f"Open for {time_text(int(most) // 1000 * 1000)} or shorter.",
        )
    if step.shows == "digit 1" and step.open_us < least_break_us(unit):
        raise PlanError(
            f"an open of {opened} may not lift the shaft: its magnet needs up to"
            f" {time_text(unit.adjustment.magnet_operate.most_us)}",
            where=where,
            next_step=f"Open for {time_text(least_break_us(unit))} or longer.",
        )
