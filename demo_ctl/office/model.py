"""The unit's description as frozen types. In files the keys are plain words; here names end in the unit.

Every group of figures carries a `source`: a published document, or "measured on this unit", or
"common practice, no source".
"""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema

from demo_ctl.terms.lamps import LAMPS_MOST, Lamp
from demo_ctl.terms.quantity import (
    DBm,
    Hertz,
    MilliAmps,
    NanoFarads,
    Ohms,
    Percent,
    PulsesPerSecond,
    StepsPerSecond,
    TimeUs,
    Volts,
)
from demo_ctl.terms.strict import Frozen, Matching
from demo_ctl.terms.window import Window

Source = Annotated[str, Field(min_length=3, max_length=300)]
Name = Annotated[str, Matching(r".{1,60}", "a name of at most 60 characters on one line")]
Digit = Annotated[str, Matching(r"[0-9]", "one digit, 0 to 9", digits=True)]
LevelName = Annotated[str, Field(pattern=r"^[0-9]$", description="the digit dialled to reach the level")]
Number = Annotated[
    str,
    Matching(r"[A-Za-z0-9 .()-]{1,30}", "a number as written, such as KLondike 5-0123 or 342", digits=True),
]
Attached = Annotated[
    str,
    Matching(
        r"port [1-4]|public telephone|staff|nothing",
        "'port 1' to 'port 4', 'public telephone', 'staff' or 'nothing'",
    ),
]


def _positions(value: object) -> tuple[int, ...]:
    """Read trunk positions: `1-10`, `3`, or a list of either."""
    found: list[int] = []
    for part in value if isinstance(value, (list, tuple)) else [value]:
        match = re.fullmatch(r"\s*(\d{1,2})(?:\s*-\s*(\d{1,2}))?\s*", str(part))
        low, high = (int(match[1]), int(match[2] or match[1])) if match else (0, 0)
        if not 1 <= low <= high <= 10:
            raise ValueError(f"expected trunk positions 1 to 10, such as '1-10' or [1, 2, 10], found {part!r}")
        found.extend(range(low, high + 1))
    return tuple(sorted(set(found)))


Positions = Annotated[
    tuple[int, ...],
    BeforeValidator(_positions),
    WithJsonSchema({"type": ["string", "integer", "array"], "description": "trunk positions, such as 1-10 or [1, 2]"}),
]


class Numbering(Frozen):
    """How numbers are written and dialled."""

    digits: int = Field(ge=2, le=12, description="digits a caller dials, absorbed ones included")
    letters: Literal["north american", "e161", "british", "australian"] = "north american"
    pulses: Literal["normal", "plus one", "reversed"] = "normal"
    source: Source


class Dial(Frozen):
    """How the board's pulse generator dials unless a script says otherwise."""

    speed_pps: PulsesPerSecond = Field(alias="speed")
    break_pct: Percent = Field(alias="break")
    pause_us: TimeUs = Field(alias="pause", description="between the last make of a digit and the next break")
    source: Source


class SpeedRange(Frozen):
    """From, to."""

    low_pps: PulsesPerSecond = Field(alias="from")
    high_pps: PulsesPerSecond = Field(alias="to")


class BreakRange(Frozen):
    """From, to."""

    low_pct: Percent = Field(alias="from")
    high_pct: Percent = Field(alias="to")


class Follows(Frozen):
    """What this unit's switches are known to follow: the planner never leaves this region."""

    speed: SpeedRange
    percent_break: BreakRange
    guard_pct: Percent = Field(alias="guard", default=5.0, description="kept inside the edges, per cent of the value")
    least_pause_us: TimeUs = Field(alias="least pause")
    most_pause_us: TimeUs | None = Field(alias="most pause", default=None, description="none: switches wait for ever")
    source: Source


class Supply(Frozen):
    """The battery and the feed of a line."""

    battery_V: Volts = Field(alias="battery")
    least_V: Volts = Field(alias="least")
    most_V: Volts = Field(alias="most")
    feed_ohm: Ohms = Field(alias="feed", description="both windings together")
    source: Source


class Spread(Frozen):
    """A relay's time: typical, and the least and most that this unit's adjustment allows."""

    typical_us: TimeUs = Field(alias="typical")
    least_us: TimeUs = Field(alias="least")
    most_us: TimeUs = Field(alias="most")


class Adjustment(Frozen):
    """Relay and magnet times, as adjusted. The planner reads the bounds, the bench the whole."""

    a_operate: Spread
    a_release: Spread
    b_operate: Spread
    b_hold: Spread
    c_hold: Spread
    line_relay: Spread
    cut_off_relay: Spread
    magnet_operate: Spread
    magnet_release: Spread
    ring_trip: Spread
    reversal: Spread
    transfer: Spread = Field(description="the line's open while one switch hands it to the next")
    restore: Spread
    hunting_sps: StepsPerSecond = Field(alias="hunting")
    finder_sps: StepsPerSecond = Field(alias="finder")
    source: Source


