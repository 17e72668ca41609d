"""What really happened inside the simulated unit. Checks never read it: they see what a board senses.

`what` is a part's name, a slash, and the thing that changed:

| part | named | things (value) |
|---|---|---|
| line | `line NAME` | `line relay`, `cut-off relay` (1 operated, 0 released) |
| line finder | `line finder 1`... | `vertical` (level 0..10), `rotary` (terminal 0..11), `release magnet` (1, 0) |
| first switch | its stage's name and the finder's number: `first selector 2` | see below |
| later switch | stage's name, the digits that lead to it, trunk: `third selector 55-4` | see below |

A switch has `A`, `B`, `C`, `cut-through` (relays), `vertical magnet`, `rotary magnet`, `release magnet`
(1 operated, 0 released), `vertical` (level 0..10), `rotary` (terminal 0..11), `sleeve` (1 grounded: busy).
A connector also has `F` (ring trip), `D` (called-side supervision) and `ringing` (1 while its line is being rung).
"""

from __future__ import annotations

from typing import NamedTuple


class Truth(NamedTuple):
    """At `at_us`, `what` became `value`."""

    at_us: int
    what: str
    value: int
