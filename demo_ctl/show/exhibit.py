"""An exhibit that runs by itself, as a state machine. Pure: (state, event, now) -> (state, what is to be done).

    ATTRACT ─press─► COUNTING ─counted─► CALLING ─over─► SETTLING ─counted─► ATTRACT
       ├─press, and no call may be placed─► REPLAYING ─shown─► ATTRACT
       └─a visitor lifts their own handset─► VISITING ─down again─► SETTLING ─counted─► ATTRACT

The attract loop goes on by itself whenever nothing else is on. A press places a real call if everything allows it
(`exhibit_choice.py`), and shows a recorded one if not. A call is counted before it is begun, and begun only when the
count is kept; afterwards the count is corrected. Every phase but ATTRACT ends by itself at a limit, whatever the one
who performs it does or fails to do: so there is no dead end, and no fault keeps the screen.

What goes in and comes out, and the state itself, are the types of `exhibit_model.py`; what people are told of it is
`exhibit_words.py`.

After a start the cool-down begins anew: nobody knows how long ago the last call was when the power went.
"""

from __future__ import annotations

from dataclasses import replace

from demo_ctl.show import wear
from demo_ctl.show.exhibit_choice import choice, still_refused
from demo_ctl.show.exhibit_model import (
    Attract,
    Begin,
    Blank,
    Button,
    Dark,
    Doing,
    Down,
    EndCall,
    EndVisit,
    Engaged,
    Event,
    Follow,
    How,
    Keep,
    Kept,
    LetGo,
    Lifted,
    Next,
    NotKept,
    Now,
    Over,
    Phase,
    Press,
    Replay,
    Rules,
    Shown,
    Standing,
    Stands,
    State,
    Stop,
    Tick,
)
from demo_ctl.show.wear import Counters

#: Keeping a count takes milliseconds; a disk that takes longer than this has failed.
KEEP_US = 30_000_000
#: A call is given up so long after its plan's longest time: the performer's own limits have ended it long before.
SPARE_US = 30_000_000
#: And a replay so long after its own length.
REPLAY_SPARE_US = 5_000_000
#: A visitor's handset that is off its hook for longer keeps the screens no more.
VISIT_US = 600_000_000


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
    why = still_refused(state, now, rules)
    if state.followed:
        return _follow(replace(state, uncounted=""), now)
    if why:
        return _replay(replace(state, uncounted="", because=why), now, rules)
    state = replace(state, phase=Phase.CALLING, since_us=now.us, uncounted="")
    return state, (Begin(state.serial, state.call),)


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
