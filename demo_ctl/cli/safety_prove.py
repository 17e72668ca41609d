"""`demo_ctl safety prove`: walk a person through the proving of the guard."""

from __future__ import annotations

import argparse
import os
import select
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from math import ceil
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

from demo_ctl.cli.board_port import BENCH, board, chosen
from demo_ctl.cli.files import unit_path
from demo_ctl.cli.safety_show import board_arguments
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.outcome import Exit

if TYPE_CHECKING:
    from rich.console import Console

    from demo_ctl.office.model import Unit
    from demo_ctl.safety.proof_store import Proving, StepResult
    from demo_ctl.safety.proving import Step

MOST_COVERS = 20
CAUTION = """\
This proves that the unit's covers, key and emergency stop take ringing off. Up to five times it lets RINGING VOLTAGE \
(75 to 105 V) onto the ringing bus for some seconds, each time only after you have said yes; no line is rung. Only a \
competent person does this, not alone, with the public kept away. Touch covers and stop only from outside. Follow \
local electrical codes. Type no and Enter, or Ctrl-C, to end it at any time; that takes ringing off."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell what the command takes."""
    board_arguments(parser)
    parser.add_argument(
        "--record-dir",
        "--proving-dir",
        metavar="DIR",
        dest="record_dir",
        default=None,
        help="where the dated record is kept (default: ~/.local/state/demo_ctl/provings)",
    )
    parser.add_argument("--who", metavar="NAME", help="who proves it, for the record (default: asked; may be empty)")
    parser.add_argument(
        "--covers", type=int, metavar="N", help="how many covers there are, where the unit's file does not name them"
    )


def run(args: argparse.Namespace) -> int:
    """Ask, prove, keep the record; 0 passed, 1 failed or not enough to count, 130 not finished."""
    from demo_ctl.office.load import load_unit
    from demo_ctl.safety.firmware_sources import doubt
    from demo_ctl.safety.leaving_out import cost
    from demo_ctl.safety.meter_book import account
    from demo_ctl.safety.proof_counts import best
    from demo_ctl.safety.proof_store import FAILED, PASSED, default_folder, keep, prepare, read_all
    from demo_ctl.safety.prove import prove
    from demo_ctl.safety.readiness import wanted_of

    if chosen(args.port, "this is about").startswith(BENCH):
        raise InputError(
            "nobody can turn the key of a bench that lives inside this command",
            next_step="Serve one, and type there what hands would do: demo_ctl bench --pty --guard locked. "
            "Then prove it with the port that it prints. (To have a bench that was proven as it was opened, leave "
            "guard=locked away from its address.)",
        )
    unit = load_unit(unit_path(args.unit)).value
    folder = Path(args.record_dir) if args.record_dir else default_folder()
    prepare(folder)
    terminal = Terminal(args.json)
    terminal.tell(CAUTION)
    covers = _covers(args, unit, terminal)
    who = args.who if args.who is not None else terminal.question("Who proves it? (Enter: nobody is named)")
    port = min((line.port for line in unit.lines if line.port), default=1)
    with board(args.port, args.unit) as client, terminal.asked_to_stop():
        if client.welcome is not None and not client.welcome.simulated and (why := doubt()):
            raise InputError(f"a proving now would not count: {why}")
        limits = client.limits_in_force()
        wanted = wanted_of(client, client.safety(), unit=unit, age=None, now=datetime.now().astimezone())
        proving, broken = prove(
            client,
            terminal,
            covers=covers,
            unit=unit.name,
            who=who[:100],
            port=port,
            now=lambda: datetime.now().astimezone(),
            cost=lambda step: cost(step, covers, limits, wanted, *read_all(folder)),
        )
        path = keep(proving, folder)
    found, unread = read_all(folder)
    against = best(found, replace(wanted, now=datetime.now().astimezone()), unread)[1]
    now, simulated = datetime.now().astimezone(), proving.simulated
    _show(args, proving, path, against, *account(folder, unit.name, proving.board, simulated=simulated, now=now))
    if broken is not None:
        raise broken
    if proving.verdict == PASSED and against:
        return int(Exit.CHECK_FAILED)
    return int({PASSED: Exit.OK, FAILED: Exit.CHECK_FAILED}.get(proving.verdict, Exit.INTERRUPTED))


def _covers(args: argparse.Namespace, unit: Unit, terminal: Terminal) -> tuple[str, ...]:
    if args.covers is None and unit.safety.covers:
        return unit.safety.covers
    count = args.covers
    while count is None:
        text = terminal.question("How many covers does the unit have? (its file does not name them)")
        if text.isascii() and text.isdigit() and len(text) < 4 and 1 <= int(text) <= MOST_COVERS:
            count = int(text)
        else:
            terminal.tell(f"Type a number from 1 to {MOST_COVERS}, and Enter.")
    if not 1 <= count <= MOST_COVERS:
        raise InputError(f"--covers: expected 1 to {MOST_COVERS}, found {count}")
    if unit.safety.covers and count != len(unit.safety.covers):
        raise InputError(
            f"--covers: the unit's file names {len(unit.safety.covers)} covers, not {count}",
            next_step="Leave --covers away, or correct `covers` under `safety` in the unit's file.",
        )
    return unit.safety.covers or tuple(f"cover {number}" for number in range(1, count + 1))


