"""`demo_ctl safety budget`: how long every way to silence takes at the worst, and what it may take."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from demo_ctl.terms.outcome import Exit
from demo_ctl.terms.words import time_text

if TYPE_CHECKING:
    from demo_ctl.safety.reaction import Line


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell the options."""
    parser.add_argument("--guard", metavar="FILE", help="the guard's hardware (default: wiring/guard.yaml)")
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output")


def run(args: argparse.Namespace) -> int:
    """Print the budget. Exit code 1 when a path takes longer than it may."""
    from demo_ctl.safety.guard_data import load_guard
    from demo_ctl.safety.reaction import budget

    located = load_guard(args.guard)
    lines = budget(located)
    if args.json:
        from demo_ctl.cli.json_out import print_json

        print_json(
            {"format": "demo_ctl safety budget 1", "guard": located.value.name, "paths": [_row(line) for line in lines]}
        )
    else:
        _print(lines, located.value.name)
    return int(Exit.CHECK_FAILED if any(line.left_us < 0 for line in lines) else Exit.OK)


def _row(line: Line) -> dict[str, object]:
    from demo_ctl.wire.messages import R_NAMES

    path = line.path
    return {
        "name": path.name,
        "event": path.event,
        "ends": path.ends,
        "reasons": [{"code": reason, "name": R_NAMES[reason]} for reason in path.reasons],
        "parts": [{"name": part.name, "us": part.us, "source": part.source} for part in path.parts],
        "total_us": path.total_us,
        "limit_us": line.limit_us,
        "left_us": line.left_us,
        "because": line.because,
    }


def _print(lines: tuple[Line, ...], name: str) -> None:
    from demo_ctl.cli.screen import console, reader_may_go
    from demo_ctl.report.safety import blocks

    rows = [
        (
            line.path.name,
            f"{line.path.event}; ends with: {line.path.ends}",
            (
                ("takes", f"{time_text(line.path.total_us)}{'' if line.left_us >= 0 else ': TOO LONG'}"),
                ("that is", " + ".join(f"{part.name} {time_text(part.us)}" for part in line.path.parts)),
                ("may take", f"{time_text(line.limit_us)}: {line.because}"),
            ),
        )
        for line in lines
    ]
    over = [line.path.name for line in lines if line.left_us < 0]
    with reader_may_go():
        screen = console()
        for part in blocks(f"Reaction budget, worst case: {name}", rows):
            screen.print(part)
        screen.print()
        screen.print(f"OVER: {', '.join(over)}" if over else f"All {len(lines)} within their limits.", markup=False)
