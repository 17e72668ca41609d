"""The dated comparisons of boards with a meter: a file beside the provings; which one holds now, and when it is due.

The last comparison of a board decides. One that failed keeps calls that ring from being placed until one has passed:
the guard's limits of voltage and current are then not what they say. That none was made yet, or none for over a year,
is said wherever the guard's state is told, and keeps nothing from ringing: drift takes years.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from pathlib import Path

from demo_ctl.safety.book import append_line, read_lines
from demo_ctl.terms.outcome import Outcome

NAME = "meter.jsonl"
FORMAT = "demo_ctl meter 1"
#: A comparison holds for so long (common practice, no source: instruments are compared once a year).
DUE = timedelta(days=366)
COMPARE = "demo_ctl safety meter"
_WHAT = "the comparison with a meter"
_TOO_LONG = "Move it to a safe place: a new one is begun. Then compare the board with a meter again."
_WORDS = {each.value for each in (Outcome.PASS, Outcome.MARGINAL, Outcome.FAIL)}


@dataclass(frozen=True)
class Row:
    """One comparison. at: the date with its zone; volts as read; doubt_pct: of the meter; outcome: its word."""

    at: str
    unit: str
    board: str
    simulated: bool
    who: str
    generator_V: float
    generator_meter_V: float
    battery_V: float
    battery_meter_V: float
    doubt_pct: float
    ceiling_V: int
    outcome: str
    say: str


def text_of(row: Row) -> str:
    """Return a row as its line."""
    return json.dumps({"format": FORMAT, **asdict(row)}, ensure_ascii=True) + "\n"


def parse(line: str) -> Row | None:
    """Read a line; None when it is none of ours, or not whole."""
    try:
        body = json.loads(line)
        if body.pop("format") != FORMAT or set(body) != set(Row.__dataclass_fields__):
            return None
        row = Row(**body)
        words = (row.at, row.unit, row.board, row.who, row.outcome, row.say)
        numbers = (
            row.generator_V,
            row.generator_meter_V,
            row.battery_V,
            row.battery_meter_V,
            row.doubt_pct,
            row.ceiling_V,
        )
        if any(not isinstance(each, str) for each in words) or type(row.simulated) is not bool:
            return None
        if any(type(each) not in (int, float) or not each >= 0 for each in numbers):
            return None
        if row.outcome not in _WORDS or datetime.fromisoformat(row.at).tzinfo is None:
            return None
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return None
    return row


def append(folder: Path, row: Row) -> None:
    """Add a row, and see it to the disk. InputError when that cannot be done."""
    append_line(folder / NAME, text_of(row), _WHAT)


def read_rows(folder: Path) -> list[Row | None]:
    """Read the whole book, in order; None: a line that cannot be read. InputError as `book.read_lines`."""
    return [parse(line) for line in read_lines(folder / NAME, _WHAT, _TOO_LONG)]


def last(rows: Iterable[Row | None], board: str, *, simulated: bool) -> Row | None:
    """Return the last comparison of a board, whatever unit it was at; None: it has none.

    A line that cannot be read may have been one that failed, or one of another board: what passed before it does not
    count any more, and what failed before it still does.
    """
    found: Row | None = None
    for row in rows:
        if row is None:
            found = found if objection(found) else None
        elif (row.board, row.simulated) == (board, simulated):
            found = row
    return found


def objection(row: Row | None) -> str:
    """Return why nothing may ring after this last comparison, or ""."""
    if row is None or row.outcome != Outcome.FAIL.value:
        return ""
    return f"the board does not measure what a meter measures (compared {row.at}{_by(row)}: {row.say})"


def standing(row: Row | None, now: datetime) -> str:
    """Say how a board stands with the meter, a sentence."""
    if row is None:
        return (
            "Not compared with a meter on this computer yet: a competent person does that at first use and once a year "
            f"({COMPARE})."
        )
    when = f"{datetime.fromisoformat(row.at).date().isoformat()}{_by(row)}"
    if why := objection(row):
        return f"DO NOT RING: {why}."
    if row.outcome != Outcome.PASS.value:
        return f"Compared with a meter, {when}, and neither passed nor failed: {row.say}. Compare it with a better one."
    age = now - datetime.fromisoformat(row.at)
    due = f" THAT IS DUE AGAIN: it is done once a year ({COMPARE})." if age > DUE else ""
    return f"Compared with a meter, {when}: {row.say}.{due}"


def _by(row: Row) -> str:
    return f" by {row.who}" if row.who else ""
