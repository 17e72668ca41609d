"""What is known of a show before visitors arrive: each call's real pace, its holds, its time. Pure."""

from __future__ import annotations

from demo_ctl.plan.model import Stretch
from demo_ctl.report.show import ShowRow
from demo_ctl.report.words import time_words
from demo_ctl.show.programme import Programme, real_pace
from demo_ctl.wire import messages as m

#: Ringing that a board of ours allows in any one hour (`board/limits.py`), where nobody has asked it. Half of it is
#: there at once after a rest, and the other half comes back within an hour (`board/budget.py`).
HOUR_US = 900_000_000


def rows(programme: Programme) -> list[ShowRow]:
    """Return one row a part."""
    found: list[ShowRow] = []
    count = len(programme.parts)
    for index, part in enumerate(programme.parts):
        plan = part.plan
        held = [gate for gate in plan.gates if part.holds(gate)]
        took = programme.takes(index)
        again = f" (again, {part.again})" if part.again else ""
        if part.unfold is not None:
            found.append(_seen_again(f"{index + 1}/{count}", programme, index))
            continue
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
                follows=part.follows.line.name if part.follows is not None else "",
            )
        )
    return found


def _seen_again(place: str, programme: Programme, index: int) -> ShowRow:
    """A part that is not placed: nothing holds, nothing rings, and it has the pace it is given, up to its longest."""
    part, took = programme.parts[index], programme.takes(index)
    return ShowRow(
        place=place,
        title=f"{programme.title(index)} (seen again, unfolded: {part.unfold})",
        asked=part.pace,
        really=part.pace,
        limits=(),
        holds=0,
        ring_hold_us=0,
        least_us=took.least_us,
        most_us=took.most_us,
        rings=False,
    )


def notes(programme: Programme, *, hour_us: int = HOUR_US) -> list[str]:
    """Return what a presenter should know besides. hour_us: the board's limit of ringing in an hour."""
    found: list[str] = []
    placed = [part for part in programme.parts if part.unfold is None]
    ringing = [step.a for part in placed for step in part.plan.timeline.steps if step.op == m.OP_RINGING and step.x]
    if programme.rehearsal:
        found.append("A rehearsal: nothing rings; what would be checked of ringing is told as not run.")
    elif ringing:
        most = time_words(-(-sum(ringing) // 1_000_000) * 1_000_000)
        found.append(f"Bells ring: ringing voltage may be on a line for {most} in all, at most.")
        at_once_us = hour_us // 2
        if sum(ringing) > at_once_us:
            found.append(
                f"That is more than the {time_words(at_once_us)} of ringing that the board has at once after a rest; "
                "it comes back within an hour. If bells are held for long, a later call is not begun before enough of "
                "it is there again."
            )
    holds = {gate.limit_us for part in placed for gate in part.plan.gates if gate.stage == "ringing"}
    if holds and not programme.rehearsal:
        found.append(f"While a bell rings a call may be held for {time_words(min(holds) // 1_000_000 * 1_000_000)}.")
    retries = sum(1 for part in programme.parts if part.try_once_more)
    if retries:
        found.append("A call that fails is placed once more, where the sheet says so; that takes its time again.")
    found += _replays(programme)
    for part in placed:
        if part.follows is not None:
            line, port = part.follows.line.name, part.follows.line.port
            found.append(
                f"Line {line} is followed: it needs a real telephone on port {port}, with its handset down, and "
                "somebody who dials. The board only watches: nothing rings for them."
            )
        if part.script is None:
            continue
        title = part.script.value.title
        for busy in part.plan.busy_trunks:
            if busy.met_by == "person":
                trunks = ", ".join(map(str, busy.positions))
                found.append(
                    f"{title}: busy beforehand, by hand: stage {busy.stage}, level {busy.level}, trunks {trunks}."
                )
        found += [f"{title}: {note}" for note in part.plan.notes if "no time to hold" in note]
    return list(dict.fromkeys(found))


def _replays(programme: Programme) -> list[str]:
    """How long what is not live takes. Raises InputError: a record that a part falls back to is no good."""
    found: list[str] = []
    if any(part.unfold is not None for part in programme.parts) or any(part.replay for part in programme.parts):
        found.append(f"No replay takes more than {time_words(programme.cap_us)}: the sheet's `unfolded at most`.")
    for index, part in enumerate(programme.parts):
        film = programme.fallback(index)
        if film is None:
            continue
        took = time_words(-(-film.total_us // 100_000) * 100_000)
        given_up = "".join(f"; {note}" for note in film.replay.timeline.notes)
        found.append(
            f"If {programme.title(index)} fails, a recorded call of {took} is shown instead (unfolded: "
            f"{part.replay_unfold}{given_up})."
        )
    return found
