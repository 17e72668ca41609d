"""Every fault of the guard's hardware, made while ringing is on: how soon is the ringing bus dead?

    .venv/bin/python tests/bench/failures_live.py            # 1,000 runs of each fault, both ways: some minutes
    .venv/bin/python tests/bench/failures_live.py --runs 20  # a look

A whole call is placed on the bench until the called line rings. Then this process is copied (fork) once for each run,
spread over the interrupter's cycles, and goes its own way: the fault is made, and

    alone: nobody does anything else, and the time is until the generator's voltage is off bus and lines for good;
    with a cover: up to half a second later a cover is opened, and the time is from then.

What is measured is the bus, in front of the interrupter, and any other way by which the generator gets to a line: when
both are dead, so is the called line, whatever the interrupter and the connector do. Times are the simulated unit's
own; nothing here asks the board how it stands. The worst is compared with the time that the failure table states
(wiring/failures.yaml, by the reaction budget); exit code 1 if one was longer, or if ringing went on with a cover open.
"""

from __future__ import annotations

import argparse
import json
import os
import pickle
import sys
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field
from fractions import Fraction
from pathlib import Path
from random import Random
from typing import Any

from demo_ctl.bench.board_faults import HARDWARE_FAULTS
from demo_ctl.link.client import Client
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.plan.build import build
from demo_ctl.safety.failures import parse_failures, ways_off
from demo_ctl.safety.guard_data import load_guard
from demo_ctl.script.load import load_call
from demo_ctl.terms.errors import DemoError
from demo_ctl.wire import messages as m

ROOT = Path(__file__).resolve().parents[2]
WIRING = ROOT / "wiring"
CYCLE_US = 6_000_000  # of the interrupter
UNIT = ROOT / "configs" / "units" / "mossbrook.yaml"
CALL = ROOT / "configs" / "calls" / "no-answer.yaml"
WATCH_US = 1_500_000  # whatever ends ringing by itself has ended it by then
LONG_WATCH_US = 8_000_000  # but for a burst without its pause: 5 s
LONG = ("interrupter-stuck", "bus-sense-stuck")
COVER_US = 400_000
COVER_PATH = "isolator opens"  # of the budget: with a cover open, the last thing that opens
WORLDS = 10  # calls with seeds of their own; each is copied for its share of the runs


@dataclass
class Told:
    """One run. us: until bus and lines were dead for good; None: it was not. reason: the guard's trip, if any."""

    us: int | None
    reason: int = 0
    tripped_us: int | None = None


@dataclass
class Row:
    """All runs of one fault, one way."""

    fault: str
    cover: bool
    runs: int
    dead: int  # how many ended with a dead bus
    worst_us: int | None
    median_us: int | None
    stated_us: int | None  # by the failure table; None: it says nothing of an end
    trips: dict[str, int] = field(default_factory=dict)


class Live:
    """A call on the bench whose called line rings."""

    def __init__(self, seed: int) -> None:
        unit, call = load_unit(UNIT), load_call(CALL)
        self.port = open_port(f"bench://?unit={UNIT}&seed={seed}")
        self.serial: Any = self.port._line
        self.client = Client(self.port)
        plan = build(call, unit.value, Fraction(1))
        self.client.hello()
        steps = [m.Instruction(s.op, s.port, s.x, s.a, s.b) for s in plan.timeline.steps]
        self.client.upload(1, steps, plan.timeline.roles)
        self.client.start(1)
        self.live_us: int | None = None
        gates = {gate.index: gate for gate in plan.gates}
        until_us = self.client.now_us() + 60_000_000
        rings = False
        while not rings and self.client.now_us() < until_us:
            for item in self.client.poll(50_000):
                if not isinstance(item, m.Event):
                    continue
                if item.kind == m.EV_BEGAN and item.value in gates:
                    self.client.go(gates[item.value].number)  # tones are not listened to here
                rings |= item.kind == m.EV_STATE and item.value == m.RINGING << 1 | 1
        if not rings:
            raise SystemExit("the called line does not ring: nothing to measure")
        self.hardware: Any = self.serial.world.hardware
        self.feeds: list[tuple[int, bool]] = []
        self.trip = Told(None)
        settle = self.hardware._set_feed

        def watched() -> None:
            before = self.hardware.ringing_out
            settle()
            if self.hardware.ringing_out != before:
                self.feeds.append((self.now_us(), self.hardware.ringing_out))

        self.hardware._set_feed = watched

    def now_us(self) -> int:
        return int(self.serial.world.kernel.now_us)

    def go_on(self, us: int, talks: bool) -> None:
        """Let time pass. talks: the host goes on with its part as long as it can."""
        until_us = self.now_us() + us
        while talks and self.now_us() < until_us:
            try:
                for item in self.client.poll(until_us - self.now_us()):
                    if isinstance(item, m.Event) and item.kind == m.EV_GUARD and item.value & 255 == m.G_TRIPPED:
                        self.trip = Told(None, item.value >> 8, self.now_us())
            except DemoError:
                talks = False
        if self.now_us() < until_us:
            self.serial.world.advance(until_us)

    def run(self, fault: str, cover: bool, chance: Random, within_us: int = 0) -> Told:
        """Make the fault in this copy of the world, some time within_us; return what came of it."""
        if within_us:
            self.go_on(chance.randrange(within_us), True)
        talks = fault not in ("host-killed", "cable-cut")
        if not self.hardware.ringing_fed:
            raise RuntimeError("ringing was not on")
        began_us = self.now_us()
        self.hardware.break_part(fault)
        if cover:
            self.go_on(chance.randrange(1, 500_000), talks)
            began_us = self.now_us()
            already = not self.hardware.ringing_out
            self.hardware.open_cover()
            self.go_on(COVER_US, talks)
            if already:
                return Told(0, self.trip.reason)
        else:
            self.go_on(LONG_WATCH_US if fault in LONG else WATCH_US, talks)
        if self.hardware.ringing_out:
            return Told(None, self.trip.reason)
        off_us = max((at for at, fed in self.feeds if not fed), default=began_us)
        return Told(max(0, off_us - began_us), self.trip.reason)


