"""The guard for people: how it stands, its limits, its trips, a proving. Pure: plain rows in, renderables out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.console import RenderableType
from rich.padding import Padding
from rich.text import Text

from demo_ctl.report.words import plain_table

Rows = Iterable[tuple[str, str]]


def rows_table(title: str, first: str, second: str, rows: Rows) -> RenderableType:
    """Two columns."""
    table = plain_table(title, first, second)
    for name, value in rows:
        table.add_row(Text(name), Text(value))
    return table


def standing_parts(
    headline: str, why: str, obstacle: str, next_step: str, groups: Sequence[tuple[str, Rows]], *, danger: bool
) -> list[RenderableType]:
    """How the guard stands. danger: ringing may be on a line, or the guard is tripped."""
    parts: list[RenderableType] = [Text(headline, style="bold red" if danger else "bold")]
    if why:
        parts.append(Text(f"Why: {why}."))
    if obstacle:
        parts += [Text(f"In the way of ringing: {obstacle}."), Text(next_step)]
    else:
        parts.append(Text("Nothing is in the way of a plan that rings."))
    for title, rows in groups:
        parts += [Text(""), rows_table(title, "what", "how it is", rows)]
    return parts


def limits_parts(rows: Iterable[tuple[str, int, bool]], digest: str) -> list[RenderableType]:
    """The limits in force: name (its last word is the unit), value, whether the host may make it smaller."""
    table = plain_table("Limits in force on the board", "limit", "value", "may be tightened")
    for name, value, may in rows:
        what, _, unit = name.rpartition(" ")
        table.add_row(Text(what), Text(f"{value} {unit}"), Text("yes" if may else "no, a constant"))
    return [table, Text(f"Digest of all of them: {digest}")]


def trips_parts(trips: Sequence[Sequence[str]], *, title: str = "Last trips, the newest first") -> list[RenderableType]:
    """Each trip as its paragraphs."""
    parts: list[RenderableType] = [Text(title, style="bold")]
    if not trips:
        parts.append(Padding(Text("none since the board started"), (0, 0, 0, 2)))
    for paragraphs in trips:
        first, *rest = paragraphs
        parts.append(Padding(Text(first, style="yellow"), (0, 0, 0, 2)))
        parts += [Padding(Text(text), (0, 0, 0, 4)) for text in rest]
    return parts
