"""What whoever is in charge of an exhibit is told: how it stands, in words. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from demo_ctl.show.acts import Act
from demo_ctl.show.exhibit_choice import choice
from demo_ctl.show.exhibit_model import Now, Phase, Rules, State
from demo_ctl.show.guard_words import ringing_live, ringing_words
from demo_ctl.show.hub import ConsoleState
from demo_ctl.show.wishes import Kind, Reply

#: A button that reads "pressed" for so long is stuck, or its wire is broken.
STUCK_US = 20_000_000
#: Phases that a stop ends.
_STOPPED = (Phase.COUNTING, Phase.CALLING, Phase.REPLAYING)


@dataclass(frozen=True)
class Around:
    """What a console shows beside the machine's own state.

    guard: the board's, G_... (-1: not known); stage: on the screens; followed: a visitor's handset is off its hook, and
    the board watches it; notes: sentences of whoever performs.
    """

    show: str
    acts: Sequence[Act]
    guard: int = -1
    stage: int = 0
    followed: bool = False
    notes: Sequence[str] = ()


def console_state(state: State, now: Now, rules: Rules, around: Around) -> ConsoleState:
    """Return what a console shows now."""
    calling = state.phase is Phase.CALLING
    stop = state.phase in _STOPPED or around.followed
    wishes = [Kind.NEXT, Kind.BLANK, *([Kind.STOP] if stop else [])]
    act = around.acts[state.call] if calling else None
    counters = state.counters
    line = [act.plan.title] if act is not None else []
    if around.followed:
        line.append("a visitor's own telephone is off the hook")
    return ConsoleState(
        show=around.show,
        call=act.title if act is not None else "",
        place=f"{counters.calls_today} calls today ({counters.sum_today} operations), {counters.calls_in_all} in all",
        stage=around.stage,
        happening=f"{state.phase.value[0].upper()}{state.phase.value[1:]}.",
        line=line,
        ringing=ringing_words(around.guard),
        ringing_live=ringing_live(around.guard),
        ringing_left_us=-1,
        next=_coming(state, now, rules, around.acts),
        next_left_us=-1,
        waiting=False,
        held=False,
        blank=state.dark,
        pace=str(act.plan.pace) if act is not None else "",
        paces=[],
        elapsed_us=0,
        left_us=-1,
        running=calling,
        wishes=[kind.value for kind in Kind if kind in wishes],
        notice=" ".join([*notices(state, now, rules), *around.notes]),
        rehearsal=False,
    )


def _coming(state: State, now: Now, rules: Rules, acts: Sequence[Act]) -> str:
    if state.phase is not Phase.ATTRACT:
        return "Then recorded calls again."
    call, why = choice(state, now, rules)
    if call < 0:
        if now.us < state.ready_us and state.standing.here and not state.standing.why:
            return "The switches rest; a press shows a recorded call."
        return f"A press shows a recorded call: {why}."
    return f"A press places: {acts[call].title}."


def _told(trouble: str, why: str, found: list[str]) -> bool:
    """Whether what went wrong in a call is told already. why: what keeps calls away, which may be just that."""
    return any(trouble in each or trouble.endswith(each.rstrip(".")) for each in found) or bool(why and why in trouble)


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
    if state.trouble and not _told(state.trouble.rstrip("."), state.standing.why, found):
        found.append(state.trouble)
    return found


def stopping(phase: Phase, *, followed: bool) -> Reply:
    """Return what is said to a stop. followed: as in `Around`."""
    if followed:
        return Reply(True, "Stopping: no bell rings for the visitor any more. Their handset keeps its line.")
    on = phase in _STOPPED
    return Reply(on, "Stopping." if on else "There is nothing to stop.")


def blanked(blank: bool, *, dark: bool) -> Reply:
    """Return what is said when somebody wants the screens dark (`blank`), or light. dark: what they will be."""
    if dark and not blank:
        return Reply(True, "The screens stay dark until it opens.")
    return Reply(True, "The screens are dark." if dark else "The screens are on.")
