"""The presenter's page in a real browser: the token, the wishes, what is shown; by touch and by keys alone."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import Page

from demo_ctl.show.desk import Console
from demo_ctl.show.hub import ConsoleState, Hub
from demo_ctl.show.server import Serving, serve
from demo_ctl.show.wishes import Reply, wish_of

TOKEN = "abcd-efgh-jkmn-pqrs"
RINGING: ConsoleState = {
    "show": "First visit",
    "call": "A call that is answered",
    "place": "2 of 5",
    "stage": 7,
    "happening": "The telephone in the parlour rings",
    "line": ["the loop at the counter is closed", "ringing current at the parlour"],
    "ringing": "The guard is armed, the bell rings",
    "ringing_live": True,
    "ringing_left_us": 21_000_000,
    "next": "Talking",
    "next_left_us": -1,
    "waiting": True,
    "held": False,
    "blank": False,
    "pace": "1/2",
    "paces": ["", "1/4", "1/2", "1"],
    "elapsed_us": 192_000_000,
    "left_us": 640_000_000,
    "running": False,
    "wishes": ["next", "hold", "pace", "blank", "stop"],
    "notice": "The call before this one failed: a replay was shown.",
}


class Desk:
    def __init__(self) -> None:
        self.states = Hub()
        self.taken: list[tuple[str, str]] = []
        self.came = threading.Condition()

    def wish(self, name: str, value: str) -> Reply | None:
        wish_of(name, value)
        with self.came:
            self.taken.append((name, value))
            self.came.notify_all()
        return Reply(True, f"taken: {name} {value}".strip())

    def wait(self, count: int) -> list[tuple[str, str]]:
        with self.came:
            assert self.came.wait_for(lambda: len(self.taken) >= count, 20)
            return self.taken


@pytest.fixture
def desk() -> Desk:
    return Desk()


@pytest.fixture
def serving(desk: Desk) -> Iterator[Serving]:
    with serve(Hub(), Console(desk.states, desk.wish), TOKEN, port=0) as made:
        yield made


def shown(page: Page, version: int) -> None:
    page.wait_for_function("version => Number(document.documentElement.dataset.version) >= version", arg=version)


@pytest.mark.parametrize(("width", "height"), [(1920, 1080), (1024, 768), (390, 844)])
def test_it_shows_what_is_live_and_what_comes_next(
    serving: Serving,
    desk: Desk,
    opened: Callable[..., Any],
    width: int,
    height: int,
    tmp_path_factory: pytest.TempPathFactory,
    barriers: Callable[[Page], str],
) -> None:
    version = desk.states.publish(RINGING)
    with opened(f"{serving.url}console?lang=en#token={TOKEN}", width, height) as page:
        shown(page, version)
        assert page.url == f"{serving.url}console?lang=en"  # the token is out of sight
        assert page.inner_text("#happening") == "The telephone in the parlour rings"
        assert page.locator("#line li").all_inner_texts() == RINGING["line"]
        assert page.inner_text("#ringing") == "The guard is armed, the bell rings"
        assert "danger" in (page.get_attribute("#bell", "class") or "")
        assert page.inner_text("#ringing-left").startswith("ends within 0:")
        assert page.inner_text("#next") == "Talking"
        assert page.inner_text("#next-left") == ""
        assert page.inner_text("#left") == "10:40"
        assert page.inner_text("#held") == "Waiting for you: press Next"
        assert "replay" in page.inner_text("#notice")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        for name in ("next", "stop"):
            box = page.locator(f"[data-wish={name}]").bounding_box()
            assert box
            assert box["y"] + box["height"] <= height  # at once in reach, without scrolling
            assert box["height"] >= 44
        page.screenshot(path=tmp_path_factory.mktemp("pictures") / f"console-{width}.png")
        assert barriers(page) == ""
        version = desk.states.publish({**RINGING, "blank": True, "held": True, "waiting": False, "line": []})
        shown(page, version)
        assert page.get_attribute("[data-wish=blank]", "aria-pressed") == "true"
        assert page.get_attribute("[data-wish=hold]", "aria-pressed") == "true"
        assert page.locator("#line li").all_inner_texts() == ["Nothing"]


def test_the_token_can_be_typed_and_a_wrong_one_is_told(
    serving: Serving,
    desk: Desk,
    browser: Any,
    opened: Callable[..., Any],
    barriers: Callable[[Page], str],
) -> None:
    desk.states.publish(RINGING)
    page = browser.new_page()
    try:
        page.goto(f"{serving.url}console?lang=en")
        assert page.is_visible("#door")
        assert not page.is_visible("#desk")
        assert barriers(page) == ""
        page.fill("#token", "wrong-wrong-wrong-wrong")
        page.keyboard.press("Enter")
        page.wait_for_function("() => document.getElementById('refused').textContent !== ''")
        assert page.inner_text("#refused") == "That token is not right."
        assert not page.is_visible("#desk")
        page.fill("#token", TOKEN)
        page.keyboard.press("Enter")
        page.wait_for_selector("#desk", state="visible")
        page.reload()  # a tablet that was asleep does not ask again
        page.wait_for_selector("#desk", state="visible")
    finally:
        page.context.close()


def test_wishes_by_touch(serving: Serving, desk: Desk, opened: Callable[..., Any]) -> None:
    version = desk.states.publish(RINGING)
    with opened(f"{serving.url}console?lang=en#token={TOKEN}", 1024, 768, has_touch=True) as page:
        shown(page, version)
        for count, name in enumerate(("next", "hold", "blank", "stop"), 1):
            page.tap(f"[data-wish={name}]")
            assert desk.wait(count)[-1] == (name, "")
            page.wait_for_function(
                "text => document.getElementById('answer').textContent === text", arg=f"taken: {name}"
            )
        page.tap("[data-wish=repeat]", force=True)  # does nothing now, and says so
        assert page.get_attribute("[data-wish=repeat]", "aria-disabled") == "true"
        page.select_option("#pace", "1/4")
        assert desk.wait(5) == [("next", ""), ("hold", ""), ("blank", ""), ("stop", ""), ("pace", "1/4")]


def test_wishes_by_keys_alone_and_by_a_hand_clicker(serving: Serving, desk: Desk, opened: Callable[..., Any]) -> None:
    version = desk.states.publish({**RINGING, "wishes": ["next", "hold", "repeat", "pace", "blank", "stop"]})
    with opened(f"{serving.url}console?lang=de#token={TOKEN}", 1024, 768) as page:
        shown(page, version)
        for count, (key, name) in enumerate(
            [("PageDown", "next"), ("PageUp", "hold"), ("r", "repeat"), ("b", "blank"), ("s", "stop")], 1
        ):
            page.keyboard.press(key)
            assert desk.wait(count)[-1] == (name, "")
        # With the tabulator through every control, in the order in which they stand.
        reached = []
        for _ in range(9):
            page.keyboard.press("Tab")
            reached.append(
                page.evaluate(
                    "document.activeElement.dataset.wish || document.activeElement.lang || document.activeElement.id"
                )
            )
        assert reached == ["en", "de", "fr", "next", "hold", "repeat", "blank", "pace", "stop"]
        page.keyboard.press("Enter")
        assert desk.wait(6)[-1] == ("stop", "")


def test_stop_is_never_taken_away(serving: Serving, desk: Desk, opened: Callable[..., Any]) -> None:
    version = desk.states.publish({**RINGING, "wishes": []})
    with opened(f"{serving.url}console#token={TOKEN}", 1024, 768) as page:
        shown(page, version)
        page.click("[data-wish=stop]")
        assert desk.wait(1) == [("stop", "")]


def test_words_of_the_show_stay_words(serving: Serving, desk: Desk, opened: Callable[..., Any]) -> None:
    nasty = "<img src=x onerror=alert(1)>"
    version = desk.states.publish(
        {"show": nasty, "happening": nasty, "line": [nasty], "notice": nasty, "paces": [nasty]}
    )
    with opened(f"{serving.url}console#token={TOKEN}", 1024, 768) as page:
        shown(page, version)
        assert page.locator("img").count() == 0
        assert page.inner_text("#notice") == nasty
