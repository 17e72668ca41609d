"""What a show is performed with and for: the house's port, clock and records, and the audience's screens. Types."""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.client import Client
from demo_ctl.plan.model import BusyTrunks, Plan
from demo_ctl.show.programme import Part
from demo_ctl.show.screens import Film
from demo_ctl.wire import messages as m


class Audience(Protocol):
    """Where pictures go (show/pictures.py makes them for screens). No method may wait."""

    def call(self, part: Part, plan: Plan) -> None:
        """A call begins: an empty stage."""
        ...

    def event(self, event: m.Event) -> None:
        """The board has told something."""
        ...

    def time(self, board_us: int) -> None:
        """So late is it on the board's clock, and nothing has been told since the last event."""
        ...

    def blank(self, dark: bool) -> None:
        """The screens go dark, or come back."""
        ...

    def tell(self, words: Mapping[str, str]) -> None:
        """Tell people something, by language."""
        ...

    def replay(self, film: Film, part: Part, leave: Callable[[], bool]) -> None:
        """Show a recorded call, marked as one, until it ends or `leave` says so. Waits."""
        ...

    def rest(self) -> None:
        """Nothing is on the line."""
        ...


@dataclass(frozen=True)
class House:
    """What the stagehand works with.

    open_client: opens a port anew. url_of: the port on which a plan is performed; a client of another one is closed.
    ready: as for `perform`: asks whether the guard may let a call ring. recorder: where a performance is kept, if
    anywhere. trunks_busied: as for `perform`. clock_us: the host's clock for everything a presenter is told. on_follow:
    told when a telephone begins to be followed (on the bench somebody has to play it).
    """

    open_client: Callable[[str], Client]
    url_of: Callable[[Plan], str]
    ready: Callable[[Client, Plan], None]
    recorder: Callable[[Part, int], RecordWriter | None] | None = None
    trunks_busied: Callable[[tuple[BusyTrunks, ...]], bool] | None = None
    clock_us: Callable[[], int] = lambda: time.monotonic_ns() // 1000
    on_follow: Callable[[Client, Plan], None] | None = None
