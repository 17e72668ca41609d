"""The night's part of the proving: the key's own position, somebody seen while ringing is on, each alarm contact. Pure.

It comes after the day's steps (`procedure`) and may be left out, all of it or an alarm alone: the proving then
holds for the day only. Nothing rings at night, and no supply is permitted, without a proving that has all of it: the
unit then runs with nobody there to notice that a contact never opens.

An alarm's step has the unit's supply permitted by lease, as a night has, and the board must drop it: within the filter
of its contact (`board.permit.ALARM_US`) and two looks, counted from the contact's own event.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from demo_ctl.board.permit import ALARM_US
from demo_ctl.link.limits import LimitsInForce
from demo_ctl.safety.procedure import gone, key_steps, procedure, recovery
from demo_ctl.safety.proving import ALARMS, CHAIN, MIRRORS, PASS_US, Mark, Step
from demo_ctl.wire import messages as m

#: What must have been seen in both positions before anything rings at night.
NIGHT_EXERCISED = m.IN_NIGHT | m.IN_COVERS | m.IN_ALONE | m.IN_FUSE | m.IN_RELEASE | m.IN_SUPERVISORY | m.IN_SMOKE
QUIET = m.IN_FUSE | m.IN_RELEASE | m.IN_SUPERVISORY | m.IN_SMOKE
#: The step that all others of the night belong to.
HEAD = "key to night"
#: Those that may be left out, at the price of the night.
NIGHT_OPTIONAL = (HEAD, *(f"{name} alarm" for name in ALARMS.values()))
_AT_NIGHT = m.IN_KEY | m.IN_NIGHT
_NOBODY, _ASIDE = "the presence detector sees nobody", "Step out of its sight."
_REASONS = {
    m.IN_SMOKE: m.R_SMOKE,
    m.IN_FUSE: m.R_FUSE,
    m.IN_RELEASE: m.R_RELEASE,
    m.IN_SUPERVISORY: m.R_SUPERVISORY,
}
_ASKS = {
    m.IN_SMOKE: "Let the smoke detector alarm (its test button), and leave it so",
    m.IN_FUSE: "Let the fuse alarm come in (the test contact of an alarm fuse), and leave it so",
    m.IN_RELEASE: "Let the release alarm come in (its test contact), and leave it so",
    m.IN_SUPERVISORY: "Let the supervisory alarm come in (its test contact), and leave it so",
}


def whole(covers: Sequence[str], limits: LimitsInForce, *, covers_contact: bool = False) -> tuple[Step, ...]:
    """Return all steps of a proving, the day's and the night's."""
    return (*procedure(covers, limits, covers_contact=covers_contact), *night_steps(limits))


def night_steps(limits: LimitsInForce) -> tuple[Step, ...]:
    """Return the night's steps, in order. Each belongs to `HEAD`, or to an alarm."""
    key_off, key_on = key_steps(limits)
    steps = [_to_night(), _somebody(limits), _nobody()]
    for bit, name in ALARMS.items():
        steps += [_alarm(bit, name), _alarm_over(bit, name)]
    steps += [key_off, key_on]
    return (steps[0], *(replace(each, belongs=each.belongs or HEAD) for each in steps[1:]))


def recover_at_night(limits: LimitsInForce) -> tuple[Step, ...]:
    """Return what is done after a slip at night: everything back, the alarms too; key off, and to night."""
    back, key_off, _ = recovery(limits, covers_contact=True)
    ask = f"{back.ask.replace('(at day)', '(at night)').rstrip('.')}; every alarm ended."
    closed, down, _ = back.marks
    quiet = Mark("no alarm contact is open", on=QUIET, do="End every alarm.")
    night = Mark("the key stands at night", on=_AT_NIGHT, do="Turn it to night.")
    return replace(back, ask=ask, marks=(closed, down, quiet, night)), key_off, _to_night()


