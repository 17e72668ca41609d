"""From intent to instructions: tells the board what every step of a script means on this unit.

How it works: `build` chooses how to dial (`stretch`), makes trunks busy if the script wants them busy (`trunks`), then
walks the script once. For every step, one function (`listen`, `dial`, `ring`, `clear`) adds instructions to a `Draft`
and expectations to a `Wanted`, and notes in the `Story` who is off-hook and where the call leads (`reach`). Whatever
is left open at the end is closed in the timeline itself: a plan never leaves a loop closed, the ringing window open or
the listening channel on.

Pure: the same script, unit and pace give the same plan; nothing is read, nothing is timed.
"""

from __future__ import annotations

from fractions import Fraction

from demo_ctl.office.model import Unit
from demo_ctl.plan import check, clear, dial, gates, listen, ring, stops, trunks
from demo_ctl.plan.expect import without_ringing
from demo_ctl.plan.model import Check, PaceRow, Plan, Stretch, Timeline
from demo_ctl.plan.story import HEARING_US, Person, Story
from demo_ctl.script import model as script
from demo_ctl.terms.errors import PlanError
from demo_ctl.terms.located import Located
from demo_ctl.terms.window import Window
from demo_ctl.terms.words import time_text
from demo_ctl.wire import messages as wire


def build(
    call: Located[script.Call],
    unit: Located[Unit] | Unit,
    pace: Fraction = Fraction(1),
    *,
    ports: int = 4,
    holds: stops.Stops | None = None,
    rehearsal: bool = False,
) -> Plan:
    """Make the plan of one call at one pace, for a board of so many ports.

    holds: where a presenter may hold the call (none: nowhere). rehearsal: leave the ringing out; what is expected of it
    stays in the plan as left out, and a call that could not be placed cannot be rehearsed. Raises PlanError, with the
    script's file and line, when this unit or this board cannot do what is asked.
    """
    if rehearsal:
        return without_ringing(
            build(call, unit, pace, ports=ports, holds=holds), _build(call, unit, pace, ports, holds, True)
        )
    if holds is not None and holds.ring_hold_us is None:
        plan = _build(call, unit, pace, ports, holds, False)
        if not plan.ringing:
            return plan
        holds = gates.with_room(holds, plan, unit if isinstance(unit, Unit) else unit.value)
    return _build(call, unit, pace, ports, holds, False)


def _build(
    call: Located[script.Call],
    unit: Located[Unit] | Unit,
    pace: Fraction,
    ports: int,
    holds: stops.Stops | None,
    rehearsal: bool,
) -> Plan:
    plain = unit if isinstance(unit, Unit) else unit.value
    story = Story(call, plain, pace, ports, None if isinstance(unit, Unit) else unit.place("dial"))
    story.stops, story.rehearses = holds, rehearsal
    _make_busy(story)
    for index, step in enumerate(call.value.steps):
        story.step_index, story.here = index, call.place("steps", index)
        _step(story, step)
        if not listen.still_wanted(story, index + 1):
            listen.stop(story)
    clear.finish(story)
    dial.train_checks(story)
    _must_not(story)
    plan = _plan(story)
    check.check(plan, plain, ports)
    return plan


def _step(story: Story, step: script.Step) -> None:
    if isinstance(step, script.Lift):
        _lift(story, story.person(step.lift))
    elif isinstance(step, script.Await):
        _await(story, step)
    elif isinstance(step, script.Dial):
        dial.dial(story, step)
    elif isinstance(step, script.Answer):
        ring.answer(story, step)
    elif isinstance(step, script.Talk):
        if story.connection is None or story.connection.answered < 0:
            raise PlanError("nobody has answered yet", where=story.here, next_step="Use `pause`, or `answer` first.")
        story.dwell("talk", step.talk_us)
        gates.hold(story, stops.TALKING, "while they talk")
    elif isinstance(step, script.Pause):
        story.dwell("pause", step.pause_us)
    elif isinstance(step, script.Flash):
        clear.flash(story, step)
    elif isinstance(step, script.HangUp):
        clear.hang_up(story, story.person(step.hang_up))
    else:
        _gate(story, step)


def _lift(story: Story, person: Person) -> None:
    """Lift the handset, and listen at once if its dial tone will be awaited."""
    if person.lifted >= 0:
        raise PlanError(f"{person} has lifted already", where=story.here, next_step="Leave this step out.")
    connection = story.connection
    if connection is not None and connection.called is person:
        raise PlanError(
            f"{person} has been called here", where=story.here, next_step="Use `answer`, which also says when."
        )
    story.role(person, wire.CALLING)
    person.lifted = person.tone_from = story.draft.loop(person.port, True, f"{person} lifts", story.here)
    listen.begin_for_dial_tone(story, person)


