"""Dialling: digits to pulses, where they lead, and the ringing window for exactly the port that may ring."""

from __future__ import annotations

from collections.abc import Collection

from demo_ctl.office.numbers import digits_of, pulses_of
from demo_ctl.plan import gates, listen, stops
from demo_ctl.plan.expect import including
from demo_ctl.plan.model import BusyTrunks, Check
from demo_ctl.plan.reach import End, Reach, reach
from demo_ctl.plan.story import Connection, Person, Story
from demo_ctl.script.model import Dial
from demo_ctl.terms.errors import Place, PlanError
from demo_ctl.terms.window import Window
from demo_ctl.terms.words import ordinal
from demo_ctl.wire import messages as wire

#: Listening outlasts the first digit by so much, inside the pause that follows anyway. A digit of one pulse is over
#: before dial tone that goes on could be told from dial tone that stopped: common practice, no source.
HEAR_STOP_US = 300_000

#: How far the board's own pulses may be from what was asked: common practice, no source.
SENT = "what this plan asks; the tolerance is common practice, no source"


def number_of(story: Story, text: str) -> tuple[str, str]:
    """Give a number as written and its digits: a party's, a line's, or the text itself."""
    person = story.people.get(text)
    line = person.line if person is not None else story.unit.line(text)
    written = text if line is None else line.number
    try:
        digits = digits_of(written, story.unit.numbering.letters)
    except ValueError as error:
        raise PlanError(
            f"'{text}' cannot be dialled: {error}",
            where=story.here,
            next_step="Write a party, a line of the unit, or a number.",
        ) from None
    if len(digits) != story.unit.numbering.digits:
        raise PlanError(
            f"'{written}' has {len(digits)} digits; {story.unit.name} is dialled with {story.unit.numbering.digits}",
            where=story.here,
            next_step="Write the whole number; `only` dials the first part of it.",
        )
    return written, digits


def send(story: Story, person: Person, digits: str, place: Place, cuts: Collection[int] = ()) -> list[int]:
    """Send digits with a pause between each two; return the indices of their PULSES.

    cuts: positions of digits after which a switch has cut through, so that the call stands still and may be held.
    """
    how, draft, scheme = story.dial_how, story.draft, story.unit.numbering.pulses
    found: list[int] = []
    heard_us = 0
    for digit in digits:
        if found:
            draft.wait(how.pause_us - heard_us, "pause between digits", place)
            heard_us = 0
            if len(found) - 1 in cuts:
                gates.hold(story, stops.DIGITS, f"after the {ordinal(len(found))} digit, {digits[len(found) - 1]}")
        us = (how.break_us, how.make_us)
        found.append(draft.pulses(person.port, pulses_of(digit, scheme), us, f"{person} dials {digit}", place, digit))
        if len(found) == 1:
            heard_us = hear_stop(story, person, found[0])
    return found


def hear_stop(story: Story, person: Person, index: int) -> int:
    """Expect dial tone to end with the first pulse of the newest step, `index`, and listen on to hear it.

    Returns how much of the pause after the digit that takes, microseconds: 0 when nobody listens here.
    """
    if story.draft.listening != person.port:
        story.draft.deaf(story.here)
        return 0
    long_us = min(HEAR_STOP_US, story.dial_how.pause_us)
    until = story.fixed_wait("hear that dial tone has stopped", long_us)
    story.draft.deaf(story.here)
    story.expect(
        Check.DIAL_TONE_STOP,
        f"dial tone stops at {person}",
        story.windows.dial_tone_stop.window(),
        port=person.port,
        index=index,
        until=until,
        tone=story.unit.tones.dial,
    )
    return long_us


def dial(story: Story, step: Dial) -> None:
    """Dial, find out where that leads, and open the ringing window if one declared port may ring."""
    person = story.person(step.party)
    if person.lifted < 0:
        raise PlanError(f"{person} dials, but has not lifted", where=story.here, next_step="Lift first.")
    if person.digits:
        raise PlanError(f"{person} has dialled already", where=story.here, next_step="Hang up and lift again first.")
    if story.connection is not None:
        raise PlanError(
            f"a call of {story.connection.caller} is still up",
            where=story.here,
            next_step="One call at a time: let its caller hang up first.",
        )
    story.may_pulse(person)
    written, digits = number_of(story, step.dial)
    digits = digits if step.only is None else digits[: step.only]
    if not person.heard_tone:
        listen.dial_tone(story, person)
    off_hook = {each.line.name for each in (*story.people.values(), *story.holders) if each.lifted >= 0}
    taken = {(busy.stage, busy.level) for busy in story.busy if _all_taken(story, busy)}
    there = reach(story.unit, digits, off_hook, taken)
    called = _declared(story, there) if there.end is End.RINGS else None
    if there.end is End.OVERFLOW and there.at + 1 < len(digits):
        digits = digits[: there.at + 1]
        story.notes.append(
            f"{story.here}: no trunk is free for the {ordinal(there.at + 1)} digit; the caller hears overflow tone and"
            f" stops after {digits}"
        )
    sent = send(story, person, digits, story.here, _cuts(digits, there))
    person.digits = digits
    story.trains.extend(sent)
    if not story.digits:
        story.number, story.digits = written, digits
    story.connection = Connection(person, there, sent[-1], called)
    _digit_checks(story, person, digits, there, sent)
    if called is not None:
        story.called_port = called.port
        if not story.rehearses:
            story.draft.open_ringing(called.port, str(called), story.here)
    if "overflow tone" in story.script.must_not or listen.awaited_tones(story, person, story.step_index + 1):
        story.draft.listen(person.port, str(person), story.here)


