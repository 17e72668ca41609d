"""The telephone that a part of a show follows: what is seen of it is told, and its call may end that part."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from demo_ctl.link.client import Client
from demo_ctl.plan.model import Plan
from demo_ctl.show.course import Course
from demo_ctl.show.following import Following
from demo_ctl.show.hub import ConsoleState
from demo_ctl.show.programme import Part, Programme
from demo_ctl.show.show_house import House
from demo_ctl.show.visitor import DialRan, told_in_charge, told_to_visitor
from demo_ctl.wire import messages as m


class Telephone:
    """Of one show, whichever telephone it is now, or none.

    tell: tells the audience something, by language. publish: tells the consoles. alone: nobody presents (`Stagehand`).
    """

    def __init__(
        self,
        programme: Programme,
        house: House,
        course: Course,
        *,
        tell: Callable[[Mapping[str, str]], None],
        publish: Callable[[], None],
        alone: bool,
    ) -> None:
        self.dials: list[tuple[int, DialRan]] = []  # (part, how its dial ran), in order
        self._programme, self._house, self._course = programme, house, course
        self._tell, self._publish, self._alone = tell, publish, alone
        self._following: Following | None = None

    def follow(self, part: Part, plan: Plan, client: Client) -> None:
        """Begin to follow, if this part does: from before the first event on. Raises LinkError."""
        if part.follows is None:
            return
        welcome = client.welcome or client.hello()
        with self._course.lock:
            self._following = Following(plan, self._programme.unit.value, welcome.loop_blur_us)
        if self._house.on_follow is not None:
            self._house.on_follow(client, plan)

    def leave(self) -> None:
        """Follow none."""
        self._following = None

    def take(self, event: m.Event) -> None:
        """Take an event of the board's."""
        if self._following is not None:
            self._seen(self._following, self._following.take(event))

    def due(self, board_us: int) -> None:
        """Time passes, by the board's clock."""
        if self._following is not None:
            self._seen(self._following, self._following.due(board_us))

    def show_in(self, found: ConsoleState) -> None:
        """Add what is seen of it to what a console shows."""
        following = self._following
        if following is not None and following.lifted:
            dialled = f", and has dialled {following.digits}" if following.digits else ""
            found["line"] = [f"somebody is off the hook{dialled}"]
        if following is not None and following.ran:
            words = told_in_charge(self.dials[-1][1]) if self.dials else ""
            found["notice"] = " ".join((*([found["notice"]] if found["notice"] else ()), words))

    def _seen(self, following: Following, hung_up: bool) -> None:
        """What was seen of the telephone may have ended its call, or this part of the show."""
        if hung_up:
            ran = following.ran[-1]
            self.dials.append((self._course.state.last, ran))
            words = told_to_visitor(ran)
            if words:
                self._tell(words)
        if following.news():
            self._publish()
        with self._course.lock:
            state = self._course.state
            follows = self._programme.parts[state.last].follows
            done = following.over and follows is not None and (follows.goes_on or self._alone)
            if done and state.gate is not None:
                self._course.go_on()
