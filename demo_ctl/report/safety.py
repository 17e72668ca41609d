"""The guard for people: how it stands, its limits, its trips, a proving. Pure: plain rows in, renderables out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.console import RenderableType
from rich.padding import Padding
from rich.table import Table
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
    headline: str,
    why: str,
    obstacle: str,
    next_step: str,
    proving: Sequence[str],
    groups: Sequence[tuple[str, Rows]],
    *,
    danger: bool,
) -> list[RenderableType]:
    """How the guard stands. proving: what there is to say of it; danger: ringing may be on, or the guard is tripped."""
    parts: list[RenderableType] = [Text(headline, style="bold red" if danger else "bold")]
    if why:
        parts.append(Text(f"Why: {why}."))
    if obstacle:
        parts += [Text(f"In the way of ringing: {obstacle}."), Text(next_step)]
    else:
        parts.append(Text("At the board, nothing is in the way of a plan that rings."))
    parts += [Text(text) for text in proving]
    for title, rows in groups:
        parts += [Text(""), rows_table(title, "what", "how it is", rows)]
    return parts


def blocks(title: str, rows: Iterable[tuple[str, str, Rows]]) -> list[RenderableType]:
    """What is too much for columns: for each thing its name, a sentence, and what there is to say, each under a word.

    A row without a name goes on with the one before it.
    """
    parts: list[RenderableType] = [Text(title, style="bold")]
    for name, sentence, says in rows:
        parts.append(Text(""))
        if name:
            parts.append(Text(name, style="bold"))
        if sentence:
            parts.append(Padding(Text(sentence), (0, 0, 0, 2)))
        inner = Table(box=None, show_header=False, padding=(0, 1, 0, 0))
        inner.add_column(no_wrap=True, style="dim")
        inner.add_column(overflow="fold")
        for word, text in says:
            inner.add_row(word, Text(text))
        parts.append(Padding(inner, (0, 0, 0, 4)))
    return parts


def meter_table(rows: Iterable[tuple[str, str, str, str, str]]) -> RenderableType:
    """A comparison with a meter: each check's title, note, value, limit and outcome."""
    table = plain_table("Board and meter", "check", "value", "limit", "outcome")
    for title, note, value, limit, outcome in rows:
        what = Text(f"{title}\n  ({note})" if note else title)
        table.add_row(what, Text(value), Text(limit), Text(outcome, style="" if outcome == "pass" else "bold red"))
    return table


def limits_parts(rows: Iterable[tuple[str, str, str, bool]], digest: str) -> list[RenderableType]:
    """The limits in force: name, value with its unit, a sentence, whether the host may make it smaller."""
    rows = list(rows)
    parts: list[RenderableType] = []
    for title, wanted in (
        ("Limits in force on the board that may be tightened", True),
        ("Constants of the board", False),
    ):
        table = plain_table(title, "limit", "value", "what it is")
        for name, value, says, may in rows:
            if may is wanted:
                table.add_row(Text(name), Text(value), Text(says))
        parts += [table, Text("")]
    return [*parts, Text(f"Digest of all of them: {digest}")]


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
