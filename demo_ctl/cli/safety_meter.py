"""`demo_ctl safety meter`: whether the board measures what a meter measures; kept, with its date."""

from __future__ import annotations

import argparse
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

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
the generator (behind its isolator) and of the battery. Follow local electrical codes. The meter shows true rms, and \
its papers say how far it may be off at 20 Hz; many are made for 40 Hz and more. Generator on, covers closed, key on, \
and no call: then read both."""
#: The board is looked at so often, so far apart: its readings are 50 ms each.
_LOOKS, _APART_US = 9, 60_000
#: A meter that may be off by more cannot tell what is asked here.
_LEAST_DOUBT_PCT, _MOST_DOUBT_PCT = 0.01, 2.0
#: What is asked for where it was not given: option, question, least, most.
_ASKED = {
    "generator": ("By the meter: the ringing generator, volts rms?", 1.0, 300.0),
    "battery": ("By the meter: the battery, volts?", 1.0, 300.0),
    "doubt": (
        "How far may the meter be off at 20 Hz, either way, by its papers, per cent of what it reads?",
        _LEAST_DOUBT_PCT,
        _MOST_DOUBT_PCT,
    ),
}
#: What a person does next, by how it ended.
WHAT_NOW = {
    Outcome.PASS.value: "Board and meter agree. Do it again in a year.",
    Outcome.MARGINAL.value: "Neither a pass nor a fail can be claimed with this meter: measure again, with a better "
    "one.",
    Outcome.FAIL.value: "BOARD AND METER DO NOT AGREE. Measure again, to be sure of the meter. Then have the converter "
    "corrected or exchanged (wiring/README.md, the bus converter), set the generator by the meter, prove the guard, "
    "and compare again.",
}
GIVE = "Start it from a terminal; or give all three: --generator V --battery V --doubt PERCENT."
BARS = "DO NOT RING: calls that ring are refused until a comparison has passed."


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell what the command takes."""
    board_arguments(parser)
    proving_arguments(parser)
    asked = "(default: asked)"
    parser.add_argument("--generator", metavar="V", help=f"the ringing generator by the meter, volts rms {asked}")
    parser.add_argument("--battery", metavar="V", help=f"the battery by the meter, volts {asked}")
    parser.add_argument(
        "--doubt",
        metavar="PERCENT",
        help="how far the meter may be off at 20 Hz either way, by its papers, per cent of its reading; at most "
        f"{_MOST_DOUBT_PCT:g} {asked}",
    )
    parser.add_argument("--who", metavar="NAME", default="", help="who measured, for the record")


def run(args: argparse.Namespace) -> int:
    """Compare, tell, keep; 0 they agree, 1 they do not or it cannot be told."""
    from demo_ctl.office.load import load_unit
    from demo_ctl.safety import meter, meter_book
    from demo_ctl.safety.proof_store import board_text, default_folder, prepare
    from demo_ctl.safety.readiness import proven_at_opening
    from demo_ctl.terms.located import plain

    figures = {name: _given(args, name) for name in _ASKED}
    unit = load_unit(unit_path(args.unit)).value
    folder = Path(args.proving_dir) if args.proving_dir else default_folder()
    prepare(folder)
    meter_book.read_rows(folder)  # before anybody measures: what cannot be read could not be kept either
    terminal = Terminal(args.json)
    terminal.tell(CAUTION)
    with board(args.port, args.unit) as client:
        told = {name: _asked(terminal, name) if value is None else value for name, value in figures.items()}
        safety, welcome, read = client.safety(), client.welcome, _looked(client)
        itself = proven_at_opening(client, safety)
    assert welcome is not None
    generator, battery = (
        meter.Pair(name, read[name], meter.meter_read(told[name], told["doubt"])) for name in ("generator", "battery")
    )
    found = meter.findings(generator, battery, meter.own_ceiling_V(), unit.supply.most_V)
    row = meter_book.Row(
        at=datetime.now().astimezone().isoformat(timespec="seconds"),
        unit=unit.name,
        board=board_text(safety.board),
        simulated=bool(welcome.simulated),
        who=plain(str(args.who))[:100],
        generator_V=round(generator.board.value, 3),
        generator_meter_V=generator.meter.value,
        battery_V=round(battery.board.value, 3),
        battery_meter_V=battery.meter.value,
        doubt_pct=told["doubt"],
        ceiling_V=meter.own_ceiling_V(),
        outcome=meter.verdict(found).value,
        beyond=meter.beyond(found),
        say=meter.said(found),
    )
    path = folder / meter_book.NAME
    _show(args, row, found, path)
    meter_book.append(folder, row)  # told by now, whatever becomes of the disk
    if not args.json:
        print(f"Recorded in {path}")
        if itself:
            print("(This bench is proven anew each time it is opened, and asks for no comparison: practice.)")
    return int(Exit.OK if row.outcome == Outcome.PASS.value else Exit.CHECK_FAILED)


def _given(args: argparse.Namespace, name: str) -> float | None:
    """Return what was given for a figure, or None."""
    text = getattr(args, name)
    return None if text is None else _figure(text, f"--{name}", *_ASKED[name][1:])


def _asked(terminal: Terminal, name: str) -> float:
    """Ask for a figure until it is one."""
    question, least, most = _ASKED[name]
    while True:
        text = terminal.question(question, "a comparison with a meter", GIVE)
        try:
            return _figure(text, "that", least, most)
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
        value = float(text.strip().removesuffix("V").removesuffix("%"))
    except ValueError:
        value = float("nan")
    if not least <= value <= most:
        why = "; a meter that may be off by more cannot tell" if most == _MOST_DOUBT_PCT and value > most else ""
        raise InputError(f"{what} is a number from {least:g} to {most:g}, not {text[:40]!r}{why}")
    return value


def _show(args: argparse.Namespace, row: Row, found: tuple[Finding, ...], path: Path) -> None:
    from demo_ctl.cli.screen import console, folded, reader_may_go
    from demo_ctl.report.safety import meter_table
    from demo_ctl.report.words import quantity_words

    with reader_may_go():
        if args.json:
            from demo_ctl.cli.json_out import print_json

            print_json(_json(row, found, path))
            return
        screen = console()
        screen.print(
            meter_table(
                [(one.title, one.note, quantity_words(one.value), one.limit, one.outcome.value) for one in found]
            )
        )
        for text in (WHAT_NOW[row.outcome], *((BARS,) if row.beyond else ())):
            for part in folded(text, screen.width):
                print(part)


def _json(row: Row, found: tuple[Finding, ...], path: Path) -> dict[str, Any]:
    from dataclasses import asdict

    checks = [
        {
            "title": one.title,
            "value": one.value.value,
            "unit": one.value.unit,
            "u": one.value.u,
            "limit": one.limit,
            "outcome": one.outcome.value,
            "beyond": one.beyond,
            "note": one.note,
        }
        for one in found
    ]
    return {"format": FORMAT, **asdict(row), "checks": checks, "file": str(path)}
