"""The JSON Schema of unit files: `configs/schema/unit.schema.json`."""

from __future__ import annotations

from demo_ctl.office.model import Unit
from demo_ctl.terms.schema import as_text, schema_of


def schema_text() -> str:
    """Return the schema as the text of its file."""
    return as_text(schema_of(Unit, "A unit of demo_ctl"))