class Coils(Frozen):
    """Windings, for the simulated unit: with these and the times of `adjustment` it works out all other times.

    The times of `adjustment` hold at nominal battery on a line of `reference loop` with one bell and no leak.
    """

    line_operate_mA: MilliAmps = Field(
        alias="line operate", default=14.0, description="a relay that feeds a line just operates"
    )
    line_release_mA: MilliAmps = Field(alias="line release", default=7.0, description="and just releases")
    operate_pct: Percent = Field(alias="operate", default=50.0, description="of the current of a local winding")
    release_pct: Percent = Field(alias="release", default=25.0, description="of the current of a local winding")
    flight_us: TimeUs = Field(alias="flight", default=2000, description="of an armature and its contacts")
    bounce_us: TimeUs = Field(alias="bounce", default=2000, description="of closing contacts, at most")
    reference_ohm: Ohms = Field(alias="reference loop", default=300.0)
    ringing_ohm: Ohms = Field(alias="ringing", default=400.0, description="lamp and leads of the ringing generator")
    source: Source = (
        "common practice, no source: operate above the leak of 10 kohm and below the 21 mA of 7 CFR 1755.522 (f)(1)(i);"
        " flight and bounce inside 1..3 and 1..5 ms"
    )


class Level(Frozen):
    """A selector level's trunk group."""

    trunks: Positions = Field(description="equipped positions; the others are strapped busy")


class Absorbs(Frozen):
    """Digits a selector swallows: the shaft rises and restores, nothing is cut through."""

    digits: tuple[Digit, ...] = Field(min_length=1)
    until: Literal["once", "another digit"] = "once"


class Selector(Frozen):
    """A selector stage. Levels not listed have no trunks: the shaft hunts to overflow."""

    kind: Literal["selector"]
    name: Name
    levels: dict[LevelName, Level]
    absorbs: Absorbs | None = None


class Connector(Frozen):
    """The connector stage: tens vertically, units by rotary, then the busy test."""

    kind: Literal["connector"]
    name: Name
    vacant: Literal["vacant tone", "silence", "busy tone"] = "vacant tone"
    hunting: tuple[tuple[Number, ...], ...] = Field(
        default=(), description="groups of numbers on one level, in the order of their terminals; the first is dialled"
    )


Stage = Annotated[Selector | Connector, Field(discriminator="kind")]


class Line(Frozen):
    """A line: its number, its place on the finders' banks, and what hangs on it.

    attached: a board port; a public telephone or staff, which no plan may ring; or nothing: the connector finds a
    vacant terminal there.
    """

    name: Name
    number: Number
    finder_level: int = Field(ge=1, le=10)
    finder_terminal: int = Field(ge=1, le=10)
    attached: Attached
    loop_ohm: Ohms = Field(alias="loop", default=300.0, description="line and telephone together")
    leak_ohm: Ohms | None = Field(alias="leak", default=None, description="from wire to wire; none: perfect insulation")
    bells: int = Field(ge=0, le=10, default=1, description="ringers bridged across the line")
    cable_nF: NanoFarads = Field(
        alias="cable capacitance", le=2000, default=0.0, description="52 nF a kilometre, from memory"
    )

    @property
    def port(self) -> int:
        """The board port on this line, or 0."""
        return int(self.attached[5:]) if self.attached.startswith("port ") else 0

    @property
    def vacant(self) -> bool:
        """Whether the terminal has nothing on it: the connector gives what it has for vacant terminals."""
        return self.attached == "nothing"


class Finders(Frozen):
    """Line finders, preselected in rotation; each is wired to its own first selector (or connector)."""

    count: int = Field(ge=1, le=20)
    source: Source


class Tone(Frozen):
    """A tone: its parts are summed, its cadence is on, off, on, off... (empty: continuous)."""

    parts_Hz: tuple[Hertz, ...] = Field(alias="parts", min_length=1, max_length=4)
    cadence_us: tuple[TimeUs, ...] = Field(alias="cadence", default=())
    level_dBm: DBm = Field(alias="level")
    tolerance_pct: Percent = Field(alias="tolerance")
    cadence_tolerance_pct: Percent = Field(alias="cadence tolerance", default=10.0)
    source: Source


class Tones(Frozen):
    """The unit's tone plan."""

    dial: Tone
    ringback: Tone
    busy: Tone
    overflow: Tone
    vacant: Tone


