"""Faults as people write them: `NAME@PLACE:figure=value,figure=value`; and the ailments of a unit made from them.

    short-hold@selector 2
    missed-step-up@selector 1/switch 1:chance=20 %
    leaky-line@line parlour:leak=3 kohm,each-night=10 %,from-night=4

Every fault has, beside its own figures,

    chance      how often it strikes: once for each use of the part, or once when the unit is switched on
    from-night  the first night on which it is there at all
    each-night  how much of its whole strength each night adds

On night n a fault has (n - from-night + 1) times each-night of its strength, at most the whole. For a fault of
figures that is how far they have strayed from what is right; for one that strikes, how much of its chance it has.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from demo_ctl.bench.ailments import SOUND, Ailments, Effect
from demo_ctl.bench.faults import FAULTS, GROUPS, Does, Fault, Figure
from demo_ctl.bench.places import Kind, Where, where
from demo_ctl.office.model import Unit
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.quantity import parse_quantity

MOST_NIGHTS = 10_000
LONGEST_TEXT = 300
MOST_FAULTS = 50
FORM = "NAME@PLACE or NAME@PLACE:figure=value,figure=value"
_SEE = "demo_ctl faults lists them all"


def course_of(fault: Fault) -> tuple[Figure, ...]:
    """Return the figures that every fault has."""
    return (
        Figure("chance", "ratio", f"{fault.chance_pct:g} %", 0, 100, f"how often, for each {fault.each}"),
        Figure("from-night", "number", "1", 1, MOST_NIGHTS, "the first night on which it is there"),
        Figure("each-night", "ratio", "100 %", 0.01, 100, "of its strength, added each night"),
    )


@dataclass(frozen=True)
class Trouble:
    """One fault as asked for. values: of all its figures, in their base units."""

    text: str
    fault: Fault
    place: Where
    values: dict[str, float]

    def strength(self, night: int) -> float:
        """Return how much of it there is on a night, 0 to 1."""
        nights = night - self.values["from-night"] + 1
        return min(1.0, nights * self.values["each-night"] / 100) if nights > 0 else 0.0

    def effects(self, unit: Unit, night: int, seed: str) -> list[Effect]:
        """Return what it does to the unit on a night."""
        strength = self.strength(night)
        if not strength:
            return []
        return [self._effect(does, strength, seed) for does in self.fault.does(self.values, unit)]

    def _effect(self, does: Does, strength: float, seed: str) -> Effect:
        chance = self.values["chance"] / 100
        stray = 1.0 if does.event else strength
        return Effect(
            does.figure,
            self.place.covers(does.thing),
            factor=1 + (does.factor - 1) * stray,
            added=does.added * stray,
            chance=chance * strength if does.event else chance,
            lasting=self.fault.lasting,
            seed=f"{seed} {self.text}",
        )


def ailments_of(texts: Iterable[str], unit: Unit, *, seed: int = 0, night: int = 1) -> Ailments:
    """Return all that is wrong on a night. Raises InputError for a text that means nothing."""
    troubles = [read_fault(text, unit) for text in texts]
    if len(troubles) > MOST_FAULTS:
        raise InputError(f"{len(troubles)} faults at once are more than the bench takes ({MOST_FAULTS})")
    effects = [effect for trouble in troubles for effect in trouble.effects(unit, night, f"{seed} night {night}")]
    return Ailments(effects) if effects else SOUND


def read_fault(text: str, unit: Unit) -> Trouble:
    """Read one fault. Raises InputError naming what is wrong and what there is."""
    if len(text) > LONGEST_TEXT:
        raise InputError(f"a fault's text is at most {LONGEST_TEXT} characters long", next_step=f"Write {FORM}.")
    head, _, rest = text.partition("@")
    place, colon, figures = rest.rpartition(":")
    if not colon or "=" not in figures:
        place, figures = rest, ""
    if not rest and ":" in head:
        head, _, figures = head.partition(":")
    fault = _named(head)
    known = {figure.name: figure for figure in (*fault.figures, *course_of(fault))}
    values = {name: _value(fault, figure, figure.usual) for name, figure in known.items()}
    for name, value in _pairs(figures, known, fault):
        values[name] = _value(fault, known[name], value)
    return Trouble(text, fault, _where(place, fault, unit), values)


def _named(text: str) -> Fault:
    name = "-".join(text.replace("_", " ").replace("-", " ").lower().split())
    fault = FAULTS.get(name)
    if fault is None:
        names = "; ".join(", ".join(fault.name for fault in group) for group in GROUPS.values())
        raise InputError(f"the bench has no fault {text.strip()[:60]!r}", next_step=f"It has {names} ({_SEE}).")
    return fault


def _where(text: str, fault: Fault, unit: Unit) -> Where:
    sole = {Kind.RINGING: "ringing", Kind.UNIT: "unit"}
    if not text.strip() and len(fault.places) == 1 and fault.places[0] in sole:
        text = sole[fault.places[0]]
    try:
        return where(text, fault.places, unit)
    except InputError as error:
        raise InputError(f"{fault.name}: {error.what}", next_step=error.next_step) from None


def _pairs(text: str, known: dict[str, Figure], fault: Fault) -> list[tuple[str, str]]:
    pairs: list[tuple[str, str]] = []
    for part in text.split(",") if text.strip() else ():
        name, equals, value = part.partition("=")
        name = "-".join(name.replace("_", " ").replace("-", " ").lower().split())
        if not equals or name not in known:
            raise InputError(
                f"{fault.name}: {part.strip()[:60]!r} is none of its figures",
                next_step=f"It has {', '.join(f'{one.name}={one.usual}' for one in known.values())}.",
            )
        if name in dict(pairs):
            raise InputError(f"{fault.name}: {name} is given twice")
        pairs.append((name, value.strip()))
    return pairs


def _value(fault: Fault, figure: Figure, text: str) -> float:
    """Read a figure of a fault, in its base unit."""
    try:
        if figure.dimension == "number":
            if not (text.isascii() and text.isdigit()):
                raise ValueError(f"expected a whole number, found {text[:40]!r}")
            value = float(int(text[:40]))
        else:
            value = float(parse_quantity(text, figure.dimension))
        if not figure.least <= value <= figure.most:
            raise ValueError(f"expected {limits(figure)}, found {text[:40]!r}")
    except ValueError as error:
        raise InputError(
            f"{fault.name}, {figure.name}: {error}",
            next_step=f"It means: {figure.says}. Usual is {figure.name}={figure.usual}.",
        ) from None
    return value


#: For people: the unit a limit is written in, and how many base units it is.
_WRITTEN = {
    "time": (("s", 1_000_000), ("ms", 1000), ("us", 1)),
    "resistance": (("Mohm", 1_000_000), ("kohm", 1000), ("ohm", 1)),
    "voltage": (("V", 1),),
    "frequency": (("Hz", 1),),
    "ratio": (("%", 1),),
    "level": (("dBm", 1),),
    "number": (("", 1),),
}


def limits(figure: Figure) -> str:
    """Return a figure's range as people write it: `3 ms to 200 ms`."""
    text = f"{_written(figure.least, figure.dimension)} to {_written(figure.most, figure.dimension)}"
    return text.replace("dBm", "dB") if figure.usual.endswith(" dB") else text


def _written(value: float, dimension: str) -> str:
    units = _WRITTEN[dimension]
    name, size = next((pair for pair in units if abs(value) >= pair[1]), units[-1])
    return f"{value / size:g} {name}".strip()
