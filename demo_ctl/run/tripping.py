"""Why the guard tripped in a call: what came first, and what was worse after it. Both are said, and which is which.

The guard's events tell of both as they come; the board's own record of the trip, which is asked for when the call is
over, knows what an event that was lost would have told. "No silence" after a trip is only called that where there was
ringing to take off: otherwise a relay, or the bus, stands wrong at rest (link/advice.py).
"""

from __future__ import annotations

from demo_ctl.link.advice import name_after, of_after, of_trip, what_of
from demo_ctl.terms.errors import TripError
from demo_ctl.wire import messages as m


class Tripping:
    """Give it what the board tells. reason: the first one; worse: what came after; R_NONE as long as there is none."""

    def __init__(self) -> None:
        self.reason = m.R_NONE
        self.worse = m.R_NONE
        self._what = ""  # in the board's own record of it
        self._state = m.G_LIVE  # the guard's before the trip; as long as nobody knows, it may have rung

    def event(self, state: int, reason: int) -> str:
        """Take a guard event. Return the name of what is worse than what was known, "" when nothing is."""
        if state != m.G_TRIPPED:
            if self.reason == m.R_NONE:
                self._state = state
        elif self.reason == m.R_NONE:
            self.reason = reason
        elif reason != self.reason:
            self.worse = reason
            return name_after(reason, self._state)
        return ""

    def record(self, trip: m.Trip) -> None:
        """Take the board's own record of the trip: it goes before what was heard."""
        self.reason, self._state, self._what = trip.reason, trip.state, what_of(trip)
        if trip.worse != trip.reason:
            self.worse = trip.worse
        elif self.worse == trip.reason:  # only the last is kept there; here, what differs from the first
            self.worse = m.R_NONE

    @property
    def say(self) -> str:
        """Why, in few words."""
        first = m.R_NAMES[self.reason] if self.reason < len(m.R_NAMES) else f"code {self.reason}"
        return f"{first}; and then: {name_after(self.worse, self._state)}" if self.worse else first

    def error(self) -> TripError:
        """Say what the board stopped the call for, and what to do."""
        first = of_trip(self.reason)
        what, next_step = self._what or first.what, first.advice
        if self.worse:
            worse = of_after(self.worse, self._state)
            what, next_step = f"{what}. Worse: {worse.what}", f"{worse.advice} For what came first, look {first.look}."
        return TripError(f"the board stopped the call to keep people safe ({self.say}): {what}", next_step=next_step)
