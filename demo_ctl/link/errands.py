"""What the loop asks of the board by itself, between two commands of its caller: the lease's renewals, the lamps.

Pure: the loop (`loop.Loop`) asks what is due, sends it, and brings the answer back. One is on its way at a time, since
the session has one command at a time.
"""

from __future__ import annotations

from demo_ctl.link.lamps import LampWishes
from demo_ctl.link.lease import Lease
from demo_ctl.wire import messages as m


class Errands:
    """lease: of the unit's supply, while it is asked for again and again. lamps: what the board's lamps shall show."""

    def __init__(self) -> None:
        self.lease: Lease | None = None
        self.lamps = LampWishes()
        self._out: m.Permit | m.Lamps | None = None

    @property
    def out(self) -> bool:
        """Whether the command that is outstanding is one of these."""
        return self._out is not None

    def renewal(self, now_us: int) -> m.Permit | None:
        """Return the lease's renewal when it is due: it goes out now."""
        wanted = self.lease.request(now_us) if self.lease is not None else None
        if wanted is not None:
            self._out = wanted
        return wanted

    def lighting(self, now_us: int) -> m.Lamps | None:
        """Return the lamps' newest wish when it is due: it goes out now."""
        wanted = self.lamps.request(now_us)
        if wanted is not None:
            self._out = wanted
        return wanted

    def answered(self, reply: object, now_us: int) -> None:
        """Take what answered the one that was out."""
        out, self._out = self._out, None
        if not isinstance(reply, m.Answer):
            return
        if isinstance(out, m.Lamps):
            self.lamps.answered(reply)
        elif self.lease is not None:  # it may have been given back meanwhile
            self.lease.answered(reply, now_us)

    def hear(self, event: m.Event) -> None:
        """Take an event of the board's."""
        self.lamps.hear(event)
        if self.lease is not None:
            self.lease.hear(event)

    def forget(self) -> None:
        """Another session begins: nothing of this is out, and the board's lamps are dark."""
        self._out = None
        self.lamps.forget()
