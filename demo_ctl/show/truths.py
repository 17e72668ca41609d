"""A truth file's rows as facts: only the parts that serve one of the two telephones, and whom each of them serves.

Whom a finder serves shows when it has stopped: on whose terminal. Whom a later switch serves shows as its sleeve is
grounded: the one before it stands on that trunk. Switches that other calls hold, or that are just made busy, tell
nothing here.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple, Protocol

from demo_ctl.office.model import Line, Unit
from demo_ctl.office.numbers import digit_sent
from demo_ctl.show.facts import WHOM, Fact
from demo_ctl.show.scene import FINDER, stage_names


class Row(Protocol):
    """One row of a truth, by whatever type."""

    @property
    def at_us(self) -> int:
        """The board's clock."""

    @property
    def what(self) -> str:
        """Part, slash, thing."""

    @property
    def value(self) -> int:
        """From now on."""


class _Row(NamedTuple):
    at_us: int
    part: str
    thing: str
    value: int


def facts_of(rows: Iterable[Row], unit: Unit, ends: dict[str, Line]) -> list[Fact]:
    """Return the facts of the lines in `ends` (caller, called -> line), in order of time."""
    split = []
    for row in rows:
        part, _, thing = row.what.rpartition("/")
        split.append(_Row(row.at_us, part, thing, row.value))
    return _Reading(split, unit, ends).facts()


class _Reading:
    def __init__(self, rows: list[_Row], unit: Unit, ends: dict[str, Line]) -> None:
        self._rows = rows
        self._unit = unit
        self._whom = {f"line {line.name}": WHOM[end] for end, line in ends.items()}
        self._places = {(line.finder_level, line.finder_terminal): f"line {line.name}" for line in unit.lines}
        self._names = sorted(stage_names(unit), key=len, reverse=True)
        self._order = stage_names(unit)
        self._serves: dict[str, int] = {}
        self._at: dict[tuple[str, str], int] = {}
        self._out: list[Fact] = []

    def facts(self) -> list[Fact]:
        for place, row in enumerate(self._rows):
            self._take(place, row)
            self._at[row.part, row.thing] = row.value
        return self._out

    def _take(self, place: int, row: _Row) -> None:
        if row.part in self._whom and row.thing in ("line relay", "cut-off relay"):
            self._tell(row)
            return
        stage = self._stage(row.part)
        if stage is None:
            return
        if row.part not in self._serves:
            whom = self._finder_serves(place, row) if stage == 0 else self._seized_by(stage, row)
            if whom:
                self._serves[row.part] = whom
                self._tell(_Row(row.at_us, row.part, "serves", whom))
        if row.part in self._serves:
            self._tell(row)
            if self._is_home(stage, row):
                del self._serves[row.part]
                self._tell(_Row(row.at_us, row.part, "serves", 0))

    def _tell(self, row: _Row) -> None:
        self._out.append(Fact(row.at_us, row.part, row.thing, row.value, "simulated"))

    def _stage(self, part: str) -> int | None:
        name = next((name for name in self._names if part.startswith(f"{name} ")), None)
        return None if name is None else self._order.index(name)

    def _finder_serves(self, place: int, row: _Row) -> int:
        """Look ahead to where this finder stops."""
        if row.value == 0:
            return 0
        level = terminal = 0
        for later in self._rows[place:]:
            if later.part == row.part:
                if later.thing == "vertical":
                    level = later.value
                elif later.thing == "rotary":
                    terminal = later.value
                elif later.thing == "release magnet" and later.value:
                    break
        return self._whom.get(self._places.get((level, terminal), ""), 0)

    def _seized_by(self, stage: int, row: _Row) -> int:
        if row.thing != "sleeve" or not row.value:
            return 0
        name = row.part.removeprefix(f"{self._order[stage]} ")
        if stage == 1:
            return self._serves.get(f"{FINDER} {name}", 0)
        digits, _, trunk = name.rpartition("-")
        if not digits or not trunk.isdigit():
            return 0
        for part, whom in self._serves.items():
            if self._stage(part) != stage - 1 or self._at.get((part, "cut-through"), 0):
                continue
            level = self._at.get((part, "vertical"), 0)
            here = level and digit_sent(level, self._unit.numbering.pulses) == digits[-1]
            if here and self._at.get((part, "rotary"), 0) == int(trunk):
                return whom
        return 0

    def _is_home(self, stage: int, row: _Row) -> bool:
        if row.value:
            return False
        if stage == 0:
            return row.thing == "release magnet"
        return row.thing == "sleeve"
