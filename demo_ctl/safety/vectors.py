"""A word that stands for all 1024 vectors of facts at once, so that a module runs once for all that it treats alike.

The module under exploration is given a `Word` instead of an integer. It computes with it as with one vector, and each
question that the module asks of it (is it zero, does it equal, is it less) notes, as a set of bits, which of all
vectors would have had the same answer. When the module returns, the set of those that had the same answer to every
question is exactly the set of vectors on which the module does the same thing. The explorer then goes on with a
vector that is not in it, until none is left. Nothing is sampled, and nothing is assumed of the module, except that it
asks by the operations below; any other is an error. A test compares all this with plain integers, one at a time.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any

COUNT = 1024
ALL = (1 << COUNT) - 1


class Way:
    """Which vectors have gone the same way so far: bit v for vector v."""

    __slots__ = ("bits",)

    def __init__(self) -> None:
        self.bits = ALL


class _Lane:
    """One word for each vector, and what is known of them."""

    __slots__ = ("ands", "answers", "results", "truths", "values")

    def __init__(self, values: tuple[int, ...]) -> None:
        self.values = values
        # By far the most asked: `facts & BITS`, and whether anything is left of it.
        self.ands: dict[int, _Lane] = {}
        zero = sum(1 << v for v, value in enumerate(values) if not value)
        self.truths = (zero, ALL & ~zero)
        self.results: dict[tuple[str, int], _Lane] = {}
        self.answers: dict[tuple[str, int], tuple[int, int]] = {}


_LANES: dict[tuple[int, ...], _Lane] = {}


def _lane(values: tuple[int, ...]) -> _Lane:
    if values not in _LANES:
        _LANES[values] = _Lane(values)
    return _LANES[values]


_FACTS = _lane(tuple(range(COUNT)))


class Word:
    """One vector's word, and the path that remembers what was asked of it."""

    __slots__ = ("_lane", "_way", "value")
    __hash__ = None  # type: ignore[assignment]

    def __init__(self, value: int, way: Way, lane: _Lane = _FACTS) -> None:
        self.value = value
        self._lane = lane
        self._way = way

    def _compute(self, name: str, function: Callable[[int, int], int], other: int) -> Word:
        lane = self._lane.results.get((name, other))
        if lane is None:
            lane = _lane(tuple(function(value, other) for value in self._lane.values))
            self._lane.results[(name, other)] = lane
        return Word(function(self.value, other), self._way, lane)

    def _ask(self, name: str, function: Callable[[int, int], bool], other: object) -> bool:
        if not isinstance(other, int):
            raise TypeError(f"a word of facts compared with {other!r}")
        answers = self._lane.answers.get((name, other))
        if answers is None:
            yes = sum(1 << v for v, value in enumerate(self._lane.values) if function(value, other))
            answers = self._lane.answers[(name, other)] = (ALL & ~yes, yes)
        answer = function(self.value, other)
        self._way.bits &= answers[answer]
        return answer

    def __and__(self, other: int) -> Word:
        lane = self._lane.ands.get(other)
        if lane is None:
            lane = self._lane.ands[other] = _lane(tuple(value & other for value in self._lane.values))
        return Word(self.value & other, self._way, lane)

    def __or__(self, other: int) -> Word:
        return self._compute("|", operator.or_, other)

    def __xor__(self, other: int) -> Word:
        return self._compute("^", operator.xor, other)

    def __eq__(self, other: object) -> bool:
        return self._ask("==", operator.eq, other)

    def __ne__(self, other: object) -> bool:
        return self._ask("!=", operator.ne, other)

    def __lt__(self, other: int) -> bool:
        return self._ask("<", operator.lt, other)

    def __le__(self, other: int) -> bool:
        return self._ask("<=", operator.le, other)

    def __gt__(self, other: int) -> bool:
        return self._ask(">", operator.gt, other)

    def __ge__(self, other: int) -> bool:
        return self._ask(">=", operator.ge, other)

    def __bool__(self) -> bool:
        answer = self.value != 0
        self._way.bits &= self._lane.truths[answer]
        return answer

    def settle(self) -> int:
        """Return the value, having asked for it."""
        self._ask("==", operator.eq, self.value)
        return self.value


def settled(values: tuple[Any, ...]) -> tuple[Any, ...]:
    """Return the values of a state, words replaced by what they are on this path."""
    for value in values:
        if type(value) is Word:
            return tuple(each.settle() if type(each) is Word else each for each in values)
    return values


def closed_under(bits: int, fact: int) -> bool:
    """Return whether a set of vectors does not care for one fact: with each vector it holds the one that differs."""
    lower = _LOWER.get(fact)
    if lower is None:
        lower = _LOWER[fact] = sum(1 << v for v in range(COUNT) if not v & fact)
    return bits & lower == bits >> fact & lower


_LOWER: dict[int, int] = {}
