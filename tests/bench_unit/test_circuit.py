"""The line circuit: nodes added up by linear algebra, and the directions in which a line pushes a pulse."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from math import inf

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.circuit import NOTHING, Drive, LineCircuit, least_leak_ohm, most_loop_ohm, parallel
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.relays import Relay, line_coil
from demo_ctl.office.model import Coils

MS = 1000
NOMINAL = LineCircuit(48.0, 400.0, 300.0)


@settings(deadline=None)
@given(st.floats(40, 60), st.floats(100, 1000), st.floats(1, 5000), st.floats(1000, 1e6), st.floats(0, 1000))
def test_currents_are_those_of_the_nodes(
    battery_V: float, feed_ohm: float, loop_ohm: float, leak_ohm: float, more_ohm: float
) -> None:
    circuit = LineCircuit(battery_V, feed_ohm, loop_ohm, leak_ohm)
    # Mesh currents: one through battery, feed and leak, one through leak and loop.
    feed = feed_ohm + more_ohm
    meshes = np.array([[feed + leak_ohm, -leak_ohm], [-leak_ohm, leak_ohm + loop_ohm]])
    winding, loop = np.linalg.solve(meshes, [1000 * battery_V, 0.0])
    assert circuit.closed(more_ohm).final_mA == pytest.approx(winding)
    assert circuit.loop_mA(more_ohm) == pytest.approx(loop)
    assert circuit.opened(more_ohm).final_mA == pytest.approx(1000 * battery_V / (feed + leak_ohm))


def test_nothing_on_the_line_drives_nothing() -> None:
    circuit = LineCircuit(48.0, 400.0, 300.0, bells=0.0)
    assert circuit.opened() == NOTHING
    assert circuit.opening() == Drive(0.0)
    assert parallel(inf, 5.0) == parallel(5.0, inf) == 5.0
    assert parallel(0.0, 0.0) == 0.0


@pytest.mark.parametrize("least_mA", [10.0, 21.0])
def test_longest_loop_and_worst_leak_are_on_the_edge(least_mA: float) -> None:
    loop_ohm = most_loop_ohm(48.0, 400.0, least_mA)
    assert LineCircuit(48.0, 400.0, loop_ohm).loop_mA() == pytest.approx(least_mA)
    leak_ohm = least_leak_ohm(48.0, 400.0, least_mA)
    assert LineCircuit(48.0, 400.0, 300.0, leak_ohm).opened().final_mA == pytest.approx(least_mA)


@dataclass
class Repeated:
    """What A makes of one dial break of 60 ms in a make of 40 ms, after it has followed a few."""

    break_ms: float
    pulses: int


def repeated(circuit: LineCircuit) -> Repeated:
    kernel = Kernel()
    moved: list[tuple[int, bool]] = []
    coil = line_coil(Coils(), NOMINAL, 8 * MS, 7 * MS)
    relay = Relay(kernel, [], "A", coil, lambda on: moved.append((kernel.now_us, on)))
    relay.feed(circuit.closed(), True)
    kernel.run_to(500 * MS)
    moved.clear()
    for _ in range(6):
        relay.feed(circuit.opening(), False)
        kernel.run_to(kernel.now_us + 60 * MS)
        relay.feed(circuit.closed(), True)
        kernel.run_to(kernel.now_us + 40 * MS)
    pairs = list(zip(moved[::2], moved[1::2], strict=False))
    if not pairs:
        return Repeated(0.0, 0)
    (falls_us, _), (rises_us, _) = pairs[-1]
    return Repeated((rises_us - falls_us) / 1000, len(pairs))


def breaks(*circuits: LineCircuit) -> list[float]:
    answers = [repeated(circuit) for circuit in circuits]
    assert all(answer.pulses == 6 for answer in answers)
    return [answer.break_ms for answer in answers]


def rising(values: list[float]) -> bool:
    return all(a + 0.05 < b for a, b in pairwise(values))


def test_a_longer_line_makes_the_repeated_break_longer() -> None:
    """D46: later operate; and less current to fall from."""
    assert rising(breaks(*(NOMINAL._replace(loop_ohm=ohm) for ohm in (0, 200, 500, 1000, 1500, 1700))))


def test_a_leak_makes_the_repeated_break_shorter() -> None:
    """D47: later release."""
    assert rising(breaks(*(NOMINAL._replace(leak_ohm=ohm) for ohm in (10e3, 15e3, 25e3, 60e3, inf))))


def test_a_higher_battery_makes_the_repeated_break_shorter() -> None:
    assert rising(breaks(*(NOMINAL._replace(battery_V=volts) for volts in (56.0, 52.0, 48.0, 44.0))))


def test_more_bells_make_the_repeated_break_shorter() -> None:
    """D48: each bell's condenser charges through A at every break."""
    assert rising(breaks(*(NOMINAL._replace(bells=bells) for bells in (5.0, 3.0, 2.0, 1.0, 0.0))))


def test_cable_makes_the_repeated_break_shorter() -> None:
    """D48: the charge of ten kilometres (L14: 52 nF each) holds A a little longer."""
    assert rising(breaks(*(NOMINAL._replace(cable_nF=nF) for nF in (1040.0, 520.0, 0.0))))


def test_below_the_worst_leak_a_never_releases() -> None:
    leak_ohm = least_leak_ohm(48.0, 400.0, Coils().line_release_mA)
    assert repeated(NOMINAL._replace(leak_ohm=leak_ohm * 0.97)).pulses == 0
    assert repeated(NOMINAL._replace(leak_ohm=leak_ohm * 1.1)).pulses == 6


def test_beyond_the_longest_loop_a_never_operates() -> None:
    loop_ohm = most_loop_ohm(48.0, 400.0, Coils().line_operate_mA)
    assert repeated(NOMINAL._replace(loop_ohm=loop_ohm * 1.02)).pulses == 0