def in_copies(world: Live, many: int, run: Callable[[Live, int], Told], over_us: int = 0) -> Iterator[Told]:
    """Run in `many` copies of this process, one after the other; the world itself goes on by over_us meanwhile."""
    chance = Random(f"{many}")
    for nth in range(many):
        if over_us:
            world.go_on(chance.randrange(2 * over_us // many), True)
        read_end, write_end = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                came: Told | str = run(world, nth)
            except BaseException:
                came = traceback.format_exc()
            os.write(write_end, pickle.dumps(came))
            os._exit(0)
        os.close(write_end)
        with os.fdopen(read_end, "rb") as pipe:
            data = pipe.read()
        os.waitpid(child, 0)
        came = pickle.loads(data) if data else "it was ended"
        if isinstance(came, str):
            raise RuntimeError(f"run {nth} broke down: {came}")
        yield came


def stated_us(fault: str, cover: bool) -> int | None:
    """Return within what time the failure table says that ringing is off; None: it does not say that it ends."""
    guard = load_guard(WIRING / "guard.yaml")
    ways = ways_off(guard)
    if cover:
        return ways[COVER_PATH].total_us
    table = parse_failures((WIRING / "failures.yaml").read_text(encoding="utf-8"), "failures.yaml", guard).value
    row = next(row for row in table.failures if fault in row.bench)
    case = next(case for case in row.cases if case.during in ("ringing on", "any time"))
    return ways[case.silence].total_us if case.silence in ways else None


def measure(fault: str, cover: bool, runs: int) -> Row:
    """All runs of one fault, one way."""
    add_url_package("demo_ctl.bench")
    told: list[Told] = []
    worlds = min(WORLDS, runs)
    for nth in range(worlds):
        world = Live(seed=nth)
        share = runs // worlds + (nth < runs % worlds)

        def run(world: Live, n: int, seed: int = nth) -> Told:
            return world.run(fault, cover, Random(f"{fault} {cover} {seed} {n}"))

        told += in_copies(world, share, run, CYCLE_US)
        world.port.close()
    times = sorted(one.us for one in told if one.us is not None)
    trips = Counter(m.R_NAMES[one.reason] or "none told" for one in told)
    return Row(
        fault,
        cover,
        len(told),
        len(times),
        times[-1] if times else None,
        times[len(times) // 2] if times else None,
        stated_us(fault, cover),
        dict(trips),
    )


def _say(row: Row) -> str:
    worst = "rings on" if row.worst_us is None else f"{row.worst_us / 1000:9.1f}"
    median = "" if row.median_us is None else f"{row.median_us / 1000:9.1f}"
    some = "" if row.dead in (0, row.runs) else f" (dead in {row.dead})"
    stated = "" if row.stated_us is None else f"{row.stated_us / 1000:9.1f}"
    why = ", ".join(f"{name} {count}" for name, count in sorted(row.trips.items(), key=lambda one: -one[1]))
    then = "cover" if row.cover else "alone"
    return f"| {row.fault} | {then} | {row.runs} | {median} | {worst}{some} | {stated} | {why} |"


def main() -> int:
    """Measure and print; 1 if ringing ever went on with a cover open, or for longer than is stated."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=1000)
    parser.add_argument("--fault", action="append", choices=sorted(HARDWARE_FAULTS))
    parser.add_argument("--json", action="store_true")
    args = parser.parse_args()
    asked = [(fault, cover) for fault in (args.fault or HARDWARE_FAULTS) for cover in (False, True)]
    rows = []
    if not args.json:
        print("| fault | then | runs | median, ms | worst, ms | stated, ms | guard's trips |")
        print("|---|---|---|---|---|---|---|")
    with ProcessPoolExecutor(os.cpu_count()) as pool:
        for row in pool.map(measure, *zip(*asked, strict=True), [args.runs] * len(asked)):
            rows.append(row)
            if not args.json:
                print(_say(row), flush=True)
    if args.json:
        print(json.dumps([asdict(row) for row in rows], indent=1))
    wrong = [f"{row.fault}: ringing went on with a cover open" for row in rows if row.cover and row.dead < row.runs]
    for row in rows:
        if row.stated_us is not None and (row.worst_us or 0) > row.stated_us:
            wrong.append(f"{row.fault}: {row.worst_us} us, stated are {row.stated_us} us")
        if row.stated_us is not None and row.dead < row.runs and not row.cover:
            wrong.append(f"{row.fault}: ringing went on, stated is an end")
    for line in wrong:
        print(line, file=sys.stderr)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
