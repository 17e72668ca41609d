"""Simulated seconds per wall second of a seven-digit call on the free clock, on one core. Prints; asserts nothing.

Everything counts: planning, framing, firmware, unit, listening, measuring, judging. Imports and the loading of files do
not. The limit it stands beside is the aim of 500.
"""

from __future__ import annotations

import statistics
import sys
import time
from contextlib import closing
from fractions import Fraction
from pathlib import Path

from demo_ctl.link.client import Client
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.plan.build import build
from demo_ctl.run.perform import perform
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.script.load import load_call

ROOT = Path(__file__).resolve().parents[2]
AIM = 500


def main() -> None:
    name = sys.argv[1] if len(sys.argv) > 1 else "answered"
    add_url_package("demo_ctl.bench")
    unit = load_unit(ROOT / "configs/units/mossbrook.yaml")
    call = load_call(ROOT / f"configs/calls/{name}.yaml")
    rates = []
    for seed in range(10):
        url = f"bench://?unit={ROOT}/configs/units/mossbrook.yaml&seed={seed}"
        with closing(Client(open_port(url))) as client:
            began = time.perf_counter()
            result = perform(build(call, unit, Fraction(1)), client, trunks_busied=lambda _: True, ready=bench_ready)
            wall_s = time.perf_counter() - began
            simulated_s = client.port.clock_us() / 1e6
        assert result.exit_code == 0, result.reason
        rates.append(simulated_s / wall_s)
    rate = statistics.median(rates)
    print(f"{name}: {simulated_s:.1f} simulated s a call; median of {len(rates)}: {rate:.0f} simulated s per wall s")
    print(f"  {rate / AIM:.2f} of the aim of {AIM}; slowest {min(rates):.0f}, fastest {max(rates):.0f}")


if __name__ == "__main__":
    main()
