"""The lease of the unit's supply permit, as the host holds it. Pure: it is told the time, what was answered, what came.

At night the board holds the contactor in the unit's battery feed only while a host asks again and again. A `Lease` says
when to ask; the client (`Client.hold_supply`) asks from the very loop that sends its heartbeats, between two commands
of its own, and never waits for anything else: no file, no screen. So the permit vouches for the program that runs the
unit, as the heartbeat does, and runs out by itself when that program is killed or hangs.

A lease that was lost stays lost: nobody takes the unit's supply back without having looked. `reason` says why, R_...
"""

from __future__ import annotations

from demo_ctl.wire import messages as m

#: Asked for so long at a time: a magnet that hangs overheats in minutes, and a busy computer misses a second now and
#: then (our own choice, no source; the board gives 10 s at most, whatever is asked).
LEASE_MS = 4_000
#: And asked again so often.
RENEW_US = 1_000_000
#: What drops a permit and latches it at the board until the key was turned off. The host remembers these, too.
ALARMS = (m.R_SMOKE, m.R_FUSE, m.R_RELEASE, m.R_SUPERVISORY, m.R_NOT_HOME)
#: For what a board refuses it; other details of a refusal are states of its plan.
REFUSED = (m.R_KEY, *ALARMS)


class Lease:
    """held: the board holds the unit's supply, as far as it has said. reason: why it does not any more; R_NONE: it may.

    given_us: the port's clock when it was first given, or -1; renewed: how often that was answered. lost_at_us: the
    board's clock, of the event that told it (0: no event did).
    """

    def __init__(self, lease_ms: int = LEASE_MS, renew_us: int = RENEW_US) -> None:
        self.lease_ms, self.renew_us = lease_ms, renew_us
        self.held = False
        self.reason = m.R_NONE
        self.given_us = -1
        self.renewed = 0
        self.lost_at_us = 0
        self._told = False  # the board has said, by an event, that it was given
        self._due_us: int | None = 0

    @property
    def lost(self) -> bool:
        """Whether it was refused, or dropped: nothing asks for it any more."""
        return self.reason != m.R_NONE

    def request(self, now_us: int) -> m.Permit | None:
        """Return what to send now, if anything is due."""
        if self._due_us is None or now_us < self._due_us:
            return None
        self._due_us = now_us + self.renew_us
        return m.Permit(self.lease_ms, m.R_LEASE)

    def answered(self, answer: m.Answer, now_us: int) -> None:
        """Take what the board answered to that."""
        if answer.code == m.OK:
            self.renewed += 1
            if not self.lost:
                if self.given_us < 0:
                    self.given_us = now_us
                self.held = True
        elif answer.code == m.E_STATE and answer.detail in REFUSED:
            self._lose(answer.detail)
        else:
            # The board has closed this session (this computer was silent for too long), or does not know the message.
            self._lose(m.R_SILENCE)

    def hear(self, event: m.Event) -> None:
        """Take an event of the board's."""
        if event.kind != m.EV_PERMIT:
            return
        if event.value & 0xFF:
            self._told = True
        elif self._told or self.renewed > 1:  # else it may be of a lease before this one
            self.lost_at_us = event.at_us
            self._lose(event.value >> 8)

    def end(self) -> None:
        """Ask no more: it is given back."""
        self._due_us = None
        self.held = False

    def _lose(self, reason: int) -> None:
        if self._due_us is None and not self.held:
            return  # given back, or lost before: the first reason is the one that counts
        self.end()
        self.reason = reason
