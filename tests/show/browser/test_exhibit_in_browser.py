"""The exhibit in a real browser, as a kiosk has it: attract loop, a press, a killed browser, a board that was reset.

The exhibit runs on the bench in simulated time, moved on by the test; Chromium runs as a program of its own, started
as a kiosk's script starts it, so that it can be killed and started again.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Error, Page, expect

from demo_ctl.bench.protocol_bench import Serial
from demo_ctl.link.client import Client
from demo_ctl.link.port import Port
from demo_ctl.office.load import load_unit
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.script.exhibit_load import parse_exhibit
from demo_ctl.show.exhibit_house import House
from demo_ctl.show.exhibit_model import Now, Phase
from demo_ctl.show.furnish import Furnished, furnish
from demo_ctl.show.hub import Hub
from demo_ctl.show.keeper import Keeper
from demo_ctl.show.screens import LARGEST_SOUNDS, Screens, check_sounds
from demo_ctl.show.server import Serving, serve
from demo_ctl.show.wear import Counters
from demo_ctl.terms.errors import InputError, Place

CONFIGS = Path(__file__).parents[3] / "configs"
UNIT = CONFIGS / "units" / "mossbrook.yaml"
FILE = """\
format: demo_ctl exhibit 1
name: tried
title: {en: A corner, de: Eine Ecke, fr: Un coin}
languages: [en, de, fr]
attract:
  - record: recorded/busy.jsonl
    pace: 4
    sound: SOUND
  - record: recorded/answered.jsonl
    pace: 4
calls:
  - call: ../calls/permanent-off-hook.yaml