def _await(story: Story, step: script.Await) -> None:
    place = ("steps", story.step_index)
    if step.for_us is not None and step.awaited not in script.Tones:
        raise PlanError(
            f"`for` says how long a tone is listened to; '{step.awaited}' is no tone",
            where=story.call.place(*place, "for"),
            next_step="Use `within`, or a `pause` afterwards.",
        )
    if step.rings is not None and step.awaited != "ringing":
        raise PlanError(
            f"`rings` goes with `await: ringing`, not with '{step.awaited}'", where=story.call.place(*place, "rings")
        )
    connection = story.connection
    if step.awaited == "dial tone":
        listen.dial_tone(story, story.person(step.at or "caller"), step.within_us, step.for_us)
    elif connection is None:
        raise PlanError(f"'{step.awaited}' is awaited, but no call is up", where=story.here, next_step="`dial` first.")
    elif step.awaited == "ringing":
        ring.await_ringing(story, connection, step)
    elif step.awaited in ("reversal", "normal polarity"):
        ring.await_polarity(story, connection, step)
    else:
        listen.await_tone(story, connection, step)


def _gate(story: Story, step: script.Gate) -> None:
    if step.limit_us > story.unit.longest_gate_us:
        raise PlanError(
            f"a gate of {time_text(step.limit_us)}; {story.unit.name} allows {time_text(story.unit.longest_gate_us)}",
            where=story.call.place("steps", story.step_index, "limit"),
            next_step="Shorten `limit`, or raise `longest gate` in the unit's file.",
        )
    story.draft.gate(0, None, step.limit_us, step.gate, "hold until told to go on", story.here)


def _make_busy(story: Story) -> None:
    """Hold calls from spare ports, or ask a person (on the bench: the bench) to busy the trunks."""
    for holding in trunks.holdings(story.call, story.unit, story.ports):
        busy = holding.trunks
        story.here = busy.place
        story.busy.append(busy)
        if not busy.positions:
            continue
        if not holding.lines:
            name = story.unit.selectors[busy.stage - 1].name
            tell = f"make busy: {name}, level {busy.level}, trunks {trunks.positions_text(busy.positions)}"
            limit_us = story.unit.longest_gate_us
            story.draft.gate(0, None, limit_us, tell, "hold until the trunks are busy", busy.place)
            story.notes.append(f"{busy.place}: a person busies these trunks before the call, and frees them after it")
        for line in holding.lines:
            holder = Person(line.name, line, line.port)
            story.role(holder, wire.CALLING)
            holder.lifted = story.draft.loop(holder.port, True, f"{holder} lifts, to hold a trunk", busy.place)
            story.draft.listen(holder.port, str(holder), busy.place)
            tell = f"dial tone at {holder}"
            limit_us = (story.windows.dial_tone_delay.high_us or 0) + HEARING_US
            story.draft.gate(holder.port, story.unit.tones.dial, limit_us, tell, f"hold for {tell}", busy.place)
            story.draft.deaf(busy.place)
            dial.send(story, holder, busy.prefix, busy.place)
            story.fixed_wait("let the held call take its trunk", story.dial_how.pause_us)
            story.holders.append(holder)


def _must_not(story: Story) -> None:
    """Ask for what must not happen anywhere in the call."""
    said = "this script: must not"
    port = story.caller.port if story.caller is not None else 0
    for position, what in enumerate(story.script.must_not):
        story.here = story.call.place("must not", position)
        if what == "another line rings":
            window = Window(0, 0, "rings", said)
            story.expect(Check.OTHERS_RANG, "no other line rings", window, other_port=story.called_port)
        elif what == "any ringing":
            story.expect(Check.NO_RINGING, "no ringing anywhere", Window(0, 0, "rings", said))
        elif what == "reversal":
            story.expect(Check.NO_REVERSAL, "no reversal", Window(0, 0, "reversals", said), port=port)
        else:
            kind, why = Check.NO_OVERFLOW, "nothing is listened to in it"
            if what == "ringing after clearing":
                kind, why = Check.NO_RINGING, "nothing may ring in it"
            if not any(expectation.check is kind for expectation in story.wanted.found):
                if story.rehearses and what == "ringing after clearing":
                    continue
                raise PlanError(
                    f"'{what}' has no place in this call: {why}", where=story.here, next_step="Leave it out."
                )


def _plan(story: Story) -> Plan:
    steps = tuple(story.draft.steps)
    return Plan(
        script=story.script.name,
        title=story.script.title,
        unit=story.unit.name,
        pace=story.pace,
        number=story.number,
        digits=story.digits,
        caller_port=story.caller.port if story.caller is not None else 0,
        called_port=story.called_port,
        timeline=Timeline(steps, tuple(story.roles)),
        expectations=story.wanted.finish(all_used=not story.rehearses),
        pace_table=(*story.rows, *_fixed_rows(story)),
        gates=tuple(story.draft.gates),
        busy_trunks=tuple(story.busy),
        least_us=check.least_us(steps),
        most_us=check.most_us(steps),
        ringing=story.draft.rang,
        notes=tuple(story.notes),
    )


def _fixed_rows(story: Story) -> list[PaceRow]:
    """Say what no pace changes."""
    release = time_text(story.release_us)
    rows = [("release", release, "slow relays and restoring shafts take their own time")]
    if story.draft.rang:
        ringing = f"{time_text(story.unit.ringing.on_us)} on, {time_text(story.unit.ringing.off_us)} off"
        rows.append(("ringing", ringing, "the interrupter's cams turn at one speed"))
    rows.append(("tones", "as they come", "the exchange makes them"))
    return [PaceRow(part, Stretch.FIXED, text, text, text, why) for part, text, why in rows]
