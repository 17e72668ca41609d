"""What a presenter may wish for, at whichever console: the keys of a terminal, a hand clicker, a tablet's page.

These six are all there is, whoever asks and over whatever way: a wish can open a gate that the board holds at, hold,
repeat, set the pace of what comes next, blank the screen, and stop. None of them can arm ringing, choose a number or
loosen a limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from fractions import Fraction

from demo_ctl.terms.quantity import parse_pace


class Kind(Enum):
    """The six wishes; the value is the word that consoles send."""

    NEXT = "next"  # go on from here: open the gate, or begin the next call
    HOLD = "hold"  # stay here, or hold at the next stable point
    REPEAT = "repeat"  # the call that was last shown, once more
    PACE = "pace"  # at which pace the next call is placed
    BLANK = "blank"  # the audience's screen off, or on again
    STOP = "stop"  # end the call: the line is released within a second


@dataclass(frozen=True)
class Wish:
    """One wish. pace: with PACE only; None there: as the run sheet says."""

    kind: Kind
    pace: Fraction | None = None


def wish_of(word: str, pace: str = "") -> Wish:
    """Read a wish from a console's words. Raises ValueError, for people, when there is no such wish."""
    try:
        kind = Kind(word)
    except ValueError:
        raise ValueError(f"expected one of {', '.join(each.value for each in Kind)}, found {word[:20]!r}") from None
    if pace and kind is not Kind.PACE:
        raise ValueError(f"'{kind.value}' has no pace")
    return Wish(kind, parse_pace(pace) if pace else None)


@dataclass(frozen=True)
class Reply:
    """What a presenter is told at once: what is happening, and when the next stable point comes."""

    done: bool  # whether the wish changes anything
    text: str
