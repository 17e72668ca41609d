"""`demo_ctl plan`: what a script would do, before anything moves."""

from __future__ import annotations

import argparse
from fractions import Fraction

from demo_ctl.cli.files import existing, unit_path
from demo_ctl.plan.model import Plan
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.outcome import Exit


def pace_of(text: str) -> Fraction:
    """Read `--pace`."""
    from demo_ctl.terms.quantity import parse_pace

    try:
        return parse_pace(text)
    except ValueError as error:
        raise InputError(f"--pace: {error}") from None


def planned(args: argparse.Namespace) -> Plan:
    """Load script and unit, and plan the call."""
    from demo_ctl.office.load import load_unit
    from demo_ctl.plan.build import build
    from demo_ctl.script.load import load_call

    pace = pace_of(args.pace)
    script = existing(args.script)
    return build(load_call(script), load_unit(unit_path(args.unit)), pace)


def run(args: argparse.Namespace) -> int:
    """Print timeline, expectations and pace table."""
    plan = planned(args)
    if args.json:
        from demo_ctl.cli.json_out import print_json
        from demo_ctl.report.machine import plan_json

        print_json(plan_json(plan))
    else:
        from demo_ctl.cli.screen import console
        from demo_ctl.report.plan import plan_tables

        for table in plan_tables(plan):
            console().print(table)
    return int(Exit.OK)
