"""The JSON Schema of call scripts: `configs/schema/call.schema.json`."""

from __future__ import annotations

from demo_ctl.script.model import CHECKS, Call
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
