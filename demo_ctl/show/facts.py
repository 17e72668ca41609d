"""What happenings are made from: facts without number and cause, and a clock that runs things when they are due."""

from __future__ import annotations

import heapq
from collections.abc import Callable
from typing import NamedTuple

from demo_ctl.show.model import Known

#: The two ends of a call, as parts are named, and their places in `serves`.
CALLER, CALLED = "caller", "called"
WHOM = {CALLER: 1, CALLED: 2}
ENDS = {1: CALLER, 2: CALLED}


class Fact(NamedTuple):
    """A happening that has no number yet. trigger: the number of the happening it surely comes of; 0: to be found."""

    at_us: int
    part: str
    thing: str
    value: int
    known: Known
    event: int = -1
    trigger: int = 0


class Timer:
    """Something that is due; `off()` takes it away."""

    __slots__ = ("act",)

    def __init__(self, act: Callable[[int], None]) -> None:
        self.act: Callable[[int], None] | None = act

    def off(self) -> None:
        """It will not happen."""
        self.act = None


class Clock:
    """Runs things in the order of time, and those of one instant in the order in which they were asked for."""

    def __init__(self) -> None:
        self.now_us = 0
        self._due: list[tuple[int, int, Timer]] = []
        self._count = 0

    def at(self, at_us: int, act: Callable[[int], None]) -> Timer:
        """Have `act(at_us)` called when that instant comes."""
        timer = Timer(act)
        self._count += 1
        heapq.heappush(self._due, (max(at_us, self.now_us), self._count, timer))
        return timer

    def run(self, until_us: int) -> None:
        """Run everything that is due up to an instant, that instant included. Time never goes back."""
        while self._due and self._due[0][0] <= until_us:
            at_us, _, timer = heapq.heappop(self._due)
            if timer.act is not None:
                self.now_us = at_us
                act, timer.act = timer.act, None
                act(at_us)
        self.now_us = max(self.now_us, until_us)