cool down: 10 s
"""
KIOSK = ("--kiosk", "--autoplay-policy=no-user-gesture-required")
expect.set_options(timeout=20_000)  # a busy machine is no failure
STRICT = ("--autoplay-policy=document-user-activation-required",)
# Whoever drives the browser counts as somebody who has touched the page, so the flag alone would be a race.
STRICT_PAGE = """
const play = HTMLMediaElement.prototype.play;
let touched = false;
addEventListener('click', event => { touched ||= event.isTrusted; }, true);
HTMLMediaElement.prototype.play = function () {
  return touched ? play.call(this) : Promise.reject(new DOMException('nobody has touched the page', 'NotAllowedError'));
};
"""


class Kept:
    """Counters in memory: a disk has tests of its own."""

    counters = Counters()

    def keep(self, counters: Counters) -> None:
        self.counters = counters


class StaysOpen(Port):
    """The bench outlives its hosts: who lets the port go leaves unit and board as they are."""

    def close(self) -> None:
        """Nothing."""


class Corner:
    """An exhibit on the bench, its server, and a clock that the test moves."""

    def __init__(self, furnished: Furnished) -> None:
        self.line = Serial()
        self.line.port = f"bench://?unit={UNIT}&clock=free"
        self.line.open()
        self.world: Any = self.line.world
        self.hub = Hub()
        screens = Screens(self.hub, furnished.unit, furnished.languages, furnished.films)
        house = House(lambda: Client(StaysOpen("bench", self.line)), self.now, self._wait, bench_ready, Kept())
        self.keeper = Keeper(furnished.rules, furnished.acts, furnished.unit, screens, house)

    def now(self) -> Now:
        us = self.world.kernel.now_us
        return Now(us, datetime(2026, 10, 20, 10, tzinfo=UTC) + timedelta(microseconds=us))

    def _wait(self, us: int) -> None:
        self.world.advance(self.world.kernel.now_us + us)

    def run(self, seconds: float) -> None:
        until_us = self.now().us + round(seconds * 1e6)
        while self.now().us < until_us:
            self.keeper.run_once()

    def until(self, found: Callable[[], bool]) -> None:
        for _ in range(4000):
            if found():
                return
            self.keeper.run_once()
        raise AssertionError(self.keeper.state)


@pytest.fixture(scope="module")
def furnished() -> Furnished:
    exhibit = parse_exhibit(FILE.replace("SOUND", "yes"), str(CONFIGS / "exhibits" / "tried.yaml"))
    return furnish(exhibit, load_unit(UNIT))


@pytest.fixture
def corner(furnished: Furnished) -> Iterator[Corner]:
    made = Corner(furnished)
    yield made
    made.keeper.close()
    made.line.close()


@pytest.fixture
def served(corner: Corner, furnished: Furnished) -> Iterator[Serving]:
    with serve(corner.hub, port=0, sounds=[film.sound for film in furnished.films]) as made:
        yield made


class Kiosk:
    """Chromium as a program of its own, with the page open; `kill` is what a power cut or a crash does."""

    def __init__(self, browser: Browser, url: str, profile: Path, *flags: str) -> None:
        path = shutil.which("chromium") or shutil.which("google-chrome")
        assert path is not None
        words = (path, "--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--remote-debugging-port=0")
        (profile / "DevToolsActivePort").unlink(missing_ok=True)
        self.program = subprocess.Popen(
            [*words, "--window-size=1920,1080", f"--user-data-dir={profile}", *flags, url],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        try:
            self.page: Page = self._open(browser, url, profile)
        except BaseException:
            self.kill()
            raise

    def _open(self, browser: Browser, url: str, profile: Path) -> Page:
        give_up = time.monotonic() + 60
        while True:  # the file may be there before its text is, and its text before anybody listens
            try:
                port = (profile / "DevToolsActivePort").read_text(encoding="utf-8").split()[0]
                self.browser = browser.browser_type.connect_over_cdp(f"http://127.0.0.1:{port}", timeout=10_000)
                break
            except (OSError, IndexError, Error):
                assert self.program.poll() is None, "Chromium has ended"
                if time.monotonic() > give_up:
                    raise
                time.sleep(0.1)
        while not any(page.url == url for page in self._pages()) and time.monotonic() < give_up:
            time.sleep(0.05)
        page = next(page for page in self._pages() if page.url == url)
        page.set_default_timeout(20_000)
        return page

    def _pages(self) -> list[Page]:
        return [page for context in self.browser.contexts for page in context.pages]

    def kill(self) -> None:
        if self.program.poll() is None:
            os.killpg(self.program.pid, signal.SIGKILL)  # its own session: nothing but this Chromium
        self.program.wait(30)


@pytest.fixture
def kiosks(browser: Browser, served: Serving, tmp_path: Path) -> Iterator[Callable[..., Page]]:
    made: list[Kiosk] = []

    def start(*flags: str) -> Page:
        for each in made:
            each.kill()
        made.append(Kiosk(browser, served.url, tmp_path, *flags))
        return made[-1].page

    yield start
    for each in made:
        each.kill()


def version(page: Page) -> int:
    return int(page.evaluate("document.documentElement.dataset.version || 0"))


def caught_up(corner: Corner, page: Page) -> None:
    """Wait until the page shows the newest picture."""
    latest = corner.hub.latest()
    assert latest is not None
    page.wait_for_function("version => Number(document.documentElement.dataset.version) >= version", arg=latest.version)


def test_a_day_of_a_kiosk(corner: Corner, kiosks: Callable[..., Page], barriers: Callable[[Page], str]) -> None:
    page = kiosks(*KIOSK)
    # The attract loop: one recorded call after the other, marked as recorded.
    corner.run(2)
    caught_up(corner, page)
    expect(page.locator("#source")).to_contain_text("A recorded call")
    expect(page.locator("#source")).not_to_contain_text("Recorded calls only")  # the board has answered
    titles: set[str] = set()
    for _ in range(12):
        corner.run(2)
        caught_up(corner, page)
        titles.add(page.locator("#title").inner_text())
    assert len(titles) == 2
    assert barriers(page) == ""

    # A press: a real call, live, and back to the attract loop by itself.
    page.evaluate(
        """() => { window.told = []; new MutationObserver(() => window.told.push(document.getElementById("source")
        .textContent)).observe(document.getElementById("source"), { childList: true }); }"""
    )
    corner.world.hardware.press_button()
    corner.keeper.run_once()
    corner.world.hardware.release_button()
    corner.until(lambda: corner.keeper.placed == 1 and corner.keeper.state.phase is Phase.ATTRACT)
    corner.run(0.5)
    caught_up(corner, page)
    told = page.evaluate("window.told")
    assert told[0] == "Live"
    assert told[-1].startswith("A recorded call")

    # The browser is killed; the exhibit goes on; a new browser shows what an old one would.
    page = kiosks(*KIOSK)
    caught_up(corner, page)
    expect(page.locator("#source")).to_contain_text("A recorded call")
    before = version(page)
    corner.run(3)
    caught_up(corner, page)
    assert version(page) > before

    # The board is reset: its guard is locked, so there are replays only, and the page says so in every language.
    corner.world.reset_board()
    corner.run(12)
    assert corner.keeper.state.standing.why
    caught_up(corner, page)
    expect(page.locator("#source")).to_contain_text("Recorded calls only for now")
    page.keyboard.press("l")
    expect(page.locator("#source")).to_contain_text("Zurzeit nur Aufzeichnungen")
    page.keyboard.press("l")
    expect(page.locator("#source")).to_contain_text("Enregistrements seulement")
    page.keyboard.press("l")
    corner.keeper.press()
    corner.run(1)
    assert corner.keeper.state.phase is Phase.REPLAYING
    assert corner.keeper.placed == 1
    caught_up(corner, page)
    expect(page.locator("#source")).to_contain_text("Recorded calls only for now")
    corner.until(lambda: corner.keeper.state.phase is Phase.ATTRACT)

    # The key is turned: calls again.
    corner.world.hardware.turn_key("off")
    corner.run(1)
    corner.world.hardware.turn_key("day")
    corner.run(15)
    caught_up(corner, page)
    expect(page.locator("#source")).not_to_contain_text("Recorded calls only")
    corner.keeper.press()
    corner.until(lambda: corner.keeper.placed == 2 and corner.keeper.state.phase is Phase.ATTRACT)


SOUND = (
    "() => { const one = document.querySelector('audio'); return Boolean(one && !one.paused && one.currentTime > 0); }"
)


def test_a_kiosk_plays_the_sound_of_the_calls_that_may_be_heard(corner: Corner, kiosks: Callable[..., Page]) -> None:
    page = kiosks(*KIOSK)
    corner.run(1)
    caught_up(corner, page)
    page.wait_for_function(SOUND)
    assert page.evaluate("new URL(document.querySelector('audio').src).pathname") == "/sound/0.wav"
    page.wait_for_function("() => Number.isFinite(document.querySelector('audio').duration)")
    assert abs(page.evaluate("document.querySelector('audio').duration") - corner.keeper.rules.replays[0] / 1e6) < 0.1
    expect(page.locator("#sound")).to_have_text("Sound")
    expect(page.locator("#sound")).to_have_attribute("aria-pressed", "true")
    expect(page.locator("#caption")).not_to_be_empty()  # never sound alone
    page.locator("#sound").click()
    page.wait_for_function("() => document.querySelector('audio').paused")
    page.locator("#sound").click()
    page.wait_for_function(SOUND)
    # The other call may not be heard.
    corner.until(lambda: corner.keeper.screens._film == 1)
    caught_up(corner, page)
    page.wait_for_function("() => document.querySelector('audio').paused")
    expect(page.locator("#sound")).to_be_hidden()


def test_a_browser_that_plays_nothing_unasked_says_what_to_do(corner: Corner, kiosks: Callable[..., Page]) -> None:
    page = kiosks(*STRICT)
    page.add_init_script(STRICT_PAGE)
    page.reload()
    corner.run(1)
    caught_up(corner, page)
    expect(page.locator("#sound")).to_have_text("Sound: press here")
    page.locator("#sound").click()
    page.wait_for_function(SOUND)
    expect(page.locator("#sound")).to_have_text("Sound")


def test_there_is_no_sound_unless_the_file_says_so() -> None:
    unsaid = FILE.replace("    sound: SOUND\n", "")
    assert unsaid != FILE
    for text in (unsaid, FILE.replace("SOUND", "no")):
        silent = furnish(parse_exhibit(text, str(CONFIGS / "exhibits" / "tried.yaml")), load_unit(UNIT))
        assert [film.sound for film in silent.films] == [b"", b""]


def test_sounds_are_bounded(furnished: Furnished) -> None:
    film = furnished.films[0]
    # 8000 samples a second of two bytes, and a header.
    assert abs(len(film.sound) - 44 - film.total_us * 16_000 // 1_000_000) <= 2
    check_sounds([film], Place("own.yaml"))
    many = LARGEST_SOUNDS // len(film.sound) + 1
    with pytest.raises(InputError, match="bytes, 32000000 are allowed"):
        check_sounds([film] * many, Place("own.yaml"))
