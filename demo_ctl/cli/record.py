"""`demo_ctl record`: the result of a recorded call, judged anew from what was seen."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from demo_ctl.cli.call import Ending
from demo_ctl.cli.call_trips import show_taken, show_trips, taken_of, trip_words
from demo_ctl.cli.files import existing
from demo_ctl.terms.errors import InputError, Place
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m

if TYPE_CHECKING:
    from demo_ctl.judge.model import Judgement
    from demo_ctl.ledger.read import Record


def run(args: argparse.Namespace) -> int:
    """Read, measure, judge, print; the exit code is the call's own where the record knows it."""
    from demo_ctl.judge.judge import judge
    from demo_ctl.ledger.read import read_record
    from demo_ctl.measure.measure import measure

    record = read_record(existing(args.file))
    try:
        judgement = judge(record.plan, measure(record.plan, record.observation))
    except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as error:
        # Every value has its right type, but they do not fit together: no plan of ours is like that.
        raise InputError(
            f"the plan in this record contradicts itself, so nothing can be judged by it ({error})",
            where=Place(record.path),
            next_step="Was the file edited? If not, it was written by another version of this program.",
        ) from None
    ending = Ending(
        status=record.status or "not ended",
        reason=record.reason or "the record has no end: the program or the computer was stopped",
        released=record.complete,
        simulated=record.simulated,
    )
    from demo_ctl.cli.screen import reader_may_go

    with reader_may_go():
        _show(args, record, judgement, ending)
    if record.exit_code is not None:
        return record.exit_code
    return int(Exit.OK if judgement.passed else Exit.CHECK_FAILED)


def _show(args: argparse.Namespace, record: Record, judgement: Judgement, ending: Ending) -> None:
    from demo_ctl.cli.json_out import print_json
    from demo_ctl.cli.screen import console

    for remark in record.remarks:
        print(f"demo_ctl: {record.path}: {remark}", file=sys.stderr)
    if args.json:
        from demo_ctl.cli.safety_show import trip_json
        from demo_ctl.report.machine import call_json

        words = trip_words(record.plan, record.observation, {})
        trips = [trip_json(trip, **words) for trip in record.trips]
        taken = taken_of(record.plan, record.observation)
        print_json({**call_json(record.plan, judgement, **ending), "trips": trips, "supply_taken": taken})
        return
    from demo_ctl.report.call import call_tables

    print(f"Recorded {record.wall_utc} at {record.port}")
    begun = any(event.kind == m.EV_PLAN and event.value & 0xFF == m.RUNNING for event in record.observation.events)
    for part in call_tables(record.plan, judgement, **ending, begun=begun):
        console().print(part)
    show_trips(record.trips, record.plan, record.observation)
    show_taken(record.plan, record.observation)
