"""Single mistakes in `board/guard.py`, which ties the interlock to pins and watches: does some test notice each?

    python tests/bench/mutate_guard.py [--count N] [--seed N] [--jobs N] [--only NUMBER]

The machine itself (`interlock.py` and its watches) is explored whole, and mutated by `demo_ctl safety mutate`. The
guard around it is not small enough for that; it is held by tests. This makes one change after the other, as that
command does, and runs the tests that have to do with the guard until one of them fails. A survivor is a place to look
at: a test that is missing, or a change that makes no difference.

Exit code 0 when every change was noticed, 1 when some were not.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import os
import signal
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from importlib.util import module_from_spec, spec_from_loader
from multiprocessing import get_context
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

import pytest  # noqa: E402

from demo_ctl.safety.mutants import Mutant, changed, mutants, some  # noqa: E402

SOURCE = ROOT / "demo_ctl/board/guard.py"
NAME = "demo_ctl.board.guard"
#: The quickest first.
TESTS = (
    "tests/board/test_board_guard_rules.py",
    "tests/board/test_board_lamps.py",
    "tests/safety/test_night.py",
    "tests/bench_port/test_board_faults.py",
    "tests/safety/test_proving.py",
    "tests/board/test_board_attack.py",
    "tests/board/test_board_safety.py",
    "tests/safety/test_failure_table.py",
    "tests/bench/test_failures_quick.py",
)
#: One that takes longer goes round in a circle; unchanged, all of them take far less.
LONGEST_S = 300


def put(number: int) -> None:
    """Let this process have the changed guard, before anything imports the shipped one."""
    import demo_ctl.board

    assert NAME not in sys.modules
    spec = spec_from_loader(NAME, loader=None, origin=str(SOURCE))
    assert spec is not None
    module = module_from_spec(spec)
    module.__file__ = str(SOURCE)
    sys.modules[NAME] = module
    tree = changed(SOURCE.read_text(encoding="utf-8"), number) if number >= 0 else SOURCE.read_text(encoding="utf-8")
    exec(compile(tree, str(SOURCE), "exec"), module.__dict__)
    demo_ctl.board.guard = module  # type: ignore[attr-defined]


def tested(number: int) -> int:
    """In a process of its own: put the change, run the tests until one fails; return what pytest says."""
    signal.alarm(LONGEST_S)
    sink = io.StringIO()
    with contextlib.redirect_stdout(sink), contextlib.redirect_stderr(sink):
        try:
            put(number)
        except Exception:  # it does not even load
            return 1
        options = ["-x", "-q", "-p", "no:cacheprovider", "-p", "no:xdist", "--no-header", "-m", "not realtime"]
        return int(pytest.main([*options, *TESTS]))


def fate(number: int) -> int:
    """Fork for one change; return 0 when no test noticed it."""
    child = os.fork()
    if child == 0:
        os.chdir(ROOT)
        os._exit(tested(number))
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def main() -> int:
    """Make them all, or some, and tell."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=0, metavar="N", help="so many, drawn at random (0: all)")
    parser.add_argument("--seed", type=int, default=1, metavar="N")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, metavar="N")
    parser.add_argument("--only", type=int, action="append", metavar="NUMBER", help="these alone (may be repeated)")
    args = parser.parse_args()
    every = mutants(SOURCE.read_text(encoding="utf-8"))
    chosen = [every[number] for number in args.only] if args.only else list(every)
    if args.count and not args.only:
        chosen = list(some(every, args.count, seed=args.seed))
    if fate(-1) != 0:
        print("the shipped guard does not pass its own tests: nothing can be said")
        return 1
    began, done, survived = time.monotonic(), 0, list[Mutant]()
    with ProcessPoolExecutor(args.jobs, mp_context=get_context("fork")) as pool:
        for mutant, code in zip(chosen, pool.map(fate, [each.number for each in chosen]), strict=True):
            done += 1
            if code == 0:
                survived.append(mutant)
                print(f"SURVIVED {mutant.number}: line {mutant.line}: {mutant.where}: {mutant.says}", flush=True)
            if done % 25 == 0:
                print(f"{done} of {len(chosen)}, {time.monotonic() - began:.0f} s", file=sys.stderr, flush=True)
    print(f"{len(chosen) - len(survived)} of {len(chosen)} noticed ({len(every)} changes in all)")
    return 1 if survived else 0


if __name__ == "__main__":
    sys.exit(main())