class Ringing(Frozen):
    """The ringing supply and its cadence. `longest` may only tighten the board's own limit."""

    frequency_Hz: Hertz = Field(alias="frequency")
    voltage_V: Volts = Field(alias="voltage", description="rms, bus to earth; at most 100 V, less on a high battery")
    on_us: TimeUs = Field(alias="on")
    off_us: TimeUs = Field(alias="off")
    longest_us: TimeUs = Field(alias="longest", description="longest ringing window a plan may open")
    source: Source


class TimeWindow(Frozen):
    """Allowed times."""

    low_us: TimeUs | None = Field(alias="from", default=None)
    high_us: TimeUs | None = Field(alias="to", default=None)
    source: Source

    def window(self) -> Window:
        """In milliseconds."""
        low = None if self.low_us is None else self.low_us / 1000
        high = None if self.high_us is None else self.high_us / 1000
        return Window(low, high, "ms", self.source)


class RateWindow(Frozen):
    """Allowed pulse speeds."""

    low_pps: PulsesPerSecond = Field(alias="from")
    high_pps: PulsesPerSecond = Field(alias="to")
    source: Source

    def window(self) -> Window:
        """In pulses a second."""
        return Window(self.low_pps, self.high_pps, "pps", self.source)


class RatioWindow(Frozen):
    """Allowed percent break."""

    low_pct: Percent = Field(alias="from")
    high_pct: Percent = Field(alias="to")
    source: Source

    def window(self) -> Window:
        """In per cent."""
        return Window(self.low_pct, self.high_pct, "%", self.source)


class Windows(Frozen):
    """What is right on this unit: default expectations of every call. One entry for each kind of check."""

    dial_tone_delay: TimeWindow
    dial_tone_stop: TimeWindow
    pulse_speed: RateWindow
    percent_break: RatioWindow
    interdigital: TimeWindow
    cut_through: TimeWindow = Field(description="last make of a digit to the transfer dip")
    post_dial_delay: TimeWindow = Field(description="last make of the last digit to ringback")
    busy_test: TimeWindow = Field(
        description="last make of the last digit to the connector's busy or vacant tone, were its interrupter just on"
    )
    overflow: TimeWindow = Field(description="last make of a digit to overflow tone, were its interrupter just on")
    first_ring: TimeWindow
    ring_on: TimeWindow
    ring_off: TimeWindow
    ring_trip: TimeWindow
    answer_reversal: TimeWindow
    clear_reversal: TimeWindow = Field(description="called party hangs up to normal polarity at the caller")
    release: TimeWindow


def _different(names: tuple[str, ...]) -> tuple[str, ...]:
    """Refuse a name given twice."""
    for index, name in enumerate(names):
        if name in names[:index]:
            raise ValueError(f"expected names that differ, found {name!r} twice")
    return names


class Safety(Frozen):
    """What proves the ringing guard of this unit: `demo_ctl safety prove` asks for it."""

    covers: Annotated[tuple[Name, ...], AfterValidator(_different)] = Field(
        default=(), max_length=20, description="the names of its covers; the proving has each of them opened"
    )
    proving_age_us: TimeUs = Field(
        alias="proving age",
        default=86_400_000_000,
        gt=0,
        description="a call that rings wants a proving of the guard no older than this",
    )
    source: Source = "proven each morning, before the public comes: common practice, no source"


class Unit(Frozen):
    """One exchange demonstration unit."""

    format: Literal["demo_ctl unit 1"]
    name: Name
    about: str = Field(default="", max_length=2000)
    numbering: Numbering
    dial: Dial
    follows: Follows
    supply: Supply
    finders: Finders
    train: tuple[Stage, ...] = Field(min_length=1, max_length=6)
    lines: tuple[Line, ...] = Field(min_length=2, max_length=100)
    tones: Tones
    ringing: Ringing
    adjustment: Adjustment
    coils: Coils = Coils()
    windows: Windows
    safety: Safety = Safety()
    lamps: tuple[Lamp, ...] = Field(
        default=(), max_length=LAMPS_MOST, description="the board's lamps; a show or an exhibit may have its own list"
    )
    longest_gate_us: TimeUs = Field(alias="longest gate")
    rest_us: TimeUs = Field(alias="rest", description="between the release of one call and the next")

    @property
    def switch_names(self) -> tuple[str, ...]:
        """What the stages of a call are called, the line finder's first."""
        return ("line finder", *(stage.name for stage in self.train))

    @property
    def selectors(self) -> tuple[Selector, ...]:
        """The selector stages, in order."""
        return tuple(stage for stage in self.train if isinstance(stage, Selector))

    @property
    def connector(self) -> Connector:
        """The last stage."""
        last = self.train[-1]
        assert isinstance(last, Connector)
        return last

    def line(self, name: str) -> Line | None:
        """Find a line by its name."""
        return next((line for line in self.lines if line.name == name), None)

    def line_at_port(self, port: int) -> Line | None:
        """Find the line that a board port hangs on."""
        return next((line for line in self.lines if port and line.port == port), None)
