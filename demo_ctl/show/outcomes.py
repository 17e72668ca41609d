"""What came of the calls of a show: kept for its end, for what is shown again, and no more than that.

A show may run a whole day. A call's events are kept only while they may be shown again: of the newest try of each call,
and of the newest that went well. Its audio is in its record, and nowhere else.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

from demo_ctl.run.result import CallResult, Status

#: So many results, and so many refusals, are listed at the end; how many there were besides is counted.
MOST = 500


@dataclass(frozen=True)
class Refusal:
    """A call that was not begun. part: of the sheet, from 0; exit_code: what `demo_ctl call` would have ended with."""

    part: int
    exit_code: int
    why: str


class Outcomes:
    """Results and refusals, in order, the newest `MOST` of each. codes: the exit codes of all there ever were."""

    def __init__(self) -> None:
        self.results: deque[tuple[int, CallResult]] = deque()
        self.refusals: deque[Refusal] = deque(maxlen=MOST)
        self.codes: set[int] = set()
        self.tries = 0
        self.not_listed = 0
        self._shown: dict[int, dict[bool, CallResult]] = {}  # by call: the newest (False), the newest good one (True)

    def next_try(self) -> int:
        """Return a number for the next try of a call, from 1; no two have the same, however they end."""
        self.tries += 1
        return self.tries

    def took(self, part: int, call: int, result: CallResult) -> None:
        """Keep what came of a call. call: which of the sheet's it is."""
        self.codes.add(result.exit_code)
        result = replace(result, observation=replace(result.observation, audio=()))
        kept = self._shown.setdefault(call, {})
        before = list(kept.values())
        kept[False] = result
        if result.status is Status.FINISHED:
            kept[True] = result
        for old in before:
            if not any(old is each for each in kept.values()):
                self._forget(old)
        self.results.append((part, result))
        if len(self.results) > MOST:
            self.results.popleft()
            self.not_listed += 1

    def refused(self, part: int, exit_code: int, why: str) -> None:
        """Keep why a call was not begun."""
        self.codes.add(exit_code)
        if len(self.refusals) == MOST:
            self.not_listed += 1
        self.refusals.append(Refusal(part, exit_code, why))

    def seen(self, call: int, *, well: bool) -> CallResult | None:
        """Return the newest result of a call, with its events; well: the newest that ran to its end."""
        return self._shown.get(call, {}).get(well)

    def _forget(self, old: CallResult) -> None:
        """Leave nothing of a result but how it ended."""
        bare = replace(old, observation=replace(old.observation, events=()), measurements=())
        for index, (part, result) in enumerate(self.results):
            if result is old:
                self.results[index] = (part, bare)
