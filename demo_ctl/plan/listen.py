"""Awaiting tones: dial tone by a gate the host opens when it hears it, the others by listening long enough.

There is one listening channel. It is given to a party as soon as something it will hear is counted from now, and
taken back once nothing that follows needs it there.
"""

from __future__ import annotations

from demo_ctl.office.model import Tone
from demo_ctl.plan import gates, stops
from demo_ctl.plan.expect import cadence_windows, widened
from demo_ctl.plan.model import Check
from demo_ctl.plan.reach import End
from demo_ctl.plan.rings import SLOW
from demo_ctl.plan.story import HEARING_US, Connection, Person, Ringback, Story
from demo_ctl.script.model import Answer, Await, Dial, Flash, HangUp, Tones
from demo_ctl.terms.errors import PlanError
from demo_ctl.terms.window import Window

#: From hearing dial tone to the first pulse, at normal speed. People need about 3 s (facts D19); half a second still
#: lets the tone be heard, and is far beyond "ready 70 ms after the tone" (facts V03). Common practice, no source.
REACTION_US = 500_000

#: A steady tone is listened to this long, an interrupted one for this many of its periods. Common practice, no source.
STEADY_US = 2_000_000
PERIODS = 3

TONE_NAMES = {
    "ringback": "ringback",
    "busy tone": "busy",
    "overflow tone": "overflow",
    "vacant tone": "vacant",
}


def awaited_tones(story: Story, listener: Person, start: int) -> list[str]:
    """Tones awaited at a party from a step on, until it hangs up or flashes the call away."""
    found: list[str] = []
    for step in story.script.steps[start:]:
        if isinstance(step, HangUp) and step.hang_up == listener.name:
            break
        if isinstance(step, Await) and step.awaited in Tones and (step.at or "caller") == listener.name:
            found.append(step.awaited)
        if isinstance(step, Flash) and step.flash == listener.name and step.shows == "release":
            break
    return found


def dials_next(story: Story, person: Person, start: int) -> bool:
    """Whether a party will dial, or flash a digit, on the dial tone it has or awaits."""
    for step in story.script.steps[start:]:
        if isinstance(step, HangUp) and step.hang_up == person.name:
            return False
        if isinstance(step, Dial) and step.party == person.name:
            return True
        if isinstance(step, Flash) and step.flash == person.name and step.shows != "break":
            return step.shows == "digit 1"
    return False


def begin_for_dial_tone(story: Story, person: Person) -> None:
    """Listen from now if dial tone that is counted from now will be awaited here, and the channel is free."""
    start = story.step_index + 1
    awaits = "dial tone" in awaited_tones(story, person, start) or dials_next(story, person, start)
    if awaits and not story.draft.listening:
        story.draft.listen(person.port, str(person), story.here)


def still_wanted(story: Story, start: int) -> bool:
    """Whether a step from `start` on needs the listening channel where it is now."""
    listener = next((each for each in story.people.values() if each.port == story.draft.listening), None)
    if listener is None or listener.lifted < 0:
        return False
    connection = story.connection
    if connection is not None and connection.caller is listener:
        if connection.answered >= 0:
            return False
        if "overflow tone" in story.script.must_not or connection.ringback is not None:
            return True
        return bool(awaited_tones(story, listener, start))
    if listener.heard_tone:
        return dials_next(story, listener, start)
    return "dial tone" in awaited_tones(story, listener, start) or dials_next(story, listener, start)


def stop(story: Story) -> None:
    """Give the channel free, and ask for the overflow tone that must not have been heard on it."""
    draft = story.draft
    port, start = draft.listening, draft.listening_from
    if not port:
        return
    draft.deaf(story.here)
    if "overflow tone" not in story.script.must_not:
        return
    connection = story.connection
    dialled = connection is not None and connection.caller.port == port and connection.last < start
    if dialled or not any(isinstance(step, Dial) for step in story.script.steps):
        story.expect(
            Check.NO_OVERFLOW,
            "no overflow tone",
            Window(0, 0, "", "this script: must not"),
            port=port,
            index=start,
            until=draft.last,
            tone=story.unit.tones.overflow,
            place=story.call.place("must not", story.script.must_not.index("overflow tone")),
        )


