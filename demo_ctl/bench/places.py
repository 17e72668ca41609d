"""Where in a unit something can be wrong, in plain words: `selector 1`, `trunk 2/5/3`, `line parlour`.

Parts of the bench name themselves as the truth does; a place says which parts it covers.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from enum import Enum

from demo_ctl.office.model import Line, Unit
from demo_ctl.terms.errors import InputError

TONES = ("dial", "ringback", "busy", "overflow", "vacant")


class Kind(Enum):
    """Kinds of place; the value shows how they are written."""

    SELECTOR = "selector 2, or selector 2/switch 1"
    CONNECTOR = "connector, or connector/switch 1"
    FINDER = "finders, or finder 1"
    TRUNK = "trunk 1/5/3 (stage, level, position), or selector 1/level 5"
    TERMINAL = "terminal 34"
    LINE = "lines, or line NAME"
    TONE = "tones, or tone dial, ringback, busy, overflow, vacant"
    RINGING = "ringing"
    UNIT = "unit"


@dataclass(frozen=True)
class Where:
    """One place. owner: whether a part of the bench, without what is on it, belongs here."""

    text: str
    kind: Kind
    owner: Callable[[str], bool]

    def covers(self, thing: str) -> Callable[[str], bool]:
        """Return whether a part, named with `thing` on it ("B", "vertical magnet"; "" for itself), is meant."""
        if not thing:
            return self.owner
        ending = f"/{thing}"
        return lambda part: part.endswith(ending) and self.owner(part[: -len(ending)])


def where(text: str, kinds: tuple[Kind, ...], unit: Unit) -> Where:
    """Read a place of one of `kinds`. Raises InputError that lists the places there are."""
    said = " ".join(text.split())
    for kind in kinds:
        owner = _READERS[kind](said, unit)
        if owner is not None:
            return Where(said, kind, owner)
    raise InputError(
        f"{said[:80]!r} is no place for this on the {unit.name}",
        next_step=f"It can be: {'; '.join(choice for kind in kinds for choice in _choices(kind, unit))}.",
    )


Owner = Callable[[str], bool]


def _one_of(names: Iterable[str]) -> Owner:
    return frozenset(names).__contains__


def _number(text: str) -> int | None:
    return int(text) if re.fullmatch(r"[0-9]{1,4}", text) else None


def _switch(text: str, stage: int, unit: Unit) -> Owner | None:
    """Read what follows `selector 2` or `connector`: nothing, or /switch NUMBER."""
    found = re.fullmatch(r"(?:/switch ([0-9]{1,2}))?", text, re.IGNORECASE)
    if not found:
        return None
    wanted = found[1] and str(int(found[1]))
    digits = rf"[0-9]{{{stage}}}-" if stage else ""
    name = re.compile(rf"{re.escape(unit.train[stage].name)} {digits}([0-9]+)")

    def owner(part: str) -> bool:
        match = name.fullmatch(part)
        return match is not None and wanted in (None, match[1])

    most = 10 if stage else unit.finders.count
    return owner if wanted is None or 1 <= int(wanted) <= most else None


def _selector(text: str, unit: Unit) -> Owner | None:
    found = re.fullmatch(r"selector ([0-9]{1,2})(/switch .*)?", text, re.IGNORECASE)
    if not found or not 1 <= int(found[1]) <= len(unit.selectors):
        return None
    return _switch(found[2] or "", int(found[1]) - 1, unit)


def _connector(text: str, unit: Unit) -> Owner | None:
    head, rest = text[:9], text[9:]
    return _switch(rest, len(unit.train) - 1, unit) if head.lower() == "connector" else None


def _finder(text: str, unit: Unit) -> Owner | None:
    if text.lower() == "finders":
        return _one_of(f"line finder {number}" for number in range(1, unit.finders.count + 1))
    word, _, number = text.partition(" ")
    wanted = _number(number)
    if word.lower() != "finder" or wanted is None or not 1 <= wanted <= unit.finders.count:
        return None
    name = f"line finder {wanted}"
    return lambda part: part == name


def _trunk(text: str, unit: Unit) -> Owner | None:
    found = re.fullmatch(r"trunk ([0-9]{1,2})/([0-9])/([0-9]{1,2})", text, re.IGNORECASE)
    level = re.fullmatch(r"selector ([0-9]{1,2})/level ([0-9])", text, re.IGNORECASE)
    match = found or level
    if not match or not 1 <= int(match[1]) <= len(unit.selectors):
        return None
    stage = int(match[1])
    known = unit.selectors[stage - 1].levels.get(match[2])
    if known is None:
        return None
    if level:
        return _one_of(f"trunk {stage}/{match[2]}/{position}" for position in known.trunks)
    position = int(match[3])
    if position not in known.trunks:
        return None
    name = f"trunk {stage}/{match[2]}/{position}"
    return lambda part: part == name


def _terminal(text: str, _unit: Unit) -> Owner | None:
    found = re.fullmatch(r"terminal ([0-9]{2})", text, re.IGNORECASE)
    if not found:
        return None
    name = f"terminal {found[1]}"
    return lambda part: part == name


def _lines(unit: Unit) -> tuple[Line, ...]:
    """Lines on which something hangs."""
    return tuple(line for line in unit.lines if not line.vacant)


def _line(text: str, unit: Unit) -> Owner | None:
    if text.lower() == "lines":
        return _one_of(f"line {line.name}" for line in _lines(unit))
    word, _, wanted = text.partition(" ")
    if word.lower() != "line":
        return None
    for line in _lines(unit):
        if line.name.lower() == wanted.lower():
            name = f"line {line.name}"
            return lambda part: part == name
    return None


def _tone(text: str, _unit: Unit) -> Owner | None:
    if text.lower() == "tones":
        return _one_of(f"tone {name}" for name in TONES)
    word, _, wanted = text.lower().partition(" ")
    if word != "tone" or wanted not in TONES:
        return None
    name = f"tone {wanted}"
    return lambda part: part == name


def _ringing(text: str, _unit: Unit) -> Owner | None:
    return (lambda part: part == "ringing") if text.lower() == "ringing" else None


def _unit(text: str, _model: Unit) -> Owner | None:
    return (lambda _part: True) if text.lower() == "unit" else None


_READERS: dict[Kind, Callable[[str, Unit], Owner | None]] = {
    Kind.SELECTOR: _selector,
    Kind.CONNECTOR: _connector,
    Kind.FINDER: _finder,
    Kind.TRUNK: _trunk,
    Kind.TERMINAL: _terminal,
    Kind.LINE: _line,
    Kind.TONE: _tone,
    Kind.RINGING: _ringing,
    Kind.UNIT: _unit,
}


def _choices(kind: Kind, unit: Unit) -> list[str]:
    """What a place of this kind can be on this unit."""
    selectors = unit.selectors
    if kind is Kind.SELECTOR:
        return [f"selector {stage + 1}, all or one (selector {stage + 1}/switch 1)" for stage in range(len(selectors))]
    if kind is Kind.CONNECTOR:
        return ["connector, all or one (connector/switch 1)"]
    if kind is Kind.FINDER:
        return [f"finders, or one (finder 1 to finder {unit.finders.count})"]
    if kind is Kind.TRUNK:
        levels = [
            (stage + 1, digit, level) for stage, one in enumerate(selectors) for digit, level in one.levels.items()
        ]
        return [
            f"selector {stage}/level {digit}, or one of trunk {stage}/{digit}/{' '.join(map(str, level.trunks))}"
            for stage, digit, level in levels
        ]
    if kind is Kind.TERMINAL:
        return ["terminal and the last two digits (terminal 34)"]
    if kind is Kind.LINE:
        return [f"lines, or one ({', '.join(f'line {line.name}' for line in _lines(unit))})"]
    if kind is Kind.TONE:
        return [f"tones, or one ({', '.join(f'tone {name}' for name in TONES)})"]
    return [kind.value]
