"""`demo_ctl show`: play a run sheet for an audience, with a presenter's console."""

from __future__ import annotations

import argparse
import os
import signal
import sys
import threading
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from demo_ctl.cli.board_port import BENCH, chosen, with_options
from demo_ctl.cli.call import ready_of
from demo_ctl.cli.files import existing, unit_named, unit_path
from demo_ctl.cli.signals import end_on_signals
from demo_ctl.cli.web import NEEDS, check_web, serve_pages, web_options
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.outcome import Exit

if TYPE_CHECKING:
    from demo_ctl.ledger.record import RecordWriter
    from demo_ctl.link.client import Client
    from demo_ctl.plan.model import BusyTrunks, Plan
    from demo_ctl.plan.stops import Stops
    from demo_ctl.report.printer import Printer
    from demo_ctl.run.result import CallResult
    from demo_ctl.show.hub import ConsoleState, Hub
    from demo_ctl.show.programme import Part, Programme
    from demo_ctl.show.stagehand import Stagehand


def options(show: argparse.ArgumentParser) -> None:
    """Add the options of `show`."""
    show.add_argument("sheet", metavar="SHEET", help="run sheet, such as configs/shows/first-visit.yaml")
    show.add_argument("--unit", metavar="FILE", help="the unit's description (default: the one the sheet names)")
    show.add_argument(
        "--port",
        default="auto",
        metavar="URL",
        help="serial port of the board, or bench:// (default: the one board that is plugged in; with none, the bench)",
    )
    show.add_argument("--check", action="store_true", help="only say what each call gets and how long everything takes")
    show.add_argument("--rehearse", action="store_true", help="everything but the ringing")
    show.add_argument(
        "--fast", action="store_true", help="on the bench: simulated time, without a presenter or any wait"
    )
    show.add_argument("--plain", action="store_true", help="a console of typed words, for the simplest terminals")
    web_options(show, "audience's")
    show.add_argument(
        "--visitor",
        metavar="NUMBER",
        help="on the bench: what a simulated person dials at a telephone that is followed, such as '5550134 at 8 pps'",
    )
    show.add_argument("--records", metavar="FOLDER", help="keep a record of every call in FOLDER")
    show.add_argument("--seed", type=int, default=0, metavar="N", help="on the bench: seed of everything random")
    show.add_argument(
        "--trunks-busied", action="store_true", help="the trunks that scripts want busy have been busied by hand"
    )
    show.add_argument("--proving-age", metavar="TIME", help="as for `call`")
    show.add_argument("--proving-dir", metavar="DIR", help="as for `call`")
    show.add_argument("--json", action="store_true", help="print one JSON object on standard output")


def run(args: argparse.Namespace) -> int:
    """Load, open, check; then play."""
    from demo_ctl.link.port import add_url_package
    from demo_ctl.office.load import load_unit
    from demo_ctl.script.sheet_load import load_sheet
    from demo_ctl.show.programme import prepare

    sheet = load_sheet(existing(args.sheet))
    args.unit = unit_named(args.unit, sheet)
    unit = load_unit(unit_path(args.unit))
    url = chosen(args.port, "this show runs on")
    _refuse(args, on_bench=url.startswith(BENCH))
    if url.startswith(BENCH):
        add_url_package("demo_ctl.bench")
    with ExitStack() as stack:
        ports = Ports(args, url)
        stack.callback(ports.close)
        stops, count = ports.declared()
        programme = prepare(sheet, unit, ports=count, stops=stops, rehearsal=args.rehearse)
        for part in range(len(programme.parts)):
            programme.fallback(part)  # a record that is no good is known now
        ports.look_at_hooks(programme)
        if args.check:
            return _check(args, programme, ports)
        return _play(args, programme, ports)


def _refuse(args: argparse.Namespace, *, on_bench: bool) -> None:
    if args.fast and not on_bench:
        raise InputError(
            "--fast is for the bench only: real switches take their time",
            next_step="Leave --fast away, or use --port bench://.",
        )
    if args.visitor is not None:
        from demo_ctl.bench.telephones import NoSuchHand, dialled

        if not on_bench:
            raise InputError("--visitor is for the bench only: at a real telephone somebody must dial")
        try:
            dialled(args.visitor)
        except NoSuchHand as error:
            raise InputError(f"--visitor: {error}") from None
    check_web(args)


