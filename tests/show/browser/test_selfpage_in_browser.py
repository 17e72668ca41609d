"""The page that plays by itself, opened from a file in a real browser, with no network at all."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

from demo_ctl.show.selfpage import Frame, self_page

Steps = list[tuple[dict[str, Any], dict[str, str]]]


@pytest.fixture(scope="module")
def frames(whole_call: Steps) -> list[Frame]:
    return [(scene["at_us"], scene, caption) for scene, caption in whole_call]


@pytest.fixture(scope="module")
def file(frames: list[Frame], tmp_path_factory: pytest.TempPathFactory) -> Path:
    unfolded = [(place * 1_500_000, scene, caption) for place, (_, scene, caption) in enumerate(frames[:60])]
    path = tmp_path_factory.mktemp("page") / "call.html"
    path.write_text(self_page(frames, "A call", unfolded=unfolded), encoding="utf-8")
    return path


@pytest.fixture
def page(file: Path, opened: Callable[..., Any]) -> Iterator[Page]:
    with opened(file.as_uri(), 1280, 800, offline=True) as made:
        yield made


def state(page: Page) -> tuple[int, int]:
    """The step that is shown, and the number of its scene."""
    step, number = page.evaluate(
        "[document.documentElement.dataset.step, document.getElementById('picture').dataset.number].map(Number)"
    )
    return step, number


def test_it_shows_the_first_picture_at_once_and_says_it_is_recorded(page: Page, frames: list[Frame]) -> None:
    assert state(page) == (0, 0)
    assert page.inner_text("#caption") == frames[0][2]["en"]
    assert page.inner_text("#source") == "A recorded call"
    assert page.inner_text("#step") == f"Step 1 of {len(frames)}"


def test_every_step_forward_and_back_by_keys_alone(page: Page, frames: list[Frame]) -> None:
    for step in range(1, 40):
        page.keyboard.press("ArrowRight")
        assert state(page) == (step, frames[step][1]["number"])
    for step in range(38, 20, -1):
        page.keyboard.press("ArrowLeft")
        assert state(page)[0] == step
    page.keyboard.press("End")
    assert state(page)[0] == len(frames) - 1
    page.keyboard.press("ArrowRight")
    assert state(page)[0] == len(frames) - 1
    page.keyboard.press("Home")
    page.keyboard.press("ArrowLeft")
    assert state(page)[0] == 0


def test_it_plays_by_time_at_every_pace_and_stops_at_the_end(
    file: Path, frames: list[Frame], opened: Callable[..., Any]
) -> None:
    # The browser's clock is moved by hand: what is shown depends on nothing else.
    with opened("about:blank", 1280, 800, offline=True) as page:
        page.clock.install(time=0)
        page.goto(file.as_uri())
        page.clock.pause_at(1000)
        for pace in ("1/10", "1", "4"):
            page.select_option("#pace", pace)
            page.keyboard.press("Home")
            page.evaluate("document.activeElement.blur()")
            page.keyboard.press("Home")
            page.keyboard.press(" ")
            above, _, below = pace.partition("/")
            for passed_ms in (400, 1600):
                before = float(page.input_value("#place"))
                page.clock.run_for(passed_ms)
                gone_us = float(page.input_value("#place")) - before
                # But for the frame in which it began, 16 ms of the browser's time.
                assert gone_us == pytest.approx(passed_ms * 1000 * int(above) / int(below or 1), rel=0.05)
                at_us = float(page.input_value("#place"))
                expected = max(place for place, (then_us, _, _) in enumerate(frames) if then_us <= at_us + 1000)
                assert abs(state(page)[0] - expected) <= 1
            page.keyboard.press(" ")
            stood = state(page)
            page.clock.run_for(3000)
            assert state(page) == stood  # paused
        page.keyboard.press(" ")
        page.clock.run_for(frames[-1][0] // 1000)
        assert state(page)[0] == len(frames) - 1
        assert page.get_attribute("#play", "aria-label") == "Play"
        # Over and over: it begins again.
        page.click("#again")
        page.click("#play")
        page.clock.run_for(500)
        assert 0 < state(page)[0] < len(frames) // 2
        page.clock.run_for((frames[-1][0] + 3_000_000) // 4000)
        assert state(page)[0] < len(frames) - 1
        assert page.get_attribute("#play", "aria-label") == "Pause"


def test_scrubbing_shows_the_scene_of_that_moment(page: Page, frames: list[Frame]) -> None:
    for place in (0, 57, 133, len(frames) - 1, 20):
        at_us = frames[place][0]
        page.evaluate(
            """at => { const place = document.getElementById("place"); place.value = at;
                place.dispatchEvent(new Event("input")); }""",
            at_us + 500,
        )
        # A range has steps of a millisecond.
        step, _ = state(page)
        assert abs(frames[step][0] - at_us) <= 1000


def test_unfolded_on_and_off_keeps_the_place(page: Page, frames: list[Frame]) -> None:
    for _ in range(25):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("u")
    assert page.get_attribute("#unfolded", "aria-pressed") == "true"
    assert state(page) == (25, frames[25][1]["number"])
    assert page.inner_text("#step") == "Step 26 of 60"
    page.click("#unfolded")
    assert page.get_attribute("#unfolded", "aria-pressed") == "false"
    assert state(page) == (25, frames[25][1]["number"])


def test_controls_by_keys_alone(page: Page) -> None:
    page.keyboard.press("+")
    assert page.input_value("#pace") == "2"
    for _ in range(20):
        page.keyboard.press("-")
    assert page.input_value("#pace") == "1/50"
    assert page.inner_text("#source") == "A recorded call · Pace 1/50"
    page.keyboard.press("o")
    assert page.get_attribute("#again", "aria-pressed") == "true"
    page.keyboard.press("l")
    assert page.get_attribute("html", "lang") == "de"
    assert page.get_attribute("#play", "aria-label") == "Abspielen"
    reached = []
    for _ in range(11):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.lang || document.activeElement.id"))
    assert reached == ["en", "de", "fr", "back", "play", "forward", "place", "pace", "again", "unfolded", "full"]
    page.focus("#play")
    page.keyboard.press(" ")
    assert page.get_attribute("#play", "aria-label") == "Anhalten"
    page.keyboard.press(" ")
    assert page.get_attribute("#play", "aria-label") == "Abspielen"
    page.keyboard.press("f")
    page.wait_for_function("() => document.fullscreenElement !== null")
    page.keyboard.press("f")
    page.wait_for_function("() => document.fullscreenElement === null")


@pytest.mark.parametrize(("width", "height"), [(1920, 1080), (1024, 768), (390, 844)])
def test_no_barrier_is_found_at_any_size(
    file: Path,
    opened: Callable[..., Any],
    width: int,
    height: int,
    tmp_path_factory: pytest.TempPathFactory,
    barriers: Callable[[Page], str],
) -> None:
    with opened(file.as_uri(), width, height, offline=True) as page:
        page.keyboard.press("End")
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        page.screenshot(path=tmp_path_factory.mktemp("pictures") / f"self-{width}.png")
        assert barriers(page) == ""


def test_an_exhibits_page_plays_by_itself_but_not_for_who_asks_for_less_motion(
    frames: list[Frame], tmp_path: Path, opened: Callable[..., Any]
) -> None:
    path = tmp_path / "exhibit.html"
    path.write_text(self_page(frames, "A call", ("fr",), playing=True, again=True, pace="4"), encoding="utf-8")
    with opened(path.as_uri(), 1280, 800, offline=True) as page:
        page.wait_for_function("() => Number(document.documentElement.dataset.step) > 3")
        assert page.get_attribute("html", "lang") == "fr"
        assert page.get_attribute("#again", "aria-pressed") == "true"
        assert not page.is_visible("#unfolded")
    with opened(path.as_uri(), 1280, 800, offline=True, reduced_motion="reduce") as page:
        page.wait_for_timeout(300)
        assert state(page)[0] == 0
        assert page.get_attribute("#play", "aria-label") == "Lecture"
