"""What really happened inside the simulated unit. Checks never read it: they see what a board senses.

`what` is a part's name, a slash, and the thing that changed. Parts are named so:

| part | named |
|---|---|
| line | `line NAME` |
| line finder | `line finder 1`... |
| first switch | its stage's name and the finder's number: `first selector 2` |
| later switch | its stage's name, the digits that lead to it, a dash, its trunk: `third selector 55-4` |
| lamp of the board | `lamp 1`... |

and `THINGS` lists what can change and how far. Everything stands at 0 until a row says otherwise. The page that tells
others, for the rows of a truth file (`truth_file.py`), is `RECORD.md` in the room of records; a test compares the two.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

#: Thing -> the highest value it can have; the least is 0. 1: a relay or magnet is operated, a sleeve grounded.
THINGS = {
    "line relay": 1,
    "cut-off relay": 1,
    "A": 1,
    "B": 1,
    "C": 1,
    "D": 1,
    "F": 1,
    "cut-through": 1,
    "vertical magnet": 1,
    "rotary magnet": 1,
    "release magnet": 1,
    "off-normal": 1,
    "vertical": 10,
    "rotary": 11,
    "sleeve": 1,
    "ringing": 1,
    "lit": 1,
}

#: Rows kept in memory, for tests: a busy hour's. A bench that is served for days must not grow.
MOST_KEPT = 100_000


class Truth(NamedTuple):
    """At `at_us` (the kernel's clock), `what` became `value`."""

    at_us: int
    what: str
    value: int


_add = list.append  # quicker than by super()


class TruthLog(list[Truth]):
    """The latest rows, at least `MOST_KEPT // 2` and at most `MOST_KEPT`; `tell` hears each as it happens."""

    __slots__ = ("tell",)

    def __init__(self) -> None:
        super().__init__()
        self.tell: Callable[[Truth], None] | None = None

    def append(self, row: Truth, /) -> None:
        """Add one row."""
        _add(self, row)
        if len(self) > MOST_KEPT:
            del self[: MOST_KEPT // 2]
        if self.tell is not None:
            self.tell(row)
