"""A hand-made plan, and the bench it runs on: the stop path must hold for any plan."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.link.port import Port, add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.office.model import Unit
from demo_ctl.plan.model import BusyTrunks, Gate, Plan, Step, Timeline
from demo_ctl.terms.errors import Place
from demo_ctl.wire import messages as m

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="session")
def unit_file() -> Path:
    return ROOT / "configs" / "units" / "travelling.yaml"


@pytest.fixture(scope="session")
def unit(unit_file: Path) -> Unit:
    return load_unit(unit_file).value


@pytest.fixture
def bench(unit_file: Path) -> Iterator[Port]:
    add_url_package("demo_ctl.bench")
    port = open_port(f"bench://?unit={unit_file}")
    yield port
    port.close()


@pytest.fixture(scope="session")
def line_closed() -> Callable[[Any], bool]:
    """Whether current flows in the calling port's loop, told by the simulated unit itself."""

    def closed(port: Any) -> bool:
        return bool(port._line.world.unit.levels() & 1)

    return closed


@pytest.fixture(scope="session")
def make_plan() -> Callable[..., Plan]:
    def make(
        *steps: tuple[int, int, int, int, int],
        gates: tuple[Gate, ...] = (),
        busy: tuple[BusyTrunks, ...] = (),
        roles: tuple[int, ...] = (m.CALLING, m.CALLED),
        most_us: int = 0,
    ) -> Plan:
        made = tuple(
            Step(*step, label=f"{m.OPS[step[0]]} {index}", place=Place("hand.yaml", 10 + index))
            for index, step in enumerate(steps)
        )
        return Plan(
            script="hand-made",
            title="A hand-made call",
            unit="Travelling",
            pace=Fraction(1),
            number="",
            digits="",
            caller_port=1,
            called_port=2,
            timeline=Timeline(made, roles),
            expectations=(),
            pace_table=(),
            gates=gates,
            busy_trunks=busy,
            most_us=most_us,
        )

    return make


@pytest.fixture(scope="session")
def hold(make_plan: Callable[..., Plan]) -> Plan:
    """Lift, and hold the line for a minute."""
    return make_plan((m.OP_LOOP, 1, 1, 0, 0), (m.OP_WAIT, 0, 0, 60_000_000, 0), (m.OP_LOOP, 1, 0, 0, 0))