def dial_tone(story: Story, person: Person, within_us: int | None = None, for_us: int | None = None) -> None:
    """Hold until dial tone is heard; listen to it for a while, or pause as a person does before dialling."""
    draft, windows = story.draft, story.windows
    if person.lifted < 0 or person.tone_from < 0:
        raise PlanError(f"{person} awaits dial tone, but has not lifted", where=story.here, next_step="Lift first.")
    if person.digits:
        raise PlanError(
            f"{person} awaits dial tone after dialling", where=story.here, next_step="Hang up and lift again first."
        )
    window = story.wanted.window(Check.DIAL_TONE_DELAY, windows.dial_tone_delay.window())
    # A narrower window of the script's own is for judging; it must not end the call before it is judged.
    high_us = max(windows.dial_tone_delay.high_us or 0, round((window.high or 0) * 1000))
    if person.tone_after_release:
        extra = story.release_us / 1000
        window = widened(window, high=extra, why=f"counted from the other's hanging up: release of up to {extra:g} ms")
        high_us += story.release_us
    late = draft.listening != person.port and draft.span(person.tone_from)[1] > 0
    if draft.listening != person.port:
        stop(story)
    start = draft.listen(person.port, str(person), story.here)
    limit_us = within_us if within_us is not None else high_us + HEARING_US
    tell = f"dial tone at {person}"
    gate = draft.gate(person.port, story.unit.tones.dial, limit_us, tell, f"hold for {tell}", story.here)
    if late:
        story.notes.append(f"{story.here}: listening began late; the delay of {tell} may not be measured")
    story.expect(
        Check.DIAL_TONE_DELAY,
        f"dial tone delay at {person}",
        window,
        port=person.port,
        index=person.tone_from,
        until=gate,
        tone=story.unit.tones.dial,
        required=not late,
        own=False,
    )
    person.heard_tone = True
    if for_us is not None:
        until = story.dwell(f"listen to dial tone at {person}", for_us)
        story.expect(
            Check.TONE,
            f"dial tone at {person}",
            Window(1, 1, "", "this script"),
            port=person.port,
            index=start,
            until=until,
            tone=story.unit.tones.dial,
        )
    elif dials_next(story, person, story.step_index):
        story.dwell("pause before dialling", REACTION_US)
    if not person.tone_after_release:
        gates.hold(story, stops.DIAL_TONE, f"on dial tone at {person}")


def await_tone(story: Story, connection: Connection, step: Await) -> None:
    """Listen at the caller long enough to judge a tone and its cadence.

    Ringback without `for`, followed by an answer or by counted rings, costs no time of its own: it is heard
    while the bell rings.
    """
    caller, name = connection.caller, step.awaited
    if step.at is not None and story.person(step.at) is not caller:
        raise PlanError(f"{name} is awaited at {step.at}, but {caller} dialled", where=story.here)
    _fits(story, connection, name)
    tone: Tone = getattr(story.unit.tones, TONE_NAMES[name])
    start = story.draft.listen(caller.port, str(caller), story.here)
    if name == "ringback" and step.for_us is None and _rung_later(story):
        connection.ringback = connection.ringback or Ringback(story.here, start)
        return
    if not connection.lead_waited:
        lead_us = step.within_us
        if lead_us is None:
            window = story.wanted.window(Check.POST_DIAL_DELAY, delay_window(story, connection, name, tone))
            lead_us = round((window.high or 0) * 1000) - story.draft.span(connection.last)[0]
        if lead_us > 0:
            story.fixed_wait(f"{name} must have begun", lead_us)
        connection.lead_waited = True
    need_us = PERIODS * sum(tone.cadence_us) if tone.cadence_us else STEADY_US
    long_us = need_us if step.for_us is None else step.for_us
    until = story.dwell(f"listen to {name}", long_us, min(need_us, long_us))
    # Wherever listening begins in the cadence, a whole part is heard within a period and that part (10 % slow).
    sure_us = story.draft.least[until]
    on, off = max(tone.cadence_us[0::2], default=0), max(tone.cadence_us[1::2], default=0)
    period = sum(tone.cadence_us)
    whole = (sure_us >= (period + on) * SLOW, sure_us >= (period + off) * SLOW)
    tone_checks(story, connection, name, tone, start, until, whole)
    if name != "ringback":
        gates.hold(story, stops.TONE, f"on {name}")


