"""The presenter's console for any terminal, however simple: words are typed, lines are printed.

An empty line is Next, so that one hand on Enter is enough. What a presenter must know is printed when it changes; the
countdowns run on a richer console, here `?` asks.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable

from demo_ctl.report.printer import Printer
from demo_ctl.report.words import time_words
from demo_ctl.show.hub import ConsoleState
from demo_ctl.show.wishes import Kind, Reply

HELP = "next (or Enter), hold, repeat, pace 1/4, blank, stop, ? (how it stands), quit"

_SHORT = {"n": "next", "h": "hold", "r": "repeat", "p": "pace", "b": "blank", "s": "stop", "": "next"}


def full_word(text: str) -> tuple[str, str]:
    """Split a typed line into a wish's word and its value; one letter is enough of the word."""
    head, _, rest = text.strip().partition(" ")
    word = head.lower()
    return _SHORT.get(word, word), rest.strip()


def lines_of(state: ConsoleState) -> list[str]:
    """How it stands, in lines."""
    found = [f"{state['place']}: {state['call']}, pace {state['pace']}"]
    found.append("NOW   " + state["happening"])
    found += ["LINE  " + each for each in state["line"]]
    found.append("BELL  " + state["ringing"])
    found.append("NEXT  " + state["next"])
    left = time_words(state["left_us"] // 1_000_000 * 1_000_000)
    found.append(f"TIME  {time_words(state['elapsed_us'] // 1_000_000 * 1_000_000)} gone, {left} left at least")
    if state["blank"]:
        found.append("      The audience's screen is dark.")
    if state["notice"]:
        found.append("NOTE  " + state["notice"])
    return found


class LineConsole:
    """Prints what changes, and takes typed words until `quit` or the end of the input.

    out: never waits, for what changes is told by the thread that sends the heartbeats.
    """

    def __init__(self, wish: Callable[[str, str], Reply], told: Callable[[], ConsoleState], out: Printer) -> None:
        self._wish, self._told, self._out = wish, told, out
        self._place = self._notice = self._now = self._bell = ""
        self._waiting = self._live = False
        self._line: list[str] = []

    def changed(self, state: ConsoleState) -> None:
        """Print what a presenter must know at once. Called by the show, at every change."""
        lines: list[str] = []
        if state["place"] != self._place:
            self._place = state["place"]
            lines.append(f"-- {state['place']}: {state['call']}, pace {state['pace']}")
        if state["waiting"] != self._waiting or (not state["running"] and state["happening"] != self._now):
            self._waiting = state["waiting"]
            if state["waiting"] or not state["running"]:
                lines += [state["happening"], state["next"]]
        if state["waiting"] and state["line"] != self._line and state["line"]:
            lines.append(f"On the line: {'; '.join(state['line'])}.")
        self._line = state["line"] if state["waiting"] else []
        self._now = state["happening"] if not state["running"] else ""
        # In a call that goes well the guard takes many steps; what it comes to at last is told when nothing is on.
        if state["ringing_live"] != self._live or (not state["running"] and state["ringing"] != self._bell):
            self._live, self._bell = state["ringing_live"], state["ringing"]
            lines.append(state["ringing"])
        if state["notice"] != self._notice:
            self._notice = state["notice"]
            if self._notice:
                lines.append("NOTE: " + self._notice)
        self._say(lines)

    def read(self, source: Iterable[str]) -> bool:
        """Take lines until somebody leaves (True), or there are no more (False).

        Raises what printing raised: nobody reads the answers any more.
        """
        self._say([f"Type {HELP}."])
        for text in source:
            if self._out.trouble is not None:
                raise self._out.trouble
            word, value = full_word(text)
            if word in ("quit", "q", "exit"):
                return True
            if word in ("?", "help"):
                self._say([*lines_of(self._told()), f"Type {HELP}."])
                continue
            try:
                self._say([self._wish(word, value).text])
            except ValueError as error:
                self._say([f"{error}. Type {HELP}."])
        return False

    def _say(self, lines: list[str]) -> None:
        for line in lines:
            self._out.say(line + "\n")


def is_plain(term: str | None) -> bool:
    """Whether a terminal of this kind (TERM) cannot place text."""
    return term in (None, "", "dumb", "unknown") or not sys.stdin.isatty() or not sys.stdout.isatty()


KEYS: dict[str, Kind] = {
    "pagedown": Kind.NEXT,  # a hand clicker's forward button
    "space": Kind.NEXT,
    "enter": Kind.NEXT,
    "pageup": Kind.HOLD,  # and its back button
    "h": Kind.HOLD,
    "r": Kind.REPEAT,
    "p": Kind.PACE,
    "b": Kind.BLANK,
    "full_stop": Kind.BLANK,  # a clicker's third button
    "s": Kind.STOP,
}
