"""May this run at night, with nobody there? Asked before it begins; the answer is a lease of the supply, or why not.

The board has its own rules of the night and keeps to them whatever is decided here. This says early, and in words, what
it would refuse, or trip for in the middle: a trip at night ends the night, for only a person at the key resets it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path

from demo_ctl.link.advice import of_reason
from demo_ctl.link.client import Client
from demo_ctl.link.lease import ALARMS, Lease
from demo_ctl.link.limits import LimitsInForce
from demo_ctl.office.model import Unit
from demo_ctl.safety.allowance import Window, check_left
from demo_ctl.safety.permit_book import (
    CLEARED_BY,
    ENDED,
    GIVEN,
    LOST,
    NAME,
    REFUSED,
    Row,
    append_in_time,
    check_no_alarm,
    open_alarms,
    read_rows,
)
from demo_ctl.safety.proof_store import board_text
from demo_ctl.safety.readiness import NotReady, check_proving, proven_at_opening, wanted_of
from demo_ctl.terms.errors import DemoError, LinkError, TripError
from demo_ctl.wire import messages as m

AT_NIGHT = m.IN_KEY | m.IN_NIGHT
#: A turn of the client's loop while a disk is slow.
_TURN_US = 20_000
#: All of these closed: no alarm. The board lets a contact bounce for 50 ms; the rest is for the link.
_ALARMS_QUIET, _ALARM_US = m.IN_FUSE | m.IN_RELEASE | m.IN_SUPERVISORY | m.IN_SMOKE, 500_000


def at_night(safety: m.Safety) -> bool:
    """Whether the key stands at night."""
    return safety.inputs & AT_NIGHT == AT_NIGHT


def check_ringing(windows: Sequence[Window], limits: LimitsInForce, safety: m.Safety, unit: Unit) -> None:
    """NotReady when a plan rings as nothing may ring at night."""
    for window in windows:
        if not window.ours:
            raise NotReady(
                f"this call rings port {window.port}, where a telephone hangs: at night only ports are rung that the "
                "board answers by itself",
                next_step="Call another line, or run this by day.",
            )
    if not windows:
        return
    burst_ms = limits.value(m.L_NIGHT_BURST_MS)
    if unit.ringing.on_us > burst_ms * 1000:
        raise NotReady(
            f"{unit.name} rings for {_s(unit.ringing.on_us)} at a time, and by night {_s(burst_ms * 1000)} is the most",
            next_step="Run calls that ring by day. The board's limit cannot be loosened from here.",
        )
    check_left(windows, limits, safety, night=True)


def _s(us: float) -> str:
    return f"{us / 1e6:g} s"


class Supply:
    """The unit's supply, permitted by lease for as long as something runs at night: taken before, given back after.

    The client renews the lease by itself. Two rows go into the book: one before it is asked for, one of how it ended;
    none while it is held. folder: where provings are; the book of permits stands beside them. now: the
    time of day with its zone. age: a proving of the night is wanted that is no older; None: as the unit's file says.
    """

    def __init__(
        self,
        client: Client,
        safety: m.Safety,
        *,
        unit: Unit,
        folder: Path,
        now: Callable[[], datetime],
        age: timedelta | None = None,
    ) -> None:
        welcome = client.welcome
        assert welcome is not None
        self.lease = Lease()
        self._client, self._folder, self._unit, self._now = client, folder, unit.name, now
        self._inputs, self._open, self._trouble = safety.inputs, False, ""
        self._kept = False  # an alarm, in the book
        self.board, self._boot, self.simulated = board_text(safety.board), welcome.boot, bool(welcome.simulated)
        #: Of a bench that a simulated person has proven as it was opened no proving is asked; alarms it has like any.
        self.fresh = proven_at_opening(client, safety, night=True)
        self._wanted = wanted_of(client, safety, unit=unit, age=age, now=now(), night=True)

    def row(self, event: str, reason: int = m.R_NONE, say: str = "", who: str = "") -> Row:
        """Return a row for the book of permits."""
        return Row(
            at=self._now().isoformat(timespec="seconds"),
            unit=self._unit,
            board=self.board,
            simulated=self.simulated,
            event=event,
            reason=m.R_NAMES[reason],
            say=say,
            who=who,
            boot=self._boot,
            board_us=self.lease.lost_at_us,
        )

    def take(self) -> None:
        """Have it permitted, and kept so from now on.

        NotReady: nobody has proven the guard for the night, or it is day. TripError: an alarm, or one that nobody has
        acknowledged. InputError: it cannot be remembered.
        """
        check_no_alarm(read_rows(self._folder), self._unit, self.board, simulated=self.simulated)
        if not self.fresh:
            check_proving(self._client, self._wanted, self._folder, "running with nobody there wants a proven guard")
        if self._inputs & AT_NIGHT != AT_NIGHT:
            raise refused(m.R_KEY, self._inputs)
        self.keep(self.row(GIVEN, say=self._client.port.url))
        self._open = True
        self._client.hold_supply(self.lease)
        if self.lease.lost:
            trouble = self._close(REFUSED)
            error = refused(self.lease.reason, self._client.safety().inputs)
            what = f"{error.what}; {trouble}" if trouble else error.what
            raise type(error)(what, next_step=f"{error.next_step} {self.remembered()[1]}".rstrip())

    def remembered(self) -> tuple[str, str]:
        """Say where the alarm that took the supply is kept, and what has to be done; two empty texts when none did."""
        if not self._kept:
            return "", ""
        say = f"this alarm is remembered in {self._folder / NAME}"
        return say, f"No supply is asked for until a person says that it was seen to: {CLEARED_BY}."

    def keep(self, row: Row) -> None:
        """Write a row, and see it to the disk; the heartbeat goes on if that is slow. InputError, or the link's."""
        append_in_time(self._folder, row, lambda: self._client.poll(_TURN_US))

    def end(self, say: str = "") -> str:
        """Give it back, and keep how it ended. Return what went wrong with that, or "". Once: later it does nothing.

        An alarm is kept before anything else is done: giving back may have to wait for a link that is gone. One that
        has just come in, and that the board is about to take the supply for, is waited for.
        """
        with suppress(DemoError):
            self._let_alarm_come()
        alarm = self.lease.reason in ALARMS
        if alarm:
            self._close(LOST, say)
        with suppress(DemoError):  # a link that was lost: the lease runs out by itself
            self._client.give_supply_back()
        if not alarm:
            self._close(ENDED, say)
        return self._trouble

    def _let_alarm_come(self) -> None:
        until_us = self._client.now_us() + _ALARM_US
        while self.lease.held and self._client.safety().inputs & _ALARMS_QUIET != _ALARMS_QUIET:
            if self._client.now_us() >= until_us:
                return
            self._client.poll(_TURN_US)

    def _close(self, event: str, say: str = "") -> str:
        if self._open:
            self._open = False
            reason = self.lease.reason
            try:
                row = self.row(event if reason in ALARMS else ENDED, reason, say)
                append_in_time(self._folder, row, self._turn)
                self._kept = reason in ALARMS
            except DemoError as error:
                self._trouble = str(error)
        return self._trouble

    def _turn(self) -> None:
        with suppress(DemoError):  # the row is waited for, link or no link
            self._client.poll(_TURN_US)


def refused(reason: int, inputs: int) -> DemoError:
    """Return what to say when the board gave no supply, or has taken it. inputs: as they read now, IN_... bits."""
    known = of_reason(reason)
    if reason in ALARMS:
        what, still = f"the unit's supply is not permitted: {known.what}", open_alarms(inputs)
        if still:
            return TripError(f"{what}, and {' and '.join(still)} still reads ALARM", next_step=known.next_step)
        return TripError(
            f"{what}. No alarm contact reads so now, but the board keeps it until the key has been turned off",
            next_step=known.next_step,
        )
    if reason == m.R_KEY and inputs & m.IN_KEY:
        return NotReady(
            "no permit is needed now: the key stands at day, and by day the key itself holds the unit's supply",
            next_step="For a night with nobody there: turn the key off, then to night, and run this again.",
        )
    if reason == m.R_KEY:
        return NotReady(
            "the unit's supply is not permitted: the key is off",
            next_step="Turn the key to night, and run this again. At day the key itself holds the supply.",
        )
    return LinkError(f"the unit's supply is not permitted: {known.what}", next_step=known.next_step)
