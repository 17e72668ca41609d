"""Where digits lead: what each one does in the train. Pure; assumes idle trunks wherever a level has any.

A level is named by the digit that is dialled to reach it. The digits that count are those not absorbed: two ways of
dialling that differ only in absorbed digits reach the same terminal.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from demo_ctl.office.model import Connector, Line, Selector, Unit
from demo_ctl.office.numbers import digits_of, pulses_of


class Act(Enum):
    """What one digit does."""

    ABSORB = "absorb"  # the shaft rises and restores; nothing is cut through
    SELECT = "select"  # the shaft rises to the level and hunts an idle trunk to the next stage
    OVERFLOW = "overflow"  # the shaft rises to a level with no trunks, and hunts to the eleventh position
    TENS = "tens"  # the connector's shaft rises, and waits
    UNITS = "units"  # the connector's wipers step to the terminal; the busy test follows
    IGNORED = "ignored"  # no switch is listening any more


@dataclass(frozen=True)
class Use:
    """One digit: the pulses it sends, the stage that takes it (index into `unit.train`), and what it does there."""

    digit: str
    pulses: int
    stage: int
    act: Act


@dataclass(frozen=True)
class Route:
    """All digits' uses in order, and where they end.

    counted: the digits that were not absorbed or ignored. line: the line the digits reach, None if the number is
    incomplete, overflows or is on no line. group: all lines the connector hunts over, in order (just `line` if it
    has no group).
    """

    uses: tuple[Use, ...]
    counted: str
    line: Line | None = None
    group: tuple[Line, ...] = ()

    @property
    def complete(self) -> bool:
        """Whether the connector has had its last digit."""
        return any(use.act is Act.UNITS for use in self.uses)

    @property
    def overflows(self) -> bool:
        """Whether a digit leads to a level without trunks."""
        return any(use.act is Act.OVERFLOW for use in self.uses)


def number_digits(unit: Unit, line: Line) -> str:
    """Return the digits a caller dials for `line`. Raises ValueError for people."""
    return digits_of(line.number, unit.numbering.letters)


def trace(unit: Unit, digits: str) -> tuple[Use, ...]:
    """Return what each digit does in the train, not asking which line it reaches."""
    uses: list[Use] = []
    stage = 0
    absorbed = False  # the stage has swallowed a digit
    tens_done = False
    over = False
    for digit in digits:
        pulses = pulses_of(digit, unit.numbering.pulses)
        current = unit.train[min(stage, len(unit.train) - 1)]
        if over:
            act = Act.IGNORED
        elif isinstance(current, Selector):
            swallows = current.absorbs is not None and digit in current.absorbs.digits
            if swallows and current.absorbs is not None and (current.absorbs.until == "another digit" or not absorbed):
                act = Act.ABSORB
                absorbed = True
            elif digit in current.levels and current.levels[digit].trunks:
                act = Act.SELECT
            else:
                act = Act.OVERFLOW
                over = True
        elif not tens_done:
            act = Act.TENS
            tens_done = True
        else:
            act = Act.UNITS
            over = True
        uses.append(Use(digit, pulses, stage, act))
        if act is Act.SELECT:
            stage += 1
            absorbed = False
    return tuple(uses)


def counted_digits(uses: tuple[Use, ...]) -> str:
    """Return the digits that were neither absorbed nor ignored."""
    return "".join(use.digit for use in uses if use.act not in (Act.ABSORB, Act.IGNORED))


def route(unit: Unit, digits: str) -> Route:
    """Return what each digit does, and the line they reach if any. Raises ValueError if one is not a digit."""
    uses = trace(unit, digits)
    counted = counted_digits(uses)
    if not any(use.act is Act.UNITS for use in uses):
        return Route(uses, counted)
    reached = {counted_digits(trace(unit, number_digits(unit, line))): line for line in reversed(unit.lines)}
    line = reached.get(counted)
    if line is None:
        return Route(uses, counted)
    return Route(uses, counted, line, hunting_group(unit, line) or (line,))


def hunting_group(unit: Unit, line: Line) -> tuple[Line, ...]:
    """Return the lines the connector hunts over when `line`'s number is dialled; empty if it does not hunt.

    Only the first number of a group hunts; the others are reached alone when dialled themselves.
    """
    connector = unit.train[-1]
    if not isinstance(connector, Connector):
        return ()
    own = number_digits(unit, line)
    for group in connector.hunting:
        numbers = [digits_of(number, unit.numbering.letters) for number in group]
        if numbers and numbers[0] == own:
            by_number = {number_digits(unit, each): each for each in unit.lines}
            return tuple(by_number[number] for number in numbers if number in by_number)
    return ()
