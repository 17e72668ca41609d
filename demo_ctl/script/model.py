"""A call script by intent: who lifts, what is awaited, what is dialled, who answers, who hangs up first.

A step in a file is a mapping whose one verb says what it is (`lift: caller`), with its options beside it.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Discriminator, Field, Tag, WithJsonSchema

from demo_ctl.terms.quantity import Percent, PulsesPerSecond, TimeUs, parse_us
from demo_ctl.terms.strict import Frozen, Matching

Awaited = Literal[
    "dial tone",
    "ringing",
    "ringback",
    "busy tone",
    "overflow tone",
    "vacant tone",
    "reversal",
    "normal polarity",
]
Tones = ("dial tone", "ringback", "busy tone", "overflow tone", "vacant tone")


LineName = Annotated[str, Matching(r".{1,60}", "the name of a line of the unit")]
Party = Annotated[str, Matching(r".{1,40}", "one of the script's parties")]


class Rings(Frozen):
    """A number of rings."""

    rings: int = Field(ge=1, le=30)


def _after(value: object) -> object:
    """Read `2 rings`, `1 ring` or a time."""
    if isinstance(value, (Rings, int)) and not isinstance(value, bool):
        return value
    match = re.fullmatch(r"\s*(\d{1,2})\s+rings?\s*", value) if isinstance(value, str) else None
    if match:
        return Rings(rings=int(match[1]))
    try:
        return parse_us(value)
    except ValueError:
        raise ValueError(
            f"expected a number of rings or a time, such as '2 rings' or '3 s', found {value!r:.60}"
        ) from None


After = Annotated[
    Rings | int,
    BeforeValidator(_after),
    WithJsonSchema({"type": "string", "description": "'2 rings', or a time such as '3 s'", "examples": ["2 rings"]}),
]


class Lift(Frozen):
    """A party lifts the handset."""

    lift: Party


class Await(Frozen):
    """Wait until something is sensed. Tones are heard on the listening channel.

    within: limit (default from the unit's windows). for: how long a tone is listened to. rings: with `ringing`, how
    many rings are waited for (the last one to its end).
    """

    awaited: Awaited = Field(alias="await")
    at: Party | None = Field(default=None, description="where it is sensed; if left out, where it belongs")
    within_us: TimeUs | None = Field(alias="within", default=None, description="limit; if left out, the unit's window")
    for_us: TimeUs | None = Field(alias="for", default=None, description="how long a tone is listened to")
    rings: int | None = Field(default=None, ge=1, le=30, description="with `ringing`: how many rings to wait for")


class Dial(Frozen):
    """The caller dials: a party's or a line's number, or a number as written.

    only: dial just the first so many digits. party: who dials (default: the caller).
    """

    dial: Annotated[str, Matching(r".{1,60}", "a party, the name of a line, or a number as written", digits=True)]
    only: int | None = Field(default=None, ge=1, le=12, description="just the first so many digits")
    party: Party = "caller"


class Answer(Frozen):
    """The called party answers."""

    answer: Party
    after: After = Rings(rings=1)
    during: Literal["ringing", "silence"] = Field(default="silence", description="inside a ring, or between two")


class Talk(Frozen):
    """Both talk: the dwell may be stretched."""

    talk_us: TimeUs = Field(alias="talk")


class Pause(Frozen):
    """Nothing happens for a while: may be stretched."""

    pause_us: TimeUs = Field(alias="pause")


class Flash(Frozen):
    """A party opens the loop for a moment. Not stretched."""

    flash: Party
    open_us: TimeUs = Field(alias="open")
    shows: Literal["digit 1", "break", "release"] = Field(description="what this unit should make of it")


class HangUp(Frozen):
    """A party hangs up."""

    hang_up: Party


class Gate(Frozen):
    """Hold here until the presenter says go on."""

    gate: str = Field(max_length=200, description="what the presenter is told")
    limit_us: TimeUs = Field(alias="limit")


VERBS: dict[str, type[Frozen]] = {
    "lift": Lift,
    "await": Await,
    "dial": Dial,
    "answer": Answer,
    "talk": Talk,
    "pause": Pause,
    "flash": Flash,
    "hang up": HangUp,
    "gate": Gate,
}


def _verb(value: Any) -> str | None:
    if isinstance(value, dict):
        verbs = [verb for verb in VERBS if verb in value]
        return verbs[0] if len(verbs) == 1 else None
    return next((verb for verb, kind in VERBS.items() if isinstance(value, kind)), None)


Step = Annotated[
    Annotated[Lift, Tag("lift")]
    | Annotated[Await, Tag("await")]
    | Annotated[Dial, Tag("dial")]
    | Annotated[Answer, Tag("answer")]
    | Annotated[Talk, Tag("talk")]
    | Annotated[Pause, Tag("pause")]
    | Annotated[Flash, Tag("flash")]
    | Annotated[HangUp, Tag("hang up")]
    | Annotated[Gate, Tag("gate")],
    Discriminator(
        _verb,
        custom_error_type="no_verb",
        custom_error_message="a step begins with one of: " + ", ".join(VERBS),
    ),
]


class TrunksBusy(Frozen):
    """Trunks that must be busy before the call: met by held calls, by a person, or by the bench."""

    stage: int = Field(ge=1, le=5, description="1 is the first selector")
    level: Annotated[str, Matching(r"[0-9]|dialled", "a level, 0 to 9, or 'dialled'", digits=True)] = "dialled"
    trunks: Literal["all", "all but last"] = "all"


Bound = Annotated[
    str,
    WithJsonSchema(
        {
            "anyOf": [{"type": "string"}, {"type": "integer", "minimum": 0}],
            "description": "with its unit, such as 600 ms, 10 pps or 61 %; a bare number for a count",
        }
    ),
]


class Override(Frozen):
    """An expectation of this script's own: replaces the unit's window. Values carry units."""

    low: Bound | None = Field(alias="from", default=None)
    high: Bound | None = Field(alias="to", default=None)
    source: str = Field(default="this script", max_length=300)


class DialAs(Frozen):
    """How this script dials, where it differs from the unit's dial."""

    speed_pps: PulsesPerSecond | None = Field(alias="speed", default=None)
    break_pct: Percent | None = Field(alias="break", default=None)
    pause_us: TimeUs | None = Field(alias="pause", default=None)


#: Kinds of check as `expect` names them, and the dimension of their window ("count": a whole number). The checks
#: themselves are in `plan`, which this room does not import; a test holds the two lists equal.
CHECKS: dict[str, str] = {
    "dial tone delay": "time",
    "dial tone stop": "time",
    "pulses": "count",
    "pulse speed sent": "rate",
    "pulse speed": "rate",
    "percent break sent": "ratio",
    "percent break": "ratio",
    "interdigital": "time",
    "cut through": "time",
    "post dial delay": "time",
    "first ring": "time",
    "rang": "count",
    "ring on": "time",
    "ring off": "time",
    "ring trip": "time",
    "answer reversal": "time",
    "clear reversal": "time",
    "release": "time",
    "tone": "count",
    "tone on": "time",
    "tone off": "time",
    "held": "count",
    "others rang": "count",
    "no ringing": "count",
    "no reversal": "count",
    "no overflow": "count",
}

MustNot = Literal["any ringing", "another line rings", "reversal", "overflow tone", "ringing after clearing"]


class Call(Frozen):
    """One scripted call."""

    format: Literal["demo_ctl call 1"]
    name: Annotated[
        str, Matching(r"[a-z0-9][a-z0-9-]{0,39}", "small letters, digits and hyphens, at most 40, such as no-answer")
    ]
    title: str = Field(max_length=100)
    about: str = Field(default="", max_length=2000)
    parties: dict[Party, LineName] = Field(min_length=1, description="party -> name of a line of the unit")
    trunks_busy: tuple[TrunksBusy, ...] = ()
    dial_as: DialAs = DialAs()
    steps: tuple[Step, ...] = Field(min_length=1, max_length=60)
    expect: dict[str, Override] = Field(default={}, description="kind of check -> window")
    must_not: tuple[MustNot, ...] = ("another line rings",)
