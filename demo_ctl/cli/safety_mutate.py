"""`demo_ctl safety mutate`."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from demo_ctl.terms.errors import InputError
from demo_ctl.terms.outcome import Exit

if TYPE_CHECKING:
    from demo_ctl.safety.mutate import Fate


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell what the command takes."""
    parser.add_argument("--count", type=int, default=0, metavar="N", help="only N mistakes of each module, by the seed")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="which ones (with --count)")
    parser.add_argument(
        "--module", action="append", metavar="NAME", help="only this module: interlock, budget, bus or permit"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output")


def run(args: argparse.Namespace) -> int:
    """Mutate, print what became of each; 0 if every mutant was caught or is proven equivalent, else 1."""
    from demo_ctl.cli.json_out import print_json
    from demo_ctl.safety.mutate import CAUGHT, EQUIVALENT, MODULES, SURVIVED, mutate

    names = args.module or list(MODULES)
    for name in names:
        if name not in MODULES:
            raise InputError(f"--module is one of {', '.join(MODULES)}, not {name}")
    if args.count < 0:
        raise InputError("--count is a whole number from 1 (0: all)")
    fates = []
    for fate in mutate(names, args.count, args.seed):
        fates.append(fate)
        if not args.json and fate.fate == SURVIVED:
            print(f"SURVIVED: {_where(fate)}", flush=True)
    fine = not any(fate.fate == SURVIVED for fate in fates)
    if args.json:
        print_json({"fine": fine, "seed": args.seed, "mutants": [_row(fate) for fate in fates]})
        return int(Exit.OK if fine else Exit.CHECK_FAILED)
    _print_equivalent([fate for fate in fates if fate.fate == EQUIVALENT])
    for name in names:
        mine = [fate for fate in fates if fate.module == name]
        caught = sum(fate.fate == CAUGHT for fate in mine)
        alike = sum(fate.fate == EQUIVALENT for fate in mine)
        left = len(mine) - caught - alike
        print(f"{name}: {caught} caught of {len(mine)}, {alike} proven equivalent, {left} survived")
    caught = sum(fate.fate == CAUGHT for fate in fates)
    alike = sum(fate.fate == EQUIVALENT for fate in fates)
    print(f"Caught {caught}/{len(fates) - alike} of those that make a difference: {_by_what(fates)}.")
    return int(Exit.OK if fine else Exit.CHECK_FAILED)


def _by_what(fates: list[Fate]) -> str:
    from collections import Counter

    from demo_ctl.safety.mutate import CAUGHT, by_what

    counts = Counter(by_what(fate) for fate in fates if fate.fate == CAUGHT)
    said = {"laws": "by the laws", "real limits": "by the real limits", "breaks down": "by breaking down"}
    return ", ".join(f"{count} {said.get(what, what)}" for what, count in counts.most_common())


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
