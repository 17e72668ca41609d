"""Flashing and hanging up: what is released, who becomes a new call, and what must not ring afterwards."""

from __future__ import annotations

from demo_ctl.office.numbers import digit_sent
from demo_ctl.plan import check, listen, ring
from demo_ctl.plan.dial import hear_stop
from demo_ctl.plan.model import Check, PaceRow, Stretch
from demo_ctl.plan.story import SENSING_US, Connection, Person, Story
from demo_ctl.script.model import Flash
from demo_ctl.terms.errors import PlanError
from demo_ctl.terms.window import Window
from demo_ctl.terms.words import time_text

STAYS_SOURCE = "calling-party control: UK slides of a two-motion final selector's circuit"
BREAK_SOURCE = "an open shorter than relay B's hold: common practice, no source"


def flash(story: Story, step: Flash) -> None:
    """Open the loop for a moment: as a digit, as a mere break, or until the train is released."""
    person = story.person(step.flash)
    if person.lifted < 0:
        raise PlanError(f"{person} flashes, but has not lifted", where=story.here, next_step="Lift first.")
    check.flash(story.unit, step, story.call.place("steps", story.step_index, "open"))
    asked = time_text(step.open_us)
    why = "relay B's hold decides what it means"
    story.rows.append(PaceRow(story.part("flash"), Stretch.FIXED, asked, asked, asked, why))
    if step.shows == "digit 1":
        _digit(story, person, step.open_us)
    elif step.shows == "break":
        _break(story, person, step.open_us)
    else:
        _release(story, person, step.open_us)


def _digit(story: Story, person: Person, open_us: int) -> None:
    """A short open before dialling steps the first selector once."""
    if person.digits or person.tone_from < 0:
        raise PlanError(
            "a flash shows as digit 1 only before dialling", where=story.here, next_step="Move it before `dial`."
        )
    if not person.heard_tone:
        listen.dial_tone(story, person)
    story.may_pulse(person)
    how = story.dial_how
    person.digits = digit_sent(1, story.unit.numbering.pulses)
    index = story.draft.pulses(person.port, 1, (open_us, how.make_us), f"{person} flashes", story.here, person.digits)
    heard_us = hear_stop(story, person, index)
    story.expect(
        Check.PULSES,
        "flash counts as one pulse",
        Window(1, 1, "pulses", BREAK_SOURCE),
        port=person.port,
        index=index,
        until=index,
    )
    story.fixed_wait("let the selector hunt", how.pause_us - heard_us)


def _break(story: Story, person: Person, open_us: int) -> None:
    """A short open while talking shows only as a break."""
    connection = story.connection
    if connection is None or connection.caller is not person or connection.answered < 0:
        raise PlanError(
            "a flash shows only as a break while its caller is talking",
            where=story.here,
            next_step="Let the called party answer first.",
        )
    story.may_pulse(person)
    us = (open_us, story.dial_how.make_us)
    index = story.draft.pulses(person.port, 1, us, f"{person} flashes", story.here, "")
    until = story.fixed_wait("see that nothing is released", story.release_us + SENSING_US)
    story.expect(
        Check.HELD,
        "the connection holds over the flash",
        Window(0, 0, "", BREAK_SOURCE),
        port=person.port,
        other_port=connection.called.port if connection.called else 0,
        index=index,
        until=until,
    )


def _release(story: Story, person: Person, open_us: int) -> None:
    """A long open releases the train; the loop closed again is a new call."""
    connection = story.connection
    if connection is not None and connection.called is person:
        raise PlanError(
            f"{person} was called: its flash releases nothing, the train is the caller's",
            where=story.here,
            next_step="Let the caller flash, or use `hang up`.",
        )
    opened = story.draft.loop(person.port, False, f"{person} flashes: opens", story.here)
    _call_ends(story, person, opened)
    until = story.fixed_wait("flash", open_us)
    closed = story.draft.loop(person.port, True, f"{person} flashes: closes again", story.here)
    # A flash may be over before the last shaft is home; then the new call takes the line at once.
    _released(story, person, opened, until, required=open_us >= story.release_us)
    person.on_hook()
    person.lifted = person.tone_from = closed
    listen.begin_for_dial_tone(story, person)


def _released(story: Story, person: Person, index: int, until: int, required: bool = True) -> None:
    """Expect the line's own battery back after its train was released."""
    story.expect(
        Check.RELEASE,
        f"{person} released",
        story.windows.release.window(),
        port=person.port,
        index=index,
        until=until,
        required=required,
    )


