"""A running call is told as its finished record is."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.show.live import LATE_US, Live
from demo_ctl.show.model import Happening
from demo_ctl.show.scene import scenes, start

Make = Callable[..., Any]


@settings(deadline=None, max_examples=25)
@given(
    script=st.sampled_from(["answered", "busy", "flash", "abandoned"]),
    unit=st.sampled_from(["travelling", "mossbrook"]),
    data=st.data(),
)
def test_live_tells_what_the_record_tells(bench_call: Make, script: str, unit: str, data: st.DataObject) -> None:
    """Property: events one by one, with the clock asked now and then in between, give the record's happenings."""
    call = bench_call(script, unit)
    live = Live(call.plan, call.unit)
    found: list[Happening] = []
    latest_us = 0
    for event in call.observation.events:
        if event.at_us > latest_us and data.draw(st.booleans()):
            # A beat's clock runs ahead of events by no more than they may be late.
            found += live.due(data.draw(st.integers(latest_us, event.at_us)) + LATE_US - 1)
        found += live.take(event)
        latest_us = max(latest_us, event.at_us)
    found += live.finish()
    assert tuple(found) == call.happenings()
    assert live.scene == list(scenes(start(call.plan, call.unit), found))[-1]


def test_what_is_inferred_need_not_wait_for_an_event(bench_call: Make) -> None:
    """The finder's hunt is told while it goes on, though the board reports nothing of it."""
    call = bench_call()
    live = Live(call.plan, call.unit)
    events = call.observation.events
    cut = next(place for place, event in enumerate(events) if event.kind == 1 and event.value == 0)
    for event in events[:cut]:
        live.take(event)
    silent_us = events[cut].at_us - events[cut - 1].at_us
    assert silent_us > 50_000
    told = [
        happening
        for at_us in range(events[cut - 1].at_us, events[cut].at_us, 5_000)
        for happening in live.due(at_us + LATE_US)
    ]
    assert any(happening.part.startswith("line finder") for happening in told)
    assert live.scene.switches[0].rotary < call.unit.line("counter").finder_terminal  # never ahead of the line itself


def test_a_scene_of_a_running_call_is_the_latest(bench_call: Make) -> None:
    call = bench_call()
    live = Live(call.plan, call.unit)
    assert live.scene == start(call.plan, call.unit)
    for event in call.observation.events:
        for happening in live.take(event):
            assert happening.number <= live.scene.number
    live.finish()
    assert live.scene.number == call.happenings()[-1].number
