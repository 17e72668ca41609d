"""Results and plans for other programs: plain JSON values with stable keys. Keys are only ever added.

`call_json`: `format` ("demo_ctl result 1"), `script`, `title`, `unit`, `number`, `digits`, `pace` (text, "1/4"),
`simulated`, `status`, `reason`, `released`, `passed` (null: judging was broken off), `counts` (outcome -> how many),
and `verdicts`, each with `expectation`, `check`, `group`, `title`, `outcome`, `required`, `quantity` (`value`, `unit`,
`u`: standard uncertainty; or null), `window` (`low`, `high`, `unit`, `source`), `say`, `place` (`file`, `line`) and
`evidence` (numbers of the events it came from), `left_out` (true: not run on purpose, as in a rehearsal). Times are in
ms, speeds in pps, ratios in %. The commands `call` and `record` add `trips`: the guard's, the newest first, in the form
of `safety trips --json`; and `supply_taken`: the alarm that took the unit's supply in the call (`at_us` since it began,
`reason`, `inputs`, `not_home` (ports), `says`), or null.

`plan_json`: `format` ("demo_ctl plan 1") and every field of `plan.model.Plan`, as in the record's start row.
"""

from __future__ import annotations

from typing import Any

from demo_ctl.judge.model import Judgement, Verdict
from demo_ctl.ledger.coding import encode
from demo_ctl.plan.model import Plan
from demo_ctl.report.call import group_of, tally

RESULT_FORMAT = "demo_ctl result 1"
PLAN_FORMAT = "demo_ctl plan 1"


def verdict_json(verdict: Verdict) -> dict[str, Any]:
    """One verdict, with the group people find it in."""
    found: dict[str, Any] = encode(verdict)
    return {**found, "group": group_of(verdict.check)}


def call_json(
    plan: Plan,
    judgement: Judgement | None,
    *,
    status: str = "finished",
    reason: str = "",
    released: bool = True,
    simulated: bool = False,
) -> dict[str, Any]:
    """A call's result."""
    counts = {outcome.value: many for outcome, many in tally(judgement).items()} if judgement is not None else {}
    return {
        "format": RESULT_FORMAT,
        "script": plan.script,
        "title": plan.title,
        "unit": plan.unit,
        "number": plan.number,
        "digits": plan.digits,
        "pace": f"{plan.pace.numerator}/{plan.pace.denominator}",
        "simulated": simulated,
        "status": status,
        "reason": reason,
        "released": released,
        "passed": judgement.passed if judgement is not None else None,
        "counts": counts,
        "verdicts": [verdict_json(verdict) for verdict in judgement.verdicts] if judgement is not None else [],
    }


def plan_json(plan: Plan) -> dict[str, Any]:
    """A plan, whole."""
    found: dict[str, Any] = encode(plan)
    return {"format": PLAN_FORMAT, **found}
