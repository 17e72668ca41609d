"""Read a unit's description and check that it makes sense as a whole."""

from __future__ import annotations

from pathlib import Path

from demo_ctl.office.check import check_unit
from demo_ctl.office.model import Unit
from demo_ctl.terms.located import Located, parse_model, read_text


def load_unit(path: str | Path) -> Located[Unit]:
    """Read a unit's file. Raises InputError with file and line of everything that is wrong with it."""
    return parse_unit(read_text(path), str(path))


def parse_unit(text: str, file: str) -> Located[Unit]:
    """Read a unit's text; `file` names it in messages. Raises InputError."""
    located = parse_model(text, file, Unit, kind="unit")
    check_unit(located).raise_any()
    return located
