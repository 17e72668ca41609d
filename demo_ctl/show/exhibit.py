"""An exhibit that runs by itself, as a state machine. Pure: (state, event, now) -> (state, what is to be done).

    ATTRACT ─press─► COUNTING ─counted─► CALLING ─over─► SETTLING ─counted─► ATTRACT
       ├─press, and no call may be placed─► REPLAYING ─shown─► ATTRACT
       └─a visitor lifts their own handset─► VISITING ─down again─► SETTLING ─counted─► ATTRACT

The attract loop goes on by itself whenever nothing else is on. A press places a real call if everything allows it (see
`refusal`), and shows a recorded one if not. A call is counted before it is begun, and begun only when the count is
kept; afterwards the count is corrected. Every phase but ATTRACT ends by itself at a limit, whatever the one who
performs it does or fails to do: so there is no dead end, and no fault keeps the screen.

After a start the cool-down begins anew: nobody knows how long ago the last call was when the power went.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import Enum

from demo_ctl.script.exhibit import WearLimits
from demo_ctl.show import wear
from demo_ctl.show.hours import Hours
from demo_ctl.show.wear import Counters

#: Keeping a count takes milliseconds; a disk that takes longer than this has failed.
KEEP_US = 30_000_000
#: A call is given up so long after its plan's longest time: the performer's own limits have ended it long before.
SPARE_US = 30_000_000
#: And a replay so long after its own length.
REPLAY_SPARE_US = 5_000_000
#: A visitor's handset that is off its hook for longer keeps the screens no more.
VISIT_US = 600_000_000
#: A button that reads "pressed" for so long is stuck, or its wire is broken.
STUCK_US = 20_000_000


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


def start(counters: Counters, now: Now, rules: Rules) -> Next:
    """Return the first state, and what is to be done: the attract loop goes on at once."""
    state = State(ready_us=now.us + pause_us(rules), counters=counters, since_us=now.us)
    state, doings = _light(state, now, rules)
    return state, (Attract(), *doings)


def pause_us(rules: Rules) -> int:
    """From one call to the next: the cool-down, and never before the switches are home."""
    return max(rules.cool_down_us, rules.restore_us)


def step(state: State, event: Event, now: Now, rules: Rules) -> Next:
    """Return the state after an event, and what is to be done."""
    state, first = _light(state, now, rules)  # time has passed since the last event
    state, doings = _step(state, event, now, rules)
    state, light = _light(state, now, rules)
    return state, (*first, *doings, *light)


def refusal(state: State, call: int, now: Now, rules: Rules) -> str:
    """Return why a call may not be placed now, in words; empty: it may."""
    offered = rules.calls[call]
    standing = state.standing
    if not standing.here or standing.why:
        return standing.why or "the board does not answer"
    unfit = dict(standing.unfit).get(call)
    if unfit:
        return unfit
    if offered.rings and standing.why_ringing:
        return standing.why_ringing
    if state.lifted:
        return "a visitor's telephone is off its hook"
    if now.us < state.ready_us:
        return f"the switches rest for {-(-(state.ready_us - now.us) // 1_000_000)} s more"
    if not rules.hours.is_open(now.at):
        return "it is closed"
    if not rules.hours.open_for(now.at, timedelta(microseconds=offered.most_us)):
        return "it closes before a call would be over"
    return wear.refusal(state.counters, rules.limits, offered.cost, rules.hours.day(now.at), now.at)


def choice(state: State, now: Now, rules: Rules) -> tuple[int, str]:
    """Return the next call in turn that may be placed, and ""; or -1, and why the first in turn may not."""
    count = len(rules.calls)
    why = "there is no call to place" if not count else ""
    for ahead in range(count):
        call = (state.turn + ahead) % count
        against = refusal(state, call, now, rules)
        if not against:
            return call, ""
        why = why or against
    return -1, why


def limit_us(state: State, rules: Rules) -> int | None:
    """Return when the phase ends by itself, at the latest; None: the attract loop does not end."""
    if state.phase in (Phase.COUNTING, Phase.SETTLING):
        return state.since_us + KEEP_US
    if state.phase is Phase.CALLING:
        return state.since_us + rules.calls[state.call].most_us + SPARE_US
    if state.phase is Phase.REPLAYING:
        return state.since_us + rules.replays[state.shown] + REPLAY_SPARE_US
    if state.phase is Phase.VISITING:
        return state.since_us + VISIT_US
    return None


# -- steps --------------------------------------------------------------------------------------------------------


def _step(state: State, event: Event, now: Now, rules: Rules) -> Next:
    if isinstance(event, Press):
        return _press(state, now, rules)
    if isinstance(event, Button):
        return _button(state, event.pressed, now, rules)
    if isinstance(event, Tick):
        return _tick(state, now, rules)
    if isinstance(event, Stands):
        return replace(state, standing=event.standing), ()
    if isinstance(event, Kept):
        return _kept(state, event, now, rules)
    if isinstance(event, NotKept):
        return _not_kept(state, event, now, rules)
    if isinstance(event, Over):
        return _over(state, event, now, rules)
    if isinstance(event, Shown):
        if state.phase is Phase.REPLAYING and event.serial == state.serial:
            return _attract(state, now, rules)
        return state, ()
    if isinstance(event, Lifted | Down | Engaged):
        return _visitor(state, event, now, rules)
    if isinstance(event, Stop):
        return _stop(state, now, rules)
    if isinstance(event, Blank):
        return replace(state, blank=event.blank), ()
    return replace(state, trouble=event.text), ()


def _button(state: State, pressed: bool, now: Now, rules: Rules) -> Next:
    was = state.pressed
    if pressed != was:
        state = replace(state, pressed=pressed, pressed_us=now.us)
    return _press(state, now, rules) if pressed and was is False else (state, ())


def _press(state: State, now: Now, rules: Rules) -> Next:
    if state.phase is not Phase.ATTRACT or state.dark:
        return state, ()  # something is on for a visitor already, or nobody should be there
    call, why = choice(state, now, rules)
    if call < 0:
        return _replay(replace(state, because=why), now, rules)
    cost = rules.calls[call].cost
    counters = wear.counted(state.counters, cost, rules.hours.day(now.at), now.at)
    begun = replace(
        state,
        phase=Phase.COUNTING,
        since_us=now.us,
        serial=state.serial + 1,
        turn=(call + 1) % len(rules.calls),
        call=call,
        counters=counters,
        ending=False,
        instead=False,
        because="",
        trouble="",
    )
    return begun, (Keep(counters),)


def _stop(state: State, now: Now, rules: Rules) -> Next:
    if state.phase is Phase.CALLING:
        return replace(state, ending=True), (EndCall(),)
    if state.phase is Phase.COUNTING:  # counted, and not begun: it is taken back
        counters = wear.settled(state.counters, rules.calls[state.call].cost, {}, calls=-1)
        return replace(state, phase=Phase.SETTLING, since_us=now.us, counters=counters), (Keep(counters),)
    # A visitor's own handset stays off its hook: what ends is what the board does for them, the bell above all.
    ends: tuple[Doing, ...] = (EndVisit(),) if state.lifted else ()
    if state.phase in (Phase.REPLAYING, Phase.VISITING):
        state, doings = _attract(state, now, rules)
        return state, (*ends, *doings)
    return state, ends


def after_fault(state: State, why: str, now: Now, rules: Rules) -> Next:
    """Return the state after a fault of this program's: the board was let go. What is owed is still counted."""
    state = replace(
        state, ready_us=now.us + pause_us(rules), standing=Standing(False, "the board was let go"), trouble=why
    )
    return _attract(state, now, rules)


