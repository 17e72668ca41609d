"""`demo_ctl bench`: serve the simulated board and unit to any client."""

from __future__ import annotations

import argparse
import sys

from demo_ctl.cli.faults import fault_options
from demo_ctl.cli.files import unit_path
from demo_ctl.terms.outcome import Exit


def run(args: argparse.Namespace) -> int:
    """Serve until Ctrl-C (130), or until it is asked to end in order (SIGTERM: 0)."""
    from demo_ctl.bench.serve import serve_pty

    unit = unit_path(args.unit)
    options = [("unit", str(unit)), ("seed", str(args.seed)), ("board", args.board), ("guard", args.guard)]
    options += [("busy", trunks) for trunks in args.busy]
    options += fault_options(args)

    def announce(path: str) -> None:
        print(f"The bench ({unit}) is served at {path}. Place a call from another terminal:", flush=True)
        print(f"  demo_ctl call configs/calls/answered.yaml --unit {unit} --port {path}", flush=True)
        if args.guard == "locked":
            print(
                "Its guard is locked and nobody has proven it: a call that rings is refused. Prove it first:",
                flush=True,
            )
            print(f"  demo_ctl safety prove --unit {unit} --port {path}", flush=True)
        print("Ctrl-C ends it. Type key off, cover open, stop press... to be the person at the equipment;", flush=True)
        print("help lists all that can be typed here.", flush=True)

    stopped = serve_pty(options, announce=announce, typed=_keyboard(), say=_say)
    return int(Exit.INTERRUPTED if stopped else Exit.OK)


def _say(answer: str) -> None:
    print(answer, flush=True)


def _keyboard() -> int | None:
    """Return where a person's lines come from, if there is such a place."""
    try:
        return sys.stdin.fileno()
    except (AttributeError, OSError, ValueError):  # closed, or not a file
        return None
