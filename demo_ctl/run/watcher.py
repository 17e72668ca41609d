"""Telling whoever watches the call: each item of the live display, and each event as it is.

What a display raises ends the call, once, by way of the stop path; it is not told anything afterwards. While the line
is being released nothing that a display does may get in the way: it is passed over.
"""

from __future__ import annotations

from collections.abc import Callable

from demo_ctl.run.result import Progress
from demo_ctl.wire import messages as m


class Watcher:
    """began_us: when the timeline started; last_us: the last event's instant, both of the board's clock.

    releasing: set by the stop path; from then on nothing is raised here.
    """

    def __init__(
        self, on_progress: Callable[[Progress], None] | None, on_event: Callable[[m.Event], None] | None
    ) -> None:
        self._on_progress = on_progress
        self._on_event = on_event
        self.began_us: int | None = None
        self.last_us = 0
        self.releasing = False

    def tell(self, kind: str, at_us: int, label: str, detail: str = "", index: int = -1, port: int = 0) -> None:
        """Show one item of the live display (`result.Progress`). at_us: of the board's clock."""
        if self._on_progress is None:
            return
        since_us = 0 if self.began_us is None else max(0, at_us - self.began_us)
        try:
            self._on_progress(Progress(kind, since_us, label, detail, index, port))
        except Exception:
            self._on_progress = None  # it shall not get in the way again
            if not self.releasing:
                raise

    def tell_now(self, kind: str, label: str, detail: str = "", index: int = -1, port: int = 0) -> None:
        """Show one item that the host has to tell, and no event of the board's: its time is the last event's."""
        self.tell(kind, self.last_us, label, detail, index, port)

    def event(self, event: m.Event) -> None:
        """Hand an event on as it is."""
        if self._on_event is None:
            return
        try:
            self._on_event(event)
        except Exception:
            self._on_event = None  # as in `tell`
            if not self.releasing:
                raise

    def leave_alone(self) -> None:
        """Tell nothing any more: the watcher may be what failed."""
        self._on_progress = self._on_event = None
