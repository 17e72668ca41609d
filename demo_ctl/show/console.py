"""The presenter's console in a terminal: what is live, what comes next, and time, readable at arm's length.

A hand clicker sends Page Down and Page Up: forward is Next, back is Hold. Nothing is told by colour alone. The one
module that imports textual; `cli` imports it only when a console of this kind is wanted.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import ClassVar

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.widgets import Static

from demo_ctl.report.words import time_words
from demo_ctl.show.hub import ConsoleState
from demo_ctl.show.line_console import KEYS
from demo_ctl.show.wishes import Kind, Reply

#: Countdowns move this often.
_REFRESH_S = 0.25

_KEY_WORDS = "Page Down next   Page Up hold   r repeat   p pace   b blank   s stop   q quit"


class ConsoleApp(App[bool]):
    """The console. wish: takes a wish's word and value, and answers at once; told: how it stands now."""

    CSS = """
    Screen { layout: vertical; }
    #head { height: 2; padding: 0 1; text-style: bold; }
    #now { height: auto; min-height: 5; padding: 1 2; border: heavy $primary; }
    #both { height: 1fr; min-height: 6; }
    #line { width: 1fr; padding: 0 1; border: round $primary; }
    #bell { width: 1fr; padding: 0 1; border: round $primary; }
    #next { height: auto; min-height: 3; padding: 0 2; border: round $secondary; }
    #notice { height: auto; padding: 0 2; }
    #said { height: auto; min-height: 2; padding: 0 2; }
    #pages { height: auto; padding: 0 2; }
    #keys { height: 1; padding: 0 1; dock: bottom; }
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        *(Binding(key, f"wish('{kind.value}')", kind.value, priority=True) for key, kind in KEYS.items()),
        Binding("q,ctrl+q", "leave", "quit", priority=True),
        Binding("ctrl+c", "interrupt", "stop everything", priority=True),
    ]
    ENABLE_COMMAND_PALETTE = False

    def __init__(
        self,
        wish: Callable[[str, str], Reply],
        told: Callable[[], ConsoleState],
        rows: list[str],
        pages: Sequence[str] = (),
    ) -> None:
        """Make a console. rows: the programme, a line each, as it is shown while nothing is on.

        pages: where the pages are served, and with which token; always in sight. `run` returns True for Ctrl-C.
        """
        super().__init__()
        self._wish, self._told_now, self._rows, self._pages = wish, told, rows, pages

    def compose(self) -> ComposeResult:
        """Place the parts."""
        yield Static("", id="head", markup=False)
        yield Static("", id="now", markup=False)
        with Horizontal(id="both"):
            yield Static("", id="line", markup=False)
            yield Static("", id="bell", markup=False)
        with Vertical(id="next"):
            yield Static("", id="coming", markup=False)
        yield Static("", id="notice", markup=False)
        yield Static("", id="said", markup=False)
        yield Static("\n".join(self._pages), id="pages", markup=False)
        yield Static(_KEY_WORDS, id="keys", markup=False)

    def on_mount(self) -> None:
        """Begin to follow the show."""
        self._draw()
        self.set_interval(_REFRESH_S, self._draw)

    def action_wish(self, word: str) -> None:
        """Pass a wish on, and show at once what came of it."""
        value = self._next_pace() if word == Kind.PACE.value else ""
        try:
            said = self._wish(word, value).text
        except ValueError as error:
            said = str(error)
        self._put("said", said)
        self._draw()

    def action_leave(self) -> None:
        """Leave the console; whoever opened it stops the call."""
        self.exit(False)

    def action_interrupt(self) -> None:
        """Leave it by Ctrl-C."""
        self.exit(True)

    def _next_pace(self) -> str:
        """The pace after the one in force, round and round."""
        state = self._told_now()
        paces = state["paces"]
        at = paces.index(state["pace"]) if state["pace"] in paces else -1
        return paces[(at + 1) % len(paces)]

    def _draw(self) -> None:
        state = self._told_now()
        gone, left = (time_words(state[key] // 1_000_000 * 1_000_000) for key in ("elapsed_us", "left_us"))
        rehearsal = "   REHEARSAL: nothing rings" if state["rehearsal"] else ""
        self._put("head", f"{state['show']}{rehearsal}\n{gone} gone, {left} left at least")
        marks = [word for key, word in (("held", "HOLD ASKED FOR"), ("blank", "SCREEN DARK")) if state[key]]  # type: ignore[literal-required]
        where = f"{state['place']}   {state['call']}   pace {state['pace']}   {'   '.join(marks)}"
        self._put("now", f"{where}\n\n{state['happening']}")
        live = "\n".join(state["line"]) or "nothing"
        self._put("line", "ON THE LINE\n" + live if state["running"] else "THE SHOW\n" + "\n".join(self._rows))
        bell = "BELL\n" + ("!! " if state["ringing_live"] else "") + state["ringing"]
        if state["ringing_left_us"] >= 0:
            bell += f"\nit must be answered within {time_words(state['ringing_left_us'] // 1_000_000 * 1_000_000)}"
        self._put("bell", bell)
        self._put("coming", "NEXT\n" + state["next"])
        self._put("notice", f"NOTE: {state['notice']}" if state["notice"] else "")

    def _put(self, where: str, text: str) -> None:
        for widget in self.query(f"#{where}").results(Static):  # none is left when the console is just closing
            widget.update(text)
