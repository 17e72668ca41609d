"""`demo_ctl safety permit`: hold the unit's supply at night, by lease, and tell what happens."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from demo_ctl.cli.board_port import BENCH, board
from demo_ctl.cli.files import unit_path
from demo_ctl.cli.safety_prove import Terminal
from demo_ctl.cli.safety_show import board_arguments, proving_arguments
from demo_ctl.terms.errors import DemoError, InputError, LinkError, TripError
from demo_ctl.terms.outcome import Exit

if TYPE_CHECKING:
    from demo_ctl.link.client import Client
    from demo_ctl.office.model import Unit
    from demo_ctl.report.printer import Printer

FORMAT = "demo_ctl safety permit 1"
CAUTION = """\
Nobody may leave a unit to run by itself without smoke detection and a way to remove power that does not need this \
program. The battery's fuses and its own switch stay. Local electrical codes and licensed people decide."""
SIMULATED = "On the bench (simulated board and unit): whatever is told here is practice, and there is nobody to call."


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell what the command takes."""
    board_arguments(parser)
    proving_arguments(parser)
    parser.add_argument("--for", dest="lasts", metavar="TIME", help="for so long, such as 8h (default: until Ctrl-C)")
    parser.add_argument(
        "--alarm-cleared",
        action="store_true",
        help="a person has seen to the alarm that took the supply, and says so; it is recorded",
    )
    parser.add_argument("--who", metavar="NAME", default="", help="who says so, for the record")
    parser.add_argument("--proving-age", metavar="TIME", help="a proving no older counts (default: as the unit's file)")


def run(args: argparse.Namespace) -> int:
    """Ask for the supply, keep it.

    0 the time is over, 2 refused, 3 the link is lost or the key was turned, 4 an alarm, 130 Ctrl-C.
    """
    from demo_ctl.office.load import load_unit
    from demo_ctl.safety.proof_store import default_folder, prepare

    for_us, age_us = _time(args.lasts, "--for"), _time(args.proving_age, "--proving-age")
    unit = load_unit(unit_path(args.unit)).value
    folder = Path(args.proving_dir) if args.proving_dir else default_folder()
    prepare(folder)
    told = _Told(args.json)
    # From here on Ctrl-C, SIGTERM and a closed terminal only ask.
    with told, board(args.port, args.unit) as client, told.terminal.asked_to_stop():
        night = _Night(args, client, unit, folder, told, age_us)
        try:
            return night.run(for_us)
        finally:
            night.end()


def _time(given: str | None, option: str) -> int | None:
    from demo_ctl.terms.quantity import parse_us

    if given is None:
        return None
    try:
        us = parse_us(given)
    except ValueError as error:
        raise InputError(f"{option}: {error}") from None
    if not us:
        raise InputError(f"{option}: expected a time, such as 8 h, found none")
    return us


class _Told:
    """Tells a person, a line each; or a program, a JSON object each, and a person aside. Never waits for either."""

    def __init__(self, json: bool) -> None:
        from demo_ctl.report.printer import Printer

        self._json = json
        self._out, self._aside = Printer(sys.stdout), Printer(sys.stderr)
        self.terminal = Terminal(json)

    def __enter__(self) -> None:
        pass

    def __exit__(self, *_: object) -> None:
        self._out.close()
        self._aside.close()

    def stopped(self) -> bool:
        try:
            self.terminal.heed()
        except KeyboardInterrupt:
            return True
        return False

    def show(self, text: str) -> None:
        """Show a person something; raises what showing things has met with."""
        from demo_ctl.cli.screen import aside, console, folded

        screen, printer = (aside(), self._aside) if self._json else (console(), self._out)
        for line in folded(text, screen.width):
            self._say(printer, line.rstrip())

    def trouble(self, text: str) -> None:
        """Say on standard error what went wrong."""
        self._aside.say(f"demo_ctl: {text}\n")

    def tell(self, kind: str, say: str, next_step: str = "", **more: Any) -> None:
        at = _now()
        self.show(f"{at:%H:%M:%S}  {say[:1].upper()}{say[1:].rstrip('.')}. {next_step}".rstrip())
        if self._json:
            row = {"format": FORMAT, "event": kind, "at": at.isoformat(timespec="milliseconds")}
            self._say(self._out, json.dumps({**row, "say": say, "what_to_do": next_step, **more}))

    @staticmethod
    def _say(printer: Printer, line: str) -> None:
        if printer.trouble is not None:
            raise printer.trouble
        printer.say(line + "\n")


def _now() -> datetime:
    return datetime.now().astimezone()


class _Night:
    def __init__(
        self,
        args: argparse.Namespace,
        client: Client,
        unit: Unit,
        folder: Path,
        told: _Told,
        age_us: int | None,
    ) -> None:
        from demo_ctl.safety.night import Supply

        self.args, self.client, self.unit, self.folder, self.told = args, client, unit, folder, told
        self.safety = client.safety()
        age = timedelta(microseconds=age_us) if age_us else None
        self.supply = Supply(client, self.safety, unit=unit, folder=folder, now=_now, age=age)
        self._troubled = False

    def run(self, for_us: int | None) -> int:
        if self.supply.simulated:
            self.told.show(SIMULATED)
        try:
            self._cleared()
            self.supply.take()
        except DemoError as error:
            self.told.tell("refused", error.what, error.next_step + self._no_hands())
            return int(error.exit_code)
        self._given(for_us)
        over, broken = False, None
        try:
            over = self._hold(for_us)
        except LinkError as error:
            broken = error
        return self._ended(over, broken)

    def _no_hands(self) -> str:
        """How a key is turned that nobody can reach: that of a bench inside this command."""
        from demo_ctl.wire import messages as m

        inside = self.client.port.url.startswith(BENCH)
        return " On this bench: --port 'bench://?key=night'." if inside and not self.safety.inputs & m.IN_NIGHT else ""

    def _cleared(self) -> None:
        from demo_ctl.safety import permit_book as book
        from demo_ctl.safety.unattended import settled

        if not self.args.alarm_cleared:
            return
        rows = book.read_rows(self.folder)
        alarms = book.standing_alarms(rows, self.unit.name, self.supply.board, simulated=self.supply.simulated)
        if not alarms:
            self.told.tell("nothing to clear", "no alarm of this unit stands")
            return
        words, who = book.alarms_in_words(alarms), str(self.args.who)[:100]
        settled(self.client)
        still = book.open_alarms(self.client.safety().inputs)
        if still:
            raise TripError(
                f"not recorded as seen to: {' and '.join(still)} still reads ALARM. What is remembered: {words}",
                next_step="See to it first. When its contact has closed again (demo_ctl safety shows it): turn the key "
                "off, then to night, and say --alarm-cleared again.",
            )
        self.supply.keep(self.supply.row(book.CLEARED, book.reason_of(alarms[-1]), words, who))
        by = f" by {self.args.who}" if self.args.who else ""
        self.told.tell("alarm cleared", f"recorded as seen to{by}: {words}")

    def end(self, say: str = "") -> str:
        """Give the supply back, if it is held yet, and keep how it ended; return what went wrong."""
        trouble = self.supply.end(say)
        if trouble and not self._troubled:
            self._troubled = True
            self.told.trouble(trouble)
        return trouble

    def _given(self, for_us: int | None) -> None:
        from demo_ctl.safety.standing import inputs_in_words, volts
        from demo_ctl.safety.unattended import STOP_TAKES, silenced
        from demo_ctl.wire import messages as m

        lease = self.supply.lease
        until = "until Ctrl-C" if for_us is None else f"for {for_us / 1e6:g} s, or until Ctrl-C"
        self.told.show(CAUTION)
        self.told.tell(
            "given",
            f"the unit's supply is permitted, {until}",
            f"It is asked for again each {lease.renew_us / 1e6:g} s, and runs out {lease.lease_ms / 1000:g} s after "
            "this program ends or falls silent. An alarm takes it at once.",
            lease_ms=lease.lease_ms,
            board=f"{self.safety.board:016x}",
            simulated=self.supply.simulated,
        )
        held = m.IN_NIGHT | m.IN_COVERS | m.IN_ALONE | m.IN_FUSE | m.IN_RELEASE | m.IN_SUPERVISORY | m.IN_SMOKE
        rows = [row for bit, row in enumerate(inputs_in_words(self.safety.inputs)) if held >> bit & 1]
        standing = "; ".join(f"{row.name} {row.value}" for row in rows)
        against = silenced(self.safety.inputs)
        quiet = f"Nothing may ring now: {'; '.join(against)}. {STOP_TAKES}" if against else ""
        self.told.tell("stands", f"now: {standing}; battery {volts(self.safety.battery_mV)}", quiet)

    def _hold(self, for_us: int | None) -> bool:
        from demo_ctl.safety.unattended import Happened, hold
        from demo_ctl.wire import messages as m

        def tell(each: Happened) -> None:
            if each.kind == "lost":  # the book first: whoever is told may end this at once
                self.end("ended at the key" if each.reason == m.R_KEY else "")
            self.told.tell(each.kind, each.say, each.next_step, reason=_name(each.reason), board_us=each.board_us)

        stopped: Callable[[], bool] = self.told.stopped
        return hold(self.client, self.supply.lease, for_us=for_us, tell=tell, asked_to_stop=stopped)

    def _ended(self, over: bool, broken: LinkError | None) -> int:
        from demo_ctl.link.lease import ALARMS
        from demo_ctl.wire import messages as m

        lease, lost = self.supply.lease, self.supply.lease.reason
        say = "the time is over" if over else "ended at the key" if lost else "stopped by a person"
        self.end(say if broken is None else broken.what)
        if broken is not None:
            self.told.tell("ended", broken.what, f"The permit runs out by itself within {lease.lease_ms / 1000:g} s.")
            return int(broken.exit_code)
        if lost == m.R_KEY:
            self.told.tell("ended", f"{say}; nothing is asked for any more", renewed=lease.renewed)
            return int(Exit.BOARD_TROUBLE)
        if lost == m.R_NONE:
            self.told.tell("ended", f"{say}; the unit's supply is given back", renewed=lease.renewed)
            return int(Exit.OK if over else Exit.INTERRUPTED)
        remembered, next_step = self.supply.remembered()
        self.told.tell("ended", remembered or "the unit's supply is off", next_step, renewed=lease.renewed)
        return int(Exit.SAFETY_TRIP if lost in ALARMS else Exit.BOARD_TROUBLE)


def _name(reason: int) -> str:
    from demo_ctl.wire import messages as m

    return m.R_NAMES[reason] if reason < len(m.R_NAMES) else f"code {reason}"
