"""JSON on standard output, in letters that it can write."""

from __future__ import annotations

import json
import sys


def print_json(data: object) -> None:
    """Print one JSON object on one line."""
    text = json.dumps(data, ensure_ascii=False)
    print(text if _can_write(text) else json.dumps(data))


def print_json_text(text: str) -> None:
    """Print a JSON document that is text already, line for line where that is possible."""
    print(text if _can_write(text) else json.dumps(json.loads(text), indent=2) + "\n", end="")


def _can_write(text: str) -> bool:
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except (UnicodeError, LookupError):
        return False
    return True
