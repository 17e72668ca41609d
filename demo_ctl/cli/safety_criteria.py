"""`demo_ctl safety criteria`: a unit's ringing against the published safety criteria."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING

from demo_ctl.terms.errors import InputError
from demo_ctl.terms.outcome import Exit, Outcome

if TYPE_CHECKING:
    from demo_ctl.safety.criteria import Finding
    from demo_ctl.safety.ringing_figures import Ringing

METHODS = {
    "A": "Method A: current through 5000 ohm",
    "B": "Method B: voltage, pauses, tripping",
    "ours": "This project's own limit",
    "insulation": "Insulation",
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell the options."""
    parser.add_argument("--unit", metavar="FILE", help="the unit's description (default: configs/units/mossbrook.yaml)")
    parser.add_argument("--voltage", metavar="V", help="ringing as measured, volts rms (default: the unit's file)")
    parser.add_argument("--doubt", metavar="V", help="how far the measured voltage may be off either way, 95 %%, volts")
    parser.add_argument("--battery", metavar="V", help="battery as measured, volts (default: the unit's file)")
    parser.add_argument(
        "--source-ohm", metavar="R", help="resistance between generator and line: lamp, resistors (default: none)"
    )
    parser.add_argument(
        "--measured", action="store_true", help="take generator and battery as the board at --port measures them now"
    )
    parser.add_argument("--port", default=argparse.SUPPRESS, metavar="URL", help="the board, for --measured")
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output")


def run(args: argparse.Namespace) -> int:
    """Print the table. Exit code 1 when a check fails or its figure lies too near its limit to tell."""
    from demo_ctl.cli.files import unit_path
    from demo_ctl.office.load import load_unit
    from demo_ctl.safety.criteria import findings
    from demo_ctl.safety.ringing_figures import Ringing, sine

    path = unit_path(args.unit)
    unit = load_unit(path).value
    voltage_V = _figure(args.voltage, "--voltage", 300)
    battery_V = _figure(args.battery, "--battery", 300)
    doubt_V = _figure(args.doubt, "--doubt", 100)
    said = "given"
    if args.measured:
        if voltage_V is not None or battery_V is not None:
            raise InputError("--measured asks the board: it goes with neither --voltage nor --battery")
        voltage_V, battery_V, said = *_measured(args), "measured"
    ringing = Ringing(
        sine(unit.ringing.voltage_V if voltage_V is None else voltage_V),
        0.0 if doubt_V is None else doubt_V / 2,
        unit.supply.least_V if battery_V is None else battery_V,
        unit.supply.most_V if battery_V is None else battery_V,
        unit.ringing.frequency_Hz,
        unit.ringing.on_us,
        unit.ringing.off_us,
        _figure(args.source_ohm, "--source-ohm", 100_000),
    )
    found = findings(ringing)
    origin = {
        "voltage": "declared" if voltage_V is None else said,
        "battery": "declared" if battery_V is None else said,
    }
    if args.json:
        _print_json(unit.name, ringing, found, origin)
    else:
        _print(unit.name, ringing, found, origin)
    bad = any(finding.outcome in (Outcome.FAIL, Outcome.MARGINAL) for finding in found)
    return int(Exit.CHECK_FAILED if bad else Exit.OK)


def _measured(args: argparse.Namespace) -> tuple[float, float]:
    """Ask the board for generator and battery, volts."""
    from demo_ctl.cli.board_port import board

    with board(getattr(args, "port", "auto"), args.unit) as client:
        safety = client.safety()
    if not safety.supply_mV:
        raise InputError(
            "the board measures no ringing voltage now",
            next_step="It is measured behind the isolator: generator on, every cover closed, key on.",
        )
    return safety.supply_mV / 1000, safety.battery_mV / 1000


def _figure(text: str | None, option: str, most: float) -> float | None:
    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0 <= value <= most:
        raise InputError(f"{option} is a number from 0 to {most}, not {text!r}")
    return value


