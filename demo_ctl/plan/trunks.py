"""Making trunks busy before a call: by calls held from spare ports, else by a person (or the bench)."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from demo_ctl.office.model import Line, Unit
from demo_ctl.office.numbers import digits_of
from demo_ctl.office.route import Leg, route
from demo_ctl.plan.model import BusyTrunks
from demo_ctl.script.model import Call, Dial, TrunksBusy
from demo_ctl.terms.errors import PlanError
from demo_ctl.terms.located import Located


@dataclass(frozen=True)
class Holding:
    """Trunks to be made busy, and the lines whose held calls do it (none: a person does)."""

    trunks: BusyTrunks
    lines: tuple[Line, ...]


def _dialled(call: Call, unit: Unit) -> str:
    """Give the digits of the first number the script dials, "" if it dials none that can be read."""
    step = next((step for step in call.steps if isinstance(step, Dial)), None)
    if step is None:
        return ""
    line = unit.line(call.parties.get(step.dial, step.dial))
    try:
        return digits_of(line.number if line is not None else step.dial, unit.numbering.letters)
    except ValueError:
        return ""  # said with its own line when the walk reaches it


def _prefix(legs: tuple[Leg, ...], wanted: TrunksBusy) -> str | None:
    """Give the digits that lead to the wanted stage and level; None if the number does not get there."""
    digits = ""
    for leg in legs:
        if leg.stage == wanted.stage and leg.does == "select":
            return digits + (leg.digit if wanted.level == "dialled" else wanted.level)
        digits += leg.digit
    return None


def holdings(call: Located[Call], unit: Unit, ports: int) -> tuple[Holding, ...]:
    """Say which trunks are made busy, and how. Raises PlanError with the script's line."""
    script = call.value
    parties = set(script.parties.values())
    spare = [line for line in unit.lines if 0 < line.port <= ports and line.name not in parties]
    spare.sort(key=lambda line: line.port)
    free_finders = unit.finders.count - len(parties)
    legs = route(unit, _dialled(script, unit))
    found: list[Holding] = []
    for index, wanted in enumerate(script.trunks_busy):
        where = call.place("trunks busy", index)
        selectors = unit.selectors
        if wanted.stage > len(selectors):
            raise PlanError(f"{unit.name} has {len(selectors)} selector stages, not {wanted.stage}", where=where)
        prefix = _prefix(legs, wanted)
        if prefix is None and wanted.stage == 1 and wanted.level != "dialled":
            prefix = wanted.level
        if prefix is None:
            raise PlanError(
                f"nothing that this script dials reaches a level of stage {wanted.stage}",
                where=where,
                next_step="Name a stage that the dialled number passes.",
            )
        level = selectors[wanted.stage - 1].levels.get(prefix[-1])
        positions = level.trunks if level is not None else ()
        if wanted.trunks == "all but last":
            positions = positions[:-1]
        many = len(positions)
        before = [leg for leg in route(unit, prefix)[:-1] if leg.does == "select"]
        enough = (
            many <= len(spare)
            and many <= free_finders
            and all(len(leg.trunks) > many for leg in before)
            and not _shared(found, prefix)
        )
        lines = tuple(spare[:many]) if enough else ()
        if enough:
            spare, free_finders = spare[many:], free_finders - many
        met_by = "held calls" if enough else "person"
        found.append(Holding(BusyTrunks(wanted.stage, prefix[-1], prefix, positions, met_by, where), lines))
    return tuple(found)


def _shared(found: Collection[Holding], prefix: str) -> bool:
    """Whether trunks taken earlier lie on this way: held calls could not be sure to pass."""
    return any(prefix.startswith(other.trunks.prefix) for other in found)


def positions_text(positions: tuple[int, ...]) -> str:
    """Say trunk positions: `1-10`, or `1, 3, 4`."""
    if len(positions) > 2 and positions == tuple(range(positions[0], positions[-1] + 1)):
        return f"{positions[0]}-{positions[-1]}"
    return ", ".join(str(position) for position in positions)
