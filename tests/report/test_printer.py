"""Lines for a terminal that stands still: nobody waits for it, and what found no room is said."""

from __future__ import annotations

import io
import os
import pty
import threading
import time
import tty
from collections.abc import Iterator
from typing import TextIO

import pytest

from demo_ctl.report.printer import Printer
from demo_ctl.show.hub import ConsoleState
from demo_ctl.show.line_console import LineConsole
from demo_ctl.show.wishes import Reply

#: More than a pseudo-terminal takes before somebody reads.
MUCH = 4000
LINE = "x" * 60


@pytest.fixture
def terminal() -> Iterator[tuple[int, TextIO]]:
    """A real terminal: the end that a person would read at, and the file that a program prints on."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    with open(slave, "w", encoding="utf-8") as file:
        yield master, file
        os.close(master)  # first: it lets go whoever still writes


def read_until(master: int, end: str) -> str:
    found = b""
    while not found.decode().endswith(end):
        found += os.read(master, 65536)
    return found.decode()


def test_what_is_said_is_printed_in_order() -> None:
    out = io.StringIO()
    printer = Printer(out)
    for number in range(300):
        printer.say(f"{number}\n")
    assert printer.flush()
    assert out.getvalue().split() == [str(number) for number in range(300)]
    printer.close()
    printer.say("too late\n")
    assert "late" not in out.getvalue()


def test_nobody_waits_for_a_terminal_that_nobody_reads_and_the_newest_lines_are_kept(
    terminal: tuple[int, TextIO],
) -> None:
    master, file = terminal
    printer = Printer(file, most=50)

    def say() -> None:
        for number in range(MUCH):
            printer.say(f"{number} {LINE}\n")

    teller = threading.Thread(target=say, daemon=True)
    teller.start()
    teller.join(60)  # it would stand there for ever
    assert not teller.is_alive()
    assert not printer.flush(0.01)
    said = read_until(master, f"{MUCH - 1} {LINE}\n")
    lines = said.splitlines()
    gaps = [line for line in lines if line.endswith("lines were left out here: this terminal stood still.)")]
    left_out = sum(int(line.split()[0].lstrip("(")) for line in gaps)
    assert gaps
    assert left_out + len(lines) - len(gaps) == MUCH
    assert printer.flush()


def test_at_the_end_a_terminal_that_stands_is_not_waited_for(terminal: tuple[int, TextIO]) -> None:
    _, file = terminal
    printer = Printer(file)
    for _ in range(MUCH):
        printer.say(LINE + "\n")
    ended = threading.Thread(target=printer.close, args=(0.05,), daemon=True)
    ended.start()
    ended.join(60)
    assert not ended.is_alive()


def test_a_console_of_typed_words_never_holds_up_who_tells_it(terminal: tuple[int, TextIO]) -> None:
    _, file = terminal
    state = ConsoleState(
        place="1 of 1", call="A call", pace="1", waiting=False, running=True, line=[], ringing="", ringing_live=False
    )
    console = LineConsole(lambda _word, _value: Reply(True, ""), lambda: state, Printer(file))

    def tell() -> None:
        for number in range(MUCH):
            console.changed(ConsoleState(**{**state, "happening": "", "next": "", "notice": f"{number} {LINE}"}))

    worker = threading.Thread(target=tell, daemon=True)
    worker.start()
    worker.join(60)
    assert not worker.is_alive()


def test_what_printing_raises_is_kept_and_nothing_more_is_printed() -> None:
    class Full(io.StringIO):
        def write(self, _text: str) -> int:
            raise OSError(28, "No space left on device")

    printer = Printer(Full())
    printer.say("a\n")
    assert printer.flush()
    give_up = time.monotonic() + 60
    while printer.trouble is None and time.monotonic() < give_up:
        time.sleep(0.01)
    assert isinstance(printer.trouble, OSError)
    printer.say("b\n")
    assert printer.flush()


def test_letters_that_a_terminal_has_not_are_replaced() -> None:
    read, write = os.pipe()
    with open(write, "w", encoding="ascii") as file:
        printer = Printer(file)
        printer.say("caf\u00e9\n")
        assert printer.flush()
        assert os.read(read, 100) == b"caf?\n"
    os.close(read)
