"""The reader of record files, and of the bench's truth files (RECORD.md beside this file is the format of both).

Whatever is in the file, the answer is a Record (a TruthRecord) or an InputError with file and line. A torn last line
(the program was killed while it wrote) is left out, and `remarks` says so.

A truth is for replays and for tests of the bench. Nothing that measures or judges may read one; a house test holds it.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple, NoReturn

from demo_ctl.judge.model import Verdict
from demo_ctl.ledger.coding import decode
from demo_ctl.ledger.record import FORMAT
from demo_ctl.measure.model import Observation
from demo_ctl.plan.model import Plan
from demo_ctl.terms.errors import InputError, Place
from demo_ctl.terms.plain_file import open_plain
from demo_ctl.wire import messages as m
from demo_ctl.wire.codec import encode

#: Sizes are bounded before anything is parsed. A start row holds a whole plan: some tens of kilobytes.
MOST_LINE_BYTES = 1 << 20
#: About four hours of listening.
MOST_FILE_BYTES = 400 << 20

#: The bench writes it so (it may not be imported here); a test writes with the one and reads with the other.
TRUTH_FORMAT = "demo_ctl truth 1"
#: Where the bench ends a truth file: nearly a million rows.
MOST_TRUTH_BYTES = 64 << 20
#: Of `what`: a unit's names are of at most 60 characters.
_MOST_WHAT = 200
#: Control characters (but tab and new line) and lone surrogates.
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")


@dataclass(frozen=True)
class Note:
    """What no event can tell. at_us: the board's clock, 0 before the start."""

    at_us: int
    text: str


@dataclass(frozen=True)
class Record:
    """One recorded call. status, reason and exit_code are None when the program never wrote its end row."""

    path: str
    plan: Plan
    unit: str
    port: str
    simulated: bool
    wall_utc: str
    observation: Observation
    notes: tuple[Note, ...]
    verdicts: tuple[Verdict, ...]
    status: str | None
    reason: str | None
    exit_code: int | None
    #: What a person should know about this file: torn, without an end, events missing.
    remarks: tuple[str, ...]
    #: The board's own account of each trip, in the order of the rows: the newest first.
    trips: tuple[m.Trip, ...] = ()

    @property
    def complete(self) -> bool:
        """Whether the end row is there."""
        return self.status is not None


class TruthRow(NamedTuple):
    """At `at_us` of the board's clock, in its boot `boot`, `what` became `value`; before its first row it was 0."""

    boot: int
    at_us: int
    what: str
    value: int


@dataclass(frozen=True)
class TruthRecord:
    """One bench's truth. `boot` is the boot that a record's welcome declares; complete: the bench was put away."""

    path: str
    port: str
    unit: str
    seed: int
    boot: int
    rows: tuple[TruthRow, ...]
    complete: bool
    remarks: tuple[str, ...]


def read_record(path: str | Path) -> Record:
    """Read a record file whole. InputError (file:line) when it is none, or damaged before its last line."""
    reading = _Reading(str(path))
    for line, row in _rows(Path(path), reading):
        reading.take(line, row)
    return reading.done()


def read_truth(path: str | Path) -> TruthRecord:
    """Read a truth file whole. InputError (file:line) when it is none, or damaged before its last line."""
    reading = _TruthReading(str(path))
    for line, row in _rows(Path(path), reading):
        reading.take(line, row)
    return reading.done()


def _rows(path: Path, reading: _Lines) -> Iterator[tuple[int, dict[str, Any]]]:
    try:
        with open_plain(path) as file:
            size = 0
            line = 0
            while text := file.readline(MOST_LINE_BYTES + 1):
                line += 1
                size += len(text)
                if len(text) > MOST_LINE_BYTES:
                    reading.refuse(line, f"this line is longer than the {MOST_LINE_BYTES} bytes it may have")
                if size > reading.most_bytes:
                    reading.refuse(
                        line, f"this file is larger than the {reading.most_bytes} bytes a {reading.kind} may have"
                    )
                if not text.endswith(b"\n"):
                    # Only the last line can lack its end: readline stops at the end of the file.
                    reading.torn(line)
                    return
                yield line, reading.parse(line, text)
    except OSError as error:
        raise InputError(
            f"this {reading.kind} cannot be read: {error.strerror or error}",
            where=Place(str(path)),
            next_step="Check the name, and that you may read it.",
        ) from None


