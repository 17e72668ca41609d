"""The presenter's consoles in a terminal: keys, a hand clicker, typed words; what is live is always to be read."""

from __future__ import annotations

import asyncio
import io
from collections.abc import Callable
from typing import Any

import pytest

from demo_ctl.report.printer import Printer
from demo_ctl.show.console import ConsoleApp
from demo_ctl.show.hub import ConsoleState
from demo_ctl.show.line_console import LineConsole, full_word, is_plain, lines_of
from demo_ctl.show.wishes import Kind, Reply, wish_of

STATE = ConsoleState(
    show="A show of [a test]",  # brackets are no markup
    call="A call",
    place="2 of 5",
    happening="Holding while the bell rings, for 20 s at most.",
    line=["caller (counter) is off the hook", "ringing voltage on the line of called (parlour)"],
    ringing="ringing voltage may be on a line",
    ringing_live=True,
    ringing_left_us=20_400_000,
    next="Next goes on.",
    next_left_us=-1,
    waiting=True,
    held=False,
    blank=False,
    pace="1/4",
    paces=["1/4", "1/2", "1", "2"],
    elapsed_us=61_000_000,
    left_us=125_000_000,
    running=True,
    wishes=["next"],
    notice="",
    rehearsal=False,
)


class Desk:
    """Notes the wishes; answers as a show does."""

    def __init__(self, state: ConsoleState = STATE) -> None:
        self.state, self.wishes = state, list[tuple[str, str]]()

    def wish(self, word: str, value: str) -> Reply:
        wish_of(word, value)
        self.wishes.append((word, value))
        return Reply(True, f"You said {word}.")

    def told(self) -> ConsoleState:
        return self.state


def with_app(desk: Desk, do: Callable[[ConsoleApp, Any], Any], size: tuple[int, int] = (100, 30)) -> None:
    async def run() -> None:
        app = ConsoleApp(desk.wish, desk.told, ["1/5  A call: pace 1/4"])
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            await do(app, pilot)

    asyncio.run(run())


def text(app: ConsoleApp, where: str) -> str:
    return str(app.query_one(f"#{where}").render())


@pytest.mark.parametrize(
    ("key", "wanted"),
    [
        ("pagedown", ("next", "")),
        ("pageup", ("hold", "")),
        ("space", ("next", "")),
        ("enter", ("next", "")),
        ("r", ("repeat", "")),
        ("b", ("blank", "")),
        ("full_stop", ("blank", "")),
        ("s", ("stop", "")),
        ("p", ("pace", "1/2")),
    ],
)
def test_keys_and_the_hand_clicker(key: str, wanted: tuple[str, str]) -> None:
    desk = Desk()

    async def press(app: ConsoleApp, pilot: Any) -> None:
        await pilot.press(key)
        await pilot.pause()
        assert desk.wishes == [wanted]
        assert text(app, "said") == f"You said {wanted[0]}."

    with_app(desk, press)


@pytest.mark.parametrize("size", [(100, 30), (80, 24)])
def test_what_is_live_what_comes_next_and_time_are_there(size: tuple[int, int]) -> None:
    async def look(app: ConsoleApp, _pilot: Any) -> None:
        assert text(app, "head") == "A show of [a test]\n1 min 1 s gone, 2 min 5 s left at least"
        assert "Holding while the bell rings" in text(app, "now")
        assert "2 of 5" in text(app, "now")
        assert "ringing voltage on the line of called (parlour)" in text(app, "line")
        assert "!! ringing voltage may be on a line" in text(app, "bell")
        assert "within 20 s" in text(app, "bell")
        assert text(app, "coming") == "NEXT\nNext goes on."
        # Nothing of it is off the screen.
        for where in ("head", "now", "line", "bell", "coming", "keys"):
            region = app.query_one(f"#{where}").region
            assert region.height
            assert region.bottom <= size[1]
            assert region.right <= size[0]

    with_app(Desk(), look, size)


def test_between_calls_the_programme_is_to_be_seen_and_a_notice_is_marked() -> None:
    state = ConsoleState(
        **{**STATE, "running": False, "notice": "A recorded call is shown instead.", "rehearsal": True}
    )

    async def look(app: ConsoleApp, _pilot: Any) -> None:
        assert "1/5  A call: pace 1/4" in text(app, "line")
        assert text(app, "notice") == "NOTE: A recorded call is shown instead."
        assert "REHEARSAL" in text(app, "head")

    with_app(Desk(state), look)


def test_q_leaves() -> None:
    async def leave(app: ConsoleApp, pilot: Any) -> None:
        await pilot.press("q")
        await pilot.pause()
        assert not app.is_running or app._exit

    with_app(Desk(), leave)


def test_typed_words() -> None:
    desk, out = Desk(), io.StringIO()
    printer = Printer(out)
    console = LineConsole(desk.wish, desk.told, printer)
    console.read(["\n", "h\n", "pace 1/4\n", "P 2\n", "nonsense\n", "pace 99\n", "?\n", "quit\n", "stop\n"])
    assert desk.wishes == [("next", ""), ("hold", ""), ("pace", "1/4"), ("pace", "2")]
    assert printer.flush()
    said = out.getvalue()
    assert "You said next." in said
    assert "found 'nonsense'" in said
    assert "between 1/50 and 4" in said
    assert "NOW   Holding while the bell rings" in said


def test_typed_words_end_with_the_input() -> None:
    desk = Desk()
    LineConsole(desk.wish, desk.told, Printer(io.StringIO())).read(["next\n"])
    assert desk.wishes == [("next", "")]


def test_lines_are_printed_when_something_changes_and_only_then() -> None:
    out = io.StringIO()
    printer = Printer(out)
    console = LineConsole(Desk().wish, Desk().told, printer)
    console.changed(STATE)
    assert printer.flush()
    first = out.getvalue()
    assert "Holding while the bell rings" in first
    assert "ringing voltage may be on a line" in first
    console.changed(ConsoleState(**{**STATE, "elapsed_us": 62_000_000, "ringing_left_us": 19_000_000}))
    assert printer.flush()
    assert out.getvalue() == first
    console.changed(ConsoleState(**{**STATE, "notice": "The call failed."}))
    assert printer.flush()
    assert out.getvalue() == first + "NOTE: The call failed.\n"


def test_every_wish_has_a_word_and_a_letter() -> None:
    assert {full_word(kind.value)[0] for kind in Kind} == {full_word(kind.value[0])[0] for kind in Kind}
    assert full_word("  NEXT ") == ("next", "")
    assert any("TIME" in line for line in lines_of(STATE))


def test_simple_terminals_get_the_plain_console() -> None:
    assert all(is_plain(term) for term in (None, "", "dumb"))


def test_where_the_pages_are_stays_in_sight_and_ctrl_c_is_told_from_quitting() -> None:
    desk = Desk()
    pages = ("Audience: http://127.0.0.1:8050/", "Console:  http://127.0.0.1:8050/console   token abcd-efgh")
    for key, wanted in (("ctrl+c", True), ("q", False)):

        async def run(key: str = key) -> bool | None:
            app = ConsoleApp(desk.wish, desk.told, ["1/5  A call: pace 1/4"], pages)
            async with app.run_test(size=(80, 24)) as pilot:
                await pilot.pause()
                assert all(line in text(app, "pages") for line in pages)
                assert app.query_one("#pages").region.height == 2
                await pilot.press(key)
            return app.return_value

        assert asyncio.run(run()) is wanted
