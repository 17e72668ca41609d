"""Real calls on the bench, told as happenings and scenes: with inferred switches, and with the truth's."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from fractions import Fraction
from functools import cache
from pathlib import Path
from urllib.parse import urlencode

import pytest

from demo_ctl.bench.protocol_bench import Serial
from demo_ctl.bench.truth import Truth
from demo_ctl.link.client import Client
from demo_ctl.link.port import Port
from demo_ctl.measure.model import Observation
from demo_ctl.office.load import load_unit
from demo_ctl.office.model import Unit
from demo_ctl.plan.build import build
from demo_ctl.plan.model import Plan
from demo_ctl.run.perform import perform
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.script.exhibit_load import load_exhibit
from demo_ctl.script.load import load_call
from demo_ctl.show.furnish import Furnished, furnish
from demo_ctl.show.happen import happenings
from demo_ctl.show.model import Happening, Scene
from demo_ctl.show.scene import scenes, start
from demo_ctl.show.visitor_ring import ringing_plan
from tests.show.exhibition import RUNG, UNIT, VISITORS, Exhibition

CONFIGS = Path(__file__).parents[2] / "configs"


@dataclass(frozen=True)
class Call:
    """One call made on the bench: its plan, all that was seen of it, and what was true inside the unit."""

    plan: Plan
    unit: Unit
    observation: Observation
    truth: tuple[Truth, ...]

    def happenings(self, *, truth: bool = False) -> tuple[Happening, ...]:
        """With inferred switches, or with the truth's."""
        return happenings(self.plan, self.unit, self.observation.events, self.truth if truth else None)


@cache
def make_call(
    script: str = "answered", unit: str = "travelling", seed: int = 1, pace: str = "1", fault: str = ""
) -> Call:
    """Make a call on the bench; each is made once, however many tests look at it."""
    path = Path(unit) if unit.endswith(".yaml") else CONFIGS / "units" / f"{unit}.yaml"
    described = load_unit(path)
    plan = build(
        load_call(Path(script) if script.endswith(".yaml") else CONFIGS / "calls" / f"{script}.yaml"),
        described,
        Fraction(pace),
    )
    line = Serial()
    options = [("unit", str(path)), ("seed", str(seed)), ("clock", "free")]
    options += [("fault", fault)] if fault else []
    options += [
        ("busy", f"{one.stage}/{one.level}/{','.join(map(str, one.positions))}")
        for one in plan.busy_trunks
        if one.met_by == "person"
    ]
    line.port = "bench://?" + urlencode(options, safe="/:")
    line.open()
    client = Client(Port(line.port, line))
    try:
        result = perform(plan, client, go_on=lambda _gate: True, trunks_busied=lambda _: True, ready=bench_ready)
        zero_us = line.world.board_clock()[1]  # what the unit's clock reads when the board's reads 0
        truth = tuple(row._replace(at_us=row.at_us - zero_us) for row in line.unit.truth)
    finally:
        client.close()
    return Call(plan, described.value, result.observation, truth)


@cache
def make_scenes(script: str = "answered", unit: str = "travelling", *, truth: bool = False) -> tuple[Scene, ...]:
    """Return the scenes of a call, the first one before anything has happened."""
    call = make_call(script, unit)
    first = start(call.plan, call.unit)
    return (first, *scenes(first, call.happenings(truth=truth)))


@pytest.fixture(scope="session")
def bench_call() -> Callable[..., Call]:
    """`bench_call(script, unit, seed, pace)`: one call on the bench."""
    return make_call


@pytest.fixture(scope="session")
def sample_scenes() -> Callable[..., tuple[Scene, ...]]:
    """`sample_scenes(script, unit, truth=False)`: all scenes of one call on the bench."""
    return make_scenes


# -- an exhibit on the bench ----------------------------------------------------------------------------------------


@pytest.fixture(scope="session")
def furnished() -> Furnished:
    return furnish(load_exhibit(CONFIGS / "exhibits" / "corner.yaml"), load_unit(UNIT))


@pytest.fixture
def exhibition(furnished: Furnished, tmp_path: Path) -> Iterator[Exhibition]:
    made = Exhibition(furnished, tmp_path)
    yield made
    made.line.close()
    made.store.close()


@pytest.fixture
def bell(furnished: Furnished, tmp_path: Path) -> Iterator[Exhibition]:
    """An exhibition whose visitors may ring the parlour."""
    unit = furnished.unit
    line, rung = unit.line_at_port(VISITORS), unit.line_at_port(RUNG)
    assert line is not None
    assert rung is not None
    assert furnished.watch is not None
    plan = ringing_plan(unit, line, rung, "A visitor dials", 20_000_000)
    made = Exhibition(replace(furnished, watch=replace(furnished.watch, ringing=plan, rung=rung)), tmp_path)
    made.skip_to(datetime(2026, 10, 20, 10, 0, tzinfo=UTC))
    made.run(3)
    yield made
    made.line.close()
    made.store.close()
