"""The writer of record files (RECORD.md beside this file is the format).

Theory of operation. Rows are handed over by the loop that also sends the heartbeat, so handing over never waits:
rows go into a bounded queue, and one thread of our own turns them into lines and writes each with one unbuffered
write. Whatever instant the program is killed at, the file holds whole rows and at most one torn last line.
The start row, the verdicts and the end row are also synced to the disk (`saved` waits for that).

When the disk fails, or is so slow that the queue is full, writing ends there and `trouble` says why: a record
with a hole in it would be worse than one that stops. The call itself goes on; whoever performs it looks at
`trouble`, and says so. The thread never dies unseen.
"""

from __future__ import annotations

import base64
import json
import os
import threading
from collections import deque
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from demo_ctl.judge.model import Verdict
from demo_ctl.ledger.coding import encode
from demo_ctl.plan.model import Plan
from demo_ctl.terms.errors import InputError, Place
from demo_ctl.wire import messages as m

FORMAT = "demo_ctl record 1"
#: Rows that may wait for the disk. At 71 audio blocks a second this is nearly two minutes of a stuck disk.
MOST_WAITING = 8192
#: A disk that takes longer than this to finish is given up at close. Seconds of the computer's clock.
_CLOSE_S = 10.0


class RecordWriter:
    """Writes one record. Its methods return at once, except `saved`, `room` and `close`."""

    def __init__(self, path: str | Path, *, most_waiting: int = MOST_WAITING) -> None:
        """Create the file. InputError when it is there already (a record is never overwritten) or cannot be made."""
        self.path = Path(path)
        where = Place(str(path))
        try:
            self._file = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | _CLOEXEC, 0o644)
        except FileExistsError:
            raise InputError(
                "this file is there already, and a record is never written over",
                where=where,
                next_step="Give --record another name, or move the old file away.",
            ) from None
        except OSError as error:
            raise InputError(
                f"the record cannot be written here: {error.strerror or error}",
                where=where,
                next_step="Give --record a file in a folder that you may write to.",
            ) from None
        self._most_waiting = most_waiting
        self._rows: deque[tuple[dict[str, Any] | m.Event | m.Audio, bool]] = deque()
        self._change = threading.Condition()
        self._given = self._done = 0
        self._closing = False
        self._trouble: str | None = None
        self._thread = threading.Thread(target=self._work, name="record writer", daemon=True)
        self._thread.start()

    # -- rows ---------------------------------------------------------------------------------------------

    def start(self, plan: Plan, welcome: m.Welcome, port_url: str, *, wall: datetime | None = None) -> None:
        """Give the start row. wall: the time of day, in UTC (default: now); the only one in a record."""
        moment = (wall or datetime.now(UTC)).astimezone(UTC)
        self._give(
            {
                "row": "start",
                "format": FORMAT,
                "wall_utc": moment.isoformat(timespec="milliseconds").replace("+00:00", "Z"),
                "port": port_url,
                "simulated": bool(welcome.simulated),
                "unit": plan.unit,
                "welcome": encode(welcome),
                "plan": encode(plan),
            },
            sync=True,
        )

    def event(self, event: m.Event) -> None:
        """Give one event."""
        self._give(event)

    def audio(self, block: m.Audio) -> None:
        """Give one audio block."""
        self._give(block)

    def note(self, text: str, at_us: int = 0) -> None:
        """Give a note: what no event can tell, such as trunks that a person made busy. at_us: the board's clock."""
        self._give({"row": "note", "at_us": at_us, "text": text})

    def trip(self, trip: m.Trip) -> None:
        """Give a trip of the guard, as the board tells it."""
        self._give({"row": "trip", "trip": encode(trip)}, sync=True)

    def verdicts(self, verdicts: Iterable[Verdict]) -> None:
        """Give the verdicts, in order."""
        rows = [{"row": "verdict", "verdict": encode(verdict)} for verdict in verdicts]
        for row in rows:
            self._give(row, sync=row is rows[-1])

    def end(self, status: str, reason: str, exit_code: int) -> None:
        """Give the end row: the record is complete with it."""
        self._give({"row": "end", "status": status, "reason": reason, "exit_code": exit_code}, sync=True)

    # -- waiting ------------------------------------------------------------------------------------------

    @property
    def trouble(self) -> str | None:
        """Why nothing more is written, for people; None while all is well."""
        with self._change:
            return self._trouble

    def saved(self, wait_s: float) -> bool:
        """Wait until all rows given so far are on the disk, at most `wait_s`; InputError when they never will be."""
        with self._change:
            given = self._given
            done = self._change.wait_for(lambda: self._done >= given or self._trouble is not None, wait_s)
            if self._trouble is not None:
                raise self._complaint(self._trouble)
            return done

    def room(self, wait_s: float) -> bool:
        """Return whether the queue is less than half full, waiting for it at most `wait_s`."""
        with self._change:
            half = self._most_waiting // 2
            return self._change.wait_for(lambda: len(self._rows) < half or self._trouble is not None, wait_s)

    def close(self) -> None:
        """Write what waits, and close. A file in which no row was ever written is taken away again.

        Raises nothing: `trouble` says what did not get to the disk.
        """
        with self._change:
            self._closing = True
            self._change.notify_all()
        self._thread.join(_CLOSE_S)
        with self._change:
            if self._thread.is_alive():
                self._trouble = self._trouble or "the disk did not finish in time"
                return  # the thread still holds the file
            if self._file >= 0:
                os.close(self._file)
                self._file = -1
                if self._given == 0:
                    self.path.unlink(missing_ok=True)

    def _complaint(self, trouble: str) -> InputError:
        return InputError(
            f"the record could not be kept: {trouble}",
            where=Place(str(self.path)),
            next_step="Make room on the disk, or give --record a file on another one.",
        )

    # -- the thread ---------------------------------------------------------------------------------------

    def _give(self, row: dict[str, Any] | m.Event | m.Audio, *, sync: bool = False) -> None:
        with self._change:
            if self._trouble is not None:
                return
            if self._closing:
                raise ValueError("the record is closed")
            if len(self._rows) >= self._most_waiting:
                self._trouble = f"the disk is too slow, {len(self._rows)} rows wait for it"
            else:
                self._rows.append((row, sync))
                self._given += 1
            self._change.notify_all()

    def _work(self) -> None:
        try:
            while True:
                with self._change:
                    self._change.wait_for(lambda: self._rows or self._closing)
                    if not self._rows:
                        return
                    row, sync = self._rows[0]
                self._write(line_of(row))
                if sync:
                    os.fsync(self._file)
                with self._change:
                    self._rows.popleft()
                    self._done += 1
                    self._change.notify_all()
        except Exception as error:
            with self._change:
                text = getattr(error, "strerror", None) or f"{type(error).__name__}: {error}"
                self._trouble = self._trouble or str(text)
                self._rows.clear()
                self._change.notify_all()

    def _write(self, line: bytes) -> None:
        view = memoryview(line)
        while view:
            view = view[os.write(self._file, view) :]


_CLOEXEC = getattr(os, "O_CLOEXEC", 0)


def line_of(row: dict[str, Any] | m.Event | m.Audio) -> bytes:
    """Return one row as a line of the file, newline included."""
    if isinstance(row, m.Event):
        row = {
            "row": "event",
            "number": row.number,
            "at_us": row.at_us,
            "kind": row.kind,
            "port": row.port,
            "value": row.value,
        }
    elif isinstance(row, m.Audio):
        words = base64.b64encode(bytes(row.data)).decode("ascii")
        row = {"row": "audio", "first": row.first, "at_us": row.at_us, "port": row.port, "words": words}
    return json.dumps(row, allow_nan=False, separators=(",", ":")).encode("ascii") + b"\n"
