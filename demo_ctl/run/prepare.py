"""May this call begin, and is the board ready for it? All that is asked and done before the start.

In order: trunks that a person must make busy; hello; does the plan fit the board; may it ring; upload. Nothing is
running yet: an error or Ctrl-C here simply goes to the caller.
"""

from __future__ import annotations

from binascii import crc32
from collections.abc import Callable
from dataclasses import dataclass

from demo_ctl.link.client import Client
from demo_ctl.plan.model import BusyTrunks, Plan
from demo_ctl.run.fit import check_board
from demo_ctl.run.keeping import Keeping
from demo_ctl.run.result import Status
from demo_ctl.run.trips import kept_trips
from demo_ctl.terms.errors import DemoError, InputError, Place, TripError
from demo_ctl.wire import messages as m


@dataclass(frozen=True)
class Prepared:
    """A plan that the board holds and that may be started.

    number: its number there. notes: for the record. answered: places of the script that the person has answered for.
    """

    welcome: m.Welcome
    number: int
    notes: tuple[str, ...]
    answered: frozenset[Place]


def rings(plan: Plan) -> bool:
    """Return whether a plan may let ringing voltage onto the bus: by what it says of itself, and by what it does."""
    return plan.ringing or any(step.op == m.OP_RINGING and step.x for step in plan.timeline.steps)


def prepare(
    plan: Plan,
    client: Client,
    keeping: Keeping,
    trunks_busied: Callable[[tuple[BusyTrunks, ...]], bool] | None,
    ready: Callable[[Client, Plan], None] | None,
) -> Prepared:
    """Get everything ready for the start. Arguments and errors are those of `perform.perform`.

    When ringing is refused (`ready` raises), the record has the plan, the trip if that is why, and an end row that says
    so; of other refusals there is no record.
    """
    by_hand = tuple(busy for busy in plan.busy_trunks if busy.met_by == "person")
    if by_hand and (trunks_busied is None or not trunks_busied(by_hand)):
        first = by_hand[0]
        raise InputError(
            f"{_say_busy(first)} must be busy before this call, and this board has not the ports to do it",
            where=first.place,
            next_step="Make them busy by hand, then say so: --trunks-busied.",
        )
    welcome = client.hello()
    check_board(plan, welcome)
    if ready is not None:
        try:
            ready(client, plan)
        except DemoError as refusal:
            _keep_refusal(client, keeping, welcome, refusal)
            raise
    instructions = [m.Instruction(s.op, s.port, s.x, s.a, s.b) for s in plan.timeline.steps]
    number = crc32(repr(instructions).encode()) or 1
    client.upload(number, instructions, plan.timeline.roles)
    return Prepared(
        welcome,
        number,
        notes=tuple(f"made busy by hand, as the person said: {_say_busy(busy)}" for busy in by_hand),
        answered=frozenset(busy.place for busy in by_hand),
    )


def _keep_refusal(client: Client, keeping: Keeping, welcome: m.Welcome, refusal: DemoError) -> None:
    """Keep in the record why the call was not begun."""
    if not keeping.wanted:
        return
    keeping.start(welcome)
    tripped = isinstance(refusal, TripError)
    if tripped:
        kept_trips(client, keeping, most=1)  # whenever it was
    keeping.end(Status.TRIPPED if tripped else Status.REFUSED, refusal.what, int(refusal.exit_code))


def _say_busy(busy: BusyTrunks) -> str:
    trunks = ", ".join(str(position) for position in busy.positions)
    return f"stage {busy.stage}, level {busy.level}, trunks {trunks}"
