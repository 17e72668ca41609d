"""Numbers with units: how people write them in files, and how results print them.

People write `600 ms`, `48 V`, `10 pps`, `61 %`. A bare number is refused: nobody should have to guess.
Times become integer microseconds here, once; everything else keeps the unit its name ends in.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Annotated

from pydantic import BeforeValidator, WithJsonSchema

_NUMBER = r"[+-]?(?:\d{1,12}(?:\.\d{0,9})?|\.\d{1,9})"
#: No exponents: a few characters of them are a number that fills the memory.
_PACE = re.compile(r"\s*\+?(?:[0-9]{1,6}(?:/[0-9]{1,6}|\.[0-9]{0,6})?|\.[0-9]{1,6})\s*")
_TEXT = re.compile(rf"\s*({_NUMBER})\s*([A-Za-zµ%][A-Za-z%]*)\s*")

#: For each dimension: unit as written -> factor to the base unit (the unit in the field names).
UNITS: dict[str, dict[str, Fraction]] = {
    "time": {
        "us": Fraction(1),
        "µs": Fraction(1),
        "ms": Fraction(1000),
        "s": Fraction(1_000_000),
        "min": Fraction(60_000_000),
        "h": Fraction(3_600_000_000),
    },
    "voltage": {"V": Fraction(1), "mV": Fraction(1, 1000)},
    "current": {"mA": Fraction(1), "A": Fraction(1000)},
    "frequency": {"Hz": Fraction(1), "kHz": Fraction(1000)},
    "rate": {"pps": Fraction(1)},
    "step rate": {"sps": Fraction(1)},
    "ratio": {"%": Fraction(1)},
    "resistance": {"ohm": Fraction(1), "kohm": Fraction(1000), "Mohm": Fraction(1_000_000)},
    "level": {"dBm": Fraction(1), "dB": Fraction(1)},
    "capacitance": {"nF": Fraction(1), "uF": Fraction(1000), "µF": Fraction(1000)},
}

_EXAMPLE = {
    "time": "600 ms",
    "voltage": "48 V",
    "current": "20 mA",
    "frequency": "20 Hz",
    "rate": "10 pps",
    "step rate": "33 sps",
    "ratio": "61 %",
    "resistance": "400 ohm",
    "level": "-13 dBm",
    "capacitance": "52 nF",
}


def parse_quantity(text: object, dimension: str) -> Fraction:
    """Read `text` as a number with a unit of `dimension`; return it in the base unit.

    Raises ValueError with a message for people when the text has no unit, another dimension's unit, or is
    not a number at all.
    """
    example = _EXAMPLE[dimension]
    if not isinstance(text, str):
        found = "nothing" if text is None else repr(text)[:60]
        raise ValueError(f"expected a {dimension} with its unit, such as '{example}', found {found}")
    match = _TEXT.fullmatch(text)
    if not match:
        raise ValueError(f"expected a {dimension} with its unit, such as '{example}', found {text[:60]!r}")
    number, unit = match.groups()
    factor = UNITS[dimension].get(unit)
    if factor is None:
        known = ", ".join(UNITS[dimension])
        raise ValueError(f"'{unit[:20]}' is not a unit of {dimension} (known: {known}); write it as in '{example}'")
    return Fraction(number) * factor


def exact(value: float) -> Fraction:
    """Read a float as the decimal a person wrote: 61.3 is 613/10, not its nearest binary fraction."""
    return Fraction(str(value))


def parse_us(text: object) -> int:
    """Read a time such as `600 ms`; return whole microseconds. Negative times are refused."""
    value = parse_quantity(text, "time")
    if value < 0:
        raise ValueError(f"a time cannot be negative, found {text!r}")
    if value > 86_400_000_000:
        raise ValueError(f"longer than a day: {text!r}")
    return round(value)


def _schema(dimension: str) -> WithJsonSchema:
    units = "|".join(re.escape(unit) for unit in UNITS[dimension])
    return WithJsonSchema(
        {
            "type": "string",
            "pattern": rf"^\s*[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)\s*({units})\s*$",
            "examples": [_EXAMPLE[dimension]],
            "description": f"a {dimension} with its unit",
        }
    )


def _floats(dimension: str, least: float | None = 0.0) -> BeforeValidator:
    def read(text: object) -> float:
        value = float(parse_quantity(text, dimension))
        if least is not None and value < least:
            raise ValueError(f"must not be below {least:g}, found {text!r}")
        return value

    return BeforeValidator(read)


# Field types for files. In Python the value is a plain int or float in the unit of the field's name.
TimeUs = Annotated[int, BeforeValidator(parse_us), _schema("time")]
Volts = Annotated[float, _floats("voltage"), _schema("voltage")]
MilliAmps = Annotated[float, _floats("current"), _schema("current")]
Hertz = Annotated[float, _floats("frequency"), _schema("frequency")]
PulsesPerSecond = Annotated[float, _floats("rate"), _schema("rate")]
StepsPerSecond = Annotated[float, _floats("step rate"), _schema("step rate")]
Percent = Annotated[float, _floats("ratio"), _schema("ratio")]
Ohms = Annotated[float, _floats("resistance"), _schema("resistance")]
NanoFarads = Annotated[float, _floats("capacitance"), _schema("capacitance")]
DBm = Annotated[float, _floats("level", least=None), _schema("level")]


def parse_pace(text: str) -> Fraction:
    """Read a pace such as `1/4`, `0.5` or `1`; between 1/50 and 4. Raises ValueError for people."""
    try:
        if not _PACE.fullmatch(text):
            raise ValueError
        pace = Fraction(text.strip())
    except (ValueError, ZeroDivisionError):
        raise ValueError(f"expected a pace such as 1/4 or 1, found {text[:60]!r}") from None
    if not Fraction(1, 50) <= pace <= 4:
        raise ValueError(f"a pace lies between 1/50 and 4, found {text!r}")
    return pace


@dataclass(frozen=True)
class Quantity:
    """A measured figure.

    value: in `unit`. unit: as printed (`ms`, `pps`, `%`, `Hz`, `V`, `mA`, `pulses`, `lines`...).
    u: standard uncertainty (one standard deviation) in the same unit; 0 for counts. A verdict uses U = 2u
    (JCGM 100; facts Q60, Q61).
    """

    value: float
    unit: str
    u: float = 0.0

    def __str__(self) -> str:
        if self.unit == "":
            return f"{self.value:g}"
        if self.u:
            return f"{self.value:.4g} ± {2 * self.u:.2g} {self.unit}"
        return f"{self.value:.4g} {self.unit}"
