"""`demo_ctl exhibit`: run an exhibit by itself: recorded calls in turn, and a push button for visitors."""

from __future__ import annotations

import argparse
import sys
import threading
from collections.abc import Callable
from contextlib import ExitStack, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from demo_ctl.cli.board_port import BENCH, with_options
from demo_ctl.cli.call import ready_of
from demo_ctl.cli.files import existing, unit_named, unit_path
from demo_ctl.cli.signals import end_on_signals
from demo_ctl.cli.web import check_web, serve_pages, web_options
from demo_ctl.terms.errors import InputError, LinkError
from demo_ctl.terms.outcome import Exit

if TYPE_CHECKING:
    from demo_ctl.link.client import Client
    from demo_ctl.report.printer import Printer
    from demo_ctl.show.exhibit_model import Now
    from demo_ctl.show.furnish import Furnished
    from demo_ctl.show.hub import ConsoleState
    from demo_ctl.show.keeper import Keeper
    from demo_ctl.show.wear_store import WearStore

AUTO = "auto"
PORT_HELP = (
    "serial port of the board, such as /dev/ttyACM0, socket://HOST:PORT, or bench:// for the simulated board and unit "
    "(default: the one board that is plugged in, looked for again and again; recorded calls meanwhile)"
)
#: In simulated time the disk is waited for: it is real, and that time would run away from it.
_DISK_S = 30.0
SAY = "Enter is the push button; stop ends a call, blank darkens the screens, ? says how it stands, quit ends it."


def options(exhibit: argparse.ArgumentParser) -> None:
    """Add the options of `exhibit`."""
    exhibit.add_argument("file", metavar="FILE", help="the exhibit, such as configs/exhibits/corner.yaml")
    exhibit.add_argument("--unit", metavar="FILE", help="the unit's description (default: the one the exhibit names)")
    exhibit.add_argument("--port", default=AUTO, metavar="URL", help=PORT_HELP)
    web_options(exhibit, "visitors'")
    exhibit.add_argument(
        "--fast",
        action="store_true",
        help="on the bench: simulated time; each line typed is a press, `wait 5 min` lets time pass, the end ends it",
    )
    exhibit.add_argument(
        "--at", metavar="TIME", help="on the bench: begin as if it were then, such as 2026-08-04T11:00+01:00"
    )
    exhibit.add_argument(
        "--state", metavar="FOLDER", help="where wear is counted (default: ~/.local/state/demo_ctl/wear)"
    )
    exhibit.add_argument(
        "--clock-is-right", action="store_true", help="go on counting after this computer's clock was wrong"
    )
    exhibit.add_argument("--records", metavar="FOLDER", help="keep records of the newest real calls in FOLDER")
    exhibit.add_argument("--seed", type=int, default=0, metavar="N", help="on the bench: seed of everything random")
    exhibit.add_argument("--proving-age", metavar="TIME", help="as for `call`")
    exhibit.add_argument("--proving-dir", metavar="DIR", help="as for `call`")
    exhibit.add_argument("--json", action="store_true", help="print one JSON object on standard output at the end")


def run(args: argparse.Namespace) -> int:
    """Make everything ready; then keep it going until somebody ends it."""
    from demo_ctl.link.port import add_url_package
    from demo_ctl.office.load import load_unit
    from demo_ctl.script.exhibit_load import load_exhibit
    from demo_ctl.show.furnish import furnish
    from demo_ctl.show.wear_store import WearStore, default_folder, file_stem

    exhibit = load_exhibit(existing(args.file))
    args.unit = unit_named(args.unit, exhibit)
    unit = load_unit(unit_path(args.unit))
    url = args.port
    on_bench = url.startswith(BENCH)
    at = _begin(args, on_bench=on_bench)
    furnished = furnish(exhibit, unit)
    if on_bench:
        add_url_package("demo_ctl.bench")
        clock = "free" if args.fast else "paced"
        url = with_options(url, (("unit", str(unit_path(args.unit))), ("seed", str(args.seed)), ("clock", clock)))
    with ExitStack() as stack:
        folder = Path(args.state) if args.state else default_folder()
        store = WearStore(folder, file_stem(unit.value.name, simulated=on_bench))
        stack.callback(store.close)
        clock_of = Clock(at, free=args.fast)
        if args.clock_is_right:
            from demo_ctl.show.wear import forgiven

            now = clock_of.now()
            store.keep(forgiven(store.counters, furnished.rules.hours.day(now.at), now.at))
        return _keep(args, stack, furnished, clock_of, url, store)


