"""Performs a show: a thread of its own places the calls, and every console and screen is told at once.

How it works. One lock guards the one `State` of the engine. Consoles call `wish` from their own threads: the engine
answers under the lock, in microseconds, and nothing there waits for the board. What is to be done goes to the worker,
which alone holds the port: it runs `run.perform`, asks the engine at every gate, and takes in what the board tells.
Between calls it keeps the session alive, so that switches are seen coming home and a lost cable is known.

A console that hangs, a screen that is slow or a page that fails never touches the call: what is published is handed
over and forgotten, and an error there is kept for the presenter. A fault of this program's own ends the pass it is in,
and no more: the client is dropped, so that the board releases the line by itself, and the presenter is told.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Protocol

from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.client import Client
from demo_ctl.plan.model import BusyTrunks, Gate, Plan
from demo_ctl.run.perform import perform
from demo_ctl.run.result import CallResult, Progress, Status
from demo_ctl.show import engine, telling
from demo_ctl.show.engine import How, Phase, State
from demo_ctl.show.following import FOLLOW, Following, off_hook
from demo_ctl.show.hub import ConsoleState
from demo_ctl.show.lamps import Lights
from demo_ctl.show.outcomes import Outcomes, Refusal
from demo_ctl.show.programme import Part, Programme
from demo_ctl.show.screens import Film
from demo_ctl.show.visitor import DialRan, told_in_charge, told_to_visitor
from demo_ctl.show.wishes import Kind, Reply, Wish, wish_of
from demo_ctl.terms.errors import DemoError, InputError, LinkError, PlanError
from demo_ctl.terms.outcome import Exit, Outcome
from demo_ctl.wire import messages as m

#: Between calls the worker looks this often for something to do.
IDLE_US = 50_000
#: A worker that is told to leave stops its call first: release, tail and the record's end take less.
LEAVE_S = 15.0
#: While nothing is on, a board that is not there is looked for this often: for its lamps, and for how its guard stands.
LOOK_US = 5_000_000


class Audience(Protocol):
    """Where pictures go (show/pictures.py makes them for screens). No method may wait."""

    def call(self, part: Part, plan: Plan) -> None:
        """A call begins: an empty stage."""
        ...

    def event(self, event: m.Event) -> None:
        """The board has told something."""
        ...

    def time(self, board_us: int) -> None:
        """So late is it on the board's clock, and nothing has been told since the last event."""
        ...

    def blank(self, dark: bool) -> None:
        """The screens go dark, or come back."""
        ...

    def tell(self, words: Mapping[str, str]) -> None:
        """Tell people something, by language."""
        ...

    def replay(self, film: Film, part: Part, leave: Callable[[], bool]) -> None:
        """Show a recorded call, marked as one, until it ends or `leave` says so. Waits."""
        ...

    def rest(self) -> None:
        """Nothing is on the line."""
        ...


