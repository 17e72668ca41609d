"""What the commands that serve pages have in common."""

from __future__ import annotations

import argparse

from demo_ctl.terms.errors import InputError


def check_web(args: argparse.Namespace) -> None:
    """Find fault with --web and --listen. Raises InputError."""
    if args.listen != "127.0.0.1" and args.web is None:
        raise InputError("--listen goes with --web", next_step="Add --web, or leave --listen away.")
    if args.web is not None and not 0 <= args.web <= 65_535:
        raise InputError(f"--web: found {args.web}, expected a port from 0 to 65535")
