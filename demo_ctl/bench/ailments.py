"""What is wrong with the unit, as its parts ask for it. What can be wrong is in `faults.py`.

A part asks at the moment it uses a figure, or at the moment something could go wrong, and names itself as the truth
does (`first selector 2/B`, `line parlour`, `trunk 1/5/3`). With nothing wrong every question is answered at once.

An effect that comes and goes draws from a generator of its own, seeded by the unit's seed and the fault's text: which
other faults there are, and what else chance decides in the unit, doesn't change when it strikes.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random


class Effect:
    """One thing that is wrong.

    figure: the figure it changes, or the kind of event that goes wrong. covers: which parts. factor, added: what it
    does to the figure. chance: 0 to 1, how often. lasting: chance is asked once, when the unit is switched on, instead
    of each time the part is used.
    """

    __slots__ = ("_random", "added", "chance", "covers", "factor", "figure")

    def __init__(
        self,
        figure: str,
        covers: Callable[[str], bool],
        *,
        factor: float = 1.0,
        added: float = 0.0,
        chance: float = 1.0,
        lasting: bool = False,
        seed: str = "",
    ) -> None:
        self.figure = figure
        self.covers = covers
        self.factor = factor
        self.added = added
        self.chance = chance
        self._random = Random(seed)
        if lasting:
            self.chance = 1.0 if self._random.random() < chance else 0.0

    def strikes(self) -> bool:
        """Whether it does harm this time."""
        return self.chance >= 1.0 or self._random.random() < self.chance


class Ailments:
    """All that is wrong with one unit. `any`: whether anything is."""

    __slots__ = ("_effects", "_found", "any")

    def __init__(self, effects: Sequence[Effect] = ()) -> None:
        self._effects = tuple(effects)
        self._found: dict[tuple[str, str], tuple[Effect, ...]] = {}
        self.any = bool(effects)

    def scale(self, figure: str, part: str) -> float:
        """Return the factor on a figure of a part; 1.0 when nothing is wrong."""
        factor = 1.0
        if self.any:
            for effect in self._of(figure, part):
                if effect.strikes():
                    factor *= effect.factor
        return factor

    def amount(self, figure: str, part: str) -> float:
        """Return what is added to a figure of a part, in the figure's own unit; 0.0 when nothing is wrong."""
        added = 0.0
        if self.any:
            for effect in self._of(figure, part):
                if effect.strikes():
                    added += effect.added
        return added

    def strikes(self, kind: str, part: str) -> bool:
        """Whether an event of a part goes wrong this time, in the way `kind` says."""
        if not self.any:
            return False
        # Every one of them draws, so that one fault doesn't shift another's chance.
        return sum(effect.strikes() for effect in self._of(kind, part)) > 0

    def _of(self, figure: str, part: str) -> tuple[Effect, ...]:
        key = (figure, part)
        found = self._found.get(key)
        if found is None:
            found = tuple(e for e in self._effects if e.figure == figure and e.covers(part))
            self._found[key] = found
        return found


#: A unit with nothing wrong.
SOUND = Ailments()
