"""A bell rings for a visitor: the plan that may let it, and when the host says so. Pure.

The board's plan is a visitors' session: opened at the key, over after a time that the board keeps, with bursts and
calls of its own limits. It waits at a gate; when what was dialled leads to the one line that may ring, the host opens
that gate, and the ringing window with it. A second gate ends the window when somebody answers or the visitor hangs up;
if nobody says so, its limit does, before the window's own. A window that is open has one line that may ring: any other
that rings trips the guard, so it is never left open for the next visitor.

Nothing here can ring by day and night alike: without the key, after the session, or after a board has started anew, the
board refuses the plan, and visitors' calls go on without a bell.
"""

from __future__ import annotations

from dataclasses import replace

from demo_ctl.office.model import Line, Unit
from demo_ctl.office.route import line_reached
from demo_ctl.plan.model import Plan, Step, Timeline
from demo_ctl.show.visitor import watching_plan
from demo_ctl.terms.errors import Place
from demo_ctl.wire import messages as m

#: How often a bell may ring in one plan, and how long its gates wait: longer than any session.
_RINGS = 40
_GATE_US = 3_600_000_000
#: The window is closed in order so long before its own limit, which would trip.
_BEFORE_US = 500_000
#: What must be left of the session's ringing beyond one window: the guard's own time, and an answer's way.
SPARE_MS = 1_000


def ringing_plan(unit: Unit, line: Line, rung: Line, title: str, rings_us: int) -> Plan:
    """Return the plan that watches `line`, and lets `rung` be rung for so long when the host says so."""
    watching = watching_plan(unit, line, title)
    roles = tuple(m.MONITORED if port in (line.port, rung.port) else m.UNUSED for port in range(1, 5))
    window_us = min(rings_us, unit.ringing.longest_us)
    steps: list[Step] = []
    for number in range(_RINGS):
        label = f"{rung.name} may ring for a visitor"
        steps += [
            Step(m.OP_GATE, 0, 2 * number + 1, _GATE_US, 1, "watching", Place("")),
            Step(m.OP_RINGING, rung.port, 1, window_us, 0, label, Place("")),
            Step(m.OP_GATE, 0, 2 * number + 2, window_us - _BEFORE_US, 0, "until it is answered", Place("")),
            Step(m.OP_RINGING, rung.port, 0, 0, 0, "ringing off", Place("")),
        ]
    return replace(
        watching,
        timeline=Timeline(tuple(steps), roles),
        ringing=True,
        least_us=0,
        most_us=_RINGS * (_GATE_US + window_us),
    )


def window_ms(plan: Plan) -> int:
    """Return how long a bell may ring in such a plan."""
    return max((step.a for step in plan.timeline.steps if step.op == m.OP_RINGING and step.x), default=0) // 1000


class VisitorRing:
    """When to open which gate. rung: the line that may ring; `gate`: where the board waits (odd: no window is open)."""

    def __init__(self, plan: Plan, unit: Unit, rung: Line) -> None:
        self._steps, self._unit, self._rung = plan.timeline.steps, unit, rung
        self.gate = 0
        self.asked = False  # for the call that is on
        self._off_hook = False
        self._dialled = ""
        self._leads = False

    def take(self, event: m.Event) -> None:
        """Take an event of the board's."""
        if event.kind == m.EV_BEGAN and event.value < len(self._steps):
            step = self._steps[event.value]
            self.gate = step.x if step.op == m.OP_GATE else 0
        elif event.kind == m.EV_ENDED:
            self.gate = 0
        elif event.kind == m.EV_STATE and event.port == self._rung.port and event.value >> 1 == m.LOOP:
            self._off_hook = bool(event.value & 1)

    def wants(self, dialled: str, *, lifted: bool) -> int:
        """Return the gate to open now, or 0. dialled: by the visitor, so far."""
        if not lifted:
            self.asked = False
        if self.gate and not self.gate % 2:
            return self.gate if self._off_hook or not lifted else 0
        if not self.gate or self.asked or not lifted or self._off_hook or not self._reached(dialled):
            return 0
        self.asked = True
        return self.gate

    def _reached(self, dialled: str) -> bool:
        if dialled != self._dialled:
            self._dialled = dialled
            try:
                line = line_reached(self._unit, dialled)
            except (ValueError, IndexError):
                line = None  # no number of this unit's, or none yet
            self._leads = line is not None and line.name == self._rung.name
        return self._leads


def not_now(safety: m.Safety, needs_ms: int) -> str:
    """Return why no bell may ring for a visitor as the guard stands, "" when it may. needs_ms: of `window_ms`."""
    if safety.mode != m.MODE_VISITORS:
        return "no visitors' session is open: the key opens one"
    least = needs_ms + SPARE_MS
    if safety.call_left_ms < least:
        return "the visitors' session has rung for as long as it may: the key opens another"
    if safety.hour_left_ms < least:
        return "there was ringing for as long as there may be in an hour"
    return ""
