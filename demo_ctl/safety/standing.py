"""How the guard stands, in plain words: state, inputs, what is measured, what is in the way. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from demo_ctl.link.advice import NOT_TURNED, name_after, of_obstacle, of_reason, of_tripped
from demo_ctl.wire import messages as m

#: For each guard state: one sentence for somebody who stands before the unit.
STATES = (
    "Ringing is off.",
    "RINGING VOLTAGE MAY BE ON A LINE NOW.",
    "Ringing is off and locked: the board has started, and nobody has turned the key since.",
    "Ringing is off: the key is off.",
    "Ringing is off; the guard is proving itself.",
    "Ringing is off; the guard is ready to let it through.",
    "Ringing is being taken off.",
    "RINGING IS TRIPPED. It stays off until a person turns the key off and on.",
)

ALARM = "ALARM"
#: For each input: what it is, what 1 means, what 0 means (a broken wire reads 0).
INPUTS = (
    ("safety chain, channel A", "closed", "open"),
    ("safety chain, channel B", "closed", "open"),
    ("guard relay A", "down", "up (or its mirror contact's wire is broken)"),
    ("guard relay B", "down", "up (or its mirror contact's wire is broken)"),
    ("key", "on", "off"),
    ("button", "not pressed", "pressed"),
    ("key at night", "yes", "no"),
    ("covers' second contacts", "closed", "open"),
    ("presence detector", "nobody there", "somebody there"),
    ("fuse alarm", "quiet", ALARM),
    ("release alarm", "quiet", ALARM),
    ("supervisory alarm", "quiet", ALARM),
    ("smoke contact", "quiet", ALARM),
)


@dataclass(frozen=True)
class Row:
    """One thing and how it is. value: in words or with its unit."""

    name: str
    value: str


@dataclass(frozen=True)
class Standing:
    """How the guard stands.

    why: why it tripped, "" when it did not; obstacle: why ringing would not be allowed now, "" when it would;
    next_step: what to do; permit: whether the unit's supply is permitted, and why not.
    """

    headline: str
    why: str
    obstacle: str
    next_step: str
    inputs: tuple[Row, ...]
    measured: tuple[Row, ...]
    allowance: tuple[Row, ...]
    permit: str


def standing(safety: m.Safety, trip: m.Trip | None = None, *, refused: bool = False) -> Standing:
    """Put the board's own account into words. trip: its latest trip, if any.

    refused: calls that ring are, for what the board knows nothing of: a proving, a meter.
    """
    state = (
        STATES[safety.state] if safety.state < len(STATES) else f"The guard is in a state {safety.state} unknown here."
    )
    blocked = safety.state == m.G_TRIPPED or safety.obstacle != m.R_NONE
    tripped = safety.state == m.G_TRIPPED
    advice = of_tripped(safety, trip) if tripped else of_obstacle(safety)
    permit = _permit(safety)
    if safety.state == m.G_SAFE and not blocked:
        alarms = any(no == ALARM and not safety.inputs >> bit & 1 for bit, (_, _, no) in enumerate(INPUTS))
        well = " Calls that ring are refused: read on." if refused else " Nothing is wrong."
        state += " AN ALARM CONTACT IS OPEN." if alarms else well
    elif advice is NOT_TURNED:
        state = "Ringing is off and locked, until the key has been turned with everything closed."
    return Standing(
        headline=state,
        why=_why(safety, trip) if tripped else "",
        obstacle=advice.what if blocked else "",
        next_step=advice.advice if blocked else "",
        inputs=inputs_in_words(safety.inputs),
        measured=(
            Row("ringing bus, behind the guard", volts(safety.bus_mV)),
            Row("ringing current", milliamps(safety.bus_uA)),
            Row("ringing generator", volts(safety.supply_mV)),
            Row("battery", volts(safety.battery_mV)),
        ),
        allowance=(
            Row("limits of", word(m.MODES, safety.mode)),
            Row("ringing left in this call", seconds(safety.call_left_ms)),
            Row(
                "ringing left in this hour",
                f"{seconds(safety.hour_left_ms)} (after a rest: half of the hour's limit; the other half comes back as "
                "the hour passes, so that no hour ever has more than all of it)",
            ),
            Row("trips since the board started", "255 or more" if safety.trips >= 255 else str(safety.trips)),
            Row("supply permit", permit),
        ),
        permit=permit,
    )


def _permit(safety: m.Safety) -> str:
    """Say whether the unit's supply is permitted. Its reason is the last one, which may be over."""
    if safety.permit:
        return "given"
    if not safety.inputs & m.IN_KEY:
        return "not given: the key is off"
    if not safety.inputs & m.IN_NIGHT:
        return "not given; by day the key itself holds the unit's supply"
    if safety.permit_reason in (m.R_NONE, m.R_LEASE, m.R_KEY):
        return "not given: nobody asks for it now (demo_ctl safety permit does)"
    return f"not given; what took it last: {of_reason(safety.permit_reason).what}"


def _why(safety: m.Safety, trip: m.Trip | None) -> str:
    """Name why the guard tripped, and what came after, if that is another thing."""
    if trip is None or trip.worse == m.R_NONE or trip.worse != safety.reason:
        return name_of(safety.reason)
    return f"{name_of(trip.reason)}; and then: {name_after(trip.worse, trip.state)}"


def inputs_in_words(inputs: int) -> tuple[Row, ...]:
    """Say how each of the board's inputs reads."""
    return tuple(Row(name, yes if inputs >> bit & 1 else no) for bit, (name, yes, no) in enumerate(INPUTS))


def name_of(reason: int) -> str:
    """Return a reason's short name."""
    return word(m.R_NAMES, reason)


def volts(mV: int) -> str:
    """Write a voltage."""
    return f"{mV / 1000:.1f} V"


def milliamps(uA: int) -> str:
    """Write a current."""
    return f"{uA / 1000:.1f} mA"


def seconds(ms: int) -> str:
    """Write a time."""
    return f"{ms / 1000:g} s"


def word(words: tuple[str, ...], code: int) -> str:
    """Return the word for a code, or say the code."""
    return words[code] if code < len(words) else f"code {code}"
