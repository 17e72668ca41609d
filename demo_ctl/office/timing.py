"""Times that follow from a unit's adjustment. Pure; the unit's own check and the planner read the same ones."""

from __future__ import annotations

import math

from demo_ctl.office.model import Unit
from demo_ctl.terms.quantity import exact

SECOND_US = 1_000_000

#: Positions of a level plus the overflow step: the longest hunt (facts T09, T11).
LONGEST_HUNT_STEPS = 11


def hunting_need_us(unit: Unit) -> int:
    """Return the shortest pause between digits in which a selector surely reaches the next switch (facts T42).

    C's longest hold, eleven rotary steps, the cut-through, and the next switch's A and B relays, microseconds.
    """
    times = unit.adjustment
    steps_us = math.ceil(LONGEST_HUNT_STEPS * SECOND_US / exact(times.hunting_sps))
    return times.c_hold.most_us + steps_us + times.transfer.most_us + times.a_operate.most_us + times.b_operate.most_us
