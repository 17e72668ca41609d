"""What an exhibit's screens show: recorded calls in turn, a running call, what visitors are told. Nothing waits here.

Everything is moved on by `tick(now_us)`: whoever keeps the exhibit calls it many times a second, and between two of its
calls may do other things. Films are made once, at the start, so that a record that cannot be read is known then.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Protocol

from demo_ctl.ledger.read import Record
from demo_ctl.office.model import Unit
from demo_ctl.office.numbers import pulses_of
from demo_ctl.plan.model import Plan
from demo_ctl.show.captions import Text, captions
from demo_ctl.show.hub import Hub, What, audience, sound_address
from demo_ctl.show.live import Live
from demo_ctl.show.model import STAGES, Happening, Scene
from demo_ctl.show.replay import Replay, replay_record
from demo_ctl.show.scene import as_json
from demo_ctl.show.sound import sound as sound_of
from demo_ctl.show.unfold import Unfolding
from demo_ctl.terms.errors import InputError, Place
from demo_ctl.wire import messages as m

Texts = Mapping[str, str]


#: All sounds of one exhibit together, bytes: half an hour of them. They are kept in memory and sent to every page.
LARGEST_SOUNDS = 32_000_000


@dataclass(frozen=True)
class Film:
    """A recorded call, ready to be shown. keys: of the caption under each frame. sound: a WAV file; empty: none."""

    replay: Replay
    plan: Plan
    what: What
    captions: Mapping[str, Text]
    keys: tuple[str, ...]
    sound: bytes = b""

    @property
    def total_us(self) -> int:
        """Its length."""
        return self.replay.total_us


def film(
    record: Record,
    unit: Unit,
    *,
    pace: Fraction = Fraction(1),
    unfolding: Unfolding | None = None,
    what: What = "everything",
    overrides: Mapping[str, Text] | None = None,
    sound: bool = False,
) -> Film:
    """Make a film of a record. Raises InputError when it is of another unit, or too long for a sound."""
    made = replay_record(record, unit, pace=pace, unfolding=unfolding or Unfolding(which="nothing"))
    silent = film_of(made, record.plan, what, overrides or {})
    if not sound:
        return silent
    heard = sound_of(made.timeline, made.happenings, record.observation.audio, record.plan.caller_port)
    if heard is None:
        raise InputError("a recorded call is too long for a sound", next_step="Choose a faster pace, or `at most`.")
    return replace(silent, sound=heard)


def check_sounds(films: Sequence[Film], where: Place) -> None:
    """Raise InputError when films have more sound than a page should be sent."""
    size = sum(len(each.sound) for each in films)
    if size > LARGEST_SOUNDS:
        raise InputError(
            f"the sounds of these recorded calls have {size} bytes, {LARGEST_SOUNDS} are allowed",
            where=where,
            next_step="Give fewer of them `sound`, or let them take less time (`at most`).",
        )


def film_of(made: Replay, plan: Plan, what: What, overrides: Mapping[str, Text]) -> Film:
    """Make a film of a replay."""
    keys: list[str] = []
    key = f"stage {STAGES[made.first.stage]}"
    for frame in made.frames:
        key = frame.caption_key or key  # as `Replay.caption` has it
        keys.append(key)
    return Film(made, plan, what, overrides, tuple(keys))


class Telling(Protocol):
    """What tells a running call: events in, happenings and the scene out (`live.Live`)."""

    scene: Scene

    def take(self, event: m.Event) -> tuple[Happening, ...]:
        """Take the next event."""
        ...

    def due(self, now_us: int) -> tuple[Happening, ...]:
        """Return what is due by the board's clock."""
        ...

    def finish(self) -> tuple[Happening, ...]:
        """No more events will come."""
        ...


