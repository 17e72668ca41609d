"""What an exhibit's machine (`exhibit.py`) is told, what it asks for, and all that it knows: types, and no logic."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import Enum

from demo_ctl.script.exhibit import WearLimits
from demo_ctl.show.hours import Hours
from demo_ctl.show.wear import Counters


class Phase(Enum):
    """What the exhibit does. The value is for people."""

    ATTRACT = "showing recorded calls"
    COUNTING = "a call is being prepared"
    CALLING = "a call is on"
    SETTLING = "the call is over"
    REPLAYING = "showing a recorded call that a visitor asked for"
    VISITING = "a visitor dials"


@dataclass(frozen=True)
class Offered:
    """A call that the button may place. cost: its operations at most; most_us: its longest time, release included."""

    title: str
    rings: bool
    most_us: int
    cost: Mapping[str, int]


@dataclass(frozen=True)
class Rules:
    """What the exhibit's file says. replays: the length of each recorded call, microseconds."""

    calls: tuple[Offered, ...]
    replays: tuple[int, ...]
    cool_down_us: int
    limits: WearLimits
    hours: Hours
    dark_when_closed: bool = False
    restore_us: int = 0  # from released lines to switches that have come home and rested


@dataclass(frozen=True)
class Standing:
    """How the board stands. here: it answers. why: no call may be placed (empty: it may); why_ringing: none that rings.

    tripped: its guard is; the words say why. unfit: the calls, by number, that this board cannot perform, and why.
    """

    here: bool = False
    why: str = "the board has not answered yet"
    why_ringing: str = ""
    tripped: bool = False
    unfit: tuple[tuple[int, str], ...] = ()


class How(Enum):
    """How a call was over."""

    WELL = "well"
    BADLY = "badly"  # it ran, and something was wrong with it
    NOT_BEGUN = "not begun"
    STOPPED = "stopped"
    LOST = "lost"  # the board was
    TRIPPED = "tripped"


@dataclass(frozen=True)
class Now:
    """An instant, by a clock that never jumps (microseconds) and by the calendar (with its time zone)."""

    us: int
    at: datetime


# -- what happens -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Press:
    """A visitor has pressed the button."""


@dataclass(frozen=True)
class Button:
    """The button reads pressed, or up. A press is a change from up to pressed: a broken wire is at most one."""

    pressed: bool


@dataclass(frozen=True)
class Tick:
    """Time passes."""


@dataclass(frozen=True)
class Stands:
    """The board stands so."""

    standing: Standing


@dataclass(frozen=True)
class Kept:
    """The counters are on the disk."""

    number: int


@dataclass(frozen=True)
class NotKept:
    """They may not be."""

    number: int
    why: str


@dataclass(frozen=True)
class Over:
    """The call `serial` is over. worked: what it really took, if all of it was seen."""

    serial: int
    how: How
    why: str = ""
    worked: Mapping[str, int] | None = None


@dataclass(frozen=True)
class Shown:
    """The replay that a visitor asked for has been shown."""

    serial: int


@dataclass(frozen=True)
class Lifted:
    """A visitor has lifted the handset of the telephone that is watched."""


@dataclass(frozen=True)
class Down:
    """It is down again, and the switches are home. worked: what the visitor's call took; what nobody saw is missing."""

    worked: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True)
class Engaged:
    """The watched telephone is off its hook, or is not, and nobody saw it being lifted: there is nothing to follow."""

    lifted: bool


@dataclass(frozen=True)
class Stop:
    """Somebody in charge ends the call, or the visitor's replay, or whatever the board does for a visitor who dials."""


@dataclass(frozen=True)
class Blank:
    """Somebody in charge makes the screens dark, or light again. blank: which; of several the last one counts."""

    blank: bool


@dataclass(frozen=True)
class Told:
    """Something that whoever is in charge should know."""

    text: str


Event = Press | Button | Tick | Stands | Kept | NotKept | Over | Shown | Lifted | Down | Engaged | Stop | Blank | Told

# -- what is to be done ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Keep:
    """Keep these counters; then tell Kept or NotKept."""

    counters: Counters


@dataclass(frozen=True)
class Begin:
    """Place a call; then tell Over."""

    serial: int
    call: int


@dataclass(frozen=True)
class EndCall:
    """End the call: the line is released within a second."""


@dataclass(frozen=True)
class EndVisit:
    """End the plan that watches the visitors' telephone: no bell rings any more. It is watched anew afterwards."""


@dataclass(frozen=True)
class LetGo:
    """The performer does not answer: close the port, so that the board releases the line by its silence limit."""


@dataclass(frozen=True)
class Replay:
    """Show a recorded call for a visitor; then tell Shown."""

    serial: int
    replay: int


@dataclass(frozen=True)
class Follow:
    """Show the visitor's own call."""


@dataclass(frozen=True)
class Attract:
    """Go on with the attract loop."""


@dataclass(frozen=True)
class Dark:
    """Make the screens dark, or light."""

    dark: bool


Doing = Keep | Begin | EndCall | EndVisit | LetGo | Replay | Follow | Attract | Dark


@dataclass(frozen=True)
class State:
    """Everything there is to know. Times by `Now.us`.

    serial: of the call or replay that is on; ending: the call was told to end; instead: it was not begun, a replay
    follows; ready_us: when the cool-down is over; turn: the next call; shown: the last replay for a visitor; lifted: a
    visitor's handset is; followed: somebody saw it being lifted; owed: what their call took, still to be counted;
    because: why it is shown instead of a call; trouble: what went wrong with the last call.
    """

    ready_us: int
    counters: Counters
    phase: Phase = Phase.ATTRACT
    since_us: int = 0
    serial: int = 0
    turn: int = 0
    call: int = 0
    shown: int = 0
    standing: Standing = field(default_factory=Standing)
    pressed: bool | None = None  # the button, as last told; None: not yet
    pressed_us: int = 0
    ending: bool = False
    instead: bool = False
    blank: bool = False
    dark: bool = False
    lifted: bool = False
    followed: bool = False
    owed: tuple[tuple[str, int], ...] = ()
    because: str = ""
    trouble: str = ""
    uncounted: str = ""  # why counting failed, the last time


Next = tuple[State, tuple[Doing, ...]]