class Ports:
    """Opens the port for each call, and knows the host's clock.

    On the bench trunks that a person would busy by hand are busied by the bench, so that a call that wants some gets a
    bench of its own; otherwise one client serves the whole show.
    """

    def __init__(self, args: argparse.Namespace, url: str) -> None:
        self._args, self._url = args, url
        self._on_bench = url.startswith(BENCH)
        self._first: Client | None = None
        self._line: Any = None  # of the port opened last
        self._before_us, self._clock_us = 0, _real_us
        self.hour_us = 0  # the board's limit of ringing in an hour, once it was asked
        self._lock = threading.Lock()

    def url(self, plan: Plan | None) -> str:
        """Return the port on which a plan is performed."""
        if not self._on_bench:
            return self._url
        known = (
            ("unit", str(unit_path(self._args.unit))),
            ("seed", str(self._args.seed)),
            ("clock", "free" if self._args.fast or self._args.check else "paced"),
        )
        busy = [each for each in plan.busy_trunks if each.met_by == "person"] if plan is not None else []
        more = tuple(("busy", f"{each.stage}/{each.level}/{','.join(map(str, each.positions))}") for each in busy)
        return with_options(self._url, known, more)

    def open(self, url: str) -> Client:
        """Open a port; the very first time it may be open already."""
        from demo_ctl.link.client import Client
        from demo_ctl.link.port import open_port

        first, self._first = self._first, None
        if first is not None and first.port.url == url:
            return first
        if first is not None:
            first.close()
        port = open_port(url)
        self._line = port.line
        if self._args.fast:
            with self._lock:
                self._before_us, self._clock_us = self.now_us(), port.clock_us
        return Client(port)

    def declared(self) -> tuple[Stops, int]:
        """Ask the board what it allows of ringing, and how many ports it has."""
        from demo_ctl.plan.stops import Stops
        from demo_ctl.wire import messages as m

        client = self.open(self.url(None))
        self._first = client
        welcome = client.hello()
        limits = client.limits_in_force()
        wanted = (m.L_WINDOW_MS, m.L_CALL_MS, m.L_HOUR_MS)
        window_us, call_us, self.hour_us = (limits.value(which) * 1000 for which in wanted)
        return Stops(ring_window_us=min(window_us, welcome.ring_window_ms * 1000), ring_call_us=call_us), welcome.ports

    def look_at_hooks(self, programme: Programme) -> None:
        """Raise InputError when a telephone that will be followed is off its hook now."""
        from demo_ctl.show.following import off_hook

        followed = [part.follows.line for part in programme.parts if part.follows is not None]
        if self._first is None or not followed:
            return
        levels = self._first.status().levels
        for line in followed:
            if off_hook(levels, line.port):
                raise InputError(
                    f"the show follows the telephone on line {line.name}, and its handset is off its hook now",
                    where=programme.sheet.place("calls"),
                    next_step=f"Put it down, or see what else closes the loop at port {line.port}.",
                )

    def follow(self, _client: Client, plan: Plan) -> None:
        """On the bench, let the simulated person come to the telephone that is followed."""
        if self._args.visitor is None:
            return
        from demo_ctl.bench.telephones import dialled, telephones_of

        with self._line.standing_still() as world:
            line = world.unit.unit.line_at_port(plan.caller_port)
            telephones_of(world.hardware).visit(line.name, *dialled(self._args.visitor))

    def ready(self, plan: Plan) -> None:
        """Raise what keeps a plan from ringing now, if anything does."""
        if self._first is not None:
            ready_of(self._args)(self._first, plan)

    def busied(self, _wanted: tuple[BusyTrunks, ...]) -> bool:
        """Whether trunks have been made busy by hand. The bench does it by itself."""
        return self._on_bench or bool(self._args.trunks_busied)

    def now_us(self) -> int:
        """The host's clock: real time, or the bench's where that is faster, going on from bench to bench."""
        return self._before_us + self._clock_us()

    def close(self) -> None:
        """Let the port go, if nobody took it."""
        if self._first is not None:
            self._first.close()


def _real_us() -> int:
    import time

    return time.monotonic_ns() // 1000