def _replay(state: State, now: Now, rules: Rules) -> Next:
    shown = (state.shown + 1) % len(rules.replays)
    state = replace(state, phase=Phase.REPLAYING, since_us=now.us, serial=state.serial + 1, shown=shown, instead=False)
    return state, (Replay(state.serial, shown),)


def _visitor(state: State, event: Lifted | Down | Engaged, now: Now, rules: Rules) -> Next:
    """What a visitor does by themselves: nobody can forbid it, so it is followed, and counted afterwards."""
    if isinstance(event, Engaged):
        return replace(state, lifted=event.lifted, followed=False), ()
    if isinstance(event, Lifted):
        state = replace(state, lifted=True, followed=True)
        return _follow(state, now) if state.phase in (Phase.ATTRACT, Phase.REPLAYING) else (state, ())
    owed = dict(state.owed)
    for name, count in event.worked.items():
        owed[name] = owed.get(name, 0) + count
    ready_us = max(state.ready_us, now.us + pause_us(rules))
    state = replace(state, lifted=False, followed=False, owed=tuple(sorted(owed.items())), ready_us=ready_us)
    return _attract(state, now, rules) if state.phase in (Phase.VISITING, Phase.ATTRACT) else (state, ())


def _follow(state: State, now: Now) -> Next:
    return replace(state, phase=Phase.VISITING, since_us=now.us, serial=state.serial + 1, instead=False), (Follow(),)


