"""`demo_ctl safety failures`: what can fail, and what happens then."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from demo_ctl.terms.outcome import Exit

if TYPE_CHECKING:
    from collections.abc import Mapping

    from demo_ctl.safety.failures import Failures
    from demo_ctl.safety.reaction import Path


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell the options."""
    parser.add_argument("--part", metavar="WORD", help="only parts and faults that have this word in their names")
    parser.add_argument("--markdown", action="store_true", help="print the page wiring/FAILURES.md")
    parser.add_argument("--table", metavar="FILE", help="the failure table (default: wiring/failures.yaml)")
    parser.add_argument("--guard", metavar="FILE", help="the guard's hardware (default: wiring/guard.yaml)")
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output")


def run(args: argparse.Namespace) -> int:
    """Print the table."""
    from demo_ctl.cli.json_out import print_json
    from demo_ctl.safety.failures import load_failures, markdown, ways_off
    from demo_ctl.safety.guard_data import load_guard
    from demo_ctl.terms.errors import InputError

    guard = load_guard(args.guard)
    ways = ways_off(guard)
    table = load_failures(guard, args.table).value
    if args.part is not None:
        word = args.part.lower()
        kept = tuple(one for one in table.failures if word in one.part.lower() or word in one.fault)
        if not kept:
            parts = ", ".join(sorted({one.part for one in table.failures}))
            raise InputError(f"no part and no fault has '{args.part}' in its name", next_step=f"Parts: {parts}.")
        table = table.model_copy(update={"failures": kept})
    if args.markdown:
        print(markdown(table, ways), end="")
    elif args.json:
        print_json(_data(table, ways))
    else:
        _print(table, ways)
    return int(Exit.OK)


def _data(table: Failures, ways: Mapping[str, Path]) -> dict[str, object]:
    return {
        "format": "demo_ctl safety failures 1",
        "failures": [
            {
                "fault": failure.fault,
                "part": failure.part,
                "wrong": failure.wrong,
                "bench": list(failure.bench),
                "not_simulated": failure.not_simulated,
                "ringing_with_cover_open": failure.ringing_with_cover_open,
                "cases": [
                    {
                        "while": case.during,
                        "happens": case.happens,
                        "by_wire": case.by_wire,
                        "silence": case.silence,
                        "silence_us": ways[case.silence].total_us if case.silence in ways else None,
                        "noticed": [
                            {"by": one.by, "within": one.within, "within_us": ways[one.within].total_us}
                            for one in case.noticed
                        ],
                        "proving": case.proving,
                        "else_noticed": case.else_noticed,
                        "person": case.person,
                    }
                    for case in failure.cases
                ],
            }
            for failure in table.failures
        ],
    }


def _print(table: Failures, ways: Mapping[str, Path]) -> None:
    from demo_ctl.cli.screen import console, reader_may_go
    from demo_ctl.report.safety import blocks
    from demo_ctl.safety.failures import shown

    rows, last = [], ""
    for one in shown(table, ways):
        first = one.fault != last
        last = one.fault
        says = (
            (one.during, one.happens),
            ("by wire", one.by_wire),
            ("silence", one.silence),
            ("noticed by", one.noticed),
            ("a person", one.person),
        )
        rows.append((f"{one.part}: {one.fault}" if first else "", one.wrong if first else "", says))
    with reader_may_go():
        screen = console()
        for part in blocks("What can fail, and what happens then", rows):
            screen.print(part)
        screen.print()
        # A table with one that does is refused when it is read.
        screen.print("No single fault of this table leaves ringing on with a cover open.")
