"""What a call's trips and alarms are told with: by `call`, as it ends, and by `record`, at any later time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from demo_ctl.measure.model import Observation
    from demo_ctl.plan.model import Plan
    from demo_ctl.wire import messages as m


def show_trips(
    trips: tuple[m.Trip, ...], plan: Plan, observation: Observation, lines: Mapping[int, str] | None = None
) -> None:
    """Tell each trip of a call in words. lines: the names of the lines on the board's ports, where the unit is here."""
    if not trips:
        return
    from demo_ctl.cli.screen import console
    from demo_ctl.report.safety import trips_parts
    from demo_ctl.safety.trip_words import trip_in_words

    console().print()
    told = [trip_in_words(trip, **trip_words(plan, observation, lines or {})) for trip in trips]
    for part in trips_parts(told, title="The guard tripped"):
        console().print(part)


def trip_words(plan: Plan, observation: Observation, lines: Mapping[int, str]) -> dict[str, Any]:
    """Return what a call knows that a trip is told with: whose lines, who took part, when it began."""
    from demo_ctl.report.live import people
    from demo_ctl.safety.supply_words import began

    parties = {plan.caller_port, plan.called_port}
    return {"who": {**lines, **people(plan)}, "parties": parties, "began_us": began(observation.events)}


def show_taken(plan: Plan, observation: Observation) -> None:
    """Tell of the alarm that took the unit's supply in a call, if one did."""
    from demo_ctl.safety.supply_words import taken, taken_in_words

    found = taken(observation.events)
    if found is None:
        return
    from demo_ctl.cli.screen import console
    from demo_ctl.report.live import people
    from demo_ctl.report.safety import trips_parts

    console().print()
    for part in trips_parts([taken_in_words(found, people(plan))], title="An alarm took the unit's supply"):
        console().print(part)


def taken_of(plan: Plan, observation: Observation) -> dict[str, object] | None:
    """Return that for other programs."""
    from demo_ctl.report.live import people
    from demo_ctl.safety.supply_words import taken, taken_json

    return taken_json(taken(observation.events), people(plan))