class Terminal:
    """The person at the terminal: shown things on standard output (aside, with --json), heard on standard input."""

    def __init__(self, json: bool) -> None:
        self._json = json
        self._typed = b""
        self._stopped = False

    @contextmanager
    def asked_to_stop(self) -> Iterator[None]:
        """Let Ctrl-C, SIGTERM and a closed terminal only ask: `heed` tells, and nothing is torn, the record least."""

        def ask(_number: int, _frame: FrameType | None) -> None:
            self._stopped = True

        numbers = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
        before = {number: signal.signal(number, ask) for number in numbers}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)

    def heed(self) -> None:
        """Raise KeyboardInterrupt when somebody has asked to stop."""
        if self._stopped:
            raise KeyboardInterrupt

    @property
    def _screen(self) -> Console:
        from demo_ctl.cli.screen import aside, console

        return aside() if self._json else console()

    def tell(self, text: str) -> None:
        """Show something to know."""
        from demo_ctl.cli.screen import folded

        for part in folded(text, self._screen.width):
            self._screen.print(part, markup=False, soft_wrap=True)

    def ask(self, step: Step, number: int, of: int) -> None:
        """Show what is to be done now."""
        if step.live:
            return  # `ready` announces it
        skip = f" (Or type s and Enter to leave this out for now; it would show {step.why}.)" if step.optional else ""
        # What stands before all steps, or brings a step's beginning back, has no number.
        self.tell(f"\n{f'{number} of {of}. ' if number else ''}{step.ask}{skip}")

    def ready(self, step: Step, number: int, of: int) -> None:
        """Say what comes before ringing voltage is let onto the bus."""
        then = f"When told, and not before: {step.ask[:1].lower()}{step.ask[1:].replace(' NOW', '')}"
        self.tell(
            f"\n{number} of {of}. Next: RINGING VOLTAGE COMES ON for some seconds ({step.title}). Stand clear, touch "
            f"nothing. {f'{then} ' if step.ask else ''}Press Enter when ready; type no to stop."
        )

    def result(self, result: StepResult) -> None:
        """Show how a step ended."""
        word = result.result.upper() if result.result == "failed" else result.result
        self.tell(f"      {word}{f': {result.say}' if result.say else ''}")
        for name, took_ms, limit_ms in result.figures:
            took = f"after {ceil(took_ms)} ms" if took_ms > 0 else "in the same moment"
            self.tell(f"        {name}: {took} (at most {ceil(limit_ms)} ms)")

    def line(self) -> str | None:
        """Return a typed line, or None when there is none yet; EOFError when nobody is there."""
        if b"\n" not in self._typed and self._there():
            data = os.read(sys.stdin.fileno(), 1024)
            if not data:
                raise EOFError
            self._typed += data
        line, newline, rest = self._typed.partition(b"\n")
        if not newline:
            return None
        self._typed = rest
        return line.decode(errors="replace").strip()

    def question(self, text: str, what: str = "a proving", instead: str = "") -> str:
        """Ask for a line, and wait for it. InputError when nobody is there.

        what: needs the person. instead: what to do where there is none.
        """
        self.tell(text)
        try:
            while (line := self.line()) is None:
                select.select([sys.stdin], [], [])
        except EOFError:
            raise InputError(
                f"{what} needs a person at this terminal",
                next_step=instead or "Start it from a terminal, not from a script.",
            ) from None
        return line

    def _there(self) -> bool:
        try:
            return bool(select.select([sys.stdin], [], [], 0)[0])
        except (OSError, ValueError):
            raise EOFError from None


def _show(args: argparse.Namespace, proving: Proving, path: Path, against: str, metered: str, bars: bool) -> None:
    """Tell how it ended. against: why the guard does not count as proven now, "" when it does.

    metered: how the board stands with a meter; bars: that keeps calls from ringing.
    """
    from demo_ctl.cli.screen import console, folded, reader_may_go
    from demo_ctl.safety.proof_counts import day_only, left_out, without_text
    from demo_ctl.safety.proof_store import PASSED, as_json

    with reader_may_go():
        if args.json:
            from demo_ctl.cli.json_out import print_json

            print_json(
                {
                    **as_json(proving),
                    "file": str(path),
                    "counts": not against,
                    "meter": {"says": metered, "keeps_from_ringing": bars},
                }
            )
            return
        word = "PASSED" if proving.verdict == PASSED else proving.verdict.upper()
        without = without_text(left_out(proving)) if proving.verdict == PASSED else ""
        word += f", WITHOUT: {without}" if without else ""
        for_day = day_only(proving) if proving.verdict == PASSED else ""
        word += "; FOR THE DAY ONLY" if for_day else ""
        texts = ["", f"The proving of the guard: {word}. {proving.say[:1].upper()}{proving.say[1:]}."]
        if for_day:
            texts.append("With it nothing rings at night, and the unit's supply is not permitted then.")
        if proving.verdict != PASSED:
            texts.append(
                "Calls that ring are not placed until a proving has passed. What to do next: mend what did not react, "
                "or put back what was moved by mistake; close the covers, release the stop, put the test plug in, turn "
                "the key on; then begin again: demo_ctl safety prove."
            )
        elif against:
            texts.append(f"THE GUARD DOES NOT COUNT AS PROVEN YET, and calls that ring are refused: {against}.")
        else:
            texts.append(metered)
        for text in texts:
            for part in folded(text, console().width):
                print(part)
        print(f"Recorded in {path}")
