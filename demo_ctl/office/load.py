"""Read a unit's description and check that it makes sense as a whole."""

from __future__ import annotations

from pathlib import Path

from demo_ctl.office.model import Unit
from demo_ctl.terms.located import Located, load_model


def load_unit(path: str | Path) -> Located[Unit]:
    """Read a unit's file. Raises InputError with file and line of everything that is wrong with it."""
    return load_model(path, Unit, kind="unit")
