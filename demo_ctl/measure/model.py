"""What was seen, and what was measured of it."""

from __future__ import annotations

from dataclasses import dataclass

from demo_ctl.terms.quantity import Quantity
from demo_ctl.wire.messages import Audio, Event, Welcome


@dataclass(frozen=True)
class Observation:
    """All that the board reported of one call: its hello, events in order, and audio blocks in order."""

    welcome: Welcome
    events: tuple[Event, ...]
    audio: tuple[Audio, ...]


@dataclass(frozen=True)
class Measurement:
    """One expectation's figure. quantity is None when it could not be measured (reason says why)
    or the call never got there (reached is False).

    evidence: numbers of the events it came from.
    """

    expectation: str
    quantity: Quantity | None
    reached: bool
    evidence: tuple[int, ...] = ()
    detail: str = ""
    reason: str = ""
