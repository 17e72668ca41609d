"""`demo_ctl safety limits`: the limits in force, with their digest; make one tighter."""

from __future__ import annotations

import argparse
import sys

from demo_ctl.cli.board_port import BENCH, board
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
        help="make a limit smaller until the board starts again, such as 'burst=4 s' (may be repeated)",
    )


def wanted(text: str) -> tuple[int, int]:
    """Read NAME=VALUE: which limit (L_...), and its value."""
    from demo_ctl.safety.limit_words import plain_name, value_of, which

    name, _, value = text.partition("=")
    name = " ".join(name.replace("_", " ").split())
    index = which(name)
    if index is None or index >= m.L_PAUSE_MS:
        known = "is no limit of the board" if index is None else "is a constant of the board"
        may = "; ".join(plain_name(each) for each in m.LIMIT_NAMES[: m.L_PAUSE_MS])
        raise InputError(f"--tighten: '{name[:40]}' {known}", next_step=f"Those that can be tightened: {may}.")
    try:
        return index, value_of(index, value, bare=name == m.LIMIT_NAMES[index])
    except ValueError:
        unit = m.LIMIT_NAMES[index].rpartition(" ")[2]
        raise InputError(
            f"--tighten: expected a figure with its unit after '{name}=', found {value[:40]!r}",
            next_step=f"Such as '{plain_name(m.LIMIT_NAMES[index])}={'4 s' if unit == 'ms' else f'90 {unit}'}'.",
        ) from None


def run(args: argparse.Namespace) -> int:
    """Tighten what is asked for, and print what is in force then."""
    from demo_ctl.safety.limit_words import in_words, plain_name, says

    changes = [wanted(text) for text in args.tighten]
    with board(args.port, args.unit) as client:
        for which, value in changes:
            now = client.limits_in_force().value(which)
            if value > now:
                raise InputError(
                    f"--tighten: {plain_name(m.LIMIT_NAMES[which])} is {in_words(m.LIMIT_NAMES[which], now)} now, and "
                    f"{in_words(m.LIMIT_NAMES[which], value)} would be looser",
                    next_step="A host may tighten a limit, never loosen one. Resetting the board brings its own back.",
                )
            client.tighten(which, value)
        limits, state = client.limits_in_force(), client.safety().state
        if changes and not client.port.url.startswith(BENCH):
            print("What was tightened holds until the board starts again; nothing loosens it before.", file=sys.stderr)
        if changes and client.port.url.startswith(BENCH):
            print(
                "This bench ends with this command, and what was tightened is lost with it. Serve one to keep it: "
                "demo_ctl bench --pty.",
                file=sys.stderr,
            )
    if args.json:
        from demo_ctl.cli.json_out import print_json

        print_json({"format": FORMAT, **limits_json(limits)})
    else:
        from demo_ctl.cli.screen import console, reader_may_go
        from demo_ctl.report.safety import limits_parts
        from demo_ctl.safety.proof_store import digest_text

        rows = [
            (plain_name(name), in_words(name, value), says(name), index < m.L_PAUSE_MS)
            for index, (name, value) in enumerate(limits.values.items())
        ]
        with reader_may_go():
            for part in limits_parts(rows, digest_text(limits.digest)):
                console().print(part)
    return int(Exit.SAFETY_TRIP if state == m.G_TRIPPED else Exit.OK)
