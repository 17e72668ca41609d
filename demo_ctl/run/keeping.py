"""The call's record, where one is kept: each row when it is due. Without one, every row goes nowhere.

A disk that fails or is too slow never stops the call (`ledger.record.RecordWriter`): the record ends there, and the
result says so.
"""

from __future__ import annotations

from collections.abc import Iterable

from demo_ctl.judge.model import Verdict
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.plan.model import Plan
from demo_ctl.run.result import Status
from demo_ctl.wire import messages as m

#: A start row is waited for this long a turn, in seconds: heartbeats go on between the turns.
_SAVED_S = 0.1
#: A full queue of the record is waited for this long a turn, in seconds: far below the heartbeat's 200 ms.
_ROOM_S = 0.02


class Keeping:
    """Keeps one call's record. recorder: the writer, or None; port_url: where the board was, for the start row."""

    def __init__(self, recorder: RecordWriter | None, plan: Plan, port_url: str) -> None:
        self._recorder = recorder
        self._plan = plan
        self._port_url = port_url
        self._told = False

    @property
    def wanted(self) -> bool:
        """Whether a record is kept at all."""
        return self._recorder is not None

    def start(self, welcome: m.Welcome, notes: Iterable[str] = ()) -> None:
        """Give the start row, and the notes behind it."""
        if self._recorder is not None:
            self._recorder.start(self._plan, welcome, self._port_url)
            for note in notes:
                self._recorder.note(note)

    def saved(self) -> bool:
        """Wait a moment for what was given to be on the disk; InputError when it never will be."""
        return self._recorder is None or self._recorder.saved(_SAVED_S)

    def event(self, event: m.Event) -> None:
        """Keep an event."""
        if self._recorder is not None:
            self._recorder.event(event)

    def audio(self, block: m.Audio) -> None:
        """Keep a block of sound."""
        if self._recorder is not None:
            self._recorder.audio(block)

    def trip(self, trip: m.Trip) -> None:
        """Keep the board's own record of a trip."""
        if self._recorder is not None:
            self._recorder.trip(trip)

    def room(self) -> str | None:
        """Wait a moment while the disk lags behind. Return why the record stops here: once, and None otherwise."""
        if self._recorder is None:
            return None
        self._recorder.room(_ROOM_S)
        if self._told or self._recorder.trouble is None:
            return None
        self._told = True
        return self._recorder.trouble

    def verdicts(self, verdicts: Iterable[Verdict]) -> None:
        """Keep the verdicts, in order."""
        if self._recorder is not None:
            self._recorder.verdicts(verdicts)

    def end(self, status: Status, reason: str, code: int) -> str | None:
        """Write the end row and see it to the disk: saved, then shown. Return what went wrong."""
        if self._recorder is None:
            return None
        self._recorder.end(status.value, reason, code)
        self._recorder.close()
        return self._recorder.trouble

    def close(self) -> None:
        """Close the record as it is, if it is not closed: it has its end row, or the call was not begun."""
        if self._recorder is not None:
            self._recorder.close()
