"""The base of everything read from files: strict and frozen."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Frozen(BaseModel):
    """An unknown key is an error and nothing changes after loading. Keys in files are words with spaces."""

    model_config = ConfigDict(frozen=True, extra="forbid", alias_generator=lambda name: name.replace("_", " "))
