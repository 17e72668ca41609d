"""Somebody who does what the proving asks, at the bench's simulated equipment."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.link.client import Client
from demo_ctl.link.port import Port, add_url_package, open_port
from demo_ctl.safety.proof_store import Proving, StepResult
from demo_ctl.safety.prove import prove
from demo_ctl.safety.proving import Step
from demo_ctl.terms.errors import DemoError
from demo_ctl.wire import messages as m

UNIT = Path(__file__).resolve().parents[2] / "configs" / "units" / "travelling.yaml"
ALARMS = {"smoke": m.IN_SMOKE, "fuse": m.IN_FUSE, "release": m.IN_RELEASE, "supervisory": m.IN_SUPERVISORY}
NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


class Hands:
    """A person: does at once what is asked, unless told otherwise.

    forgets: steps, by name, that this person does not do. skips: leaves optional steps out. at: called with each step's
    name before it is done. says: what is typed when ringing voltage is about to come on.
    hears: what is done when words are told.
    """

    def __init__(self, hardware: Any) -> None:
        self.hardware = hardware
        self.forgets: set[str] = set()
        self.skips = False
        self.at: Callable[[str], None] = lambda name: None
        self.told: list[str] = []
        self.asked: list[str] = []
        self.results: list[StepResult] = []
        self.step: Step | None = None
        self.typed: list[str] = []
        self.says = [""]
        self.hears: dict[str, Callable[[], None]] = {}

    def tell(self, text: str) -> None:
        self.told.append(text)
        for words, act in self.hears.items():
            if words in text:
                act()
        if text.startswith("RINGING VOLTAGE IS ON THE BUS") and self.step is not None:
            self.at(f"{self.step.name}, live")
            self._do(self.step.name)

    def ask(self, step: Step, number: int, of: int) -> None:
        self.asked.append(step.name)
        self.step = step
        self.at(step.name)
        if step.optional and self.skips:
            self.typed.append(" Skip ")
        elif not step.live:
            self._do(step.name)

    def ready(self, step: Step, number: int, of: int) -> None:
        self.at(f"{step.name}, ready")
        self.typed += self.says

    def line(self) -> str | None:
        return self.typed.pop(0) if self.typed else None

    def heed(self) -> None:
        pass

    def result(self, result: StepResult) -> None:
        self.results.append(result)

    def _do(self, name: str) -> None:
        if name in self.forgets or self._by_night(name):
            return
        hardware = self.hardware
        if name == "key off":
            hardware.turn_key("off")
        elif name == "key on":
            hardware.turn_key("day")
        elif name.startswith("open "):
            hardware.open_cover()
        elif name.startswith("close "):
            hardware.close_cover()
        elif name.startswith("press the stop"):
            hardware.press_stop()
        elif name.startswith("release the stop"):
            hardware.release_stop()
        elif name.startswith("guard relay"):
            letter = name.split()[2].lower()
            hardware.press_relay_button(letter, True)
            hardware.kernel.at(hardware.kernel.now_us + 3_000_000, hardware.press_relay_button, letter, False)
        elif name == "put everything back":
            hardware.turn_key("night" if self.step is not None and "at night" in self.step.ask else "day")
            hardware.close_cover()
            hardware.release_stop()
            for contact in ALARMS.values():
                hardware.set_input(contact, True)
            for letter in "ab":
                hardware.pull_plug(letter, False)
                hardware.press_relay_button(letter, False)
        elif name == "key on first":
            hardware.turn_key("day")
        elif name.endswith(" alone"):
            self._channel(name).work("test plug", False)
        elif name.endswith(" back"):
            self._channel(name).work("test plug", True)

    def _by_night(self, name: str) -> bool:
        """Do what the night's steps ask; return whether it was one of them."""
        hardware = self.hardware
        contact = ALARMS.get(name.partition(" alarm")[0])
        if name == "key to night":
            hardware.turn_key("night")
            hardware.set_input(m.IN_ALONE, True)
        elif name in ("somebody there while live", "nobody there again"):
            hardware.set_input(m.IN_ALONE, name.startswith("nobody"))
        elif contact is not None:
            hardware.set_input(contact, name.endswith("over"))
            if name.endswith("over"):
                hardware.turn_key("off")
                hardware.kernel.at(hardware.kernel.now_us + 300_000, hardware.turn_key, "night")
        else:
            return False
        return True

    def _channel(self, name: str) -> Any:
        return self.hardware.guard.a if name.startswith("channel A") else self.hardware.guard.b


@pytest.fixture
def bench() -> Iterator[Port]:
    """A bench at which nobody has turned the key."""
    add_url_package("demo_ctl.bench")
    port = open_port(f"bench://?unit={UNIT}&guard=locked")
    yield port
    port.close()


@pytest.fixture
def hardware(bench: Port) -> Any:
    return bench._line.world.hardware


@pytest.fixture
def hands(hardware: Any) -> Hands:
    return Hands(hardware)


@pytest.fixture
def proven(bench: Port, hands: Hands) -> Callable[..., tuple[Proving, DemoError | None]]:
    """Prove the bench's guard."""

    def go(*covers: str) -> tuple[Proving, DemoError | None]:
        client = Client(bench)
        client.hello()
        names = covers or ("front", "back")
        return prove(client, hands, covers=names, unit="Travelling", who="Ada", port=1, now=lambda: NOON)

    return go
