"""Opens files that people name, for reading: a plain file or nothing.

A pipe that nobody writes into, or a device, would be waited for without end, and no message would say why.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path
from typing import BinaryIO

from demo_ctl.terms.errors import InputError, Place

#: A pipe is then opened without waiting for who writes; a terminal does not become ours. Not every system has them.
_AT_ONCE = getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_NOCTTY", 0)


def open_plain(path: str | Path) -> BinaryIO:
    """Open a file to read its bytes. Raises InputError when it is no plain file; OSError and ValueError as `open`."""

    def opener(name: str, flags: int) -> int:
        return os.open(name, flags | _AT_ONCE)

    stream = open(path, "rb", opener=opener)  # noqa: SIM115  # closed by who asked for it
    if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
        stream.close()
        raise InputError(
            "this is no plain file but a pipe or a device",
            where=Place(str(path)),
            next_step="Write what comes out of it to a file, and name that file.",
        )
    return stream
