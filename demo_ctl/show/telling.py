"""What the presenter is told: one state of the show in words, at once and in full. Pure.

Times are microseconds of the host's clock; words are British English, short enough for one line of a console.
"""

from __future__ import annotations

from fractions import Fraction

from demo_ctl.plan.model import Gate, Plan
from demo_ctl.report.live import people
from demo_ctl.report.words import time_words
from demo_ctl.show.engine import ON, Phase, State, Then, plan_on, will_hold
from demo_ctl.show.guard_words import ringing_live, ringing_words
from demo_ctl.show.hub import ConsoleState
from demo_ctl.show.programme import Programme, Span, span
from demo_ctl.show.wishes import Kind, Reply, Wish
from demo_ctl.wire import messages as m

#: Paces offered beside the sheet's own.
PACES = ("1/4", "1/2", "1", "2")


def pace_text(pace: Fraction) -> str:
    """Write a pace as people do: 1, 1/4."""
    return str(pace)


def next_stop(state: State, programme: Programme) -> Gate | None:
    """Return the next gate at which the call that is on will wait; None: it runs to its end."""
    plan = plan_on(state, programme)
    part = programme.parts[state.last]
    ahead = [gate for gate in plan.gates if gate.index >= state.step and will_hold(state, part, gate)]
    passed = state.leaving and ahead and ahead[0].index == state.step
    return ahead[1 if passed else 0] if len(ahead) > bool(passed) else None


def until_stop(state: State, now_us: int, programme: Programme) -> Span:
    """How long the call that is on still takes to its next stop, or to its end: at least and at most."""
    plan, part = plan_on(state, programme), programme.parts[state.last]
    stop = next_stop(state, programme)
    running = Span(0, 0) if state.leaving else span(part, plan, state.step, state.step + 1)
    rest = span(part, plan, state.step + 1, stop.index if stop is not None else None)
    if stop is not None and stop.index == state.step:
        return Span(0, 0)
    spent_us = max(0, now_us - state.step_us)
    return Span(max(0, running.least_us - spent_us), max(0, running.most_us - spent_us)) + rest


def hold_left_us(state: State, now_us: int) -> int:
    """How long the gate may still hold; 0 when the call waits at none."""
    return 0 if state.gate is None else max(0, state.gate_us + state.gate.limit_us - now_us)


def happening(state: State, now_us: int, programme: Programme) -> str:
    """What is happening now, in one sentence."""
    if state.phase is Phase.READY:
        return "Nothing is on the line."
    if state.phase is Phase.DONE:
        return "The show is over; nothing is on the line."
    if state.phase is Phase.STARTING:
        return "The call is being loaded into the board."
    if state.phase is Phase.STOPPING:
        return "Stopping: the line is being released."
    if state.phase is Phase.RESTORING:
        left = time_words(_round(max(0, state.home_us - now_us)))
        after = {Then.ONCE_MORE: " Then it is placed once more.", Then.REPLAY: " Then a recorded call is shown."}
        return f"Restoring: the line is released, the switches come home within {left}.{after.get(state.then, '')}"
    if state.phase is Phase.REPLAYING:
        if programme.parts[state.last].unfold is not None:
            return "REPLAY: what was seen is shown again; nothing is on the line."
        return "REPLAY: a recorded call is shown; nothing is on the line."
    if state.gate is not None:
        return f"Holding {state.gate.tell}, for {time_words(_round(hold_left_us(state, now_us)))} at most."
    return f"Running: {_step_words(plan_on(state, programme), state.step)}."


def coming(state: State, now_us: int, programme: Programme) -> str:
    """What comes next, and when, in one sentence."""
    if state.phase in (Phase.READY, Phase.DONE):
        if state.phase is Phase.DONE or state.part >= len(programme.parts):
            return "Repeat shows the last call again."
        part, title = programme.parts[state.part], programme.title(state.part)
        if part.follows is not None:
            return f"Next begins: {title}. The telephone on line {part.follows.line.name} is followed."
        pace = pace_text(state.pace or part.pace)
        return f"Next {'shows again' if part.unfold is not None else 'begins'}: {title}, pace {pace}."
    if state.phase is Phase.REPLAYING:
        return "Next ends the replay."
    if state.phase in (Phase.STOPPING, Phase.RESTORING):
        return "Nothing can begin before the switches are home."
    stop = next_stop(state, programme)
    if state.gate is not None:
        return "Next goes on." + (" If nobody does, it goes on by itself." if state.gate.stage else "")
    found = until_stop(state, now_us, programme)
    where = f"holds {stop.tell}" if stop is not None else "ends"
    return f"It {where} {_when(found)}."


def _when(found: Span) -> str:
    least, most = found.least_us, found.most_us
    if most - least < 1_000_000:
        return f"in {time_words(_round(most))}"
    return f"in {time_words(_round(least))} to {time_words(_round(most))}"


