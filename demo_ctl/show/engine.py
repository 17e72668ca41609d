"""The show as a pure state machine: wishes and what the call tells go in, what is to be done comes out.

Theory of operation. There is one state, and two ways on from it: `wished` for the presenter's wishes, which are
answered at once, and `told` for what happens. Both return the next state and what is to be done now. Nothing in here
reads a clock, a port or a file; every instant is handed in, in microseconds of one clock of the host's.

    READY ── next ──► STARTING ── begun ──► LIVE ── over ──► READY (the next part; after the last: DONE)
      ▲                   │                  │ stop, or it fails
      │                   └──── stop ──────► STOPPING ── over ──► RESTORING ── home ──► READY, or once more STARTING,
      └───────────────────────────────── REPLAYING ◄──────────────────┘                 or REPLAYING

- A gate is opened only when the call has said that it stands there, and only once. A gate at which the sheet wants no
  stop is opened by the machine itself, unless hold was asked for.
- A call is begun only from READY, DONE or RESTORING, and each of them is reached only when the call before has ended:
  there are never two at once.
- After a stop and after a failure no call begins before every switch must be home.
- A part that shows again what was seen (`unfold` in the sheet) places nothing: it is a replay from its beginning.
- `part` is what Next begins; `last` what Repeat begins. Who stops a call moves on: Next gives what follows it, Repeat
  gives it again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Enum
from fractions import Fraction

from demo_ctl.plan.model import Gate, Plan
from demo_ctl.show.programme import Part, Programme
from demo_ctl.show.wishes import Kind, Wish
from demo_ctl.terms.errors import PlanError

#: A board that is lost releases its lines after this long a silence at most; then the switches come home.
LOST_US = 1_000_000
#: No board has said yet how its guard stands, or there is none any more.
NOT_KNOWN = -1


class Phase(Enum):
    """Where the show is."""

    READY = "ready"
    STARTING = "starting"
    LIVE = "live"
    STOPPING = "stopping"
    RESTORING = "restoring"
    REPLAYING = "replaying"
    DONE = "done"


class Then(Enum):
    """What follows when the switches are home."""

    WAIT = "wait"
    ONCE_MORE = "once more"
    REPLAY = "replay"


@dataclass(frozen=True)
class State:
    """Everything there is to know of a show. Instants: `_us` of the host's clock."""

    phase: Phase = Phase.READY
    part: int = 0  # what Next begins; while a call is on, what follows it
    last: int = -1  # the part that is on, or was on last
    attempt: int = 0  # of the part that is on: 1 the first
    pace: Fraction | None = None  # the presenter's, for the next call to be begun
    begun_pace: Fraction | None = None  # the presenter's, of the call that is on
    blank: bool = False
    hold_next: bool = False
    again: bool = False
    step: int = 0  # the timeline's step that runs
    step_us: int = 0  # when it began
    gate: Gate | None = None  # the call waits for the presenter here
    gate_us: int = 0  # when that began
    leaving: bool = False  # a gate has been opened, and the board has not said yet that it goes on
    guard: int = NOT_KNOWN
    show_us: int = -1  # when the show's first call was begun
    call_us: int = 0  # when the call that is on was begun
    home_us: int = 0
    then: Then = Then.WAIT
    begun: bool = False  # the board performs, or has performed, the call that is on
    notice: str = ""


# What happens.


@dataclass(frozen=True)
class Begun:
    """The board has begun to perform the call."""


@dataclass(frozen=True)
class At:
    """The timeline's step `index` runs."""

    index: int


@dataclass(frozen=True)
class Waits:
    """The call stands at a gate that a person opens."""

    gate: Gate


@dataclass(frozen=True)
class GoesOn:
    """The call has left the gate at step `index`: it was opened, or its limit came."""

    index: int
    limit: bool = False


@dataclass(frozen=True)
class Guard:
    """State of the ringing guard (G_...), or NOT_KNOWN."""

    state: int


class How(Enum):
    """How a call was over."""

    WELL = "well"  # it ran to its end
    BADLY = "badly"  # it did not, and may be tried again
    LOST = "lost"  # the board was lost, or its word that the line is released
    STOPPED = "stopped"
    UNSAFE = "unsafe"  # the guard tripped, or ringing is refused: a person must see to it first


@dataclass(frozen=True)
class Over:
    """The call is over. why: in words for the presenter, empty when all is well."""

    how: How
    why: str = ""