def _call_ends(story: Story, person: Person, index: int) -> None:
    """The caller's loop has opened (step `index`): ringing ends, and who stays off-hook becomes a new call."""
    draft, connection = story.draft, story.connection
    if connection is not None and connection.caller is person:
        if connection.answered < 0:
            # The connector rings on until its relays have let go.
            ring.rang(story, connection, index, story.release_us)
            if not _watches(story):
                draft.close_ringing(story.here)
        if draft.listening == person.port:
            listen.stop(story)
        if connection.left_by >= 0 and draft.span(connection.left_by, index)[1]:
            story.expect(
                Check.HELD,
                "the connection stays until the caller hangs up",
                Window(0, 0, "", STAYS_SOURCE),
                port=person.port,
                index=connection.left_by,
                until=index - 1,
            )
        _called_is_left(story, connection, index)
        story.connection = None
    elif draft.listening == person.port:
        listen.stop(story)


def _called_is_left(story: Story, connection: Connection, index: int) -> None:
    called = connection.called
    if called is None:
        return
    story.rung = called if connection.answered < 0 or called.lifted >= 0 else None
    if called.lifted >= 0:
        called.tone_from, called.tone_after_release = index, True
        called.heard_tone, called.digits = False, ""
        if "dial tone" in listen.awaited_tones(story, called, story.step_index + 1) and not story.draft.listening:
            story.draft.listen(called.port, str(called), story.here)


def hang_up(story: Story, person: Person, *, said: bool = True) -> None:
    """Open the loop; wait for the release, or for the battery to change back. said: the script asked for it."""
    if person.lifted < 0:
        raise PlanError(f"{person} hangs up, but has not lifted", where=story.here)
    draft, connection = story.draft, story.connection
    if said and connection is not None and connection.caller is person:
        ring.hold(story, connection)
    index = draft.loop(person.port, False, f"{person} hangs up", story.here)
    if connection is not None and connection.called is person:
        person.on_hook()
        if said:
            story.expect(
                Check.CLEAR_REVERSAL,
                f"battery normal again at {connection.caller}",
                story.windows.clear_reversal.window(),
                port=connection.caller.port,
                other_port=person.port,
                index=index,
            )
        back_us = (story.windows.clear_reversal.high_us or 0) + SENSING_US
        connection.left_by = story.fixed_wait("see the battery change back", back_us)
        story.rung = person
        _watch(story, index)
        return
    own_train = person.heard_tone
    _call_ends(story, person, index)
    person.on_hook()
    until = story.fixed_wait(f"release of {person}", story.release_us + SENSING_US)
    if own_train and said:
        _released(story, person, index, until)
    _watch(story, until)


def _watches(story: Story) -> bool:
    return "ringing after clearing" in story.script.must_not


def _watch(story: Story, index: int) -> None:
    """Let a bell that should be quiet ring if it will: its feed is open for one more cycle after step `index`."""
    called = story.rung
    if called is None or called.lifted >= 0 or not _watches(story) or story.rehearses:
        return
    story.rung = None
    if not story.draft.ringing_port:
        story.draft.open_ringing(called.port, str(called), story.here)
    until = story.fixed_wait("see that nothing rings after clearing", ring.ringing_period_us(story) + SENSING_US)
    story.draft.close_ringing(story.here)
    story.expect(
        Check.NO_RINGING,
        f"no ringing at {called} after clearing",
        Window(0, 0, "rings", "this script: must not"),
        other_port=called.port,
        index=index,
        until=until,
        place=story.call.place("must not", story.script.must_not.index("ringing after clearing")),
    )


def finish(story: Story) -> None:
    """Open whatever is still closed, let held calls go, and give the unit its rest."""
    listen.stop(story)
    connection = story.connection
    left = [person for person in story.people.values() if person.lifted >= 0]
    # The called party first: a caller that clears first would make a new call of it.
    left.sort(key=lambda person: connection is None or connection.called is not person)
    for person in left:
        story.notes.append(f"{story.here}: {person} is still off-hook at the end, and hangs up here")
        hang_up(story, person, said=False)
    story.draft.close_ringing(story.here)
    for holder in story.holders:
        story.draft.loop(holder.port, False, f"{holder} lets its trunk go", story.here)
    if story.holders:
        story.fixed_wait("release of the held calls", story.release_us)
    story.fixed_wait("rest", story.unit.rest_us)
