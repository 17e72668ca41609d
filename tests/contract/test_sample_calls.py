"""Every sample call, on both units, over every kind of port, against both kinds of board: as it should, and alike.

The pseudo-terminal ones run in real time, several at once, as real processes of the command line.
"""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import pytest

from demo_ctl.link.client import Client
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.plan.build import build
from demo_ctl.plan.model import Plan
from demo_ctl.run.perform import perform
from demo_ctl.run.result import CallResult, Status
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.script.load import load_call
from demo_ctl.terms.outcome import Exit, Outcome

ROOT = Path(__file__).resolve().parents[2]
UNITS = ("mossbrook", "travelling")
CALLS = tuple(sorted(p.stem for p in (ROOT / "configs/calls").glob("*.yaml")))
AT_ONCE = 8
add_url_package("demo_ctl.bench")


def _plan(call: str, unit: str, pace: Fraction = Fraction(1)) -> Plan:
    script = load_call(ROOT / f"configs/calls/{call}.yaml")
    return build(script, load_unit(ROOT / f"configs/units/{unit}.yaml"), pace)


def _busy(plan: Plan) -> list[str]:
    return [f"{b.stage}/{b.level}/{','.join(map(str, b.positions))}" for b in plan.busy_trunks if b.met_by == "person"]


def _place(plan: Plan, unit: str, board: str, seed: int = 0) -> CallResult:
    options = [("unit", str(ROOT / f"configs/units/{unit}.yaml")), ("seed", str(seed)), ("board", board)]
    options += [("busy", trunks) for trunks in _busy(plan)]
    with closing(Client(open_port("bench://?" + urlencode(options, safe="/:")))) as client:
        return perform(plan, client, trunks_busied=lambda _: True, ready=bench_ready)


def _verdicts(result: CallResult) -> dict[str, str]:
    assert result.judgement is not None
    return {v.expectation: v.outcome.value for v in result.judgement.verdicts}


def _complaints(result: CallResult) -> list[str]:
    assert result.judgement is not None
    return [f"{v.outcome.value}: {v.say}" for v in result.judgement.verdicts if v.outcome is not Outcome.PASS]


def test_the_nine_samples_are_there() -> None:
    nine = "abandoned all-trunks-busy answered busy called-clears-first flash no-answer permanent-off-hook wrong-number"
    assert set(nine.split()) <= set(CALLS)


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("call", CALLS)
def test_in_process_and_in_micropython_alike(call: str, unit: str) -> None:
    plan = _plan(call, unit)
    here = _place(plan, unit, "python")
    assert here.status is Status.FINISHED, here.reason
    assert here.released
    assert not _complaints(here)
    assert here.exit_code == 0
    there = _place(plan, unit, "micropython")
    assert there.status is Status.FINISHED, there.reason
    assert _verdicts(there) == _verdicts(here)
    # The same firmware under the same unit and the same clock: not only the verdicts are the same.
    assert there.observation.events == here.observation.events


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("call", CALLS)
@pytest.mark.parametrize("seed", range(1, 4))
def test_whatever_the_seed(call: str, unit: str, seed: int) -> None:
    result = _place(_plan(call, unit), unit, "python", seed)
    assert result.exit_code == 0, _complaints(result)


@pytest.mark.parametrize("pace", ["1/4", "1/2", "2"])
@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("call", CALLS)
def test_at_other_paces(call: str, unit: str, pace: str) -> None:
    result = _place(_plan(call, unit, Fraction(pace)), unit, "python")
    assert result.exit_code == 0, _complaints(result)


def test_same_seed_same_events() -> None:
    plan = _plan("answered", "mossbrook")
    first, second = (_place(plan, "mossbrook", "python", 5).observation for _ in range(2))
    assert first.events == second.events
    assert first.audio == second.audio


@contextmanager
def _served(unit: str, board: str, busy: list[str]) -> Iterator[str]:
    """Serve a bench from another process; give the path of its pseudo-terminal."""
    command = [sys.executable, "-m", "demo_ctl", "bench", "--pty", "--board", board]
    command += ["--unit", str(ROOT / f"configs/units/{unit}.yaml")]
    command += [word for trunks in busy for word in ("--busy", trunks)]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)
    try:
        assert server.stdout is not None
        told = re.search(r" at (/dev/\S+)\.", server.stdout.readline())
        assert told is not None
        yield told[1]
    finally:
        server.send_signal(signal.SIGTERM)
        server.wait(20)
        assert server.stdout is not None
        server.stdout.close()


def _over_pty(case: tuple[str, str, str]) -> tuple[int, dict[str, str], str]:
    """Run `demo_ctl call` for a (call, unit, board) at a bench of its own; return its code, verdicts and complaints."""
    call, unit, board = case
    with _served(unit, board, _busy(_plan(call, unit))) as path:
        command = [sys.executable, "-m", "demo_ctl", "call", f"configs/calls/{call}.yaml", "--json"]
        command += ["--unit", f"configs/units/{unit}.yaml", "--port", path, "--trunks-busied"]
        run = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=400)
    verdicts = {v["expectation"]: v["outcome"] for v in json.loads(run.stdout)["verdicts"]} if run.stdout else {}
    return run.returncode, verdicts, run.stderr


@pytest.mark.realtime
def test_over_a_pseudo_terminal_in_real_time(pulse: Any) -> None:
    # The units take turns; in process, and in real MicroPython, each call is placed on both.
    cases = [(call, UNITS[at % 2], "python") for at, call in enumerate(CALLS)]
    cases += [("answered", unit, board) for unit in UNITS for board in ("python", "micropython")]
    cases = list(dict.fromkeys(cases))
    here = {case: _place(_plan(*case[:2]), case[1], "python") for case in cases}
    # The longest first, so that they end together. They mostly wait, but a machine of two cores has only so many starts
    # of a program in it.
    cases.sort(key=lambda case: -here[case].observation.events[-1].at_us)
    with pulse, ThreadPoolExecutor(AT_ONCE) as pool:
        done = dict(zip(cases, pool.map(_over_pty, cases), strict=True))
    # A machine that other work held up for longer than the board's silence limit gets one more chance, by itself:
    # the board was right to release the line, and that is tested elsewhere.
    for case, (code, _, err) in done.items():
        if code == int(Exit.BOARD_TROUBLE) and ("heartbeat" in err or pulse.said):
            done[case] = _over_pty(case)
    for (call, unit, board), (code, verdicts, err) in done.items():
        assert code == 0, f"{call} on {unit}, {board}: {verdicts} {err[-2000:]}"
        assert verdicts == _verdicts(here[call, unit, board]), f"{call} on {unit}, {board}"
