"""May a call ring now? Asked right after hello; the answer is nothing, or an error that says why not and what to do.

The board decides by itself, whatever is decided here: this only says early, and in words, what it would refuse. What
the board cannot know is whether people have lately proven that its chain really opens; that is asked here.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from shlex import quote

from demo_ctl.link.advice import of_obstacle, of_tripped
from demo_ctl.link.client import Client
from demo_ctl.office.model import Unit
from demo_ctl.safety.evidence import missing
from demo_ctl.safety.firmware_sources import doubt
from demo_ctl.safety.meter_book import COMPARE, holds, objection, read_rows
from demo_ctl.safety.proof_counts import Wanted, best
from demo_ctl.safety.proof_store import board_text, digest_text, firmware_text, read_all
from demo_ctl.safety.proving_night import missing_at_night
from demo_ctl.terms.errors import DemoError, TripError
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m

#: What Welcome's `simulated` reads on a bench that was proven as it was opened; on one that was not, 2.
PROVEN_BENCH = 1
_IN_THE_COMMAND = " (On this bench: leave guard=locked away from its URL.)"
_SERVED = " (Where the bench is served, type: key off, then key day.)"


class NotReady(DemoError):
    """A call that rings cannot begin as things stand. Nothing has tripped."""

    exit_code = Exit.BAD_INPUT


def check_guard(safety: m.Safety, *, simulated: bool, url: str = "", trip: m.Trip | None = None) -> None:
    """TripError when the guard is tripped, NotReady when something else keeps ringing from being allowed.

    url: of the port, for a hint that fits how a bench was started; trip: the board's latest.
    """
    hint = ""
    if simulated and url.startswith("bench:"):
        hint = _IN_THE_COMMAND if safety.state == m.G_LOCKED else ""
    elif simulated and (safety.state == m.G_TRIPPED or (safety.state == m.G_LOCKED or safety.obstacle == m.R_KEY)):
        hint = _SERVED
    if safety.state == m.G_TRIPPED:
        advice = of_tripped(safety, trip)
        raise TripError(
            f"this call rings, and the guard is tripped: {advice.what}",
            next_step=advice.advice + hint,
        )
    if safety.obstacle != m.R_NONE:
        advice = of_obstacle(safety)
        raise NotReady(
            f"this call rings, and ringing is not allowed now: {advice.what}", next_step=advice.advice + hint
        )


def check_exercised(safety: m.Safety) -> None:
    """NotReady when a board has not seen its guard worked since it started."""
    lacking = missing(safety.exercised)
    if lacking:
        raise NotReady(
            f"this call rings, and the guard is not proven: {'; '.join(lacking)}",
            next_step="Prove it: demo_ctl safety prove --port URL. Or open a bench whose guard is proven "
            "(without guard=locked).",
        )


def wanted_of(
    client: Client, safety: m.Safety, *, unit: Unit, age: timedelta | None, now: datetime, night: bool = False
) -> Wanted:
    """Return what a proving must have been made of to count for this board at this unit. age: None, the unit's own."""
    welcome = client.welcome
    assert welcome is not None
    return Wanted(
        board=board_text(safety.board),
        digest=digest_text(client.limits_in_force().digest),
        unit=unit.name,
        age=age or timedelta(microseconds=unit.safety.proving_age_us),
        now=now,
        firmware=firmware_text(welcome.firmware),
        covers=unit.safety.covers,
        simulated=bool(welcome.simulated),
        night=night,
        doubt="" if welcome.simulated else doubt(),  # a bench runs these very sources
    )


def proven_at_opening(client: Client, safety: m.Safety, *, night: bool = False) -> bool:
    """Return whether this is a bench that a simulated person has proven as it was opened: no record is asked then."""
    assert client.welcome is not None
    lacking = missing(safety.exercised) + (missing_at_night(safety.exercised) if night else ())
    return client.welcome.simulated == PROVEN_BENCH and not lacking


def check_proving(client: Client, wanted: Wanted, folder: Path, what: str = "this call rings") -> None:
    """NotReady when this board and unit have no valid proving in `folder`. what: it is wanted for."""
    found, unread = read_all(folder)
    proval, why = best(found, wanted, unread)
    if proval is None:
        url = client.port.url
        prove = (
            f"Prove it (it takes some minutes): demo_ctl safety prove --port {quote(url)}."
            if not url.startswith("bench:")
            else "Nobody can prove a bench that lives inside this command: leave guard=locked away from its address, "
            "or serve one (demo_ctl bench --pty --guard locked) and prove it with the port that it prints."
        )
        raise NotReady(
            f"{what}, and the guard has no valid proving{' for the night' if wanted.night else ''}: {why}",
            next_step=f"{prove} Provings are looked for in {folder}.",
        )


def check_ready(
    client: Client, *, unit: Unit, age: timedelta | None, folder: Path, now: datetime, night: bool = False
) -> bool:
    """All of it: TripError or NotReady; or whether it was a dated record that counted. The client has said hello.

    age: at most so old; None: as the unit's file says. night: the key stands at night, which wants a proving of that.
    """
    welcome = client.welcome
    assert welcome is not None
    safety = client.safety()
    trips = client.trips() if safety.state == m.G_TRIPPED else []
    check_guard(
        safety,
        simulated=bool(welcome.simulated),
        url=client.port.url,
        trip=trips[0] if trips else None,
    )
    if proven_at_opening(client, safety, night=night):
        return False
    check_proving(client, wanted_of(client, safety, unit=unit, age=age, now=now, night=night), folder)
    check_meter(safety, folder, unit=unit.name, simulated=bool(welcome.simulated))
    return True


def check_meter(safety: m.Safety, folder: Path, *, unit: str, simulated: bool) -> None:
    """NotReady when this board, or this unit's, was found not to measure what a meter measures."""
    why = objection(holds(read_rows(folder), unit, board_text(safety.board), simulated=simulated))
    if why:
        raise NotReady(
            f"this call rings, and {why}",
            next_step="Have the converter corrected or exchanged (wiring/README.md, the bus converter), and prove the "
            f"guard. When board and meter agree again, say so: {COMPARE}. Comparisons are kept in {folder}.",
        )


def bench_ready(client: Client, _plan: object) -> None:
    """As `ready` of `perform`, for a bench that this process has opened proven, and for nothing else."""
    welcome = client.welcome
    assert welcome is not None
    if welcome.simulated != PROVEN_BENCH:
        raise NotReady("this is no bench that was proven as it was opened", next_step="Ask for a dated proving.")
    safety = client.safety()
    check_guard(safety, simulated=True)
    check_exercised(safety)
