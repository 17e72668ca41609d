"""A window: the values that are right, and who says so."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Window:
    """Allowed values from `low` to `high` in `unit` (None: no bound on that side), with their source."""

    low: float | None
    high: float | None
    unit: str
    source: str

    def __post_init__(self) -> None:
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"a window from {self.low:g} to {self.high:g} {self.unit} holds nothing")

    def __str__(self) -> str:
        if self.low is None and self.high is None:
            return "any"
        if self.low == self.high:
            return f"{self.low:g} {self.unit}"
        if self.low is None:
            return f"≤ {self.high:g} {self.unit}"
        if self.high is None:
            return f"≥ {self.low:g} {self.unit}"
        return f"{self.low:g}..{self.high:g} {self.unit}"
