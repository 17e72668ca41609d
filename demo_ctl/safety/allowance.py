"""Is so much ringing left as a plan may use? Asked before it begins, by day and by night.

The board keeps its limits whatever is decided here; but it would begin with a second left, and trip in the middle of a
call, and only a person at the key resets that. What counts is the longest that each window may stay open.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from demo_ctl.link.limits import LimitsInForce
from demo_ctl.safety.readiness import NotReady
from demo_ctl.wire import messages as m

HOUR_S = 3600


@dataclass(frozen=True)
class Window:
    """A ringing window of a plan. port: who may be rung; ours: the board answers there; most_us: its longest."""

    port: int
    ours: bool
    most_us: int


def check_left(windows: Sequence[Window], limits: LimitsInForce, safety: m.Safety, *, night: bool) -> None:
    """NotReady when a plan may ring for longer than one call may, or than is left of the hour's ringing."""
    whole_us = sum(window.most_us for window in windows)
    if not whole_us:
        return
    time = "night" if night else "day"
    call_ms = limits.value(m.L_NIGHT_CALL_MS if night else m.L_CALL_MS)
    if whole_us > call_ms * 1000:
        raise NotReady(
            f"this call may have ringing on for {_s(whole_us)}, and by {time} it may be on for {_s(call_ms * 1000)} in "
            "one call",
            next_step="Let the called party answer sooner" + (", or run this by day." if night else "."),
        )
    hour_ms = limits.value(m.L_NIGHT_HOUR_MS if night else m.L_HOUR_MS)
    left_ms = hour_left_ms(limits, safety, night=night)
    if whole_us <= left_ms * 1000:
        return
    raise NotReady(
        f"this call may have ringing on for {_s(whole_us)}, and {_s(left_ms * 1000)} of what an hour may have are left",
        next_step=_when(whole_us, left_ms, hour_ms) + (" Or run this by day." if night else ""),
    )


def hour_left_ms(limits: LimitsInForce, safety: m.Safety, *, night: bool) -> int:
    """Return how much ringing the hour has left, for a call by day or by night.

    The board tells it by the limits of its last plan. After a visitors' session those are smaller than the day's; then
    the difference is given back (where they say that nothing is left, this is the most that it can be).
    """
    if night or safety.mode != m.MODE_VISITORS:
        return int(safety.hour_left_ms)
    smaller_ms = limits.value(m.L_HOUR_MS) // 2 - limits.value(m.L_VISITORS_HOUR_MS) // 2
    return int(safety.hour_left_ms) + max(0, smaller_ms)


def _when(whole_us: int, left_ms: int, hour_ms: int) -> str:
    """Say when so much will be there: the board keeps half of the hour's limit, and it fills within an hour."""
    half_ms = hour_ms // 2
    if whole_us > half_ms * 1000 or not half_ms:
        return f"Let the called party answer sooner: there are never more than {_s(half_ms * 1000)} at once."
    wait_s = (whole_us / 1000 - left_ms) * HOUR_S / half_ms
    minutes = -(-int(wait_s + 1) // 60)
    return f"Let the unit rest: if nothing rings, there will be enough in about {minutes} min."


def _s(us: float) -> str:
    return f"{us / 1e6:g} s"
