"""The dated comparisons of boards with a meter: a file beside the provings; which one holds now, and when it is due.

One whose figures lie beyond what is right keeps calls that ring from being placed, until one of the same board or unit
has passed: the guard's limits of voltage and current are then not what they say. So does a line that cannot be read,
which may have been one. That none was made yet, or none for over a year, is said wherever the guard's state is told,
and keeps nothing from ringing: drift takes years.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from datetime import datetime, timedelta
from math import isfinite
from pathlib import Path

from demo_ctl.safety.book import append_line, read_lines
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.located import plain
from demo_ctl.terms.outcome import Outcome

NAME = "meter.jsonl"
FORMAT = "demo_ctl meter 1"
#: A comparison holds for so long (common practice, no source: instruments are compared once a year).
DUE = timedelta(days=366)
#: Clocks of two computers may differ by so much.
AHEAD = timedelta(minutes=5)
COMPARE = "demo_ctl safety meter"
_WHAT = "the comparison with a meter"
_TOO_LONG = "Move it to a safe place: a new one is begun. Then compare the board with a meter again."
_WORDS = {each.value for each in (Outcome.PASS, Outcome.MARGINAL, Outcome.FAIL)}
_FIGURES = ("generator_V", "generator_meter_V", "battery_V", "battery_meter_V", "doubt_pct", "ceiling_V")
_TEXTS = ("at", "unit", "board", "who", "outcome", "say")


@dataclass(frozen=True)
class Row:
    """One comparison. at: the date with its zone; volts as read; doubt_pct: of the meter; outcome: its word.

    beyond: a best estimate lies beyond its limit, sure or not.
    """

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
    ceiling_V: float
    outcome: str
    beyond: bool
    say: str


#: A line that cannot be read.
UNREADABLE = Row("", "", "", False, "", 0, 0, 0, 0, 0, 0, "", True, "a line of the book cannot be read")


def text_of(row: Row) -> str:
    """Return a row as its line."""
    return json.dumps({"format": FORMAT, **asdict(row)}, ensure_ascii=True) + "\n"


def parse(line: str) -> Row:
    """Read a line; `UNREADABLE` when it is none of ours, or not whole."""
    try:
        body = json.loads(line)
        if body.pop("format") != FORMAT or set(body) != set(Row.__dataclass_fields__):
            return UNREADABLE
        texts = {name: body[name] for name in _TEXTS}
        figures = [body[name] for name in _FIGURES]
        if any(not isinstance(each, str) for each in texts.values()) or any(
            type(body[name]) is not bool for name in ("simulated", "beyond")
        ):
            return UNREADABLE
        if any(type(each) not in (int, float) or not isfinite(each) or each < 0 for each in figures):
            return UNREADABLE
        if body["outcome"] not in _WORDS or datetime.fromisoformat(body["at"]).tzinfo is None:
            return UNREADABLE
        return Row(**{**body, **{name: plain(text) for name, text in texts.items()}})
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError, OverflowError):
        return UNREADABLE


def append(folder: Path, row: Row) -> None:
    """Add a row, and see it to the disk. InputError when that cannot be done; half a row blocks as one that failed."""
    append_line(folder / NAME, text_of(row), _WHAT)


def read_rows(folder: Path) -> list[Row]:
    """Read the whole book, in order. InputError as `book.read_lines`."""
    return [parse(line) for line in read_lines(folder / NAME, _WHAT, _TOO_LONG)]


@dataclass(frozen=True)
class Holds:
    """What holds of a board and its unit. last: the last comparison that can be read, None: there is none.

    against: the one that keeps calls from ringing, None: nothing does.
    """

    last: Row | None = None
    against: Row | None = None


def holds(rows: Iterable[Row], unit: str, board: str, *, simulated: bool) -> Holds:
    """Return what holds of a board at a unit, by all rows in the order of the book.

    One that passed lifts what stood against it of the same board or the same unit, and a line that cannot be read;
    nothing else does, a comparison with a poorer meter least.
    """
    found = Holds()
    for row in rows:
        if row is UNREADABLE:
            found = replace(found, against=found.against or row)
        elif row.simulated == simulated and (row.board == board or row.unit == unit):
            passed = row.outcome == Outcome.PASS.value and not row.beyond
            found = Holds(row, None if passed else row if row.beyond else found.against)
    return found


def objection(found: Holds) -> str:
    """Return why nothing may ring by what holds, or ""."""
    row = found.against
    if row is None:
        return ""
    if row is UNREADABLE:
        return f"a line of {NAME} cannot be read, and may have been a comparison with a meter that failed"
    return f"the board does not measure what a meter measures (compared {row.at}{_by(row)}: {row.say})"


def standing(found: Holds, now: datetime, board: str = "") -> str:
    """Say how a board stands with the meter, some sentences. board: its number, where another's row may be meant."""
    if why := objection(found):
        return f"DO NOT RING: {why}. It stands until a comparison has passed ({COMPARE})."
    row = found.last
    if row is None:
        return (
            "Not compared with a meter on this computer yet: a competent person does that at first use and once a year "
            f"({COMPARE})."
        )
    other = ", with another board" if board and row.board != board else ""
    when = f"{datetime.fromisoformat(row.at).date().isoformat()}{_by(row)}{other}"
    if row.outcome != Outcome.PASS.value:
        return f"Compared with a meter, {when}, and neither passed nor failed: {row.say}. Compare it with a better one."
    age = now - datetime.fromisoformat(row.at)
    more = ""
    if other:
        more = f" THIS BOARD HAS NOT BEEN COMPARED YET ({COMPARE})."
    elif age < -AHEAD:
        more = " THAT IS DATED IN THE FUTURE: set this computer's clock right; if it is right, compare again."
    elif age > DUE:
        more = f" THAT IS DUE AGAIN: it is done once a year ({COMPARE})."
    return f"Compared with a meter, {when}: {row.say}.{more}"


def account(folder: Path, unit: str, board: str, *, simulated: bool, now: datetime) -> tuple[str, bool]:
    """Say how a board stands with the meter, by the book in a folder, and whether that keeps calls from ringing.

    A book that cannot be read is told as that, and keeps them from it too.
    """
    try:
        found = holds(read_rows(folder), unit, board, simulated=simulated)
    except InputError as error:
        return f"DO NOT RING: {error}", True
    return standing(found, now, board), bool(objection(found))


def _by(row: Row) -> str:
    return f" by {row.who}" if row.who else ""
