"""Keeps an exhibit: the state machine's hands. One thread; it lets time pass with the board, and does what is asked.

How it works. `run_once` lets a twentieth of a second pass (in the board's session, so that the heartbeat goes on and a
lost cable is known; without a board, by waiting), gives the machine what has happened meanwhile, and does what it says.
A call is performed in here too (`performer.py`): meanwhile `run.perform` asks ten times a second whether to stop, and
presses, stops and time are seen to then. How the board stands is asked by `board_standing.py`.

Whatever fails, this goes on: a board that is lost is looked for again; a count that cannot be kept places no call; a
page is served by a thread of its own. What ends it is `close`, or a signal.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from threading import Lock

from demo_ctl.link.client import Client
from demo_ctl.office.model import Unit
from demo_ctl.run.result import CallResult, Status
from demo_ctl.show import exhibit, how_it_was
from demo_ctl.show.acts import Act, Watch
from demo_ctl.show.board_standing import BoardStanding
from demo_ctl.show.counting import Bookkeeper
from demo_ctl.show.exhibit_choice import only_recorded
from demo_ctl.show.exhibit_house import House
from demo_ctl.show.exhibit_model import (
    Attract,
    Begin,
    Blank,
    Button,
    Dark,
    Doing,
    EndCall,
    EndVisit,
    Event,
    Follow,
    How,
    Keep,
    LetGo,
    Over,
    Phase,
    Press,
    Replay,
    Rules,
    Shown,
    Standing,
    Stands,
    State,
    Stop,
    Tick,
)
from demo_ctl.show.exhibit_words import Around, blanked, console_state, stopping
from demo_ctl.show.hub import ConsoleState
from demo_ctl.show.lamps import Lights
from demo_ctl.show.performer import Performer
from demo_ctl.show.screens import Screens
from demo_ctl.show.visitors import Visitors
from demo_ctl.show.wishes import Kind, Reply, Wish, wish_of
from demo_ctl.terms.errors import DemoError, LinkError
from demo_ctl.wire import messages as m

SLICE_US = 50_000
#: How often the board is looked for when it is lost.
LOOK_US = 5_000_000
#: After a fault of this program's own it goes on after so long.
FAULT_US = 1_000_000


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
        self.closing = False
        self._house, self._title, self._on_state = house, title, on_state
        self._asked: deque[Event] = deque(maxlen=100)
        self._blanking, self._blank = Lock(), False  # what the newest wish leads to
        self._todo: deque[Doing] = deque()
        self._client: Client | None = None
        self._look_us = 0
        self._end_call = False
        self._books = Bookkeeper(house.store, house.disk_wait_s)
        self._standing = BoardStanding(self.acts, ready=house.ready, now_us=self._now_us, inputs=self._inputs)
        self._performer = Performer(
            unit,
            screens,
            ready=house.ready,
            recorder=house.recorder,
            now_us=self._now_us,
            inputs=self._inputs,
            light=self._light,
            asked_to_stop=self._asked_to_stop,
        )
        self._visitors = Visitors(
            watch,
            unit,
            screens,
            tell=self._tell,
            state=lambda: self.state,
            now_us=self._now_us,
            not_ready=self._standing.not_ready,
        )
        self._told: ConsoleState | None = None
        now = house.now()
        self.state: State
        self.state, doings = exhibit.start(house.store.counters, now, rules)
        self._todo += doings
        self._do()

    @property
    def placed(self) -> int:
        """How many calls were placed."""
        return self._performer.placed

    @property
    def results(self) -> Sequence[tuple[int, CallResult]]:
        """What came of the newest few: (number from 1, result), in order."""
        return self._performer.results

    # -- from any thread -----------------------------------------------------------------------------------------

    def press(self) -> None:
        """A visitor presses: a key, a typed line."""
        self._asked.append(Press())

    def wish(self, wish: Wish) -> Reply:
        """Take a wish of whoever is in charge."""
        if wish.kind is Kind.NEXT:
            self.press()
            return Reply(True, "As if a visitor had pressed the button.")
        if wish.kind is Kind.STOP:
            self._asked.append(Stop())
            return stopping(self.state.phase, followed=self._visitors.followed)
        if wish.kind is Kind.BLANK:
            with self._blanking:  # the answer is of what was asked for last, whatever the queue still holds
                blank = self._blank = not self._blank
                self._asked.append(Blank(blank))
            return blanked(blank, dark=exhibit.is_dark(self.state, self._house.now(), self.rules, blank=blank))
        return Reply(False, "An exhibit runs by itself: next presses the button, stop ends the call, blank darkens.")

    def wish_words(self, word: str, value: str = "") -> Reply:
        """Take a wish as a console sends it. Raises ValueError, with words for people."""
        return self.wish(wish_of(word, value))

    # -- the loop ------------------------------------------------------------------------------------------------

    def run_once(self) -> None:
        """Let a little time pass, and do what there is to do. A fault of this program's own is told, and it goes on."""
        try:
            self._pass_time()
            self._asked_for()
            for kept in self._books.news():
                self._take(kept)
            self._take(Tick())
            if self.screens.tick(self._now_us()) and self.state.phase is Phase.REPLAYING:
                self._take(Shown(self.state.serial))
            self._do()
            self._publish()
        except Exception as error:
            self._after_fault(f"This program failed, and goes on: {type(error).__name__}: {error}.")

    def _after_fault(self, why: str) -> None:
        """Let the board go, which releases the line by its silence limit; then recorded calls, and not at once."""
        client, self._client = self._client, None
        if client is not None:
            with suppress(Exception):
                client.close()
        self._todo.clear()
        with suppress(Exception):
            self._visitors.unwatch()
        with suppress(Exception):
            self.state, doings = exhibit.after_fault(self.state, why, self._house.now(), self.rules)
            self._todo += doings
        with suppress(Exception):
            self._do()
        self._house.wait(FAULT_US)
        self._look_us = self._now_us()

    def close(self) -> None:
        """Let the port go. (A call that is on is ended by its own `perform`, before this is called.)"""
        self.closing = True
        self._drop()
        self._do()
        self._books.close()

    def _now_us(self) -> int:
        return self._house.now().us

    def _pass_time(self) -> None:
        client = self._client or self._found()
        if client is None:
            self._house.wait(SLICE_US)
            return
        self._light()
        try:
            for heard in client.poll(SLICE_US):
                self._hear(client, heard)
            welcome = client.welcome
            if welcome is not None and client.longest_silence_us > welcome.heartbeat_ms * 1000:
                client.hello()  # this computer was held up, and the board has closed the session: no event would come
                self._visitors.unwatch()
                self._standing.ask_anew()
            self._visitors.watch(client)
            if self.state.phase in (Phase.ATTRACT, Phase.REPLAYING) and self._standing.is_due():
                self._take(Stands(self._standing.ask(client)))
        except DemoError as error:
            self._lost(error.what)

    def _light(self) -> None:
        """Have the board's lamps follow what is shown; nothing waits for them."""
        if self._lights is not None and self._client is not None:
            self._lights.dark = self.state.dark
            self._lights.your_turn = self.state.phase is Phase.ATTRACT
            self._lights.put(self._client)

    def _hear(self, client: Client, heard: object) -> None:
        if isinstance(heard, m.Event):
            self._visitors.event(client, heard)
            if heard.kind == m.EV_INPUTS:
                self._inputs(heard.value)
            elif heard.kind == m.EV_GUARD:
                self._standing.ask_anew()
                self._visitors.key_turned(client, heard.value & 0xFF)
        elif isinstance(heard, m.Beat):
            self._inputs(heard.inputs)
            self._visitors.time(client, heard.now_us)
            self._standing.beat(heard.guard)

    def _inputs(self, inputs: int) -> None:
        # A button's wire that breaks reads as pressed: 1 is the reading at rest.
        pressed = not inputs & m.IN_BUTTON
        if pressed != self.state.pressed:
            self._take(Button(pressed))

    def _asked_for(self) -> None:
        while self._asked:
            self._take(self._asked.popleft())

    # -- the board -----------------------------------------------------------------------------------------------

    def _found(self) -> Client | None:
        """Look for the board, now and then."""
        now_us = self._now_us()
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
        self._standing.met(welcome)
        return client

    def _lost(self, why: str) -> None:
        self._drop()
        self._take(Stands(Standing(False, why)))

    def _drop(self) -> None:
        client, self._client = self._client, None
        self._visitors.unwatch()
        self._look_us = self._now_us() + LOOK_US
        if client is not None:
            client.close()

    # -- the machine ---------------------------------------------------------------------------------------------

    def _take(self, event: Event) -> None:
        self.state, doings = exhibit.step(self.state, event, self._house.now(), self.rules)
        self._todo += doings
        self.screens.only_recorded(only_recorded(self.state, self.rules))

    def _tell(self, event: Event) -> None:
        """Tell the machine, and do at once what it wants."""
        self._take(event)
        self._do()

    def _do(self) -> None:
        while self._todo:
            doing = self._todo.popleft()
            if isinstance(doing, Keep):
                self._books.keep(doing.counters)
            elif isinstance(doing, Begin):
                self._place(doing)
            elif isinstance(doing, Replay):
                self.screens.show(doing.replay, self._now_us())
            elif isinstance(doing, Follow):
                self._visitors.follow()
            elif isinstance(doing, Attract):
                self.screens.attract(self._now_us())
            elif isinstance(doing, Dark):
                self.screens.dark(doing.dark)
            elif isinstance(doing, EndCall):
                self._end_call = True
            elif isinstance(doing, EndVisit):
                self._end_visit()
            else:
                self._end_call = True
                self._drop()

    def _end_visit(self) -> None:
        if self._client is not None:
            try:
                self._visitors.stop(self._client)
            except DemoError as error:
                self._lost(error.what)

    # -- a call --------------------------------------------------------------------------------------------------

    def _place(self, begin: Begin) -> None:
        act = self.acts[begin.call]
        self._visitors.unwatch()  # the new session ends the watching plan
        self._end_call = False
        self.screens.call(act.plan, act.what, act.captions)
        try:
            over = self._perform(act, begin.serial)
        except LinkError as error:
            over = Over(begin.serial, How.LOST, f"{error.what}.", {})
            self._drop()
        except DemoError as error:
            over = Over(begin.serial, How.NOT_BEGUN, f"Not begun: {error.what}.", {})
        except Exception as error:  # a fault of ours: the call was released on the way here
            why = f"This program failed: {type(error).__name__}: {error}."
            over = Over(begin.serial, How.LOST, why)
            self._drop()
        self._standing.ask_anew()
        self._take(over)

    def _perform(self, act: Act, serial: int) -> Over:
        if self._client is None:
            self._client = self._house.open_client()
        result = self._performer.perform(act, self._client)
        if result.status is Status.LINK_LOST or not result.released:
            self._drop()
        if result.status is Status.INTERRUPTED and not self._end_call:
            self.closing = True  # Ctrl-C, or the system wants this program to end
        return Over(serial, *how_it_was.in_an_exhibit(result), self._performer.worked(result))

    def _asked_to_stop(self) -> bool:
        """Asked ten times a second while a call is on."""
        self._light()
        self._performer.pass_time()
        self._asked_for()
        self._take(Tick())
        while self._todo and isinstance(self._todo[0], EndCall | Dark):
            doing = self._todo.popleft()
            if isinstance(doing, Dark):
                self.screens.dark(doing.dark)
            else:
                self._end_call = True
        if any(isinstance(doing, LetGo) for doing in self._todo):
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
        lamps = self._lights.lacking(self._client) if self._lights is not None else ""
        around = Around(
            self._title,
            self.acts,
            guard=self._client.guard if self._client is not None else -1,
            stage=self.screens.stage,
            followed=self._visitors.followed,
            notes=[each for each in (self._performer.not_recorded, *self._visitors.notes(), lamps) if each],
        )
        return console_state(self.state, self._house.now(), self.rules, around)
