"""Does every line come home in time, where the supply is held by a lease? The rules alone; calls with sick units."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.link.client import Client
from demo_ctl.link.lease import Lease
from demo_ctl.link.port import Port, add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.plan.build import build
from demo_ctl.plan.model import Check, Expectation, Plan
from demo_ctl.plan.stretch import release_need_us
from demo_ctl.run.home import LATE_US, HomeWatch
from demo_ctl.run.perform import perform
from demo_ctl.run.result import CallResult, Status
from demo_ctl.script.load import load_call
from demo_ctl.terms.errors import Place
from demo_ctl.terms.outcome import Exit
from demo_ctl.terms.window import Window
from demo_ctl.wire import messages as m

ROOT = Path(__file__).resolve().parents[2]
HOME_US = 1_000_000
LIFT, DOWN = 0, 2


@pytest.fixture(scope="module")
def plan(make_plan: Callable[..., Plan]) -> Plan:
    """Lift and hang up, and the line must come home."""
    made = make_plan((m.OP_LOOP, 1, 1, 0, 0), (m.OP_WAIT, 0, 0, 1000, 0), (m.OP_LOOP, 1, 0, 0, 0))
    release = Expectation("r", Check.RELEASE, "released", Window(None, 1000, "ms", ""), Place(""), port=1, index=DOWN)
    return replace(made, expectations=(release,))


def ended(index: int, at_us: int) -> m.Event:
    return m.Event(0, at_us, m.EV_ENDED, 1, index | m.DONE << 16)


def battery(level: int, at_us: int, kind: int = m.EV_EDGE) -> m.Event:
    return m.Event(0, at_us, kind, 1, m.NORMAL << 1 | level)


@settings(deadline=None)
@given(st.integers(1, 3 * HOME_US), st.sampled_from((m.EV_EDGE, m.EV_STATE)))
def test_in_time_is_home_and_later_is_not(plan: Plan, took_us: int, kind: int) -> None:
    watch = HomeWatch(plan, HOME_US)
    for event in (
        ended(LIFT, 0),
        ended(DOWN, 100),
        battery(0, 100 + took_us // 2, kind),
        battery(1, 100 + took_us, kind),
    ):
        watch.take(event)
    assert watch.waiting == (took_us > HOME_US)
    assert watch.late(100 + HOME_US + LATE_US) == 0
    assert watch.late(100 + HOME_US + LATE_US + 1) == (1 if took_us > HOME_US else 0)


def test_nothing_seen_is_not_home_and_lifting_again_is_another_call(plan: Plan) -> None:
    watch = HomeWatch(plan, HOME_US)
    for event in (ended(LIFT, 0), battery(0, 50), battery(1, 60), ended(DOWN, 100)):
        watch.take(event)
    assert watch.late(100 + HOME_US + LATE_US + 1) == 1
    watch.take(ended(LIFT, 500))
    assert not watch.waiting


@pytest.mark.parametrize("taken", [True, False])
def test_a_call_cut_short_must_come_home_where_its_line_was_taken(plan: Plan, taken: bool) -> None:
    watch = HomeWatch(plan, HOME_US)
    watch.take(ended(LIFT, 0))
    if taken:
        watch.take(battery(0, 50))
        watch.take(battery(1, 60))
    watch.take(m.Event(0, 100, m.EV_PLAN, 0, m.ENDED_EARLY | m.R_STOP << 8))
    assert watch.waiting is taken


# -- on the bench -------------------------------------------------------------------------------------------


@pytest.fixture
def night() -> Iterator[Callable[..., Port]]:
    """Open a bench at night."""
    add_url_package("demo_ctl.bench")
    opened: list[Port] = []

    def go(unit: Path, more: str = "") -> Port:
        opened.append(open_port(f"bench://?unit={unit}&key=night{more}"))
        return opened[-1]

    yield go
    for port in opened:
        port.close()


def place(port: Port, unit_file: Path, call: str, *, leased: bool = True, stop_us: int = 0) -> CallResult:
    """Place a call, with the supply held as `demo_ctl call` holds it at night."""
    unit = load_unit(unit_file)
    plan = build(load_call(ROOT / "configs" / "calls" / f"{call}.yaml"), unit)
    client = Client(port)

    def ready(client: Client, _plan: Plan) -> None:
        if leased:
            client.hold_supply(Lease())

    return perform(
        plan,
        client,
        ready=ready,
        home_us=release_need_us(unit.value),
        asked_to_stop=lambda: bool(stop_us) and client.now_us() > stop_us,
    )


@pytest.mark.parametrize("stop_us", [0, 1_500_000, 4_000_000])
def test_a_unit_that_is_well_keeps_its_supply(night: Callable[..., Port], unit_file: Path, stop_us: int) -> None:
    port = night(unit_file)
    result = place(port, unit_file, "abandoned", stop_us=stop_us)
    assert result.exit_code == (Exit.INTERRUPTED if stop_us else Exit.OK), result.reason
    assert port._line.world.hardware.permit_held


@pytest.mark.parametrize("stop_us", [0, 4_000_000])
@pytest.mark.parametrize("fault", ["sticking-shaft@finders", "stuck-pulsing-relay@selector 1"])
def test_a_train_that_does_not_come_home_takes_the_supply_for_good(
    night: Callable[..., Port], unit_file: Path, fault: str, stop_us: int
) -> None:
    port = night(unit_file, f"&fault={fault}")
    result = place(port, unit_file, "abandoned", stop_us=stop_us)
    assert (result.status, result.exit_code) == (Status.TRIPPED, Exit.SAFETY_TRIP)
    assert result.error is not None
    assert "port 1" in result.error.what
    permits = [event for event in result.observation.events if event.kind == m.EV_PERMIT]
    assert permits[-1].value == m.R_NOT_HOME << 8
    client = Client(port)
    client.hello()
    again = Lease()
    client.hold_supply(again)
    assert again.reason == m.R_NOT_HOME  # latched: a person at the key
    assert not port._line.world.hardware.permit_held


def test_by_day_nobody_watches_for_that(unit_file: Path, bench: Port) -> None:
    result = place(bench, unit_file, "abandoned", leased=False)
    assert result.exit_code == Exit.OK


@pytest.mark.parametrize(
    ("saying", "status"),
    [
        ("smoke alarm", Status.TRIPPED),
        ("supervisory alarm", Status.TRIPPED),
        ("key off", Status.ENDED_EARLY),
        ("key day", Status.ENDED_EARLY),  # or the wire of its night contact: nobody here can tell
    ],
)
def test_what_takes_the_supply_ends_a_call_that_does_not_ring_too(
    night: Callable[..., Port], unit_file: Path, saying: str, status: Status
) -> None:
    port = night(unit_file, f"&hands=3 s:{saying}")
    result = place(port, unit_file, "abandoned")
    assert result.status is status, result.reason
    assert result.released
    assert not port._line.world.unit.levels() & 1  # its loop is open
