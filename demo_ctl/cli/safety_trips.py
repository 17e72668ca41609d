"""`demo_ctl safety trips`: what the board remembers of its trips."""

from __future__ import annotations

import argparse

from demo_ctl.cli.board_port import BENCH, board
from demo_ctl.cli.safety_show import (
    board_arguments,
    causes,
    kept_provings,
    lines_of,
    proving_arguments,
    trip_json,
    unit_of,
)
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m

FORMAT = "demo_ctl trips 1"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell what the command takes."""
    board_arguments(parser)
    proving_arguments(parser)


def run(args: argparse.Namespace) -> int:
    """Print every trip that the board remembers since it started; 4 when the guard is tripped now."""
    provings, _ = kept_provings(args)
    who = lines_of(unit_of(args.unit))
    with board(args.port, args.unit) as client:
        safety, trips, welcome, url = client.safety(), client.trips(), client.welcome, client.port.url
    assert welcome is not None
    state, told = safety.state, list(zip(trips, causes(safety, welcome, trips, provings), strict=True))
    if args.json:
        from demo_ctl.cli.json_out import print_json

        print_json(
            {"format": FORMAT, "tripped": state == m.G_TRIPPED, "trips": [trip_json(*each, who=who) for each in told]}
        )
    else:
        from demo_ctl.cli.screen import console, reader_may_go
        from demo_ctl.report.safety import trips_parts
        from demo_ctl.safety.trip_words import trip_in_words

        with reader_may_go():
            if not told and url.startswith(BENCH):
                console().print(
                    "This bench began with this command, so it has no trips yet. Those of a call are told as it ends, "
                    "and by its record (demo_ctl record FILE); a bench that is served keeps its own (demo_ctl bench "
                    "--pty)."
                )
            for part in trips_parts([trip_in_words(*each, who=who) for each in told]):
                console().print(part)
    return int(Exit.SAFETY_TRIP if state == m.G_TRIPPED else Exit.OK)
