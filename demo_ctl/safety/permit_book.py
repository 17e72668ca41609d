"""What happened to the unit's supply permit, with dates: a file beside the provings; and which alarm still stands.

The board latches an alarm until its key has been turned off, and forgets it when it is reset or loses its power. So
the host remembers, too: after an alarm it asks for no supply until a person has said in so many words that it was seen
to.

One JSON object a line, only ever added to. The last line of a unit decides, so reading the file's end is enough: a
supply is only given where no alarm stood. A line that cannot be read may have been one (the power went with the smoke),
and counts as one until it is acknowledged.
"""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from queue import SimpleQueue

from demo_ctl.link.advice import of_reason
from demo_ctl.link.lease import ALARMS
from demo_ctl.terms.errors import InputError, Place, TripError
from demo_ctl.wire import messages as m

NAME = "permits.jsonl"
FORMAT = "demo_ctl permit 1"
GIVEN, ENDED, LOST, REFUSED, CLEARED = "given", "ended", "lost", "refused", "alarm cleared"
#: So much of the file's end is read; a row has some 300 bytes.
_MOST_BYTES = 1 << 20
#: A disk that stands still is waited for so long at the end.
_PATIENCE_S = 10.0


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
_ALARM_NAMES = tuple(m.R_NAMES[reason] for reason in ALARMS)


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
    """Read the end of the file, in order. No file: no rows. InputError when it is there and cannot be read at all."""
    path = folder / NAME
    try:
        with path.open("rb") as file:
            size = file.seek(0, os.SEEK_END)
            file.seek(max(0, size - _MOST_BYTES))
            lines = file.read(_MOST_BYTES).decode(errors="replace").split("\n")
    except FileNotFoundError:
        return []
    except OSError as error:
        raise _cannot(path, error) from None
    if size > _MOST_BYTES:
        del lines[0]
    return [parse(line) for line in lines if line]


def standing_alarm(rows: Iterable[Row], unit: str, *, simulated: bool) -> Row | None:
    """Return the alarm of this unit that nobody has acknowledged yet, or None. rows: in the order of the file."""
    standing: Row | None = None
    for row in rows:
        if row is UNREADABLE:
            standing = standing or row
        elif (row.unit, row.simulated) == (unit, simulated):
            if row.event in (LOST, REFUSED) and row.reason in _ALARM_NAMES:
                # A board that refuses because of it only says it again: the date is the alarm's own.
                standing = standing if standing is not None and row.event == REFUSED else row
            elif row.event in (GIVEN, CLEARED):
                standing = None
    return standing


def alarm_in_words(row: Row) -> str:
    """Say which alarm it was, and when."""
    if row is UNREADABLE:
        return f"a line of {NAME} cannot be read, and may have been an alarm"
    return f"{row.reason}, {row.at}{f' ({row.say})' if row.say else ''}"


def check_no_alarm(rows: Iterable[Row], unit: str, *, simulated: bool) -> None:
    """TripError while an alarm of this unit has not been acknowledged."""
    alarm = standing_alarm(rows, unit, simulated=simulated)
    if alarm is None:
        return
    advice = of_reason(reason_of(alarm))
    look = "" if alarm is UNREADABLE else f"Look {advice.look}. {advice.next_step} "
    raise TripError(
        f"the unit's supply was taken off by an alarm that nobody has acknowledged yet: {alarm_in_words(alarm)}",
        next_step=f"{look}When it has been seen to: demo_ctl safety permit --alarm-cleared.",
    )


# -- the file -----------------------------------------------------------------------------------------------


def append(folder: Path, row: Row) -> None:
    """Add a row, and see it to the disk. InputError when that cannot be done."""
    path = folder / NAME
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
        try:
            size = os.fstat(handle).st_size
            torn = size > 0 and os.pread(handle, 1, size - 1) != b"\n"  # by a power cut, within a row
            os.write(handle, (("\n" if torn else "") + text_of(row)).encode())
            os.fsync(handle)
        finally:
            os.close(handle)
    except OSError as error:
        raise _cannot(path, error) from None


def _cannot(path: Path, error: OSError) -> InputError:
    return InputError(
        f"what happens to the supply permit cannot be kept here: {error.strerror or error}",
        where=Place(str(path)),
        next_step="Give --proving-dir a folder that you may read and write.",
    )


class PermitBook:
    """Writes rows in a thread of its own: whoever renews a lease never waits for a disk."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._rows: SimpleQueue[Row | None] = SimpleQueue()
        self._trouble = ""
        self._thread = threading.Thread(target=self._write, name="permit book", daemon=True)
        self._thread.start()

    def note(self, row: Row) -> None:
        """Have a row written; comes back at once."""
        self._rows.put(row)

    def close(self) -> str:
        """Wait until all is on the disk; return what went wrong, or ""."""
        self._rows.put(None)
        self._thread.join(_PATIENCE_S)
        return f"{self.folder / NAME}: the disk stands still" if self._thread.is_alive() else self._trouble

    def _write(self) -> None:
        while (row := self._rows.get()) is not None:
            try:
                append(self.folder, row)
            except InputError as error:
                self._trouble = self._trouble or str(error)
