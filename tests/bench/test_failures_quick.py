"""Every fault of the guard's hardware while ringing is on: a few runs here, a thousand each in failures_live.py."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from random import Random
from typing import Any

import pytest

from demo_ctl.bench.board_faults import HARDWARE_FAULTS
from demo_ctl.link.port import add_url_package
from demo_ctl.wire import messages as m


def _load() -> Any:
    spec = importlib.util.spec_from_file_location("failures_live", Path(__file__).with_name("failures_live.py"))
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules["failures_live"] = module  # copies of the process send back its classes
    spec.loader.exec_module(module)
    return module


live = _load()
RUNS = 3
#: Past both of the guard's contacts: told by the board, ended by whatever opens the chain (wiring/FAILURES.md).
BY_CHAIN = ("guard-bypassed", "backfeed")


@pytest.fixture(scope="module")
def ringing() -> Any:
    """A call whose called line rings; each run is made in a copy of this process."""
    add_url_package("demo_ctl.bench")
    world = live.Live(seed=4)
    yield world
    world.port.close()


@pytest.mark.parametrize("fault", HARDWARE_FAULTS)
def test_a_cover_that_opens_ends_ringing_whatever_one_fault_there_is(ringing: Any, fault: str) -> None:
    for told in live.in_copies(ringing, RUNS, lambda world, n: world.run(fault, True, Random(f"{fault} {n}"))):
        # Contact of the other channel 3 ms later, its relay 8 ms; the isolator 15 ms (bench/guard_circuit.py).
        assert told.us is not None
        assert told.us <= (15_000 if fault in BY_CHAIN else 11_000)


#: What ends ringing by itself, within so many milliseconds of the fault. The rest goes on ringing as it should.
ENDS_MS = {
    "chain-a-broken": 20,
    "chain-b-broken": 20,
    "mirror-a-stuck-closed": 80,
    "mirror-b-stuck-closed": 80,
    "pump-a-stuck-high": 70,
    "pump-a-stuck-low": 70,
    "pump-b-stuck-high": 70,
    "pump-b-stuck-low": 70,
    "relay-a-dead": 20,
    "relay-b-dead": 20,
    "generator-high": 170,
    "generator-dead": 170,
    "bus-short": 1,
    "battery-high": 170,
    "bus-sense-dead": 280,
    "interrupter-stuck": 5_700,
    "loop-hung": 70,
    "clock-stopped": 70,
    "clock-fast": 120,
    "clock-jumped": 70,
    "memory-low": 80,
    "brown-out": 70,
    "board-dead": 70,
    "cable-cut": 880,
    "host-killed": 880,
    "key-wire-broken": 80,
    "isolator-dead": 20,
}
#: Readings that stand still in the middle of a burst look like a burst without its pause; in a pause, like nothing.
MAY_END_MS = {"bus-sense-stuck": 5_700}


@pytest.mark.parametrize("fault", HARDWARE_FAULTS)
def test_what_ends_ringing_by_itself_and_when(ringing: Any, fault: str) -> None:
    for told in live.in_copies(ringing, RUNS, lambda world, n: world.run(fault, False, Random(f"{fault} {n}"))):
        if fault not in MAY_END_MS:
            assert (told.us is not None) == (fault in ENDS_MS)
        if fault == "backfeed":
            assert told.reason == m.R_UNEXPECTED_RINGING
        if told.us is not None:
            assert told.us <= (ENDS_MS | MAY_END_MS)[fault] * 1000
