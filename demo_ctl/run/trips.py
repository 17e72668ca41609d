"""The trips of a call: what the guard's events tell of them, and the board's own record, which is asked for."""

from __future__ import annotations

from contextlib import suppress

from demo_ctl.link.client import Client
from demo_ctl.run.keeping import Keeping
from demo_ctl.run.tripping import Tripping
from demo_ctl.terms.errors import DemoError
from demo_ctl.wire import messages as m


class Trips:
    """told: why the guard tripped in this call, if it did. kept: the board's own records, the newest first.

    since_us: trips from this instant of the board's clock on are this call's.
    """

    def __init__(self, client: Client, keeping: Keeping, since_us: int) -> None:
        self._client = client
        self._keeping = keeping
        self.since_us = since_us
        self.told = Tripping()
        self.kept: list[m.Trip] = []

    @property
    def tripped(self) -> bool:
        """Whether the guard tripped in this call, as far as is known."""
        return self.told.reason != m.R_NONE

    def ask(self) -> None:
        """Ask the board for its own account of this call's trips, and keep it with the call's record."""
        self.kept += kept_trips(self._client, self._keeping, self.since_us)
        if self.kept:
            self.told.record(self.kept[-1])  # the newest is first: this one ended the plan


def kept_trips(client: Client, keeping: Keeping, since_us: int = 0, most: int | None = None) -> list[m.Trip]:
    """Ask for trips since then, `most` of them at most, and keep them. Return as many as the board could be asked for.

    A trip is mostly known by its event, too: where nothing answers, only its snapshot is lost.
    """
    found: list[m.Trip] = []
    with suppress(DemoError, KeyboardInterrupt):
        for trip in client.trips()[:most]:
            if trip.at_us >= since_us:
                found.append(trip)
                keeping.trip(trip)
    return found
