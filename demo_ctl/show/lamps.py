"""Lamps: a scene and what is real at this moment in, which lamps are lit out; and slow enough for eyes.

A lamp that tells of safety (*ringing possible*, *tripped*) is never lit or dark by a recording: it follows the board's
guard as it was last heard, whatever is shown. All it may do is tell; dark says nothing (`wiring/README.md`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from demo_ctl.link.client import Client
from demo_ctl.link.lamps import lacking_words
from demo_ctl.office.model import Unit
from demo_ctl.show.model import STAGES, Party, Scene
from demo_ctl.terms.lamps import LAMPS_MOST, Lamp, check_names
from demo_ctl.terms.located import Findings, Located
from demo_ctl.wire import messages as m

#: A lamp changes no sooner than so long after it has changed, and whatever lit it is seen for so long: at most three
#: flashes a second, as WCAG 2.2 (success criterion 2.3.1, from memory) wants it of anything that flashes.
CHANGE_US = 170_000

#: From the moment the guard lets ringing through until it is seen to have fallen, ringing voltage may be on a line.
RINGING_POSSIBLE = (m.G_LIVE, m.G_FALLING)


@dataclass(frozen=True)
class Real:
    """What is so at this moment. guard: the board's (G_...), -1: not known. your_turn: somebody is waited for."""

    guard: int = -1
    your_turn: bool = False
    recording: bool = False


class Lit(NamedTuple):
    """Bit 0 is lamp 1. blink: those of the lit ones that blink."""

    lit: int
    blink: int


def _parties(scene: Scene, of: str) -> list[Party]:
    if of in ("caller", "called"):
        return [scene.caller if of == "caller" else scene.called]
    return [party for party in (scene.caller, scene.called) if party.name == of]


_PARTY: Mapping[str, Callable[[Party], bool]] = {
    "off the hook": lambda party: party.off_hook,
    "current": lambda party: party.loop,
    "dial contact": lambda party: party.open_contact,
    "ringing": lambda party: party.ringing,
}


def _switch(scene: Scene, shows: str, of: str) -> bool:
    own = [switch for switch in scene.switches if switch.name == of]
    if shows == "moves":
        return any(switch.magnet for switch in own)
    return any(switch.vertical or switch.rotary for switch in own)


def _call(scene: Scene, shows: str) -> bool:
    stage = STAGES[scene.stage]
    return stage not in ("at rest", "ended") if shows == "a call" else stage == shows


def _is_lit(row: Lamp, scene: Scene | None, real: Real) -> bool:
    if row.shows == "your turn":
        return real.your_turn
    if row.shows == "ringing possible":
        return real.guard in RINGING_POSSIBLE
    if row.shows == "tripped":
        return real.guard == m.G_TRIPPED
    if scene is None:
        return False
    if row.shows == "a recording":
        return real.recording
    of = row.of or ""
    if row.shows in _PARTY:
        return any(_PARTY[row.shows](party) for party in _parties(scene, of))
    if row.shows in ("moves", "off normal"):
        return _switch(scene, row.shows, of)
    return _call(scene, row.shows)


def lamps_of(table: Sequence[Lamp], scene: Scene | None, real: Real) -> Lit:
    """Return which lamps are lit. scene: what is shown, live or recorded; none: nothing is."""
    lit = blink = 0
    for row in table:
        if _is_lit(row, scene, real):
            lit |= 1 << row.lamp - 1
            if row.how == "blinking":
                blink |= 1 << row.lamp - 1
    return Lit(lit, blink)


def lamp_table(unit: Located[Unit], own: Located[Any] | None = None) -> tuple[Lamp, ...]:
    """Return which lamp shows what: by the sheet or exhibit `own`, if it says anything of lamps, else by the unit.

    Raises InputError, with file and line, when a row names what this unit does not have.
    """
    if own is None or own.value.lamps is None:
        return unit.value.lamps
    findings = Findings(own)
    lines = (line.name for line in unit.value.lines)
    rows: tuple[Lamp, ...] = own.value.lamps
    check_names(rows, lines, unit.value.switch_names, findings, "lamps")
    findings.raise_any(f"Lines and stages are those of {unit.file}.")
    return rows


class Steady:
    """Lamps that follow what is wanted of them slowly enough for eyes, and leave nothing out.

    Each changes at most once in CHANGE_US. What was wanted for a moment only is shown for so long; what is wanted again
    within that time stays lit (a dial's ten pulses a second are one light), and what is wanted while it must stay dark
    is shown after it.
    """

    def __init__(self) -> None:
        self.lit = 0
        self._wanted = 0
        self._owed = 0  # wanted while it had to stay dark
        self._changed_us = [-CHANGE_US] * LAMPS_MOST
        self._on_us = [-CHANGE_US] * LAMPS_MOST  # last wanted

    def want(self, wanted: int, now_us: int) -> int:
        """From now on these are wanted; return what is lit."""
        before, self._wanted = self._wanted, wanted
        self._owed |= wanted
        for lamp in range(LAMPS_MOST):
            if (before | wanted) >> lamp & 1:
                self._on_us[lamp] = now_us
        return self.at(now_us)

    def at(self, now_us: int) -> int:
        """Return what is lit now."""
        for lamp in range(LAMPS_MOST):
            bit = 1 << lamp
            if now_us - self._changed_us[lamp] < CHANGE_US:
                continue
            on = bool((self._wanted | self._owed) & bit)
            if self.lit & bit:
                self._owed &= ~bit
                if self._wanted & bit or now_us - self._on_us[lamp] < CHANGE_US:
                    continue
            elif not on:
                continue
            self.lit ^= bit
            self._owed &= ~bit
            self._changed_us[lamp] = now_us
        return self.lit


class Lights:
    """The lamps of one board while something is shown. Methods of one thread; flags may be set from any.

    follows: the lamps follow what is shown (a run sheet may say that they do not); dark: screens are dark, and lamps
    with them; your_turn: somebody is waited for. What the guard tells is shown all the same.
    """

    def __init__(self, table: Sequence[Lamp], clock_us: Callable[[], int]) -> None:
        self.table = tuple(table)
        self.follows = True
        self.dark = self.your_turn = False
        self._clock_us = clock_us
        self._scene: Scene | None = None
        self._recording = False
        self._guard = -1
        self._steady = Steady()

    def show(self, scene: Scene | None, recording: bool) -> None:
        """From now on this is shown, live or recorded."""
        self._scene, self._recording = scene, recording
        self._want()

    def put(self, client: Client) -> None:
        """Have a client's board light what is lit now. Does not wait."""
        self._guard = client.guard
        wanted = self._want()
        lit = self._steady.lit
        client.lamps.show(lit, lit & wanted.blink)

    def lacking(self, client: Client | None) -> str:
        """Say which lamps of the table the board does not have; empty: it has all, or has not said yet."""
        count = client.lamps.count if client is not None else -1
        lacks = [row.lamp for row in self.table if 0 <= count < row.lamp]
        if client is None or not lacks:
            return ""
        return f"Lamps: {lacking_words(client.port.url, count, sorted(lacks))}."

    def _want(self) -> Lit:
        scene = self._scene if self.follows and not self.dark else None
        real = Real(self._guard, self.your_turn and not self.dark, self._recording)
        wanted = lamps_of(self.table, scene, real)
        self._steady.want(wanted.lit, self._clock_us())
        return wanted
