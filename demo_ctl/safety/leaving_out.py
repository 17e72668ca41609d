"""What it costs to leave a step out of a proving, said while there is time to do it after all. Pure.

Nothing here decides: the records of provings do (`proof_counts.best`). They are asked what they would say of a proving
that did all but that one step, now.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from demo_ctl.link.limits import LimitsInForce
from demo_ctl.safety.proof_counts import WHOLE, Wanted, best, limits_ms
from demo_ctl.safety.proof_store import PASSED, SKIPPED, Proving, StepResult, Unread
from demo_ctl.safety.proving import OPTIONAL, Step
from demo_ctl.safety.proving_night import whole

#: Of every input.
_ALL_SEEN = 0xFFFF
FOR_THE_DAY = "Without it this proving holds for the day only: nothing rings at night, and no supply is permitted then."


def cost(
    step: Step,
    covers: Sequence[str],
    limits: LimitsInForce,
    wanted: Wanted,
    provings: Iterable[Proving],
    unread: Iterable[Unread] = (),
) -> str:
    """Return what leaving this optional step out would cost, in a sentence or two; "" when nothing."""
    if step.name not in OPTIONAL:
        return FOR_THE_DAY
    provings, unread = list(provings), list(unread)

    def counts(name: str) -> bool:
        record = _all_but(name, covers, limits, wanted, provings)
        return best([*provings, record], wanted, unread)[0] is not None

    if counts(step.name) or not counts(""):
        return ""
    return (
        f"Then this proving will not count, and no call rings by it: '{step.name}' was never done with this board and "
        f"unit, or not within {WHOLE.days} days. What may be left out must have been done in a proving before."
    )


def _all_but(
    left_out: str, covers: Sequence[str], limits: LimitsInForce, wanted: Wanted, provings: Sequence[Proving]
) -> Proving:
    """Return how the record of a proving that does all but this step ("": all) will read, if all passes."""
    steps = tuple(
        StepResult(step.name, step.ask, SKIPPED)
        if left_out and left_out in (step.name, step.belongs)
        else StepResult(
            step.name, step.ask, PASSED, "", tuple((n, 0.0, ms) for n, ms in limits_ms(step, limits).items())
        )
        for step in whole(covers, limits)
    )
    now = wanted.now.isoformat()
    return Proving(
        began=now,
        ended=now,
        board=wanted.board,
        simulated=wanted.simulated,
        firmware=wanted.firmware,
        port="",
        unit=wanted.unit,
        who="",
        digest=wanted.digest,
        limits=dict(limits.values),
        covers=tuple(covers),
        steps=steps,
        exercised=_ALL_SEEN,
        verdict=PASSED,
        say="",
        number=1 + max((each.number for each in provings), default=0),
    )
