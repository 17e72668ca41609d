"""The terminal."""

from __future__ import annotations

import errno
import io
import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from textwrap import wrap
from typing import Any

from rich.console import Console

#: Columns where nobody has said how many there are.
PIPED = 120


#: The end of a line: blanks, and codes of colour among them.
_END = re.compile(r"(?:[ \t]|\x1b\[[0-9;]*m)+(?=\n)")


def _trimmed(text: str) -> str:
    return _END.sub(lambda found: found[0].replace(" ", "").replace("\t", ""), text)


class _Page(io.StringIO):
    letters = "utf-8"

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self.letters


class Screen(Console):
    """Tables are as wide as their columns; what is printed is not: no line ends in blanks."""

    def text(self, *objects: Any) -> str:
        """Return what `print` would write, and never touch the terminal: even a write of nothing waits for one."""
        page = _Page()
        page.letters = getattr(self.file, "encoding", None) or "utf-8"
        Console(
            file=page,
            width=self.width,
            force_terminal=self.is_terminal,
            color_system=self.color_system,  # type: ignore[arg-type] # it is one of those
            no_color=self.no_color,
            highlight=False,
        ).print(*objects)
        return _trimmed(page.getvalue())

    def print(self, *objects: Any, **how: Any) -> None:
        """Print, as any console does, without blanks at the ends of lines."""
        with self.capture() as caught:
            super().print(*objects, **how)
        self.file.write(_trimmed(caught.get()))
        self.file.flush()

    def on_broken_pipe(self) -> None:
        """Let whoever prints hear that the reader has gone (rich would end the program, in the middle of a call)."""
        raise BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))


@contextmanager
def reader_may_go() -> Iterator[None]:
    """Print in here what may stay unread: a reader (`| head`) or a terminal that goes away changes no exit code."""
    try:
        yield
        sys.stdout.flush()
    except OSError as error:
        if error.errno not in (errno.EPIPE, errno.EIO):
            raise
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@cache
def console() -> Screen:
    """Return the console on standard output. Where that is no terminal: no colour, and lines as `_width` says."""
    return Screen(soft_wrap=False, highlight=False, width=None if sys.stdout.isatty() else _width())


def _width() -> int:
    """Columns for what is piped: those of the terminal it is likely read at (`| less`); with none, wide for tables."""
    for stream in (2, 0):
        with suppress(OSError):
            columns = os.get_terminal_size(stream).columns
            if columns > 0:
                return min(columns, PIPED)
    return PIPED


def folded(text: str, width: int) -> list[str]:
    """Return a text's lines, broken between words (never in one) at `width`; its own line breaks and indents stay."""
    lines: list[str] = []
    for line in text.split("\n"):
        indent = line[: len(line) - len(line.lstrip())]
        lines += wrap(
            line.strip(),
            max(width - 1, 20),
            initial_indent=indent,
            subsequent_indent=indent,
            break_long_words=False,
            break_on_hyphens=False,
        ) or [""]
    return lines


@cache
def aside() -> Screen:
    """Return the console on standard error, for progress beside machine-readable output."""
    return Screen(stderr=True, highlight=False)
