"""A line that damages, loses and repeats bytes: the events still come whole and in order, or a LinkError does."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.link.client import Client
from demo_ctl.link.port import Port, add_url_package, open_port
from demo_ctl.plan.model import Plan
from demo_ctl.run.perform import perform
from demo_ctl.run.result import CallResult, Status
from demo_ctl.terms.errors import LinkError
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m

UNIT = Path(__file__).resolve().parents[2] / "configs" / "units" / "travelling.yaml"
PROGRAM = [
    (m.OP_LOOP, 1, 1, 0, 0),
    (m.OP_LISTEN, 1, 1, 0, 0),
    (m.OP_WAIT, 0, 0, 800_000, 0),
    (m.OP_LISTEN, 1, 0, 0, 0),
    *[(m.OP_PULSES, 1, 10, 61_000, 39_000), (m.OP_WAIT, 0, 0, 600_000, 0)] * 3,
    (m.OP_LOOP, 1, 0, 0, 0),
]


class BadLine:
    """The bench's port behind a line with `worst` faults in a thousand pieces of bytes, either way."""

    def __init__(self, port: Port, random: Random, worst: int) -> None:
        self.port, self.random, self.worst, self.url = port, random, worst, "bad line"
        self.clock_us, self.close = port.clock_us, port.close
        self.faults = 0

    def spoil(self, data: bytes) -> bytes:
        if not data or self.random.randrange(1000) >= self.worst:
            return data
        self.faults += 1
        at = self.random.randrange(len(data))
        kind = self.random.randrange(4)
        if kind == 0:
            return data[:at] + bytes([data[at] ^ 1 << self.random.randrange(8)]) + data[at + 1 :]
        if kind == 1:
            return data[:at] + data[at + 1 + self.random.randrange(40) :]
        if kind == 2:
            return data + data[at:]
        return data[:at] + self.random.randbytes(self.random.randrange(1, 300)) + data[at:]

    def read(self, until_us: int) -> bytes:
        return self.spoil(self.port.read(until_us))

    def write(self, data: bytes) -> None:
        self.port.write(self.spoil(data))


def call(plan: Plan, port: Port | BadLine) -> CallResult | LinkError:
    try:
        return perform(plan, Client(port))
    except LinkError as error:
        return error  # before the start


def bench() -> Port:
    add_url_package("demo_ctl.bench")
    return open_port(f"bench://?unit={UNIT}")


@pytest.fixture(scope="module")
def plan(make_plan: Callable[..., Plan]) -> Plan:
    return make_plan(*PROGRAM, most_us=10_000_000)


@settings(deadline=None, max_examples=120)
@given(seed=st.integers(0, 1 << 32), worst=st.sampled_from([5, 30, 100, 300, 700]))
def test_events_come_whole_and_in_order_and_every_call_ends(plan: Plan, seed: int, worst: int) -> None:
    port = bench()
    result = call(plan, BadLine(port, Random(seed), worst))
    lasted_us = port.clock_us()
    port.close()
    assert lasted_us < 30_000_000  # hello's patience, the plan, the overtime: never for ever
    if isinstance(result, LinkError):
        assert result.next_step
        return
    told = result.observation.events
    assert [event.number for event in told] == list(range(len(told)))
    if result.status is Status.FINISHED:
        assert (m.EV_PLAN, m.FINISHED) in [(event.kind, event.value) for event in told]
    else:
        assert result.exit_code == Exit.BOARD_TROUBLE
        assert result.error is not None


def account(result: CallResult | LinkError) -> list[tuple[int, ...]]:
    """What happened, counted from the start; how much sound was dropped is the line's own affair."""
    assert isinstance(result, CallResult)
    assert result.status is Status.FINISHED, result
    told = result.observation.events
    began_us = next(event.at_us for event in told if event.kind == m.EV_PLAN)
    return [
        (event.at_us - began_us, event.kind, event.port, event.value)
        for event in told
        if event.kind not in (m.EV_BOOT, m.EV_AUDIO_LOST)
    ]


def test_a_moderately_bad_line_carries_the_whole_call(plan: Plan) -> None:
    """One piece in two hundred is spoilt: everything is repeated until it is right, and the account is the same.

    (Heartbeats are not repeated: a line that spoils two in a row ends the call, as it must.)
    """
    port = bench()
    clean = account(call(plan, port))
    port.close()
    faults = 0
    for seed in range(40):
        port = bench()
        line = BadLine(port, Random(seed), 5)
        assert account(call(plan, line)) == clean
        port.close()
        faults += line.faults
    assert faults > 20