def _attract(state: State, now: Now, rules: Rules) -> Next:
    if state.owed:
        counters = wear.counted(state.counters, dict(state.owed), rules.hours.day(now.at), now.at)
        state = replace(state, phase=Phase.SETTLING, since_us=now.us, counters=counters, owed=(), instead=False)
        return state, (Keep(counters),)
    state = replace(state, phase=Phase.ATTRACT, since_us=now.us, ending=False, instead=False, because="")
    return state, (Attract(),)


def _kept(state: State, event: Kept, now: Now, rules: Rules) -> Next:
    if event.number != state.counters.number:
        return state, ()
    if state.phase is Phase.SETTLING:
        return _settled(replace(state, uncounted=""), now, rules)
    if state.phase is not Phase.COUNTING:
        return replace(state, uncounted=""), ()  # later than anybody waited for it, and well all the same
    # Keeping took its time: what was allowed before it must be allowed still. The count stays: it is on the disk.
    why = _still(state, now, rules)
    if state.followed:
        return _follow(replace(state, uncounted=""), now)
    if why:
        return _replay(replace(state, uncounted="", because=why), now, rules)
    state = replace(state, phase=Phase.CALLING, since_us=now.us, uncounted="")
    return state, (Begin(state.serial, state.call),)


def _still(state: State, now: Now, rules: Rules) -> str:
    """Why a call that has been counted may not begin, all the same."""
    standing, offered = state.standing, rules.calls[state.call]
    if state.lifted:
        return "a visitor's telephone is off its hook"
    if not standing.here or standing.why:
        return standing.why or "the board does not answer"
    unfit = dict(standing.unfit).get(state.call)
    if unfit:
        return unfit
    if offered.rings and standing.why_ringing:
        return standing.why_ringing
    if not rules.hours.open_for(now.at, timedelta(microseconds=offered.most_us)):
        return "it closes before a call would be over"
    return ""


def _not_kept(state: State, event: NotKept, now: Now, rules: Rules) -> Next:
    if event.number != state.counters.number:
        return state, ()
    if state.phase is Phase.COUNTING:
        # The disk may hold the new count or the old one: go on from the higher one.
        return _replay(replace(state, uncounted=event.why, because="it cannot be counted"), now, rules)
    if state.phase is Phase.SETTLING:
        return _settled(replace(state, uncounted=event.why), now, rules)
    return state, ()


def _settled(state: State, now: Now, rules: Rules) -> Next:
    """The call is counted as it was. Who pressed for one that was not begun sees a recorded one; who dials, theirs."""
    if state.followed:
        return _follow(state, now)
    return _replay(state, now, rules) if state.instead else _attract(state, now, rules)


