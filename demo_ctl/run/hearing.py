"""Taking in what the board tells while a call runs, each item once and in order.

An event is first kept (here, and in the call's record), and only then told and acted on: what a failing display leaves
unfinished is taken up again on the stop path, and nothing seen is lost.
"""

from __future__ import annotations

from collections import deque

from demo_ctl.link.client import Client
from demo_ctl.plan.model import Plan
from demo_ctl.run.gates import Gates
from demo_ctl.run.keeping import Keeping
from demo_ctl.run.supply import SupplyWatch
from demo_ctl.run.trips import Trips
from demo_ctl.run.watcher import Watcher
from demo_ctl.run.words import label, word
from demo_ctl.wire import messages as m


class Hearing:
    """events, audio: all that was heard. over: the state the plan ended with, or None; plan_reason: why (R_...).

    started: whether the timeline was asked to start; before that, plans that end and trips are another call's.
    limit_index: the last step that met its limit. overflowed: the board had to leave events out. board_us: the board's
    clock, as last heard. disagree_us: since when (the port's clock) its beats say that the plan is over, and its events
    do not; beats may overtake events, but not for long (`follow`).
    """

    def __init__(
        self,
        plan: Plan,
        client: Client,
        watcher: Watcher,
        keeping: Keeping,
        gates: Gates,
        supply: SupplyWatch,
        trips: Trips,
    ) -> None:
        self._plan = plan
        self._client = client
        self._watcher = watcher
        self._keeping = keeping
        self._gates = gates
        self._supply = supply
        self._trips = trips
        self._waiting: deque[m.Event | m.Audio | m.Beat] = deque()
        self.events: list[m.Event] = []
        self.audio: list[m.Audio] = []
        self.started = False
        self.over: int | None = None
        self.plan_reason = m.R_NONE
        self.limit_index: int | None = None
        self.overflowed = False
        self.board_us = 0
        self.disagree_us: int | None = None

    def wait(self, wait_us: int) -> None:
        """Take in what the board reports within `wait_us`, as soon as there is something."""
        self._waiting.extend(self._client.poll(wait_us))
        while self._waiting:
            item = self._waiting.popleft()
            if isinstance(item, m.Event):
                self._event(item)
            elif isinstance(item, m.Audio):
                self.audio.append(item)
                self._keeping.audio(item)
                self._gates.listen(item)
            else:
                self._beat(item)
        trouble = self._keeping.room()
        if trouble is not None:
            self._watcher.tell_now("record", "the record stops here", trouble)

    def wait_out(self, us: int) -> None:
        """Take in what the board reports, for so long."""
        until_us = self._client.now_us() + us
        while (left_us := until_us - self._client.now_us()) > 0:
            self.wait(left_us)

    def ended_unheard(self, reason: int) -> None:
        """Take that the board ended the plan for `reason`, when its event that tells so is lost."""
        self.over, self.plan_reason = m.ENDED_EARLY, reason

    def _beat(self, beat: m.Beat) -> None:
        self.board_us = max(self.board_us, beat.now_us)
        if beat.plan_state == m.RUNNING or not self.started:
            self.disagree_us = None
        elif self.disagree_us is None:
            self.disagree_us = self._client.now_us()

    def _event(self, event: m.Event) -> None:
        self.board_us = max(self.board_us, event.at_us)
        self._supply.event(event)
        self.events.append(event)
        self._watcher.last_us = event.at_us
        self._keeping.event(event)
        self._act(event)
        self._watcher.event(event)

    def _act(self, event: m.Event) -> None:
        kind, value, tell = event.kind, event.value, self._watcher.tell
        if kind == m.EV_PLAN:
            self._plan_state(event, value & 0xFF, value >> 8)
        elif kind == m.EV_BEGAN:
            tell("began", event.at_us, label(self._plan, value), index=value, port=event.port)
            self._gates.began(event, value)
        elif kind == m.EV_ENDED:
            index, ending = value & 0xFFFF, value >> 16
            if ending == m.LIMIT:
                self.limit_index = index
            self._gates.ended(index)
            tell("ended", event.at_us, label(self._plan, index), word(m.ENDINGS, ending), index, event.port)
        elif kind == m.EV_STATE:
            signal = word(m.SIGNALS, value >> 1)
            tell("sensed", event.at_us, f"{signal} {'on' if value & 1 else 'off'}", port=event.port)
        elif kind == m.EV_INPUTS:
            tell("inputs", event.at_us, str(value))
        elif kind == m.EV_GUARD:
            self._guard(event, value & 0xFF, value >> 8)
        elif kind in (m.EV_EDGES_LOST, m.EV_AUDIO_LOST, m.EV_OVERFLOW):
            self.overflowed = self.overflowed or kind == m.EV_OVERFLOW
            tell("lost", event.at_us, word(m.EVENTS, kind), str(value), port=event.port)

    def _plan_state(self, event: m.Event, state: int, reason: int) -> None:
        if state == m.RUNNING:
            self._watcher.began_us = self._trips.since_us = event.at_us
        elif state in (m.FINISHED, m.ENDED_EARLY) and self.started and self.over is None:
            self.over, self.plan_reason = state, reason
        self._watcher.tell("plan", event.at_us, word(m.PLAN_STATES, state), word(m.R_NAMES, reason))

    def _guard(self, event: m.Event, state: int, reason: int) -> None:
        worse = self._trips.told.event(state, reason) if state != m.G_TRIPPED or self.started else ""
        self._watcher.tell("ringing", event.at_us, word(m.GUARD_STATES, state), worse or word(m.R_NAMES, reason))
