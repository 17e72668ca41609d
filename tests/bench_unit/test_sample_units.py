"""The sample units, whatever their chance adjustment, do what their own files' windows say is right."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.office.load import load_unit
from demo_ctl.office.model import TimeWindow, Unit

S = 1_000_000
MS = 1000
LOOP, NORMAL, REVERSED, RINGING = range(4)

UNITS = Path(__file__).parents[2] / "configs" / "units"


def held(window: TimeWindow, value_us: int) -> bool:
    low_us = window.low_us or 0
    return low_us <= value_us and (window.high_us is None or value_us <= window.high_us)


@pytest.fixture(scope="module", params=["mossbrook", "travelling"])
def unit(request: pytest.FixtureRequest) -> Unit:
    return load_unit(UNITS / f"{request.param}.yaml").value


@pytest.mark.parametrize("seed", range(25))
def test_an_answered_call_lies_inside_the_units_own_windows(
    unit: Unit, seed: int, play_unit: Callable[..., Any]
) -> None:
    p = play_unit(unit, seed=seed)
    windows = unit.windows
    called = unit.line_at_port(3)
    assert called is not None
    p.lift(1)
    p.wait(3 * S)
    dial_tone_us = next(row.at_us for row in p.bench.truth if row.what.endswith("selector 1/B"))
    assert held(windows.dial_tone_delay, dial_tone_us)
    p.wait(100 * MS)
    assert {350, 440} <= p.hears(1)

    period_us = 1e6 / unit.dial.speed_pps
    break_us = round(period_us * unit.dial.break_pct / 100)
    dialled_from_us = p.now_us
    p.dial(1, called.number, pause_us=unit.dial.pause_us, break_us=break_us, make_us=round(period_us) - break_us)
    last_make_us = p.now_us - unit.dial.pause_us
    dips = [t for t, level in p.edges_of(1, NORMAL, dialled_from_us) if not level]
    makes = [t for t, level in p.edges_of(1, LOOP, dialled_from_us) if level]
    assert len(dips) == len(unit.selectors)
    for dip_us in dips:
        before = max(t for t in makes if t < dip_us)
        assert held(windows.cut_through, dip_us - before)
    p.wait(8 * S)
    rings = p.edges_of(3, RINGING)
    assert held(windows.first_ring, rings[0][0] - last_make_us)
    while p.level(3, RINGING):
        p.wait(5 * MS)
    p.wait(700 * MS)
    answered_us = p.now_us
    p.lift(3)
    p.wait(S)
    assert held(windows.ring_trip, p.edges_of(3, LOOP, answered_us)[1][0] - answered_us)
    assert held(windows.answer_reversal, p.edges_of(1, REVERSED, answered_us)[0][0] - answered_us)
    p.wait(2 * S)
    cleared_us = p.now_us
    p.hang_up(3)
    p.wait(S)
    assert held(windows.clear_reversal, p.edges_of(1, NORMAL, cleared_us)[0][0] - cleared_us)
    hung_up_us = p.now_us
    p.hang_up(1)
    p.wait(unit.rest_us)
    back = p.edges_of(1, NORMAL, hung_up_us)
    assert [level for _, level in back] == [0, 1]
    assert held(windows.release, back[1][0] - hung_up_us)
    assert p.standing() == {}


def test_every_line_of_the_sample_units_can_be_reached(unit: Unit, play_unit: Callable[..., Any]) -> None:
    for line in unit.lines:
        if line.port == 1:
            continue
        p = play_unit(unit)
        p.call(1, line.number, pause_us=unit.dial.pause_us)
        reached = p.now_at(f"line {line.name}/cut-off relay")
        if line.vacant:
            assert not reached
            assert p.hears(1) & {390, 400, 410}
            continue
        assert reached, line.name
        rung = [row.what for row in p.bench.truth if row.what.endswith("/ringing")]
        assert len(rung) == 1
        p.wait(7 * S)
        assert {port for port in (1, 2, 3, 4) if p.edges_of(port, RINGING)} == ({line.port} if line.port else set())
