"""What the board's lamps shall show, as the host holds it. Pure: it is told the time, what was answered, what came.

Whoever shows something says `show`, as often as they like, and waits for nothing. The client sends the newest wish from
the loop that sends its heartbeats, between two commands of its own, at most each `SEND_US`: lamps never delay a call.
The board makes them dark at each hello and when its guard trips; this remembers, and lights them again.
"""

from __future__ import annotations

from collections.abc import Sequence

from demo_ctl.wire import messages as m

#: Between two messages. The board itself changes its lamps at most each 40 ms.
SEND_US = 50_000
#: A board has no more, whatever it says.
MOST = 16


class LampWishes:
    """One client's wishes. count: how many lamps the board has, as it said; -1: it has not said yet."""

    def __init__(self) -> None:
        self.count = -1
        self._wanted: tuple[int, int] | None = None  # nobody has wished anything
        self._told: tuple[int, int] | None = None  # what the board has been told; none: not known
        self._asking = (0, 0)
        self._free_us = 0

    def show(self, lit: int, blink: int = 0) -> None:
        """Have these lamps lit, and no others: bit 0 is lamp 1. blink: those of them that blink."""
        self._wanted = (lit, blink & lit)

    @property
    def shown(self) -> bool:
        """Whether the board shows what is wished, as far as it has such lamps."""
        return self._wanted is None or self._there(self._wanted) == self._told

    def lacking(self) -> tuple[int, ...]:
        """Return the numbers of lamps that are wished and that the board does not have."""
        if self.count < 0 or self._wanted is None:
            return ()
        return tuple(lamp for lamp in range(self.count + 1, MOST + 1) if self._wanted[0] >> lamp - 1 & 1)

    def request(self, now_us: int) -> m.Lamps | None:
        """Return what to send now, if anything is due."""
        due_us = self.due_us()
        if due_us is None or now_us < due_us or self._wanted is None:
            return None
        self._free_us = now_us + SEND_US
        self._asking, self._told = self._there(self._wanted), None  # until it is answered nobody knows
        return m.Lamps(*self._asking)

    def due_us(self) -> int | None:
        """Return when there is something to send, or None."""
        return None if self.shown else self._free_us

    def answered(self, answer: m.Answer) -> None:
        """Take what the board answered to that."""
        if answer.code in (m.OK, m.E_RANGE):
            self.count = min(answer.detail, MOST)
        # Whatever the refusal: the same again would be refused again, until the next hello.
        refused_more = answer.code == m.E_RANGE and self._there(self._asking) != self._asking
        self._told = None if refused_more else self._asking

    def hear(self, event: m.Event) -> None:
        """Take an event of the board's: a trip makes its lamps dark."""
        if event.kind == m.EV_GUARD and event.value & 0xFF == m.G_TRIPPED:
            self.forget()

    def forget(self) -> None:
        """Forget what the board has been told: it was another session, or it made them dark by itself."""
        self._told = None

    def _there(self, lamps: tuple[int, int]) -> tuple[int, int]:
        mask = (1 << (self.count if self.count >= 0 else MOST)) - 1
        return lamps[0] & mask, lamps[1] & mask


def lacking_words(url: str, count: int, lamps: Sequence[int]) -> str:
    """Say that a board lacks lamps that are to be lit, without a full stop."""
    if not count:
        return f"the board on {url} has no lamps"
    numbers = ", ".join(str(lamp) for lamp in lamps)
    return f"the board on {url} has lamps 1 to {count}, and no lamp {numbers}"
