"""`demo_ctl boards`."""

from __future__ import annotations

import argparse
import json

from demo_ctl.terms.outcome import Exit


def run(args: argparse.Namespace) -> int:
    """List the boards that are plugged in."""
    from demo_ctl.link.port import find_boards

    found = find_boards()
    if args.json:
        print(json.dumps({"boards": [{"url": b.url, "serial": b.serial, "description": b.description} for b in found]}))
    elif not found:
        print("No board is plugged in. The bench works without one: demo_ctl call SCRIPT --port bench://")
    for board in found if not args.json else ():
        print(f"{board.url}  {board.description}  serial number {board.serial or 'unknown'}")
    return int(Exit.OK)