class _Lines:
    """What both kinds of file share: lines, their bounds, and complaints."""

    kind = "record"
    format = FORMAT
    made_by = "demo_ctl call --record"

    def __init__(self, file: str) -> None:
        self.file = file
        self.most_bytes = MOST_FILE_BYTES
        self.start: dict[str, Any] | None = None
        self.end: dict[str, Any] | None = None
        self.remarks: list[str] = []
        self.unknown: set[str] = set()

    def refuse(self, line: int, what: str) -> NoReturn:
        raise InputError(
            what,
            where=Place(self.file, line),
            next_step=f"A {self.kind} is a file that `{self.made_by}` wrote ('{self.format}'), unedited.",
        )

    def torn(self, line: int) -> None:
        if self.start is None:
            self.refuse(line, "the file ends inside its first line: nothing of the call is in it")
        self.remarks.append(f"line {line}, the last, is torn: the program ended while it wrote. It is left out")

    def parse(self, line: int, text: bytes) -> dict[str, Any]:
        try:
            row = _clean(json.loads(text, parse_constant=_no_constant))
        except (ValueError, RecursionError):
            self.refuse(line, "expected one JSON object on this line")
        if not isinstance(row, dict) or not isinstance(row.get("row"), str):
            self.refuse(line, 'expected a JSON object with a "row" that says what it is')
        return row

    def check_start(self, line: int, row: dict[str, Any]) -> None:
        kind = row["row"]
        if kind != "start" or row.get("format") != self.format:
            found = row.get("format", "no format") if kind == "start" else f"a row '{kind[:40]}'"
            self.refuse(line, f"expected a start row of the format '{self.format}', found {str(found)[:60]!r}")

    def remark_unknown(self) -> None:
        if self.unknown:
            names = ", ".join(sorted(self.unknown)[:5])
            self.remarks.append(f"rows of a kind this program does not know were passed over: {names}")


class _TruthReading(_Lines):
    """Collects rows into a TruthRecord."""

    kind = "truth"
    format = TRUTH_FORMAT
    made_by = "demo_ctl call --truth"

    def __init__(self, file: str) -> None:
        super().__init__(file)
        self.most_bytes = MOST_TRUTH_BYTES
        self.rows: list[TruthRow] = []
        self.boot = 0
        self.last_us = 0
        self.names: dict[str, str] = {}  # each name is kept once, however many rows tell of it

    def take(self, line: int, row: dict[str, Any]) -> None:
        kind = row["row"]
        try:
            if self.start is None:
                self.check_start(line, row)
                _text(row, "port"), _text(row, "unit"), _whole(row, "seed")
                self.boot = _whole(row, "boot", 0xFFFFFFFF)
                self.start = row
            elif self.end is not None:
                self.refuse(line, "nothing may follow the end row")
            elif kind == "truth":
                self._take_truth(line, row)
            elif kind == "boot":
                self.boot = _whole(row, "boot", 0xFFFFFFFF)
                self.last_us = 0
            elif kind == "end":
                self._take_end(line, row)
            elif kind == "start":
                self.refuse(line, "a second start row: a truth holds one run of the bench")
            else:
                self.unknown.add(kind[:40])
        except ValueError as error:
            self.refuse(line, str(error))

    def _take_truth(self, line: int, row: dict[str, Any]) -> None:
        at_us = _whole(row, "at_us")
        if at_us < self.last_us:
            self.refuse(line, f"at_us {at_us} lies before the row above it, {self.last_us}")
        what = _text(row, "what")
        part, slash, thing = what.rpartition("/")
        if len(what) > _MOST_WHAT or not (part and slash and thing):
            raise ValueError("what: expected a part, a slash, and the thing that changed")
        self.last_us = at_us
        what = self.names.setdefault(what, what)
        self.rows.append(TruthRow(self.boot, at_us, what, _whole(row, "value", 0xFFFF)))

    def _take_end(self, line: int, row: dict[str, Any]) -> None:
        count = _whole(row, "rows")
        if count != len(self.rows):
            self.refuse(line, f"the end row counts {count} rows, the file has {len(self.rows)}")
        if _text(row, "status") == "full":
            self.remarks.append(f"the bench stopped writing here: a truth has at most {MOST_TRUTH_BYTES} bytes")
        self.end = row

    def done(self) -> TruthRecord:
        if self.start is None:
            self.refuse(0, "this file is empty")
        if self.end is None:
            self.remarks.append("there is no end row: the program was killed, or the disk failed")
        self.remark_unknown()
        return TruthRecord(
            path=self.file,
            port=self.start["port"],
            unit=self.start["unit"],
            seed=self.start["seed"],
            boot=self.start["boot"],
            rows=tuple(self.rows),
            complete=self.end is not None and self.end["status"] == "finished",
            remarks=tuple(self.remarks),
        )


