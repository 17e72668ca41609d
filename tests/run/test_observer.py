"""The show's two hooks in `perform`: every event as it is, and a presenter who wants the call to end."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from demo_ctl.link.client import Client
from demo_ctl.link.port import Port
from demo_ctl.plan.model import Plan
from demo_ctl.run.perform import perform
from demo_ctl.run.result import Status
from demo_ctl.wire import messages as m

Closed = Callable[[Any], bool]


def test_every_event_reaches_the_observer_once_and_in_order(bench: Port, make_plan: Callable[..., Plan]) -> None:
    seen: list[m.Event] = []
    plan = make_plan((m.OP_LOOP, 1, 1, 0, 0), (m.OP_WAIT, 0, 0, 500_000, 0), (m.OP_LOOP, 1, 0, 0, 0))
    result = perform(plan, Client(bench), on_event=seen.append)
    assert result.status is Status.FINISHED
    assert tuple(seen) == result.observation.events


def test_a_presenter_stops_a_call(bench: Port, hold: Plan, line_closed: Closed) -> None:
    asked = iter([False] * 20)
    result = perform(hold, Client(bench), asked_to_stop=lambda: next(asked, True))
    assert (result.status, result.reason) == (Status.INTERRUPTED, "stopped by the presenter")
    assert result.released
    assert not line_closed(bench)
    began = next(event.at_us for event in result.observation.events if event.kind == m.EV_PLAN)
    assert result.observation.events[-1].at_us - began < 5_000_000


def test_stopped_before_the_start_nothing_is_started(bench: Port, hold: Plan) -> None:
    result = perform(hold, Client(bench), asked_to_stop=lambda: True)
    assert result.status is Status.INTERRUPTED
    assert not any(event.kind == m.EV_PLAN for event in result.observation.events)


def test_an_observer_that_fails_releases_the_line_first(bench: Port, hold: Plan, line_closed: Closed) -> None:
    def fail(event: m.Event) -> None:
        if event.kind == m.EV_ENDED:
            raise RuntimeError("the page has a fault")

    with pytest.raises(RuntimeError, match="the page has a fault"):
        perform(hold, Client(bench), on_event=fail)
    assert not line_closed(bench)