def delay_window(story: Story, connection: Connection, name: str, tone: Tone) -> Window:
    """Say when a tone may begin after the last digit.

    Ringback waits for the ringing's interrupter, and its window says so. The other tones are there as soon as the
    connector has tested (facts T14) or the selector has turned past its last trunk (T11), or when their own
    interrupter next closes.
    """
    unit, windows = story.unit, story.windows
    if name == "ringback":
        return windows.post_dial_delay.window()
    window = (windows.overflow if name == "overflow tone" else windows.busy_test).window()
    if hunts := connection.reach.hunts:
        hunt_ms = hunts * 1000 / unit.adjustment.hunting_sps
        window = widened(window, high=hunt_ms, why=f"hunting over {hunts} terminals: {hunt_ms:.3g} ms")
    silence_us = max(tone.cadence_us[1::2], default=0)
    if silence_us:
        late_ms = silence_us * (1 + tone.cadence_tolerance_pct / 100) / 1000
        window = widened(window, high=late_ms, why=f"its interrupter may just have opened: {late_ms:.3g} ms")
    return window


def tone_checks(
    story: Story,
    connection: Connection,
    name: str,
    tone: Tone,
    start: int,
    until: int,
    whole: tuple[bool, bool],
) -> None:
    """Expect a tone's delay, its presence, and its cadence as far as a whole on and a whole off are surely heard."""
    port = connection.caller.port
    story.expect(
        Check.POST_DIAL_DELAY,
        f"{name} after the last digit",
        delay_window(story, connection, name, tone),
        port=port,
        index=connection.last,
        until=until,
        tone=tone,
    )
    story.expect(
        Check.TONE,
        f"{name} at {connection.caller}",
        Window(1, 1, "", "this script"),
        port=port,
        index=start,
        until=until,
        tone=tone,
    )
    windows = cadence_windows(tone)
    if windows is None:
        return
    for check, title, window, sure in (
        (Check.TONE_ON, f"{name}: on", windows[0], whole[0]),
        (Check.TONE_OFF, f"{name}: off", windows[1], whole[1]),
    ):
        if sure or story.wanted.has_own(check):
            story.expect(check, title, window, port=port, index=start, until=until, tone=tone)


def _rung_later(story: Story) -> bool:
    """Whether an answer, or counted rings, follow before anybody hangs up: they say how long the bell rings."""
    for step in story.script.steps[story.step_index + 1 :]:
        if isinstance(step, HangUp):
            return False
        if isinstance(step, Answer) or (isinstance(step, Await) and step.awaited == "ringing"):
            return True
    return False


def _fits(story: Story, connection: Connection, name: str) -> None:
    """Refuse to await a tone that this call cannot bring."""
    end, vacant = connection.reach.end, story.unit.connector.vacant
    fits = {
        "ringback": end is End.RINGS and connection.answered < 0,
        "busy tone": end is End.BUSY or (end is End.VACANT and vacant == "busy tone"),
        "overflow tone": end is End.OVERFLOW,
        "vacant tone": end is End.VACANT and vacant == "vacant tone",
    }[name]
    if fits:
        return
    advice = {
        "ringback": "Ringback is heard while a free line is rung.",
        "busy tone": "Lift the called party first, so that its line is busy.",
        "overflow tone": "Say under `trunks busy` which trunks are taken.",
        "vacant tone": "Dial a number with nothing on it; the unit's connector says what such a number gets.",
    }[name]
    found = "the call has been answered" if connection.answered >= 0 else f"with this number {end.value}"
    raise PlanError(f"{name} is awaited, but {found}", where=story.here, next_step=advice)