def in_the_way(inputs: int, *, covers_contact: bool) -> str:
    """Return why the night cannot be proven as the board's inputs read now, "" when it can be."""
    found = [f"the {name} alarm contact reads alarm" for bit, name in ALARMS.items() if not inputs & bit]
    if not covers_contact:
        found.insert(0, "the covers' second contacts read open")
    return f"{', '.join(found)} (or is not wired)" if found else ""


def missing_at_night(exercised: int) -> tuple[str, ...]:
    """Return, a sentence each, which of the night's inputs were not seen in both positions."""
    return tuple(_NEVER[bit] for bit in _NEVER if not exercised & bit)


_NEVER = {
    m.IN_NIGHT: "the key was never seen at night",
    m.IN_COVERS: "the covers' second contacts were never seen both open and closed",
    m.IN_ALONE: "the presence detector was never seen to see somebody and nobody",
    **{bit: f"the {name} alarm contact was never seen both open and closed" for bit, name in ALARMS.items()},
}


def _to_night() -> Step:
    night = "the key reads night, and the chain is closed"
    return Step(
        HEAD,
        "Turn the key to night, and step out of the presence detector's sight.",
        (
            Mark(night, on=CHAIN | _AT_NIGHT),
            Mark("the covers' second contacts are closed", on=m.IN_COVERS, after=night, do="Close every cover."),
            Mark("no alarm contact is open", on=QUIET, after=night, do="End every alarm."),
            Mark(_NOBODY, on=_AT_NIGHT | m.IN_ALONE, after=night, do=_ASIDE),
            Mark("the board goes on", on=MIRRORS, states=(m.G_SAFE,), after=night),
        ),
        optional=True,
        why="what the night wants, without which nothing rings at night and the unit's supply is not permitted",
        slip=True,
        night=True,
        turns="night",
    )


def _somebody(limits: LimitsInForce) -> Step:
    sees, ending = "the presence detector sees somebody", "the guard takes ringing off"
    return Step(
        "somebody there while live",
        "Step before the presence detector NOW.",
        (
            Mark(sees, on=CHAIN | _AT_NIGHT, off=m.IN_ALONE),
            Mark(
                ending,
                states=(m.G_FALLING,),
                reason=m.R_PRESENCE,
                after=sees,
                limit_us=limits.value(m.L_LOOP_US),
            ),
            *gone(ending, limits),
            Mark("the guard is safe again", states=(m.G_SAFE,), after=ending, limit_us=limits.value(m.L_DROP_US)),
        ),
        live=True,
        slip=True,
        night=True,
    )


def _nobody() -> Step:
    return Step(
        "nobody there again",
        "Step out of the presence detector's sight.",
        (Mark(_NOBODY, on=_AT_NIGHT | m.IN_ALONE),),
        night=True,
    )


def _alarm(bit: int, name: str) -> Step:
    given, opens = "the unit's supply is permitted", "the alarm contact opens"
    return Step(
        f"{name} alarm",
        f"{_ASKS[bit]}. The unit's battery contactor must be heard to fall.",
        (
            Mark(given, permit=True),
            Mark(opens, on=_AT_NIGHT, off=bit, after=given),
            Mark(
                "the board drops the supply permit",
                permit=False,
                why=_REASONS[bit],
                after=opens,
                limit_us=ALARM_US + 2 * PASS_US,
            ),
        ),
        optional=True,
        why=f"a {name} alarm that does not reach the board",
        slip=True,
        night=True,
        alarm=bit,
    )


def _alarm_over(bit: int, name: str) -> Step:
    off, seen, night = "the key reads off", "the board has seen it", "the key reads night, and the chain is closed"
    return Step(
        f"{name} alarm over",
        "End that alarm. Then turn the key off, and to night again.",
        (
            Mark(off, off=m.IN_KEY),
            Mark(seen, states=(m.G_KEY_OFF,), after=off),
            Mark(night, on=CHAIN | _AT_NIGHT | bit, after=seen),
            Mark("the board goes on", states=(m.G_SAFE,), after=night),
        ),
        belongs=f"{name} alarm",
        slip=True,
        night=True,
        turns="round",
    )
