"""The base of everything read from files: strict and frozen."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import core_schema


class Frozen(BaseModel):
    """An unknown key is an error and nothing changes after loading. Keys in files are words with spaces."""

    model_config = ConfigDict(frozen=True, extra="forbid", alias_generator=lambda name: name.replace("_", " "))


@dataclass(frozen=True)
class Matching:
    """Annotates a text that must match `pattern` whole; `expected` says so in words for people.

    digits: editors may also take an unquoted whole number for it (files are read as text either way).
    """

    pattern: str
    expected: str
    digits: bool = False

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> core_schema.CoreSchema:
        """Check the text after pydantic has found it to be one."""

        def check(text: str) -> str:
            if not re.fullmatch(self.pattern, text):
                found = text if len(text) <= 60 else text[:57] + "..."
                raise ValueError(f"found {found!r}, expected {self.expected}")
            return text

        return core_schema.no_info_after_validator_function(check, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        """Tell editors the same."""
        found = {"type": "string", "pattern": f"^({self.pattern})$", "description": self.expected}
        if self.digits:
            return {"anyOf": [found, {"type": "integer", "minimum": 0}], "description": self.expected}
        return found
