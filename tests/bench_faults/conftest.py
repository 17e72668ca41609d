"""Whole calls of the sample scripts on a bench with something wrong."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import closing
from fractions import Fraction
from functools import cache
from pathlib import Path
from urllib.parse import urlencode

import pytest

from demo_ctl.link.client import Client
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.office.model import Unit
from demo_ctl.plan.build import build
from demo_ctl.plan.model import Plan
from demo_ctl.run.perform import perform
from demo_ctl.run.result import CallResult
from demo_ctl.safety.readiness import check_exercised
from demo_ctl.script.load import load_call

ROOT = Path(__file__).resolve().parents[2]
Place = Callable[..., CallResult]
PlaceSeveral = Callable[..., list[CallResult]]


def _unit_file(unit: str) -> Path:
    return Path(unit) if unit.endswith(".yaml") else ROOT / f"configs/units/{unit}.yaml"


@cache
def _plan(call: str, unit: str) -> Plan:
    script = Path(call) if call.endswith(".yaml") else ROOT / f"configs/calls/{call}.yaml"
    return build(load_call(script), load_unit(_unit_file(unit)), Fraction(1))


def _proven(client: Client, _plan: Plan) -> None:
    """The guard was worked as the bench was opened; whatever else is wrong now is the board's to find."""
    check_exercised(client.safety())


def _several(
    calls: Sequence[str], *faults: str, unit: str = "mossbrook", seed: int = 0, night: int = 1
) -> list[CallResult]:
    plans = [_plan(call, unit) for call in calls]
    options = [("unit", str(_unit_file(unit))), ("seed", str(seed)), ("night", str(night))]
    busy = {
        f"{one.stage}/{one.level}/{','.join(map(str, one.positions))}"
        for plan in plans
        for one in plan.busy_trunks
        if one.met_by == "person"
    }
    options += [("busy", trunks) for trunks in sorted(busy)] + [("fault", fault) for fault in faults]
    add_url_package("demo_ctl.bench")
    with closing(Client(open_port("bench://?" + urlencode(options, safe="/:")))) as client:
        return [perform(plan, client, trunks_busied=lambda _: True, ready=_proven) for plan in plans]


@cache
def _sound(call: str, unit: str) -> CallResult:
    return _several([call], unit=unit)[0]


@pytest.fixture(scope="session")
def place_several() -> PlaceSeveral:
    """place_several(calls, *faults, unit=, seed=, night=): one after the other on the same bench."""
    return _several


@pytest.fixture(scope="session")
def place() -> Place:
    """place(call, *faults, unit=, seed=, night=). With no fault and nothing else it is played once."""

    def play(call: str, *faults: str, unit: str = "mossbrook", seed: int = 0, night: int = 1) -> CallResult:
        if not faults and seed == 0:
            return _sound(call, unit)
        return _several([call], *faults, unit=unit, seed=seed, night=night)[0]

    return play


@pytest.fixture(scope="session")
def mossbrook() -> Unit:
    return load_unit(_unit_file("mossbrook")).value


@pytest.fixture(scope="session")
def travelling() -> Unit:
    return load_unit(_unit_file("travelling")).value
