"""Visitors who dial for themselves: their telephone is watched whenever nothing else is on, followed, and counted.

The board watches by a plan; where it may, by one in which a bell may ring for them. What happens meanwhile goes to the
machine (`exhibit.py`) as Lifted, Down and Engaged. Everything here is called by the keeper's one thread.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

from demo_ctl.link.client import Client
from demo_ctl.office.model import Unit
from demo_ctl.plan.model import Plan
from demo_ctl.show import wear
from demo_ctl.show.acts import Watch
from demo_ctl.show.exhibit_model import Down, Engaged, Event, Lifted, Phase, State
from demo_ctl.show.model import Happening
from demo_ctl.show.screens import Screens
from demo_ctl.show.visitor import VisitorLive, dial_ran, told_in_charge, told_to_visitor
from demo_ctl.show.visitor_ring import VisitorRing, not_now, window_ms
from demo_ctl.terms.errors import LinkError
from demo_ctl.wire import messages as m

#: After a visitor has hung up the switches come home; then it is over.
HOME_US = 3_000_000
#: A board that refuses to watch, or whose watched telephone is off its hook, is asked again so often.
AGAIN_US = 5_000_000
#: In a visitors' session in which no bell might ring when it began (the supply was still coming up), it is looked so
#: often whether one may; where all but the proving allows it, not so often: that may mean reading many files.
READY_US = 60_000_000
#: No session is longer. One that is shorter is over for the board, which then refuses the plan.
SESSION_US = 1_800_000_000


class Visitors:
    """Those of one exhibit.

    tell: takes what has happened to the machine, and does at once what that asks for. state: the machine's, now.
    now_us: the host's clock. not_ready: why a plan may not ring now, "" when it may (LinkError: the board is lost).
    """

    def __init__(
        self,
        watch: Watch | None,
        unit: Unit,
        screens: Screens,
        *,
        tell: Callable[[Event], None],
        state: Callable[[], State],
        now_us: Callable[[], int],
        not_ready: Callable[[Client, Plan], str],
    ) -> None:
        self._watch, self._unit, self._screens = watch, unit, screens
        self._tell, self._state, self._now_us, self._not_ready = tell, state, now_us, not_ready
        self._visitor: VisitorLive | None = None  # while the board watches
        self._plan: Plan | None = None  # by this plan
        self._ring: VisitorRing | None = None  # where a bell may ring for them
        self._worked: dict[str, int] = {}  # by the visit that is on
        self._said = ""
        self._silent = ""  # why no bell rings
        self._key_off = False
        self._again_us = 0
        self._bell_us = self._bell_until_us = 0  # when it is looked again whether a bell may ring, and until when
        self._down_us = -1  # when a visitor hung up, and the switches are coming home

    @property
    def followed(self) -> bool:
        """Whether a visitor's handset is off its hook, and the board watches it."""
        return self._visitor is not None and self._state().lifted

    def notes(self) -> list[str]:
        """Return what whoever is in charge should see, a sentence each."""
        bell = [f"No bell rings for visitors: {self._silent}."] if self._silent else []
        return [*([self._said] if self._said else []), *bell]

    # -- watching --------------------------------------------------------------------------------------------------

    def watch(self, client: Client) -> None:
        """Have the board watch their telephone whenever nothing else is on. Raises LinkError: it is lost."""
        watch, now_us = self._watch, self._now_us()
        if self._down_us >= 0 and now_us - self._down_us >= HOME_US:
            self._visit_over()
        on = self._state().phase in (Phase.ATTRACT, Phase.REPLAYING)
        if watch is None or not on:
            return
        if self._visitor is not None:
            self._may_ring_yet(client, watch)
            return
        if now_us < self._again_us:
            return
        self._again_us = now_us + AGAIN_US
        lifted = _off_hook(client, watch)
        if lifted != self._state().lifted:
            self._tell(Engaged(lifted))
        if lifted:
            return
        # A visitors' session is opened at the key, for half an hour. Only in one may a bell ring for them.
        why = ""
        for plan, kind in (*self._with_bell(client, watch), (watch.plan, m.PLAN_VISITORS), (watch.plan, m.PLAN_CALL)):
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
                self._bell_us = now_us + AGAIN_US
                waits = self._silent and self._ring is None and kind == m.PLAN_VISITORS
                self._bell_until_us = now_us + SESSION_US if waits else 0
                self._new_visit(plan)
                return
        self._said = f"The visitors' telephone is not watched: {why}."

    def _with_bell(self, client: Client, watch: Watch) -> list[tuple[Plan, int]]:
        """Return the plan in which a bell may ring for visitors, if anything lets it. Raises LinkError."""
        if watch.ringing is None:
            return []
        self._silent = self._not_ready(client, watch.ringing)
        return [] if self._silent else [(watch.ringing, m.PLAN_VISITORS)]

    def _may_ring_yet(self, client: Client, watch: Watch) -> None:
        """Begin anew with a bell, once one may ring, nobody uses the telephone and a session is on. Raises LinkError.

        At the key's turn the supply may not be fit yet: without this, no bell would ring until the next turn.
        """
        now_us = self._now_us()
        if watch.ringing is None or not self._bell_us <= now_us < self._bell_until_us or self._state().lifted:
            return
        self._bell_us = now_us + AGAIN_US
        safety = client.safety()
        if safety.obstacle != m.R_NONE or safety.mode != m.MODE_VISITORS or _off_hook(client, watch):
            return
        self._silent = self._not_ready(client, watch.ringing)
        self._bell_us = now_us + READY_US
        if not self._silent:
            self.stop(client)

    def _new_visit(self, plan: Plan) -> None:
        self._plan, self._visitor = plan, VisitorLive(plan, self._unit)
        self._worked, self._down_us = {}, -1

    def stop(self, client: Client) -> None:
        """End what the board does for a visitor; watched anew when their handset is down. Raises LinkError."""
        if self._visitor is not None:
            client.stop()  # its event ends the watching
            self._again_us = 0

    def key_turned(self, client: Client, guard: int) -> None:
        """See the key go off and on: a session begins. Watch anew, if no bell may ring yet and nobody dials."""
        if guard in (m.G_KEY_OFF, m.G_LOCKED):
            self._key_off = True
        elif guard == m.G_SAFE and self._key_off:
            self._key_off = False
            bell = self._watch is not None and self._watch.ringing is not None and self._ring is None
            if bell and not self._state().lifted:
                self.stop(client)

    def unwatch(self) -> None:
        """The board watches no more: what was seen is counted, and what nobody will see, at its worst."""
        visitor, down = self._visitor, self._down_us >= 0
        lifted, self._visitor, self._down_us, self._ring = self._state().lifted, None, -1, None
        if lifted and visitor is not None:
            if down:
                self._count(visitor.finish())
            else:
                self._worked = wear.added(self._worked, wear.whole_call(self._unit))
        worked, self._worked = self._worked, {}
        if lifted:
            self._tell(Down(worked))

    # -- a visitor's own call --------------------------------------------------------------------------------------

    def follow(self) -> None:
        """Show their call on the screens."""
        if self._visitor is not None and self._plan is not None:
            self._screens.call(self._plan, "everything", {}, self._visitor)

    def event(self, client: Client, event: m.Event) -> None:
        """Take an event of the board's. Raises LinkError."""
        if self._visitor is None:
            return
        if event.kind == m.EV_PLAN and event.value & 0xFF in (m.FINISHED, m.ENDED_EARLY):
            self.unwatch()
            return
        if self._ring is not None:
            self._ring.take(event)
        self._count(self._screens.event(event) if self._on_screen() else self._visitor.take(event))
        self._look(client, self._visitor)

    def time(self, client: Client, board_us: int) -> None:
        """Time passes, by the board's clock. Raises LinkError."""
        if self._visitor is not None:
            self._count(self._screens.time(board_us) if self._on_screen() else self._visitor.due(board_us))
            self._look(client, self._visitor)

    def _on_screen(self) -> bool:
        return self._state().phase is Phase.VISITING

    def _count(self, happened: Iterable[Happening]) -> None:
        """Only counts are kept: somebody may play with the dial all day."""
        self._worked = wear.added(self._worked, wear.worked(happened, self._unit))

    def _look(self, client: Client, visitor: VisitorLive) -> None:
        self._bell(client, visitor)
        if visitor.lifted:
            self._down_us = -1
            if not self._state().lifted:
                self._tell(Lifted())
        elif self._state().lifted and self._down_us < 0 and self._watch is not None:
            now_us = self._down_us = self._now_us()
            blur_us = client.welcome.loop_blur_us if client.welcome is not None else 0
            ran = dial_ran(visitor.seen, self._watch.plan.caller_port, self._unit, blur_us)
            self._said = told_in_charge(ran)
            words = told_to_visitor(ran)
            if words:
                self._screens.tell(words, now_us + self._watch.told_us)

    def _bell(self, client: Client, visitor: VisitorLive) -> None:
        """Let the bell ring, or end that, as their call goes. Raises LinkError."""
        if self._ring is None or self._plan is None:
            return
        gate = self._ring.wants(visitor.scene.digits, lifted=visitor.lifted)
        if gate % 2:
            self._silent = not_now(client.safety(), window_ms(self._plan))
            if self._silent:
                return
        if gate:
            client.go(gate)

    def _visit_over(self) -> None:
        """They have hung up, and the switches are home: it is counted, and the next visitor may come."""
        if self._visitor is not None:
            self._count(self._visitor.finish())
        worked = self._worked
        if self._plan is not None:
            self._new_visit(self._plan)
        self._tell(Down(worked))


def _off_hook(client: Client, watch: Watch) -> bool:
    """Whether their handset is off its hook now. Raises LinkError."""
    return bool(client.status().levels >> 4 * (watch.plan.caller_port - 1) + m.LOOP & 1)
