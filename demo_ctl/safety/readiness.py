"""May a call ring now? Asked right after hello; the answer is nothing, or an error that says why not and what to do.

The board decides by itself, whatever is decided here: this only says early, and in words, what it would refuse. What
the board cannot know is whether people have lately proven that its chain really opens; that is asked here.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

from demo_ctl.link.advice import of_reason, of_trip
from demo_ctl.link.client import Client
from demo_ctl.safety.proof_store import Wanted, best, board_text, digest_text, read_all
from demo_ctl.safety.proving import missing
from demo_ctl.terms.errors import DemoError, TripError
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m

_ON_THE_BENCH = (
    " (On the bench: leave guard=locked away from its URL, or, where the bench is served, type: key off, key day.)"
)


class NotReady(DemoError):
    """A call that rings cannot begin as things stand. Nothing has tripped."""

    exit_code = Exit.BAD_INPUT


def check_guard(safety: m.Safety, *, simulated: bool) -> None:
    """TripError when the guard is tripped, NotReady when something else keeps ringing from being allowed."""
    hint = _ON_THE_BENCH if simulated else ""
    if safety.state == m.G_TRIPPED:
        advice = of_trip(safety.reason)
        raise TripError(
            f"this call rings, and the guard is tripped: {advice.what}",
            next_step=advice.advice + hint,
        )
    if safety.obstacle != m.R_NONE:
        advice = of_reason(safety.obstacle)
        raise NotReady(
            f"this call rings, and ringing is not allowed now: {advice.what}", next_step=advice.advice + hint
        )


def check_exercised(safety: m.Safety) -> None:
    """NotReady when a simulated board has not seen its guard worked since it started."""
    lacking = missing(safety.exercised)
    if lacking:
        raise NotReady(
            f"this call rings, and the guard is not proven: never seen in both positions: {', '.join(lacking)}",
            next_step="Prove it: demo_ctl safety prove --port URL. Or open a bench whose guard is proven "
            "(without guard=locked).",
        )


def check_proving(client: Client, safety: m.Safety, *, unit: str, age: timedelta, folder: Path, now: datetime) -> None:
    """NotReady when this board and unit have no valid proving in `folder`."""
    wanted = Wanted(
        board=board_text(safety.board),
        digest=digest_text(client.limits_in_force().digest),
        unit=unit,
        age=age,
        now=now,
    )
    found, _ = read_all(folder)
    proving, why = best(found, wanted)
    if proving is None:
        raise NotReady(
            f"this call rings, and the guard has no valid proving: {why}",
            next_step=f"Prove it (it takes some minutes): demo_ctl safety prove --port {client.port.url}. "
            f"Provings are looked for in {folder}.",
        )


def check_ready(client: Client, *, unit: str, age: timedelta, folder: Path, now: datetime) -> None:
    """All of it: TripError or NotReady, or nothing. The client has said hello."""
    welcome = client.welcome
    assert welcome is not None
    safety = client.safety()
    check_guard(safety, simulated=bool(welcome.simulated))
    if welcome.simulated:
        check_exercised(safety)
    else:
        check_proving(client, safety, unit=unit, age=age, folder=folder, now=now)