class Screens:
    """Everything that is to be seen. Methods are called by one thread; none of them waits."""

    def __init__(self, hub: Hub, unit: Unit, languages: Sequence[str], films: Sequence[Film]) -> None:
        if not films:
            raise ValueError("an exhibit has at least one recorded call")
        self.hub = hub
        self._unit = unit
        self._languages = tuple(languages)
        self._films = tuple(films)
        self._lock = threading.Lock()
        self._dark = False
        self._film: int | None = None
        self._loops = False
        self._next = 0  # of the attract loop
        self._began_us = 0
        self._frame = -1
        self._live: Telling | None = None
        self._plan: Plan = films[0].plan
        self._what: What = films[0].what
        self._captions: Mapping[str, Text] = {}
        self._told: Texts = {}
        self._told_until_us = 0
        self._only_recorded = False
        self._gone_us = 0  # of the film
        self._scene: Scene = films[0].replay.first
        self._key = ""
        self.stage = 0
        #: Gets every scene that is to be seen, and whether it is of a recording: lamps follow it.
        self.on_scene: Callable[[Scene, bool], None] = lambda _scene, _recording: None

    # -- recorded calls ------------------------------------------------------------------------------------------

    @property
    def attracting(self) -> bool:
        """Whether the attract loop is on."""
        return self._film is not None and self._loops

    def attract(self, now_us: int) -> None:
        """Go on with the attract loop: the next film begins."""
        self._begin(self._next, now_us, loops=True)

    def show(self, index: int, now_us: int) -> None:
        """Show one film, once."""
        self._begin(index, now_us, loops=False)

    def _begin(self, index: int, now_us: int, *, loops: bool) -> None:
        self._live = None
        self._film, self._loops, self._began_us, self._frame, self._gone_us = index, loops, now_us, -1, 0
        if loops:
            self._next = (index + 1) % len(self._films)
        chosen = self._films[index]
        self._plan, self._what, self._captions = chosen.plan, chosen.what, chosen.captions
        self._picture(chosen.replay.first, f"stage {STAGES[chosen.replay.first.stage]}")
        self.tick(now_us)

    def tick(self, now_us: int) -> bool:
        """Show what is due. True: a film that is shown once has come to its end."""
        if self._told and now_us >= self._told_until_us:
            self._told = {}
            self._publish()
        if self._film is None:
            return False
        chosen = self._films[self._film]
        gone_us = self._gone_us = max(0, now_us - self._began_us)
        if gone_us >= chosen.total_us:
            if self._loops:
                self.attract(now_us)
                return False
            return True
        at = chosen.replay.index_at(gone_us)
        if at != self._frame and chosen.replay.frames and chosen.replay.frames[at].show_us <= gone_us:
            for passed in range(max(self._frame + 1, 0), at):  # no screen wants them, but lamps leave nothing out
                self.on_scene(chosen.replay.scenes[passed], True)
            self._frame = at
            self._picture(chosen.replay.scenes[at], chosen.keys[at])
        return False

    # -- a running call ------------------------------------------------------------------------------------------

    def call(self, plan: Plan, what: What, overrides: Mapping[str, Text], live: Telling | None = None) -> None:
        """A call begins: an empty stage. live: what tells it, if it is not the plan's own events."""
        self._film, self._told = None, {}
        self._live = live or Live(plan, self._unit)
        self._plan, self._what, self._captions = plan, what, overrides
        self._picture(self._live.scene, f"stage {STAGES[self._live.scene.stage]}")

    def event(self, event: m.Event) -> tuple[Happening, ...]:
        """Draw what an event tells; return what has happened."""
        return self._drawn(self._live.take(event)) if self._live is not None else ()

    def time(self, board_us: int) -> tuple[Happening, ...]:
        """Draw what is due by now, the board's clock, without an event."""
        return self._drawn(self._live.due(board_us)) if self._live is not None else ()

    def finish(self) -> tuple[Happening, ...]:
        """The call is over: draw what was still on its way home."""
        return self._drawn(self._live.finish()) if self._live is not None else ()

    def _drawn(self, found: tuple[Happening, ...]) -> tuple[Happening, ...]:
        if found and self._live is not None:
            self._picture(self._live.scene, f"stage {STAGES[self._live.scene.stage]}")
        return found

    # -- words and light -----------------------------------------------------------------------------------------

    def tell(self, words: Texts, until_us: int) -> None:
        """Tell visitors something, in the caption's place, until an instant."""
        self._told, self._told_until_us = dict(words), until_us
        self._publish()

    def only_recorded(self, only: bool) -> None:
        """Whether a press can show nothing but a recorded call now; the page says so."""
        if only != self._only_recorded:
            self._only_recorded = only
            self._publish()

    def dark(self, dark: bool) -> None:
        """Make the screens dark, or light."""
        self._dark = dark
        self._publish()

    def _picture(self, scene: Scene, key: str) -> None:
        self._scene, self._key, self.stage = scene, key, scene.stage
        self._publish()
        self.on_scene(scene, self._film is not None)

    def _publish(self) -> None:
        plan = self._plan
        told = captions(self._key, self._scene, self._languages, self._captions)
        replay = self._film is not None
        timeline = self._films[self._film].replay.timeline if self._film is not None else None
        heard = self._film is not None and bool(self._films[self._film].sound)
        pace = timeline.pace if timeline is not None else plan.pace
        with self._lock:
            self.hub.publish(
                audience(
                    as_json(self._scene),
                    {**told, **{key: words for key, words in self._told.items() if key in told}},
                    what=self._what,
                    blank=self._dark,
                    language=self._languages[0],
                    replay=replay,
                    pace="" if pace == 1 else str(pace),
                    pulses=tuple(pulses_of(digit, self._unit.numbering.pulses) for digit in self._scene.digits),
                    only_recorded=self._only_recorded,
                    sound=sound_address(self._film) if self._film is not None and heard else "",
                    sound_us=self._gone_us if heard else 0,
                )
            )
