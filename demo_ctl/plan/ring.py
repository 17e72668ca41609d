"""Ringing and answering: waiting for rings, answering inside a ring or a silence, and what follows from it."""

from __future__ import annotations

from demo_ctl.plan import gates, listen, stops
from demo_ctl.plan.expect import widened
from demo_ctl.plan.model import Check
from demo_ctl.plan.rings import FAST, SLOW, counted, first_ring, passed
from demo_ctl.plan.story import SENSING_US, Connection, Person, Story
from demo_ctl.script.model import Answer, Await, Rings
from demo_ctl.terms.errors import PlanError
from demo_ctl.terms.window import Window
from demo_ctl.wire import messages as wire


def ringing_period_us(story: Story) -> int:
    """One cycle of the unit's ringing."""
    return story.unit.ringing.on_us + story.unit.ringing.off_us


def await_ringing(story: Story, connection: Connection, step: Await | None) -> None:
    """Wait for the first ring at the called port; with `rings`, for so many, to the end of the last."""
    called = connection.called
    if called is None:
        raise PlanError(
            f"ringing is awaited, but {connection.reach.end.value}",
            where=story.here,
            next_step="Dial a whole number whose line is free and hangs on a port.",
        )
    if step is not None and step.at is not None and story.person(step.at) is not called:
        raise PlanError(f"ringing is awaited at {step.at}, but {called} is rung", where=story.here)
    if connection.answered >= 0:
        raise PlanError(f"{called} has answered already", where=story.here)
    if story.rehearses:
        _left_out(story, connection)
        return
    within_us = step.within_us if step is not None else None
    rings = (step.rings if step is not None else None) or 0
    if connection.rings is None:
        _first(story, connection, called, within_us)
    elif not rings:
        rings = 1
    if rings:
        _count(story, connection, called, rings, to_silence=True)


def _first(story: Story, connection: Connection, called: Person, within_us: int | None) -> None:
    window = story.windows.first_ring.window()
    own = story.wanted.window(Check.FIRST_RING, window)
    # A narrower window of the script's own is for judging; it must not end the call before it is judged.
    high_us = max(story.windows.first_ring.high_us or 0, round((own.high or 0) * 1000))
    limit_us = within_us if within_us is not None else high_us + SENSING_US
    waited_us = story.draft.span(connection.last)[1]
    if waited_us:
        limit_us = max(limit_us, round(ringing_period_us(story) * SLOW) + SENSING_US)
    index = story.draft.until(called.port, wire.RINGING, 1, limit_us, f"await ringing at {called}", story.here)
    connection.rings = first_ring(index, story.unit.ringing, waited_us)
    connection.lead_waited = True
    story.expect(
        Check.FIRST_RING,
        f"first ring at {called}",
        window,
        port=connection.caller.port,
        other_port=called.port,
        index=connection.last,
        until=index,
    )


def _left_out(story: Story, connection: Connection) -> None:
    """In a rehearsal: let the connector come to where it would ring."""
    if not connection.lead_waited:
        tested_us = (story.windows.busy_test.high_us or 0) + story.unit.ringing.on_us
        story.fixed_wait("where it would begin to ring", tested_us)
        story.notes.append(f"{story.here}: a rehearsal: nothing rings, and nothing is expected of ringing")
    connection.lead_waited = True
    connection.ringback = None


def hold(story: Story, connection: Connection) -> bool:
    """Let a presenter hold the call while the bell rings, until the next step answers or hangs up."""
    rings = (story.draft.ringing_port or story.rehearses) and connection.answered < 0
    return bool(rings) and connection.called is not None and gates.hold(story, stops.RINGING, "while the bell rings")


def _settle(story: Story, connection: Connection, extra_us: int = 0) -> None:
    """Bring the count of rings up to now; extra_us: ringing may go on so long after now."""
    rings = connection.rings
    if rings is not None:
        least, most = story.draft.span(rings.mark)
        connection.rings = passed(rings, story.unit.ringing, least, most + extra_us, story.draft.last)


def _level(story: Story, called: Person, level: int, count: int, label: str, least_us: float = 0) -> int:
    """Wait for ringing to begin or to end; the limit allows a cadence 10 % slow."""
    limit_us = round(ringing_period_us(story) * SLOW * count) + SENSING_US
    return story.draft.until(
        called.port, wire.RINGING, level, limit_us, label, story.here, count, min(round(least_us), limit_us)
    )


def _count(story: Story, connection: Connection, called: Person, rings: int, to_silence: bool) -> None:
    """Let it ring so often; a ring that sounds already is the first, as the board counts them."""
    _settle(story, connection)
    before = connection.rings
    assert before is not None
    on, off = story.unit.ringing.on_us * FAST, story.unit.ringing.off_us * FAST
    known = before.phase != "anywhere"
    if rings > 1 or before.phase != "ring":
        label = f"let it ring {rings} times" if rings > 1 else "await a ring"
        gaps = rings if before.phase == "silence" else rings - 1
        least = gaps * off + max(0, rings - 2) * on if known else (rings - 1) * off
        _level(story, called, 1, rings, label, least)
    if to_silence:
        _level(story, called, 0, 1, "let the ring end", on if rings > 1 or before.phase == "silence" else 0)
    connection.rings = counted(before, rings, to_silence, story.draft.last)


