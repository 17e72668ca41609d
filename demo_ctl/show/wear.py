"""How much the switches have worked, and how much a call will make them work. Pure; `wear_store.py` keeps it.

An *operation* is one step of a shaft, up or round, or one pull of a release magnet: what wears pawls, ratchets and
bearings. Before a call its operations are reckoned from the plan's digits at their worst (every hunt to the last
position) and counted; after a call that was seen whole they are corrected to what the happenings tell. So the count of
a button's call that is cut short is too high, never too low.

What visitors dial by themselves cannot be reckoned before, and is counted as it is seen. Where nobody sees its end
(the board is lost, or watches no more), a whole call at its worst is counted on top. What they dial while nobody
watches at all is not counted: this computer is off or fails in the middle of their call, or their handset was off its
hook before the watching began.

Of several like switches nobody can tell which one took a call, so the switches of one stage are counted as one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from demo_ctl.office.model import Selector, Unit
from demo_ctl.office.route import route
from demo_ctl.plan.model import Plan
from demo_ctl.script.exhibit import WearLimits
from demo_ctl.show.model import Happening
from demo_ctl.show.scene import FINDER, stage_names
from demo_ctl.wire import messages as m

#: Steps of a shaft at most: ten up; ten round, and one more to the overflow position.
UP, ROUND, OVER = 10, 10, 11
#: A clock that is set right may go back by so much; more, and nobody knows what day it is.
BACK = timedelta(minutes=5)

Cost = Mapping[str, int]  # stage's name -> operations


@dataclass(frozen=True)
class Counters:
    """What has been counted. number: of the counting, from 0; day: whose counts `today` are; at: the last counting."""

    number: int = 0
    day: date = date.min
    at: datetime | None = None
    calls_today: int = 0
    calls_in_all: int = 0
    today: tuple[tuple[str, int], ...] = ()
    in_all: tuple[tuple[str, int], ...] = ()

    @property
    def sum_today(self) -> int:
        """Operations of all switches on `day`."""
        return sum(count for _, count in self.today)

    @property
    def sum_in_all(self) -> int:
        """Operations of all switches, ever."""
        return sum(count for _, count in self.in_all)


def _plus(counts: tuple[tuple[str, int], ...], cost: Cost, sign: int = 1) -> tuple[tuple[str, int], ...]:
    found = dict(counts)
    for name, count in cost.items():
        found[name] = max(0, found.get(name, 0) + sign * count)
    return tuple(sorted(found.items()))


def rolled(counters: Counters, day: date) -> Counters:
    """Return the counters for a day: a later one begins at 0; an earlier one, by a clock set back, changes nothing."""
    if day <= counters.day:
        return counters
    return replace(counters, day=day, calls_today=0, today=())


def counted(counters: Counters, cost: Cost, day: date, at: datetime, *, calls: int = 1) -> Counters:
    """Return the counters with one more call, of `cost`."""
    now = rolled(counters, day)
    return replace(
        now,
        number=now.number + 1,
        at=at if now.at is None else max(now.at, at),
        calls_today=now.calls_today + calls,
        calls_in_all=now.calls_in_all + calls,
        today=_plus(now.today, cost),
        in_all=_plus(now.in_all, cost),
    )


def settled(counters: Counters, reserved: Cost, really: Cost, *, calls: int = 0) -> Counters:
    """Return the counters with the last call's reserved operations corrected to what it really took.

    calls: -1 if it was not begun at all.
    """
    return replace(
        counters,
        number=counters.number + 1,
        calls_today=max(0, counters.calls_today + calls),
        calls_in_all=max(0, counters.calls_in_all + calls),
        today=_plus(_plus(counters.today, reserved, -1), really),
        in_all=_plus(_plus(counters.in_all, reserved, -1), really),
    )


def forgiven(counters: Counters, day: date, at: datetime) -> Counters:
    """Return the counters as of today, after a clock that was wrong: nothing that was counted is lost."""
    return replace(counters, number=counters.number + 1, day=day, at=at)


def refusal(counters: Counters, limits: WearLimits, cost: Cost, day: date, at: datetime) -> str:
    """Return why a call of `cost` may not be counted any more, in words; empty: it may."""
    if counters.at is not None and at < counters.at - BACK:
        return (
            f"this computer's clock is wrong: it says {at:%Y-%m-%d %H:%M}, and something was counted at "
            f"{counters.at:%Y-%m-%d %H:%M}"
        )
    if day < counters.day:
        return f"this computer's clock is wrong: something was counted on {counters.day}, a later day"
    now = rolled(counters, day)
    more = sum(cost.values())
    for limit, count, when in ((limits.a_day, now.sum_today, "today"), (limits.in_all, now.sum_in_all, "in all")):
        if limit is not None and count + more > limit:
            return f"the switches have worked enough {when}: {count} of {limit} operations, and a call takes {more}"
    for limit, counts, when in (
        (limits.each_a_day, dict(now.today), "today"),
        (limits.each_in_all, dict(now.in_all), "in all"),
    ):
        for name, add in cost.items():
            if limit is not None and counts.get(name, 0) + add > limit:
                return (
                    f"the {name} has worked enough {when}: {counts.get(name, 0)} of {limit} operations, and a call "
                    f"takes {add}"
                )
    return ""


# -- what a call takes ----------------------------------------------------------------------------------------


def planned(plan: Plan, unit: Unit) -> dict[str, int]:
    """Return the operations that a plan can take at most, by stage."""
    found = dict.fromkeys(stage_names(unit), 0)
    steps = plan.timeline.steps
    for port in {step.port for step in steps if step.op in (m.OP_LOOP, m.OP_PULSES)}:
        own = [step for step in steps if step.port == port]
        lifts = sum(1 for step in own if step.op == m.OP_LOOP and step.x)
        found[FINDER] += lifts * (UP + ROUND + 1)
        # A handset that is put down looks like one pulse to the switch that listens, before that lets go.
        downs = sum(1 for step in own if step.op == m.OP_LOOP and not step.x) + (1 if lifts else 0)
        for stage in unit.train:
            found[stage.name] += 2 * downs
        digits = ""
        for step in own:
            if step.op == m.OP_LOOP and step.x:
                digits = ""
            elif step.op == m.OP_PULSES and step.digit:
                digits += step.digit
                _add_digit(found, unit, digits)
            elif step.op == m.OP_PULSES:
                # Taps of the hook: whichever switch listens may take them for a digit, or let go and begin anew.
                found[FINDER] += UP + ROUND + 1
                for stage in unit.train:
                    found[stage.name] += step.x + OVER + 1
    return found


def _add_digit(found: dict[str, int], unit: Unit, digits: str) -> None:
    leg = route(unit, digits)[-1]
    if leg.does == "ignored":
        return
    stage = unit.train[leg.stage - 1]
    found[stage.name] += min(leg.pulses, UP)
    if leg.does == "units":
        found[stage.name] += ROUND - min(leg.pulses, ROUND) if unit.connector.hunting else 0
    else:
        found[stage.name] += 1  # its release
    if isinstance(stage, Selector) and leg.does == "select":
        found[stage.name] += OVER


def whole_call(unit: Unit) -> dict[str, int]:
    """Return the operations that any one call can take at most, by stage, whatever is dialled."""
    found = dict.fromkeys(stage_names(unit), 0)
    found[FINDER] += UP + ROUND + 1
    for stage in unit.train:
        # Up, round, and its release; a handset that is put down looks like one pulse before that, at either end.
        found[stage.name] += UP + (OVER if isinstance(stage, Selector) else ROUND) + 1 + 2
    return found


def added(counts: Cost, more: Cost) -> dict[str, int]:
    """Return both together, by stage."""
    return {name: counts.get(name, 0) + more.get(name, 0) for name in {**counts, **more}}


def worked(happenings: Iterable[Happening], unit: Unit) -> dict[str, int]:
    """Return the operations that happenings tell, by stage.

    Which trunk a selector took is not sensed: an inferred hunt is counted to its last position.
    """
    names = sorted(stage_names(unit), key=len, reverse=True)
    selectors = {stage.name for stage in unit.selectors}
    found = dict.fromkeys(stage_names(unit), 0)
    for each in happenings:
        if not each.value or each.thing not in ("vertical", "rotary", "release magnet"):
            continue
        name = next((name for name in names if each.part.startswith(f"{name} ")), None)
        if name is None:
            continue
        if each.thing == "rotary" and each.known == "inferred" and name in selectors:
            found[name] += OVER if each.value == 1 else 0
        else:
            found[name] += 1
    return found
