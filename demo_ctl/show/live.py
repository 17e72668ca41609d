"""A running call's happenings: events of the board in, as they come; happenings out.

The same as from the finished record, whenever they are asked for: a record is told by the very same machinery. What is
inferred between two events is told no later than with the next event; a picture that shall not wait for that asks
`due` from time to time with the board's clock (a beat carries it).
"""

from __future__ import annotations

from demo_ctl.office.model import Unit
from demo_ctl.plan.model import Plan
from demo_ctl.show.happen import AFTER_US, Story
from demo_ctl.show.model import Happening, Scene
from demo_ctl.show.scene import fold, start
from demo_ctl.wire import messages as m

#: Events may be so late behind a beat's clock: they wait in queues, beats do not.
LATE_US = 100_000


class Live:
    """One running call. `scene` is the picture now; give it each event of the board, in order."""

    def __init__(self, plan: Plan, unit: Unit) -> None:
        self._story = Story(plan, unit)
        self._last_us = 0
        self.scene: Scene = start(plan, unit)

    def take(self, event: m.Event) -> tuple[Happening, ...]:
        """Take the next event; return the happenings up to and with it."""
        self._last_us = max(self._last_us, event.at_us)
        return self._fold(self._story.take(event))

    def due(self, now_us: int) -> tuple[Happening, ...]:
        """Return what is due by now, the board's clock, without waiting for an event."""
        return self._fold(self._story.until(now_us - LATE_US))

    def finish(self) -> tuple[Happening, ...]:
        """No more events will come: return what was still on its way home."""
        return self._fold(self._story.until(self._last_us + AFTER_US))

    def _fold(self, given: tuple[Happening, ...]) -> tuple[Happening, ...]:
        for happening in given:
            self.scene = fold(self.scene, happening)
        return given
