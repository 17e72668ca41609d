"""What performing a call gives: how it ended, what was seen, and the items of the live display."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from demo_ctl.judge.model import Judgement
from demo_ctl.measure.model import Measurement, Observation
from demo_ctl.plan.model import Plan
from demo_ctl.terms.errors import DemoError
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m


class Status(Enum):
    """How a call ended. The words stand in the record's end row."""

    FINISHED = "finished"  # the timeline ran to its end
    ENDED_EARLY = "ended early"  # the board ended it
    INTERRUPTED = "interrupted"  # a person did
    LINK_LOST = "link lost"
    TRIPPED = "tripped"
    REFUSED = "refused"  # not begun: ringing is not allowed as things stand
    ERROR = "error"  # the program's own fault


@dataclass(frozen=True)
class Progress:
    """One item of the live display.

    kind: "plan", "began", "ended" (steps of the timeline), "sensed", "gate", "tone", "ringing", "lost", "record" or
    "stop". at_us: microseconds since the timeline started. index: the step meant, or -1. port: or 0.
    """

    kind: str
    at_us: int
    label: str
    detail: str = ""
    index: int = -1
    port: int = 0


@dataclass(frozen=True)
class CallResult:
    """One performed call.

    judgement is None when judging itself was broken off. error: what to tell a person besides the verdicts (link
    lost, trip). released: the board itself said that the plan is over, so its loops are open; when False, the board's
    own silence limit releases them. record_trouble: why the record is incomplete, or None. trips: the board's own
    account of each trip of this call, the newest first.
    """

    plan: Plan
    observation: Observation
    measurements: tuple[Measurement, ...]
    judgement: Judgement | None
    status: Status
    reason: str
    released: bool
    exit_code: int
    error: DemoError | None = None
    record_trouble: str | None = None
    trips: tuple[m.Trip, ...] = ()


def exit_code_of(status: Status, plan_reason: int, judgement: Judgement | None) -> int:
    """Return the command's exit code. plan_reason: the board's (R_...), why it ended the plan early."""
    if status is Status.INTERRUPTED:
        return int(Exit.INTERRUPTED)
    if status is Status.TRIPPED:
        return int(Exit.SAFETY_TRIP)
    if status is Status.FINISHED:
        return int(Exit.OK if judgement is not None and judgement.passed else Exit.CHECK_FAILED)
    if status is Status.ENDED_EARLY and plan_reason == m.R_LIMIT:
        return int(Exit.CHECK_FAILED)
    return int(Exit.BOARD_TROUBLE)
