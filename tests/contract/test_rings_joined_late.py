"""The connector joins the ringing whenever it comes: at the very end of a burst too, and no call may suffer from it.

Random seeds find such moments once in some hundred calls (`tests/bench/soak_calls.py` did); here they are made.
"""

from __future__ import annotations

from contextlib import closing
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.link.client import Client
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.plan.build import build
from demo_ctl.run.perform import perform
from demo_ctl.run.result import CallResult
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.script.load import load_call
from demo_ctl.terms.outcome import Outcome

ROOT = Path(__file__).resolve().parents[2]
#: How much of the burst is left, ms. Each call takes every second of them, so that each is met by some calls.
LEFT = (1, 7, 14, 20, 26, 29, 32, 35, 38, 42, 47, 53, 60, 75, 90, 120)
add_url_package("demo_ctl.bench")


def _place(call: str, unit: str, pace: Fraction, seed: int, cams: int | None = None) -> tuple[CallResult, int, Any]:
    """Place a call, with the cams at another place; give also when it began to ring, and the ringing's cam."""
    file = ROOT / f"configs/units/{unit}.yaml"
    plan = build(load_call(ROOT / f"configs/calls/{call}.yaml"), load_unit(file), pace)
    with closing(Client(open_port(f"bench://?unit={file}&seed={seed}"))) as client:
        line: Any = getattr(client.port, "_line")  # noqa: B009  # the bench behind the port
        cam = line.unit._frame.interrupter
        if cams is not None:
            cam.offset_us = line.unit._tones._sums["ringback"]._cadence.offset_us = cams
        result = perform(plan, client, ready=bench_ready)
        rang = [row.at_us for row in line.unit.truth if row.what.endswith("/ringing") and row.value]
    return result, rang[0], cam


@pytest.mark.parametrize(
    ("call", "unit", "pace", "seed", "lefts_ms"),
    [
        ("answered", "mossbrook", Fraction(1), 3, LEFT[::2]),
        ("answered", "travelling", Fraction(1, 2), 2, LEFT[1::2]),
        ("called-clears-first", "travelling", Fraction(17, 12), 1, LEFT[::2]),
        ("no-answer", "mossbrook", Fraction(1), 1, LEFT[1::2]),
        ("flash", "travelling", Fraction(19, 12), 4, LEFT[::2]),
    ],
)
def test_however_little_of_a_burst_is_left(
    call: str, unit: str, pace: Fraction, seed: int, lefts_ms: tuple[int, ...]
) -> None:
    _, rings_us, cam = _place(call, unit, pace, seed)
    for left_ms in lefts_ms:
        on_us = cam.parts_us[0]
        cams = (on_us - left_ms * 1000 - rings_us) % cam.cycle_us
        result, again_us, moved = _place(call, unit, pace, seed, cams)
        assert again_us == rings_us
        assert moved.next_change_us(rings_us) == rings_us + left_ms * 1000  # it is as this test wants it
        assert moved.on_at(rings_us)
        assert result.judgement is not None
        complaints = [verdict.say for verdict in result.judgement.verdicts if verdict.outcome is not Outcome.PASS]
        assert result.exit_code == 0, (left_ms, complaints)
