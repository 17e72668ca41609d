"""Is every train home in time? Watched while a call runs on a supply that is permitted by lease. Pure.

A magnet that is held on overheats in minutes, and at night nobody is there to smell it. So the host watches, in each
call, for what the line itself shows of a release: its own battery comes back, after the gap in which the switches let
it go. It must, within the unit's stated time, wherever the plan expects a release; and, when a call is cut short, at
each caller whose line had been taken. What is not seen counts as not home: the supply is then taken off by the board.

Nothing here sees a selector's shaft that stays up behind a line that was let go: that is the release alarm's.
"""

from __future__ import annotations

from demo_ctl.plan.model import Check, Plan
from demo_ctl.wire import messages as m

#: What the board has seen in time may be so late at the host.
LATE_US = 500_000


class HomeWatch:
    """home_us: how long a train may take to come home, from the hook (the board's clock)."""

    def __init__(self, plan: Plan, home_us: int) -> None:
        self._steps = plan.timeline.steps
        self._calling = {port for port, role in enumerate(plan.timeline.roles, 1) if role == m.CALLING}
        self._expected = {
            (each.index, each.port) for each in plan.expectations if each.check is Check.RELEASE and each.required
        }
        self.home_us = home_us
        self._taken: set[int] = set()  # ports whose battery has changed since they lifted
        self._closed: set[int] = set()
        self._since: dict[int, int] = {}  # ports that must come home, and since when

    @property
    def waiting(self) -> bool:
        """Whether a release is still to be seen."""
        return bool(self._since)

    def take(self, event: m.Event) -> None:
        """Take an event, in order."""
        if event.kind == m.EV_ENDED:
            self._step(event.value & 0xFFFF, event.at_us)
        elif event.kind in (m.EV_EDGE, m.EV_STATE) and event.value >> 1 == m.NORMAL:
            self._battery(event)
        elif event.kind == m.EV_PLAN and event.value & 0xFF == m.ENDED_EARLY:
            for port in self._closed & self._calling & self._taken:
                self._since.setdefault(port, event.at_us)
            self._closed.clear()

    def _step(self, index: int, at_us: int) -> None:
        step = self._steps[index] if index < len(self._steps) else None
        if step is None or step.op != m.OP_LOOP:
            return
        if step.x:
            self._closed.add(step.port)
            self._taken.discard(step.port)
            self._since.pop(step.port, None)
        else:
            self._closed.discard(step.port)
            if (index, step.port) in self._expected:
                self._since[step.port] = at_us

    def _battery(self, event: m.Event) -> None:
        self._taken.add(event.port)
        since_us = self._since.get(event.port)
        if since_us is not None and event.value & 1 and since_us < event.at_us <= since_us + self.home_us:
            del self._since[event.port]

    def late(self, board_us: int) -> int:
        """Return a port whose line did not come home in time, or 0. board_us: the board's clock, as last heard."""
        for port, since_us in self._since.items():
            if board_us > since_us + self.home_us + LATE_US:
                return port
        return 0