def _check(args: argparse.Namespace, programme: Programme, ports: Ports) -> int:
    from demo_ctl.show import checkup

    rows, notes = checkup.rows(programme), checkup.notes(programme, hour_us=ports.hour_us)
    if args.json:
        from demo_ctl.cli.json_out import print_json
        from demo_ctl.report.show import show_json

        print_json(show_json(programme.sheet.value.name, rows, notes))
    else:
        from demo_ctl.cli.screen import console
        from demo_ctl.report.show import show_tables

        for part in show_tables(_title(programme), rows, notes):
            console().print(part)
    ringing = next((part.plan for part in programme.parts if part.plan.ringing), None)
    if ringing is not None:
        ports.ready(ringing)
        if not args.json:
            print("The board is there, and ringing may be allowed.")
    return int(Exit.OK)


def _title(programme: Programme) -> str:
    titles = programme.sheet.value.title
    return titles.get("en") or next(iter(titles.values()))


# -- the show -------------------------------------------------------------------------------------------------


def _play(args: argparse.Namespace, programme: Programme, ports: Ports) -> int:
    with end_on_signals():
        hand, interrupted = _put_on(args, programme, ports)
        _end(args, programme, hand)
    return int(Exit.INTERRUPTED) if interrupted else _exit_code(hand)


def _put_on(args: argparse.Namespace, programme: Programme, ports: Ports) -> tuple[Stagehand, bool]:
    """Play it to its end; return who performed it, all over, and whether Ctrl-C or a signal ended it."""
    from demo_ctl.report.printer import Printer
    from demo_ctl.show.lamps import Lights
    from demo_ctl.show.show_house import House
    from demo_ctl.show.stagehand import Stagehand

    plain = args.plain or not _can_place_text()
    interrupted = False
    with ExitStack() as stack:
        lights = Lights(programme.lamps, ports.now_us) if programme.lamps else None
        pictures, states = _screens(programme) if args.web is not None or lights is not None else (None, None)
        changed: list[Callable[[Any], object]] = [states.publish] if states is not None else []

        def to_all(state: ConsoleState) -> None:
            for each in changed:
                each(state)

        hand = Stagehand(
            programme,
            House(
                ports.open,
                ports.url,
                ready_of(args),
                recorder=_recorder(args),
                trunks_busied=ports.busied,
                clock_us=ports.now_us,
                on_follow=ports.follow,
            ),
            audience=pictures,
            on_state=to_all,
            alone=args.fast,
            lights=lights,
        )
        if lights is not None and pictures is not None:
            pictures.on_scene = lights.show
        pages: tuple[str, ...] = ()
        if args.web is not None and pictures is not None and states is not None:
            pictures.on_stage = hand.stage
            pages = serve_pages(args, stack, pictures.hub, states, hand.wish_words, who="Audience")
        printer = Printer(sys.stderr if args.json else sys.stdout)
        stack.callback(printer.close)  # after the stagehand: what it says of its end is printed
        stack.callback(hand.close)
        try:
            _present(args, programme, hand, changed, printer, pages, plain=plain)
        except KeyboardInterrupt:
            interrupted = True
    return hand, interrupted


def _can_place_text() -> bool:
    from demo_ctl.show.line_console import is_plain

    return not is_plain(os.environ.get("TERM"))


def _present(
    args: argparse.Namespace,
    programme: Programme,
    hand: Stagehand,
    changed: list[Callable[[Any], object]],
    printer: Printer,
    pages: tuple[str, ...],
    *,
    plain: bool,
) -> None:
    from demo_ctl.show.line_console import LineConsole

    if plain or args.fast:
        lines = LineConsole(hand.wish_words, hand.told, printer)
        changed.append(lines.changed)
        if not args.fast:
            _print_programme(programme, printer)
        hand.start()
        if args.fast:
            while not hand.wait(0.2):
                pass
        else:
            asked = lines.read(sys.stdin)
            # Under nohup nobody can type, and the show is for the console's page alone until SIGTERM.
            while not asked and args.web is not None and signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
                signal.pause()
        return
    try:
        from demo_ctl.show.console import ConsoleApp
    except ModuleNotFoundError as error:
        raise InputError(
            f"the full-screen console needs a package that is not installed ({error.name})",
            next_step=f"{NEEDS} Or use the console of typed words: --plain.",
        ) from None
    hand.start()
    if ConsoleApp(hand.wish_words, hand.told, _rows(programme), pages).run():
        raise KeyboardInterrupt


