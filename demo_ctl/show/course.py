"""The course of a show: its one state under one lock, and what is still to be done.

What a wish or a piece of news leads to is the engine's matter; here it is kept. Any thread may wish and tell: that
takes microseconds, and nothing here waits for the board. Calls and replays that are to be begun wait in a queue for
the one thread that performs them (`stagehand.py`); what a call asks on its way (may it leave this gate, is it to end)
is answered at once.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable

from demo_ctl.plan.model import Gate
from demo_ctl.run.result import Progress
from demo_ctl.show import engine, telling
from demo_ctl.show.engine import Phase, State
from demo_ctl.show.following import FOLLOW
from demo_ctl.show.lamps import Lights
from demo_ctl.show.programme import Programme
from demo_ctl.show.wishes import Kind, Reply, Wish
from demo_ctl.terms.errors import PlanError
from demo_ctl.wire import messages as m


class Course:
    """That of one show.

    now_us: the host's clock. blank: makes the screens dark, or light. publish: tells the consoles, after every change;
    both are called under the lock, and must not wait. alone: nobody presents (`Stagehand`). lights: the board's lamps,
    which show whose turn it is.
    """

    def __init__(
        self,
        programme: Programme,
        now_us: Callable[[], int],
        *,
        blank: Callable[[bool], None],
        publish: Callable[[], None],
        alone: bool,
        lights: Lights | None,
    ) -> None:
        self._programme, self._now_us, self._blank, self._publish = programme, now_us, blank, publish
        self._alone, self._lights = alone, lights
        if lights is not None:
            lights.your_turn = True
        self.lock = threading.RLock()
        self.state = State()
        self.doings: deque[engine.Doing] = deque()
        self.closing = False
        self.wake = threading.Event()  # set when there is something to do
        self._open: set[int] = set()
        self._stop = False
        self._replays = self._left = self._taken = 0  # how many were asked for; are to end; were taken up

    # -- wishes and news --------------------------------------------------------------------------------------

    def wish(self, wish: Wish) -> Reply:
        """Take a wish; return at once what the presenter is told."""
        with self.lock:
            before, now_us = self.state, self._now_us()
            try:
                after, doings = engine.wished(before, wish, now_us, self._programme)
            except PlanError as error:
                return Reply(False, f"Not at this pace: {error.what}.")
            self._to(after, doings)
            return telling.reply(before, wish, after, now_us, self._programme)

    def go_on(self) -> None:
        """Do what the presenter's Next would do. Call it under the lock."""
        self._next(self._now_us())

    def tell(self, news: engine.News) -> None:
        """Take in what has happened."""
        with self.lock:
            now_us = self._now_us()
            self._to(*engine.told(self.state, news, now_us, self._programme))
            if self._alone:
                self._go_on_alone(now_us)

    def tell_over(self, over: engine.Over) -> None:
        """Take in that the call is over."""
        with self.lock:  # a stop that comes later than this is not this call's, and not the next one's either
            self._stop = False
            self.tell(over)

    def tell_guard(self, guard: int) -> None:
        """Take in how the guard stands (G_..., or NOT_KNOWN), if that is new."""
        if guard != self.state.guard:
            self.tell(engine.Guard(guard))

    def tell_progress(self, item: Progress) -> None:
        """Take in what `perform` tells of the call."""
        if item.kind == "ended" and item.index >= 0:
            gate = self._gate_at(item.index)
            left = engine.GoesOn(item.index, item.detail == "limit") if gate is not None else None
            self.tell(left or engine.At(item.index + 1))
        elif item.kind == "plan" and item.label == m.PLAN_STATES[m.RUNNING]:
            self.tell(engine.Begun())
        elif item.kind == "gate" and item.detail != "go on":
            gate = self._gate_at(item.index)
            if gate is not None:
                self.tell(engine.Waits(gate))
        elif item.kind == "ringing" and item.label in m.GUARD_STATES:
            self.tell(engine.Guard(m.GUARD_STATES.index(item.label)))

    def _gate_at(self, index: int) -> Gate | None:
        """The gate at this step that a person opens, if there is one."""
        with self.lock:
            plan = engine.plan_on(self.state, self._programme)
        return next((gate for gate in plan.gates if gate.index == index and gate.tone is None), None)

    def _to(self, state: State, doings: tuple[engine.Doing, ...]) -> None:
        if self._lights is not None:
            self._lights.dark = state.blank
            self._lights.your_turn = state.phase is Phase.READY or state.gate is not None
        dark = state.blank != self.state.blank
        changed = state != self.state
        self.state = state
        for doing in doings:
            if isinstance(doing, engine.Open):
                self._open.add(doing.gate)
            elif isinstance(doing, engine.Stop):
                self._stop = True
            elif isinstance(doing, engine.EndReplay):
                self._left = self._replays
            else:
                self._replays += isinstance(doing, engine.Replay)
                self.doings.append(doing)
        if dark:
            self._blank(state.blank)
        if doings:
            self.wake.set()
        if changed:
            self._publish()

    def _next(self, now_us: int) -> None:
        self._to(*engine.wished(self.state, Wish(Kind.NEXT), now_us, self._programme))

    def _go_on_alone(self, now_us: int) -> None:
        state = self.state
        if state.phase is Phase.DONE:
            self.closing = True
        elif state.phase is Phase.READY or (state.gate is not None and state.gate.stage != FOLLOW):
            self._next(now_us)

    # -- for the one who performs -----------------------------------------------------------------------------

    def close(self) -> None:
        """Begin nothing more that nobody has asked for."""
        self.closing = True
        self.wake.set()

    def lasts(self) -> bool:
        """Whether there is, or may be, something to do."""
        # A call that was asked for is still taken up, to be told that it is stopped.
        return not self.closing or bool(self.doings)

    def take_up(self) -> engine.Doing | None:
        """Return the call or replay that is to be begun next, if one is."""
        doing = self.doings.popleft() if self.doings else None
        self._taken += isinstance(doing, engine.Replay)
        return doing

    def shut_gates(self) -> None:
        """A call begins: no gate of it has been opened."""
        self._open.clear()

    def may_leave(self, gate: Gate) -> bool:
        """Whether a gate has been opened; said once."""
        with self.lock:
            if gate.number not in self._open:
                return False
            self._open.discard(gate.number)
            return True

    def ends_call(self) -> bool:
        """Whether the call that is on is to end."""
        return self._stop or self.closing

    def ends_replay(self) -> bool:
        """Whether the replay that was taken up last is to end."""
        return self._taken <= self._left

    def tell_replay_over(self, why: str) -> None:
        """Take in that the replay that was taken up last is over. why: in words, if it could not be shown."""
        with self.lock:  # one that was to end is over for the engine already, and another may have been asked for
            if not self.ends_replay():
                self.tell(engine.ReplayOver(why))
