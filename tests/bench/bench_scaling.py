"""How the bench's speed changes with what happens at once, on one core. Prints; asserts nothing about time.

    python tests/bench/bench_scaling.py [--repeats 5]

First the full stack with one call (planning, protocol, firmware, unit, listening, measuring, judging), beside the aim
of 500 simulated seconds per second. Then the unit alone with 1, 2, 4, 10 and 20 calls at once, each through a
train of five selectors and a connector, ten racing for the trunks of each group; every call must be
rung, answered and released, or the figure means nothing. Seconds are those of this process's work, so that a machine
that is busy with other things gives the same figures.
"""

from __future__ import annotations

import argparse
import statistics
import time
from contextlib import closing
from fractions import Fraction
from pathlib import Path

from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.unit import BenchUnit
from demo_ctl.link.client import Client
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.office.model import Selector, Stage, Unit
from demo_ctl.office.numbers import digits_of, pulses_of
from demo_ctl.plan.build import build
from demo_ctl.run.perform import perform
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.script.load import load_call

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "configs/units/mossbrook.yaml"
AIM = 500
AT_ONCE = (1, 2, 4, 10, 20)
MS, S = 1000, 1_000_000
#: A level has so many trunks; whoever comes after them calls through another level of the first selectors.
TRUNKS = 10
OTHER = "45501"


def big_unit(pairs: int) -> Unit:
    """Return the sample unit's equipment with `pairs` calling and `pairs` called lines, and a finder for each call."""
    sample = load_unit(SAMPLE).value
    first = sample.lines[0]
    lines = tuple(
        first.model_copy(
            update={
                "name": f"{'called' if k % 2 else 'caller'} {k // 2}",
                "number": (first.number[:-2] if k < 2 * TRUNKS else OTHER) + f"{k:02d}",
                "finder_level": 1 + k // 10,
                "finder_terminal": 1 + k % 10,
                "attached": "staff",
            }
        )
        for k in range(2 * pairs)
    )
    everywhere = tuple(range(1, 11))
    train: list[Stage] = []
    for stage in sample.train:
        if isinstance(stage, Selector):
            levels = {digit: level.model_copy(update={"trunks": everywhere}) for digit, level in stage.levels.items()}
            if not train:
                levels[OTHER[0]] = levels[digits_of(first.number, sample.numbering.letters)[0]]
            train.append(stage.model_copy(update={"levels": levels}))
        else:
            train.append(stage.model_copy(update={"hunting": ()}))
    finders = sample.finders.model_copy(update={"count": pairs})
    return sample.model_copy(update={"lines": lines, "finders": finders, "train": tuple(train)})


def dialled(unit: Unit, name: str) -> list[int]:
    """Return the pulses of each digit of a line's number."""
    line = unit.line(name)
    assert line is not None
    digits = digits_of(line.number, unit.numbering.letters)
    return [pulses_of(digit, unit.numbering.pulses) for digit in digits]


def play(unit: Unit, pairs: int, seed: int) -> tuple[float, float, int, int]:
    """Place `pairs` calls at once; return seconds of work, simulated s, rows of truth, calls that were answered."""
    kernel = Kernel()
    bench = BenchUnit(kernel, unit, seed=seed)
    bench.set_ringing_feed(True)
    last_us = 0
    for k in range(pairs):
        lift_us = k * 37 * MS  # not all in one instant: the allotter serves one search at a time anyhow
        kernel.at(lift_us, bench.set_line_loop, f"caller {k}", True)
        t_us = lift_us + 6 * S
        for count in dialled(unit, f"called {k}"):
            for _ in range(count):
                kernel.at(t_us, bench.set_line_loop, f"caller {k}", False)
                kernel.at(t_us + 60 * MS, bench.set_line_loop, f"caller {k}", True)
                t_us += 100 * MS
            t_us += 900 * MS
        answer_us = t_us + 12 * S
        kernel.at(answer_us, bench.set_line_loop, f"called {k}", True)
        kernel.at(answer_us + 10 * S, bench.set_line_loop, f"called {k}", False)
        kernel.at(answer_us + 12 * S, bench.set_line_loop, f"caller {k}", False)
        last_us = max(last_us, answer_us + 15 * S)
    began = time.process_time()
    kernel.run_to(last_us)
    cpu_s = time.process_time() - began
    answered = sum(row.what.endswith("/D") and row.value == 1 for row in bench.truth)
    standing: dict[str, int] = {}
    for row in bench.truth:
        standing[row.what] = row.value
    assert not any(standing.values()), "not everything came home"
    return cpu_s, last_us / 1e6, len(bench.truth), answered


def full_stack(repeats: int) -> None:
    """Print the speed of one whole call."""
    add_url_package("demo_ctl.bench")
    unit = load_unit(SAMPLE)
    call = load_call(ROOT / "configs/calls/answered.yaml")
    rates = []
    for seed in range(repeats):
        with closing(Client(open_port(f"bench://?unit={SAMPLE}&seed={seed}"))) as client:
            began = time.process_time()
            result = perform(build(call, unit, Fraction(1)), client, ready=bench_ready)
            cpu_s = time.process_time() - began
            assert result.exit_code == 0, result.reason
            rates.append(client.port.clock_us() / 1e6 / cpu_s)
    rate = statistics.median(rates)
    print(f"full stack, one call: {rate:.0f} simulated s per s, {rate / AIM:.2f} of the aim of {AIM}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repeats", type=int, default=5, metavar="N")
    repeats = parser.parse_args().repeats
    full_stack(repeats)
    print("unit alone:")
    for pairs in AT_ONCE:
        unit = big_unit(pairs)
        found = sorted(play(unit, pairs, seed) for seed in range(repeats))
        cpu_s, simulated_s, rows, answered = found[len(found) // 2]
        print(
            f"  {pairs:3} at once: {simulated_s / cpu_s:8.0f} simulated s per s, {cpu_s / pairs * 1e3:6.2f} ms "
            f"a call, {rows / cpu_s:9.0f} rows of truth per s ({rows // pairs} a call, {answered} answered)"
        )
        assert answered == pairs, f"only {answered} of {pairs} calls were answered"


if __name__ == "__main__":
    main()
