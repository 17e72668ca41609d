"""Which call an exhibit's button places now, and what keeps one from being placed. Pure."""

from __future__ import annotations

from datetime import timedelta

from demo_ctl.show import wear
from demo_ctl.show.exhibit_model import Now, Rules, Standing, State


def refusal(state: State, call: int, now: Now, rules: Rules) -> str:
    """Return why a call may not be placed now, in words; empty: it may."""
    offered = rules.calls[call]
    against = _board_refuses(state.standing, call, rules)
    if against:
        return against
    if state.lifted:
        return "a visitor's telephone is off its hook"
    if now.us < state.ready_us:
        return f"the switches rest for {-(-(state.ready_us - now.us) // 1_000_000)} s more"
    if not rules.hours.is_open(now.at):
        return "it is closed"
    if not rules.hours.open_for(now.at, timedelta(microseconds=offered.most_us)):
        return "it closes before a call would be over"
    return wear.refusal(state.counters, rules.limits, offered.cost, rules.hours.day(now.at), now.at)


def choice(state: State, now: Now, rules: Rules) -> tuple[int, str]:
    """Return the next call in turn that may be placed, and ""; or -1, and why the first in turn may not."""
    count = len(rules.calls)
    why = "there is no call to place" if not count else ""
    for ahead in range(count):
        call = (state.turn + ahead) % count
        against = refusal(state, call, now, rules)
        if not against:
            return call, ""
        why = why or against
    return -1, why


def still_refused(state: State, now: Now, rules: Rules) -> str:
    """Return why the call that has been counted may not begin, all the same; empty: it may."""
    if state.lifted:
        return "a visitor's telephone is off its hook"
    against = _board_refuses(state.standing, state.call, rules)
    if against:
        return against
    if not rules.hours.open_for(now.at, timedelta(microseconds=rules.calls[state.call].most_us)):
        return "it closes before a call would be over"
    return ""


def _board_refuses(standing: Standing, call: int, rules: Rules) -> str:
    """Return why a call may not be placed with the board as it stands, in words; empty: it may."""
    if not standing.here or standing.why:
        return standing.why or "the board does not answer"
    unfit = dict(standing.unfit).get(call)
    if unfit:
        return unfit
    return standing.why_ringing if rules.calls[call].rings else ""


def only_recorded(state: State, rules: Rules) -> bool:
    """Whether a press can show nothing but a recorded call until somebody has seen to the board."""
    return bool(rules.calls) and bool(not state.standing.here or state.standing.why)
