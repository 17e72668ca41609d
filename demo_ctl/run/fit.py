"""Does this plan fit on this board? Asked after hello and before the upload. Pure."""

from __future__ import annotations

from demo_ctl.plan.model import Plan
from demo_ctl.terms.errors import PlanError
from demo_ctl.wire import messages as m


def check_board(plan: Plan, welcome: m.Welcome) -> None:
    """PlanError, with the script's line where there is one, when the board cannot do what the plan wants."""
    steps = plan.timeline.steps
    if len(steps) > welcome.max_instructions:
        raise PlanError(
            f"the plan has {len(steps)} instructions, the board has room for {welcome.max_instructions}",
            next_step="Make the script shorter, or split it into two calls.",
        )
    for number, role in enumerate(plan.timeline.roles, 1):
        if role != m.UNUSED and number > welcome.ports:
            raise PlanError(
                f"the plan uses port {number}, the board has {welcome.ports} ports",
                next_step="Use a board with more ports, or a script with fewer parties (held calls need ports too).",
            )
    for step in steps:
        if step.port > welcome.ports:
            raise PlanError(
                f"'{step.label}' uses port {step.port}, the board has {welcome.ports} ports",
                where=step.place,
                next_step="Use a board with more ports, or another line in the script.",
            )
        if step.op == m.OP_RINGING and step.x and step.a > welcome.ring_window_ms * 1000:
            raise PlanError(
                f"'{step.label}' lets ringing run for {step.a / 1e6:g} s, this board allows "
                f"{welcome.ring_window_ms / 1000:g} s at most",
                where=step.place,
                next_step="Let the called party answer sooner. The board's limit cannot be loosened from here. At "
                "night it allows less than by day, and night lasts until the key was off: if the key went from night "
                "straight to day, turn it off, then to day.",
            )
