"""Small wordings that rooms share: times and numbers as people read them. Times go in as microseconds."""

from __future__ import annotations

from fractions import Fraction


def time_text(us: float) -> str:
    """Say a time: `61 ms`, `2.5 s`."""
    if us < 1_000_000:
        return f"{us / 1000:.4g} ms"
    return f"{us / 1_000_000:.4g} s"


def number_text(value: float | Fraction) -> str:
    """Say a number with at most four figures."""
    return f"{float(value):.4g}"


def ordinal(number: int) -> str:
    """Say which: `1st`, `2nd`, `11th`."""
    tail = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{tail}"
