"""What is known of a show before visitors arrive: each call's real pace, its holds, its time. Pure."""

from __future__ import annotations

from demo_ctl.plan.model import Stretch
from demo_ctl.report.show import ShowRow
from demo_ctl.report.words import time_words
from demo_ctl.show.programme import Programme, real_pace, span
from demo_ctl.wire import messages as m

#: Ringing that a board of ours allows in any one hour (facts of its limits: `board/limits.py`).
HOUR_US = 900_000_000


def rows(programme: Programme) -> list[ShowRow]:
    """Return one row a part."""
    found: list[ShowRow] = []
    count = len(programme.parts)
    for index, part in enumerate(programme.parts):
        plan = part.plan
        held = [gate for gate in plan.gates if part.holds(gate)]
        took = span(part, plan)
        again = f" (again, {part.again})" if part.again else ""
        found.append(
            ShowRow(
                place=f"{index + 1}/{count}",
                title=programme.title(index) + again,
                asked=part.pace,
                really=real_pace(part, plan),
                limits=tuple(
                    (row.part, row.asked, row.got, row.why)
                    for row in plan.pace_table
                    if row.kind is not Stretch.FIXED and row.got != row.asked and not row.part.startswith("hold, ")
                ),
                holds=len(held),
                ring_hold_us=max((gate.limit_us for gate in held if gate.stage == "ringing"), default=0),
                least_us=took.least_us,
                most_us=took.most_us,
                rings=plan.ringing,
            )
        )
    return found


def notes(programme: Programme, *, hour_us: int = HOUR_US) -> list[str]:
    """Return what a presenter should know besides."""
    found: list[str] = []
    ringing = [
        step.a for part in programme.parts for step in part.plan.timeline.steps if step.op == m.OP_RINGING and step.x
    ]
    if programme.rehearsal:
        found.append("A rehearsal: nothing rings; what would be checked of ringing is told as not run.")
    elif ringing:
        most = time_words(-(-sum(ringing) // 1_000_000) * 1_000_000)
        found.append(f"Bells ring: ringing voltage may be on a line for {most} in all, at most.")
        if sum(ringing) > hour_us:
            found.append(
                f"That is more than the {time_words(hour_us)} that the board allows in an hour: if bells are held for "
                "long, a later call will not ring."
            )
    holds = {gate.limit_us for part in programme.parts for gate in part.plan.gates if gate.stage == "ringing"}
    if holds and not programme.rehearsal:
        found.append(f"While a bell rings a call may be held for {time_words(min(holds) // 1_000_000 * 1_000_000)}.")
    retries = sum(1 for part in programme.parts if part.try_once_more)
    if retries:
        found.append("A call that fails is placed once more, where the sheet says so; that takes its time again.")
    for part in programme.parts:
        for busy in part.plan.busy_trunks:
            if busy.met_by == "person":
                trunks = ", ".join(map(str, busy.positions))
                found.append(
                    f"{part.script.value.title}: busy beforehand, by hand: stage {busy.stage}, level {busy.level}, "
                    f"trunks {trunks}."
                )
        found += [f"{part.script.value.title}: {note}" for note in part.plan.notes if "no time to hold" in note]
    return list(dict.fromkeys(found))