@dataclass(frozen=True)
class House:
    """What the stagehand works with.

    open_client: opens a port anew. url_of: the port on which a plan is performed; a client of another one is closed.
    ready: as for `perform`: asks whether the guard may let a call ring. recorder: where a performance is kept, if
    anywhere. trunks_busied: as for `perform`. clock_us: the host's clock for everything a presenter is told. on_follow:
    told when a telephone begins to be followed (on the bench somebody has to play it).
    """

    open_client: Callable[[str], Client]
    url_of: Callable[[Plan], str]
    ready: Callable[[Client, Plan], None]
    recorder: Callable[[Part, int], RecordWriter | None] | None = None
    trunks_busied: Callable[[tuple[BusyTrunks, ...]], bool] | None = None
    clock_us: Callable[[], int] = lambda: time.monotonic_ns() // 1000
    on_follow: Callable[[Client, Plan], None] | None = None


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
        self.dials: list[tuple[int, DialRan]] = []  # (part, how a telephone's dial ran), in order
        self.trouble: str = ""  # what a screen or the program did wrong, for the presenter
        self._house, self._audience, self._on_state, self._alone = house, audience, on_state, alone
        self._lights, self._look_us = lights, 0
        if lights is not None:
            lights.your_turn = True
        self._lock = threading.RLock()
        self._state = State()
        self._doings: deque[engine.Doing] = deque()
        self._open: set[int] = set()
        self._stop = self._closing = False
        self._replays = self._left = self._taken = 0  # how many were asked for; are to end; were taken up
        self._wake = threading.Event()
        self._done = threading.Event()
        self._client: Client | None = None
        self._stage = 0
        self._heard: tuple[int, int] | None = None  # the newest event: its board's time, and the host's then
        self._following: Following | None = None  # the telephone that is followed now
        self._worker = threading.Thread(target=self._work, name="stagehand", daemon=True)

    @property
    def results(self) -> Sequence[tuple[int, CallResult]]:
        """What came of the calls that were begun: (part, result), in order."""
        return self.outcomes.results

    @property
    def refusals(self) -> Sequence[Refusal]:
        """The calls that were not begun, in order."""
        return self.outcomes.refusals

    # -- from any thread ----------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to work; nothing moves before the first wish."""
        self._publish()
        if self._alone:
            self.wish(Wish(Kind.NEXT))  # before the worker, which goes on alone: a second Next would open a gate
        self._worker.start()

    def wish(self, wish: Wish) -> Reply:
        """Take a wish; return at once what the presenter is told."""
        with self._lock:
            before, now_us = self._state, self._house.clock_us()
            try:
                after, doings = engine.wished(before, wish, now_us, self.programme)
            except PlanError as error:
                return Reply(False, f"Not at this pace: {error.what}.")
            self._to(after, doings)
            return telling.reply(before, wish, after, now_us, self.programme)

    def wish_words(self, word: str, value: str = "") -> Reply:
        """Take a wish as a console sends it. Raises ValueError, with words for people."""
        return self.wish(wish_of(word, value))

    def state(self) -> State:
        """Return the engine's state."""
        with self._lock:
            return self._state

    def told(self) -> ConsoleState:
        """Return what a console shows now."""
        with self._lock:
            found = telling.console_state(self._state, self._house.clock_us(), self.programme)
            found["stage"] = self._stage
            following = self._following
            if following is not None and following.lifted:
                dialled = f", and has dialled {following.digits}" if following.digits else ""
                found["line"] = [f"somebody is off the hook{dialled}"]
            if following is not None and following.ran:
                found["notice"] = " ".join((*([found["notice"]] if found["notice"] else ()), self._dial_words()))
            lamps = self._lights.lacking(self._client) if self._lights is not None else ""
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
        self._closing = True
        self._wake.set()
        if self._worker.is_alive():
            self._worker.join(LEAVE_S)

    # -- under the lock -----------------------------------------------------------------------------------

    def _to(self, state: State, doings: tuple[engine.Doing, ...]) -> None:
        if self._lights is not None:
            self._lights.dark = state.blank
            self._lights.your_turn = state.phase is Phase.READY or state.gate is not None
        dark = state.blank != self._state.blank
        changed = state != self._state
        self._state = state
        for doing in doings:
            if isinstance(doing, engine.Open):
                self._open.add(doing.gate)
            elif isinstance(doing, engine.Stop):
                self._stop = True
            elif isinstance(doing, engine.EndReplay):
                self._left = self._replays
            else:
                self._replays += isinstance(doing, engine.Replay)
                self._doings.append(doing)
        if dark and self._audience is not None:
            self._show(lambda audience: audience.blank(state.blank))
        if doings:
            self._wake.set()
        if changed:
            self._publish()

    def _tell(self, news: engine.News) -> None:
        with self._lock:
            now_us = self._house.clock_us()
            self._to(*engine.told(self._state, news, now_us, self.programme))
            if self._alone:
                self._go_on_alone(now_us)

    def _go_on_alone(self, now_us: int) -> None:
        state = self._state
        if state.phase is Phase.DONE:
            self._closing = True
        elif state.phase is Phase.READY or (state.gate is not None and state.gate.stage != FOLLOW):
            self._to(*engine.wished(state, Wish(Kind.NEXT), now_us, self.programme))

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
            # A call that was asked for is still taken up, to be told that it is stopped.
            while not self._closing or self._doings:
                doing = self._doings.popleft() if self._doings else None
                try:
                    self._pass(doing)
                except Exception as error:
                    self._failed(doing, error)
        finally:
            with suppress(Exception):
                self._drop_client()
            self._done.set()

    def _pass(self, doing: engine.Doing | None) -> None:
        if isinstance(doing, engine.Begin):
            self._call(doing)
        elif isinstance(doing, engine.Replay):
            self._taken += 1
            self._replay(doing)
        else:
            self._idle()
        self._tell(engine.Tick())

    def _failed(self, doing: engine.Doing | None, error: Exception) -> None:
        """A fault of ours: let the line go, say so, and go on. What was on is over."""
        why = f"This program failed: {type(error).__name__}: {error}."
        self.trouble, self._following = f"{why} Every line is released, and the port is opened anew.", None
        with suppress(Exception):
            self._drop_client()
        with suppress(Exception):
            if isinstance(doing, engine.Begin):
                self._tell_over(engine.Over(How.LOST, why))
            elif isinstance(doing, engine.Replay):
                self._tell(engine.ReplayOver(why))
            self._publish()
        self._wake.wait(IDLE_US / 1e6)  # if it comes again at once, then not as fast as the computer can

    def _idle(self) -> None:
        """Let time pass with the board; on a clock that only moves in there, it must."""
        client = self._client or self._found_again()
        self._light()
        if client is None or client.welcome is None:
            self._wake.wait(IDLE_US / 1e6)
            self._wake.clear()
            return
        try:
            for heard in client.poll(IDLE_US):
                if isinstance(heard, m.Event):
                    self._event(heard)
            self._see_guard()
            self._pass_time()
        except DemoError as error:
            self.trouble = f"{error.what}. The port is opened anew for the next call."
            self._drop_client()
            self._publish()

    def _found_again(self) -> Client | None:
        """See whether the board is there again after a lost cable, while the switches come home.

        Also before a call: how its guard stands is to be seen, and its lamps tell whose turn it is.
        """
        with self._lock:
            state, now_us = self._state, self._house.clock_us()
            if self._closing:
                return None
            if state.phase is Phase.RESTORING:
                plan = engine.plan_on(state, self.programme)
            elif state.phase is Phase.READY and now_us >= self._look_us:
                self._look_us = now_us + LOOK_US
                plan = self.programme.parts[state.part].plan
            else:
                return None
            url = self._house.url_of(plan)
        try:
            self._client = self._house.open_client(url)
            self._client.hello()
        except DemoError:
            self._drop_client()  # whoever begins the next call is told
        return self._client

    def _drop_client(self) -> None:
        client, self._client = self._client, None
        try:
            if client is not None:
                client.close()
        finally:
            self._see_guard()

    def _see_guard(self) -> None:
        """Tell how the guard stands, as the board's beats say, if that is new; without a board nobody knows."""
        guard = self._client.guard if self._client is not None else engine.NOT_KNOWN
        if guard != self._state.guard:
            self._tell(engine.Guard(guard))

    def _call(self, begin: engine.Begin) -> None:
        part = self.programme.parts[begin.part]
        self._open.clear()
        self.trouble, self._heard, self._following = "", None, None
        if self._lights is not None:
            self._lights.follows = part.lamps
        self._show(lambda audience: audience.call(part, begin.plan))
        try:
            over = self._perform(part, begin)
        except LinkError as error:
            over = engine.Over(How.LOST, f"{error.what}.")
            self.outcomes.refused(begin.part, int(error.exit_code), error.what)
            self._drop_client()
        except DemoError as error:
            over = engine.Over(How.UNSAFE, f"Not begun: {error}")
            self.outcomes.refused(begin.part, int(error.exit_code), error.what)
        except Exception as error:  # a fault of ours: the call was released on the way here
            over = engine.Over(How.LOST, f"This program failed: {type(error).__name__}: {error}.")
            self.outcomes.refused(begin.part, int(Exit.BOARD_TROUBLE), over.why)
            self._drop_client()
        self._tell_over(over)

    def _tell_over(self, over: engine.Over) -> None:
        with self._lock:  # a stop that comes later than this is not this call's, and not the next one's either
            self._stop = False
            self._tell(over)

    def _perform(self, part: Part, begin: engine.Begin) -> engine.Over:
        if self._stop or self._closing:
            return engine.Over(How.STOPPED)
        url = self._house.url_of(begin.plan)
        if self._client is not None and self._client.port.url != url:
            self._drop_client()
        if self._client is None:
            self._client = self._house.open_client(url)
        number = self.outcomes.next_try()  # before its record: the file of a call that is refused stays
        self._follow(part, begin.plan)
        result = perform(
            begin.plan,
            self._client,
            self._house.recorder(part, number) if self._house.recorder is not None else None,
            on_progress=self._progress,
            go_on=self._go_on,
            trunks_busied=self._house.trunks_busied,
            ready=self._house.ready,
            on_event=self._event,
            asked_to_stop=self._asked_to_stop,
        )
        self.outcomes.took(begin.part, part.call, result)
        if result.status is Status.LINK_LOST or not result.released:
            self._drop_client()
        how, why = _how(result)
        if part.follows is not None and self._client is not None:
            levels = self._client.status().levels
            if off_hook(levels, begin.plan.caller_port):
                why = (
                    f"{why} The handset on line {part.follows.line.name} is off its hook: its switches stay up.".strip()
                )
        return engine.Over(how, why)

    # -- a telephone that is followed -------------------------------------------------------------------------

    def _follow(self, part: Part, plan: Plan) -> None:
        """Begin to follow, if this part does: from before the first event on."""
        client = self._client
        if part.follows is None or client is None:
            return
        welcome = client.welcome or client.hello()
        with self._lock:
            self._following = Following(plan, self.programme.unit.value, welcome.loop_blur_us)
        if self._house.on_follow is not None:
            self._house.on_follow(client, plan)

    def _followed(self, hung_up: bool) -> None:
        """What was seen of the telephone may have ended its call, or this part of the show."""
        following = self._following
        if following is None:
            return
        if hung_up:
            ran = following.ran[-1]
            self.dials.append((self._state.last, ran))
            words = told_to_visitor(ran)
            if words:
                self._show(lambda audience: audience.tell(words))
        if following.news():
            self._publish()
        with self._lock:
            state = self._state
            follows = self.programme.parts[state.last].follows
            done = following.over and follows is not None and (follows.goes_on or self._alone)
            if done and state.gate is not None:
                self._to(*engine.wished(state, Wish(Kind.NEXT), self._house.clock_us(), self.programme))

    def _dial_words(self) -> str:
        return told_in_charge(self.dials[-1][1]) if self.dials else ""

    # -- a recorded call --------------------------------------------------------------------------------------

    def _film(self, doing: engine.Replay) -> Film:
        """What is shown now: what was seen of this call, if it ended well, else what the sheet has for that case."""
        part = self.programme.parts[doing.part]
        film = self.programme.fallback(doing.part)
        if not doing.seen and film is not None:
            return film
        well = self.outcomes.seen(part.call, well=True)
        if film is not None and well is None:
            return film
        result = well or self.outcomes.seen(part.call, well=False)
        if result is None:
            raise InputError("this call was not placed, so there is nothing to show again")
        return self.programme.seen_again(doing.part, result.plan, result.observation.events, doing.pace)

    def _replay(self, doing: engine.Replay) -> None:
        why = ""
        if self._leaves_now():
            return  # before it had begun
        if self._audience is None:
            why = "There is no screen to show a replay on."
        else:
            part = self.programme.parts[doing.part]
            if self._lights is not None:
                self._lights.follows = part.lamps
            try:
                self._audience.replay(self._film(doing), part, self._leaves)
            except DemoError as error:
                why = f"The replay cannot be shown: {error.what}."
            except Exception as error:
                why = f"The replay cannot be shown: {type(error).__name__}: {error}."
        self._show(lambda audience: audience.rest())
        with self._lock:  # one that was to end is over for the engine already, and another may have been asked for
            if not self._leaves_now():
                self._tell(engine.ReplayOver(why))

    def _leaves_now(self) -> bool:
        """Whether the replay that was taken up last is to end."""
        return self._taken <= self._left

    # -- what perform asks and tells, in the worker's thread ------------------------------------------------

    def _leaves(self) -> bool:
        """Asked many times a second while a recording is shown: lamps follow it, and the guard is watched."""
        client = self._client
        if client is not None and client.welcome is not None:
            self._light()
            try:
                client.keep_alive()
                for heard in client.poll(0):
                    if isinstance(heard, m.Event):
                        self._event(heard)
                self._see_guard()
            except DemoError:
                self._drop_client()
        return self._leaves_now() or self._closing

    def _light(self) -> None:
        """Have the board's lamps follow; nothing here waits for them."""
        if self._lights is not None and self._client is not None:
            before = self._client.lamps.count
            self._lights.put(self._client)
            if self._client.lamps.count != before:
                self._publish()

    def _asked_to_stop(self) -> bool:
        self._see_guard()
        self._pass_time()
        self._light()
        return self._stop or self._closing

    def _go_on(self, gate: Gate) -> bool:
        with self._lock:
            if gate.number not in self._open:
                return False
            self._open.discard(gate.number)
            return True

    def _progress(self, item: Progress) -> None:
        if item.kind == "ended" and item.index >= 0:
            gate = self._gate_at(item.index)
            left = engine.GoesOn(item.index, item.detail == "limit") if gate is not None else None
            self._tell(left or engine.At(item.index + 1))
        elif item.kind == "plan" and item.label == m.PLAN_STATES[m.RUNNING]:
            self._tell(engine.Begun())
        elif item.kind == "gate" and item.detail != "go on":
            gate = self._gate_at(item.index)
            if gate is not None:
                self._tell(engine.Waits(gate))
        elif item.kind == "ringing" and item.label in m.GUARD_STATES:
            self._tell(engine.Guard(m.GUARD_STATES.index(item.label)))

    def _gate_at(self, index: int) -> Gate | None:
        """The gate at this step that a person opens, if there is one."""
        with self._lock:
            plan = engine.plan_on(self._state, self.programme)
        return next((gate for gate in plan.gates if gate.index == index and gate.tone is None), None)

    def _event(self, event: m.Event) -> None:
        self._heard = (event.at_us, self._house.clock_us())
        self._show(lambda audience: audience.event(event))
        self._light()
        if self._following is not None:
            self._followed(self._following.take(event))
        if event.kind == m.EV_GUARD:
            self._tell(engine.Guard(event.value & 0xFF))

    def _pass_time(self) -> None:
        """Between events the pictures go on: a shaft turns while nothing is told."""
        if self._heard is not None:
            board_us, host_us = self._heard
            now_us = board_us + max(0, self._house.clock_us() - host_us)
            self._show(lambda audience: audience.time(now_us))
            if self._following is not None:
                self._followed(self._following.due(now_us))


def _how(result: CallResult) -> tuple[How, str]:
    """How a performed call was over, and why, for the presenter."""
    failed = [v for v in result.judgement.verdicts if v.outcome is Outcome.FAIL] if result.judgement else []
    if result.status is Status.FINISHED:
        if not failed:
            return How.WELL, ""
        checks = "1 check" if len(failed) == 1 else f"{len(failed)} checks"
        return How.WELL, f"The call went through, and {checks} failed: {failed[0].title}."
    if result.status is Status.TRIPPED:
        return How.UNSAFE, str(result.error or result.reason)
    if result.status is Status.INTERRUPTED and result.judgement is None:
        return How.STOPPED, ""  # before it was begun: there is nothing to release
    if result.status is Status.LINK_LOST or not result.released:
        return How.LOST, f"The call failed: {result.reason}."
    if result.status is Status.INTERRUPTED:
        return How.STOPPED, ""
    return How.BADLY, f"The call failed: {result.reason}."
