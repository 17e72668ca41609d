"""A show before it begins: what pace each call will really get, and how long everything takes. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from fractions import Fraction
from typing import Any

from rich.console import RenderableType
from rich.text import Text

from demo_ctl.report.words import Letters, plain_table, time_words


@dataclass(frozen=True)
class ShowRow:
    """One part of a show. asked, really: paces; times in microseconds; holds: where it waits for the presenter.

    limits: (part of the call, asked, got, why), where the equipment sets one. most_us: every hold at its limit.
    follows: the line whose telephone is followed, at the pace of whoever dials; empty: a call is placed or shown.
    """

    place: str
    title: str
    asked: Fraction
    really: Fraction
    limits: tuple[tuple[str, str, str, str], ...]
    holds: int
    ring_hold_us: int
    least_us: int
    most_us: int
    rings: bool
    follows: str = ""


def pace_words(really: Fraction) -> str:
    """A pace that came out of a division, as people say it: `1/2.2`, `1.3`."""
    if really >= 1:
        return f"{float(really):.3g}"
    return f"1/{float(1 / really):.2g}"


def show_tables(title: str, rows: Sequence[ShowRow], notes: Sequence[str]) -> list[RenderableType]:
    """Return the show as things to print."""
    table = plain_table(title, "#", "call", "pace", "really", "holds", "at least", "at most")
    for row in rows:
        table.add_row(
            row.place,
            Text(row.title),
            "-" if row.follows else str(row.asked),
            "own" if row.follows else pace_words(row.really),
            str(row.holds) if row.holds else "-",
            time_words(_seconds(row.least_us)),
            time_words(_seconds(row.most_us)),
        )
    table.add_row(
        "",
        "all of it",
        "",
        "",
        "",
        time_words(_seconds(sum(row.least_us for row in rows))),
        time_words(_seconds(sum(row.most_us for row in rows))),
    )
    limits = plain_table("What the equipment allows", "#", "part", "asked", "got", "why")
    reasons = Letters()
    for row in rows:
        for part, asked, got, why in row.limits:
            limits.add_row(row.place, Text(part), asked, got, reasons.of(why))
    parts: list[RenderableType] = [table]
    if limits.row_count:
        parts += [Text(""), limits, *reasons.lines()]
    parts.append(Text("\nAt least: nobody holds. At most: every hold, and every wait, at its limit."))
    parts += [Text(note) for note in notes]
    return parts


def show_json(name: str, rows: Sequence[ShowRow], notes: Sequence[str]) -> dict[str, Any]:
    """Return the same for programs."""
    return {
        "show": name,
        "parts": [
            {
                **asdict(row),
                "asked": str(row.asked),
                "really": round(float(row.really), 4),
                "limits": [dict(zip(("part", "asked", "got", "why"), each, strict=True)) for each in row.limits],
            }
            for row in rows
        ],
        "least_us": sum(row.least_us for row in rows),
        "most_us": sum(row.most_us for row in rows),
        "notes": list(notes),
    }


def _seconds(us: int) -> int:
    return -(-us // 1_000_000) * 1_000_000
