"""Which digits lead to a terminal, worked out from the switches' own rules.

Not taken from the office's routes on purpose: the planner uses those, and a mistake there should show on the bench.
"""

from __future__ import annotations

from demo_ctl.office.model import Selector, Unit
from demo_ctl.office.numbers import digits_of


def place_of(unit: Unit, number: str) -> str:
    """Return the levels, and at last the terminal, that `number` leads to: its digits without the absorbed ones.

    Shorter than `len(unit.train) + 1` if the number ends early; digits after the last are dropped. Raises ValueError
    for a number that cannot be read.
    """
    place = ""
    absorbed = False
    for digit in digits_of(number, unit.numbering.letters):
        if len(place) > len(unit.train):
            break
        stage = unit.train[min(len(place), len(unit.train) - 1)]
        rule = stage.absorbs if isinstance(stage, Selector) else None
        if rule is not None and digit in rule.digits and (rule.until == "another digit" or not absorbed):
            absorbed = True
        else:
            place += digit
            absorbed = False
    return place
