"""Opening hours: the local time of day, by the time zone's own rules, summer time among them. Pure.

The clock on the wall decides: a time of day that comes twice when clocks go back is open both times, and one that is
left out when they go forward is not missed. Zones of today differ from UTC by whole minutes and change on whole
minutes, so looking once a minute of UTC sees every change; nothing here reckons with offsets.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo

from demo_ctl.script.exhibit import DAYS, OpeningHours

MINUTE = timedelta(minutes=1)
#: How far ahead a change is looked for.
AHEAD = timedelta(days=9)


@dataclass(frozen=True)
class Hours:
    """When calls may be placed. spans: weekday from 0 (Monday), first minute of the day, first minute after."""

    zone: tzinfo
    spans: frozenset[tuple[int, int, int]] | None  # None: always
    closed: frozenset[date] = frozenset()

    def local(self, at: datetime) -> datetime:
        """Return an instant as the clock on the wall shows it. at: with its time zone."""
        return at.astimezone(self.zone)

    def day(self, at: datetime) -> date:
        """Return the day that an instant falls on, here."""
        return self.local(at).date()

    def is_open(self, at: datetime) -> bool:
        """Whether it is open at an instant."""
        here = self.local(at)
        if here.date() in self.closed:
            return False
        if self.spans is None:
            return True
        minute, day = here.hour * 60 + here.minute, here.weekday()
        return any(each == day and begin <= minute < end for each, begin, end in self.spans)

    def open_for(self, at: datetime, length: timedelta) -> bool:
        """Whether it is open at an instant and stays so for so long."""
        if not self.is_open(at):
            return False
        if self.spans is None and not self.closed:
            return True
        over = at + length
        now = _whole(at) + MINUTE
        while now < over:
            if not self.is_open(now):
                return False
            now += MINUTE
        return True

    def change(self, at: datetime) -> datetime | None:
        """Return the first whole minute after `at` at which it opens or closes; None: none in the next nine days."""
        was, now = self.is_open(at), _whole(at)
        until = now + AHEAD
        while now < until:
            now += MINUTE
            if self.is_open(now) != was:
                return now
        return None


def _whole(at: datetime) -> datetime:
    return at.astimezone(UTC).replace(second=0, microsecond=0)


def hours_of(told: OpeningHours | None) -> Hours:
    """Return the hours of an exhibit's file; None: always open, days as UTC has them."""
    if told is None:
        return Hours(UTC, None)  # needs no list of time zones
    spans = frozenset((DAYS.index(day), span.begin, span.end) for span in told.open for day in span.days)
    return Hours(ZoneInfo(told.zone), spans, frozenset(told.closed))