class _Reading(_Lines):
    """Collects rows into a Record."""

    def __init__(self, file: str) -> None:
        super().__init__(file)
        self.plan: Plan | None = None
        self.welcome: m.Welcome | None = None
        self.events: list[m.Event] = []
        self.blocks: list[m.Audio] = []
        self.notes: list[Note] = []
        self.verdicts: list[Verdict] = []
        self.trips: list[m.Trip] = []

    def take(self, line: int, row: dict[str, Any]) -> None:
        kind = row["row"]
        try:
            if self.start is None:
                self._take_start(line, row)
            elif self.end is not None:
                self.refuse(line, "nothing may follow the end row")
            elif kind == "event":
                self._take_event(line, row)
            elif kind == "audio":
                self._take_audio(row)
            elif kind == "note":
                self.notes.append(Note(_whole(row, "at_us"), _text(row, "text")))
            elif kind == "verdict":
                self.verdicts.append(decode(Verdict, row.get("verdict"), "verdict"))
            elif kind == "trip":
                trip = decode(m.Trip, row.get("trip"), "trip")
                encode(0, trip)  # ValueError for what no board can have sent
                self.trips.append(trip)
            elif kind == "end":
                _text(row, "status"), _text(row, "reason"), _whole(row, "exit_code", 255)
                self.end = row
            elif kind == "start":
                self.refuse(line, "a second start row: a record holds one call")
            else:
                self.unknown.add(kind[:40])
        except ValueError as error:
            self.refuse(line, str(error))

    def _take_start(self, line: int, row: dict[str, Any]) -> None:
        self.check_start(line, row)
        for name in ("wall_utc", "port", "unit"):
            _text(row, name)
        if not isinstance(row.get("simulated"), bool):
            raise ValueError("simulated: expected true or false")
        self.welcome = decode(m.Welcome, row.get("welcome"), "welcome")
        encode(0, self.welcome)  # ValueError for what no board can have sent
        self.plan = decode(Plan, row.get("plan"), "plan")
        self.start = row

    def _take_event(self, line: int, row: dict[str, Any]) -> None:
        number = _whole(row, "number", 0xFFFFFFFF)
        last = self.events[-1].number if self.events else -1
        if number <= last:
            self.refuse(line, f"event {number} comes after event {last}")
        if number > last + 1 and self.events:
            self.remarks.append(f"events {last + 1} to {number - 1} are missing (line {line})")
        self.events.append(
            m.Event(
                number,
                _whole(row, "at_us"),
                _whole(row, "kind", 255),
                _whole(row, "port", 255),
                _whole(row, "value", 0xFFFFFFFF),
            )
        )

    def _take_audio(self, row: dict[str, Any]) -> None:
        try:
            words = base64.b64decode(_text(row, "words"), validate=True)
        except (binascii.Error, ValueError):
            raise ValueError("words: expected base64") from None
        if len(words) % 2:
            raise ValueError("words: expected 16-bit words, found an odd number of bytes")
        self.blocks.append(m.Audio(_whole(row, "first"), _whole(row, "at_us"), _whole(row, "port", 255), words))

    def done(self) -> Record:
        if self.start is None or self.plan is None or self.welcome is None:
            self.refuse(0, "this file is empty")
        if self.end is None:
            self.remarks.append(
                "there is no end row: the program was killed, or the disk failed, before the call's end"
            )
        self.remark_unknown()
        end = self.end or {}
        return Record(
            path=self.file,
            plan=self.plan,
            unit=self.start["unit"],
            port=self.start["port"],
            simulated=self.start["simulated"],
            wall_utc=self.start["wall_utc"],
            observation=Observation(self.welcome, tuple(self.events), tuple(self.blocks)),
            notes=tuple(self.notes),
            verdicts=tuple(self.verdicts),
            status=end.get("status"),
            reason=end.get("reason"),
            exit_code=end.get("exit_code"),
            remarks=tuple(self.remarks),
            trips=tuple(self.trips),
        )


def _clean(value: Any) -> Any:
    """Return JSON values with U+FFFD for what does not belong in a text: a file must not command a terminal."""
    if isinstance(value, str):
        return _CONTROL.sub("\ufffd", value)
    if isinstance(value, list):
        return [_clean(item) for item in value]
    if isinstance(value, dict):
        return {_clean(key): _clean(item) for key, item in value.items()}
    return value


def _no_constant(name: str) -> NoReturn:
    raise ValueError(f"{name} is no number of a record")


def _whole(row: dict[str, Any], name: str, most: int = (1 << 64) - 1) -> int:
    value = row.get(name)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
        raise ValueError(f"{name}: expected a whole number from 0 to {most}, found {str(value)[:40]}")
    return value


def _text(row: dict[str, Any], name: str) -> str:
    value = row.get(name)
    if not isinstance(value, str):
        raise ValueError(f"{name}: expected text")
    return value
