"""Counting rings ahead of time: how many there will have been, and how many of them are surely seen whole.

The connector may come in while the interrupter's cam is half way through a burst, so the first ring may be short
(facts T15). Cadences may be 10 % off (facts N15). A count is therefore kept as fewest and most.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from demo_ctl.office.model import Ringing

#: A cadence may be so much faster or slower than its nominal times (facts N15, from memory: LSSGR).
FAST, SLOW = 0.9, 1.1

#: In a ring (perhaps near its end), at the beginning of a silence, or nobody knows where.
Phase = Literal["ring", "silence", "anywhere"]


@dataclass(frozen=True)
class RingCount:
    """Rings begun by timeline step `mark`, where the ringing then is, and whole bursts and pauses seen (at least)."""

    mark: int
    phase: Phase
    fewest: int
    most: int
    whole_on: int = 0
    whole_off: int = 0


def _times(us: float, lead_us: float, period_us: float) -> int:
    """How often something comes in `us` that first comes at `lead_us` and then every `period_us`."""
    return 0 if us < lead_us else 1 + int((us - lead_us) // period_us)


def first_ring(mark: int, ringing: Ringing, waited_us: int) -> RingCount:
    """A ring sounds, the first that was awaited; waited_us: longest time in which others may have gone by."""
    period = ringing.on_us + ringing.off_us
    return RingCount(mark, "ring", 1, 1 + (_times(waited_us, 0, period * FAST) if waited_us else 0))


def passed(count: RingCount, ringing: Ringing, least_us: int, most_us: int, mark: int) -> RingCount:
    """Let a time between least_us and most_us pass; the count is then one of step `mark`."""
    if not most_us:
        return replace(count, mark=mark)
    on, off = ringing.on_us, ringing.off_us
    period = on + off
    # The latest and the earliest next ring: after a whole ring and pause, or at once.
    late = {"ring": period, "silence": off, "anywhere": period}[count.phase]
    early = {"ring": off, "silence": off, "anywhere": 0}[count.phase]
    return RingCount(
        mark,
        "anywhere",
        count.fewest + _times(least_us, late * SLOW, period * SLOW),
        count.most + _times(most_us, early * FAST, period * FAST),
        count.whole_on + _times(least_us, (late + on) * SLOW, period * SLOW),
        count.whole_off + _times(least_us, late * SLOW, period * SLOW),
    )


def counted(count: RingCount, rings: int, to_silence: bool, mark: int) -> RingCount:
    """Let the board count `rings` (one that sounds already is the first), and go into the silence after if asked."""
    known = count.phase != "anywhere"
    # A ring that sounds already is counted once more.
    fewest = count.fewest + rings - (0 if count.phase == "silence" else 1)
    most = count.most + rings - (1 if count.phase == "ring" else 0)
    pauses = rings if count.phase == "silence" else rings - 1
    last = 1 if to_silence and (rings > 1 or count.phase == "silence") else 0
    whole_on = max(0, rings - 2 + (1 if count.phase == "silence" else 0)) + last
    return RingCount(
        mark,
        "silence" if to_silence else "anywhere",
        fewest,
        most,
        count.whole_on + (whole_on if known else max(0, rings - 2)),
        count.whole_off + (pauses if known else rings - 1),
    )
