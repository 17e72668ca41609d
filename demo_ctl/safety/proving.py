"""The guided proving of the guard: its steps as data, and whether what was seen is what a step must show. Pure.

Theory of operation. A step asks a person for one thing ("press the emergency stop") and has *marks*: what must be seen
of the board, each at once or within a stated time after another mark. What is seen is a list of `Seen`, stamped by the
board's own clock: from its events, so that no time of the host's or of the cable's is in any figure, and from its
answers about itself. `look` says from such a list whether the step is done, has failed, or what it still waits for.

Nothing here knows a port, a person or the time of day: `safety.prove` brings them together, tests bring their own.

For the limits: two channels that disagree, `apart us` of the board's own limits (facts H45, H46); relays that fall,
15 ms after their supply is gone, which is one pass of the board's loop (`loop us`) and the pump's own hold (`hold us`)
at the latest (H47); ringing gone from the bus, `drop us`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import ceil

from demo_ctl.board.bus import LEAST_BATTERY_MV, LEAST_SUPPLY_MV, MOST_BATTERY_MV, QUIET_MV
from demo_ctl.link.client import LimitsInForce
from demo_ctl.wire import messages as m

CHAIN = m.IN_CHAIN_A | m.IN_CHAIN_B
MIRRORS = m.IN_MIRROR_A | m.IN_MIRROR_B
#: Steps that may be left out, for a time (proof_store.WHOLE). They want a test plug, or somebody at the relays.
OPTIONAL = ("channel A alone", "channel B alone", "guard relay A alone", "guard relay B alone")
#: What must have been seen in both positions for a guard to be proven.
EXERCISED = CHAIN | MIRRORS | m.IN_KEY

#: A relay of the guard falls in 5 to 15 ms once its coil has no supply (common practice, no source).
RELAY_DROP_US = 15_000
#: Inputs are read in passes of the board's loop, at most so far apart: each stamp may be so late.
PASS_US = 10_000
#: The isolating contactor falls within 70 ms (`isolator opens` of the budget); then two readings of the generator,
#: whole ones, and two looks.
ISOLATED_US = 300_000
#: How often the board is asked for its own account while a step runs: the bus is known no finer.
LOOK_US = 50_000
#: An event may be so late at the host before it counts as not having come.
LATE_US = 1_000_000
#: How long a person is given for one step, when that is said again, and how soon what looks wrong is; and how long
#: ringing voltage stays on the bus.
PATIENCE_US = 300_000_000
REMIND_US = 30_000_000
HINT_US = 3_000_000
LIVE_US = 20_000_000
#: The guard proves itself, arms, and a window opens: within so long of the plan's start.
LEAD_US = 500_000
#: How long a supply may take until it is measured.
MEASURED_US = 2_000_000


@dataclass(frozen=True)
class Seen:
    """Something that the board said, true from `at_us` (its clock) on. None: not said this time.

    bus: (ringing bus, generator, battery), mV. permit: of the unit's supply; why: it is not given (R_...).
    """

    at_us: int
    inputs: int | None = None
    state: int | None = None
    reason: int = m.R_NONE
    bus: tuple[int, int, int] | None = None
    permit: bool | None = None
    why: int = m.R_NONE


@dataclass(frozen=True)
class Mark:
    """Something that must be seen. All that is given must hold at the same time.

    on, off: inputs that must all read 1, or 0; any_off: one of these at least reads 0; any_on: 1. states: one of these
    guard states; reason: and for this reason (R_NONE: for any). bus: "quiet" or "live"; fit: generator and battery are
    right; isolated: no generator's voltage behind the isolating contactor. permit: the unit's supply is permitted, or
    not (why: for this reason). after: the mark that it is timed from ("": the step's beginning); limit_us: longest time
    from there.
    """

    name: str
    on: int = 0
    off: int = 0
    any_on: int = 0
    any_off: int = 0
    states: tuple[int, ...] = ()
    reason: int = m.R_NONE
    bus: str = ""
    fit: bool = False
    isolated: bool = False
    permit: bool | None = None
    why: int = m.R_NONE
    after: str = ""
    limit_us: int | None = None


@dataclass(frozen=True)
class Step:
    """One step of the proving.

    ask: what the person is to do, "" when nothing; name: for the record. live: ringing voltage is let onto the bus
    first, with no line rung. host: what this computer does, "stop" the plan or fall "silent". trip: the reason for
    which the board must trip in this step, R_NONE when it must not. held: a relay is held up, so silence need not
    follow the trip. optional: may be skipped; why: what for. belongs: the optional step that it belongs to. covers: the
    covers' second contacts must open with what is done here (True), or stay closed (False); None: not wired, or they
    say nothing. slip: a hand may have been too slow, or at the wrong thing: one more try. before: what must be done
    anew before that. night: the key stands at night; alarm: the alarm contact that is to open, with the unit's supply
    permitted.
    """

    name: str
    ask: str
    marks: tuple[Mark, ...]
    live: bool = False
    host: str = ""
    trip: int = m.R_NONE
    held: bool = False
    optional: bool = False
    why: str = ""
    belongs: str = ""
    covers: bool | None = None
    slip: bool = False
    before: Step | None = None
    night: bool = False
    alarm: int = 0

    @property
    def title(self) -> str:
        """Its name for people who stand before the unit; `name` is what records and the failure table say."""
        return _TITLES.get(self.name) or self.name.replace("while live", "while ringing voltage is on")


_TITLES = {
    "live, and off again": "ringing voltage on, and off again",
    "no heartbeat while live": "this computer silent while ringing voltage is on",
    "key off": "turn the key off",
    "key on": "turn the key on",
}


@dataclass(frozen=True)
class Figure:
    """A measured reaction."""

    name: str
    took_us: int
    limit_us: int


@dataclass(frozen=True)
class Look:
    """How a step stands. waits: the mark that it waits for; failed: why it has failed, "" while it has not.

    slip: it may have failed by a slip of the hand.
    """

    done: bool
    waits: str = ""
    failed: str = ""
    figures: tuple[Figure, ...] = ()
    slip: bool = False


# -- the procedure ------------------------------------------------------------------------------------------


def procedure(covers: Sequence[str], limits: LimitsInForce, *, covers_contact: bool = False) -> tuple[Step, ...]:
    """Return all steps of the day, in order. covers: their names; covers_contact: their second contacts are wired.

    `proving_night.whole` adds the night's.
    """
    apart_us = limits.value(m.L_APART_US)
    key_off, key_on = key_steps(limits)
    first = covers[0] if covers else ""
    steps = [key_off, key_on]
    for cover in covers:
        steps.append(_open(f"open {cover}", f"Open the cover '{cover}'.", apart_us, covers_contact or None))
        close = _close(f"close {cover}", f"Close the cover '{cover}' again.", apart_us, covers_contact)
        steps.append(replace(close, before=steps[-1]))
    stays = False if covers_contact else None
    steps.append(_open("press the stop", "Press the emergency stop.", apart_us, stays))
    release = _close("release the stop", "Release the emergency stop.", apart_us, covers=False)
    steps.append(replace(release, before=steps[-1]))
    for channel, mask in (("A", m.IN_CHAIN_A), ("B", m.IN_CHAIN_B)):
        alone = _one_channel(channel, mask, apart_us)
        back = _close_for_reset(f"channel {channel} back", "Put the test plug back.")
        steps += [alone, *(replace(each, belongs=alone.name) for each in (back, key_off, key_on))]
    for channel, mask in (("A", m.IN_MIRROR_A), ("B", m.IN_MIRROR_B)):
        lifted = _one_relay(channel, mask, limits)
        steps += [lifted, *(replace(each, belongs=lifted.name) for each in (key_off, key_on))]
    steps.append(_live_and_off(limits))
    if first:
        ask = f"Open the cover '{first}' NOW."
        steps.append(_live(f"open {first} while live", ask, limits, covers_contact or None))
        steps += [_close_for_reset(f"close {first} after the trip", f"Close the cover '{first}'."), key_off, key_on]
    steps.append(_live("press the stop while live", "Press the emergency stop NOW.", limits, stays))
    steps += [_close_for_reset("release the stop after the trip", "Release the emergency stop."), key_off, key_on]
    steps.append(_silent(limits))
    steps += [key_off, key_on]
    return tuple(steps)


def key_steps(limits: LimitsInForce) -> tuple[Step, Step]:
    """Return how the key is turned off, and on to day."""
    settle_us = limits.value(m.L_KEY_US) + 4 * PASS_US
    apart_us = limits.value(m.L_APART_US)
    return _key_off(apart_us, settle_us), _key_on(apart_us, settle_us)


def recovery(limits: LimitsInForce, *, covers_contact: bool) -> tuple[Step, ...]:
    """Return what is done after a slip, before the step is tried again."""
    back = Step(
        "put everything back",
        "Put everything back: covers closed, stop released, test plug in, test buttons let go.",
        (
            Mark("both channels close", on=CHAIN | m.IN_KEY | (m.IN_COVERS if covers_contact else 0)),
            Mark("both guard relays are down", on=MIRRORS),
        ),
    )
    return back, *key_steps(limits)


#: Asked for first where the key is off already.
KEY_FIRST = Step("key on first", "The key is off already: turn it on first.", (Mark("the key reads on", on=m.IN_KEY),))


def _key_off(apart_us: int, settle_us: int) -> Step:
    return Step(
        "key off",
        "Turn the key off.",
        (
            Mark("the key's first contact opens", any_off=CHAIN | m.IN_KEY),
            Mark("both channels open", off=CHAIN, after="the key's first contact opens", limit_us=apart_us),
            Mark("the key reads off", off=m.IN_KEY, after="the key's first contact opens", limit_us=apart_us),
            Mark("the board has seen it", states=(m.G_KEY_OFF,), after="the key reads off", limit_us=settle_us),
            _isolated("both channels open"),
        ),
    )


def _key_on(apart_us: int, settle_us: int) -> Step:
    return Step(
        "key on",
        "Turn the key on (to day, where it has a position for the night).",
        (
            Mark("the key's first contact closes", any_on=CHAIN | m.IN_KEY),
            Mark("the chain closes", on=CHAIN | m.IN_KEY, after="the key's first contact closes", limit_us=apart_us),
            Mark("the key does not stand at night", off=m.IN_NIGHT, after="the chain closes"),
            Mark("the board has seen it", states=(m.G_SAFE,), after="the chain closes", limit_us=settle_us),
            Mark("both guard relays are down", on=MIRRORS, after="the board has seen it", limit_us=settle_us),
            Mark("no voltage on the ringing bus", bus="quiet", after="the board has seen it", limit_us=MEASURED_US),
            Mark("generator and battery are right", fit=True, after="the board has seen it", limit_us=MEASURED_US),
        ),
    )


def _open(name: str, ask: str, apart_us: int, covers: bool | None) -> Step:
    marks = [
        Mark("the first channel opens", on=m.IN_KEY, any_off=CHAIN),
        Mark("both channels open", on=m.IN_KEY, off=CHAIN, after="the first channel opens", limit_us=apart_us),
        _isolated("both channels open"),
    ]
    if covers:
        contact = "the covers' second contacts open"
        marks.append(Mark(contact, off=m.IN_COVERS, after="the first channel opens", limit_us=apart_us))
    return Step(name, ask, tuple(marks), covers=covers, slip=True)


def _close(name: str, ask: str, apart_us: int, covers: bool) -> Step:
    marks = [
        Mark("the first channel closes", any_on=CHAIN),
        Mark("both channels close", on=CHAIN | m.IN_KEY, after="the first channel closes", limit_us=apart_us),
        Mark("the board goes on", states=(m.G_SAFE,), after="both channels close", limit_us=4 * PASS_US),
        Mark("generator and battery are right", fit=True, after="both channels close", limit_us=MEASURED_US),
    ]
    if covers:
        contact = "the covers' second contacts close"
        marks.append(Mark(contact, on=m.IN_COVERS, after="the first channel closes", limit_us=apart_us))
    return Step(name, ask, tuple(marks), slip=True)


def _close_for_reset(name: str, ask: str) -> Step:
    return Step(name, ask, (Mark("both channels close", on=CHAIN | m.IN_KEY),))


def _one_channel(channel: str, mask: int, apart_us: int) -> Step:
    return Step(
        f"channel {channel} alone",
        f"Open channel {channel} alone, with the test plug.",
        (
            Mark("the channel opens alone", on=CHAIN & ~mask | m.IN_KEY, off=mask),
            Mark(
                "the board trips",
                states=(m.G_TRIPPED,),
                reason=m.R_DISCREPANCY,
                after="the channel opens alone",
                limit_us=apart_us + 2 * PASS_US,
            ),
            _isolated("the channel opens alone"),
        ),
        trip=m.R_DISCREPANCY,
        optional=True,
        slip=True,
        why="a fault that only one of the two channels shows",
    )


def _isolated(after: str) -> Mark:
    return Mark("the isolating contactor takes the generator off", isolated=True, after=after, limit_us=ISOLATED_US)


def _one_relay(channel: str, mask: int, limits: LimitsInForce) -> Step:
    """One relay up and the other down: voltage on the bus then has come past the other one's contact."""
    up = "the relay pulls up alone"
    trips = "the board trips"
    return Step(
        f"guard relay {channel} alone",
        f"Press the test button of guard relay {channel} and keep it pressed for three seconds.",
        (
            Mark(up, on=CHAIN | m.IN_KEY | MIRRORS & ~mask, off=mask),
            Mark(
                trips,
                states=(m.G_TRIPPED,),
                reason=m.R_MIRROR,
                after=up,
                limit_us=limits.value(m.L_ODD_US) + 2 * PASS_US,
            ),
            Mark("no voltage on the ringing bus", bus="quiet", after=trips, limit_us=3 * LOOK_US),
            Mark("both guard relays are down", on=MIRRORS, after=trips),
        ),
        trip=m.R_MIRROR,
        held=True,
        optional=True,
        slip=True,
        why="a bridge across the other relay's contact",
    )


def live_marks(limits: LimitsInForce) -> tuple[Mark, ...]:
    """What must be seen before a step that wants ringing voltage on the bus can begin."""
    pull_us = limits.value(m.L_PULL_US) + PASS_US
    return (
        Mark("the guard lets ringing through", states=(m.G_LIVE,), limit_us=LEAD_US + LATE_US),
        Mark("both guard relays pull up", off=MIRRORS, after="the guard lets ringing through", limit_us=pull_us),
        Mark("ringing voltage is on the bus", bus="live", after="both guard relays pull up", limit_us=MEASURED_US),
    )


def gone(after: str, limits: LimitsInForce) -> tuple[Mark, ...]:
    """What must be seen after ringing was taken off."""
    relays_us = limits.value(m.L_HOLD_US) + limits.value(m.L_LOOP_US) + RELAY_DROP_US
    bus_us = limits.value(m.L_DROP_US) + LOOK_US
    return (
        Mark("both guard relays are down", on=MIRRORS, after=after, limit_us=relays_us),
        Mark("no voltage on the ringing bus", bus="quiet", after=after, limit_us=bus_us),
    )


def _live_and_off(limits: LimitsInForce) -> Step:
    ending = "the guard takes ringing off"
    drop_us = limits.value(m.L_DROP_US)
    marks = (
        Mark(ending, states=(m.G_FALLING, m.G_SAFE)),
        *gone(ending, limits),
        Mark("the guard is safe again", states=(m.G_SAFE,), after=ending, limit_us=drop_us),
    )
    return Step("live, and off again", "", marks, live=True, host="stop")


def _live(name: str, ask: str, limits: LimitsInForce, covers: bool | None) -> Step:
    opens = "the first channel opens"
    marks = (
        Mark(opens, on=m.IN_KEY, any_off=CHAIN),
        Mark("both channels open", on=m.IN_KEY, off=CHAIN, after=opens, limit_us=limits.value(m.L_APART_US)),
        Mark(
            "the board trips",
            states=(m.G_TRIPPED,),
            reason=m.R_CHAIN,
            after=opens,
            limit_us=limits.value(m.L_LOOP_US),
        ),
        *gone(opens, limits),
        _isolated("both channels open"),
    )
    if covers:
        contact = "the covers' second contacts open"
        marks = (*marks, Mark(contact, off=m.IN_COVERS, after=opens, limit_us=limits.value(m.L_APART_US)))
    return Step(name, ask, marks, live=True, trip=m.R_CHAIN, covers=covers, slip=True)


def _silent(limits: LimitsInForce) -> Step:
    trips = "the board trips"
    heard_us = limits.value(m.L_HEARTBEAT_MS) * 1000 + limits.value(m.L_LOOP_US)
    marks = (
        Mark(trips, states=(m.G_TRIPPED,), reason=m.R_SILENCE, limit_us=heard_us),
        # What follows is seen when the computer speaks again, so only its being so counts.
        Mark("both guard relays are down", on=MIRRORS, after=trips),
        Mark("no voltage on the ringing bus", bus="quiet", after=trips),
    )
    return Step("no heartbeat while live", "", marks, live=True, host="silent", trip=m.R_SILENCE)


# -- what was seen ------------------------------------------------------------------------------------------


@dataclass
class _Now:
    """What holds at an instant."""

    inputs: int | None = None
    state: int | None = None
    reason: int = m.R_NONE
    bus: tuple[int, int, int] | None = None
    bus_us: int = -1
    permit: bool | None = None
    why: int = m.R_NONE

    def take(self, seen: Seen) -> None:
        if seen.inputs is not None:
            self.inputs = seen.inputs
        if seen.state is not None:
            self.state, self.reason = seen.state, seen.reason
        if seen.bus is not None:
            self.bus, self.bus_us = seen.bus, seen.at_us
        if seen.permit is not None:
            self.permit, self.why = seen.permit, seen.why


def _holds(mark: Mark, now: _Now, from_us: int) -> bool:
    if mark.on or mark.off or mark.any_on or mark.any_off:
        inputs = now.inputs
        if inputs is None or inputs & mark.on != mark.on or inputs & mark.off:
            return False
        if mark.any_off and inputs & mark.any_off == mark.any_off:
            return False
        if mark.any_on and not inputs & mark.any_on:
            return False
    if mark.states and now.state not in mark.states:
        return False
    if mark.reason != m.R_NONE and now.reason != mark.reason:
        return False
    if mark.permit is not None and (now.permit is not mark.permit or (mark.why and now.why != mark.why)):
        return False
    if mark.bus or mark.fit or mark.isolated:
        if now.bus is None or now.bus_us < from_us:  # an older reading tells of what was before
            return False
        bus_mV, supply_mV, battery_mV = now.bus
        if mark.bus == "quiet" and bus_mV >= QUIET_MV:
            return False
        if mark.bus == "live" and bus_mV < LEAST_SUPPLY_MV:
            return False
        if mark.fit and not (supply_mV >= LEAST_SUPPLY_MV and LEAST_BATTERY_MV <= battery_mV <= MOST_BATTERY_MV):
            return False
        if mark.isolated and supply_mV >= QUIET_MV:
            return False
    return True


def reached(marks: Iterable[Mark], seen: Iterable[Seen], began_us: int) -> dict[str, int]:
    """Return when each mark was first met (the board's clock), for those that were. seen: in any order."""
    in_order = sorted(seen, key=lambda each: each.at_us)
    found: dict[str, int] = {}
    for mark in marks:
        from_us = found.get(mark.after) if mark.after else began_us
        if from_us is None:
            continue
        at_us = _first(mark, in_order, from_us)
        if at_us is not None:
            found[mark.name] = at_us
    return found


def _first(mark: Mark, in_order: Sequence[Seen], from_us: int) -> int | None:
    now = _Now()
    count = len(in_order)
    for index, seen in enumerate(in_order):
        now.take(seen)
        if index + 1 < count and in_order[index + 1].at_us <= max(seen.at_us, from_us):
            continue  # more is known of the same instant, or of one that counts
        at_us = max(seen.at_us, from_us)
        if _holds(mark, now, from_us):
            return at_us
    return None


def thinned(seen: Sequence[Seen], before_us: int) -> list[Seen]:
    """Leave out readings of the bus from before `before_us` that stand between two that say the same of every mark.

    A person may take minutes for a step, and the bus is read twenty times a second.
    """
    kept: list[Seen] = []
    for index, each in enumerate(seen):
        said = _said(each)
        between = 0 < index < len(seen) - 1 and said is not None and each.at_us < before_us
        if between and kept and _said(kept[-1]) == said and _said(seen[index + 1]) == said:
            continue
        kept.append(each)
    return kept


def _said(seen: Seen) -> tuple[bool, bool, bool, bool] | None:
    """Return what a reading says of every mark; None for what is more than a reading."""
    if seen.bus is None or (seen.inputs, seen.state, seen.permit) != (None, None, None):
        return None
    bus_mV, supply_mV, battery_mV = seen.bus
    fit = supply_mV >= LEAST_SUPPLY_MV and LEAST_BATTERY_MV <= battery_mV <= MOST_BATTERY_MV
    return bus_mV < QUIET_MV, bus_mV >= LEAST_SUPPLY_MV, fit, supply_mV < QUIET_MV


def look(step: Step, marks: Sequence[Mark], seen: Sequence[Seen], began_us: int, now_us: int) -> Look:
    """Say how a step stands. marks: the step's, or `live_marks`; seen: since began_us; now_us: the board's clock."""
    found = reached(marks, seen, began_us)
    figures: list[Figure] = []
    failed = ""
    for mark in marks:
        from_us = found.get(mark.after) if mark.after else began_us
        at_us = found.get(mark.name)
        if from_us is not None and at_us is not None and mark.limit_us is not None:
            figure = Figure(mark.name, at_us - from_us, mark.limit_us)
            figures.append(figure)
            if figure.took_us > figure.limit_us:
                failed = f"{mark.name}: {ms(figure.took_us)}, at most {ms(mark.limit_us)} is right"
                break
    failed = failed or _wrong_trip(step, seen, began_us)
    wrong = _wrong_thing(step, seen, began_us, now_us)
    if wrong:
        return Look(False, "", wrong, tuple(figures), slip=True)
    if not failed:
        for mark in marks:
            if mark.name in found:
                continue
            from_us = found.get(mark.after) if mark.after else began_us
            if from_us is not None and mark.limit_us is not None and now_us > from_us + mark.limit_us + LATE_US:
                failed = f"{mark.name}: did not happen within {ms(mark.limit_us)}"
                break
    if failed:
        return Look(False, "", failed, tuple(figures), slip=_by_hand(step, seen))
    waits = next((mark.name for mark in marks if mark.name not in found), "")
    return Look(not waits, waits, "", tuple(figures))


def _by_hand(step: Step, seen: Sequence[Seen]) -> bool:
    """Whether a slow hand may have made a step fail: two contacts far apart, and nothing worse."""
    trips = {each.reason for each in seen if each.state == m.G_TRIPPED}
    return step.slip and not step.live and not step.optional and trips == {m.R_DISCREPANCY}


def _wrong_thing(step: Step, seen: Sequence[Seen], began_us: int, now_us: int) -> str:
    """Why something else than what was asked for was worked, where the board's inputs can tell; "" when they do not."""
    opened: int | None = None
    covers_opened = False
    others: set[str] = set()
    for each in sorted(seen, key=lambda one: one.at_us):
        inputs = each.inputs
        if inputs is None or each.at_us < began_us:
            continue
        if opened is None and inputs & m.IN_KEY and inputs & CHAIN != CHAIN:
            opened = each.at_us
        if opened is not None and not inputs & m.IN_COVERS:
            covers_opened = True
        if inputs & m.IN_KEY:
            both = CHAIN | MIRRORS
            others |= {name for name, alone in _ALONE.items() if inputs & both == both & alone}
        if step.alarm:
            wrong_alarm = next((name for bit, name in ALARMS.items() if bit != step.alarm and not inputs & bit), "")
            if wrong_alarm:
                return f"that was the {wrong_alarm} alarm"
    if opened is not None and step.covers is False and covers_opened:
        return "the covers' second contacts opened: that was a cover, not the stop"
    late = opened is not None and now_us > opened + LATE_US
    if late and step.covers is True and not covers_opened:
        return (
            "the chain opened, and the covers' second contacts stayed closed: that was the stop, or the contact or its "
            "wire is at fault"
        )
    if step.optional and not step.night and others and step.name not in others:
        return f"that was '{others.pop()}'"
    return ""


#: The alarm contacts, and what each is called.
ALARMS = {m.IN_SMOKE: "smoke", m.IN_FUSE: "fuse", m.IN_RELEASE: "release", m.IN_SUPERVISORY: "supervisory"}
#: What the inputs read of chain and mirrors when one thing alone was worked.
_ALONE = {
    "channel A alone": ~m.IN_CHAIN_A,
    "channel B alone": ~m.IN_CHAIN_B,
    "guard relay A alone": ~m.IN_MIRROR_A,
    "guard relay B alone": ~m.IN_MIRROR_B,
}


def hint(step: Step, inputs: int, *, covers_contact: bool) -> str:
    """Return what may be in the way of a step that waits, by what the board's inputs read now; "" when nothing is."""
    opens = any(mark.any_off for mark in step.marks)
    if opens or not inputs & m.IN_KEY or inputs & CHAIN == CHAIN:
        return ""
    if step.name.startswith("close ") and inputs & m.IN_COVERS:
        return "The covers read closed, and the chain is open: is the stop still pressed?"
    if step.name.startswith("release ") and covers_contact and not inputs & m.IN_COVERS:
        return "The chain is open, and so are the covers' second contacts: is a cover still open?"
    return ""


def _wrong_trip(step: Step, seen: Sequence[Seen], began_us: int) -> str:
    """Why the board tripped in this step, if it must not have."""
    before: int | None = None
    for each in sorted(seen, key=lambda one: one.at_us):
        if each.state is None:
            continue
        fresh = before is not None and before != m.G_TRIPPED
        if each.state == m.G_TRIPPED and fresh and each.at_us >= began_us and each.reason != step.trip:
            return f"the board tripped: {_reason(each.reason)}"
        if (
            each.state == m.G_TRIPPED
            and not fresh
            and before is not None
            and each.reason == m.R_NO_SILENCE
            and not step.held
        ):
            return f"the board tripped: {_reason(each.reason)}"
        before = each.state
    return ""


def check_trip(step: Step, trip: m.Trip | None) -> str:
    """Return what is wrong with the board's own record of the trip that this step wants, or ""."""
    if trip is None:
        return "the board kept no record of a trip"
    if trip.reason != step.trip:
        return f"the board tripped for another reason: {_reason(trip.reason)}"
    if trip.worse != m.R_NONE and not step.held:
        return f"after the trip: {_reason(trip.worse)}"
    if trip.state != m.G_LIVE and step.live:
        return "the board tripped, but not while ringing was allowed"
    return ""


def live_plan(
    port: int, limits: LimitsInForce, *, night: bool = False
) -> tuple[tuple[m.Instruction, ...], tuple[int, ...]]:
    """Return instructions and roles of a plan that lets ringing onto the bus and rings no line.

    Nothing is dialled, so no connector is near the port's line; the port is on the hook, and only watched.
    """
    by_night = (m.L_NIGHT_WINDOW_MS, m.L_NIGHT_CALL_MS) if night else ()
    most_ms = min(limits.value(which) for which in (m.L_WINDOW_MS, m.L_CALL_MS, *by_night))
    window_us = min(LIVE_US, most_ms * 1000)
    instructions = (
        m.Instruction(m.OP_WAIT, 0, 0, LEAD_US // 2, 0),
        m.Instruction(m.OP_RINGING, port, 1, window_us, 0),
        m.Instruction(m.OP_WAIT, 0, 0, window_us - LEAD_US // 2, 0),
        m.Instruction(m.OP_RINGING, port, 0, 0, 0),
    )
    return instructions, tuple(m.CALLED if each == port else m.UNUSED for each in range(1, port + 1))


def missing(exercised: int) -> tuple[str, ...]:
    """Return, a sentence each, which inputs were not seen in both positions, of those that must have been."""
    return tuple(_NEVER[1 << bit] for bit in range(len(m.INPUTS)) if EXERCISED >> bit & 1 and not exercised >> bit & 1)


_NEVER = {
    m.IN_CHAIN_A: "channel A of the safety chain was never seen both open and closed",
    m.IN_CHAIN_B: "channel B of the safety chain was never seen both open and closed",
    m.IN_MIRROR_A: "guard relay A was never seen to pull up",
    m.IN_MIRROR_B: "guard relay B was never seen to pull up",
    m.IN_KEY: "the key was never seen both off and on",
}


def _reason(code: int) -> str:
    return m.R_NAMES[code] if code < len(m.R_NAMES) else f"reason {code}"


def ms(us: float) -> str:
    """Write a time in whole milliseconds, never less than it is: figures are held against limits."""
    return f"{ceil(us / 1000)} ms"
