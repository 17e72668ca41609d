"""The firmware's number is that of its sources: a board with other sources must not pass for one that was proven."""

from __future__ import annotations

from demo_ctl.board import identity
from demo_ctl.safety.firmware_sources import COMMAND, number_of, sources


def test_the_firmwares_number_is_that_of_its_sources() -> None:
    number = number_of(sources())
    assert number == identity.VERSION, (
        f"The sources of board or wire were changed: they are {number:04x}, and board/identity.py says "
        f"{identity.VERSION:04x}. Write it anew: .venv/bin/{COMMAND}"
    )
