"""The unit's supply while a call runs on it, where it is held by a lease: is it still there, is every line home?

Looked at between two turns of the loop. A line that did not come home in time is told to the board, which drops the
supply and latches; a supply that was dropped ends the call (top of `perform.py`).
"""

from __future__ import annotations

from demo_ctl.link.client import Client
from demo_ctl.link.lease import ALARMS
from demo_ctl.plan.model import Plan
from demo_ctl.run.home import LATE_US, HomeWatch
from demo_ctl.run.watcher import Watcher
from demo_ctl.run.words import word
from demo_ctl.wire import messages as m


class SupplyWatch:
    """reason: why the unit's supply was lost in this call (R_...), R_NONE as long as it was not.

    not_home: the port whose line did not come home, or 0. home_us: within so long of hanging up every train of this
    unit is home; 0: that is not watched.
    """

    def __init__(self, plan: Plan, client: Client, watcher: Watcher, home_us: int) -> None:
        self._client = client
        self._watcher = watcher
        self._home = HomeWatch(plan, home_us) if client.lease is not None and home_us else None
        self.reason = m.R_NONE
        self.not_home = 0
        #: How long after a plan's end its lines may still be waited for.
        self.home_most_us = home_us + 2 * LATE_US

    @property
    def lost(self) -> bool:
        """Whether the supply was lost in this call."""
        return self.reason != m.R_NONE

    @property
    def by_alarm(self) -> bool:
        """Whether it was an alarm that took it."""
        return self.reason in ALARMS

    @property
    def waiting(self) -> bool:
        """Whether a line is still to be seen coming home."""
        return self._home is not None and self._home.waiting

    def event(self, event: m.Event) -> None:
        """Take an event, in order."""
        if self._home is not None:
            self._home.take(event)

    def look(self, board_us: int) -> None:
        """See whether the supply is still there; tell the board when a line has not come home in time.

        board_us: the board's clock, as last heard.
        """
        lease = self._client.lease
        if lease is None or self.lost:
            return
        if self._home is not None:
            self.not_home = self._home.late(board_us)
        if self.not_home:
            self.reason = m.R_NOT_HOME
            self._home = None
            self._watcher.tell_now("supply", "not home", m.R_NAMES[m.R_NOT_HOME], port=self.not_home)
            lease.end()
            lease.reason = m.R_NOT_HOME
            self._client.permit(0, m.R_NOT_HOME)
        elif lease.lost:
            # At day the key itself holds the supply; but nobody here can tell a key that was turned there from a night
            # contact whose wire broke.
            self.reason = lease.reason
            self._home = None
            self._watcher.tell_now("supply", "lost", word(m.R_NAMES, lease.reason))