def answer(story: Story, step: Answer) -> None:
    """Answer after so many rings or so long: in the silence after them, or inside the ring that follows.

    Never inside the first ring: the connector may come in near the end of a burst (facts T15).
    """
    connection, person = story.connection, story.person(step.answer)
    if connection is None or connection.called is not person:
        raise PlanError(f"{person} answers, but is not rung", where=story.here, next_step="Dial its number first.")
    if connection.answered >= 0:
        raise PlanError(f"{person} has answered already", where=story.here)
    if connection.rings is None:
        await_ringing(story, connection, None)
    if story.rehearses:
        hold(story, connection)
        _lift(story, connection, person, required=False)
        return
    inside_ring = step.during == "ringing"
    if isinstance(step.after, Rings):
        _count(story, connection, person, step.after.rings + inside_ring, to_silence=not inside_ring)
    else:
        story.fixed_wait("let it ring", step.after)
        # Wait for the other level first, so that the ring or the silence is met at its beginning.
        label = ("let a ring end", "await the next ring") if inside_ring else ("await a ring", "let it end")
        _level(story, person, 0 if inside_ring else 1, 1, label[0])
        _level(story, person, 1 if inside_ring else 0, 1, label[1])
        _settle(story, connection)
    if inside_ring:
        story.fixed_wait("half a ring", story.unit.ringing.on_us // 2)
    else:
        story.fixed_wait("half a silence", story.unit.ringing.off_us // 2)
    if hold(story, connection):
        _settle(story, connection)
        # However long it was held: the answer comes in a ring, or in a silence, as the script says.
        _level(story, person, int(inside_ring), 1, "await a ring" if inside_ring else "let the ring end")
    _lift(story, connection, person, required=inside_ring)


def _lift(story: Story, connection: Connection, person: Person, required: bool) -> None:
    """Close the called loop; the ringing window closes once the ringing must have tripped."""
    draft = story.draft
    index = draft.loop(person.port, True, f"{person} answers", story.here)
    connection.answered = person.lifted = index
    rang(story, connection, index)
    listen.stop(story)
    trip_us = max(story.windows.ring_trip.high_us or 0, story.unit.adjustment.ring_trip.most_us)
    # Closing the window at once would silence the bell by the guard, and hide a trip that does not work.
    after = story.fixed_wait("ringing must trip", trip_us + SENSING_US)
    draft.close_ringing(story.here)
    reversal = story.windows.answer_reversal.window()
    if story.rehearses:
        cam_ms = _cam_us(story) / 1000
        reversal = widened(reversal, high=cam_ms, why=f"the ringing's cam may stand at a ring: {cam_ms:g} ms")
    else:
        story.expect(
            Check.RING_TRIP,
            f"ringing trips at {person}",
            story.windows.ring_trip.window(),
            other_port=person.port,
            index=index,
            until=after,
            required=required,  # in silence only a dip shows it, and that may be too short to sense
        )
    story.expect(
        Check.ANSWER_REVERSAL,
        f"battery reverses at {connection.caller}",
        reversal,
        port=connection.caller.port,
        other_port=person.port,
        index=index,
    )


def _cam_us(story: Story) -> int:
    """With the guard open nothing trips while the interrupter's cam stands at a ring."""
    return round(story.unit.ringing.on_us * SLOW)


def rang(story: Story, connection: Connection, until: int, outlasts_us: int = 0) -> None:
    """Expect the rings up to step `until`, and their cadence where a whole ring or pause is surely seen.

    outlasts_us: how long ringing may go on after that step.
    """
    called = connection.called
    if called is None or connection.rings is None:
        return
    if connection.answered < 0:
        _settle(story, connection, outlasts_us)
    rings = connection.rings
    story.expect(
        Check.RANG,
        f"rings at {called}",
        Window(rings.fewest, rings.most, "rings", "this script"),
        port=connection.caller.port,
        other_port=called.port,
        index=connection.last,
        until=until,
    )
    whole = (rings.whole_on > 0, rings.whole_off > 0)
    for check, title, window, sure in (
        (Check.RING_ON, f"ring at {called}", story.windows.ring_on, whole[0]),
        (Check.RING_OFF, f"silence between rings at {called}", story.windows.ring_off, whole[1]),
    ):
        if sure or story.wanted.has_own(check):
            story.expect(check, title, window.window(), other_port=called.port, index=connection.last, until=until)
    ringback = connection.ringback
    if ringback is not None:
        # One interrupter makes both, in step (facts R20): what is whole at the bell is whole in the ear.
        connection.ringback = None
        if not whole[0]:
            story.notes.append(f"{ringback.place}: the only ring may be cut short, so ringback is not judged")
            return
        here, story.here = story.here, ringback.place
        tone = story.unit.tones.ringback
        listen.tone_checks(story, connection, "ringback", tone, ringback.start, until, whole)
        story.here = here


def await_polarity(story: Story, connection: Connection, step: Await) -> None:
    """Wait for the caller's battery to reverse, or to be normal again."""
    person = story.person(step.at) if step.at is not None else connection.caller
    if step.awaited == "reversal":
        if connection.answered < 0:
            raise PlanError(
                "a reversal is awaited, but nobody has answered", where=story.here, next_step="`answer` goes first."
            )
        signal, window = wire.REVERSED, story.windows.answer_reversal
    else:
        signal, window = wire.NORMAL, story.windows.clear_reversal
    limit_us = step.within_us if step.within_us is not None else (window.high_us or 0) + SENSING_US
    if story.rehearses:
        limit_us += _cam_us(story)
    story.draft.until(person.port, signal, 1, limit_us, f"await {step.awaited} at {person}", story.here)
