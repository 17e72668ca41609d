"""`demo_ctl faults`: what can be wrong with the simulated unit; and the options `--fault` and `--night`."""

from __future__ import annotations

import argparse
import json
from typing import TYPE_CHECKING

from demo_ctl.terms.errors import InputError
from demo_ctl.terms.outcome import Exit

if TYPE_CHECKING:
    from demo_ctl.bench.faults import Fault, Figure


def run(args: argparse.Namespace) -> int:
    """List the catalogue."""
    from demo_ctl.bench.fault_text import FORM, course_of, limits
    from demo_ctl.bench.faults import GROUPS

    if args.json:
        rows = [_row(group, fault) for group, faults in GROUPS.items() for fault in faults]
        print(json.dumps({"format": "demo_ctl faults 1", "form": FORM, "faults": rows}, ensure_ascii=False))
        return int(Exit.OK)
    from rich.table import Table

    from demo_ctl.cli.screen import console

    for group, faults in GROUPS.items():
        table = Table(title=group, title_justify="left", show_lines=True, expand=True)
        table.add_column("Fault", no_wrap=True)
        table.add_column("What is wrong, and what shows", ratio=3)
        table.add_column("Where", ratio=2)
        for fault in faults:
            figures = "".join(f"\n  {_figure(figure, limits(figure))}" for figure in fault.figures)
            table.add_row(
                fault.name,
                f"{_sentence(fault.says)} {_sentence(fault.shows)}{figures}",
                "\n".join(place.value for place in fault.places),
            )
        console().print(table)
    print(f"Write a fault as {FORM}, such as")
    print("  demo_ctl call configs/calls/answered.yaml --port bench:// --fault 'short-hold@selector 2'")
    print("Every fault can also come and go, and grow from night to night (--night N):")
    for figure in course_of(next(iter(GROUPS.values()))[0]):
        what = figure.says if figure.name != "chance" else "how often it strikes (some faults have less at first)"
        print(f"  {figure.name}={figure.usual}  {what}, {limits(figure)}")
    return int(Exit.OK)


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _figure(figure: Figure, range_: str) -> str:
    return f"{figure.name}={figure.usual}: {figure.says}, {range_}"


def _row(group: str, fault: Fault) -> dict[str, object]:
    from demo_ctl.bench.fault_text import course_of, limits

    return {
        "name": fault.name,
        "group": group,
        "wrong": fault.says,
        "shows": fault.shows,
        "places": [place.value for place in fault.places],
        "figures": [
            {"name": one.name, "usual": one.usual, "range": limits(one), "says": one.says}
            for one in (*fault.figures, *course_of(fault))
        ],
    }


def fault_options(args: argparse.Namespace, unit: str = "") -> list[tuple[str, str]]:
    """Return the bench URL's options for --fault and --night; `unit`: the file, if it isn't that of --unit.

    Raises InputError for a fault that means nothing on this unit.
    """
    if args.night is not None and not 0 <= args.night <= 10_000:
        raise InputError(f"--night is a whole number from 0 to 10000, not {args.night}")
    if args.fault:
        from demo_ctl.bench.fault_text import ailments_of
        from demo_ctl.cli.files import unit_path
        from demo_ctl.office.load import load_unit

        ailments_of(args.fault, load_unit(unit or unit_path(args.unit)).value)
    night = [] if args.night is None else [("night", str(args.night))]
    return night + [("fault", text) for text in args.fault]
