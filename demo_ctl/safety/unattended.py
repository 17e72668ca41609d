"""Hold the unit's supply while nobody is there, and tell what happens meanwhile. For a command, and for a night's run.

One loop, the client's own: it polls, and the client renews the lease and sends heartbeats in there. What happens is
handed on as `Happened`; whoever gets it must come back at once (words are printed in a thread of their own). Only what
is handed on as "lost" may take its time: no lease is held any more, and the book of permits comes before the words.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from demo_ctl.link.advice import of_reason, of_trip
from demo_ctl.link.client import Client
from demo_ctl.link.lease import Lease
from demo_ctl.link.loop import Heard
from demo_ctl.safety.standing import INPUTS, STATES
from demo_ctl.wire import messages as m

POLL_US = 100_000
#: What is told of while the supply is held: what the night hangs on. The chain's two channels are told as one.
_TOLD = m.IN_KEY | m.IN_NIGHT | m.IN_COVERS | m.IN_ALONE | m.IN_FUSE | m.IN_RELEASE | m.IN_SUPERVISORY | m.IN_SMOKE
_CHAIN = m.IN_CHAIN_A | m.IN_CHAIN_B
#: After something was moved its contacts have come to rest, and the board has read them.
_SETTLED_US = 200_000
#: What the chain takes and what it leaves (wiring/README.md).
STOP_TAKES = (
    "Covers, stop and key take ringing by wire, not the switches' battery: at night that stays on while the permit is "
    "held."
)
#: What keeps everything from ringing at night, while it reads 0.
_QUIET_FOR = {
    m.IN_COVERS: "Nothing may ring until every cover is proven closed.",
    m.IN_ALONE: "Nothing may ring until nobody is there.",
}


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
        inputs = 0
        if lease.reason == m.R_KEY:
            for each in watch.take(settled(client)):
                tell(each)
            inputs = client.safety().inputs
        tell(lost(lease, inputs))
    return False


def settled(client: Client) -> list[Heard]:
    """Wait until what has just been moved reads as it stands; return what the board said meanwhile."""
    found: list[Heard] = []
    until_us = client.now_us() + _SETTLED_US
    while (left_us := until_us - client.now_us()) > 0:
        found += client.poll(left_us)
    return found


def lost(lease: Lease, inputs: int) -> Happened:
    """Say why a supply was taken. inputs: IN_... bits, as they read since the key was turned."""
    known = of_reason(lease.reason)
    if lease.reason == m.R_KEY and inputs & m.IN_KEY:
        say = "the key no longer stands at night; at day it holds the unit's supply itself"
        return Happened("lost", say, "Before anything rings by day: turn the key off, then to day.", m.R_KEY)
    if lease.reason == m.R_KEY:
        return Happened("lost", "the key is off, and no longer stands at night: the unit has no supply", "", m.R_KEY)
    say = f"the unit's supply was taken off: {known.what}"
    return Happened("lost", say, f"Look {known.look}. {known.next_step}", lease.reason, lease.lost_at_us)


def silenced(inputs: int) -> list[str]:
    """Say what keeps everything at night from ringing now, besides alarms, which take the supply as well."""
    found = [] if inputs & _CHAIN == _CHAIN else ["the safety chain is open (a cover, the stop or the key)"]
    found += [] if inputs & m.IN_COVERS else ["the covers are not proven closed"]
    return found + ([] if inputs & m.IN_ALONE else ["somebody is there"])


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
        before, self._inputs = self._inputs, event.value
        whole = event.value & _CHAIN == _CHAIN
        found = []
        if whole is not (before & _CHAIN == _CHAIN):
            say = "safety chain: complete" if whole else "safety chain: open (a cover, the stop or the key)"
            found.append(Happened("input", say, "" if whole else f"Nothing may ring now. {STOP_TAKES}", 0, event.at_us))
        for bit, (name, yes, no) in enumerate(INPUTS):
            if (before ^ event.value) & _TOLD & 1 << bit:
                quiet = event.value >> bit & 1
                next_step = "" if quiet else _QUIET_FOR.get(1 << bit, "")
                found.append(Happened("input", f"{name}: {yes if quiet else no}", next_step, 0, event.at_us))
        return found


def _guard(event: m.Event) -> Happened:
    state, reason = event.value & 0xFF, event.value >> 8
    say = STATES[state] if state < len(STATES) else f"The guard is in a state {state} unknown here."
    advice = of_trip(reason).advice if state == m.G_TRIPPED else ""
    return Happened("guard", say, advice, reason, event.at_us)