def _begin(args: argparse.Namespace, *, on_bench: bool) -> datetime | None:
    for name in ("fast", "at"):
        if getattr(args, name) and not on_bench:
            raise InputError(
                f"--{name} is for the bench only: real switches take their time, and real days are what they are",
                next_step=f"Leave --{name} away, or use --port bench://.",
            )
    check_web(args)
    if args.at is None:
        return None
    try:
        at = datetime.fromisoformat(args.at)
        if at.tzinfo is None:
            raise ValueError("no time zone")
        return at.astimezone(UTC)
    except (ValueError, OverflowError):
        raise InputError(
            f"--at: expected a moment with its offset from UTC, such as 2026-08-04T11:00+01:00, found {args.at[:40]!r}"
        ) from None


class Clock:
    """The time of an exhibit: real, or the bench's where that is free; then it goes on from bench to bench."""

    def __init__(self, at: datetime | None, *, free: bool) -> None:
        self._free = free
        self._at = at
        self._before_us = 0
        self._clock_us: Callable[[], int] | None = None
        self._began_us = self._us()

    def now(self) -> Now:
        """Return the time."""
        from demo_ctl.show.exhibit_model import Now

        us = self._us()
        if self._at is not None:
            return Now(us, self._at + timedelta(microseconds=us - self._began_us))
        if self._free:
            self._at = datetime.now(UTC) - timedelta(microseconds=us - self._began_us)
            return self.now()
        return Now(us, datetime.now(UTC))

    def wait(self, us: int) -> None:
        """Let time pass without a board."""
        if self._free:
            self._leave()
            self._before_us += us
        else:
            import time

            time.sleep(us / 1e6)

    def follow(self, clock_us: Callable[[], int]) -> None:
        """Go on with another bench's clock."""
        if self._free:
            self._leave()
            self._before_us -= clock_us()
            self._clock_us = clock_us

    def _leave(self) -> None:
        self._before_us, self._clock_us = self._us(), None

    def _us(self) -> int:
        if not self._free:
            import time

            return time.monotonic_ns() // 1000
        return self._before_us + (self._clock_us() if self._clock_us is not None else 0)


def _keep(
    args: argparse.Namespace, stack: ExitStack, furnished: Furnished, clock: Clock, url: str, store: WearStore
) -> int:
    from demo_ctl.ledger.shelf import Shelf
    from demo_ctl.link.client import Client
    from demo_ctl.link.port import open_port
    from demo_ctl.report.printer import Printer
    from demo_ctl.show.exhibit_house import House
    from demo_ctl.show.hub import Hub
    from demo_ctl.show.keeper import Keeper
    from demo_ctl.show.lamps import Lights
    from demo_ctl.show.screens import Screens

    def open_client() -> Client:
        port = open_port(url if url != AUTO else _the_board())
        clock.follow(port.clock_us)
        return Client(port)

    hub, states = Hub(), Hub()
    printer = Printer(sys.stderr if args.json else sys.stdout)
    stack.callback(printer.close)
    said = Said(printer)
    shelf = Shelf(Path(args.records)) if args.records else None
    if shelf is not None:
        stack.callback(shelf.close)

    def on_state(state: ConsoleState) -> None:
        states.publish(state)
        said.changed(state)

    keeper = Keeper(
        furnished.rules,
        furnished.acts,
        furnished.unit,
        Screens(hub, furnished.unit, furnished.languages, furnished.films),
        House(
            open_client,
            clock.now,
            clock.wait,
            ready_of(args),
            store,
            recorder=None if shelf is None else lambda act, number: shelf.record(act.plan.script, number),
            disk_wait_s=_DISK_S if args.fast else 0,
        ),
        title=furnished.title,
        watch=furnished.watch,
        on_state=on_state,
        lights=Lights(furnished.lamps, lambda: clock.now().us) if furnished.lamps else None,
    )
    stack.callback(keeper.close)
    if args.web is not None:
        sounds = [film.sound for film in furnished.films]
        serve_pages(args, stack, hub, states, keeper.wish_words, who="Visitors", sounds=sounds)
    stack.enter_context(end_on_signals())
    code = Exit.OK
    try:
        if args.fast:
            _play_lines(keeper, clock, sys.stdin)
        else:
            said.say(SAY)
            threading.Thread(target=_read, args=(keeper, said, sys.stdin), name="typed", daemon=True).start()
            while not keeper.closing:
                keeper.run_once()
            code = Exit.INTERRUPTED if not said.quit else Exit.OK
    except KeyboardInterrupt:
        code = Exit.INTERRUPTED
    _end(args, keeper, said)
    return int(code)