@dataclass(frozen=True)
class ReplayOver:
    """A replay has ended. why: in words, if it could not be shown."""

    why: str = ""


@dataclass(frozen=True)
class Tick:
    """Time has passed."""


News = Begun | At | Waits | GoesOn | Guard | Over | ReplayOver | Tick

# What is to be done.


@dataclass(frozen=True)
class Begin:
    """Perform a part, with this plan."""

    part: int
    plan: Plan


@dataclass(frozen=True)
class Open:
    """Tell the board to go on from this gate."""

    gate: int


@dataclass(frozen=True)
class Stop:
    """End the call that is on; the board opens its loops at once."""


@dataclass(frozen=True)
class Replay:
    """Show a part that is not live: its recorded call instead of it, or (seen) what was seen of it, once more.

    pace: the presenter's, if any.
    """

    part: int
    seen: bool = False
    pace: Fraction | None = None


@dataclass(frozen=True)
class EndReplay:
    """Leave the replay."""


Doing = Begin | Open | Stop | Replay | EndReplay
Next = tuple[State, tuple[Doing, ...]]

#: Phases with a call on the line, or on its way there or home.
BUSY = frozenset({Phase.STARTING, Phase.LIVE, Phase.STOPPING, Phase.RESTORING})
#: Phases in which `last` has still its call's end before it.
ON = frozenset({Phase.STARTING, Phase.LIVE, Phase.STOPPING})


def plan_on(state: State, programme: Programme) -> Plan:
    """Return the plan of the call that is on, or was on last."""
    return programme.plan(state.last, state.begun_pace)


def will_hold(state: State, part: Part, gate: Gate) -> bool:
    """Whether the call that is on will wait for the presenter at a gate that it comes to."""
    return gate.tone is None and (part.holds(gate) or state.hold_next)


def wished(state: State, wish: Wish, now_us: int, programme: Programme) -> Next:
    """Do what the presenter wishes, as far as that can be done now."""
    kind = wish.kind
    if kind is Kind.BLANK:
        return replace(state, blank=not state.blank), ()
    if kind is Kind.PACE:
        return _paced(state, wish.pace, programme)
    if kind is Kind.STOP:
        return _stop(state, programme)
    if kind is Kind.REPEAT:
        return _repeat(state, now_us, programme)
    if kind is Kind.HOLD:
        return _hold(state)
    return _next(state, now_us, programme)


def told(state: State, news: News, now_us: int, programme: Programme) -> Next:
    """Take in what has happened. News of a call that is not on changes nothing."""
    if isinstance(news, Guard):
        return replace(state, guard=news.state), ()
    if isinstance(news, Tick):
        return _tick(state, now_us, programme)
    if isinstance(news, ReplayOver):
        if state.phase is not Phase.REPLAYING:
            return state, ()
        return _rest(replace(state, notice=news.why), programme), ()
    if state.phase not in ON:
        return state, ()
    if isinstance(news, Over):
        return _over(state, news, now_us, programme)
    if isinstance(news, Begun):
        phase = Phase.LIVE if state.phase is Phase.STARTING else state.phase
        return replace(state, phase=phase, begun=True, step=0, step_us=now_us), ()
    if isinstance(news, At):
        return replace(state, step=news.index, step_us=now_us), ()
    if isinstance(news, GoesOn):
        return replace(state, gate=None, leaving=False, step=news.index + 1, step_us=now_us), ()
    if state.phase is not Phase.LIVE:
        return state, ()
    if will_hold(state, programme.parts[state.last], news.gate):
        return replace(state, gate=news.gate, gate_us=now_us, leaving=False, hold_next=False), ()
    return replace(state, leaving=True), (Open(news.gate.number),)


# -- wishes ---------------------------------------------------------------------------------------------------


def _next(state: State, now_us: int, programme: Programme) -> Next:
    if state.phase is Phase.READY:
        return _begin(state, state.part, state.pace, 1, now_us, programme)
    if state.phase is Phase.REPLAYING:
        return _rest(state, programme), (EndReplay(),)
    if state.phase is Phase.LIVE and state.gate is not None:
        return replace(state, gate=None, leaving=True), (Open(state.gate.number),)
    if state.phase in (Phase.LIVE, Phase.STARTING) and state.hold_next:
        return replace(state, hold_next=False), ()
    return state, ()


