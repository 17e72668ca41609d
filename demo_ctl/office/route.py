"""Where digits lead: what each one does in the train. Pure; supposes an idle trunk on every level that has any.

A level is named by the digit that is dialled to reach it. The digits that count are those not absorbed: two ways of
dialling that differ only in absorbed digits reach the same terminal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from demo_ctl.office.model import Line, Selector, Unit
from demo_ctl.office.numbers import digits_of, pulses_of

Does = Literal["absorb", "select", "tens", "units", "ignored"]


@dataclass(frozen=True)
class Leg:
    """What one digit does.

    stage: the stage that takes it, 1 is the first selector. does:
    absorb: the shaft rises and restores, nothing is cut through;
    select: the shaft rises to the level and hunts; with `trunks` empty it can only go on to overflow;
    tens: the connector's shaft rises, and waits; units: its wipers step to the terminal, the busy test follows;
    ignored: no switch is listening any more.
    pulses: how many it sends. trunks: equipped positions of the level (select only).
    """

    stage: int
    digit: str
    does: Does
    pulses: int
    trunks: tuple[int, ...] = ()


def route(unit: Unit, digits: str) -> tuple[Leg, ...]:
    """Return what each digit does, in order. Raises ValueError if one is not a digit."""
    legs: list[Leg] = []
    stage = 0
    absorbed = False  # this stage has swallowed a digit
    tens = False
    over = False
    for digit in digits:
        pulses = pulses_of(digit, unit.numbering.pulses)
        switch = unit.train[stage]
        trunks: tuple[int, ...] = ()
        does: Does
        if over:
            does = "ignored"
        elif isinstance(switch, Selector):
            absorbs = switch.absorbs
            listed = absorbs is not None and digit in absorbs.digits
            if listed and not (absorbed and absorbs is not None and absorbs.until == "once"):
                does = "absorb"
                absorbed = True
            else:
                does = "select"
                level = switch.levels.get(digit)
                trunks = level.trunks if level is not None else ()
        elif tens:
            does = "units"
        else:
            does = "tens"
            tens = True
        legs.append(Leg(stage + 1, digit, does, pulses, trunks))
        if does == "select" and trunks:
            stage += 1
            absorbed = False
        elif does in ("select", "units"):
            over = True
    return tuple(legs)


def counted_digits(legs: tuple[Leg, ...]) -> str:
    """Return the digits that were neither absorbed nor ignored: they say where a call is."""
    return "".join(leg.digit for leg in legs if leg.does not in ("absorb", "ignored"))


def complete(legs: tuple[Leg, ...]) -> bool:
    """Whether the connector has had its last digit."""
    return any(leg.does == "units" for leg in legs)


def number_digits(unit: Unit, line: Line) -> str:
    """Return the digits a caller dials for `line`. Raises ValueError with a message for people."""
    return digits_of(line.number, unit.numbering.letters)


def line_reached(unit: Unit, digits: str) -> Line | None:
    """Return the line whose terminal the digits lead to; None if they lead to none."""
    legs = route(unit, digits)
    if not complete(legs):
        return None
    where = counted_digits(legs)
    return next((line for line in unit.lines if counted_digits(route(unit, number_digits(unit, line))) == where), None)


def hunting_group(unit: Unit, line: Line) -> tuple[Line, ...]:
    """Return the lines a connector tries, in order, when `line` is dialled; just `line` when it does not hunt.

    Only the first number of a group hunts; the others are reached alone when dialled themselves.
    """
    own = number_digits(unit, line)
    by_number = {number_digits(unit, each): each for each in unit.lines}
    for group in unit.connector.hunting:
        numbers = [digits_of(number, unit.numbering.letters) for number in group]
        if numbers and numbers[0] == own:
            return tuple(by_number[number] for number in numbers if number in by_number)
    return (line,)


def terminal(unit: Unit, line: Line) -> int:
    """Return the connector's rotary step at which a line stands, 1 to 10: the pulses of its last digit."""
    return pulses_of(number_digits(unit, line)[-1], unit.numbering.pulses)
