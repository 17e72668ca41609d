"""`demo_ctl safety limits`: the limits in force, with their digest; make one tighter."""

from __future__ import annotations

import argparse

from demo_ctl.cli.board_port import board
from demo_ctl.cli.safety_show import board_arguments, limits_json
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m

FORMAT = "demo_ctl limits 1"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell what the command takes."""
    board_arguments(parser)
    parser.add_argument(
        "--tighten",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="make a limit smaller until the board starts again, such as 'window ms=30000' (may be repeated)",
    )


def wanted(text: str) -> tuple[int, int]:
    """Read NAME=VALUE: which limit (L_...), and its value."""
    name, equals, value = text.partition("=")
    name = " ".join(name.replace("_", " ").split())
    may = m.LIMIT_NAMES[: m.L_PAUSE_MS]
    if name not in may:
        known = "is a constant of the board" if name in m.LIMIT_NAMES else "is no limit of the board"
        raise InputError(
            f"--tighten: '{name[:40]}' {known}", next_step=f"Those that can be tightened: {', '.join(may)}."
        )
    if not equals or not (value.strip().isascii() and value.strip().isdigit()) or len(value) > 10:
        raise InputError(
            f"--tighten: expected a whole number after '{name}=', found {value[:40]!r}",
            next_step=f"The name's last word is its unit: '{name}=1000'.",
        )
    number = int(value)
    if number > 0xFFFFFFFF:
        raise InputError(f"--tighten: {number} is larger than any limit")
    return m.LIMIT_NAMES.index(name), number


def run(args: argparse.Namespace) -> int:
    """Tighten what is asked for, and print what is in force then."""
    changes = [wanted(text) for text in args.tighten]
    with board(args.port, args.unit) as client:
        for which, value in changes:
            now = client.limits_in_force().value(which)
            if value > now:
                raise InputError(
                    f"--tighten: {m.LIMIT_NAMES[which]} is {now} now, and {value} would be looser",
                    next_step="A host may tighten a limit, never loosen one. Resetting the board brings its own back.",
                )
            client.tighten(which, value)
        limits, state = client.limits_in_force(), client.safety().state
    if args.json:
        from demo_ctl.cli.json_out import print_json

        print_json({"format": FORMAT, **limits_json(limits)})
    else:
        from demo_ctl.cli.screen import console, reader_may_go
        from demo_ctl.report.safety import limits_parts
        from demo_ctl.safety.proof_store import digest_text

        rows = [(name, value, index < m.L_PAUSE_MS) for index, (name, value) in enumerate(limits.values.items())]
        with reader_may_go():
            for part in limits_parts(rows, digest_text(limits.digest)):
                console().print(part)
    return int(Exit.SAFETY_TRIP if state == m.G_TRIPPED else Exit.OK)
