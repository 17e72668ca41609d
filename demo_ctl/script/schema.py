"""The JSON Schemas of call scripts, run sheets and exhibits: `configs/schema/{call,sheet,exhibit}.schema.json`."""

from __future__ import annotations

from demo_ctl.script.exhibit import Exhibit
from demo_ctl.script.model import CHECKS, Call
from demo_ctl.script.sheet import Sheet
from demo_ctl.terms.schema import as_text, schema_of


def schema_text() -> str:
    """Return the schema as the text of its file."""
    schema = schema_of(Call, "A call script of demo_ctl")
    # Every kind of check by name, so that editors offer them.
    expect = schema["properties"]["expect"]
    own = expect.pop("additionalProperties")
    expect["properties"] = dict.fromkeys(CHECKS, own)
    expect["additionalProperties"] = False
    return as_text(schema)


def sheet_schema_text() -> str:
    """Return the schema of run sheets as the text of its file."""
    return as_text(schema_of(Sheet, "A run sheet of demo_ctl"))


def exhibit_schema_text() -> str:
    """Return the schema of exhibits as the text of its file."""
    return as_text(schema_of(Exhibit, "An exhibit of demo_ctl"))