def _all_taken(story: Story, busy: BusyTrunks) -> bool:
    """Whether no equipped trunk of the level is left."""
    level = story.unit.selectors[busy.stage - 1].levels.get(busy.level)
    return level is not None and busy.positions == level.trunks


def _declared(story: Story, there: Reach) -> Person:
    """Give the party that will be rung; refuse to ring anybody else."""
    line = there.line
    assert line is not None
    if not line.port:
        raise PlanError(
            f"this would ring {line.name}, which is attached to: {line.attached}; only board ports are rung",
            where=story.here,
            next_step="Dial a line that hangs on a port, or lift it first if busy tone is wanted.",
        )
    person = next((each for each in story.people.values() if each.line.name == line.name), None)
    if person is None:
        raise PlanError(
            f"this would ring {line.name} on port {line.port}, which is no party of this script",
            where=story.here,
            next_step="Name it under `parties`, so that everybody knows it will ring.",
        )
    if story.called_port not in (0, person.port):
        raise PlanError(
            f"a script rings one line; this would ring {person} after another",
            where=story.here,
            next_step="Make two scripts of it.",
        )
    if story.roles[person.port - 1] == wire.CALLING and any(
        each.port == person.port and each.op == wire.OP_PULSES for each in story.draft.steps
    ):
        raise PlanError(
            f"{person} dials in this script, and a port that dials is not rung",
            where=story.here,
            next_step="Make two scripts of it.",
        )
    story.roles[person.port - 1] = wire.CALLED
    return person


def _digit_checks(story: Story, person: Person, digits: str, there: Reach, sent: list[int]) -> None:
    """Expect every digit's pulses, and a cut-through after each selector's digit."""
    source = story.unit.numbering.source
    for position, (digit, index) in enumerate(zip(digits, sent, strict=True)):
        count = story.draft.steps[index].x
        story.expect(
            Check.PULSES,
            f"{ordinal(position + 1)} digit, {digit}: pulses",
            Window(count, count, "pulses", f"{source}; digit {digit}"),
            port=person.port,
            index=index,
            until=index,
        )
    cuts = _cuts(digits, there)
    for position, index in enumerate(sent):
        leg = there.legs[position]
        if position in cuts:
            story.expect(
                Check.CUT_THROUGH,
                f"{story.unit.train[leg.stage - 1].name} cuts through",
                story.windows.cut_through.window(),
                port=person.port,
                index=index,
                until=sent[position + 1] if position + 1 < len(sent) else -1,
                required=False,  # a dip may be too short to sense
            )


def _cuts(digits: str, there: Reach) -> set[int]:
    """Positions of the digits that make a selector cut through."""
    return {
        position
        for position, leg in enumerate(there.legs[: len(digits)])
        if leg.does == "select" and not (there.end is End.OVERFLOW and position == there.at)
    }


def train_checks(story: Story) -> None:
    """Expect speed, ratio and pauses over all digits of the call."""
    if not story.trains:
        return
    how, draft = story.dial_how, story.draft
    port, place = draft.steps[story.trains[0]].port, draft.steps[story.trains[0]].place
    trains = tuple(index for index in story.trains if draft.steps[index].port == port)
    # One break has a length but no speed: two are needed to see a period.
    spoken = tuple(index for index in trains if draft.steps[index].x > 1)
    period_us = how.break_us + how.make_us
    speed, ratio = 1e6 / period_us, 100 * how.break_us / period_us
    chosen = "widened to hold what this plan dials"
    line_speed = including(story.windows.pulse_speed.window(), speed * 0.98, speed * 1.02, chosen)
    line_ratio = including(story.windows.percent_break.window(), ratio - 1.5, ratio + 1.5, chosen)
    pause = how.pause_us / 1000
    held = max((gate.limit_us for gate in draft.gates if gate.stage == stops.DIGITS), default=0) / 1000
    longest = pause + how.make_us / 1000 + held + 20
    between = including(story.windows.interdigital.window(), pause * 0.98, longest, chosen)
    for check, title, window, indices in (
        (Check.PULSE_SPEED_SENT, "pulse speed as sent", Window(speed * 0.99, speed * 1.01, "pps", SENT), trains),
        (Check.PERCENT_BREAK_SENT, "percent break as sent", Window(ratio - 0.5, ratio + 0.5, "%", SENT), trains),
        (Check.PULSE_SPEED, "pulse speed on the line", line_speed, spoken),
        (Check.PERCENT_BREAK, "percent break on the line", line_ratio, spoken),
        (Check.INTERDIGITAL, "pause between digits", between, trains if len(trains) > 1 else ()),
    ):
        if indices:
            story.expect(
                check, title, window, port=port, index=indices[0], until=indices[-1], indices=indices, place=place
            )
