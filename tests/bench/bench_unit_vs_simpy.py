"""Events per second of the bench's unit beside the same train in SimPy (`simpy_train.py`), in the same run.

    python tests/bench/bench_unit_vs_simpy.py [--calls 20] [--at-once 10] [--repeats 7]

Both play the same seven-digit calls on the same unit, with every relay adjusted to its typical time and nothing left to
chance: line relay, finder, five selectors, connector, ringing, trip, reversal, release. First it is checked that both
give the same changes of every relay, magnet and wiper at the same microseconds, or the comparison would mean nothing.
An event is one of those changes, so both have the same number of them. Only running is timed, by this process's own
work, the two in turns. Most of the time goes into the physics of windings, which both share; so at the end the bare
kernels are timed too, with events that each call the next, and one in two called off, as relays do.

Prints, and exits with 1 if the two models do not agree; asserts nothing about time.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from unittest import mock

import simpy

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # run as a file, the other files here are not found

from demo_ctl.bench import frame, relays
from demo_ctl.bench.kernel import Handle, Kernel
from demo_ctl.bench.unit import BenchUnit
from demo_ctl.office.model import Spread, Unit
from tests.bench.bench_scaling import big_unit, dialled
from tests.bench.simpy_train import Process, Yard

MS, S = 1000, 1_000_000
#: What a telephone does: (at_us, line, closed).
Act = tuple[int, str, bool]
#: What happened: (at_us, what, value).
Row = tuple[int, str, int]


def fixed(unit: Unit) -> Unit:
    """Return the unit with every relay at its typical time, and contacts that do not bounce."""
    times = {
        name: value.model_copy(update={"least_us": value.typical_us, "most_us": value.typical_us})
        for name, value in unit.adjustment
        if isinstance(value, Spread)
    }
    adjustment = unit.adjustment.model_copy(update=times)
    coils = unit.coils.model_copy(update={"bounce_us": 0})
    return unit.model_copy(update={"adjustment": adjustment, "coils": coils})


@contextmanager
def no_chance() -> Iterator[None]:
    """Take every relay's own differences away, while units are made and while they run."""
    with (
        mock.patch.object(relays, "_WANDER", 0.0),
        mock.patch.object(frame, "_OPERATE_SPREAD", 0.0),
        mock.patch.object(frame, "_SETTING", 0.0),
    ):
        yield


def acts(unit: Unit, calls: int, at_once: int) -> list[list[Act]]:
    """Return what each of `at_once` callers and called people do: `calls` calls, one after the other."""
    found = []
    for k in range(at_once):
        caller, called = f"caller {k}", f"called {k}"
        mine: list[Act] = []
        theirs: list[Act] = []
        t_us = k * 37 * MS
        for _ in range(calls):
            mine.append((t_us, caller, True))
            t_us += 6 * S
            for count in dialled(unit, called):
                for _ in range(count):
                    mine += [(t_us, caller, False), (t_us + 60 * MS, caller, True)]
                    t_us += 100 * MS
                t_us += 900 * MS
            t_us += 9 * S
            theirs += [(t_us, called, True), (t_us + 5 * S, called, False)]
            mine.append((t_us + 7 * S, caller, False))
            t_us += 10 * S
        found += [mine, theirs]
    return found


def ready_bench(unit: Unit, people: list[list[Act]]) -> tuple[Kernel, BenchUnit]:
    kernel = Kernel()
    bench = BenchUnit(kernel, unit, seed=1)
    bench.set_ringing_feed(True)

    def act(person: list[Act], index: int) -> None:
        _, line, closed = person[index]
        bench.set_line_loop(line, closed)
        if index + 1 < len(person):
            kernel.at(person[index + 1][0], act, person, index + 1)

    for person in people:
        kernel.at(person[0][0], act, person, 0)
    return kernel, bench


def ready_simpy(unit: Unit, people: list[list[Act]], bench: BenchUnit) -> Yard:
    """The generator and its interrupter stand where the bench's stand."""
    some_line = next(iter(bench._lines.values()))
    yard = Yard(unit, bench._frame.interrupter, some_line._wave, relays._WANDER)

    def person_acts(person: list[Act]) -> Process:
        for at_us, line, closed in person:
            yield yard.env.timeout(at_us - yard.env.now)
            yard.lines[line].set_loop(closed)

    for person in people:
        yard.env.process(person_acts(person))
    return yard


