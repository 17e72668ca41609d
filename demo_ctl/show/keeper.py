"""Keeps an exhibit: the state machine's hands. One thread; it lets time pass with the board, and does what is asked.

How it works. `run_once` lets a twentieth of a second pass (in the board's session, so that the heartbeat goes on and a
lost cable is known; without a board, by waiting), gives the machine what has happened meanwhile, and does what it says.
A call is performed in here too: meanwhile `run.perform` asks ten times a second whether to stop, and presses, stops and
time are seen to then.

Whatever fails, this goes on: a board that is lost is looked for again; a count that cannot be kept places no call; a
page is served by a thread of its own. What ends it is `close`, or a signal.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.advice import of_reason, of_trip
from demo_ctl.link.client import Client
from demo_ctl.office.model import Line, Unit
from demo_ctl.plan.model import Plan
from demo_ctl.run.perform import perform
from demo_ctl.run.result import CallResult, Status
from demo_ctl.show import exhibit, wear
from demo_ctl.show.captions import Text
from demo_ctl.show.exhibit import How, Now, Phase, Rules, Standing, State
from demo_ctl.show.hub import ConsoleState, What
from demo_ctl.show.lamps import Lights
from demo_ctl.show.model import Happening
from demo_ctl.show.screens import Screens
from demo_ctl.show.visitor import VisitorLive, dial_ran, told_in_charge, told_to_visitor
from demo_ctl.show.visitor_ring import VisitorRing, not_now, window_ms
from demo_ctl.show.wear import Counters
from demo_ctl.show.wishes import Kind, Reply, Wish, wish_of
from demo_ctl.terms.errors import DemoError, LinkError
from demo_ctl.terms.outcome import Outcome
from demo_ctl.wire import messages as m

SLICE_US = 50_000
#: How often the board is asked how its guard stands, while nothing is on; how often it is looked for when it is lost.
STAND_US = 5_000_000
LOOK_US = 5_000_000
#: Whether the guard is proven is asked anew so often, or when its state has changed: it may mean reading many files.
READY_US = 60_000_000
#: After a visitor has hung up the switches come home; then it is over.
HOME_US = 3_000_000
#: A board that refuses to watch, or whose watched telephone is off its hook, is asked again so often.
WATCH_AGAIN_US = 5_000_000


class Counting(Protocol):
    """What keeps counters (`wear_store.WearStore`)."""

    counters: Counters

    def keep(self, counters: Counters) -> None:
        """Keep them; DemoError: they may not be."""
        ...


@dataclass(frozen=True)
class Act:
    """A call that the button may place, ready made."""

    title: str
    plan: Plan
    what: What = "everything"
    captions: Mapping[str, Text] = field(default_factory=dict)


@dataclass(frozen=True)
class Watch:
    """The telephone that visitors dial with themselves. plan: of `visitor.watching_plan`; told_us: of their figures.

    ringing: of `visitor_ring.ringing_plan`, where the bell of one line (rung) may ring for them; None: none may.
    """

    plan: Plan
    told_us: int
    ringing: Plan | None = None
    rung: Line | None = None


@dataclass(frozen=True)
class House:
    """What a keeper works with.

    open_client: opens the port anew (LinkError). now: the time. wait: lets microseconds pass without a board. ready: as
    for `perform`. recorder: where a call is kept, if anywhere; gets its number from 1.
    """

    open_client: Callable[[], Client]
    now: Callable[[], Now]
    wait: Callable[[int], None]
    ready: Callable[[Client, Plan], None]
    store: Counting
    recorder: Callable[[Act, int], RecordWriter | None] | None = None


class Keeper:
    """One exhibit. Call `run_once` again and again from one thread; presses and wishes come from any."""

    def __init__(
        self,
        rules: Rules,
        acts: Sequence[Act],
        unit: Unit,
        screens: Screens,
        house: House,
        *,
        title: str = "",
        watch: Watch | None = None,
        on_state: Callable[[ConsoleState], None] | None = None,
        lights: Lights | None = None,
    ) -> None:
        self._lights = lights
        if lights is not None:
            screens.on_scene = lights.show
        self.rules, self.acts, self.screens = rules, tuple(acts), screens
        self.results: list[tuple[int, CallResult]] = []  # the newest few
        self.placed = 0
        self.closing = False
        self.rows: list[str] = []  # what else whoever is in charge should see
        self._unit, self._house, self._title, self._on_state = unit, house, title, on_state
        self._asked: deque[exhibit.Event] = deque(maxlen=100)
        self._todo: deque[exhibit.Doing] = deque()
        self._client: Client | None = None
        self._look_us = self._stand_us = self._ready_us = 0
        self._guard = -1
        self._boot = -1
        self._why_ringing = ""
        self._end_call = False
        self._happened: list[Happening] = []
        self._lossy = False
        self._heard: tuple[int, int] | None = None
        self._watch = watch
        self._visitor: VisitorLive | None = None  # while the board watches
        self._visit_plan: Plan | None = None  # by this plan
        self._ring: VisitorRing | None = None  # where a bell may ring for them
        self._silent = ""  # why none does
        self._key_off = False
        self._visited: list[Happening] = []
        self._watch_us = 0
        self._down_us = -1  # when a visitor hung up, and the switches are coming home
        self._told: ConsoleState | None = None
        now = house.now()
        self.state: State
        self.state, doings = exhibit.start(house.store.counters, now, rules)
        self._todo += doings
        self._do()

    # -- from any thread -----------------------------------------------------------------------------------------

    def press(self) -> None:
        """A visitor presses: a key, a typed line."""
        self._asked.append(exhibit.Press())

    def wish(self, wish: Wish) -> Reply:
        """Take a wish of whoever is in charge."""
        if wish.kind is Kind.NEXT:
            self.press()
            return Reply(True, "As if a visitor had pressed the button.")
        if wish.kind is Kind.STOP:
            self._asked.append(exhibit.Stop())
            on = self.state.phase in (Phase.CALLING, Phase.REPLAYING)
            return Reply(on, "Stopping." if on else "There is nothing to stop.")
        if wish.kind is Kind.BLANK:
            self._asked.append(exhibit.Blank())
            return Reply(True, "The screens are on." if self.state.blank else "The screens are dark.")
        return Reply(False, "An exhibit runs by itself: next presses the button, stop ends the call, blank darkens.")

    def wish_words(self, word: str, value: str = "") -> Reply:
        """Take a wish as a console sends it. Raises ValueError, with words for people."""
        return self.wish(wish_of(word, value))

    # -- the loop ------------------------------------------------------------------------------------------------

    def run_once(self) -> None:
        """Let a little time pass, and do what there is to do."""
        self._pass_time()
        self._asked_for()
        self._take(exhibit.Tick())
        if self.screens.tick(self._house.now().us) and self.state.phase is Phase.REPLAYING:
            self._take(exhibit.Shown(self.state.serial))
        self._do()
        self._publish()

    def close(self) -> None:
        """Let the port go. (A call that is on is ended by its own `perform`, before this is called.)"""
        self.closing = True
        self._drop()

    def _pass_time(self) -> None:
        client = self._client or self._found()
        if client is None:
            self._house.wait(SLICE_US)
            return
        self._light()
        try:
            for heard in client.poll(SLICE_US):
                self._hear(heard)
            welcome = client.welcome
            if welcome is not None and client.longest_silence_us > welcome.heartbeat_ms * 1000:
                client.hello()  # this computer was held up, and the board has closed the session: no event would come
                self._unwatch()
                self._stand_us = self._ready_us = 0
            self._watched(client)
            if self.state.phase in (Phase.ATTRACT, Phase.REPLAYING) and self._house.now().us >= self._stand_us:
                self._stand(client)
        except DemoError as error:
            self._lost(error.what)

    def _light(self) -> None:
        """Have the board's lamps follow what is shown; nothing waits for them."""
        if self._lights is not None and self._client is not None:
            self._lights.dark = self.state.dark
            self._lights.your_turn = self.state.phase is Phase.ATTRACT
            self._lights.put(self._client)

    def _hear(self, heard: object) -> None:
        if isinstance(heard, m.Event):
            self._visit(heard)
            if heard.kind == m.EV_INPUTS:
                self._inputs(heard.value)
            elif heard.kind == m.EV_GUARD:
                self._stand_us = self._ready_us = 0
                self._key_turned(heard.value & 0xFF)
        elif isinstance(heard, m.Beat):
            self._inputs(heard.inputs)
            self._visit_time(heard.now_us)
            if heard.guard != self._guard:
                self._guard = heard.guard
                self._stand_us = self._ready_us = 0

    def _inputs(self, inputs: int) -> None:
        # A button's wire that breaks reads as pressed: 1 is the reading at rest.
        pressed = not inputs & m.IN_BUTTON
        if pressed != self.state.pressed:
            self._take(exhibit.Button(pressed))

    # -- a visitor's own call --------------------------------------------------------------------------------------

    def _watched(self, client: Client) -> None:
        """Have the board watch the visitors' telephone whenever nothing else is on. Raises LinkError: it is lost."""
        watch, now_us = self._watch, self._house.now().us
        if self._down_us >= 0 and now_us - self._down_us >= HOME_US:
            self._visit_over()
        on = self.state.phase in (Phase.ATTRACT, Phase.REPLAYING)
        if watch is None or self._visitor is not None or not on or now_us < self._watch_us:
            return
        self._watch_us = now_us + WATCH_AGAIN_US
        lifted = bool(client.status().levels >> 4 * (watch.plan.caller_port - 1) + m.LOOP & 1)
        if lifted != self.state.lifted:
            self._take(exhibit.Engaged(lifted))
        if lifted:
            return
        # A visitors' session is opened at the key, for half an hour. Only in one may a bell ring for them.
        why = ""
        for plan, kind in (*self._with_bell(client), (watch.plan, m.PLAN_VISITORS), (watch.plan, m.PLAN_CALL)):
            steps = [m.Instruction(s.op, s.port, s.x, s.a, s.b) for s in plan.timeline.steps]
            try:
                client.upload(1, steps, plan.timeline.roles, kind)
                client.start(1)
            except LinkError as error:
                why = error.what
                client.status()  # a refusal breaks nothing; a lost board raises here
            else:
                self._ring = None
                if plan is watch.ringing and watch.rung is not None:
                    self._ring = VisitorRing(plan, self._unit, watch.rung)
                self._visit_plan = plan
                self._new_visit()
                return
        self.rows = [f"The visitors' telephone is not watched: {why}."]

    def _with_bell(self, client: Client) -> list[tuple[Plan, int]]:
        """Return the plan in which a bell may ring for visitors, if anything lets it. Raises LinkError."""
        plan = self._watch.ringing if self._watch is not None else None
        if plan is None:
            return []
        self._silent = self._not_ready(client, plan)
        return [] if self._silent else [(plan, m.PLAN_VISITORS)]

    def _bell(self) -> None:
        """Let the bell ring, or end that, as the visitor's call goes. Raises LinkError."""
        client, ring, visitor = self._client, self._ring, self._visitor
        if client is None or ring is None or visitor is None or self._visit_plan is None:
            return
        gate = ring.wants(visitor.scene.digits, lifted=visitor.lifted)
        if gate % 2:
            self._silent = not_now(client.safety(), window_ms(self._visit_plan))
            if self._silent:
                return
        if gate:
            client.go(gate)

    def _key_turned(self, guard: int) -> None:
        """See the key go off and on: a session begins. Watch anew, if no bell may ring yet and nobody dials."""
        if guard in (m.G_KEY_OFF, m.G_LOCKED):
            self._key_off = True
        elif guard == m.G_SAFE and self._key_off:
            self._key_off = False
            bell = self._watch is not None and self._watch.ringing is not None and self._ring is None
            if bell and self._client is not None and self._visitor is not None and not self.state.lifted:
                self._client.stop()  # its event ends the watching; then it begins anew
                self._watch_us = 0

    def _new_visit(self) -> None:
        assert self._visit_plan is not None
        self._visitor = VisitorLive(self._visit_plan, self._unit)
        self._visited, self._down_us = [], -1

    def _visit(self, event: m.Event) -> None:
        if self._visitor is None:
            return
        if event.kind == m.EV_PLAN and event.value & 0xFF in (m.FINISHED, m.ENDED_EARLY):
            self._unwatch()
            return
        if self._ring is not None:
            self._ring.take(event)
        on_screen = self.state.phase is Phase.VISITING
        self._visited += self.screens.event(event) if on_screen else self._visitor.take(event)
        self._look_at_visitor()

    def _visit_time(self, board_us: int) -> None:
        if self._visitor is not None:
            on_screen = self.state.phase is Phase.VISITING
            self._visited += self.screens.time(board_us) if on_screen else self._visitor.due(board_us)
            self._look_at_visitor()

    def _look_at_visitor(self) -> None:
        visitor, watch = self._visitor, self._watch
        if visitor is None or watch is None:
            return
        self._bell()
        if visitor.lifted:
            self._down_us = -1
            if not self.state.lifted:
                self._take(exhibit.Lifted())
                self._do()
        elif self.state.lifted and self._down_us < 0:
            now_us = self._down_us = self._house.now().us
            welcome = self._client.welcome if self._client is not None else None
            blur_us = welcome.loop_blur_us if welcome is not None else 0
            ran = dial_ran(visitor.seen, watch.plan.caller_port, self._unit, blur_us)
            self.rows = [told_in_charge(ran)]
            words = told_to_visitor(ran)
            if words:
                self.screens.tell(words, now_us + watch.told_us)

    def _visit_over(self) -> None:
        """They have hung up, and the switches are home: it is counted, and the next visitor may come."""
        if self._visitor is not None:
            self._visited += self._visitor.finish()
        worked = wear.worked(self._visited, self._unit)
        self._new_visit()
        self._take(exhibit.Down(worked))

    def _unwatch(self) -> None:
        """The board watches no more: what was seen until then is counted."""
        lifted, self._visitor, self._down_us, self._ring = self.state.lifted, None, -1, None
        if lifted:
            self._take(exhibit.Down(wear.worked(self._visited, self._unit)))
        self._visited = []

    def _asked_for(self) -> None:
        while self._asked:
            self._take(self._asked.popleft())

    # -- the board -----------------------------------------------------------------------------------------------

    def _found(self) -> Client | None:
        """Look for the board, now and then."""
        now_us = self._house.now().us
        if self.closing or now_us < self._look_us:
            return None
        self._look_us = now_us + LOOK_US
        client: Client | None = None
        try:
            client = self._client = self._house.open_client()
            welcome = client.hello()
        except DemoError as error:
            self._lost(error.what)
            return None
        if welcome.boot != self._boot:
            self._boot = welcome.boot
            self._ready_us = 0
        self._stand_us = 0
        return client

    def _stand(self, client: Client) -> None:
        """Ask how the guard stands, and tell the machine. Raises LinkError."""
        now_us = self._house.now().us
        self._stand_us = now_us + STAND_US
        safety = client.safety()
        self._inputs(safety.inputs)
        why, tripped = "", safety.state == m.G_TRIPPED
        if tripped:
            why = of_trip(safety.reason).what
        elif safety.obstacle != m.R_NONE:
            why = of_reason(safety.obstacle).what
        ringing = next((act.plan for act in self.acts if act.plan.ringing), None)
        if why or ringing is None:
            self._why_ringing = ""
            self._ready_us = 0
        elif now_us >= self._ready_us:
            self._ready_us = now_us + READY_US
            self._why_ringing = self._not_ready(client, ringing)
        self._take(exhibit.Stands(Standing(True, why, self._why_ringing, tripped)))

    def _not_ready(self, client: Client, plan: Plan) -> str:
        try:
            self._house.ready(client, plan)
        except LinkError:
            raise
        except DemoError as error:
            return error.what.removeprefix("this call rings, and ")
        return ""

    def _lost(self, why: str) -> None:
        self._drop()
        self._take(exhibit.Stands(Standing(False, why)))

    def _drop(self) -> None:
        client, self._client = self._client, None
        self._unwatch()
        self._look_us = self._house.now().us + LOOK_US
        if client is not None:
            client.close()

    # -- the machine ---------------------------------------------------------------------------------------------

    def _take(self, event: exhibit.Event) -> None:
        self.state, doings = exhibit.step(self.state, event, self._house.now(), self.rules)
        self._todo += doings
        self.screens.only_recorded(exhibit.only_recorded(self.state, self.rules))

    def _do(self) -> None:
        while self._todo:
            doing = self._todo.popleft()
            if isinstance(doing, exhibit.Keep):
                self._keep(doing.counters)
            elif isinstance(doing, exhibit.Begin):
                self._place(doing)
            elif isinstance(doing, exhibit.Replay):
                self.screens.show(doing.replay, self._house.now().us)
            elif isinstance(doing, exhibit.Follow):
                if self._visitor is not None and self._watch is not None:
                    self.screens.call(self._visit_plan or self._watch.plan, "everything", {}, self._visitor)
            elif isinstance(doing, exhibit.Attract):
                self.screens.attract(self._house.now().us)
            elif isinstance(doing, exhibit.Dark):
                self.screens.dark(doing.dark)
            elif isinstance(doing, exhibit.EndCall):
                self._end_call = True
            else:
                self._end_call = True
                self._drop()

    def _keep(self, counters: Counters) -> None:
        try:
            self._house.store.keep(counters)
        except DemoError as error:
            self._take(exhibit.NotKept(counters.number, error.what))
        else:
            self._take(exhibit.Kept(counters.number))

    # -- a call --------------------------------------------------------------------------------------------------

    def _place(self, begin: exhibit.Begin) -> None:
        act = self.acts[begin.call]
        self._unwatch()  # the new session ends the watching plan
        self._end_call, self._happened, self._lossy, self._heard = False, [], False, None
        self.screens.call(act.plan, act.what, act.captions)
        try:
            over = self._perform(act, begin.serial)
        except LinkError as error:
            over = exhibit.Over(begin.serial, How.LOST, f"{error.what}.", {})
            self._drop()
        except DemoError as error:
            over = exhibit.Over(begin.serial, How.NOT_BEGUN, f"Not begun: {error.what}.", {})
        except Exception as error:  # a fault of ours: the call was released on the way here
            why = f"This program failed: {type(error).__name__}: {error}."
            over = exhibit.Over(begin.serial, How.LOST, why)
            self._drop()
        self._stand_us = self._ready_us = 0
        self._take(over)

    def _perform(self, act: Act, serial: int) -> exhibit.Over:
        if self._client is None:
            self._client = self._house.open_client()
        self.placed += 1
        result = perform(
            act.plan,
            self._client,
            self._recorder(act),
            ready=self._house.ready,
            on_event=self._event,
            asked_to_stop=self._asked_to_stop,
        )
        self.results = [*self.results[-9:], (self.placed, result)]
        self._happened += self.screens.finish()
        if result.status is Status.LINK_LOST or not result.released:
            self._drop()
        if result.status is Status.INTERRUPTED and not self._end_call:
            self.closing = True  # Ctrl-C, or the system wants this program to end
        whole = result.status is Status.FINISHED and not self._lossy
        worked = wear.worked(self._happened, self._unit) if whole else None
        return exhibit.Over(serial, *_how(result), worked)

    def _recorder(self, act: Act) -> RecordWriter | None:
        """A call is placed for visitors, recorded or not."""
        if self._house.recorder is None:
            return None
        try:
            return self._house.recorder(act, self.placed)
        except DemoError as error:
            self.rows = [f"Calls are not recorded: {error.what}."]
            return None

    def _event(self, event: m.Event) -> None:
        self._heard = (event.at_us, self._house.now().us)
        self._lossy = self._lossy or event.kind in (m.EV_EDGES_LOST, m.EV_OVERFLOW)
        if event.kind == m.EV_INPUTS:
            self._inputs(event.value)
        self._happened += self.screens.event(event)
        self._light()

    def _asked_to_stop(self) -> bool:
        """Asked ten times a second while a call is on."""
        self._light()
        if self._heard is not None:
            board_us, host_us = self._heard
            self._happened += self.screens.time(board_us + max(0, self._house.now().us - host_us))
        self._asked_for()
        self._take(exhibit.Tick())
        while self._todo and isinstance(self._todo[0], exhibit.EndCall | exhibit.Dark):
            doing = self._todo.popleft()
            if isinstance(doing, exhibit.Dark):
                self.screens.dark(doing.dark)
            else:
                self._end_call = True
        if any(isinstance(doing, exhibit.LetGo) for doing in self._todo):
            self._end_call = True  # done when perform has come back
        self._publish()
        return self._end_call or self.closing

    # -- for whoever is in charge ----------------------------------------------------------------------------------

    def _publish(self) -> None:
        if self._on_state is None:
            return
        told = self.told()
        if told != self._told:
            self._told = told
            self._on_state(told)

    def told(self) -> ConsoleState:
        """Return what a console shows now."""
        state, now = self.state, self._house.now()
        calling = state.phase is Phase.CALLING
        wishes = [Kind.NEXT, Kind.BLANK, *([Kind.STOP] if state.phase in (Phase.CALLING, Phase.REPLAYING) else [])]
        act = self.acts[state.call] if calling else None
        counters = state.counters
        counted = (
            f"{counters.calls_today} calls today ({counters.sum_today} operations), {counters.calls_in_all} in all"
        )
        return ConsoleState(
            show=self._title,
            call=act.title if act is not None else "",
            place=counted,
            stage=self.screens.stage,
            happening=f"{state.phase.value[0].upper()}{state.phase.value[1:]}.",
            line=[act.plan.title] if act is not None else [],
            ringing="ringing may be on a line" if self._guard == m.G_LIVE else "ringing is off",
            ringing_live=calling and act is not None and act.plan.ringing,
            ringing_left_us=-1,
            next=self._coming(state, now),
            next_left_us=-1,
            waiting=False,
            held=False,
            blank=state.dark,
            pace=str(act.plan.pace) if act is not None else "",
            paces=[],
            elapsed_us=0,
            left_us=-1,
            running=calling,
            wishes=[kind.value for kind in Kind if kind in wishes],
            notice=" ".join(
                [*exhibit.notices(state, now, self.rules), *self.rows, *self._no_bell(), *self._lamps_lacking()]
            ),
            rehearsal=False,
        )

    def _lamps_lacking(self) -> list[str]:
        words = self._lights.lacking(self._client) if self._lights is not None else ""
        return [words] if words else []

    def _no_bell(self) -> list[str]:
        return [f"No bell rings for visitors: {self._silent}."] if self._silent else []

    def _coming(self, state: State, now: Now) -> str:
        if state.phase is not Phase.ATTRACT:
            return "Then recorded calls again."
        call, why = exhibit.choice(state, now, self.rules)
        if call < 0:
            if now.us < state.ready_us and state.standing.here and not state.standing.why:
                return "The switches rest; a press shows a recorded call."
            return f"A press shows a recorded call: {why}."
        return f"A press places: {self.acts[call].title}."


def _how(result: CallResult) -> tuple[How, str]:
    """How a performed call was over, and why, for whoever is in charge."""
    if result.status is Status.TRIPPED:
        return How.TRIPPED, result.error.what if result.error is not None else result.reason
    if result.status is Status.LINK_LOST or not result.released:
        return How.LOST, f"The last call failed: {result.reason}."
    if result.status is Status.INTERRUPTED:
        return How.STOPPED, ""
    if result.status is not Status.FINISHED:
        return How.BADLY, f"The last call failed: {result.reason}."
    failed = [each for each in result.judgement.verdicts if each.outcome is Outcome.FAIL] if result.judgement else []
    if not failed:
        return How.WELL, ""
    checks = "1 check" if len(failed) == 1 else f"{len(failed)} checks"
    return How.BADLY, f"The last call went through, and {checks} failed: {failed[0].title}."
