"""A real browser, and a whole call as scenes, for the tests of the pages."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe  # type: ignore[import-untyped]
from playwright.sync_api import Browser, Page, sync_playwright

from demo_ctl.show.model import STAGES, Happening, Party, Scene, Switch
from demo_ctl.show.scene import as_json

CAPTION = {
    "at rest": ("Everything is at rest.", "Alles ist in Ruhe.", "Tout est au repos."),
    "lifted": (
        "The receiver goes up, and current begins to flow.",
        "Der Hörer wird abgehoben, und Strom beginnt zu fließen.",
        "Le combiné se lève, et le courant commence à passer.",
    ),
    "finding": (
        "A line finder looks for the line that is calling.",
        "Ein Anrufsucher sucht die Leitung, die ruft.",
        "Un chercheur cherche la ligne qui appelle.",
    ),
    "dial tone": ("The exchange hums: please dial.", "Das Amt summt: bitte wählen.", "Le central invite à composer."),
    "dialling": (
        "Each pulse of the dial lifts the shaft by one level.",
        "Jeder Impuls der Scheibe hebt die Welle um eine Höhe.",
        "Chaque impulsion du cadran lève l'arbre d'un niveau.",
    ),
    "selecting": (
        "The shaft turns by itself until it finds a free trunk.",
        "Die Welle dreht sich von selbst, bis ein Weg frei ist.",
        "L'arbre tourne seul jusqu'à un chemin libre.",
    ),
    "connecting": (
        "The connector steps to the line that was dialled and tests whether it is free.",
        "Der Leitungswähler geht zur gewählten Leitung und prüft, ob sie frei ist.",
        "Le connecteur va jusqu'à la ligne composée et regarde si elle est libre.",
    ),
    "ringing": (
        "The bell of the other telephone rings.",
        "Beim anderen Telefon läutet die Glocke.",
        "L'autre téléphone sonne.",
    ),
    "talking": (
        "Somebody answers: the way through the exchange is open from end to end.",
        "Jemand meldet sich: der Weg durch das Amt steht von einem Ende zum anderen.",
        "Quelqu'un répond : le chemin est ouvert d'un bout à l'autre.",
    ),
    "clearing": (
        "The receiver is down: every shaft comes home.",
        "Der Hörer liegt auf: alle Wellen kehren heim.",
        "Le combiné est posé : les arbres reviennent.",
    ),
    "ended": ("The call is over.", "Der Anruf ist zu Ende.", "L'appel est terminé."),
}


def caption_of(scene: Scene) -> dict[str, str]:
    words = CAPTION.get(STAGES[scene.stage], ("", "", ""))
    return dict(zip(("en", "de", "fr"), words, strict=True))


class Call:
    """A seven-digit call through a finder, five selectors and a connector, change by change."""

    def __init__(self, digits: str = "5550134") -> None:
        train = [Switch("line finder of caller", 0, "finder", "line finder")]
        names = ("first", "second", "third", "fourth", "fifth")[: len(digits) - 2]
        train += [Switch(f"{n} selector of caller", k, "selector", f"{n} selector") for k, n in enumerate(names, 1)]
        train.append(Switch("connector of caller", len(train), "connector", "connector"))
        self.scene = Scene(
            0,
            0,
            0,
            "A call that is answered",
            "KLondike 5-0134",
            digits,
            Party("counter", 1, battery=1),
            Party("parlour", 2, battery=1),
            tuple(train),
        )
        self.scenes = [self.scene]

    def _done(self, part: str, thing: str, value: int, known: Any, us: int) -> None:
        number = self.scene.number + 1
        at_us = self.scene.at_us + us
        last = Happening(number, at_us, part, thing, value, known, max(0, number - 1), number)
        self.scene = replace(self.scene, number=number, at_us=at_us, last=last)
        self.scenes.append(self.scene)

    def party(self, which: str, thing: str, us: int = 5_000, **changes: Any) -> None:
        party = replace(getattr(self.scene, which), **changes)
        self.scene = replace(self.scene, **{which: party})
        value = next(iter(changes.values()))
        self._done(which, thing, int(value) if isinstance(value, (int, bool)) else 1, "sensed", us)

    def stage(self, name: str) -> None:
        self.scene = replace(self.scene, stage=STAGES.index(name))
        self._done("call", "stage", STAGES.index(name), "sensed", 1_000)

    def switch(self, place: int, thing: str, us: int = 8_000, known: Any = "inferred", **changes: Any) -> None:
        switches = list(self.scene.switches)
        switches[place] = replace(switches[place], known=known, **changes)
        self.scene = replace(self.scene, switches=tuple(switches))
        value = next(iter(changes.values()))
        self._done(switches[place].part, thing, value if isinstance(value, int) else 1, known, us)

    def whole(self) -> list[Scene]:
        self.stage("lifted")
        self.party("caller", "hook", off_hook=True)
        self.party("caller", "loop", loop=True, relays=("line relay",))
        self.stage("finding")
        for level in range(1, 3):
            self.switch(0, "vertical magnet", magnet="vertical")
            self.switch(0, "vertical", vertical=level, magnet="")
        for terminal in range(1, 4):
            self.switch(0, "rotary", rotary=terminal)
        self.party("caller", "cut-off relay", relays=("cut-off relay",))
        self.switch(1, "A", relays=("A", "B"))
        self.stage("dial tone")
        self.party("caller", "tone", tone=1)
        connector = len(self.scene.switches) - 1
        for place, digit in enumerate(self.scene.digits, 1):
            at = min(place, connector)
            self.stage("dialling" if at < connector else "connecting")
            self.stage("dialling")
            self.party("caller", "digit", digit=place, pulses=0, tone=0)
            for pulse in range(1, (int(digit) or 10) + 1):
                self.party("caller", "pulse", open_contact=True, loop=False, us=39_000)
                relays = ("B", "C")
                turning = place > connector
                self.switch(at, "A", relays=relays, magnet="rotary" if turning else "vertical")
                if turning:
                    self.switch(at, "rotary", rotary=pulse)
                else:
                    self.switch(at, "vertical", vertical=pulse)
                self.party("caller", "pulses", pulses=pulse, us=1)
                self.party("caller", "pulse", open_contact=False, loop=True, us=61_000)
                self.switch(at, "A", relays=("A", "B", "C"), magnet="")
            self.switch(at, "C", relays=("A", "B"))
            if at < connector:
                self.stage("selecting")
                self.switch(at, "rotary magnet", magnet="rotary")
                for terminal in range(1, place % 4 + 2):
                    self.switch(at, "rotary", rotary=terminal, us=30_000)
                self.switch(at, "cut-through", relays=("cut-through",), magnet="")
                self.switch(at + 1, "A", relays=("A", "B"))
        self.stage("connecting")
        self.switch(connector, "cut-through", relays=("A", "B", "cut-through"))
        self.stage("ringing")
        self.switch(connector, "ringing", relays=("A", "B", "cut-through", "ringing"))
        self.party("called", "ringing", ringing=True)
        self.party("caller", "tone", tone=2)
        self.party("called", "ringing", ringing=False, us=2_000_000)
        self.party("called", "hook", off_hook=True, us=900_000)
        self.party("called", "loop", loop=True)
        self.switch(connector, "F", relays=("A", "B", "D", "F", "cut-through"))
        self.party("caller", "battery", battery=2, tone=0)
        self.stage("talking")
        self.party("caller", "hook", off_hook=False, loop=False, us=4_000_000)
        self.stage("clearing")
        for at in range(connector, -1, -1):
            self.switch(at, "release magnet", magnet="release", relays=())
            self.switch(at, "rotary", rotary=0)
            self.switch(at, "vertical", vertical=0, magnet="")
        self.party("caller", "battery", battery=1, relays=())
        self.party("called", "hook", off_hook=False, loop=False)
        self.stage("ended")
        return self.scenes


@pytest.fixture(scope="session")
def whole_call() -> list[tuple[dict[str, Any], dict[str, str]]]:
    """A whole call: the scene as JSON and its caption, at every step."""
    return [(as_json(scene), caption_of(scene)) for scene in Call().whole()]


@pytest.fixture(scope="session")
def short_call() -> list[tuple[dict[str, Any], dict[str, str]]]:
    """The same on a unit of one selector and a connector."""
    return [(as_json(scene), caption_of(scene)) for scene in Call("342").whole()]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """The system's Chromium. As long as Playwright is there, no other module could run an event loop in this thread."""
    path = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if path is None:
        pytest.fail("no Chromium on this computer: install it first (on Debian: apt-get install chromium)")
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        yield found
        found.close()


@pytest.fixture(scope="session")
def barriers() -> Callable[[Page], str]:
    """What axe-core finds against a page; nothing, if all is well."""

    def find(page: Page) -> str:
        found = Axe().run(page)
        return str(found.generate_report()) if found.violations_count else ""

    return find


@pytest.fixture(scope="module")
def opened(browser: Browser) -> Callable[..., Any]:
    """A page of a context of its own; whatever it complains of in its console fails the test."""

    @contextmanager
    def open_page(url: str, width: int = 1280, height: int = 800, **options: Any) -> Iterator[Page]:
        context = browser.new_context(viewport={"width": width, "height": height}, **options)
        page = context.new_page()
        page.set_default_timeout(15_000)
        troubles: list[str] = []
        page.on("pageerror", lambda error: troubles.append(str(error)))
        page.on("console", lambda line: troubles.append(line.text) if line.type == "error" else None)
        try:
            page.goto(url)
            yield page
            assert troubles == []
        finally:
            context.close()

    return open_page
