"""`demo_ctl safety meter`: whether the board measures what a meter measures; kept, with its date."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from demo_ctl.cli.board_port import board
from demo_ctl.cli.files import unit_path
from demo_ctl.cli.safety_prove import Terminal
from demo_ctl.cli.safety_show import board_arguments, proving_arguments
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.outcome import Exit, Outcome

if TYPE_CHECKING:
    from demo_ctl.link.client import Client
    from demo_ctl.safety.meter import Finding
    from demo_ctl.safety.meter_book import Row
    from demo_ctl.terms.quantity import Quantity

FORMAT = "demo_ctl safety meter 1"
CAUTION = """\
This compares what the board measures with a meter. The terminals carry RINGING VOLTAGE (75 to 105 V) and the battery: \
only a competent person measures there, not alone, with a meter and leads made for it, at the fixed test terminals of \
the generator (behind its isolator) and of the battery. Follow local electrical codes. Generator on, covers closed, \
key on, and no call: then read both."""
#: The board is looked at so often, so far apart: its readings are 50 ms each.
_LOOKS, _APART_US = 9, 60_000
_LEAST_DOUBT_PCT, _MOST_DOUBT_PCT = 0.01, 20.0


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell what the command takes."""
    board_arguments(parser)
    proving_arguments(parser)
    parser.add_argument(
        "--generator", metavar="V", help="the ringing generator by the meter, volts rms (default: asked)"
    )
    parser.add_argument("--battery", metavar="V", help="the battery by the meter, volts (default: asked)")
    parser.add_argument(
        "--doubt",
        metavar="PERCENT",
        default="1",
        help="how far the meter may be off either way, 95 %%, by its papers, per cent of its reading (default: 1)",
    )
    parser.add_argument("--who", metavar="NAME", default="", help="who measured, for the record")


def run(args: argparse.Namespace) -> int:
    """Compare, keep, tell; 0 they agree, 1 they do not or it cannot be told."""
    from demo_ctl.office.load import load_unit
    from demo_ctl.safety import meter, meter_book
    from demo_ctl.safety.proof_store import board_text, default_folder, prepare
    from demo_ctl.safety.readiness import proven_at_opening
    from demo_ctl.wire import messages as m

    doubt_pct = _figure(args.doubt, "--doubt", _LEAST_DOUBT_PCT, _MOST_DOUBT_PCT)
    given = [(name, getattr(args, name)) for name in ("generator", "battery")]
    figures = {name: None if text is None else _figure(text, f"--{name}", 1, 300) for name, text in given}
    unit = load_unit(unit_path(args.unit)).value
    folder = Path(args.proving_dir) if args.proving_dir else default_folder()
    prepare(folder)
    terminal = Terminal(args.json)
    terminal.tell(CAUTION)
    with board(args.port, args.unit) as client:
        for name, value in figures.items():
            if value is None:
                figures[name] = _asked(terminal, name)
        safety, welcome, read = client.safety(), client.welcome, _looked(client)
        limit_V = client.limits_in_force().value(m.L_CEILING_V)
        itself = proven_at_opening(client, safety)
    assert welcome is not None
    generator, battery = (
        meter.Pair(name, read[name], meter.meter_read(value or 0.0, doubt_pct)) for name, value in figures.items()
    )
    found = meter.findings(generator, battery, limit_V, unit.supply.most_V)
    row = meter_book.Row(
        at=datetime.now().astimezone().isoformat(timespec="seconds"),
        unit=unit.name,
        board=board_text(safety.board),
        simulated=bool(welcome.simulated),
        who=str(args.who)[:100],
        generator_V=round(generator.board.value, 3),
        generator_meter_V=generator.meter.value,
        battery_V=round(battery.board.value, 3),
        battery_meter_V=battery.meter.value,
        doubt_pct=doubt_pct,
        ceiling_V=limit_V,
        outcome=meter.verdict(found).value,
        say=meter.said(found),
    )
    meter_book.append(folder, row)
    _show(args, row, found, folder / meter_book.NAME, itself=itself)
    return int(Exit.OK if row.outcome == Outcome.PASS.value else Exit.CHECK_FAILED)


def _asked(terminal: Terminal, name: str) -> float:
    """Ask for a reading until it is one."""
    what = {"generator": "the ringing generator, volts rms", "battery": "the battery, volts"}[name]
    while True:
        text = terminal.question(f"By the meter: {what}?")
        try:
            return _figure(text, f"the {name}", 1, 300)
        except InputError as error:
            terminal.tell(f"{error.what[:1].upper()}{error.what[1:]}.")


def _looked(client: Client) -> dict[str, Quantity]:
    """Return what the board reads of generator and battery now."""
    from demo_ctl.link.advice import of_reason
    from demo_ctl.safety.meter import board_read
    from demo_ctl.wire import messages as m

    looks = []
    for _ in range(_LOOKS):
        client.say_nothing(_APART_US)
        safety = client.safety()
        looks.append((safety.supply_mV / 1000, safety.battery_mV / 1000))
    trips = client.trips() if safety.state == m.G_TRIPPED else []
    if trips and m.R_STALE in (trips[0].reason, trips[0].worse):
        raise InputError(
            "there is nothing to compare: the board gets no readings from its converter, and shows the last it had",
            next_step=of_reason(m.R_STALE).advice,
        )
    try:
        return {
            name: board_read(name, [look[at] for look in looks]) for at, name in enumerate(("generator", "battery"))
        }
    except ValueError as error:
        raise InputError(
            f"there is nothing to compare: {error}",
            next_step="It is measured behind the isolator: generator on, every cover closed, stop released, key on.",
        ) from None


def _figure(text: str, what: str, least: float, most: float) -> float:
    try:
        value = float(text.removesuffix("V").removesuffix("%"))
    except ValueError:
        value = float("nan")
    if not least <= value <= most:
        raise InputError(f"{what} is a number from {least:g} to {most:g}, not {text[:40]!r}")
    return value


def _show(args: argparse.Namespace, row: Row, found: tuple[Finding, ...], path: Path, *, itself: bool) -> None:
    from demo_ctl.cli.screen import console, folded, reader_may_go
    from demo_ctl.report.safety import meter_table

    with reader_may_go():
        if args.json:
            from dataclasses import asdict

            from demo_ctl.cli.json_out import print_json

            checks = [
                {
                    "title": one.title,
                    "value": one.value.value,
                    "unit": one.value.unit,
                    "u": one.value.u,
                    "limit": one.limit,
                    "outcome": one.outcome.value,
                    "note": one.note,
                }
                for one in found
            ]
            print_json({"format": FORMAT, **asdict(row), "checks": checks, "file": str(path)})
            return
        screen = console()
        screen.print(
            meter_table([(one.title, one.note, str(one.value), one.limit, one.outcome.value) for one in found])
        )
        for part in folded(WHAT_NOW[row.outcome], screen.width):
            print(part)
        print(f"Recorded in {path}")
        if itself:
            print("(This bench is proven anew each time it is opened, and asks for no comparison: practice.)")


#: What a person does next, by how it ended.
WHAT_NOW = {
    "pass": "Board and meter agree. Do it again in a year.",
    "marginal": "Neither a pass nor a fail can be claimed with this meter: measure again, with a better one "
    "(--doubt: what its papers say).",
    "fail": "BOARD AND METER DO NOT AGREE: calls that ring are refused until they do. Measure again, to be sure of the "
    "meter. Then have the converter corrected or exchanged (wiring/README.md, the bus converter), set the generator by "
    "the meter, prove the guard, and compare again.",
}