def _over(state: State, event: Over, now: Now, rules: Rules) -> Next:
    if state.phase is not Phase.CALLING or event.serial != state.serial:
        return state, ()
    trouble = event.why
    standing = state.standing
    if event.how is How.LOST:
        standing = Standing(False, event.why or "the board was lost")
    elif event.how is How.TRIPPED:
        standing = Standing(True, event.why or "the guard tripped", tripped=True)
    begun = event.how is not How.NOT_BEGUN
    ready_us = now.us + pause_us(rules) if begun else state.ready_us
    state = replace(state, ready_us=ready_us, standing=standing, trouble=trouble, instead=not begun)
    if event.worked is None:
        return _settled(state, now, rules)  # what was counted before it stays
    counters = wear.settled(state.counters, rules.calls[state.call].cost, event.worked, calls=0 if begun else -1)
    return replace(state, phase=Phase.SETTLING, since_us=now.us, counters=counters), (Keep(counters),)


def _tick(state: State, now: Now, rules: Rules) -> Next:
    limit = limit_us(state, rules)
    if limit is None or now.us < limit:
        return state, ()
    if state.phase is Phase.COUNTING:
        return _not_kept(state, NotKept(state.counters.number, "the disk does not answer"), now, rules)
    if state.phase is Phase.SETTLING:
        return _settled(replace(state, uncounted="the disk does not answer"), now, rules)
    if state.phase is Phase.CALLING:
        lost = replace(
            state,
            ready_us=now.us + pause_us(rules),
            standing=Standing(False, "a call did not end: the board was let go"),
            trouble="A call did not end in its time: the board was let go, and is looked for again.",
        )
        gone, doings = _attract(lost, now, rules)
        return gone, (LetGo(), *doings)
    return _attract(state, now, rules)


def _light(state: State, now: Now, rules: Rules) -> Next:
    """The screens are dark when somebody wants that, and when it is closed and the file wants that."""
    dark = is_dark(state, now, rules, blank=state.blank)
    if dark == state.dark:
        return state, ()
    return replace(state, dark=dark), (Dark(dark),)


def is_dark(state: State, now: Now, rules: Rules, *, blank: bool) -> bool:
    """Whether the screens are dark now. blank: whether somebody in charge wants that."""
    on = state.phase in (Phase.COUNTING, Phase.CALLING, Phase.SETTLING)
    return blank or (rules.dark_when_closed and not on and not rules.hours.is_open(now.at))


# -- for whoever is in charge -----------------------------------------------------------------------------------------


def only_recorded(state: State, rules: Rules) -> bool:
    """Whether a press can show nothing but a recorded call until somebody has seen to the board."""
    return bool(rules.calls) and bool(not state.standing.here or state.standing.why)


def notices(state: State, now: Now, rules: Rules) -> list[str]:
    """Return what keeps calls from being placed now, and what else is wrong: a sentence each."""
    found: list[str] = []
    if state.standing.tripped:
        found.append(
            f"THE GUARD TRIPPED: replays only, until the key has been turned off and on ({state.standing.why})."
        )
    elif not state.standing.here or state.standing.why:
        found.append(f"Replays only: {state.standing.why}.")
    elif state.standing.why_ringing and any(each.rings for each in rules.calls):
        found.append(f"No calls that ring: {state.standing.why_ringing}.")
    for call, why in state.standing.unfit if state.standing.here else ():
        found.append(f"'{rules.calls[call].title}' cannot be placed with this board: {why}.")
    if not found and rules.calls and state.phase is Phase.ATTRACT and now.us >= state.ready_us:
        call, why = choice(state, now, rules)
        if call < 0:
            found.append(f"Replays only: {why}.")
    if state.uncounted:
        found.append(f"Counting failed: {state.uncounted}.")
    if state.pressed and now.us - state.pressed_us > STUCK_US:
        found.append("The button reads pressed all the time: it is stuck, or its wire is broken.")
    if state.because and not found:
        found.append(f"No call at this press: {state.because}.")
    if state.trouble and not any(state.trouble.rstrip(".").endswith(each.rstrip(".")) for each in found):
        found.append(state.trouble)
    return found
