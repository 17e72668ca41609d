"""Read a call script and check what can be checked without knowing the unit."""

from __future__ import annotations

from pathlib import Path

from demo_ctl.script.check import check_call
from demo_ctl.script.model import Call
from demo_ctl.terms.located import Located, parse_model, read_text


def load_call(path: str | Path) -> Located[Call]:
    """Read a call script. Raises InputError with file and line of everything that is wrong with it."""
    return parse_call(read_text(path), str(path))


def parse_call(text: str, file: str) -> Located[Call]:
    """Read a call script's text; `file` names it in messages. Raises InputError."""
    located = parse_model(text, file, Call, kind="call script")
    check_call(located).raise_any()
    return located
