"""The day's part of the proving: its steps, in order, and the plan that lets ringing voltage onto the bus. Pure.

`proving_night` adds the night's part. Which figure a time is held against is said in `proving`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from demo_ctl.link.limits import LimitsInForce
from demo_ctl.safety.proving import (
    CHAIN,
    ISOLATED_US,
    LATE_US,
    LEAD_US,
    LIVE_US,
    LOOK_US,
    MEASURED_US,
    MIRRORS,
    PASS_US,
    RELAY_DROP_US,
    Mark,
    Step,
)
from demo_ctl.wire import messages as m


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


#: The key's own position for the day.
_DAY, _TO_DAY = "the key does not stand at night", "Turn it to day."


def key_steps(limits: LimitsInForce) -> tuple[Step, Step]:
    """Return how the key is turned off, and on to day."""
    settle_us = limits.value(m.L_KEY_US) + 4 * PASS_US
    apart_us = limits.value(m.L_APART_US)
    key_off = _key_off(apart_us, settle_us)
    return key_off, replace(_key_on(apart_us, settle_us), before=key_off)


def recovery(limits: LimitsInForce, *, covers_contact: bool) -> tuple[Step, ...]:
    """Return what is done after a slip, before the step is tried again."""
    back = Step(
        "put everything back",
        "Put everything back: key on (at day), covers closed, stop released, test plug in, test buttons let go.",
        (
            Mark("both channels close", on=CHAIN | m.IN_KEY | (m.IN_COVERS if covers_contact else 0)),
            Mark("both guard relays are down", on=MIRRORS, do="Let the test buttons go."),
            Mark(_DAY, off=m.IN_NIGHT, do=_TO_DAY),
        ),
    )
    return back, *key_steps(limits)


#: Asked for first where the key is off already.
KEY_FIRST = Step(
    "key on first",
    "The key is off already: turn it on first.",
    (Mark("the key reads on", on=m.IN_KEY),),
    slip=True,
    turns="on first",
)
#: And then, where the chain is open all the same.
CHAIN_FIRST = Step(
    "chain closed first",
    "A cover is open, the stop is pressed, or a test plug is out: put it right first.",
    (Mark("both channels of the safety chain close", on=CHAIN | m.IN_KEY),),
    slip=True,
    turns="on first",
)


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
        slip=True,
        turns="off",
    )


def _key_on(apart_us: int, settle_us: int) -> Step:
    return Step(
        "key on",
        "Turn the key on (to day, where it has a position for the night).",
        (
            Mark("the key's first contact closes", any_on=CHAIN | m.IN_KEY),
            Mark("the chain closes", on=CHAIN | m.IN_KEY, after="the key's first contact closes", limit_us=apart_us),
            Mark(_DAY, off=m.IN_NIGHT, after="the chain closes", do=_TO_DAY),
            Mark("the board has seen it", states=(m.G_SAFE,), after="the chain closes", limit_us=settle_us),
            Mark("both guard relays are down", on=MIRRORS, after="the board has seen it", limit_us=settle_us),
            Mark("no voltage on the ringing bus", bus="quiet", after="the board has seen it", limit_us=MEASURED_US),
            Mark("generator and battery are right", fit=True, after="the board has seen it", limit_us=MEASURED_US),
        ),
        slip=True,
        turns="on",
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
            Mark("both guard relays are down", on=MIRRORS, after=trips, do="Let the test button go."),
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
