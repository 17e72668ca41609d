"""What took the unit's supply in the middle of a call, told from the call's own events, live or recorded. Pure.

The guard's trips have the board's own account (`trip_words`). An alarm at night trips no guard: the board
lets the supply go, and says so by an event, after those that tell how its contacts read.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from demo_ctl.link.advice import of_reason
from demo_ctl.link.lease import ALARMS
from demo_ctl.safety.trip_words import seen_in_words
from demo_ctl.wire import messages as m


@dataclass(frozen=True)
class Taken:
    """The supply was taken. at_us: since the call began; reason: R_...; inputs: IN_... then, or None: not told.

    not_home: ports whose line had not its own battery back then.
    """

    at_us: int
    reason: int
    inputs: int | None
    not_home: tuple[int, ...]


def taken(events: Iterable[m.Event]) -> Taken | None:
    """Return the first alarm among a call's events that took the supply, or None."""
    began_us, inputs = 0, None
    home: dict[int, bool] = {}
    for event in events:
        if event.kind == m.EV_PLAN and event.value & 0xFF == m.RUNNING:
            began_us = event.at_us
        elif event.kind == m.EV_INPUTS:
            inputs = event.value
        elif event.kind in (m.EV_EDGE, m.EV_STATE) and event.value >> 1 == m.NORMAL:
            home[event.port] = bool(event.value & 1)
        elif event.kind == m.EV_PERMIT and not event.value & 0xFF and event.value >> 8 in ALARMS:
            away = tuple(sorted(port for port, normal in home.items() if not normal))
            return Taken(event.at_us - began_us, event.value >> 8, inputs, away)
    return None


def began(events: Iterable[m.Event]) -> int | None:
    """Return when a call's plan began to run, by the board's clock; None when it did not."""
    return next((e.at_us for e in events if e.kind == m.EV_PLAN and e.value & 0xFF == m.RUNNING), None)


def taken_in_words(found: Taken, who: Mapping[int, str]) -> tuple[str, ...]:
    """Tell it: what happened and when, what was seen, what to do. Each text is one paragraph. who: is on which port."""
    advice = of_reason(found.reason)
    told = [f"{found.at_us / 1e6:.2f} s after the call began the unit's supply was taken off: {advice.what}."]
    if found.reason == m.R_NOT_HOME and found.not_home:
        lines = ", ".join(who.get(port, f"port {port}") for port in found.not_home)
        told.append(f"Not at rest then: the line of {lines}.")
    if found.inputs is not None:
        told.append(f"Seen then: {'; '.join(seen_in_words(found.inputs))}.")
    return (*told, advice.advice)


def taken_json(found: Taken | None, who: Mapping[int, str]) -> dict[str, object] | None:
    """The same for other programs."""
    if found is None:
        return None
    return {
        "at_us": found.at_us,
        "reason": m.R_NAMES[found.reason],
        "inputs": None if found.inputs is None else {n: bool(found.inputs >> b & 1) for b, n in enumerate(m.INPUTS)},
        "not_home": list(found.not_home),
        "says": list(taken_in_words(found, who)),
    }
