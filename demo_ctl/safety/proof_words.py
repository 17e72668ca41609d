"""What there is to say of a guard's proving: whether it counts, when and by whom it was made, what is missing. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from demo_ctl.safety.evidence import missing
from demo_ctl.safety.proof_counts import Wanted, best, day_only
from demo_ctl.safety.proof_store import Proving, Unread
from demo_ctl.wire import messages as m


@dataclass(frozen=True)
class Account:
    """What there is to say. counts: whether a call may ring by it; says: in words; until: when it ends, "" where none.

    proving: the record that counts, or None. itself: a bench that needs none.
    """

    counts: bool
    says: tuple[str, ...]
    until: str = ""
    without: tuple[str, ...] = ()
    proving: Proving | None = None
    itself: bool = False


def by_itself() -> Account:
    """Say that a bench was proven as it was opened."""
    return Account(True, ("Proven: a simulated person worked every contact as this bench was opened.",), itself=True)


def by_records(provings: Iterable[Proving], wanted: Wanted, unread: Iterable[Unread], exercised: int) -> Account:
    """Say whether a dated record counts. exercised: what the board saw since it started (Safety)."""
    proval, why = best(provings, wanted, unread)
    if proval is None:
        says = [f"NOT PROVEN: {why}."]
        lacking = missing(exercised)
        if lacking:
            says.append(f"Since the board started: {'; '.join(lacking)}.")
        says.append("A call that rings is refused until a proving has passed: demo_ctl safety prove.")
        return Account(False, tuple(says))
    proving = proval.proving
    by = f" by {proving.who}" if proving.who else ""
    until = proval.until.isoformat(timespec="seconds")
    says = [f"Proven{by}, {proving.ended}; this counts until {until}."]
    if proval.without:
        says.append(f"Left out then: {', '.join(proval.without)}.")
    for_day = day_only(proving)
    if for_day:
        says.append(f"{for_day[:1].upper()}{for_day[1:]}.")
    return Account(True, tuple(says), until, proval.without, proving)


def caused_by(trip: m.Trip, boot: int, provings: Iterable[Proving], board: str) -> str:
    """Say which proving caused a trip on purpose; "" when none did. boot: which start of the board."""
    name = m.R_NAMES[trip.reason] if trip.reason < len(m.R_NAMES) else ""
    for proving in provings:
        for each in proving.trips:
            if proving.board == board and (each.boot, each.at_us, each.reason) == (boot, trip.at_us, name):
                return f"the proving of {proving.began} made it trip, to see that it does"
    return ""
