"""Gates for a presenter, at the points of a call where nothing moves until the board goes on.

How it works: while the script is walked, each kind of step calls `hold` at its stable point: after dial tone has been
heard, in the pause that follows a digit's cut-through, while a bell rings, while a tone tells that the call cannot go
on, and while people talk. Without a `Stops` that does nothing, and the plan is the usual one. A gate that nobody opens
goes on by itself at its limit: a call is never lost because somebody talked on.

While a bell rings a gate counts down: with everything that follows in the ringing window it ends `BEFORE_LIMIT_US`
before the longest window there may be, by the answer or by hanging up. How long that leaves is known only when the
window closes, so `build` walks a script twice: once with gates of no length, then with the length that was left.
"""

from __future__ import annotations

from dataclasses import replace

from demo_ctl.office.check import LONGEST_WINDOW_US
from demo_ctl.office.model import Unit
from demo_ctl.plan.model import PaceRow, Plan, Stretch
from demo_ctl.plan.stops import BEFORE_LIMIT_US, DIGITS, LEAST_HOLD_US, NO_TIME_US, RINGING, Stops
from demo_ctl.plan.story import Story
from demo_ctl.terms.words import time_text
from demo_ctl.wire import messages as wire


def hold(story: Story, stage: str, tell: str) -> bool:
    """Put a gate here, at a stable point of kind `stage`, if the plan is to have one; say whether there is one now."""
    stops = story.stops
    if stops is None or stage not in stops.at:
        return False
    limit_us, why = _limit(story, stops, stage)
    if limit_us < LEAST_HOLD_US and limit_us != NO_TIME_US:
        story.notes.append(f"{story.here}: no time to hold {tell}: {why}")
        return False
    story.draft.gate(0, None, limit_us, tell, f"hold {tell}", story.here, stage=stage)
    part = f"hold, {stage}"
    if not any(row.part == part for row in story.rows):
        story.rows.append(
            PaceRow(part, Stretch.BOUNDED, "none", "as long as wanted", f"up to {time_text(limit_us)}", why)
        )
    return True


def _limit(story: Story, stops: Stops, stage: str) -> tuple[int, str]:
    longest_us = story.unit.longest_gate_us
    longest = f"{story.unit.name} allows gates of {time_text(longest_us)}"
    if stage == RINGING and not story.rehearses:
        room_us = NO_TIME_US if stops.ring_hold_us is None else stops.ring_hold_us
        limit = f"ringing ends {time_text(BEFORE_LIMIT_US)} before its longest time"
        return (room_us, limit) if room_us < longest_us else (longest_us, longest)
    most_us = story.unit.follows.most_pause_us
    if stage == DIGITS and most_us is not None and most_us - story.dial_how.pause_us < longest_us:
        return max(0, most_us - story.dial_how.pause_us), f"the longest pause is {time_text(most_us)}"
    return longest_us, longest


def with_room(stops: Stops, plan: Plan, unit: Unit) -> Stops:
    """Say how long a ringing gate may hold, given the plan that was made with one of no length."""
    windows = [step.a for step in plan.timeline.steps if step.op == wire.OP_RINGING and step.x]
    longest_us = min(LONGEST_WINDOW_US, unit.ringing.longest_us, stops.ring_window_us)
    room_us = min(longest_us - max(windows, default=0), stops.ring_call_us - sum(windows)) - BEFORE_LIMIT_US
    return replace(stops, ring_hold_us=max(0, room_us) // 1000 * 1000)
