"""Pictures for the audience's screens: a running call, or a recorded one, folded into scenes and published one by one.

The one place where scenes, captions and what the sheet wants to be shown come together. Called by the stagehand's
worker; `blank` by whoever wishes it. A screen is never waited for.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from fractions import Fraction

from demo_ctl.office.model import Unit
from demo_ctl.office.numbers import pulses_of
from demo_ctl.plan.model import Plan
from demo_ctl.show.captions import captions
from demo_ctl.show.hub import Hub, audience
from demo_ctl.show.live import Live
from demo_ctl.show.model import STAGES, Scene
from demo_ctl.show.programme import Part
from demo_ctl.show.scene import as_json, start
from demo_ctl.show.screens import Film
from demo_ctl.wire import messages as m

#: A replay looks this often whether the presenter wants to leave it.
_LOOK_S = 0.05


class Pictures:
    """The audience of a stagehand. on_stage is told each new stage of the call that is to be seen."""

    def __init__(
        self,
        hub: Hub,
        unit: Unit,
        languages: tuple[str, ...],
        *,
        sleep: Callable[[float], None] = time.sleep,
        clock_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.hub = hub
        self._unit, self._languages = unit, languages
        self._sleep, self._clock_s = sleep, clock_s
        self._lock = threading.Lock()
        self.on_stage: Callable[[int], None] = lambda _stage: None
        #: Gets every scene that is to be seen, and whether it is of a recording: lamps follow it.
        self.on_scene: Callable[[Scene, bool], None] = lambda _scene, _recording: None
        self._live: Live | None = None
        self._part: Part | None = None
        self._plan: Plan | None = None
        self._scene: Scene | None = None
        self._key, self._pace = f"stage {STAGES[0]}", Fraction(1)
        self._told: dict[str, str] = {}
        self._replay = self._dark = False
        self._publish()

    def call(self, part: Part, plan: Plan) -> None:
        """Begin with an empty stage."""
        self._live = Live(plan, self._unit)
        self._set(part, plan, self._live.scene, replay=False)

    def event(self, event: m.Event) -> None:
        """Draw what an event tells."""
        if self._live is not None:
            self._live.take(event)
            self._show(self._live.scene)

    def time(self, board_us: int) -> None:
        """Draw what is due without an event."""
        if self._live is not None:
            self._live.due(board_us)
            self._show(self._live.scene)

    def blank(self, dark: bool) -> None:
        """Make the screens dark, or light again."""
        with self._lock:
            self._dark = dark
        self._publish()

    def rest(self) -> None:
        """Clear the stage."""
        self._live = None
        if self._part is not None and self._plan is not None:
            self._set(self._part, self._plan, start(self._plan, self._unit), replay=False)

    def tell(self, words: Mapping[str, str]) -> None:
        """Tell people something in the caption's place, until somebody lifts a handset or something else begins."""
        self._told = dict(words)
        self._publish()

    def replay(self, film: Film, part: Part, leave: Callable[[], bool]) -> None:
        """Show a film at its own speed, marked as a replay."""
        made = film.replay
        self._live = None
        self._set(part, film.plan, made.first, replay=True, pace=made.timeline.pace)
        began_s = self._clock_s()
        for frame, scene, key in zip(made.frames, made.scenes, film.keys, strict=True):
            if not self._wait(began_s + frame.show_us / 1e6, leave):
                return
            self._show(scene, key)
        self._wait(began_s + made.total_us / 1e6, leave)

    def _wait(self, until_s: float, leave: Callable[[], bool]) -> bool:
        """Wait; False as soon as the presenter leaves."""
        while (left_s := until_s - self._clock_s()) > 0:
            if leave():
                return False
            self._sleep(min(_LOOK_S, left_s))
        return not leave()

    def _set(self, part: Part, plan: Plan, scene: Scene, *, replay: bool, pace: Fraction | None = None) -> None:
        with self._lock:
            self._part, self._plan, self._scene, self._replay = part, plan, scene, replay
            self._key, self._pace, self._told = f"stage {STAGES[scene.stage]}", pace or plan.pace, {}
        self._publish()
        self.on_scene(scene, replay)
        self.on_stage(scene.stage)

    def _show(self, scene: Scene, key: str = "") -> None:
        """Show a scene. key: of its caption; none: of its stage."""
        key = key or f"stage {STAGES[scene.stage]}"
        with self._lock:
            before, self._scene = self._scene, scene
            told, self._key = self._key, key
            if self._told and scene.caller.off_hook and not (before is not None and before.caller.off_hook):
                self._told = {}
        if before is scene and told == key:
            return
        self._publish()
        self.on_scene(scene, self._replay)
        if before is None or before.stage != scene.stage:
            self.on_stage(scene.stage)

    def _caption(self, scene: Scene) -> dict[str, str]:
        own = self._part.captions if self._part is not None else {}
        told = captions(self._key, scene, self._languages, own)
        return {**told, **{key: words for key, words in self._told.items() if key in told}}

    def _publish(self) -> None:
        with self._lock:
            part, scene = self._part, self._scene
            pulses: tuple[int, ...] = ()
            if scene is not None:
                pulses = tuple(pulses_of(digit, self._unit.numbering.pulses) for digit in scene.digits)
            value = audience(
                as_json(scene) if scene is not None else None,
                self._caption(scene) if scene is not None else {},
                what=part.screen if part is not None else "everything",
                blank=self._dark,
                language=self._languages[0],
                replay=self._replay,
                pace="" if self._pace == 1 else str(self._pace),
                pulses=pulses,
            )
            self.hub.publish(value)
