"""How an exhibit's board stands: which calls it can perform, how its guard is, and whether that may let a call ring.

Called by the keeper's one thread, while nothing is on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from demo_ctl.link.advice import of_reason, of_tripped
from demo_ctl.link.client import Client
from demo_ctl.plan.model import Plan
from demo_ctl.run.fit import check_board
from demo_ctl.show.acts import Act
from demo_ctl.show.exhibit_model import Standing
from demo_ctl.terms.errors import DemoError, LinkError, PlanError
from demo_ctl.wire import messages as m

#: How often the board is asked how its guard stands, while nothing is on.
STAND_US = 5_000_000
#: Whether the guard is proven is asked anew so often, or when its state has changed: it may mean reading many files.
READY_US = 60_000_000


class BoardStanding:
    """That of one exhibit. ready: as for `perform`. now_us: the host's clock. inputs: takes the board's inputs."""

    def __init__(
        self,
        acts: Sequence[Act],
        *,
        ready: Callable[[Client, Plan], None],
        now_us: Callable[[], int],
        inputs: Callable[[int], None],
    ) -> None:
        self._acts, self._ready, self._now_us, self._inputs = acts, ready, now_us, inputs
        self._stand_us = self._ready_us = 0
        self._guard = -1  # as it was last heard of
        self._boot = -1
        self._unfit: tuple[tuple[int, str], ...] = ()
        self._why_ringing = ""

    def ask_anew(self) -> None:
        """Something may have changed: nothing that is known holds."""
        self._stand_us = self._ready_us = 0

    def met(self, welcome: m.Welcome) -> None:
        """A board has been found, perhaps another one."""
        if welcome.boot != self._boot:
            self._boot = welcome.boot
            self._ready_us = 0
        self._unfit = tuple(self._unfit_for(welcome))
        self._stand_us = 0

    def beat(self, guard: int) -> None:
        """Its beat tells how the guard stands (G_...)."""
        if guard != self._guard:
            self._guard = guard
            self.ask_anew()

    def is_due(self) -> bool:
        """Whether it is time to ask."""
        return self._now_us() >= self._stand_us

    def ask(self, client: Client) -> Standing:
        """Ask the board how it stands. Raises LinkError."""
        now_us = self._now_us()
        self._stand_us = now_us + STAND_US
        safety = client.safety()
        self._inputs(safety.inputs)
        why, tripped = "", safety.state == m.G_TRIPPED
        if tripped:
            trips = client.trips()
            why = of_tripped(safety, trips[0] if trips else None).what
        elif safety.obstacle != m.R_NONE:
            why = of_reason(safety.obstacle).what
        ringing = next((act.plan for act in self._acts if act.plan.ringing), None)
        if why or ringing is None:
            self._why_ringing = ""
            self._ready_us = 0
        elif now_us >= self._ready_us:
            self._ready_us = now_us + READY_US
            self._why_ringing = self.not_ready(client, ringing)
        return Standing(True, why, self._why_ringing, tripped, self._unfit)

    def not_ready(self, client: Client, plan: Plan) -> str:
        """Return why a plan may not ring now; empty: it may. Raises LinkError."""
        try:
            self._ready(client, plan)
        except LinkError:
            raise
        except DemoError as error:
            return error.what.removeprefix("this call rings, and ")
        return ""

    def _unfit_for(self, welcome: m.Welcome) -> Iterator[tuple[int, str]]:
        """Say which calls a board cannot perform: it was not known when they were planned."""
        for number, act in enumerate(self._acts):
            try:
                check_board(act.plan, welcome)
            except PlanError as error:
                yield number, error.what
