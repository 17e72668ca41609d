"""Read a call script and check what can be checked without knowing the unit."""

from __future__ import annotations

from pathlib import Path

from demo_ctl.script.model import Call
from demo_ctl.terms.located import Located, load_model


def load_call(path: str | Path) -> Located[Call]:
    """Read a call script. Raises InputError with file and line of everything that is wrong with it."""
    return load_model(path, Call, kind="call script")
