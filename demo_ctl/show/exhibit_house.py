"""What an exhibit is kept with: the port, the clock, the disk. Types."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.client import Client
from demo_ctl.plan.model import Plan
from demo_ctl.show.acts import Act
from demo_ctl.show.counting import Counting
from demo_ctl.show.exhibit_model import Now


@dataclass(frozen=True)
class House:
    """What a keeper works with.

    open_client: opens the port anew (LinkError). now: the time. wait: lets microseconds pass without a board. ready: as
    for `perform`. recorder: where a call is kept, if anywhere; gets its number from 1. disk_wait_s: as for
    `Bookkeeper`.
    """

    open_client: Callable[[], Client]
    now: Callable[[], Now]
    wait: Callable[[int], None]
    ready: Callable[[Client, Plan], None]
    store: Counting
    recorder: Callable[[Act, int], RecordWriter | None] | None = None
    disk_wait_s: float = 0.0
