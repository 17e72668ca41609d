"""An exhibit: what a screen shows by itself all day, and what a visitor's push button may do to real switches.

How it is written: `attract` lists recorded calls that are shown in turn, over and over; `calls` lists scripts, one of
which is placed at each press of the button, in turn, when the hours, the cool-down, the wear budget and the board
allow it. When they do not, a press shows a recorded call. Names of files are seen from the exhibit's own folder.
"""

from __future__ import annotations

from datetime import date
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from demo_ctl.script.sheet import Caption, FileName, Language, Pace, Screen, Stage, Title, Unfold, YesNo
from demo_ctl.terms.lamps import OwnLamps
from demo_ctl.terms.quantity import TimeUs
from demo_ctl.terms.strict import Frozen, Matching

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")

DAY_MINUTES = 24 * 60


def _days(value: object) -> object:
    """Read `every day` as the list it stands for."""
    if value == "every day":
        return DAYS
    if isinstance(value, str) or value is None:
        found = "nothing" if value is None else repr(value)[:60]
        raise ValueError(f"expected every day, or a list of {', '.join(DAYS)}, found {found}")
    return value


Days = Annotated[
    tuple[Day, ...],
    BeforeValidator(_days),
    WithJsonSchema(
        {
            "anyOf": [{"const": "every day"}, {"type": "array", "items": {"enum": list(DAYS)}, "uniqueItems": True}],
            "description": "weekdays",
        }
    ),
]


def _minute(value: object) -> object:
    """Read `09:30` as minutes since midnight."""
    if isinstance(value, int) and not isinstance(value, bool):
        return value
    if isinstance(value, str) and len(value) == 5 and value[2] == ":" and (value[:2] + value[3:]).isascii():
        hour, minute = value[:2], value[3:]
        if hour.isdigit() and minute.isdigit() and int(minute) < 60 and int(hour) * 60 + int(minute) <= DAY_MINUTES:
            return int(hour) * 60 + int(minute)
    found = "nothing" if value is None else repr(value)[:60]
    raise ValueError(f"expected a time of day from 00:00 to 24:00, such as 09:30, found {found}")


Minute = Annotated[
    int,
    BeforeValidator(_minute),
    WithJsonSchema({"type": "string", "pattern": "^([01][0-9]|2[0-4]):[0-5][0-9]$", "examples": ["09:30"]}),
]


def _date(value: object) -> object:
    if isinstance(value, date):
        return value
    try:
        if isinstance(value, str) and len(value) == 10:
            return date.fromisoformat(value)
    except ValueError:
        pass
    found = "nothing" if value is None else repr(value)[:60]
    raise ValueError(f"expected a day such as 2026-12-25, found {found}")


Date = Annotated[
    date, BeforeValidator(_date), WithJsonSchema({"type": "string", "format": "date", "examples": ["2026-12-25"]})
]

Zone = Annotated[
    str, Matching(r"[A-Za-z][A-Za-z0-9_+\-/]{0,59}", "the name of a time zone, such as Europe/London or UTC")
]

Count = Annotated[int, Field(ge=1, le=1_000_000_000)]


class Recorded(Frozen):
    """A recorded call, and how it is shown. record: a file that `call --record` or `show --records` wrote."""

    record: FileName
    pace: Pace = Fraction(1)
    screen: Screen = "everything"
    unfold: Unfold = Field(default="nothing", description="what is shown one after the other, with a caption each")
    most_us: TimeUs = Field(alias="at most", default=90_000_000, description="longest time that it takes")
    sound: YesNo = Field(default=False, description="whether the page plays its sound: the recorded line, and clicks")
    captions: dict[Stage, dict[Language, Caption]] = Field(default={}, description="stage -> language -> words")


class Placed(Frozen):
    """A call that the button places."""

    call: FileName
    title: dict[Language, Title] | None = Field(default=None, description="if left out, the script's own title")
    pace: Pace = Fraction(1)
    screen: Screen = "everything"
    captions: dict[Stage, dict[Language, Caption]] = Field(default={}, description="stage -> language -> words")


class WearLimits(Frozen):
    """How much the switches may work: an operation is one step of a shaft, up or round, or one release.

    Of several like switches nobody can tell which took a call: those of one stage are counted as if they were one.
    """

    a_day: Count | None = Field(alias="a day", default=None, description="operations of all switches in one day")
    in_all: Count | None = Field(alias="in all", default=None, description="operations of all switches, ever")
    each_a_day: Count | None = Field(alias="each a day", default=None, description="of the switches of one stage")
    each_in_all: Count | None = Field(alias="each in all", default=None, description="of the switches of one stage")


class Open(Frozen):
    """From one time of day to a later one, on some weekdays."""

    days: Days = DAYS
    begin: Minute = Field(alias="from")
    end: Minute = Field(alias="to")


class OpeningHours(Frozen):
    """When real calls may be placed. A call begins only if it will be over before closing time."""

    zone: Zone
    open: tuple[Open, ...] = Field(min_length=1, max_length=50)
    closed: tuple[Date, ...] = Field(default=(), max_length=400, description="days on which it is closed")
    screen: Literal["replays", "dark"] = Field(default="replays", description="what is shown when it is closed")


class VisitorsDial(Frozen):
    """A telephone that visitors dial with themselves, on a port of the board that only watches."""

    line: Annotated[str, Matching(r".{1,60}", "the name of a line of the unit that has a port")]
    title: dict[Language, Title] | None = None
    told_us: TimeUs = Field(alias="told for", default=15_000_000, description="how long their dial's figures stay")
    rings: Annotated[str, Matching(r".{1,60}", "the name of a line of the unit that has a port")] | None = Field(
        default=None, description="the one line whose bell may ring for them, in a session that the key opens"
    )
    rings_us: TimeUs = Field(
        alias="rings for", default=20_000_000, ge=3_000_000, le=30_000_000, description="how long, when nobody answers"
    )


class Exhibit(Frozen):
    """A whole exhibit. unit: the unit it is meant for; if left out, the usual one."""

    format: Literal["demo_ctl exhibit 1"]
    name: Annotated[
        str, Matching(r"[a-z0-9][a-z0-9-]{0,39}", "small letters, digits and hyphens, at most 40, such as corner")
    ]
    title: dict[Language, Title] = Field(min_length=1)
    about: str = Field(default="", max_length=2000)
    languages: tuple[Language, ...] = Field(default=("en",), min_length=1, max_length=3)
    unit: FileName | None = None
    lamps: OwnLamps = None
    attract: tuple[Recorded, ...] = Field(min_length=1, max_length=40)
    calls: tuple[Placed, ...] = Field(default=(), max_length=20, description="if left out, a press shows a recording")
    cool_down_us: TimeUs = Field(alias="cool down", default=120_000_000, description="from one real call to the next")
    wear: WearLimits = WearLimits()
    hours: OpeningHours | None = Field(default=None, description="if left out, it is always open")
    visitors_dial: VisitorsDial | None = None


def texts_of(texts: dict[Any, str] | None) -> dict[str, str]:
    """Return words by language, with plain keys."""
    return {str(language): text for language, text in (texts or {}).items()}
