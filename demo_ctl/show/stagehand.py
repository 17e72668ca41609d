"""Performs a show: a thread of its own places the calls, and every console and screen is told at once.

How it works. One lock guards the one `State` of the engine (`course.py`). Consoles call `wish` from their own threads:
the engine answers under the lock, in microseconds, and nothing there waits for the board. What is to be done goes to
the worker, which alone holds the port (`show_session.py`): it runs `run.perform`, asks the engine at every gate, and
takes in what the board tells. Between calls it keeps the session alive, so that switches are seen coming home and a
lost cable is known.

A console that hangs, a screen that is slow or a page that fails never touches the call: what is published is handed
over and forgotten, and an error there is kept for the presenter. A fault of this program's own ends the pass it is in,
and no more: the client is dropped, so that the board releases the line by itself, and the presenter is told.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from contextlib import suppress

from demo_ctl.run.perform import perform
from demo_ctl.run.result import CallResult, Status
from demo_ctl.show import engine, how_it_was, telling
from demo_ctl.show.board_time import BoardTime
from demo_ctl.show.course import Course
from demo_ctl.show.engine import How, State
from demo_ctl.show.following import off_hook
from demo_ctl.show.hub import ConsoleState
from demo_ctl.show.lamps import Lights
from demo_ctl.show.outcomes import Outcomes, Refusal
from demo_ctl.show.programme import Part, Programme
from demo_ctl.show.replays import Replays
from demo_ctl.show.show_house import Audience, House
from demo_ctl.show.show_session import Session
from demo_ctl.show.telephone import Telephone
from demo_ctl.show.visitor import DialRan
from demo_ctl.show.wishes import Kind, Reply, Wish, wish_of
from demo_ctl.terms.errors import DemoError, LinkError
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m

#: Between calls the worker looks this often for something to do.
IDLE_US = 50_000
#: A worker that is told to leave stops its call first: release, tail and the record's end take less.
LEAVE_S = 15.0


class Stagehand:
    """One show. `start` it, give it wishes from any thread, `close` it."""

    def __init__(
        self,
        programme: Programme,
        house: House,
        *,
        audience: Audience | None = None,
        on_state: Callable[[ConsoleState], None] | None = None,
        alone: bool = False,
        lights: Lights | None = None,
    ) -> None:
        """Make a show ready.

        lights: the lamps of the board; whoever draws pictures gives them their scenes.
        on_state: gets every new state of the console; must not wait. alone: nobody presents, so that the show goes on
        by itself at every stop and ends after its last part.
        """
        self.programme = programme
        self.outcomes = Outcomes()
        self.trouble: str = ""  # what a screen or the program did wrong, for the presenter
        self._house, self._audience, self._on_state, self._lights = house, audience, on_state, lights
        self._alone = alone
        self._course = Course(
            programme,
            house.clock_us,
            blank=lambda dark: self._show(lambda audience: audience.blank(dark)),
            publish=self._publish,
            alone=alone,
            lights=lights,
        )
        self._session = Session(programme, house, self._course, lights, on_event=self._event, publish=self._publish)
        self._telephone = Telephone(
            programme,
            house,
            self._course,
            tell=lambda words: self._show(lambda audience: audience.tell(words)),
            publish=self._publish,
            alone=alone,
        )
        self._replays = Replays(programme, self.outcomes, audience, lights)
        self._board_time = BoardTime(house.clock_us)
        self._stage = 0
        self._done = threading.Event()
        self._worker = threading.Thread(target=self._work, name="stagehand", daemon=True)

    @property
    def results(self) -> Sequence[tuple[int, CallResult]]:
        """What came of the calls that were begun: (part, result), in order."""
        return self.outcomes.results

    @property
    def refusals(self) -> Sequence[Refusal]:
        """The calls that were not begun, in order."""
        return self.outcomes.refusals

    @property
    def dials(self) -> Sequence[tuple[int, DialRan]]:
        """How the dials of telephones ran: (part, dial), in order."""
        return self._telephone.dials

    # -- from any thread ----------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to work; nothing moves before the first wish."""
        self._publish()
        if self._alone:
            self.wish(Wish(Kind.NEXT))  # before the worker, which goes on alone: a second Next would open a gate
        self._worker.start()

    def wish(self, wish: Wish) -> Reply:
        """Take a wish; return at once what the presenter is told."""
        return self._course.wish(wish)

    def wish_words(self, word: str, value: str = "") -> Reply:
        """Take a wish as a console sends it. Raises ValueError, with words for people."""
        return self.wish(wish_of(word, value))

    def state(self) -> State:
        """Return the engine's state."""
        with self._course.lock:
            return self._course.state

    def told(self) -> ConsoleState:
        """Return what a console shows now."""
        with self._course.lock:
            found = telling.console_state(self._course.state, self._house.clock_us(), self.programme)
            found["stage"] = self._stage
            self._telephone.show_in(found)
            lamps = self._lights.lacking(self._session.client) if self._lights is not None else ""
            more = [each for each in (self.trouble, lamps) if each]
            if more:
                found["notice"] = " ".join([*([found["notice"]] if found.get("notice") else []), *more])
            return found

    def stage(self, stage: int) -> None:
        """Take in which stage of the call is to be seen (index into model.STAGES)."""
        if stage != self._stage:
            self._stage = stage
            self._publish()

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the show has ended (alone) or was closed; return whether it has."""
        return self._done.wait(timeout_s)

    def close(self) -> None:
        """Stop the call that is on, release the line, and let the port go."""
        self.wish(Wish(Kind.STOP))
        self._course.close()
        if self._worker.is_alive():
            self._worker.join(LEAVE_S)

    # -- what is shown ------------------------------------------------------------------------------------

    def _publish(self) -> None:
        if self._on_state is not None:
            try:
                self._on_state(self.told())
            except Exception as error:
                self.trouble = f"The console fails: {error}"

    def _show(self, what: Callable[[Audience], None]) -> None:
        """Give something to the screens; a fault of theirs is none of the call's."""
        if self._audience is None:
            return
        try:
            what(self._audience)
        except Exception as error:
            self.trouble = f"The audience's screen fails: {type(error).__name__}: {error}"

    # -- the worker ---------------------------------------------------------------------------------------

    def _work(self) -> None:
        try:
            while self._course.lasts():
                doing = self._course.take_up()
                try:
                    self._pass(doing)
                except Exception as error:
                    self._failed(doing, error)
        finally:
            with suppress(Exception):
                self._session.drop()
            self._done.set()

    def _pass(self, doing: engine.Doing | None) -> None:
        if isinstance(doing, engine.Begin):
            self._call(doing)
        elif isinstance(doing, engine.Replay):
            self._replay(doing)
        else:
            self._idle()
        self._course.tell(engine.Tick())

    def _failed(self, doing: engine.Doing | None, error: Exception) -> None:
        """A fault of ours: let the line go, say so, and go on. What was on is over."""
        why = f"This program failed: {type(error).__name__}: {error}."
        self.trouble = f"{why} Every line is released, and the port is opened anew."
        self._telephone.leave()
        with suppress(Exception):
            self._session.drop()
        with suppress(Exception):
            if isinstance(doing, engine.Begin):
                self._course.tell_over(engine.Over(How.LOST, why))
            elif isinstance(doing, engine.Replay):
                self._course.tell(engine.ReplayOver(why))
            self._publish()
        self._course.wake.wait(IDLE_US / 1e6)  # if it comes again at once, then not as fast as the computer can

    def _idle(self) -> None:
        """Let time pass with the board; on a clock that only moves in there, it must."""
        client = self._session.client or self._session.find()
        self._session.light()
        if client is None or client.welcome is None:
            self._course.wake.wait(IDLE_US / 1e6)
            self._course.wake.clear()
            return
        try:
            self._session.hear(client, IDLE_US)
            self._pass_time()
        except DemoError as error:
            self.trouble = f"{error.what}. The port is opened anew for the next call."
            self._session.drop()
            self._publish()

    # -- a call -------------------------------------------------------------------------------------------

    def _call(self, begin: engine.Begin) -> None:
        part = self.programme.parts[begin.part]
        self._course.shut_gates()
        self.trouble = ""
        self._board_time.forget()
        self._telephone.leave()
        if self._lights is not None:
            self._lights.follows = part.lamps
        self._show(lambda audience: audience.call(part, begin.plan))
        try:
            over = self._perform(part, begin)
        except LinkError as error:
            over = engine.Over(How.LOST, f"{error.what}.")
            self.outcomes.refused(begin.part, int(error.exit_code), error.what)
            self._session.drop()
        except DemoError as error:
            over = engine.Over(How.UNSAFE, f"Not begun: {error}")
            self.outcomes.refused(begin.part, int(error.exit_code), error.what)
        except Exception as error:  # a fault of ours: the call was released on the way here
            over = engine.Over(How.LOST, f"This program failed: {type(error).__name__}: {error}.")
            self.outcomes.refused(begin.part, int(Exit.BOARD_TROUBLE), over.why)
            self._session.drop()
        self._course.tell_over(over)

    def _perform(self, part: Part, begin: engine.Begin) -> engine.Over:
        if self._course.ends_call():
            return engine.Over(How.STOPPED)
        client = self._session.open_for(begin.plan)
        number = self.outcomes.next_try()  # before its record: the file of a call that is refused stays
        self._telephone.follow(part, begin.plan, client)
        result = perform(
            begin.plan,
            client,
            self._house.recorder(part, number) if self._house.recorder is not None else None,
            on_progress=self._course.tell_progress,
            go_on=self._course.may_leave,
            trunks_busied=self._house.trunks_busied,
            ready=self._house.ready,
            on_event=self._event,
            asked_to_stop=self._asked_to_stop,
        )
        self.outcomes.took(begin.part, part.call, result)
        if result.status is Status.LINK_LOST or not result.released:
            self._session.drop()
        how, why = how_it_was.in_a_show(result)
        if part.follows is not None and self._session.client is not None:
            levels = self._session.client.status().levels
            if off_hook(levels, begin.plan.caller_port):
                why = (
                    f"{why} The handset on line {part.follows.line.name} is off its hook: its switches stay up.".strip()
                )
        return engine.Over(how, why)

    def _event(self, event: m.Event) -> None:
        self._board_time.heard(event.at_us)
        self._show(lambda audience: audience.event(event))
        self._session.light()
        self._telephone.take(event)
        if event.kind == m.EV_GUARD:
            self._course.tell(engine.Guard(event.value & 0xFF))

    def _asked_to_stop(self) -> bool:
        self._session.see_guard()
        self._pass_time()
        self._session.light()
        return self._course.ends_call()

    def _pass_time(self) -> None:
        """Between events the pictures go on: a shaft turns while nothing is told."""
        now_us = self._board_time.now_us()
        if now_us is not None:
            self._show(lambda audience: audience.time(now_us))
            self._telephone.due(now_us)

    # -- a recorded call ----------------------------------------------------------------------------------

    def _replay(self, doing: engine.Replay) -> None:
        if self._course.ends_replay():
            return  # before it had begun
        why = self._replays.show(doing, self._leaves)
        self._show(lambda audience: audience.rest())
        self._course.tell_replay_over(why)

    def _leaves(self) -> bool:
        """Asked many times a second while a recording is shown: lamps follow it, and the guard is watched."""
        client = self._session.client
        if client is not None and client.welcome is not None:
            self._session.light()
            try:
                client.keep_alive()
                self._session.hear(client, 0)
            except DemoError:
                self._session.drop()
        return self._course.ends_replay() or self._course.closing
