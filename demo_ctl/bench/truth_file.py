"""A truth file: the truth of one bench, streamed to the disk while it happens.

Rows are in the language of record files (`RECORD.md` in the room of records tells both): JSON Lines, one object a
line, times in microseconds of the board's clock since the board's boot. A row is written whole with one write; the
same seed and the same commands give the same bytes.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from demo_ctl.bench.truth import Truth

FORMAT = "demo_ctl truth 1"
#: A file ends here with an end row that says so: nearly a million rows, some two thousand calls.
MOST_BYTES = 64 << 20
#: Room that is always left for the end row.
_END_BYTES = 200

#: Return (number of the board's boot, what the kernel's clock reads when the board's reads 0).
BoardClock = Callable[[], tuple[int, int]]


class TruthLost(Exception):
    """The disk takes no more; the message says which file and why."""


class TruthFile:
    """Writes one truth file. `tell` is for `TruthLog.tell`.

    Raises FileExistsError or another OSError when the file cannot be made: a truth is never written over.
    """

    def __init__(
        self, path: str | Path, *, port: str, unit: str, seed: int, clock: BoardClock, most_bytes: int = MOST_BYTES
    ) -> None:
        self.path = Path(path)
        self._clock = clock
        self._most_bytes = most_bytes - _END_BYTES
        self._file = os.open(self.path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND | _CLOEXEC, 0o644)
        self._size = 0
        self._rows = 0
        self._boot, self._zero_us = clock()
        self._write(
            {"row": "start", "format": FORMAT, "port": port, "unit": unit, "seed": seed, "boot": self._boot},
        )

    def tell(self, row: Truth) -> None:
        """Write one row of the truth. Raises TruthLost."""
        if self._file < 0:
            return
        boot, zero_us = self._clock()
        if (boot, zero_us) != (self._boot, self._zero_us):
            self._boot, self._zero_us = boot, zero_us
            self._write({"row": "boot", "boot": boot})
        self._write({"row": "truth", "at_us": row.at_us - self._zero_us, "what": row.what, "value": row.value})
        self._rows += 1
        if self._size > self._most_bytes:
            self.close("full")

    def close(self, status: str = "finished") -> None:
        """Write the end row and close; a file in which nothing ever happened is taken away again. Idempotent.

        A disk that does not take the end row leaves a file without one, and so the file says it itself.
        """
        if self._file < 0:
            return
        with suppress(TruthLost):
            if self._rows:
                self._write({"row": "end", "status": status, "rows": self._rows})
        if self._file >= 0:
            os.close(self._file)
            self._file = -1
        if not self._rows:
            self.path.unlink(missing_ok=True)

    def _write(self, row: dict[str, Any]) -> None:
        line = json.dumps(row, separators=(",", ":")).encode("ascii") + b"\n"
        self._size += len(line)
        try:
            while line:
                line = line[os.write(self._file, line) :]
        except OSError as e:
            os.close(self._file)  # nothing may follow a torn line
            self._file = -1
            raise TruthLost(f"the truth cannot be written to {self.path}: {e.strerror or e}") from e


_CLOEXEC = getattr(os, "O_CLOEXEC", 0)
