"""`demo_ctl call`: place one scripted call, watch it, and judge it."""

from __future__ import annotations

import argparse
import errno
import os
import sys
from collections.abc import Callable
from contextlib import closing
from datetime import datetime, timedelta
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict
from urllib.parse import parse_qsl, urlsplit

from demo_ctl.cli.board_port import BENCH, chosen, with_options
from demo_ctl.cli.call_trips import show_taken, show_trips, taken_of, trip_words
from demo_ctl.cli.faults import fault_options
from demo_ctl.cli.files import unit_path
from demo_ctl.cli.plan import planned
from demo_ctl.terms.errors import DemoError

if TYPE_CHECKING:
    from demo_ctl.link.client import Client
    from demo_ctl.office.model import Unit
    from demo_ctl.plan.model import BusyTrunks, Gate, Plan
    from demo_ctl.report.printer import Printer
    from demo_ctl.run.result import CallResult, Progress
    from demo_ctl.safety.allowance import Window
    from demo_ctl.safety.night import Supply


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
    from demo_ctl.report.printer import Printer
    from demo_ctl.run.perform import perform

    if url.startswith(BENCH):
        add_url_package("demo_ctl.bench")
    ready = Ready(args, nights=True)
    printer = Printer(sys.stderr if args.json else sys.stdout)
    # Takes its time: before the record's file is made, which Ctrl-C would leave empty.
    show = _progress(args, plan, printer, ready)
    with closing(Client(open_port(url))) as client:
        try:
            result = perform(
                plan,
                client,
                RecordWriter(args.record) if args.record else None,
                on_progress=show,
                go_on=_presenter(),
                trunks_busied=_busied(args, on_bench=url.startswith(BENCH)),
                ready=ready,
                home_us=ready.home_us,
            )
        finally:
            trouble = ready.end()
            printer.close()
            if trouble:
                print(f"demo_ctl: {trouble}", file=sys.stderr)
    from demo_ctl.cli.screen import reader_may_go

    with reader_may_go():
        _show(args, result)
    if ready.remembered:
        print(f"demo_ctl: {ready.remembered}", file=sys.stderr)
    return result.exit_code


def _port_url(args: argparse.Namespace, plan: Plan) -> str:
    """Return the port to open, a bench's URL completed with what the command line knows."""
    url = chosen(args.port, "this call runs on")
    return _bench_url(url, args, plan) if url.startswith(BENCH) else url


def _bench_url(url: str, args: argparse.Namespace, plan: Plan) -> str:
    paced = sys.stdout.isatty() and not args.fast and not args.json
    known = (
        ("unit", str(unit_path(args.unit))),
        ("seed", str(args.seed)),
        ("clock", "paced" if paced else "free"),
    )
    try:
        said = dict(parse_qsl(urlsplit(url).query, keep_blank_values=True))
    except ValueError:
        return url  # not even a URL: whoever opens it says so
    more = [("truth", args.truth)] if args.truth else []
    options = fault_options(args, said.get("unit", str(unit_path(args.unit))))
    more += [pair for pair in options if pair[0] == "fault" or pair[0] not in said]
    # Trunks that a person would busy by hand at a real unit: on the bench, the bench does it.
    more += [("busy", _trunks(busy)) for busy in plan.busy_trunks if busy.met_by == "person"]
    return with_options(url, known, tuple(more))


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


def ready_of(args: argparse.Namespace) -> Ready:
    """Return what is asked right after hello: a call that rings wants a proven guard that is not tripped."""
    return Ready(args)


class Ready:
    """Asked right after hello (`perform`'s `ready`). nights: at night too, with the unit's supply held by lease."""

    def __init__(self, args: argparse.Namespace, *, nights: bool = False) -> None:
        self._args, self._nights = args, nights
        self._age_us = _age_us(args)
        self._supply: Supply | None = None
        self.inputs: int | None = None  # the board's, as asked

    @cached_property
    def _unit(self) -> Unit:
        from demo_ctl.office.load import load_unit

        return load_unit(unit_path(self._args.unit)).value

    @property
    def home_us(self) -> int:
        """Within so long of hanging up, every train of this unit is home."""
        from demo_ctl.plan.stretch import release_need_us

        return release_need_us(self._unit)

    def __call__(self, client: Client, plan: Plan) -> None:
        """Raise a DemoError when this plan may not be performed as things stand."""
        from demo_ctl.run.prepare import rings
        from demo_ctl.safety import allowance, night
        from demo_ctl.safety.proof_store import default_folder
        from demo_ctl.safety.readiness import NotReady, check_ready

        folder = Path(self._args.proving_dir) if self._args.proving_dir else default_folder()
        age = timedelta(microseconds=self._age_us) if self._age_us else None
        safety = client.safety()
        self.inputs = safety.inputs
        by_night = night.at_night(safety)
        if by_night and not self._nights:
            raise NotReady(
                "the key stands at night, where the unit runs with nobody there",
                next_step="Turn the key off, and then to day: shows and exhibits run by day.",
            )
        if by_night:
            self._supply = night.Supply(client, safety, unit=self._unit, folder=folder, now=_now, age=age)
            self._supply.take()
        assert client.welcome is not None
        self._chain_open(safety.inputs, rings(plan), bool(client.welcome.simulated))
        if rings(plan):
            by_record = check_ready(
                client,
                unit=self._unit,
                age=age,
                folder=folder,
                now=_now(),
                night=by_night,
            )
            if by_night:
                night.check_ringing(_windows(plan), client.limits_in_force(), safety, self._unit)
            elif _calls(plan):
                allowance.check_left(_windows(plan), client.limits_in_force(), safety, night=False)
            if self._age_us and not by_record:
                print(
                    "--proving-age has no meaning here: this bench was proven as it was opened. It counts for a board, "
                    "and for a bench with guard=locked.",
                    file=sys.stderr,
                )

    def _chain_open(self, inputs: int, rings: bool, simulated: bool) -> None:
        """Say what an open chain, or a key that is off, leaves on. A call that rings is refused."""
        from demo_ctl.wire import messages as m

        if self._nights and not inputs & m.IN_KEY and simulated:
            print(
                "demo_ctl: the key is off. A real unit's switches have no battery then; those of the bench have.",
                file=sys.stderr,
            )
        if self._nights and not rings and inputs & m.IN_KEY and not (inputs & m.IN_CHAIN_A and inputs & m.IN_CHAIN_B):
            print(
                "demo_ctl: the safety chain is open (a cover, or the stop). This call does not ring, and its switches "
                "move all the same: the chain takes ringing, not the switches' battery.",
                file=sys.stderr,
            )

    @property
    def remembered(self) -> str:
        """Say, once it has ended, that the alarm which took the supply stands in the book, and what that means."""
        say, next_step = ("", "") if self._supply is None else self._supply.remembered()
        return f"{say}. {next_step}" if say else ""

    def end(self) -> str:
        """Give back the supply that was held for the call, keep the alarm that took it; return what went wrong."""
        return "" if self._supply is None else self._supply.end("in a call")


