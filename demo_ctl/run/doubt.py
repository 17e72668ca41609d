"""May the board's account of the call still be believed? Looked at in each turn of the loop that follows it."""

from __future__ import annotations

from demo_ctl.link.client import Client
from demo_ctl.plan.model import Plan
from demo_ctl.run.hearing import Hearing
from demo_ctl.run.trips import Trips
from demo_ctl.run.words import word
from demo_ctl.terms.errors import LinkError
from demo_ctl.wire import messages as m

#: A board whose beats say that the plan is over, but whose events do not, is given so long.
_DISAGREE_US = 2_000_000
#: The board's own limits end every plan by then; if they do not, something is wrong with it.
_OVERTIME_US = 10_000_000


class Doubt:
    """Made when the plan has been started; the plan's longest time counts from then."""

    def __init__(self, plan: Plan, client: Client, hearing: Hearing, trips: Trips) -> None:
        self._client = client
        self._hearing = hearing
        self._trips = trips
        self._give_up_us = client.now_us() + plan.most_us + _OVERTIME_US if plan.most_us else None

    def look(self) -> None:
        """LinkError when the plan's end was not heard, or does not come.

        An end that was not heard, and for which the board remembers a trip, is told as that.
        """
        hearing, now_us = self._hearing, self._client.now_us()
        if hearing.disagree_us is not None and now_us - hearing.disagree_us > _DISAGREE_US and hearing.over is None:
            ended = self._client.status()
            why = word(m.R_NAMES, ended.reason)
            # This computer was held up for so long that the board gave up its session, and its account.
            self._trips.ask()
            if self._trips.kept:
                hearing.ended_unheard(ended.reason)
                return
            raise LinkError(
                f"the board ended the plan ({why or 'no reason given'}), and its account of it is lost",
                next_step="The line is released. Check the cable, and whether this computer was asleep.",
            )
        if self._give_up_us is not None and now_us > self._give_up_us:
            raise LinkError(
                "the call takes longer than its plan can take: the board does not keep to its limits",
                next_step="Reset the board. If it happens again, its firmware is not this program's.",
            )
