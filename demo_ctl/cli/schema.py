"""`demo_ctl schema`."""

from __future__ import annotations

import argparse

from demo_ctl.cli.json_out import print_json_text
from demo_ctl.terms.outcome import Exit


def run(args: argparse.Namespace) -> int:
    """Print the JSON Schema of unit files, call scripts, run sheets or exhibits."""
    if args.kind == "unit":
        from demo_ctl.office.schema import schema_text
    elif args.kind == "sheet":
        from demo_ctl.script.schema import sheet_schema_text as schema_text
    elif args.kind == "exhibit":
        from demo_ctl.script.schema import exhibit_schema_text as schema_text
    else:
        from demo_ctl.script.schema import schema_text
    print_json_text(schema_text())
    return int(Exit.OK)
