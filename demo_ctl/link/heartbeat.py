"""When this computer's next heartbeat is due, and how late it ever was with one. Pure: it is told the time."""

from __future__ import annotations

HEARTBEAT_US = 200_000


class Heartbeats:
    """due_us: when the next one is due; None: no session has begun, and nothing is sent by itself.

    longest_silence_us: the longest time between two heartbeats in this session. Longer than the board allows, and it
    may have let go and closed the session.
    """

    def __init__(self) -> None:
        self.due_us: int | None = None
        self.longest_silence_us = 0
        self._spoke_us: int | None = None

    def rest(self) -> None:
        """A session is being asked for: nothing is due until it has begun."""
        self.due_us = self._spoke_us = None
        self.longest_silence_us = 0

    def begin(self, now_us: int) -> None:
        """The session has begun: the first one is due at once."""
        self.due_us = now_us

    def take(self, now_us: int) -> bool:
        """Return whether one is due; whoever asks sends it now."""
        if self.due_us is None or now_us < self.due_us:
            return False
        # Counted from now, not from the deadline: after a pause one heartbeat is enough.
        self.due_us = now_us + HEARTBEAT_US
        if self._spoke_us is not None:
            self.longest_silence_us = max(self.longest_silence_us, now_us - self._spoke_us)
        self._spoke_us = now_us
        return True
