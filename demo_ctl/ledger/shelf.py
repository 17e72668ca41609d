"""A folder of records that stays small and holds nobody up: for an exhibit, which runs for years with nobody there.

The oldest records go first, by the time in their names, and only files with such names: whatever else is in the folder
stays. A disk that does not answer keeps no call from beginning: after a few seconds the record is given up.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

from demo_ctl.ledger.record import RecordWriter
from demo_ctl.terms.errors import InputError, Place

#: So many records are kept, and so many bytes of them: weeks of a busy exhibit.
MOST = 1000
MOST_BYTES = 500_000_000
#: A record whose first row is not on the disk by then is given up. Seconds of the computer's clock.
_GIVE_UP_S = 3.0
#: Closing is waited for so long; what the disk still has to do goes on beside.
_CLOSE_S = 0.2
#: And at the very end so long.
_END_S = 10.0

_NAME = re.compile(r"exhibit-\d{8}T\d{6}Z-\d{4,}-.*\.jsonl")


class Shelf:
    """Records of one exhibit in `folder`. `close` it at the end."""

    def __init__(self, folder: Path, *, most: int = MOST, most_bytes: int = MOST_BYTES) -> None:
        self._folder, self._most, self._most_bytes = folder, most, most_bytes
        self._began = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
        self._last: _Patient | None = None

    def record(self, script: str, number: int) -> RecordWriter:
        """Begin a record. InputError: it cannot be made."""
        path = self._folder / f"exhibit-{self._began}-{number:04}-{script}.jsonl"
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"no records can be kept here: {error.strerror or error}",
                where=Place(str(self._folder)),
                next_step="Name a folder that this program may write to: --records FOLDER.",
            ) from None
        self._last = _Patient(path, self.make_room)
        return self._last

    def make_room(self) -> None:
        """Take the oldest records away until few enough are left. What cannot be taken away stays."""
        with suppress(OSError):
            found = sorted(each for each in self._folder.iterdir() if _NAME.fullmatch(each.name) and each.is_file())
            sizes = [each.stat().st_size for each in found]
            while found and (len(found) > self._most or sum(sizes) > self._most_bytes):
                found.pop(0).unlink(missing_ok=True)
                sizes.pop(0)

    def close(self) -> None:
        """Let the last record come to its end."""
        if self._last is not None:
            self._last.finish(_END_S)


class _Patient(RecordWriter):
    """A record that whoever performs the call waits for no longer than is good for visitors."""

    def __init__(self, path: Path, when_closed: Callable[[], None]) -> None:
        super().__init__(path)
        self._when_closed = when_closed
        self._waited_s = 0.0
        self._closer: threading.Thread | None = None

    def saved(self, wait_s: float) -> bool:
        if super().saved(wait_s):
            return True
        self._waited_s += wait_s
        if self._waited_s < _GIVE_UP_S:
            return False
        with self._change:
            self._trouble = self._trouble or "the disk does not answer"
            raise self._complaint(self._trouble)

    def close(self) -> None:
        self.finish(_CLOSE_S)

    def finish(self, wait_s: float) -> None:
        """Close, and wait for that at most so long."""
        if self._closer is None:
            self._closer = threading.Thread(target=self._close, name="record closer", daemon=True)
            self._closer.start()
        self._closer.join(wait_s)

    def _close(self) -> None:
        super().close()
        if self._done == 0:  # nothing of it got to the disk: an empty file would only push out a good one
            with suppress(OSError):
                self.path.unlink(missing_ok=True)
        self._when_closed()
