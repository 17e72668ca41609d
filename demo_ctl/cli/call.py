"""`demo_ctl call`: place one scripted call, watch it, and judge it."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict
from urllib.parse import parse_qsl, urlencode, urlsplit

from demo_ctl.cli.faults import fault_options
from demo_ctl.cli.files import unit_path
from demo_ctl.cli.plan import planned

if TYPE_CHECKING:
    from demo_ctl.plan.model import BusyTrunks, Gate, Plan
    from demo_ctl.run.result import CallResult, Progress

BENCH = "bench://"


class Ending(TypedDict):
    """How a call ended, as reports want it."""

    status: str
    reason: str
    released: bool
    simulated: bool


def run(args: argparse.Namespace) -> int:
    """Plan, open the port, perform, print; return the exit code."""
    plan = planned(args)
    url = _port_url(args, plan)
    _check_truth(args, on_bench=url.startswith(BENCH))
    _check_faults(args, on_bench=url.startswith(BENCH))
    from demo_ctl.ledger.record import RecordWriter
    from demo_ctl.link.client import Client
    from demo_ctl.link.port import add_url_package, open_port
    from demo_ctl.run.perform import perform

    if url.startswith(BENCH):
        add_url_package("demo_ctl.bench")
    show = _progress(args, plan)  # takes its time: before the record's file is made, which Ctrl-C would leave empty
    with closing(Client(open_port(url))) as client:
        result = perform(
            plan,
            client,
            RecordWriter(args.record) if args.record else None,
            on_progress=show,
            go_on=_presenter(),
            trunks_busied=_busied(args, on_bench=url.startswith(BENCH)),
        )
    from demo_ctl.cli.screen import reader_may_go

    with reader_may_go():
        _show(args, result)
    return result.exit_code


def _port_url(args: argparse.Namespace, plan: Plan) -> str:
    """Return the port to open: the one asked for, or the only board, or else the bench."""
    url: str = args.port
    if url == "auto":
        from demo_ctl.link.port import choose

        board = choose()
        url = board.url if board else BENCH
        if not board:
            print("No board is plugged in: this call runs on the bench (simulated board and unit).", file=sys.stderr)
    return _bench_url(url, args, plan) if url.startswith(BENCH) else url


def _bench_url(url: str, args: argparse.Namespace, plan: Plan) -> str:
    """Complete a bench URL with what the command line knows; what the URL says itself wins."""
    try:
        parts = urlsplit(url)
    except ValueError:
        return url  # not even a URL: whoever opens it says so
    query = parse_qsl(parts.query, keep_blank_values=True)
    said = {key for key, _ in query}
    paced = sys.stdout.isatty() and not args.fast and not args.json
    known = (
        ("unit", str(unit_path(args.unit))),
        ("seed", str(args.seed)),
        ("clock", "paced" if paced else "free"),
    )
    query += [(key, value) for key, value in known if key not in said]
    query += [("truth", args.truth)] if args.truth else []
    query += [pair for pair in fault_options(args, dict(query)["unit"]) if pair[0] == "fault" or pair[0] not in said]
    # Trunks that a person would busy by hand at a real unit: on the bench, the bench does it.
    query += [("busy", _trunks(busy)) for busy in plan.busy_trunks if busy.met_by == "person"]
    # Not urlunsplit: it writes `bench:?` where there is no host.
    return f"{parts.scheme}://{parts.netloc}{parts.path}?{urlencode(query, safe='/:')}"


def _check_truth(args: argparse.Namespace, *, on_bench: bool) -> None:
    """Refuse a truth that cannot be had, before anything is opened."""
    from demo_ctl.terms.errors import InputError, Place

    if args.truth and not on_bench:
        raise InputError(
            "--truth is for the bench only: nobody can look inside a real unit",
            next_step="Leave --truth away, or use --port bench://.",
        )
    if args.truth and Path(args.truth).exists():
        raise InputError(
            "this file is there already, and a truth is never written over",
            where=Place(args.truth),
            next_step="Give --truth another name, or move the old file away.",
        )


def _check_faults(args: argparse.Namespace, *, on_bench: bool) -> None:
    """Refuse to put faults into a real unit."""
    from demo_ctl.terms.errors import InputError

    if (args.fault or args.night is not None) and not on_bench:
        raise InputError(
            "--fault and --night are for the bench only: a real unit has its own",
            next_step="Leave them away, or use --port bench://.",
        )


def _trunks(busy: BusyTrunks) -> str:
    return f"{busy.stage}/{busy.level}/{','.join(str(position) for position in busy.positions)}"


def _busied(args: argparse.Namespace, *, on_bench: bool) -> Callable[[tuple[BusyTrunks, ...]], bool]:
    def ask(wanted: tuple[BusyTrunks, ...]) -> bool:
        if on_bench or args.trunks_busied:
            return True
        if not sys.stdin.isatty():
            return False
        for busy in wanted:
            print(
                f"Please busy at the unit: selector stage {busy.stage}, level {busy.level}, ", end="", file=sys.stderr
            )
            print(f"trunks {', '.join(map(str, busy.positions))}.", file=sys.stderr)
        print("Done? [y/n] ", end="", file=sys.stderr, flush=True)
        return sys.stdin.readline().strip().lower() in ("y", "yes")  # at the end of the input: no

    return ask


def _presenter() -> Callable[[Gate], bool] | None:
    """Return what is asked while a gate waits for a person: has Enter been pressed?"""
    if not sys.stdin.isatty():
        return None
    import select

    def pressed(_gate: Gate) -> bool:
        ready, _, _ = select.select([sys.stdin], [], [], 0)
        return bool(ready) and sys.stdin.readline() != ""

    return pressed


def _progress(args: argparse.Namespace, plan: Plan) -> Callable[[Progress], None]:
    from demo_ctl.cli.screen import aside, console
    from demo_ctl.report.call import heading
    from demo_ctl.report.live import LiveStory

    screen = aside() if args.json else console()
    story = LiveStory(plan, enter=sys.stdin.isatty())
    before = [] if args.json else heading(plan)

    def show(item: Progress) -> None:
        while before:
            screen.print(before.pop(0))
        for line in story.lines(item.kind, item.at_us, item.label, item.detail, item.port, item.index):
            screen.print(line)

    return show


def _show(args: argparse.Namespace, result: CallResult) -> None:
    if args.json:
        from demo_ctl.cli.json_out import print_json
        from demo_ctl.report.machine import call_json

        print_json(call_json(result.plan, result.judgement, **_ending(result)))
    else:
        from demo_ctl.cli.screen import console
        from demo_ctl.report.call import call_tables

        console().print()
        for part in call_tables(result.plan, result.judgement, **_ending(result)):
            console().print(part)
        if args.record and result.record_trouble is None:
            print(f"Recorded in {Path(args.record)}")
        if args.truth:
            print(f"What happened inside the simulated unit is in {Path(args.truth)}")
    if result.error is not None:
        print(f"demo_ctl: {result.error}", file=sys.stderr)
    if result.record_trouble is not None:
        print(f"demo_ctl: the record is not whole: {result.record_trouble}", file=sys.stderr)
        print(f"  {Path(args.record)} holds the call up to there. The call itself went on.", file=sys.stderr)


def _ending(result: CallResult) -> Ending:
    return {
        "status": result.status.value,
        "reason": result.reason,
        "released": result.released,
        "simulated": bool(result.observation.welcome.simulated),
    }
