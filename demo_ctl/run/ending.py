"""How a call ended, in words: for its result, its record, and a person. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from demo_ctl.link.advice import of_reason
from demo_ctl.plan.model import Plan
from demo_ctl.run.result import Status
from demo_ctl.run.words import in_script, label, word
from demo_ctl.terms.errors import DemoError, LinkError, TripError
from demo_ctl.wire import messages as m


@dataclass(frozen=True)
class Ending:
    """status and reason: of the record's end row. error: what to tell a person besides the verdicts, or None."""

    status: Status
    reason: str
    error: DemoError | None = None


def by_plan(plan: Plan, reason: int, limit_index: int | None) -> Ending:
    """How the board's own end of the plan is told. reason: R_...; limit_index: the last step that met its limit."""
    say, known = word(m.R_NAMES, reason), of_reason(reason)
    if reason != m.R_LIMIT:
        what = f"the board ended the call ({say}): {known.what}"
        return Ending(Status.ENDED_EARLY, say, LinkError(what, next_step=known.advice))
    if limit_index is None:
        return Ending(Status.ENDED_EARLY, say)
    missing = f"{label(plan, limit_index)}{in_script(plan, limit_index)}"
    return Ending(Status.ENDED_EARLY, f"did not come in time: {missing}")


def by_supply(plan: Plan, reason: int, *, alarm: bool, not_home: int) -> Ending:
    """How a call is told that lost the unit's supply. not_home: the port whose line did not come home, or 0."""
    say, known = word(m.R_NAMES, reason), of_reason(reason)
    if not alarm:
        what = f"the unit's supply is gone: {known.what}"
        return Ending(Status.ENDED_EARLY, say, LinkError(what, next_step=known.next_step))
    line = f" (the line on port {not_home})" if 0 < not_home <= len(plan.timeline.roles) else ""
    what = f"the unit's supply was taken off{line}: {known.what}"
    return Ending(Status.TRIPPED, say, TripError(what, next_step=known.next_step))
