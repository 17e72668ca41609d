"""Errors for people: what is wrong, where, and what to do next."""

from __future__ import annotations

from dataclasses import dataclass

from demo_ctl.terms.outcome import Exit


@dataclass(frozen=True)
class Place:
    """A place in a file a person wrote. `line` is 1-based; 0 when the whole file is meant."""

    file: str
    line: int = 0

    def __str__(self) -> str:
        return f"{self.file}:{self.line}" if self.line else self.file


class DemoError(Exception):
    """What is wrong, where, what to do next, and the exit code the command ends with."""

    exit_code: Exit = Exit.BAD_INPUT

    def __init__(self, what: str, *, where: Place | None = None, next_step: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.next_step = next_step

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        return f"{head}\n  {self.next_step}" if self.next_step else head


class InputError(DemoError):
    """A file or an option that a person wrote is wrong."""

    exit_code = Exit.BAD_INPUT


class PlanError(InputError):
    """The script asks for something this unit or this board cannot do."""


class LinkError(DemoError):
    """The board cannot be reached, or does not answer as it should."""

    exit_code = Exit.BOARD_TROUBLE


class AddressError(LinkError):
    """The address of a port is a mistake: no board was looked for."""

    exit_code = Exit.BAD_INPUT


class TripError(DemoError):
    """The board's guard tripped."""

    exit_code = Exit.SAFETY_TRIP
