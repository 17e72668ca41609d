"""Discrete events on one clock of integer microseconds.

A heap of (time, order): events at equal times happen in the order in which they were scheduled. Nothing happens
between events, so time costs nothing while the unit is at rest.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush
from typing import Any


class Handle:
    """One scheduled event; give it to `Kernel.cancel` to call it off."""

    __slots__ = ("args", "at_us", "call", "order")

    def __init__(self, at_us: int, order: int, call: Callable[..., object], args: tuple[Any, ...]) -> None:
        self.at_us = at_us
        self.order = order
        self.call: Callable[..., object] | None = call
        self.args = args


class Kernel:
    """The clock `now_us` and what is due."""

    def __init__(self) -> None:
        self.now_us = 0
        self._order = 0
        self._heap: list[tuple[int, int, Handle]] = []

    def at(self, t_us: int, call: Callable[..., object], *args: Any) -> Handle:
        """Have `call(*args)` happen at `t_us`, which may be now but not before (ValueError)."""
        if t_us < self.now_us:
            raise ValueError(f"an event at {t_us} us lies before the present, {self.now_us} us")
        self._order += 1
        handle = Handle(t_us, self._order, call, args)
        heappush(self._heap, (t_us, self._order, handle))
        return handle

    def cancel(self, handle: Handle | None) -> None:
        """Call an event off; nothing happens if it is None, has happened, or was called off before."""
        if handle is not None:
            handle.call = None

    def next_us(self) -> int | None:
        """Return when the next event is due, or None: nothing will ever happen by itself."""
        heap = self._heap
        while heap and heap[0][2].call is None:
            heappop(heap)
        return heap[0][0] if heap else None

    def run_to(self, t_us: int) -> None:
        """Let everything due up to and including `t_us` happen, in order; then it is `t_us`."""
        heap = self._heap
        while heap and heap[0][0] <= t_us:
            at_us, _, handle = heappop(heap)
            call = handle.call
            if call is None:
                continue
            handle.call = None
            self.now_us = at_us
            call(*handle.args)
        if t_us > self.now_us:
            self.now_us = t_us
