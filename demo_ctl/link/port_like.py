"""What a session needs of a port: `port.Port` has it, and so has a line that a test makes up."""

from __future__ import annotations

from typing import Protocol


class PortLike(Protocol):
    """A port with a clock of its own. Each method may raise LinkError."""

    url: str

    def clock_us(self) -> int:
        """Return the port's clock."""
        ...

    def read(self, until_us: int) -> bytes:
        """Return bytes as soon as there are any, b"" at `until_us`."""
        ...

    def write(self, data: bytes) -> None:
        """Write all."""
        ...

    def close(self) -> None:
        """Close."""
        ...
