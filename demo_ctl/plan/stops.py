"""Where a plan has gates for a presenter: at which stable points of a call, and what the board allows of ringing."""

from __future__ import annotations

from dataclasses import dataclass

from demo_ctl.office.check import LONGEST_WINDOW_US

DIAL_TONE, DIGITS, RINGING, TONE, TALKING = STOPS = ("dial tone", "digits", "ringing", "tone", "talking")

#: Whatever was held, ringing is over so long before the board would end it.
BEFORE_LIMIT_US = 2_000_000

#: A gate shorter than this is none: nobody can use it.
LEAST_HOLD_US = 2_000_000

#: Of a gate whose room is not known yet.
NO_TIME_US = 1


@dataclass(frozen=True)
class Stops:
    """Where a plan has presenter gates, and what this board allows of ringing.

    at: of STOPS. ring_window_us: the board's longest ringing window; ring_call_us: of all windows of one plan together.
    ring_hold_us: how long a gate while a bell rings may hold; None: `build` finds out.
    """

    at: frozenset[str] = frozenset(STOPS)
    ring_window_us: int = LONGEST_WINDOW_US
    ring_call_us: int = LONGEST_WINDOW_US
    ring_hold_us: int | None = None
