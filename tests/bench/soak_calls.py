"""Many calls, each with a seed, a unit, a script and a pace drawn at random: on a sound unit no check may fail.

    python tests/bench/soak_calls.py [--calls 10000] [--jobs N] [--first-seed 0] [--unit FILE]...

The whole stack runs in every call: planning, protocol, firmware, unit, listening, measuring, judging. A call that does
not pass is printed at once with the command that places it again. Exit code 0: all passed; 1: some did not; 130:
stopped by Ctrl-C, after a summary of what was done until then.

Which call number N is depends on N and the first seed only, whatever the number of processes.
"""

from __future__ import annotations

import argparse
import os
import random
import resource
import signal
import sys
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, ThreadPoolExecutor, wait
from contextlib import closing
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache
from pathlib import Path
from urllib.parse import urlencode

from demo_ctl.link.client import Client
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.office.model import Unit
from demo_ctl.plan.build import build
from demo_ctl.plan.model import Plan
from demo_ctl.run.perform import perform
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.script.load import load_call
from demo_ctl.script.model import Call
from demo_ctl.terms.errors import DemoError
from demo_ctl.terms.located import Located
from demo_ctl.terms.outcome import Outcome

ROOT = Path(__file__).resolve().parents[2]
CALLS = tuple(sorted((ROOT / "configs/calls").glob("*.yaml")))
UNITS = tuple(sorted((ROOT / "configs/units").glob("*.yaml")))
#: Three twelfths to twenty-four: a quarter of the speed to twice it.
PACES = tuple(Fraction(n, 12) for n in range(3, 25))
CHUNK = 4
PROGRESS_S = 5.0
#: More calls than this that do not pass are counted, not told.
MOST_TOLD = 20


@dataclass(frozen=True)
class Drawn:
    """One call as chance made it."""

    call: Path
    unit: Path
    pace: Fraction
    seed: int

    def command(self) -> str:
        """Return what a person types to see it again."""
        call, unit = (os.path.relpath(path, ROOT) for path in (self.call, self.unit))
        return f"demo_ctl call {call} --unit {unit} --pace {self.pace} --seed {self.seed} --fast --port bench://"


@dataclass
class Tally:
    """What came of some calls."""

    calls: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    scripts: Counter[str] = field(default_factory=Counter)
    simulated_s: float = 0.0
    events: int = 0
    bad: list[str] = field(default_factory=list)

    def add(self, other: Tally) -> None:
        """Take another's in."""
        self.calls += other.calls
        self.outcomes += other.outcomes
        self.scripts += other.scripts
        self.simulated_s += other.simulated_s
        self.events += other.events
        self.bad += other.bad


def draw(number: int, first_seed: int, units: tuple[Path, ...]) -> Drawn:
    """Return call `number` of the soak that begins at `first_seed`."""
    chance = random.Random(f"soak {first_seed} {number}")
    return Drawn(chance.choice(CALLS), chance.choice(units), chance.choice(PACES), chance.randrange(1 << 32))


@cache
def _unit(path: Path) -> Located[Unit]:
    return load_unit(path)


@cache
def _call(path: Path) -> Located[Call]:
    return load_call(path)


@cache
def _plan(call: Path, unit: Path, pace: Fraction) -> Plan:
    return build(_call(call), _unit(unit), pace)


def place(drawn: Drawn) -> Tally:
    """Place one call."""
    tally = Tally(calls=1, scripts=Counter([drawn.call.stem]))
    try:
        plan = _plan(drawn.call, drawn.unit, drawn.pace)
        options = [("unit", str(drawn.unit)), ("seed", str(drawn.seed))]
        options += [
            ("busy", f"{busy.stage}/{busy.level}/{','.join(map(str, busy.positions))}")
            for busy in plan.busy_trunks
            if busy.met_by == "person"
        ]
        with closing(Client(open_port("bench://?" + urlencode(options, safe="/:")))) as client:
            result = perform(plan, client, trunks_busied=lambda _: True, ready=bench_ready)
            tally.simulated_s = client.port.clock_us() / 1e6
    except DemoError as error:
        tally.bad.append(f"{drawn.command()}\n    {error}")
        return tally
    tally.events = len(result.observation.events)
    verdicts = result.judgement.verdicts if result.judgement else ()
    tally.outcomes = Counter(verdict.outcome.value for verdict in verdicts)
    complaints = [f"{v.outcome.value}: {v.title}: {v.say}" for v in verdicts if v.outcome is not Outcome.PASS]
    if result.exit_code or not verdicts or not result.released:
        said = "\n    ".join([f"exit code {result.exit_code}: {result.reason}", *complaints])
        tally.bad.append(f"{drawn.command()}\n    {said}")
    return tally


