"""The plan as a value: printed, compared, checked and stored before any port is opened."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum
from fractions import Fraction

from demo_ctl.office.model import Tone
from demo_ctl.terms.errors import Place
from demo_ctl.terms.window import Window


@dataclass(frozen=True)
class Step:
    """One board instruction (wire.messages OP_*), who asked for it, and what people call it."""

    op: int
    port: int
    x: int
    a: int
    b: int
    label: str
    place: Place
    #: The digit this PULSES step sends ("0".."9"), else "".
    digit: str = ""


@dataclass(frozen=True)
class Timeline:
    """Instructions in order, and the role of each port (index 0 is port 1)."""

    steps: tuple[Step, ...]
    roles: tuple[int, ...]


class Check(Enum):
    """Kinds of check. Each is one function of `measure`; the value is the name used in scripts' `expect`."""

    DIAL_TONE_DELAY = "dial tone delay"  # index: the LOOP that lifted; tone onset on port
    DIAL_TONE_STOP = "dial tone stop"  # index: the first PULSES; last dial tone heard on port up to the end of until
    PULSES = "pulses"  # index: a PULSES; breaks sensed on port
    PULSE_SPEED_SENT = "pulse speed sent"  # indices: all PULSES; worst digit, from the board's stamps
    PULSE_SPEED = "pulse speed"  # indices: all PULSES; worst digit, from sensed edges
    PERCENT_BREAK_SENT = "percent break sent"
    PERCENT_BREAK = "percent break"
    INTERDIGITAL = "interdigital"  # indices: all PULSES; shortest pause sensed, last break's end to next digit's break
    CUT_THROUGH = "cut through"  # index: a selector digit's PULSES; transfer dip on port
    POST_DIAL_DELAY = "post dial delay"  # index: last PULSES; onset of `tone` on port
    FIRST_RING = "first ring"  # index: last PULSES; ringing on other_port
    RANG = "rang"  # bursts sensed on other_port
    RING_ON = "ring on"  # worst complete burst on other_port
    RING_OFF = "ring off"  # worst complete pause on other_port
    RING_TRIP = "ring trip"  # index: the answer's LOOP; ringing gone, or the transfer dip, on other_port
    ANSWER_REVERSAL = "answer reversal"  # index: the answer's LOOP; REVERSED on port
    CLEAR_REVERSAL = "clear reversal"  # index: the called party's LOOP open; NORMAL again on port
    RELEASE = "release"  # index: the LOOP that hung up (or a long flash's break); line's own battery back on port
    TONE = "tone"  # `tone` heard on port between index and until: 1 or 0
    TONE_ON = "tone on"  # worst on time of an interrupted `tone`
    TONE_OFF = "tone off"
    HELD = "held"  # after a short flash (index), or after any other step: signs of release up to until, must be 0
    OTHERS_RANG = "others rang"  # bursts on any port but other_port
    NO_RINGING = "no ringing"  # bursts begun on any port after step index ended, up to the end of step until
    NO_REVERSAL = "no reversal"  # reversals on port
    NO_OVERFLOW = "no overflow"  # overflow `tone` heard on port


@dataclass(frozen=True)
class Expectation:
    """One thing to be measured and judged.

    index: the timeline step it counts from; until: the step that ends its stretch (-1: end of the plan).
    indices: for checks over several steps. A check that is not `required` may end as not measured without
    failing the call (a dip may be too short to sense). left_out: why this plan does not do what the check is about (a
    rehearsal does not ring); it is not run then, and its steps are none of the timeline's.
    """

    id: str
    check: Check
    title: str
    window: Window
    place: Place
    port: int = 0
    other_port: int = 0
    index: int = 0
    until: int = -1
    indices: tuple[int, ...] = ()
    tone: Tone | None = None
    required: bool = True
    left_out: str = ""


class Stretch(Enum):
    """The three kinds of time."""

    STRETCHABLE = "stretchable"
    BOUNDED = "bounded"
    FIXED = "fixed"


@dataclass(frozen=True)
class PaceRow:
    """For one part of the call: what the pace asked, what it got, and why."""

    part: str
    kind: Stretch
    normal: str
    asked: str
    got: str
    why: str


@dataclass(frozen=True)
class BusyTrunks:
    """Trunks that must be busy before the call. met_by: "held calls", or "person" (or the bench)."""

    stage: int
    level: str
    prefix: str
    positions: tuple[int, ...]
    met_by: str
    place: Place


@dataclass(frozen=True)
class Gate:
    """A place where the board waits for the host. tone: go on when it is heard on port; None: a person says so.

    stage: the kind of stable point where a show may hold (`stops.STOPS`); empty: not a show's gate. A show's gate that
    nobody opens goes on by itself at its limit; at any other the call ends there.
    """

    number: int
    index: int
    port: int
    tone: Tone | None
    tell: str
    limit_us: int
    stage: str = ""


@dataclass(frozen=True)
class Plan:
    """Everything about a call before it runs."""

    script: str
    title: str
    unit: str
    pace: Fraction
    number: str
    digits: str
    caller_port: int
    called_port: int
    timeline: Timeline
    expectations: tuple[Expectation, ...]
    pace_table: tuple[PaceRow, ...]
    gates: tuple[Gate, ...] = ()
    busy_trunks: tuple[BusyTrunks, ...] = ()
    #: Shortest and longest time the timeline can take, microseconds (waits at zero, waits at their limits).
    least_us: int = 0
    most_us: int = 0
    ringing: bool = False
    notes: tuple[str, ...] = field(default=())