def _hold(state: State) -> Next:
    if state.phase in (Phase.LIVE, Phase.STARTING) and state.gate is None:
        return replace(state, hold_next=True), ()
    if state.phase is Phase.RESTORING and state.then is not Then.WAIT:
        return replace(state, then=Then.WAIT), ()
    return state, ()


def _repeat(state: State, now_us: int, programme: Programme) -> Next:
    if state.last < 0:
        return state, ()
    if state.phase in (Phase.READY, Phase.DONE):
        return _begin(state, state.last, state.pace, 1, now_us, programme)
    return replace(state, again=not state.again), ()


def _paced(state: State, pace: Fraction | None, programme: Programme) -> Next:
    """Take a pace for the next call, if every call that may come next can be planned at it."""
    if pace is not None:
        for part in {state.part, state.last}:
            if 0 <= part < len(programme.parts):
                programme.plan(part, pace)
    return replace(state, pace=pace), ()


def _stop(state: State, programme: Programme) -> Next:
    if state.phase in (Phase.STARTING, Phase.LIVE):
        stopping = replace(state, phase=Phase.STOPPING, gate=None, leaving=False, hold_next=False, again=False)
        return stopping, (Stop(),)
    if state.phase is Phase.RESTORING:
        return replace(state, then=Then.WAIT, again=False), ()
    if state.phase is Phase.REPLAYING:
        return _rest(replace(state, again=False), programme), (EndReplay(),)
    return state, ()


# -- what happens ---------------------------------------------------------------------------------------------


def _begin(
    state: State, part: int, pace: Fraction | None, attempt: int, now_us: int, programme: Programme, notice: str = ""
) -> Next:
    """Begin a part. Raises PlanError when it cannot be planned at that pace."""
    plan = programme.plan(part, pace)
    seen = programme.parts[part].unfold is not None
    begun = replace(
        state,
        phase=Phase.REPLAYING if seen else Phase.STARTING,
        part=part + 1,
        last=part,
        attempt=attempt,
        pace=None,
        begun_pace=pace,
        again=False,
        step=0,
        step_us=now_us,
        gate=None,
        leaving=False,
        show_us=now_us if state.show_us < 0 else state.show_us,
        call_us=now_us,
        then=Then.WAIT,
        begun=False,
        notice=notice,
    )
    return begun, (Replay(part, True, pace) if seen else Begin(part, plan),)


def _rest(state: State, programme: Programme) -> State:
    """Nothing is on the line: wait for the presenter before the next part, or the same once more if that was asked."""
    part = state.last if state.again else state.part
    phase = Phase.READY if part < len(programme.parts) else Phase.DONE
    return replace(
        state, phase=phase, part=part, again=False, gate=None, leaving=False, hold_next=False, then=Then.WAIT
    )


def _over(state: State, news: Over, now_us: int, programme: Programme) -> Next:
    part = programme.parts[state.last]
    if news.how is How.WELL:
        return _rest(replace(state, notice=news.why), programme), ()
    then, notice = Then.WAIT, news.why
    if state.phase is not Phase.STOPPING and news.how is not How.STOPPED:
        if part.try_once_more and state.attempt == 1 and news.how is not How.UNSAFE:
            then, notice = Then.ONCE_MORE, f"{news.why} It is placed once more."
        elif part.replay is not None:
            then, notice = Then.REPLAY, f"{news.why} A recorded call is shown instead."
    home_us = now_us
    if state.begun:
        home_us += programme.restore_us + (LOST_US if news.how is How.LOST else 0)
    restoring = replace(
        state,
        phase=Phase.RESTORING,
        home_us=home_us,
        then=then,
        notice=notice,
        gate=None,
        leaving=False,
        hold_next=False,
    )
    return restoring, ()


def _tick(state: State, now_us: int, programme: Programme) -> Next:
    if state.phase is not Phase.RESTORING or now_us < state.home_us:
        return state, ()
    if state.then is Then.ONCE_MORE:
        try:
            return _begin(state, state.last, state.begun_pace, 2, now_us, programme, state.notice)
        except PlanError as error:
            return _rest(replace(state, notice=error.what), programme), ()
    if state.then is Then.REPLAY:
        return replace(state, phase=Phase.REPLAYING, then=Then.WAIT), (Replay(state.last),)
    return _rest(state, programme), ()
