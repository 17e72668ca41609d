"""A run sheet: a show as a list of calls, each at its pace, with its stops, its captions and what the screen shows.

How a call of the sheet is written: `call` names the script (seen from the sheet's own folder), and everything beside
it says how it is shown. It is placed once at `pace`, and once more for every line of `repeat`; a line with `unfold` is
not placed: what was just seen is shown again, one thing after the other.

`follow` instead of `call` names a line of the unit with a real telephone on it, on a port that the board only watches:
the presenter or a visitor dials, page and captions follow, and how the dial ran is told when the handset is down again.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Discriminator, Field, PlainValidator, Tag, WithJsonSchema

from demo_ctl.script.model import LineName
from demo_ctl.terms.lamps import OwnLamps
from demo_ctl.terms.quantity import TimeUs, parse_pace
from demo_ctl.terms.strict import Frozen, Matching

Language = Literal["en", "de", "fr"]
LANGUAGES: tuple[Language, ...] = ("en", "de", "fr")

#: Where a call stands still by itself, so that it may wait for the presenter: `digits` is every cut-through.
Stop = Literal["dial tone", "digits", "ringing", "tone", "talking"]
STOPS: tuple[Stop, ...] = ("dial tone", "digits", "ringing", "tone", "talking")

#: Stages that captions belong to. The page's own list is in `show`, which this room does not import; a test holds the
#: two equal.
Stage = Literal[
    "at rest",
    "lifted",
    "finding",
    "dial tone",
    "dialling",
    "selecting",
    "connecting",
    "ringing",
    "talking",
    "tone",
    "clearing",
    "ended",
]

#: What the audience's page shows: everything, only the wipers (switches and their shafts), only the line.
Screen = Literal["everything", "wipers", "line"]

#: What a replay shows one after the other.
Unfold = Literal["nothing", "first pulse", "first of each stage", "everything"]

FileName = Annotated[str, Matching(r"[^\x00]{1,200}", "a file, as seen from this sheet's folder")]
Title = Annotated[str, Matching(r"[\s\S]{1,100}", "a title of at most 100 characters")]
#: Read at ten metres: three short lines at most.
Caption = Annotated[str, Matching(r"[\s\S]{1,160}", "a caption of at most 160 characters")]


def _pace(value: object) -> Fraction:
    if isinstance(value, Fraction):
        return value
    if not isinstance(value, str):
        raise ValueError(f"expected a pace such as 1/4, 1 or 2, found {'nothing' if value is None else 'no text'}")
    return parse_pace(value)


Pace = Annotated[
    Fraction,
    PlainValidator(_pace),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "string", "pattern": r"^[0-9]{1,6}(/[0-9]{1,6}|\.[0-9]{1,6})?$"},
                {"type": "number", "minimum": 0.02, "maximum": 4},
            ],
            "description": "1 is normal speed, 1/4 a quarter of it; between 1/50 and 4",
            "examples": ["1/4"],
        }
    ),
]


def _stops(value: object) -> object:
    """Read `all` and `none` as the lists they stand for."""
    if value == "all":
        return STOPS
    if value == "none":
        return ()
    if isinstance(value, str) or value is None:
        found = "nothing" if value is None else repr(value)[:60]
        raise ValueError(f"expected all, none, or a list of {', '.join(STOPS)}, found {found}")
    return value


Stops = Annotated[
    tuple[Stop, ...],
    BeforeValidator(_stops),
    WithJsonSchema(
        {
            "anyOf": [
                {"enum": ["all", "none"]},
                {"type": "array", "items": {"enum": list(STOPS)}, "uniqueItems": True},
            ],
            "description": "where the call waits for the presenter",
        }
    ),
]


class Again(Frozen):
    """The same call once more, shown otherwise. unfold: not placed again; what was seen of it is shown again."""

    pace: Pace = Fraction(1)
    screen: Screen = "everything"
    stops: Stops = Field(default=(), description="where it waits for the presenter; if left out, nowhere")
    unfold: Unfold | None = Field(
        default=None, description="show again what was just seen, this of it one after the other; else call again"
    )


YesNo = Annotated[bool, WithJsonSchema({"anyOf": [{"type": "boolean"}, {"enum": ["yes", "no"]}]})]


class IfItFails(Frozen):
    """What to do when a call goes wrong in front of people. The presenter is told which it is."""

    try_once_more: YesNo = Field(default=False, description="place it again, once the switches are home")
    replay: FileName | None = Field(default=None, description="a recorded call that is shown instead")
    unfold: Unfold = Field(default="nothing", description="what of that recorded call is shown one after the other")


class Shown(Frozen):
    """One call of the show."""

    call: FileName
    title: dict[Language, Title] | None = Field(default=None, description="if left out, the script's own title")
    pace: Pace = Fraction(1)
    stops: Stops = STOPS
    screen: Screen = "everything"
    lamps: Literal["follow", "off"] = Field(default="follow", description="whether lamps follow this call")
    captions: dict[Stage, dict[Language, Caption]] = Field(default={}, description="stage -> language -> words")
    repeat: tuple[Again, ...] = Field(default=(), max_length=5)
    if_it_fails: IfItFails = IfItFails()


class Followed(Frozen):
    """A real telephone that is followed. most_us: the limit of this part of the show; next ends it sooner."""

    follow: LineName = Field(description="a line of the unit that has a port of the board, and a telephone on it")
    title: dict[Language, Title] | None = Field(default=None, description="if left out, words of the program's own")
    most_us: TimeUs = Field(alias="at most", default=120_000_000, description="for how long, if nobody says next")
    goes_on: YesNo = Field(
        alias="goes on by itself", default=False, description="when the handset is down again, without next"
    )
    screen: Screen = "everything"
    lamps: Literal["follow", "off"] = Field(default="follow", description="whether lamps follow this call")
    captions: dict[Stage, dict[Language, Caption]] = Field(default={}, description="stage -> language -> words")


def _kind(value: object) -> str:
    return "follow" if isinstance(value, Followed) or (isinstance(value, dict) and "follow" in value) else "call"


Item = Annotated[
    Annotated[Shown, Tag("call")] | Annotated[Followed, Tag("follow")],
    Discriminator(_kind),
]


class Sheet(Frozen):
    """A whole show. unit: the unit it is meant for; if left out, the usual one."""

    format: Literal["demo_ctl show 1"]
    name: Annotated[
        str, Matching(r"[a-z0-9][a-z0-9-]{0,39}", "small letters, digits and hyphens, at most 40, such as first-visit")
    ]
    title: dict[Language, Title] = Field(min_length=1)
    about: str = Field(default="", max_length=2000)
    languages: tuple[Language, ...] = Field(default=("en",), min_length=1, max_length=3)
    unit: FileName | None = None
    unfolded_us: TimeUs = Field(
        alias="unfolded at most", default=60_000_000, description="longest time that any replay in the show takes"
    )
    lamps: OwnLamps = None
    calls: tuple[Item, ...] = Field(min_length=1, max_length=40)


def words(texts: Mapping[Any, str], language: str) -> str:
    """Return a text in a language, else in the first one there is."""
    return texts.get(language) or next(iter(texts.values()), "")
