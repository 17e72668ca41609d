"""A show's session with the board: opened for a call, kept alive between calls, looked for when it was lost.

Called by the one thread that performs the show.
"""

from __future__ import annotations

from collections.abc import Callable

from demo_ctl.link.client import Client
from demo_ctl.plan.model import Plan
from demo_ctl.show import engine
from demo_ctl.show.course import Course
from demo_ctl.show.engine import Phase
from demo_ctl.show.lamps import Lights
from demo_ctl.show.programme import Programme
from demo_ctl.show.show_house import House
from demo_ctl.terms.errors import DemoError
from demo_ctl.wire import messages as m

#: While nothing is on, a board that is not there is looked for this often: for its lamps, and for how its guard stands.
LOOK_US = 5_000_000


class Session:
    """That of one show. on_event: gets every event of the board's. publish: tells the consoles."""

    def __init__(
        self,
        programme: Programme,
        house: House,
        course: Course,
        lights: Lights | None,
        *,
        on_event: Callable[[m.Event], None],
        publish: Callable[[], None],
    ) -> None:
        self.client: Client | None = None
        self._programme, self._house, self._course, self._lights = programme, house, course, lights
        self._on_event, self._publish = on_event, publish
        self._look_us = 0

    def open_for(self, plan: Plan) -> Client:
        """Return a client of the port on which a plan is performed. Raises LinkError."""
        url = self._house.url_of(plan)
        if self.client is not None and self.client.port.url != url:
            self.drop()
        if self.client is None:
            self.client = self._house.open_client(url)
        return self.client

    def find(self) -> Client | None:
        """See whether the board is there again after a lost cable, while the switches come home.

        Also before a call: how its guard stands is to be seen, and its lamps tell whose turn it is.
        """
        with self._course.lock:
            state, now_us = self._course.state, self._house.clock_us()
            if self._course.closing:
                return None
            if state.phase is Phase.RESTORING:
                plan = engine.plan_on(state, self._programme)
            elif state.phase is Phase.READY and now_us >= self._look_us:
                self._look_us = now_us + LOOK_US
                plan = self._programme.parts[state.part].plan
            else:
                return None
            url = self._house.url_of(plan)
        try:
            self.client = self._house.open_client(url)
            self.client.hello()
        except DemoError:
            self.drop()  # whoever begins the next call is told
        return self.client

    def drop(self) -> None:
        """Let the port go: the board releases every line by itself."""
        client, self.client = self.client, None
        try:
            if client is not None:
                client.close()
        finally:
            self.see_guard()

    def hear(self, client: Client, us: int) -> None:
        """Let time pass with the board, and take what it tells meanwhile. Raises LinkError."""
        for heard in client.poll(us):
            if isinstance(heard, m.Event):
                self._on_event(heard)
        self.see_guard()

    def see_guard(self) -> None:
        """Tell how the guard stands, as the board's beats say, if that is new; without a board nobody knows."""
        self._course.tell_guard(self.client.guard if self.client is not None else engine.NOT_KNOWN)

    def light(self) -> None:
        """Have the board's lamps follow; nothing here waits for them."""
        if self._lights is not None and self.client is not None:
            before = self.client.lamps.count
            self._lights.put(self.client)
            if self.client.lamps.count != before:
                self._publish()
