"""What happened to the unit's supply permit, with dates: a file beside the provings; and which alarm still stands.

The board latches an alarm until its key has been turned off, and forgets it when it is reset or loses its power. So
the host remembers, too: after an alarm it asks for no supply until a person has said in so many words that it was seen
to.

One JSON object a line, only ever added to, and read whole: an alarm stands, however many rows come after it, until a
row says that it was seen to. A line that cannot be read may have been one (the power went with the smoke), and counts
as one until it is acknowledged. Every row is written by `append`, in order and synced, and none while a lease is held:
that the supply is given stands on the disk before it is asked for; what took it, before anybody is told in words.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from demo_ctl.link.advice import of_reason
from demo_ctl.link.lease import ALARMS
from demo_ctl.safety.book import append_line, cannot, read_lines
from demo_ctl.terms.errors import InputError, TripError
from demo_ctl.wire import messages as m

NAME = "permits.jsonl"
#: How a person says that an alarm was seen to.
CLEARED_BY = "demo_ctl safety permit --alarm-cleared"
FORMAT = "demo_ctl permit 1"
GIVEN, ENDED, LOST, REFUSED, CLEARED = "given", "ended", "lost", "refused", "alarm cleared"
_WHAT = "what happens to the supply permit"
_TOO_LONG = (
    'An alarm may stand in it: look for what took the supply ("event": "lost" or "refused") and was not seen to, and '
    "see to it. Then move the file to a safe place: a new one is begun."
)
#: A disk that stands still is waited for so long; at once for so long, and then with a turn of something else between.
_PATIENCE_S, _AT_ONCE_S, _TURN_S = 10.0, 0.2, 0.05


@dataclass(frozen=True)
class Row:
    """One thing that happened. at: the date with its zone; event: one of the above; reason: the board's, by its name.

    boot, board_us: which start of the board, and its clock then (0: not known).
    """

    at: str
    unit: str
    board: str
    simulated: bool
    event: str
    reason: str = ""
    say: str = ""
    who: str = ""
    boot: int = 0
    board_us: int = 0


#: A line that cannot be read.
UNREADABLE = Row("", "", "", False, LOST, "", "a line of the file cannot be read")
#: So many standing alarms are told one by one.
_MOST_TOLD = 3
_ALARM_NAMES = tuple(m.R_NAMES[reason] for reason in ALARMS)
_CONTACTS = (
    (m.IN_SMOKE, "the smoke contact"),
    (m.IN_FUSE, "the fuse alarm"),
    (m.IN_RELEASE, "the release alarm"),
    (m.IN_SUPERVISORY, "the supervisory alarm"),
)


def open_alarms(inputs: int) -> list[str]:
    """Name the alarm contacts that are open, by the board's inputs (IN_... bits)."""
    return [name for bit, name in _CONTACTS if not inputs & bit]


def reason_of(row: Row) -> int:
    """Return a row's reason as its number; R_NONE when it has none that is known here."""
    return m.R_NAMES.index(row.reason) if row.reason in m.R_NAMES else m.R_NONE


def text_of(row: Row) -> str:
    """Return a row as its line."""
    return json.dumps({"format": FORMAT, **asdict(row)}, ensure_ascii=True) + "\n"


def parse(line: str) -> Row:
    """Read a line; `UNREADABLE` when it is none of ours."""
    try:
        body = json.loads(line)
        if body.pop("format") != FORMAT or set(body) != set(Row.__dataclass_fields__):
            return UNREADABLE
        row = Row(**body)
        numbers = (row.boot, row.board_us)
        words = (row.at, row.unit, row.board, row.event, row.reason, row.say, row.who)
        if any(type(each) is not int for each in numbers) or any(not isinstance(each, str) for each in words):
            return UNREADABLE
        if row.event not in (GIVEN, ENDED, LOST, REFUSED, CLEARED) or datetime.fromisoformat(row.at).tzinfo is None:
            return UNREADABLE
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return UNREADABLE
    return row


def read_rows(folder: Path) -> list[Row]:
    """Read the whole book, in order; InputError as `book.read_lines`."""
    return [parse(line) for line in read_lines(folder / NAME, _WHAT, _TOO_LONG)]


def _same(row: Row, unit: str, board: str) -> bool:
    return row.unit == unit or row.board == board


def standing_alarms(rows: Iterable[Row], unit: str, board: str, *, simulated: bool) -> list[Row]:
    """Return the alarms that nobody has acknowledged yet, of this unit or of this board, whatever the unit was named.

    rows: all there are, in the order of the file. That a supply was given later clears nothing.
    """
    standing: list[Row] = []
    for row in rows:
        if row is UNREADABLE:
            if all(each is not UNREADABLE for each in standing):
                standing.append(row)
        elif row.simulated != simulated or not _same(row, unit, board):
            continue
        elif row.event == CLEARED:
            standing = [each for each in standing if each is not UNREADABLE and not _same(each, row.unit, row.board)]
        elif row.event == LOST and row.reason in _ALARM_NAMES:
            standing.append(row)
        elif row.event == REFUSED and row.reason in _ALARM_NAMES:
            # A board that refuses because of an alarm only says it again: the date is the alarm's own.
            standing += [] if any(_same(each, row.unit, row.board) for each in standing) else [row]
    return standing


def alarms_in_words(alarms: list[Row]) -> str:
    """Say which alarms stand, and since when; the latest of many."""
    more = len(alarms) - _MOST_TOLD
    told = [_in_words(each) for each in alarms[-_MOST_TOLD:]]
    return "; ".join(told) + (f"; and {more} before" if more > 0 else "")


def _in_words(row: Row) -> str:
    if row is UNREADABLE:
        return f"a line of {NAME} cannot be read, and may have been an alarm"
    return f"{row.reason}, {row.at}{f' ({row.say})' if row.say else ''}"


def check_no_alarm(rows: Iterable[Row], unit: str, board: str, *, simulated: bool) -> None:
    """TripError while an alarm of this unit or board has not been acknowledged."""
    alarms = standing_alarms(rows, unit, board, simulated=simulated)
    if not alarms:
        return
    advice = of_reason(reason_of(alarms[-1]))
    look = "" if alarms[-1] is UNREADABLE else f"Look {advice.look}. {advice.next_step} "
    raise TripError(
        f"the unit's supply was taken off by an alarm that nobody has acknowledged yet: {alarms_in_words(alarms)}",
        next_step=f"{look}When it has been seen to: {CLEARED_BY}.",
    )


# -- the file -----------------------------------------------------------------------------------------------


def append(folder: Path, row: Row) -> None:
    """Add a row, and see it to the disk. InputError when that cannot be done, or not be known."""
    append_line(folder / NAME, text_of(row), _WHAT)  # what is half written cannot be read, and counts as an alarm


def append_in_time(folder: Path, row: Row, meanwhile: Callable[[], object]) -> None:
    """`append`, waited for no longer than a disk may take; InputError also when it takes longer.

    meanwhile: done again and again while the disk is slow, such as a turn of the loop that sends heartbeats.
    """
    ended: list[InputError | None] = []

    def work() -> None:
        try:
            append(folder, row)
        except InputError as error:
            ended.append(error)
        else:
            ended.append(None)

    thread = threading.Thread(target=work, name="book of permits", daemon=True)
    until = time.monotonic() + _PATIENCE_S
    thread.start()
    thread.join(_AT_ONCE_S)
    while thread.is_alive() and time.monotonic() < until:
        meanwhile()
        thread.join(_TURN_S)
    if not ended:
        raise cannot(folder / NAME, _WHAT, OSError("the disk stands still"))
    if ended[0] is not None:
        raise ended[0]