def compare(unit: Unit, people: list[list[Act]]) -> tuple[list[Row], list[Row]]:
    """Return what happened in both, in order of time and name."""
    end_us = max(person[-1][0] for person in people) + 5 * S
    kernel, bench = ready_bench(unit, people)
    yard = ready_simpy(unit, people, bench)
    kernel.run_to(end_us)
    yard.env.run(until=end_us)
    ours: list[Row] = sorted((row.at_us, row.what, row.value) for row in bench.truth)
    theirs: list[Row] = sorted(yard.rows)
    # What each line heard is compared too, as far back as is kept.
    for name, line in bench._lines.items():
        most = min(len(line.history), len(yard.lines[name].heard), 150)
        ours += [(at_us, f"{name} {tone}", flowing + 2 * rings) for at_us, tone, flowing, rings in line.history[-most:]]
        heard = yard.lines[name].heard[-most:]
        theirs += [(at_us, f"{name} {tone}", flowing + 2 * rings) for at_us, tone, flowing, rings in heard]
    return ours, theirs


def speeds(unit: Unit, people: list[list[Act]]) -> tuple[float, float, int]:
    """Return events a second of ours and of SimPy's, one run each, and how many events."""
    end_us = max(person[-1][0] for person in people) + 5 * S
    kernel, bench = ready_bench(unit, people)
    yard = ready_simpy(unit, people, bench)
    began = time.process_time()
    kernel.run_to(end_us)
    between = time.process_time()
    yard.env.run(until=end_us)
    ended = time.process_time()
    return len(bench.truth) / (between - began), len(yard.rows) / (ended - between), len(bench.truth)


def bare_kernels(events: int) -> tuple[float, float]:
    """Return events a second of the two kernels alone: a hundred chains, each event also calls one off."""
    kernel = Kernel()
    chains = 100

    def ours(left: int, spare: Handle) -> None:
        kernel.cancel(spare)
        if left:
            kernel.at(kernel.now_us + 100, ours, left - 1, kernel.at(kernel.now_us + 150, never))

    def never(*_: object) -> None:
        raise AssertionError("this was called off")

    for chain in range(chains):
        kernel.at(chain, ours, events // chains, kernel.at(chain + 50, never))
    env = simpy.Environment()
    off: set[simpy.Event] = set()

    def spare(event: simpy.Event) -> None:
        off.remove(event)  # SimPy has no calling off: it comes all the same

    def theirs(left: int, timeout: simpy.Timeout) -> None:
        off.add(timeout)
        if left:
            following, extra = env.timeout(100), env.timeout(150)
            extra.callbacks.append(spare)
            following.callbacks.append(lambda _: theirs(left - 1, extra))

    def begin(chain: int) -> None:
        first, extra = env.timeout(chain), env.timeout(chain + 50)
        extra.callbacks.append(spare)
        first.callbacks.append(lambda _: theirs(events // chains, extra))

    for chain in range(chains):
        begin(chain)
    began = time.process_time()
    kernel.run_to(1 << 60)
    between = time.process_time()
    env.run()
    ended = time.process_time()
    assert not off
    return events / (between - began), events / (ended - between)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--calls", type=int, default=20, metavar="N", help="one after the other")
    parser.add_argument("--at-once", type=int, default=10, metavar="N", help="callers in the second comparison")
    parser.add_argument("--repeats", type=int, default=7, metavar="N")
    args = parser.parse_args()
    with no_chance():
        for calls, at_once in ((args.calls, 1), (max(1, args.calls // args.at_once), args.at_once)):
            unit = fixed(big_unit(at_once))
            people = acts(unit, calls, at_once)
            ours, theirs = compare(unit, people)
            if ours != theirs:
                unlike = sorted(set(ours) ^ set(theirs))[:10]
                print(f"the two models do not agree: {len(ours)} and {len(theirs)} events, first {unlike}")
                return 1
            rates = [speeds(unit, people) for _ in range(args.repeats)]
            ours_s, theirs_s, events = (statistics.median(column) for column in zip(*rates, strict=True))
            ratio = statistics.median(ours / simpys for ours, simpys, _ in rates)
            print(
                f"{calls} calls by each of {at_once}: {events} events, the same in both to the microsecond; "
                f"ours {ours_s:.0f} a second, SimPy {theirs_s:.0f} a second, ratio {ratio:.2f}"
            )
    pairs = [bare_kernels(100_000) for _ in range(args.repeats)]
    ours_s, theirs_s = (statistics.median(column) for column in zip(*pairs, strict=True))
    ratio = statistics.median(ours / simpys for ours, simpys in pairs)
    print(f"bare kernels: ours {ours_s:.0f} events a second, SimPy {theirs_s:.0f}, ratio {ratio:.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