def _rows(programme: Programme) -> list[str]:
    from demo_ctl.report.show import pace_words
    from demo_ctl.report.words import time_words
    from demo_ctl.show import checkup

    return [
        f"{row.place}  {row.title}: pace {row.asked}, really {pace_words(row.really)}, "
        f"{time_words(-(-row.least_us // 1_000_000) * 1_000_000)} at least"
        for row in checkup.rows(programme)
    ]


def _print_programme(programme: Programme, printer: Printer) -> None:
    for line in (_title(programme), *("  " + row for row in _rows(programme))):
        printer.say(line + "\n")


def _screens(programme: Programme) -> tuple[Any, Hub]:
    from demo_ctl.show.hub import Hub
    from demo_ctl.show.pictures import Pictures

    return Pictures(Hub(), programme.unit.value, programme.sheet.value.languages), Hub()


def _recorder(args: argparse.Namespace) -> Callable[[Part, int], RecordWriter | None] | None:
    if not args.records:
        return None
    from datetime import datetime

    from demo_ctl.ledger.record import RecordWriter

    folder = Path(args.records)
    folder.mkdir(parents=True, exist_ok=True)
    began = datetime.now().strftime("%Y-%m-%d-%H%M%S")

    def recorder(part: Part, number: int) -> RecordWriter:
        return RecordWriter(folder / f"{began}-{number:02}-{part.name}.jsonl")

    return recorder


def _end(args: argparse.Namespace, programme: Programme, hand: Stagehand) -> None:
    from demo_ctl.show.visitor import told_in_charge

    results: list[dict[str, Any]] = [
        {
            "part": part + 1,
            "title": programme.title(part),
            "status": result.status.value,
            "reason": result.reason,
            "released": result.released,
            "passed": bool(result.judgement is not None and result.judgement.passed),
            "simulated": bool(result.observation.welcome.simulated),
            "not_run": _left_out(result),
        }
        for part, result in hand.results
    ]
    refused = [
        {"part": each.part + 1, "title": programme.title(each.part), "exit_code": each.exit_code, "why": each.why}
        for each in hand.refusals
    ]
    followed = [index for index, part in enumerate(programme.parts) if part.follows is not None]
    dials = [(part, programme.parts[part].follows, ran) for part, ran in hand.dials]
    if args.json:
        from demo_ctl.cli.json_out import print_json
        from demo_ctl.show.following import ran_json

        told = [
            ran_json(part + 1, follows.line.name if follows is not None else "", ran) for part, follows, ran in dials
        ]
        print_json(
            {
                "show": programme.sheet.value.name,
                "rehearsal": programme.rehearsal,
                "calls": results,
                "refused": refused,
                "not_listed": hand.outcomes.not_listed,
                "dials": told,
            }
        )
        return
    with suppress(OSError):
        for each in results:
            verdict = "every check passed" if each["passed"] else "not every check passed"
            if each["part"] - 1 in followed:
                verdict = "nothing to check"
            print(f"{each['part']}/{len(programme.parts)}  {each['title']}: {each['status']}, {verdict}")
            if each["not_run"]:
                print(f"     not run, for nothing rings in a rehearsal: {', '.join(each['not_run'])}")
        for part, _, ran in dials:
            print(f"{part + 1}/{len(programme.parts)}  {told_in_charge(ran)}")
        for other in refused:
            print(f"{other['part']}/{len(programme.parts)}  {other['title']}: not begun: {other['why']}")
        if hand.outcomes.not_listed:
            print(f"There were {hand.outcomes.not_listed} more before these; they count for the exit code, too.")
        if not results:
            print("No call was placed.")


def _left_out(result: CallResult) -> list[str]:
    """The checks that were not run on purpose, by title."""
    return [each.title for each in result.judgement.verdicts if each.left_out] if result.judgement is not None else []


def _exit_code(hand: Stagehand) -> int:
    """The gravest of all calls' codes, also of those not begun; one that was stopped says nothing of the unit."""
    for code in (Exit.SAFETY_TRIP, Exit.BOARD_TROUBLE, Exit.BAD_INPUT, Exit.CHECK_FAILED):
        if int(code) in hand.outcomes.codes:
            return int(code)
    return int(Exit.OK)
