"""What is shown of a call, as values: happenings in, scenes out. Frozen, no I/O.

A *happening* is one thing that one part did at one instant: a hook went up, a shaft rose to a level, a tone began. It
says how it is known:

    sensed     the board saw it, or did it
    inferred   it follows from what was sensed and from how the unit is built (so many pulses, so high a shaft)
    simulated  the simulated unit itself told it (a truth file); a real unit tells nothing of the kind

Happenings in their order are all that a page, a lamp or a sound is made from. `scene.fold(scene, happening)` gives the
next scene; a scene is everything a picture needs, and nothing else is kept anywhere: two screens that have seen the
same happenings show the same picture, whenever they joined.

Names of parts and things are those of truth files (`ledger/RECORD.md`), and these besides:

| part | thing | value |
|---|---|---|
| `caller`, `called` | `hook` | 1: off the hook |
| | `loop` | 1: current flows |
| | `digit` | which digit of the number is being dialled, from 1 |
| | `pulse` | 1: the dial's contact is open; falls to 0 when it closes |
| | `pulses` | how many breaks this digit has had |
| | `dialled` | a digit that no plan knew beforehand has come whole: 0 to 9; -1: all of them are forgotten |
| | `battery` | 0 none, 1 normal, 2 reversed |
| | `tone` | index into TONES |
| | `ringing` | 1: ringing current is on the line |
| `call` | `stage` | index into STAGES |
| `guard` | `state` | G_... of the message table |
| a switch | `serves` | 1: taken for the caller's line, 2: for the called's, 0: for neither any more |

A truth file tells which of several like switches was taken; an inferred one has no number that anybody could know, so
it is named by its stage and whom it serves: `line finder of caller`, `third selector of caller`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Known = Literal["sensed", "inferred", "simulated"]

TONES = ("", "dial tone", "ringback", "busy tone", "overflow tone", "vacant tone")

#: Stable points of a call, in the order in which a call that is answered comes to them. Captions belong to these.
STAGES = (
    "at rest",
    "lifted",
    "finding",  # a line finder hunts for the line
    "dial tone",
    "dialling",  # a digit's pulses are being sent
    "selecting",  # a shaft hunts for a free trunk, or the digit is taken
    "connecting",  # the connector steps to the line and tests it
    "ringing",
    "talking",
    "tone",  # busy, overflow or vacant tone: the call cannot go on
    "clearing",  # somebody hung up; shafts come home
    "ended",
)


@dataclass(frozen=True)
class Happening:
    """`thing` of `part` became `value` at `at_us` (the board's clock).

    number: its place in the call, from 1. cause: the number of the happening that made it happen, 0: none is known.
    event: the board's event that told it, or that it was inferred from; -1: none.
    """

    number: int
    at_us: int
    part: str
    thing: str
    value: int
    known: Known
    cause: int = 0
    event: int = -1


@dataclass(frozen=True)
class Switch:
    """One switch of the train. stage: 0 a line finder, 1 the first selector... ; vertical 0 to 10, rotary 0 to 11."""

    part: str
    stage: int
    kind: Literal["finder", "selector", "connector"]
    name: str
    vertical: int = 0
    rotary: int = 0
    magnet: Literal["", "vertical", "rotary", "release"] = ""
    relays: tuple[str, ...] = ()  # operated ones: A, B, C, D, F, cut-through, ringing, in this order
    known: Known = "inferred"
    serves: int = 1  # 1 the caller's line, 2 the called's (after clearing it may begin a call), 0 coming home


@dataclass(frozen=True)
class Party:
    """One end of the call."""

    name: str
    port: int
    off_hook: bool = False
    loop: bool = False
    open_contact: bool = False  # the dial's contact, while a pulse breaks the loop
    digit: int = 0
    pulses: int = 0
    battery: int = 0
    tone: int = 0
    ringing: bool = False
    relays: tuple[str, ...] = ()  # of its line, operated ones: line relay, cut-off relay


@dataclass(frozen=True)
class Scene:
    """Everything a picture of the call needs. number: of the happening that made it (0: before the first)."""

    number: int
    at_us: int
    stage: int
    title: str
    dialled: str  # the number as written
    digits: str  # the digits to be dialled, in order
    caller: Party
    called: Party
    switches: tuple[Switch, ...]
    guard: int = 0
    last: Happening | None = None