def _round(us: int) -> int:
    """People count in seconds; below two, in tenths."""
    grain = 1_000_000 if us >= 2_000_000 else 100_000
    return -(-us // grain) * grain


def _step_words(plan: Plan, index: int) -> str:
    steps = plan.timeline.steps
    return steps[min(index, len(steps) - 1)].label if steps else "nothing"


def on_the_line(state: State, programme: Programme) -> list[str]:
    """What is live on the line, a phrase each."""
    if state.phase not in (Phase.LIVE, Phase.STOPPING) or not state.begun:
        return []
    plan = plan_on(state, programme)
    who, closed = people(plan), dict[int, bool]()
    for step in plan.timeline.steps[: state.step]:
        if step.op == m.OP_LOOP:
            closed[step.port] = bool(step.x)
    found = [f"{who.get(port, f'port {port}')} is off the hook" for port, on in sorted(closed.items()) if on]
    if state.guard == m.G_LIVE:
        found.append(f"ringing voltage on the line of {who.get(plan.called_port, f'port {plan.called_port}')}")
    return found


def useful(state: State) -> list[Kind]:
    """The wishes that do something now."""
    found = [Kind.PACE, Kind.BLANK]
    if state.phase is Phase.READY or state.phase is Phase.REPLAYING or state.gate is not None or state.hold_next:
        found.append(Kind.NEXT)
    if (state.phase in (Phase.LIVE, Phase.STARTING) and state.gate is None) or state.then is not Then.WAIT:
        found.append(Kind.HOLD)
    if state.last >= 0:
        found.append(Kind.REPEAT)
    if state.phase in (Phase.STARTING, Phase.LIVE, Phase.RESTORING, Phase.REPLAYING):
        found.append(Kind.STOP)
    return [kind for kind in Kind if kind in found]


def shown_part(state: State, programme: Programme) -> int:
    """The part that is on, or that comes next."""
    on = state.phase in ON or state.phase in (Phase.RESTORING, Phase.REPLAYING)
    return state.last if on else min(state.part, len(programme.parts) - 1)


def left(state: State, now_us: int, programme: Programme) -> Span:
    """How long the show still takes from here."""
    total = Span(0, 0)
    if state.phase in ON and state.last >= 0:
        plan, part = plan_on(state, programme), programme.parts[state.last]
        total += span(part, plan, state.step)
        spent_us = max(0, now_us - state.step_us)
        total = Span(max(0, total.least_us - spent_us), max(0, total.most_us - spent_us))
    for index in range(state.part, len(programme.parts)):
        total += programme.takes(index)
    return total


def console_state(state: State, now_us: int, programme: Programme) -> ConsoleState:
    """Everything a console shows."""
    shown = shown_part(state, programme)
    part = programme.parts[shown]
    running = state.phase is Phase.LIVE
    gate = state.gate
    ringing_hold = gate is not None and gate.stage == "ringing"
    sheet_pace = pace_text(part.pace)
    pace = state.begun_pace if state.phase in ON else state.pace
    return ConsoleState(
        show=programme.sheet.value.title.get("en") or next(iter(programme.sheet.value.title.values())),
        call=programme.title(shown),
        place=f"{shown + 1} of {len(programme.parts)}",
        happening=happening(state, now_us, programme),
        line=on_the_line(state, programme),
        ringing=ringing_words(state.guard),
        ringing_live=ringing_live(state.guard),
        ringing_left_us=hold_left_us(state, now_us) if ringing_hold else -1,
        next=coming(state, now_us, programme),
        next_left_us=until_stop(state, now_us, programme).least_us if running and gate is None else -1,
        waiting=gate is not None,
        held=state.hold_next,
        blank=state.blank,
        pace=pace_text(pace) if pace is not None else sheet_pace,
        paces=[sheet_pace, *(each for each in PACES if each != sheet_pace)],
        elapsed_us=max(0, now_us - state.show_us) if state.show_us >= 0 else 0,
        left_us=left(state, now_us, programme).least_us,
        running=state.phase in ON,
        wishes=[kind.value for kind in useful(state)],
        notice=state.notice,
        rehearsal=programme.rehearsal,
    )


def reply(before: State, wish: Wish, after: State, now_us: int, programme: Programme) -> Reply:
    """What the presenter is told at once: what the wish does, what is happening, and what comes next and when."""
    done = before != after
    said = _said(before, wish, after) if done else _nothing(before, wish)
    words = (said, happening(after, now_us, programme), coming(after, now_us, programme))
    return Reply(done, " ".join(word for word in words if word))


def _said(before: State, wish: Wish, after: State) -> str:
    if wish.kind is Kind.BLANK:
        return "The audience's screen is dark." if after.blank else "The audience's screen is on."
    if wish.kind is Kind.PACE:
        return (
            f"The next call comes at pace {after.pace}." if after.pace else "The next call comes at the sheet's pace."
        )
    if wish.kind is Kind.HOLD:
        return "It stays like this." if before.phase is Phase.RESTORING else "It will hold at the next stable point."
    if wish.kind is Kind.REPEAT and after.phase is before.phase:
        return "It comes once more after this." if after.again else "It does not come again."
    if wish.kind is Kind.NEXT and before.phase is Phase.LIVE:
        return "Going on." if after.leaving else "It will not hold."
    return ""


def _nothing(before: State, wish: Wish) -> str:
    if wish.kind is Kind.REPEAT:
        return "Nothing has been shown yet."
    if wish.kind is Kind.STOP and before.phase in (Phase.READY, Phase.DONE):
        return "There is nothing to stop."
    return ""