def _now() -> datetime:
    return datetime.now().astimezone()


def _calls(plan: Plan) -> bool:
    """Whether the board places the call. One that watches visitors opens each window by itself, and asks then."""
    from demo_ctl.wire import messages as m

    return m.CALLING in plan.timeline.roles


def _windows(plan: Plan) -> list[Window]:
    from demo_ctl.safety.allowance import Window
    from demo_ctl.wire import messages as m

    roles = plan.timeline.roles
    return [
        Window(step.port, step.port <= len(roles) and roles[step.port - 1] == m.CALLED, step.a)
        for step in plan.timeline.steps
        if step.op == m.OP_RINGING and step.x
    ]


def _age_us(args: argparse.Namespace) -> int:
    from demo_ctl.terms.errors import InputError
    from demo_ctl.terms.quantity import parse_us

    if args.proving_age is None:
        return 0
    try:
        age_us = parse_us(args.proving_age)
    except ValueError as error:
        raise InputError(f"--proving-age: {error}") from None
    if not age_us:
        raise InputError("--proving-age: expected a time, such as 24 h, found none")
    return age_us


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


def _progress(args: argparse.Namespace, plan: Plan, printer: Printer, ready: Ready) -> Callable[[Progress], None]:
    from demo_ctl.cli.screen import aside, console
    from demo_ctl.report.call import heading
    from demo_ctl.report.live import LiveStory

    screen = aside() if args.json else console()
    story = LiveStory(plan, enter=sys.stdin.isatty())
    before = [] if args.json else heading(plan)

    def show(item: Progress) -> None:
        trouble = printer.trouble
        if isinstance(trouble, OSError) and trouble.errno == errno.EIO:
            # A terminal that was closed; its SIGHUP may come later.
            raise BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE))
        if trouble is not None:
            raise trouble
        if story.inputs is None:
            story.inputs = ready.inputs
        while before:
            printer.say(screen.text(before.pop(0)))
        for line in story.lines(item.kind, item.at_us, item.label, item.detail, item.port, item.index):
            printer.say(screen.text(line))

    return show


def _show(args: argparse.Namespace, result: CallResult) -> None:
    if args.json:
        from demo_ctl.cli.json_out import print_json
        from demo_ctl.cli.safety_show import trip_json
        from demo_ctl.report.machine import call_json

        words = trip_words(result.plan, result.observation, _lines(args, result))
        trips, taken = [trip_json(trip, **words) for trip in result.trips], taken_of(result.plan, result.observation)
        found = call_json(result.plan, result.judgement, **_ending(result))
        print_json({**found, "trips": trips, "supply_taken": taken})
    else:
        from demo_ctl.cli.screen import console
        from demo_ctl.report.call import call_tables

        console().print()
        for part in call_tables(result.plan, result.judgement, **_ending(result)):
            console().print(part)
        show_trips(result.trips, result.plan, result.observation, _lines(args, result))
        show_taken(result.plan, result.observation)
        if args.record and result.record_trouble is None:
            print(f"Recorded in {Path(args.record)}")
        if args.truth:
            print(f"What happened inside the simulated unit is in {Path(args.truth)}")
    if result.error is not None:
        print(f"demo_ctl: {result.error}", file=sys.stderr)
    if result.record_trouble is not None:
        print(f"demo_ctl: the record is not whole: {result.record_trouble}", file=sys.stderr)
        print(f"  {Path(args.record)} holds the call up to there. The call itself went on.", file=sys.stderr)


def _lines(args: argparse.Namespace, result: CallResult) -> dict[int, str]:
    """Return the names of the unit's lines, where something tripped and they are wanted."""
    from demo_ctl.cli.safety_show import lines_of
    from demo_ctl.office.load import load_unit

    if not result.trips:
        return {}
    try:
        unit = load_unit(unit_path(args.unit)).value
    except DemoError:
        return {}
    return lines_of(unit) if unit.name == result.plan.unit else {}


def _ending(result: CallResult) -> Ending:
    return {
        "status": result.status.value,
        "reason": result.reason,
        "released": result.released,
        "simulated": bool(result.observation.welcome.simulated),
    }
