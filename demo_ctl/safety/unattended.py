"""Hold the unit's supply while nobody is there, and tell what happens meanwhile. For a command, and for a night's run.

One loop, the client's own: it polls, and the client renews the lease and sends heartbeats in there. What happens is
handed on as `Happened`; whoever gets it must come back at once (words are printed in a thread of their own). Only what
is handed on as "lost" may take its time: no lease is held any more, and the book of permits comes before the words.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from demo_ctl.link.advice import of_reason, of_trip
from demo_ctl.link.client import Client, Heard
from demo_ctl.link.lease import Lease
from demo_ctl.safety.standing import INPUTS, STATES
from demo_ctl.wire import messages as m

POLL_US = 100_000
#: What is told of while the supply is held: what the night hangs on.
_TOLD = m.IN_KEY | m.IN_NIGHT | m.IN_COVERS | m.IN_ALONE | m.IN_FUSE | m.IN_RELEASE | m.IN_SUPERVISORY | m.IN_SMOKE


@dataclass(frozen=True)
class Happened:
    """One thing that happened. kind: "input", "guard", "lost". say: in words; next_step: what a person does, or "".

    reason: the board's, R_..., of "lost" and of a guard that tripped. board_us: the board's clock.
    """

    kind: str
    say: str
    next_step: str = ""
    reason: int = m.R_NONE
    board_us: int = 0


def hold(
    client: Client,
    lease: Lease,
    *,
    for_us: int | None,
    tell: Callable[[Happened], None],
    asked_to_stop: Callable[[], bool],
) -> bool:
    """Wait until the lease is lost, the time is over, or somebody asks to stop. Return whether the time was over.

    The client holds `lease`. for_us: None is without end. Raises LinkError.
    """
    watch = Watch(client.safety().inputs)
    until_us = None if for_us is None else client.now_us() + for_us
    while not lease.lost and not asked_to_stop():
        left_us = POLL_US if until_us is None else min(POLL_US, until_us - client.now_us())
        if left_us <= 0:
            return True
        for each in watch.take(client.poll(left_us)):
            tell(each)
    if lease.lost:
        tell(lost(lease))
    return False


def lost(lease: Lease) -> Happened:
    """Say why a supply was taken."""
    known = of_reason(lease.reason)
    if lease.reason == m.R_KEY:
        return Happened("lost", "the key no longer stands at night", "By day the key itself holds the supply.", m.R_KEY)
    return Happened("lost", known.what, f"Look {known.look}. {known.next_step}", lease.reason, lease.lost_at_us)


class Watch:
    """Makes happenings of what the board reports."""

    def __init__(self, inputs: int) -> None:
        self._inputs = inputs
        self._guard = -1

    def take(self, heard: Sequence[Heard]) -> list[Happened]:
        """Return what has happened."""
        found: list[Happened] = []
        for item in heard:
            if not isinstance(item, m.Event):
                continue
            if item.kind == m.EV_INPUTS:
                found += self._changed(item)
            elif item.kind == m.EV_GUARD and item.value & 0xFF != self._guard:
                self._guard = item.value & 0xFF
                found.append(_guard(item))
        return found

    def _changed(self, event: m.Event) -> list[Happened]:
        changed, self._inputs = (self._inputs ^ event.value) & _TOLD, event.value
        return [
            Happened("input", f"{name}: {yes if event.value >> bit & 1 else no}", board_us=event.at_us)
            for bit, (name, yes, no) in enumerate(INPUTS)
            if changed >> bit & 1
        ]


def _guard(event: m.Event) -> Happened:
    state, reason = event.value & 0xFF, event.value >> 8
    say = STATES[state] if state < len(STATES) else f"The guard is in a state {state} unknown here."
    advice = of_trip(reason).advice if state == m.G_TRIPPED else ""
    return Happened("guard", say, advice, reason, event.at_us)
