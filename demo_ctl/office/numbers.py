"""Numbers as people write them: letters to digits, digits to pulses.

In an exchange name the letters that are dialled are capitals, as in KLondike 5-0123; the small ones are only read.
A letter that is on no hole of the dial is refused, never guessed.
"""

from __future__ import annotations

import re

#: Letters on the holes 1, 2, ... 9, 0: ITU-T E.161; rotary dials of North America (before Q and Z), of the UK, and of
#: Australia to about 1960 (facts D01-D04).
LETTERS: dict[str, tuple[str, ...]] = {
    "e161": ("", "ABC", "DEF", "GHI", "JKL", "MNO", "PQRS", "TUV", "WXYZ", ""),
    "north american": ("", "ABC", "DEF", "GHI", "JKL", "MNO", "PRS", "TUV", "WXY", ""),
    "british": ("", "ABC", "DEF", "GHI", "JKL", "MN", "PRS", "TUV", "WXY", "OQ"),
    "australian": ("A", "B", "F", "J", "L", "M", "U", "W", "X", "Y"),
}
HOLES = "1234567890"

#: How many pulses each of HOLES sends. Plus one: Sweden; reversed: New Zealand, Oslo (facts D05-D07).
PULSES: dict[str, tuple[int, ...]] = {
    "normal": (1, 2, 3, 4, 5, 6, 7, 8, 9, 10),
    "plus one": (2, 3, 4, 5, 6, 7, 8, 9, 10, 1),
    "reversed": (9, 8, 7, 6, 5, 4, 3, 2, 1, 10),
}

_WORD = re.compile(r"[A-Za-z]+|[0-9]+|[ .()-]+")


def digit_of(letter: str, letters: str) -> str:
    """Return the digit whose hole carries `letter` (a capital). Raises ValueError if none does."""
    for hole, written in zip(HOLES, LETTERS[letters], strict=True):
        if len(letter) == 1 and letter in written:
            return hole
    raise ValueError(f"the letter {letter!r} is on no hole of the {letters} dial")


def digits_of(text: str, letters: str = "north american") -> str:
    """Return the digits a caller dials for a number as written: `KLondike 5-0123` gives `5550123`.

    Capitals are dialled, small letters are not. Raises ValueError, with a message for people, for letters on no
    hole, a word without capitals, capitals after small letters, other characters, or no digit at all.
    """
    found: list[str] = []
    position = 0
    while position < len(text):
        match = _WORD.match(text, position)
        if match is None:
            raise ValueError(f"a number is written with letters, digits, spaces and hyphens, found {text[position]!r}")
        position = match.end()
        word = match[0]
        if word.isdigit():
            found.append(word)
        elif word.isalpha():
            dialled = re.fullmatch(r"([A-Z]+)([a-z]*)", word)
            if dialled is None:
                hint = word[:2].upper() + word[2:].lower()
                raise ValueError(
                    f"in the word {word!r} the letters that are dialled come first, as capitals (such as {hint!r})"
                )
            found += [digit_of(letter, letters) for letter in dialled[1]]
    if not found:
        raise ValueError(f"no digit to dial in {text!r}")
    return "".join(found)


def pulses_of(digit: str, scheme: str = "normal") -> int:
    """Return how many pulses a digit sends, 1 to 10. Raises ValueError if it is not one digit."""
    if len(digit) != 1 or digit not in HOLES:
        raise ValueError(f"expected one digit, found {digit!r}")
    return PULSES[scheme][HOLES.index(digit)]


def digit_sent(pulses: int, scheme: str = "normal") -> str:
    """Return the digit that so many pulses stand for. Raises ValueError unless 1 to 10."""
    if pulses not in PULSES[scheme]:
        raise ValueError(f"no digit sends {pulses} pulses")
    return HOLES[PULSES[scheme].index(pulses)]


def train_of(digits: str, scheme: str = "normal") -> tuple[int, ...]:
    """Return the pulses of each digit: `911` gives (9, 1, 1)."""
    return tuple(pulses_of(digit, scheme) for digit in digits)
