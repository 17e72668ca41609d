"""Units and calls for the tests of plans: the sample units, and scripts written in place."""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
import yaml

from demo_ctl.office.load import load_unit
from demo_ctl.office.model import Unit
from demo_ctl.plan.build import build
from demo_ctl.plan.model import Plan
from demo_ctl.script.model import Call
from demo_ctl.terms.located import Located, parse_model

CONFIGS = Path(__file__).parents[2] / "configs"


@pytest.fixture(scope="session")
def configs() -> Path:
    return CONFIGS


@pytest.fixture(scope="session")
def units() -> dict[str, Located[Unit]]:
    return {name: load_unit(CONFIGS / "units" / f"{name}.yaml") for name in ("travelling", "mossbrook")}


@pytest.fixture(scope="session")
def office(units: dict[str, Located[Unit]]) -> Callable[[str], Unit]:
    """A sample unit by its name."""
    return lambda name: units[name].value


@pytest.fixture(scope="session")
def changed_unit() -> Callable[..., Unit]:
    """A sample unit with some entries changed: `changed_unit("travelling", dial={"speed": "9 pps"})`."""

    def change(name: str, **changes: Any) -> Unit:
        data = yaml.load((CONFIGS / "units" / f"{name}.yaml").read_text(), Loader=yaml.BaseLoader)
        for key, entries in changes.items():
            key = key.replace("_", " ")
            if isinstance(entries, dict):
                data[key] = {**data[key], **entries}
            else:
                data[key] = entries
        return Unit.model_validate(data)

    return change


@pytest.fixture(scope="session")
def call_of() -> Callable[..., Located[Call]]:
    """A script from its steps, written as YAML text and read back, so that every part has its line."""

    def make(steps: list[dict[str, Any]], **more: Any) -> Located[Call]:
        data: dict[str, Any] = {
            "format": "demo_ctl call 1",
            "name": "tried",
            "title": "A call of a test",
            "parties": {"caller": "counter", "called": "parlour"},
            "must not": [],
        }
        data.update({key.replace("_", " "): value for key, value in more.items()})
        data["steps"] = steps
        data = json.loads(json.dumps(data))  # shared parts would be written as YAML aliases
        return parse_model(yaml.safe_dump(data, sort_keys=False), "tried.yaml", Call, kind="call script")

    return make


@pytest.fixture(scope="session")
def plan_of(units: dict[str, Located[Unit]], call_of: Callable[..., Located[Call]]) -> Callable[..., Plan]:
    """The plan of some steps on the travelling unit (or `unit`), at pace 1 (or `pace`)."""

    def make(
        steps: list[dict[str, Any]],
        *,
        unit: Unit | str = "travelling",
        pace: Fraction = Fraction(1),
        ports: int = 4,
        **more: Any,
    ) -> Plan:
        return build(call_of(steps, **more), units[unit] if isinstance(unit, str) else unit, pace, ports=ports)

    return make