def _the_board() -> str:
    """Return the port of the one board that is plugged in now; never the bench. Raises LinkError when there is none.

    After a power cut boards come up when they like: whoever wants the bench names it.
    """
    from demo_ctl.link.port import choose

    board = choose()
    if board is None:
        raise LinkError("no board is plugged in", next_step="Plug it in. For the simulated one: --port bench://.")
    return board.url


def _play_lines(keeper: Keeper, clock: Clock, source: TextIO) -> None:
    """Simulated time: each line is a press, or lets time pass; between two, what is on comes to its end."""
    from demo_ctl.show.exhibit_model import Phase
    from demo_ctl.terms.quantity import parse_us

    _run_until(keeper, clock, 2_000_000)
    for line in source:
        word, _, rest = line.strip().partition(" ")
        if word == "wait":
            try:
                _run_until(keeper, clock, parse_us(rest))
            except ValueError as error:
                raise InputError(f"wait: {error}") from None
            continue
        if word not in ("", "press"):
            raise InputError(f"expected press (or an empty line) or wait TIME, found {line.strip()[:40]!r}")
        keeper.press()
        keeper.run_once()
        while keeper.state.phase is not Phase.ATTRACT and not keeper.closing:
            keeper.run_once()
        if keeper.closing:
            raise KeyboardInterrupt


def _run_until(keeper: Keeper, clock: Clock, us: int) -> None:
    until_us = clock.now().us + us
    while clock.now().us < until_us and not keeper.closing:
        keeper.run_once()


def _read(keeper: Keeper, said: Said, source: TextIO) -> None:
    """Take typed lines, in a thread of its own; no more lines are no reason to end: an exhibit has no keyboard."""
    with suppress(OSError, ValueError):
        for line in source:
            word = line.strip().lower()
            if word in ("quit", "q", "exit"):
                said.quit = True
                keeper.closing = True
                return
            if word in ("?", "help"):
                said.stand(keeper.told())
                continue
            try:
                said.say(keeper.wish_words({"": "next", "press": "next"}.get(word, word)).text)
            except ValueError:
                said.say(SAY)


class Said:
    """Prints what whoever is in charge should know, when it changes. A terminal that stands still holds nothing up."""

    def __init__(self, printer: Printer) -> None:
        self._printer = printer
        self._before: tuple[str, str] = ("", "")
        self.quit = False

    def say(self, text: str) -> None:
        """Print one line. A terminal that has gone keeps no exhibit from going on."""
        self._printer.say(text + "\n")

    def changed(self, state: ConsoleState) -> None:
        """Print what is new."""
        happening, notice = self._before
        self._before = state["happening"], state["notice"]
        if state["happening"] != happening:
            self.say(f"{state['happening']} {state['call']}".strip())
        if state["notice"] != notice and state["notice"]:
            self.say("NOTE: " + state["notice"])

    def stand(self, state: ConsoleState) -> None:
        """Print how it stands."""
        self.say(f"NOW   {state['happening']}")
        self.say(f"BELL  {state['ringing']}")
        self.say(f"NEXT  {state['next']}")
        self.say(f"WEAR  {state['place']}")
        if state["notice"]:
            self.say(f"NOTE  {state['notice']}")


def _end(args: argparse.Namespace, keeper: Keeper, said: Said) -> None:
    told = keeper.told()
    if args.json:
        from demo_ctl.cli.json_out import print_json

        counters = keeper.state.counters
        print_json(
            {
                "exhibit": told["show"],
                "placed": keeper.placed,
                "state": keeper.state.phase.value,
                "notice": told["notice"],
                "calls_today": counters.calls_today,
                "calls_in_all": counters.calls_in_all,
                "operations_today": dict(counters.today),
                "operations_in_all": dict(counters.in_all),
            }
        )
        return
    said.say(f"{keeper.placed} real calls were placed. {told['place']}.")
