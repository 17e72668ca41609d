"""`demo_ctl safety permit`: hold the unit's supply at night, by lease, and tell what happens."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

from demo_ctl.cli.board_port import board
from demo_ctl.cli.files import unit_path
from demo_ctl.cli.safety_prove import Terminal
from demo_ctl.cli.safety_show import board_arguments, proving_arguments
from demo_ctl.terms.errors import DemoError, InputError, LinkError, TripError
from demo_ctl.terms.outcome import Exit

if TYPE_CHECKING:
    from demo_ctl.link.client import Client
    from demo_ctl.office.model import Unit
    from demo_ctl.safety.permit_book import PermitBook, Row

FORMAT = "demo_ctl safety permit 1"
CAUTION = """\
Nobody may leave a unit to run by itself without smoke detection and a way to remove power that does not need this \
program. The battery's fuses and its own switch stay. Local electrical codes and licensed people decide."""


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
    """Ask for the supply, keep it; 0 the time is over, 2 refused, 3 link lost, 4 an alarm, 130 ended by a person."""
    from demo_ctl.office.load import load_unit
    from demo_ctl.safety.permit_book import PermitBook
    from demo_ctl.safety.proof_store import default_folder, prepare

    for_us, age_us = _time(args.lasts, "--for"), _time(args.proving_age, "--proving-age")
    unit = load_unit(unit_path(args.unit)).value
    folder = Path(args.proving_dir) if args.proving_dir else default_folder()
    prepare(folder)
    told = _Told(args.json)
    # From here on Ctrl-C, SIGTERM and a closed terminal only ask.
    with board(args.port, args.unit) as client, told.terminal.asked_to_stop():
        book = PermitBook(folder)
        try:
            return _Night(args, client, unit, folder, book, told, age_us).run(for_us)
        finally:
            trouble = book.close()
            if trouble:
                print(f"demo_ctl: {trouble}", file=sys.stderr)


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
    """Tells a person, a line each; or a program, a JSON object each, and a person aside."""

    def __init__(self, json: bool) -> None:
        self._json = json
        self.terminal = Terminal(json)

    def stopped(self) -> bool:
        try:
            self.terminal.heed()
        except KeyboardInterrupt:
            return True
        return False

    def tell(self, kind: str, say: str, next_step: str = "", **more: Any) -> None:
        at = _now()
        self.terminal.tell(f"{at:%H:%M:%S}  {say[:1].upper()}{say[1:].rstrip('.')}. {next_step}".rstrip())
        if self._json:
            from demo_ctl.cli.json_out import print_json

            row = {"format": FORMAT, "event": kind, "at": at.isoformat(timespec="milliseconds")}
            print_json({**row, "say": say, "what_to_do": next_step, **more})
            sys.stdout.flush()


def _now() -> datetime:
    return datetime.now().astimezone()


class _Night:
    def __init__(
        self,
        args: argparse.Namespace,
        client: Client,
        unit: Unit,
        folder: Path,
        book: PermitBook,
        told: _Told,
        age_us: int | None,
    ) -> None:
        from demo_ctl.safety.night import Supply

        self.args, self.client, self.unit, self.folder, self.book, self.told = args, client, unit, folder, book, told
        self.safety = client.safety()
        age = timedelta(microseconds=age_us) if age_us else None
        self.supply = Supply(client, self.safety, unit=unit, folder=folder, now=_now, age=age)
        self.supply.remembers = True

    def run(self, for_us: int | None) -> int:
        from demo_ctl.safety import permit_book as book
        from demo_ctl.safety.night import at_night, refused
        from demo_ctl.wire import messages as m

        try:
            self._cleared()
            if not at_night(self.safety):
                raise refused(m.R_KEY)
            self.supply.take()
        except DemoError as error:
            self.told.tell("refused", error.what, error.next_step)
            return int(error.exit_code)
        self.book.note(self.supply.row(book.GIVEN, say=self.client.port.url))
        self._given(for_us)
        over, broken = False, None
        try:
            over = self._hold(for_us)
        except LinkError as error:
            broken = error
        return self._ended(over, broken)

    def _cleared(self) -> None:
        from demo_ctl.safety import permit_book as book

        if not self.args.alarm_cleared:
            return
        rows = book.read_rows(self.folder)
        alarm = book.standing_alarm(rows, self.unit.name, simulated=self.supply.simulated)
        if alarm is None:
            self.told.tell("nothing to clear", "no alarm of this unit stands")
            return
        words = book.alarm_in_words(alarm)
        book.append(self.folder, self._acknowledged(alarm, words))
        by = f" by {self.args.who}" if self.args.who else ""
        self.told.tell("alarm cleared", f"recorded as seen to{by}: {words}")

    def _acknowledged(self, alarm: Row, words: str) -> Row:
        from demo_ctl.safety import permit_book as book

        return self.supply.row(book.CLEARED, book.reason_of(alarm), words, str(self.args.who)[:100])

    def _given(self, for_us: int | None) -> None:
        from demo_ctl.safety.standing import inputs_in_words, volts
        from demo_ctl.wire import messages as m

        lease = self.supply.lease
        until = "until Ctrl-C" if for_us is None else f"for {for_us / 1e6:g} s, or until Ctrl-C"
        self.told.terminal.tell(CAUTION)
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
        self.told.tell("stands", f"now: {standing}; battery {volts(self.safety.battery_mV)}")

    def _hold(self, for_us: int | None) -> bool:
        from demo_ctl.safety.unattended import Happened, hold

        def tell(each: Happened) -> None:
            self.told.tell(each.kind, each.say, each.next_step, reason=_name(each.reason), board_us=each.board_us)

        stopped: Callable[[], bool] = self.told.stopped
        return hold(self.client, self.supply.lease, for_us=for_us, tell=tell, asked_to_stop=stopped)

    def _ended(self, over: bool, broken: LinkError | None) -> int:
        from demo_ctl.safety import permit_book as book
        from demo_ctl.wire import messages as m

        lease, lost = self.supply.lease, self.supply.lease.reason
        trouble = self.supply.end()
        if trouble:
            print(f"demo_ctl: {trouble}", file=sys.stderr)
        if broken is not None:
            self.book.note(self.supply.row(book.ENDED, say=broken.what))
            self.told.tell("ended", broken.what, f"The permit runs out by itself within {lease.lease_ms / 1000:g} s.")
            return int(broken.exit_code)
        if lost == m.R_NONE or lost == m.R_KEY:
            say = "the time is over" if over else "ended at the key" if lost else "stopped by a person"
            self.book.note(self.supply.row(book.ENDED, lost, say))
            self.told.tell("ended", f"{say}; the unit's supply is given back", renewed=lease.renewed)
            return int(Exit.OK if over else Exit.INTERRUPTED)
        if trouble == "" and isinstance(_refusal(lost), TripError):
            self.told.tell(
                "ended",
                f"this alarm is remembered in {self.folder / book.NAME}",
                "No supply is asked for until a person says that it was seen to: demo_ctl safety permit "
                "--alarm-cleared.",
                renewed=lease.renewed,
            )
        else:
            self.book.note(self.supply.row(book.ENDED, lost))
            self.told.tell("ended", "the unit's supply is off", renewed=lease.renewed)
        return int(_refusal(lost).exit_code)


def _refusal(reason: int) -> DemoError:
    from demo_ctl.safety.night import refused

    return refused(reason)


def _name(reason: int) -> str:
    from demo_ctl.wire import messages as m

    return m.R_NAMES[reason] if reason < len(m.R_NAMES) else f"code {reason}"
