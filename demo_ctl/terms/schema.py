"""JSON Schemas of our files, so that editors complete and check them."""

from __future__ import annotations

import json
from typing import Any

from pydantic import BaseModel

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_of(model: type[BaseModel], title: str) -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of files read as `model`, keys as they are written in files."""
    schema: dict[str, Any] = _tidy(model.model_json_schema(by_alias=True), top=True)
    return {"$schema": DIALECT, "title": title, **{key: value for key, value in schema.items() if key != "title"}}


def _tidy(node: Any, *, top: bool = False, named: bool = False) -> Any:
    """Leave out what only clutters an editor: titles made from keys, and `null` where a key may be left out.

    named: the keys of `node` are names (of properties or definitions), not the schema's own words.
    """
    if isinstance(node, list):
        return [_tidy(item) for item in node]
    if not isinstance(node, dict):
        return node
    tidy: dict[str, Any] = {}
    for key, value in node.items():
        if named:
            tidy[key] = _tidy(value)
        elif (key == "title" and not top) or (
            key == "default" and (value is None or value == [] or isinstance(value, dict))
        ):
            continue
        elif key in ("properties", "$defs", "patternProperties"):
            tidy[key] = _tidy(value, named=True)
        elif key in ("default", "examples", "enum", "const"):
            tidy[key] = value
        else:
            tidy[key] = _tidy(value)
    choices = tidy.get("anyOf")
    if isinstance(choices, list) and {"type": "null"} in choices:
        rest = [choice for choice in choices if choice != {"type": "null"}]
        if len(rest) == 1:
            del tidy["anyOf"]
            tidy = {**rest[0], **tidy}
        else:
            tidy["anyOf"] = rest
    return tidy


def as_text(schema: dict[str, Any]) -> str:
    """Return a schema as the text of its file."""
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"
