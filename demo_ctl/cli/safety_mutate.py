"""`demo_ctl safety mutate`."""

from __future__ import annotations

import argparse
from contextlib import suppress
from typing import TYPE_CHECKING

from demo_ctl.terms.errors import InputError
from demo_ctl.terms.outcome import Exit

if TYPE_CHECKING:
    from demo_ctl.safety.mutate import Fate


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell what the command takes."""
    parser.add_argument(
        "--count",
        type=int,
        default=0,
        metavar="N",
        help="only N mistakes of each module, by the seed (0: all)",
    )
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="which ones (with --count)")
    parser.add_argument(
        "--module",
        action="append",
        metavar="NAME",
        help="only this module: interlock, budget, bus, permit or petition; may be given again",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output")


def run(args: argparse.Namespace) -> int:
    """Mutate, print what became of each; 0: all are caught or proven equivalent; 1: not; 130: stopped."""
    from demo_ctl.cli.headway import headway
    from demo_ctl.cli.json_out import print_json
    from demo_ctl.safety.mutate import CAUGHT, EQUIVALENT, MODULES, SURVIVED, all_jobs, mutate

    names = args.module or list(MODULES)
    for name in names:
        if name not in MODULES:
            raise InputError(f"--module is one of {', '.join(MODULES)}, not {name}")
    if args.count < 0:
        raise InputError("--count is a whole number from 1 (0: all)")
    jobs = all_jobs(names, args.count, args.seed)
    fates: list[Fate] = []
    with suppress(KeyboardInterrupt), headway("Mistakes made", len(jobs)) as step:
        for fate in mutate(jobs):
            fates.append(fate)
            step(f"SURVIVED: {_where(fate)}" if not args.json and fate.fate == SURVIVED else "")
    whole = len(fates) == len(jobs)
    survived = any(fate.fate == SURVIVED for fate in fates)
    code = int(Exit.CHECK_FAILED if survived else Exit.OK if whole else Exit.INTERRUPTED)
    if args.json:
        rows = [_row(fate) for fate in fates]
        print_json({"fine": whole and not survived, "whole": whole, "seed": args.seed, "mutants": rows})
        return code
    _print_caught([fate for fate in fates if fate.fate == CAUGHT])
    _print_equivalent([fate for fate in fates if fate.fate == EQUIVALENT])
    for name in names:
        mine = [fate for fate in fates if fate.module == name]
        print(f"{name}: {_counted(mine)}")
    caught = sum(fate.fate == CAUGHT for fate in fates)
    alike = sum(fate.fate == EQUIVALENT for fate in fates)
    print(f"Caught {caught}/{len(fates) - alike} of those that make a difference{_by_what(fates)}.")
    if not whole:
        print(f"STOPPED after {len(fates)} of {len(jobs)} mistakes: of the others this says nothing.")
    return code


def _counted(fates: list[Fate]) -> str:
    from demo_ctl.safety.mutate import CAUGHT, EQUIVALENT

    caught = sum(fate.fate == CAUGHT for fate in fates)
    alike = sum(fate.fate == EQUIVALENT for fate in fates)
    left = len(fates) - caught - alike
    return f"{caught} caught of {len(fates)}, {alike} proven equivalent, {left} survived"


def _by_what(fates: list[Fate]) -> str:
    from collections import Counter

    from demo_ctl.safety.mutate import CAUGHT, by_what

    counts = Counter(by_what(fate) for fate in fates if fate.fate == CAUGHT)
    said = {"laws": "by the laws", "real limits": "by the real limits", "breaks down": "by breaking down"}
    words = ", ".join(f"{count} {said.get(what, what)}" for what, count in counts.most_common())
    return f": {words}" if words else ""


def caught_by(fates: list[Fate]) -> dict[str, dict[str, int]]:
    """Return for each module how many of its caught mistakes each law caught, the most first.

    What broke down or came to no end is counted as one, whatever it raised; so are the real limits, by what they check.
    """
    from collections import Counter

    from demo_ctl.safety.mutate import BREAKS

    counts: dict[str, Counter[str]] = {}
    for fate in fates:
        law = BREAKS if fate.by.startswith(BREAKS) else fate.by
        counts.setdefault(fate.module, Counter())[law] += 1
    return {module: dict(found.most_common()) for module, found in counts.items()}


def _print_caught(fates: list[Fate]) -> None:
    from rich.table import Table

    from demo_ctl.cli.screen import console

    if not fates:
        return
    table = Table(title="Which law caught how many mistakes, the first that did", title_justify="left")
    table.add_column("Module", no_wrap=True)
    table.add_column("Law")
    table.add_column("Caught", justify="right", no_wrap=True)
    for module, laws in caught_by(fates).items():
        for number, (law, count) in enumerate(laws.items()):
            table.add_row("" if number else module, law, f"{count}", end_section=number == len(laws) - 1)
    console().print(table)


def _where(fate: Fate) -> str:
    return f"{fate.module}.py, line {fate.mutant.line}, {fate.mutant.where!r}: {fate.mutant.says}"


def _row(fate: Fate) -> dict[str, object]:
    return {
        "module": fate.module,
        "line": fate.mutant.line,
        "statement": fate.mutant.where,
        "change": fate.mutant.says,
        "fate": fate.fate,
        "by": fate.by,
        "words": fate.words,
    }


def _print_equivalent(fates: list[Fate]) -> None:
    from rich.table import Table

    from demo_ctl.cli.screen import console

    if not fates:
        return
    table = Table(title="Changes that are no mistakes, with the proof", title_justify="left", show_lines=True)
    table.add_column("Change", ratio=2)
    table.add_column("Why it makes no difference", ratio=3)
    for fate in fates:
        words = f"{fate.words} " if fate.words else ""
        table.add_row(_where(fate), f"{words}Computed: {fate.by}.")
    console().print(table)