def _print_json(name: str, ringing: Ringing, found: tuple[Finding, ...], origin: dict[str, str]) -> None:
    from demo_ctl.cli.json_out import print_json
    from demo_ctl.safety.criteria import SIGNS, classes, worst

    wave = ringing.wave
    print_json(
        {
            "format": "demo_ctl safety criteria 1",
            "unit": name,
            "ringing": {
                "rms_V": wave.rms_V,
                "peak_V": wave.peak_V,
                "swing_V": wave.swing_V,
                "voltage_is": origin["voltage"],
                "battery_least_V": ringing.battery_least_V,
                "battery_most_V": ringing.battery_most_V,
                "battery_is": origin["battery"],
                "frequency_Hz": ringing.frequency_Hz,
                "on_us": ringing.on_us,
                "off_us": ringing.off_us,
                "source_ohm": ringing.source_ohm,
            },
            "methods": {method: worst(found, method).value for method in METHODS},
            "checks": [
                {
                    "row": one.row,
                    "method": one.method,
                    "title": one.title,
                    "value": None if one.value is None else one.value.value,
                    "unit": None if one.value is None else one.value.unit,
                    "u": None if one.value is None else one.value.u,
                    "limit": one.limit,
                    "outcome": one.outcome.value,
                    "source": one.source,
                    "note": one.note,
                }
                for one in found
            ],
            "classes": [
                {"row": one.row, "title": one.title, "counts_as": one.counts_as, "source": one.source}
                for one in classes(ringing)
            ],
            "note": SIGNS,
        }
    )


def _print(name: str, ringing: Ringing, found: tuple[Finding, ...], origin: dict[str, str]) -> None:
    from demo_ctl.cli.screen import console, reader_may_go
    from demo_ctl.report.safety import blocks
    from demo_ctl.safety.criteria import ANNEX, SIGNS, classes, worst

    battery = f"{ringing.battery_most_V:g} V"
    if ringing.battery_least_V != ringing.battery_most_V:
        battery = f"{ringing.battery_least_V:g} to {battery}"
    with reader_may_go():
        screen = console()
        screen.print(f"Ringing of {name} against the published safety criteria", style="bold", markup=False)
        screen.print(
            f"{ringing.wave.rms_V:g} V rms ({origin['voltage']}), a sine, on {battery} of battery "
            f"({origin['battery']}).",
            markup=False,
        )
        for method, title in METHODS.items():
            rows = [_block(one) for one in found if one.method == method]
            whole = worst(found, method)
            screen.print()
            for part in blocks(f"{title}: {OPEN if whole is Outcome.NOT_MEASURED else whole.value}", rows):
                screen.print(part)
        screen.print()
        for each in classes(ringing):
            screen.print(f"{each.title}: {each.counts_as} ({each.source}).", markup=False)
        screen.print(f"Methods A and B: {ANNEX}. It is enough to meet one of them whole.", markup=False)
        for text in _methods(found):
            screen.print(text, markup=False)
        if ringing.source_ohm is None:
            screen.print(SOURCE, markup=False)
        screen.print(SIGNS, markup=False)


#: How a check is told whose figure is known, and whose limit stands in the standard only; or whose figure is not known.
OPEN = "open"


def _block(one: Finding) -> tuple[str, str, list[tuple[str, str]]]:
    from demo_ctl.safety.criteria import ANNEX

    outcome = OPEN if one.outcome is Outcome.NOT_MEASURED else one.outcome.value
    value = "-" if one.value is None else str(one.value)
    says = [(outcome, f"{value}; limit: {one.limit}"), ("note", one.note), ("source", one.source)]
    return one.title, "", [(word, text.removesuffix(": " + ANNEX)) for word, text in says if text]


#: Said where no resistance was declared, which is the strict case.
SOURCE = (
    "No resistance between generator and line was declared, which is the strict case. Where there is one, say it: "
    "--source-ohm R (the wiring of this project has a lamp of 400 ohm there)."
)


def _methods(found: tuple[Finding, ...]) -> list[str]:
    """Say of each method whether it is met, missed or open, and by which checks."""
    from demo_ctl.safety.criteria import worst

    said = []
    for method in ("A", "B"):
        whole = worst(found, method)
        names = "; ".join(one.title for one in found if one.method == method and one.outcome is whole)
        if whole is Outcome.PASS:
            said.append(f"Method {method} is met, by these figures.")
        elif whole is Outcome.FAIL:
            said.append(f"Method {method} is NOT met: {names}.")
        else:
            said.append(f"Method {method} is neither met nor missed by what is known here; open: {names}.")
    return said
