"""What an exhibit can do with real switches, made ready: the button's calls, and the telephone that visitors dial."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from demo_ctl.office.model import Line
from demo_ctl.plan.model import Plan
from demo_ctl.show.captions import Text
from demo_ctl.show.hub import What


@dataclass(frozen=True)
class Act:
    """A call that the button may place, ready made."""

    title: str
    plan: Plan
    what: What = "everything"
    captions: Mapping[str, Text] = field(default_factory=dict)


@dataclass(frozen=True)
class Watch:
    """The telephone that visitors dial with themselves. plan: of `visitor.watching_plan`; told_us: of their figures.

    ringing: of `visitor_ring.ringing_plan`, where the bell of one line (rung) may ring for them; None: none may.
    """

    plan: Plan
    told_us: int
    ringing: Plan | None = None
    rung: Line | None = None
