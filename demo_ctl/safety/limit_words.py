"""The board's limits for people: each with its unit, a sentence, and how a person writes it. Pure."""

from __future__ import annotations

from fractions import Fraction

from demo_ctl.terms.quantity import UNITS, parse_quantity
from demo_ctl.wire import messages as m

_BURST = "Longest ringing without a pause; then the guard trips."
_HOUR = (
    "Ringing allowed in any one hour. After a rest half of it is left: the other half comes back as the hour passes, "
    "so that no hour, wherever it begins, ever has more than all of it."
)
_SAYS = {
    "heartbeat": "When the computer is silent for so long, the board takes ringing off and opens every line.",
    "window": "A plan may have ringing allowed for so long at a time.",
    "burst": _BURST,
    "call": "Ringing allowed in one call, all its windows together.",
    "hour": _HOUR,
    "current": "More ringing current than this on the bus, twice measured, trips the guard.",
    "ceiling": "More ringing voltage than this on the bus trips the guard; a high battery makes it lower by itself.",
    "pause": "A shorter gap is no pause: it does not end a burst.",
    "night window": "As window, with the key at night.",
    "night burst": "As burst, with the key at night.",
    "night call": "As call, with the key at night.",
    "night hour": "As hour, with the key at night.",
    "visitors window": "As window, in a visitors' session.",
    "visitors burst": "As burst, in a visitors' session.",
    "visitors call": "As call, for all plans of one visitors' session together.",
    "visitors hour": "As hour, in a visitors' session.",
    "visitors session": "A visitors' session ends so long after the key was turned on.",
    "pump": "The pumps that hold the relays are moved so often.",
    "loop": "While ringing is allowed, the board looks at everything at least so often, or trips.",
    "pull": "The relays have pulled up so soon after the pumps begin.",
    "hold": "A relay falls within this time after the pumps stop, by its own condenser.",
    "drop": "Relays are down and the bus is quiet so soon after the pumps stop, or the guard trips.",
    "prove": "Everything must have been right for so long before ringing may be allowed.",
    "apart": "The two channels of the safety chain may disagree for so long; then the guard trips.",
    "odd": "A mirror contact or the bus may read wrong for so long while nothing rings; then the guard trips.",
    "key": "The key counts as turned when it has read the same for so long.",
}
#: Of each unit of the board's: what a person may write, and how many of the base unit one of the board's is.
_DIMENSION = {"ms": "time", "us": "time", "mA": "current", "V": "voltage"}


def plain_name(name: str) -> str:
    """Return a limit's name (messages.LIMIT_NAMES) without its unit."""
    return name.rpartition(" ")[0]


def says(name: str) -> str:
    """Return the sentence for a limit."""
    return _SAYS[plain_name(name)]


def in_words(name: str, value: int) -> str:
    """Write a limit's value in the unit that people use: `5 s`, `600 ms`, `100 V`."""
    unit = name.rpartition(" ")[2]
    if unit == "us":
        value, unit = value // 1000 if value % 1000 == 0 else value, "ms" if value % 1000 == 0 else "us"
    if unit == "ms" and value >= 1000:
        if value % 60_000 == 0 and value >= 120_000:
            return f"{value // 60_000} min"
        return f"{value // 1000}.{value % 1000:03d}".rstrip("0").rstrip(".") + " s"
    return f"{value} {unit}"


def which(text: str) -> int | None:
    """Return the limit (L_...) that a person names, with its unit or without; None: there is none."""
    name = " ".join(text.replace("_", " ").split())
    for index, known in enumerate(m.LIMIT_NAMES):
        if name in (known, plain_name(known)):
            return index
    return None


def value_of(index: int, text: str, *, bare: bool = False) -> int:
    """Read a limit's value: a figure with a unit. ValueError. bare: its unit was said with its name."""
    unit = m.LIMIT_NAMES[index].rpartition(" ")[2]
    text = text.strip()
    if bare and text.isascii() and text.isdigit() and len(text) <= 10:
        value = Fraction(int(text))
    else:
        dimension = _DIMENSION[unit]
        value = parse_quantity(text, dimension) / UNITS[dimension][unit]
    if value.denominator != 1 or not 0 <= value <= 0xFFFFFFFF:
        raise ValueError(f"expected a whole number of {unit}, no larger than a limit can be")
    return int(value)
