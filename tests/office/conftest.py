"""The sample units, as text and as values."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from demo_ctl.office.load import parse_unit
from demo_ctl.office.model import Unit
from demo_ctl.terms.located import FileError

UNITS = Path(__file__).resolve().parents[2] / "configs" / "units"


@pytest.fixture(scope="session")
def unit_texts() -> dict[str, str]:
    """Name -> text of each sample unit."""
    return {path.stem: path.read_text(encoding="utf-8") for path in sorted(UNITS.glob("*.yaml"))}


@pytest.fixture(scope="session")
def mossbrook(unit_texts: dict[str, str]) -> Unit:
    """The seven-digit unit."""
    return parse_unit(unit_texts["mossbrook"], "mossbrook.yaml").value


@pytest.fixture(scope="session")
def travelling(unit_texts: dict[str, str]) -> Unit:
    """The three-digit unit."""
    return parse_unit(unit_texts["travelling"], "travelling.yaml").value


@pytest.fixture(scope="session")
def said_of_unit() -> Callable[[str], list[tuple[int, str]]]:
    """Read a unit's text that must be wrong; return (line, what) of everything said about it."""

    def read(text: str) -> list[tuple[int, str]]:
        with pytest.raises(FileError) as caught:
            parse_unit(text, "unit.yaml")
        assert all(problem.place.file == "unit.yaml" for problem in caught.value.problems)
        return [(problem.place.line, problem.text) for problem in caught.value.problems]

    return read
