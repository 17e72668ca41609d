"""So much ringing as a call may use must be left before it begins, by day, too; when there will be enough is true."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator
from contextlib import nullcontext
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_ctl.board.limits import safety_limits
from demo_ctl.cli.call import Ready
from demo_ctl.link.client import Client
from demo_ctl.link.limits import LimitsInForce
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.plan.build import build
from demo_ctl.plan.model import Plan
from demo_ctl.run.perform import perform
from demo_ctl.run.result import Status
from demo_ctl.safety.allowance import HOUR_S, Window, check_left, hour_left_ms
from demo_ctl.safety.readiness import NotReady
from demo_ctl.script.load import load_call
from demo_ctl.show.visitor_ring import ringing_plan
from demo_ctl.wire import messages as m

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
UNIT = CONFIGS / "units" / "travelling.yaml"
LIMITS = LimitsInForce(dict(zip(m.LIMIT_NAMES, safety_limits(), strict=True)), 0)


def safety(**told: int) -> m.Safety:
    return m.Safety(**{**dict.fromkeys(m.Safety._fields, 0), **told})


@given(st.lists(st.integers(0, 60_000_000), max_size=4), st.integers(0, 450_000), st.booleans())
def test_exactly_what_one_call_may_have_and_the_hour_has_left_may_begin(
    windows: list[int], hour_ms: int, night: bool
) -> None:
    call_ms = LIMITS.value(m.L_NIGHT_CALL_MS if night else m.L_CALL_MS)
    fits = sum(windows) <= 1000 * min(call_ms, hour_ms)
    with nullcontext() if fits else pytest.raises(NotReady, match="may have ringing on for"):
        check_left([Window(3, False, us) for us in windows], LIMITS, safety(hour_left_ms=hour_ms), night=night)


@given(st.integers(1, 90_000), st.integers(0, 89_999))
def test_when_there_will_be_enough_is_neither_too_early_nor_much_too_late(whole_ms: int, left_ms: int) -> None:
    if left_ms >= whole_ms:
        return
    with pytest.raises(NotReady) as caught:
        check_left([Window(2, True, whole_ms * 1000)], LIMITS, safety(hour_left_ms=left_ms), night=False)
    said = re.search(r"in about (\d+) min", caught.value.next_step)
    assert said is not None
    # The board: half of the hour's limit, less a millisecond, comes back in an hour (board/budget.py).
    back_ms = int(said[1]) * 60 * (LIMITS.value(m.L_HOUR_MS) // 2 - 1) / HOUR_S
    assert left_ms + back_ms >= whole_ms - 1
    assert left_ms + back_ms - LIMITS.value(m.L_HOUR_MS) // 2 * 61 / HOUR_S <= whole_ms


def test_what_a_visitors_session_tells_is_not_taken_for_the_day_s() -> None:
    told = safety(hour_left_ms=20_000, mode=m.MODE_VISITORS)
    assert hour_left_ms(LIMITS, told, night=False) == 20_000 + (900_000 - 300_000) // 2
    check_left([Window(2, True, 80_000_000)], LIMITS, told, night=False)
    with pytest.raises(NotReady, match="20 s of what an hour may have"):
        check_left([Window(2, True, 80_000_000)], LIMITS, safety(hour_left_ms=20_000), night=False)


@pytest.fixture
def client() -> Iterator[Client]:
    add_url_package("demo_ctl.bench")
    client = Client(open_port(f"bench://?unit={UNIT}"))
    client.hello()
    yield client
    client.close()


@pytest.fixture
def ready() -> Ready:
    return Ready(argparse.Namespace(unit=str(UNIT), proving_age=None, proving_dir=None))


def longest_ms(plan: Plan) -> int:
    steps = plan.timeline.steps
    return sum(step.a for step in steps if step.op == m.OP_RINGING and step.x) // 1000


def test_by_day_a_call_is_not_begun_that_could_trip_for_the_hour_and_is_after_the_rest_that_is_said(
    client: Client, ready: Ready
) -> None:
    plan = build(load_call(CONFIGS / "calls" / "answered.yaml"), load_unit(UNIT))
    # The board keeps half of the hour's limit: this call fits once, and leaves too little for another.
    client.tighten(m.L_HOUR_MS, 2 * (longest_ms(plan) + 5_000))
    result = perform(plan, client, ready=ready)
    assert result.status is Status.FINISHED
    with pytest.raises(NotReady, match=r"of what an hour may have are left") as caught:
        perform(plan, client, ready=ready)
    assert int(caught.value.exit_code) == 2
    said = re.search(r"Let the unit rest: if nothing rings, there will be enough in about (\d+) min", str(caught.value))
    assert said is not None
    until_us = client.now_us() + int(said[1]) * 60_000_000
    while client.now_us() < until_us:
        client.poll(until_us - client.now_us())
    assert perform(plan, client, ready=ready).status is Status.FINISHED


def test_by_day_a_call_that_the_board_would_never_let_ring_so_long_is_not_begun(client: Client, ready: Ready) -> None:
    plan = build(load_call(CONFIGS / "calls" / "answered.yaml"), load_unit(UNIT))
    client.tighten(m.L_CALL_MS, longest_ms(plan) - 1)
    with pytest.raises(NotReady, match=r"by day it may be on for .* in one call"):
        ready(client, plan)
    client.tighten(m.L_HOUR_MS, longest_ms(plan))
    with pytest.raises(NotReady):
        ready(client, plan)


def test_a_plan_that_watches_visitors_is_asked_window_by_window_elsewhere(client: Client, ready: Ready) -> None:
    unit = load_unit(UNIT).value
    lines = [line for line in unit.lines if line.port]
    plan = ringing_plan(unit, lines[0], lines[1], "A visitor dials", 20_000_000)
    assert longest_ms(plan) > LIMITS.value(m.L_HOUR_MS) // 2
    ready(client, plan)
