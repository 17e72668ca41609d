"""A book of dated rows: one line each, only ever added to, each seen to the disk before anybody goes on.

What a line says is for whoever keeps the book (`permit_book`, `meter_book`). A line that cannot be read was torn by a
power cut, and whoever reads the book decides what that means.
"""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

from demo_ctl.safety.proof_store import sync_folder
from demo_ctl.terms.errors import InputError, Place

#: No longer file is read: some 50 000 rows of 300 bytes. Nor one of more lines: reading them would take minutes.
MOST_BYTES = 16 << 20
MOST_LINES = 100_000


def read_lines(path: Path, what: str, too_long: str) -> list[str]:
    """Read the whole book, in order. No file: no lines.

    what: that is kept here, for words. too_long: what to do with a book that is longer than `MOST_BYTES`.
    InputError when it is there and cannot be read, is no regular file, or is too long.
    """
    try:
        with open(_open(path, os.O_RDONLY), "rb") as file:
            data = file.read(MOST_BYTES + 1)
    except FileNotFoundError as error:
        if path.is_symlink():  # what it leads to is gone, and what stood there with it
            raise cannot(path, what, error, "read") from None
        return []
    except OSError as error:
        raise cannot(path, what, error, "read") from None
    if len(data) > MOST_BYTES:
        raise InputError(
            f"the book is longer than {MOST_BYTES >> 20} MiB, and is not read",
            where=Place(str(path)),
            next_step=too_long,
        )
    lines = [line for line in data.decode(errors="replace").split("\n") if line]
    if len(lines) > MOST_LINES:
        raise InputError(
            f"the book has more than {MOST_LINES} lines, and is not read", where=Place(str(path)), next_step=too_long
        )
    return lines


def append_line(path: Path, line: str, what: str) -> None:
    """Add a line, with its end, and see it to the disk. InputError when that cannot be done, or not be known."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = _open(path, os.O_RDWR | os.O_CREAT | os.O_APPEND)
        try:
            size = os.fstat(handle).st_size
            torn = size > 0 and os.pread(handle, 1, size - 1) != b"\n"  # by a power cut, within a row
            data = (("\n" if torn else "") + line).encode()
            if os.write(handle, data) != len(data):  # what is there of it cannot be read
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(handle)
        finally:
            os.close(handle)
        if size == 0:
            for each in (path.parent, path.parent.parent):
                sync_folder(each)
    except OSError as error:
        raise cannot(path, what, error) from None


def cannot(path: Path, what: str, error: OSError, done: str = "kept") -> InputError:
    """Return what to say when something cannot be kept here, or read."""
    return InputError(
        f"{what} cannot be {done} here: {error.strerror or error}",
        where=Place(str(path)),
        next_step="Give --proving-dir a folder that you may read and write, on a disk that has room.",
    )


def _open(path: Path, flags: int) -> int:
    """Open a regular file; OSError for anything else, such as a pipe, which would be waited for, or a device."""
    handle = os.open(path, flags | os.O_NONBLOCK | os.O_NOCTTY, 0o644)
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise OSError("this is no regular file")
    return handle
