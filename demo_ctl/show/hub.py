"""What is to be seen now, for any number of screens: one newest value, a number for it, and the few before it.

A hub knows nothing of its screens but how to wake them. A screen holds only the number of what it has seen, and asks
for what comes after it: so no screen can fill the show's memory, and none can slow the show. Each value is whole (a
scene, never a change to one): a screen that joins late, or was cut off, needs the newest value and nothing else.

What is published for the audience is made by `audience`, for the presenter by whoever runs the show, in the shape of
`ConsoleState`.
"""

from __future__ import annotations

import json
import secrets
import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Literal, TypedDict

What = Literal["everything", "wipers", "line"]
WHATS: Final = ("everything", "wipers", "line")
LANGUAGES: Final = ("en", "de", "fr")

#: A screen that is further behind than this is given the newest value at once: what lies between is past.
BEHIND: Final = 8
#: No value may be larger, in bytes of JSON. A scene of eight switches has about 3000.
LARGEST: Final = 64_000


class ConsoleState(TypedDict, total=False):
    """What a presenter's page shows. Everything may be left out; words are for people, in the presenter's language.

    Times are in microseconds; the page counts `left_us` values down by itself between two states.
    """

    show: str  # the run sheet's title
    call: str  # title of the call that is on, or comes first
    place: str  # where in the show: "2 of 5"
    stage: int  # index into model.STAGES
    happening: str  # what is happening now
    line: list[str]  # what is live on the line, a phrase each; empty: nothing is
    ringing: str  # state of the ringing guard and of ringing, in words
    ringing_live: bool  # ringing voltage is, or may at any moment be, on a line
    ringing_left_us: int  # until the ringing gate must end; -1: no ringing gate is open
    next: str  # what comes next
    next_left_us: int  # until the next stable point is expected; -1: not known, or it waits for the presenter
    waiting: bool  # a gate is open: the call waits for the presenter
    held: bool  # hold was asked for
    blank: bool  # the audience's screen is off
    pace: str  # the pace in force, as written
    paces: list[str]  # paces that may be chosen; the first is the sheet's
    elapsed_us: int  # since the show began
    left_us: int  # until the show is expected to end; -1: not known
    running: bool  # a call is on: time counts
    wishes: list[str]  # the wishes that do something now
    notice: str  # something the presenter must know: a call failed and a replay is on the screen
    rehearsal: bool


@dataclass(frozen=True)
class Update:
    """One value as screens get it. version: from 1; data: JSON in UTF-8, on one line."""

    version: int
    data: bytes


class Hub:
    """The newest value and the few before it. Every method may be called from any thread, and none waits."""

    def __init__(self, kept: int = BEHIND) -> None:
        #: Tells this hub's numbers from those of any other, such as the one before a restart.
        self.epoch: Final = secrets.token_hex(4)
        self._lock = threading.Lock()
        self._recent: deque[Update] = deque(maxlen=max(1, kept))
        self._version = 0
        self._wakers: tuple[Callable[[], None], ...] = ()

    def publish(self, value: Mapping[str, object]) -> int:
        """Make `value` the newest one and return its number. Raises ValueError if it is no JSON or is too large."""
        data = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode()
        if len(data) > LARGEST:
            raise ValueError(f"a value for the screens may have {LARGEST} bytes, this one has {len(data)}")
        with self._lock:
            self._version += 1
            version = self._version
            self._recent.append(Update(version, data))
            wakers = self._wakers
        for wake in wakers:
            wake()
        return version

    def latest(self) -> Update | None:
        """Return the newest value; None before the first."""
        with self._lock:
            return self._recent[-1] if self._recent else None

    def after(self, version: int) -> Update | None:
        """Return what a screen that has seen `version` is to show next, or None if it has seen the newest.

        The one that follows, as long as it is kept; the newest if the screen is too far behind, or new (version 0).
        """
        with self._lock:
            if not self._recent or version == self._version:
                return None
            ahead = self._version - version
            if version <= 0 or ahead < 0 or ahead > len(self._recent):
                return self._recent[-1]
            return self._recent[-ahead]

    def listen(self, wake: Callable[[], None]) -> None:
        """Call `wake` after every publish, in the publisher's thread: it must not wait and must not raise."""
        with self._lock:
            self._wakers = (*self._wakers, wake)

    def forget(self, wake: Callable[[], None]) -> None:
        """Undo `listen`. Does nothing if `wake` is not known."""
        with self._lock:
            self._wakers = tuple(each for each in self._wakers if each is not wake)


def audience(
    scene: Mapping[str, object] | None,
    caption: Mapping[str, str],
    *,
    what: What = "everything",
    blank: bool = False,
    language: str = "en",
    replay: bool = False,
    pace: str = "",
    pulses: tuple[int, ...] = (),
    only_recorded: bool = False,
    sound: str = "",
    sound_us: int = 0,
) -> dict[str, object]:
    """Return what the audience's hub is given.

    scene: `scene.as_json` of the scene, or None for an empty stage. caption: language to text. language: the one a
    screen uses unless its own address names another. replay: what is shown is a recorded call, which screens say.
    pace: shown as written, "" for normal. pulses: how many pulses each digit of the number sends; () for the usual.
    only_recorded: a press can show nothing but recorded calls now. sound: the address of what is heard, "" for silence,
    and sound_us: where in it the picture is.
    """
    return {
        "scene": scene,
        "caption": dict(caption),
        "what": what,
        "blank": blank,
        "language": language,
        "replay": replay,
        "pace": pace,
        "pulses": list(pulses),
        "only_recorded": only_recorded,
        "sound": sound,
        "sound_us": sound_us,
    }


def sound_address(number: int) -> str:
    """Return where the sound of an exhibit's recorded call is served, as seen from the audience's page."""
    return f"sound/{number}.wav"
