"""The terminal."""

from __future__ import annotations

import sys
from functools import cache

from rich.console import Console


@cache
def console() -> Console:
    """Return the console on standard output. Where that is no terminal: no colour, and lines wide enough for tables."""
    return Console(soft_wrap=False, highlight=False, width=None if sys.stdout.isatty() else 120)


@cache
def aside() -> Console:
    """Return the console on standard error, for progress beside machine-readable output."""
    return Console(stderr=True, highlight=False)