def place_some(numbers: range, first_seed: int, units: tuple[Path, ...]) -> Tally:
    """Place some calls one after the other (in a process of the pool)."""

    def work() -> Tally:
        tally = Tally()
        for number in numbers:
            tally.add(place(draw(number, first_seed, units)))
        return tally

    # In a thread of its own, where a call takes no notice of Ctrl-C: chunks that have begun are finished.
    with ThreadPoolExecutor(1) as aside:
        return aside.submit(work).result()


def _begin() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that started this one
    add_url_package("demo_ctl.bench")


class Soak:
    """All of it: hands out chunks, keeps the tally, says how far it is."""

    def __init__(self, calls: int, jobs: int, first_seed: int, units: tuple[Path, ...]) -> None:
        self.calls = calls
        self.jobs = jobs
        self.first_seed = first_seed
        self.units = units
        self.tally = Tally()
        self._began_s = time.monotonic()
        self._told_s = self._began_s

    @property
    def wall_s(self) -> float:
        """Seconds since the start."""
        return time.monotonic() - self._began_s

    def run(self) -> bool:
        """Place them all; return whether it came to the end (Ctrl-C: it did not)."""
        chunks = iter([range(first, min(first + CHUNK, self.calls)) for first in range(0, self.calls, CHUNK)])
        pool = ProcessPoolExecutor(self.jobs, initializer=_begin)
        running: set[Future[Tally]] = set()
        try:
            self._fill(pool, chunks, running)
            while running:
                done, running = wait(running, timeout=PROGRESS_S, return_when=FIRST_COMPLETED)
                for future in done:
                    self._take(future.result())
                self._progress()
                self._fill(pool, chunks, running)
            return True
        except KeyboardInterrupt:
            print("\nStopping: the calls that run are finished first.", file=sys.stderr, flush=True)
            for future in running:
                future.cancel()
            for future in running:
                if not future.cancelled():
                    self._take(future.result())
            return False
        finally:
            pool.shutdown(wait=True, cancel_futures=True)

    def _fill(self, pool: ProcessPoolExecutor, chunks: Iterator[range], running: set[Future[Tally]]) -> None:
        while len(running) < 2 * self.jobs and (numbers := next(chunks, None)) is not None:
            running.add(pool.submit(place_some, numbers, self.first_seed, self.units))

    def _take(self, tally: Tally) -> None:
        self.tally.add(tally)
        told = len(self.tally.bad) - len(tally.bad)
        for bad in tally.bad[: max(0, MOST_TOLD - told)]:
            print(f"NOT PASSED  {bad}", flush=True)

    def _progress(self) -> None:
        now_s = time.monotonic()
        if now_s - self._told_s < PROGRESS_S or not self.tally.calls:
            return
        self._told_s = now_s
        left_s = (self.calls - self.tally.calls) * self.wall_s / self.tally.calls
        print(
            f"{self.tally.calls} of {self.calls} calls, {len(self.tally.bad)} not passed, "
            f"{self.tally.simulated_s / self.wall_s:.0f} simulated s per wall s, {left_s / 60:.1f} min left",
            file=sys.stderr,
            flush=True,
        )

    def summary(self) -> str:
        """Return what came of it, for people."""
        tally, wall_s = self.tally, self.wall_s
        memory_kB = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_CHILDREN, resource.RUSAGE_SELF))
        checks = ", ".join(f"{count} {outcome}" for outcome, count in tally.outcomes.most_common())
        scripts = ", ".join(f"{name} {count}" for name, count in sorted(tally.scripts.items()))
        return "\n".join(
            [
                f"{tally.calls} calls of {self.calls}, first seed {self.first_seed}: {len(tally.bad)} not passed",
                f"  checks: {checks or 'none'}",
                f"  scripts: {scripts or 'none'}",
                f"  units: {', '.join(path.stem for path in self.units)}; paces: {PACES[0]} to {PACES[-1]}",
                f"  {tally.events} events; {tally.simulated_s / 3600:.1f} simulated hours in {wall_s / 60:.1f} min, "
                f"{tally.simulated_s / wall_s:.0f} simulated s per wall s with --jobs {self.jobs}",
                f"  largest process: {memory_kB / 1024:.0f} MiB",
            ]
        )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--calls", type=int, default=10_000, metavar="N")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, metavar="N", help="processes (default: cores)")
    parser.add_argument("--first-seed", type=int, default=0, metavar="N", help="another one is another set of calls")
    parser.add_argument("--unit", type=Path, action="append", metavar="FILE", help="default: both sample units")
    args = parser.parse_args()
    soak = Soak(args.calls, args.jobs, args.first_seed, tuple(path.resolve() for path in args.unit or UNITS))
    print(f"{args.calls} calls in {args.jobs} processes; Ctrl-C ends it in order", file=sys.stderr, flush=True)
    whole = soak.run()
    print(soak.summary())
    if not whole:
        return 130
    return 1 if soak.tally.bad else 0


if __name__ == "__main__":
    sys.exit(main())
