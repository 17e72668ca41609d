"""The safety laws of the interlock: named, each with a sentence, each a function of one pass.

A law knows nothing of the machine's own ages. What it needs to know of the past is kept by `Notes`, which notes down
only what an onlooker could: the facts of each pass, the time, the state that the machine shows, and whether the pump
moved. So a machine that counts wrong is found out.

A law answers None (it says nothing about this pass), True or False. `facts` may be a plain integer, or the explorer's
word that stands for many vectors at once; both know `&`, `==`, `!=` and whether they hold.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from demo_ctl.board import interlock
from demo_ctl.wire import messages as m

CHAIN, MIRRORS, KEY, READY, DOWN = (
    interlock.CHAIN,
    interlock.MIRRORS,
    interlock.KEY,
    interlock.READY,
    interlock.DOWN,
)
FIT, BEAT, RUN, WINDOW = interlock.FIT, interlock.BEAT, interlock.RUN, interlock.WINDOW
HELD = CHAIN | KEY | FIT | BEAT | RUN  # what must hold as long as ringing is let through
HOST = FIT | BEAT | RUN | WINDOW  # what a host, or the supply, has a part in

STANDING = (m.G_SAFE, m.G_PROVING, m.G_ARMED)
LOCKED_OUT = (m.G_LOCKED, m.G_KEY_OFF, m.G_TRIPPED)
EVERYWHERE = tuple(range(8))
WATCHED = tuple(state for state in EVERYWHERE if state != m.G_TRIPPED)

#: Which state may follow which, in one pass.
MAY_FOLLOW = {
    m.G_LOCKED: (m.G_LOCKED, m.G_KEY_OFF, m.G_TRIPPED),
    m.G_KEY_OFF: (m.G_KEY_OFF, m.G_SAFE, m.G_LOCKED, m.G_TRIPPED),
    m.G_SAFE: (m.G_SAFE, m.G_PROVING, m.G_KEY_OFF, m.G_TRIPPED),
    m.G_PROVING: (m.G_PROVING, m.G_ARMED, m.G_SAFE, m.G_KEY_OFF, m.G_TRIPPED),
    m.G_ARMED: (m.G_ARMED, m.G_LIVE, m.G_SAFE, m.G_KEY_OFF, m.G_TRIPPED),
    m.G_LIVE: (m.G_LIVE, m.G_FALLING, m.G_TRIPPED),
    m.G_FALLING: (m.G_FALLING, m.G_SAFE, m.G_TRIPPED),
    m.G_TRIPPED: (m.G_TRIPPED, m.G_KEY_OFF),
}


class Notes:
    """What an onlooker has noted up to and with the pass under judgement. Times in microseconds (or ticks), -1: not.

    was, state, old_reason, reason: what the machine showed before and after this pass; moves: it moved the pump.
    in_us: how long it has shown `was`; apart_us: the chain's channels disagree (or, in KEY_OFF, one of them with a key
    that reads off); odd_us: a mirror contact or the bus is
    wrong, pump standing; key, key_us: the key reads so, for so long (counted anew from a trip; off counts only with
    both relays seen down); opened: both channels were seen open while the key was off; was_on: the key was on when it
    tripped, or has been since; ready_us: everything has been ready, out of LIVE; moved_us: since the last move while
    live.
    """

    __slots__ = (
        "apart_us",
        "elapsed_us",
        "facts",
        "fault",
        "in_us",
        "key",
        "key_us",
        "moved_us",
        "moves",
        "odd_us",
        "old_reason",
        "opened",
        "ready_us",
        "reason",
        "state",
        "times",
        "was",
        "was_on",
    )

    #: What is noted before the first pass.
    BEGIN = (0, -1, -1, 0, 0, False, False, -1, -1)

    def __init__(self, times: interlock.Times) -> None:
        self.times = times
        self.facts: Any = 0
        self.was = self.state = m.G_LOCKED
        self.old_reason = self.reason = m.R_LOCKED
        self.elapsed_us = self.fault = 0
        self.moves = False

    def look(self, before: tuple[Any, ...]) -> None:
        """Count on from the notes before, by the facts of this pass."""
        times = self.times
        in_us, apart_us, odd_us, key, key_us, opened, was_on, ready_us, moved_us = before
        elapsed_us, facts, was, state = self.elapsed_us, self.facts, self.was, self.state
        self.in_us = _older(in_us, elapsed_us, times.age_us)
        self.moved_us = _older(moved_us, elapsed_us, times.pump_us) if moved_us >= 0 else -1
        if not facts & KEY and facts & MIRRORS != MIRRORS:
            self.key, self.key_us = key, -1  # inputs that read nothing at all say nothing of the key
        elif bool(facts & KEY) == key:
            self.key, self.key_us = key, _older(key_us, elapsed_us, times.key_us) if key_us >= 0 else 0
        else:
            self.key, self.key_us = not key, 0
        self.was_on, self.opened = was_on, opened
        self.apart_us = self.odd_us = self.ready_us = -1
        if was == m.G_TRIPPED:
            self.was_on = was_on or (self.key and self.key_us >= times.key_us)
        if was != m.G_TRIPPED or state != m.G_TRIPPED:
            chain = facts & CHAIN
            if chain and (chain != CHAIN or (was == m.G_KEY_OFF and not facts & KEY)):
                self.apart_us = _older(apart_us, elapsed_us, times.apart_us) if apart_us >= 0 else 0
            elif chain and state == m.G_KEY_OFF and was != m.G_KEY_OFF:
                self.apart_us = 0
            if was != m.G_LIVE and was != m.G_FALLING and facts & DOWN != DOWN:
                self.odd_us = _older(odd_us, elapsed_us, times.odd_us) if odd_us >= 0 else 0
        if m.G_KEY_OFF in (was, state) and facts & (CHAIN | KEY | MIRRORS) == MIRRORS:
            self.opened = True
        if was in STANDING and facts & READY == READY:
            self.ready_us = _older(ready_us, elapsed_us, times.prove_us) if ready_us >= 0 else 0

    def keep(self) -> tuple[Any, ...]:
        """Return what the next pass needs to know."""
        was, state = self.was, self.state
        in_us = self.in_us if state == was else 0
        opened = self.opened if state == m.G_KEY_OFF else False
        ready_us = self.ready_us if state in STANDING else -1
        moved_us = (0 if self.moves else self.moved_us) if state == m.G_LIVE else -1
        if state != m.G_TRIPPED:
            return in_us, self.apart_us, self.odd_us, self.key, self.key_us, opened, False, ready_us, moved_us
        key_us, was_on = self.key_us, self.was_on
        if was != m.G_TRIPPED:
            key_us, was_on = min(key_us, 0), was != m.G_LOCKED and was != m.G_KEY_OFF
        return in_us, -1, -1, self.key, key_us, opened, was_on, ready_us, moved_us


def _older(age_us: int, elapsed_us: int, most_us: int) -> int:
    age_us += elapsed_us
    return age_us if age_us <= most_us else most_us + 1


Check = Callable[[Notes], "bool | None"]


@dataclass(frozen=True)
class Law:
    """name: one or a few words; says: the law; states: in which states (before the pass) it may say anything."""

    name: str
    says: str
    states: tuple[int, ...]
    check: Check


LAWS: list[Law] = []


def _law(name: str, says: str, *states: int) -> Callable[[Check], Check]:
    def enter(check: Check) -> Check:
        LAWS.append(Law(name, says, states or EVERYWHERE, check))
        return check

    return enter


def _quiet(n: Notes) -> bool:
    """Nothing of what trips in any state is so."""
    return n.fault == m.R_NONE and n.apart_us < n.times.apart_us and n.odd_us < n.times.odd_us


# The pump.


@_law("pump only live", "The pump moves only if the state after the pass is LIVE.")
def _(n: Notes) -> bool | None:
    return n.state == m.G_LIVE if n.moves else None


@_law(
    "pump needs all",
    "The pump moves only in a pass in which chain, key, supply, heartbeat, plan and window all hold and nothing is at "
    "fault: what is lost stops it in that very pass.",
)
def _(n: Notes) -> bool | None:
    if not n.moves:
        return None
    return n.fault == m.R_NONE and n.facts & (HELD | WINDOW) == HELD | WINDOW


@_law("pump's pace", "The pump moves as soon as its time has come, and never sooner.", m.G_LIVE)
def _(n: Notes) -> bool | None:
    return n.moves == (n.moved_us >= n.times.pump_us) if n.state == m.G_LIVE else None


@_law("pump's first move", "The pass that goes LIVE moves the pump.", m.G_ARMED)
def _(n: Notes) -> bool | None:
    return n.moves if n.state == m.G_LIVE else None


@_law("relays pulled", "Once the relays have had their time to pull, LIVE means both mirror contacts are open.")
def _(n: Notes) -> bool | None:
    if n.state != m.G_LIVE or n.was != m.G_LIVE or n.in_us < n.times.pull_us:
        return None
    return not n.facts & MIRRORS


@_law("nothing at fault", "In no state but TRIPPED is anything at fault that trips everywhere.", *WATCHED)
def _(n: Notes) -> bool | None:
    return n.state == m.G_TRIPPED or _quiet(n)


# The way to LIVE.


@_law("only these ways", "No state is followed by one that the table of ways (MAY_FOLLOW) does not have.")
def _(n: Notes) -> bool | None:
    return n.state in MAY_FOLLOW[n.was]


@_law(
    "proven before live",
    "LIVE is entered only with everything ready now (relays seen down, bus quiet), and having been ready in every pass "
    "for at least the proving time; loss of any of it begins the proving anew.",
    m.G_ARMED,
)
def _(n: Notes) -> bool | None:
    if n.state != m.G_LIVE:
        return None
    return n.ready_us >= n.times.prove_us and n.facts & READY == READY and bool(n.facts & WINDOW)


@_law("proven before armed", "ARMED is entered only after the proving time, everything ready all the while.", 4)
def _(n: Notes) -> bool | None:
    return n.ready_us >= n.times.prove_us if n.state == m.G_ARMED else None


@_law("unready withdraws", "PROVING and ARMED are left in the pass in which anything is not ready.", 4, 5)
def _(n: Notes) -> bool | None:
    if n.facts & READY == READY:
        return None
    return n.state in (m.G_SAFE, m.G_KEY_OFF, m.G_TRIPPED)


@_law(
    "onward", "With everything ready and the key on, SAFE proves, PROVING arms in its time, ARMED goes LIVE.", 0, 4, 5
)
def _(n: Notes) -> bool | None:
    if not _quiet(n) or n.facts & READY != READY:
        return None
    if n.was == m.G_SAFE:
        return n.state == m.G_PROVING
    if n.was == m.G_PROVING:
        return n.state == (m.G_ARMED if n.in_us >= n.times.prove_us else m.G_PROVING)
    return n.state == (m.G_LIVE if n.facts & WINDOW else m.G_ARMED)


@_law(
    "safe rests",
    "With anything not ready and the key not yet turned off, SAFE stays and PROVING, ARMED fall to it.",
    0,
    4,
    5,
)
def _(n: Notes) -> bool | None:
    if not _quiet(n) or n.facts & READY == READY or (not n.key and n.key_us >= n.times.key_us):
        return None
    return n.state == m.G_SAFE


# The way out of LIVE.


@_law("loss trips", "While LIVE, loss of chain, key, supply, heartbeat or plan trips in that pass.", m.G_LIVE)
def _(n: Notes) -> bool | None:
    return None if n.facts & HELD == HELD else n.state == m.G_TRIPPED


@_law("late pass trips", "While LIVE, a pass that comes later than the loop's limit trips.", m.G_LIVE)
def _(n: Notes) -> bool | None:
    return n.state == m.G_TRIPPED if n.elapsed_us > n.times.loop_us else None


@_law("relay not pulled trips", "While LIVE, a mirror contact still closed after the pull time trips.", m.G_LIVE)
def _(n: Notes) -> bool | None:
    return n.state == m.G_TRIPPED if n.in_us >= n.times.pull_us and n.facts & MIRRORS else None


@_law(
    "window closes",
    "While LIVE with nothing wrong, a closed window takes ringing off (FALLING), an open one leaves it.",
    m.G_LIVE,
)
def _(n: Notes) -> bool | None:
    if not _quiet(n) or n.facts & HELD != HELD or n.elapsed_us > n.times.loop_us:
        return None
    if n.in_us >= n.times.pull_us and n.facts & MIRRORS:
        return None
    return n.state == (m.G_LIVE if n.facts & WINDOW else m.G_FALLING)


@_law(
    "no silence trips", "Ringing taken off, and relays or bus not at rest within the drop time: tripped.", m.G_FALLING
)
def _(n: Notes) -> bool | None:
    return n.state == m.G_TRIPPED if n.in_us >= n.times.drop_us and n.facts & DOWN != DOWN else None


@_law(
    "rest after ringing",
    "Ringing taken off, SAFE follows when the hold time is over and relays and bus are seen at rest, and not before.",
    m.G_FALLING,
)
def _(n: Notes) -> bool | None:
    if not _quiet(n) or (n.in_us >= n.times.drop_us and n.facts & DOWN != DOWN):
        return None
    rest = n.in_us >= n.times.hold_us and n.facts & DOWN == DOWN
    return n.state == (m.G_SAFE if rest else m.G_FALLING)


# Trips.


@_law("fault trips", "A watch's fault trips in every state, in that pass, and is the reason.", *WATCHED)
def _(n: Notes) -> bool | None:
    return n.state == m.G_TRIPPED and n.reason == n.fault if n.fault else None


@_law(
    "discrepancy trips",
    "Channels of the chain that disagree for their limit trip, in every state; in KEY_OFF, so does one that is "
    "complete with a key that reads off: no key did that.",
    *WATCHED,
)
def _(n: Notes) -> bool | None:
    return n.state == m.G_TRIPPED if n.apart_us >= n.times.apart_us else None


@_law(
    "odd at rest trips",
    "With the pump at rest, a mirror contact or the bus that is wrong for its limit trips.",
    *(state for state in WATCHED if state not in (m.G_LIVE, m.G_FALLING)),
)
def _(n: Notes) -> bool | None:
    return n.state == m.G_TRIPPED if n.odd_us >= n.times.odd_us else None


#: When a reason is a true one, in the pass that trips.
TRUE_REASON: dict[int, Check] = {
    m.R_DISCREPANCY: lambda n: n.apart_us >= n.times.apart_us and n.facts & CHAIN != CHAIN,
    m.R_CHAIN: lambda n: n.was == m.G_LIVE and n.facts & CHAIN != CHAIN,
    m.R_KEY: lambda n: n.was == m.G_LIVE and not n.facts & KEY,
    m.R_SILENCE: lambda n: n.was == m.G_LIVE and not n.facts & BEAT,
    m.R_ENDED: lambda n: n.was == m.G_LIVE and not n.facts & RUN,
    m.R_SUPPLY: lambda n: n.was == m.G_LIVE and not n.facts & FIT,
    m.R_LOOP: lambda n: n.was == m.G_LIVE and n.elapsed_us > n.times.loop_us,
    m.R_MIRROR: lambda n: (
        bool(n.facts & MIRRORS) and n.in_us >= n.times.pull_us
        if n.was == m.G_LIVE
        else n.odd_us >= n.times.odd_us and n.facts & MIRRORS != MIRRORS
    ),
    m.R_BUS: lambda n: n.odd_us >= n.times.odd_us and not n.facts & interlock.QUIET,
    m.R_NO_SILENCE: lambda n: n.was == m.G_FALLING and n.in_us >= n.times.drop_us and n.facts & DOWN != DOWN,
    m.R_STUCK_CHAIN: lambda n: (
        n.was == m.G_KEY_OFF
        and (
            (n.apart_us >= n.times.apart_us and n.facts & CHAIN == CHAIN)
            or (n.key and n.key_us >= n.times.key_us and not n.opened)
        )
    ),
}


@_law("trip has a true reason", "Every trip has a reason, and the reason is so in that pass.", *WATCHED)
def _(n: Notes) -> bool | None:
    if n.state != m.G_TRIPPED:
        return None
    if n.fault:
        return n.reason == n.fault
    true = TRUE_REASON.get(n.reason)
    return true is not None and bool(true(n))


@_law(
    "trip's reason stays",
    "The reason of a trip stays, except that a watch's later fault replaces it, and no silence after the drop time any "
    "other.",
    m.G_TRIPPED,
)
def _(n: Notes) -> bool | None:
    if n.state != m.G_TRIPPED:
        return None
    if n.in_us >= n.times.drop_us and n.facts & DOWN != DOWN:
        return n.reason == m.R_NO_SILENCE
    return n.reason == (n.fault if n.fault and n.old_reason != m.R_NO_SILENCE else n.old_reason)


@_law(
    "reason of the state",
    "LOCKED says since when (boot, or a key turned on with the chain open), KEY_OFF says so, TRIPPED says something, "
    "the other states have no reason.",
)
def _(n: Notes) -> bool | None:
    if n.state == m.G_TRIPPED:
        return n.reason != m.R_NONE
    if n.state == m.G_LOCKED:
        return n.reason == (n.old_reason if n.was == m.G_LOCKED else m.R_CHAIN)
    return n.reason == (m.R_KEY if n.state == m.G_KEY_OFF else m.R_NONE)


# The key.


@_law(
    "tripped until the key",
    "TRIPPED is left only to KEY_OFF, by a key that reads off for its whole time after the trip, and that was on when "
    "it tripped or has been on since.",
    m.G_TRIPPED,
)
def _(n: Notes) -> bool | None:
    if n.state == m.G_TRIPPED:
        return None
    return n.state == m.G_KEY_OFF and not n.key and n.key_us >= n.times.key_us and n.was_on


@_law("the key frees", "TRIPPED is left as soon as the key has been turned off for its time.", m.G_TRIPPED)
def _(n: Notes) -> bool | None:
    if n.key or n.key_us < n.times.key_us or not n.was_on:
        return None
    return n.state == m.G_KEY_OFF


@_law(
    "locked until the key", "LOCKED is left, other than by a trip, when the key has read off for its time.", m.G_LOCKED
)
def _(n: Notes) -> bool | None:
    if not _quiet(n):
        return None
    return n.state == (m.G_KEY_OFF if not n.key and n.key_us >= n.times.key_us else m.G_LOCKED)


@_law(
    "key on",
    "KEY_OFF is left, other than by a trip, when the key has read on for its time: to SAFE if both channels were seen "
    "open while it was off and are complete now, to LOCKED if they are not complete, to TRIPPED if they were not seen "
    "open.",
    m.G_KEY_OFF,
)
def _(n: Notes) -> bool | None:
    if not _quiet(n):
        return None
    if not n.key or n.key_us < n.times.key_us:
        return n.state == m.G_KEY_OFF
    if not n.opened:
        return n.state == m.G_TRIPPED
    return n.state == (m.G_SAFE if n.facts & CHAIN == CHAIN else m.G_LOCKED)


@_law("dead inputs are no key", "KEY_OFF is entered only in a pass in which both relays are seen down.")
def _(n: Notes) -> bool | None:
    if n.state != m.G_KEY_OFF or n.was == m.G_KEY_OFF:
        return None
    return bool(n.facts & MIRRORS == MIRRORS)


@_law("key off", "SAFE, PROVING and ARMED are left for KEY_OFF when the key has read off for its time.", *STANDING)
def _(n: Notes) -> bool | None:
    if n.key or n.key_us < n.times.key_us or not _quiet(n):
        return None
    return n.state == m.G_KEY_OFF


#: Laws that are not about one pass. The explorer checks them over all passes; the names and sentences are here.
WHOLE = {
    "boot": "Boot begins LOCKED, says so, and asks for a first pass at once.",
    "ages stop": "Every age stays between -1 and one past its longest limit: the states are finitely many.",
    "wait is told": "wait_us is 0 to the longest limit, or FAR_US (2**29: only when a fact changes).",
    "nothing before wait": "As long as facts stay, nothing that shows changes before wait_us is over.",
    "woken for a cause": "When wait_us is over, facts unchanged, something shows, or a debounce or silence is decided.",
    "extra calls": "A pass more, facts unchanged and before wait_us is over, changes nothing of what comes after.",
    "host is not heard": "In LOCKED, KEY_OFF and TRIPPED no fact of host or supply has a part; in TRIPPED a fault only "
    "says why.",
    "no dead end": "From every state a person with the key, hardware healthy, gets to SAFE, and a plan then to LIVE.",
}

BY_STATE = {state: [(i, law) for i, law in enumerate(LAWS) if state in law.states] for state in EVERYWHERE}
