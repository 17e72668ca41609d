"""What made a thing happen: for each kind of happening, the kinds that can be its cause; the latest of them is it.

This is how the parts of a step-by-step exchange are joined, told once: the same for what was inferred and for what a
truth file told. A cause is always an earlier happening. What people do has none.
"""

from __future__ import annotations

from demo_ctl.office.model import Line, Unit
from demo_ctl.show.facts import CALLED, CALLER, ENDS, Fact
from demo_ctl.show.scene import FINDER, stage_names

#: Who, relative to the part in question; what; and whether it rose or fell to 0.
Source = tuple[str, str, bool]

_UP, _DOWN = True, False

# me: the part itself; end: the party served (of a party: itself); line: its line; other: the other party; finder,
# first, prev, next, last: of the train that serves; any: every switch of the train; theirs: the last switch of the
# other party's train.
_PARTY: dict[tuple[str, bool], tuple[Source, ...]] = {
    ("pulse", _UP): (("me", "digit", _UP), ("me", "pulse", _DOWN)),
    ("pulse", _DOWN): (("me", "pulse", _UP),),
    ("pulses", _UP): (("me", "pulse", _UP),),
    ("dialled", _UP): (("me", "pulse", _DOWN),),
    ("dialled", _DOWN): (("me", "pulse", _DOWN),),
    ("loop", _UP): (
        ("me", "hook", _UP),
        ("me", "pulse", _DOWN),
        ("me", "battery", _UP),
        ("line", "cut-off relay", _UP),
        ("line", "cut-off relay", _DOWN),
        ("any", "cut-through", _UP),
        ("theirs", "F", _UP),
        ("last", "D", _UP),
        ("last", "D", _DOWN),
    ),
    ("loop", _DOWN): (
        ("me", "hook", _DOWN),
        ("me", "pulse", _UP),
        ("line", "cut-off relay", _UP),
        ("any", "cut-through", _UP),
        ("any", "B", _DOWN),
        ("theirs", "F", _UP),
        ("theirs", "B", _DOWN),
        ("last", "D", _UP),
        ("last", "D", _DOWN),
    ),
    ("battery", _DOWN): (
        ("line", "cut-off relay", _UP),
        ("any", "cut-through", _UP),
        ("any", "B", _DOWN),
        ("theirs", "F", _UP),
        ("theirs", "B", _DOWN),
        ("last", "D", _UP),
        ("last", "D", _DOWN),
    ),
    ("battery", _UP): (
        ("line", "cut-off relay", _UP),
        ("line", "cut-off relay", _DOWN),
        ("any", "cut-through", _UP),
        ("theirs", "F", _UP),
        ("last", "D", _UP),
        ("last", "D", _DOWN),
    ),
    ("tone", _UP): (("me", "loop", _UP), ("first", "B", _UP)),
    ("tone", _DOWN): (("first", "off-normal", _UP), ("me", "hook", _DOWN)),
    ("ringing", _UP): (("theirs", "ringing", _UP),),
    ("ringing", _DOWN): (("theirs", "ringing", _DOWN), ("me", "ringing", _UP)),
}

_LINE: dict[tuple[str, bool], tuple[Source, ...]] = {
    ("line relay", _UP): (("end", "hook", _UP), ("end", "loop", _UP), ("me", "cut-off relay", _DOWN)),
    ("line relay", _DOWN): (("me", "cut-off relay", _UP), ("end", "hook", _DOWN)),
    ("cut-off relay", _UP): (("finder", "rotary", _UP), ("theirs", "cut-through", _UP)),
    ("cut-off relay", _DOWN): (("finder", "vertical", _DOWN), ("theirs", "B", _DOWN), ("theirs", "cut-through", _DOWN)),
}

_SWITCH: dict[tuple[str, bool], tuple[Source, ...]] = {
    ("A", _UP): (
        ("end", "loop", _UP),
        ("end", "pulse", _DOWN),
        ("end", "hook", _UP),
        ("prev", "cut-through", _UP),
        ("line", "cut-off relay", _UP),
    ),
    ("A", _DOWN): (
        ("end", "loop", _DOWN),
        ("end", "pulse", _UP),
        ("end", "hook", _DOWN),
        ("me", "cut-through", _UP),
    ),
    ("B", _UP): (("me", "A", _UP),),
    ("B", _DOWN): (("me", "A", _DOWN),),
    ("C", _UP): (("me", "A", _DOWN),),
    ("C", _DOWN): (("me", "A", _UP), ("any", "B", _DOWN)),
    ("vertical magnet", _UP): (("me", "A", _DOWN), ("me", "vertical magnet", _DOWN), ("line", "line relay", _UP)),
    ("vertical magnet", _DOWN): (("me", "A", _UP), ("me", "vertical", _UP), ("any", "B", _DOWN)),
    ("vertical", _UP): (("me", "vertical magnet", _UP),),
    ("vertical", _DOWN): (("me", "release magnet", _UP),),
    ("rotary magnet", _UP): (
        ("me", "A", _DOWN),
        ("me", "C", _DOWN),
        ("me", "rotary magnet", _DOWN),
        ("me", "vertical magnet", _DOWN),
        ("me", "cut-through", _UP),
    ),
    ("rotary magnet", _DOWN): (("me", "A", _UP), ("me", "rotary", _UP), ("any", "B", _DOWN)),
    ("rotary", _UP): (("me", "rotary magnet", _UP),),
    ("rotary", _DOWN): (("me", "release magnet", _UP),),
    ("off-normal", _UP): (("me", "vertical", _UP),),
    ("off-normal", _DOWN): (("me", "vertical", _DOWN), ("me", "release magnet", _UP)),
    ("release magnet", _UP): (("any", "B", _DOWN), ("me", "C", _DOWN), ("line", "line relay", _DOWN)),
    ("release magnet", _DOWN): (("me", "vertical", _DOWN), ("me", "off-normal", _DOWN)),
    ("sleeve", _UP): (("prev", "rotary", _UP), ("prev", "rotary magnet", _DOWN)),
    ("sleeve", _DOWN): (("me", "vertical", _DOWN), ("any", "B", _DOWN)),
    ("cut-through", _UP): (
        ("me", "C", _DOWN),
        ("me", "rotary magnet", _DOWN),
        ("me", "rotary", _UP),
        ("next", "sleeve", _UP),
    ),
    ("cut-through", _DOWN): (("any", "B", _DOWN),),
    ("F", _UP): (("other", "loop", _UP), ("other", "hook", _UP)),
    ("F", _DOWN): (("any", "B", _DOWN),),
    ("D", _UP): (("other", "loop", _UP), ("other", "hook", _UP), ("me", "F", _UP)),
    ("D", _DOWN): (("other", "loop", _DOWN), ("other", "hook", _DOWN), ("any", "B", _DOWN)),
    ("ringing", _UP): (("me", "cut-through", _UP), ("their line", "cut-off relay", _UP)),
    ("ringing", _DOWN): (("me", "F", _UP), ("any", "B", _DOWN)),
    ("serves", _UP): (
        ("line", "line relay", _UP),
        ("prev", "serves", _UP),
        ("prev", "rotary", _UP),
        ("prev", "rotary magnet", _DOWN),
    ),
    ("serves", _DOWN): (("me", "vertical", _DOWN), ("me", "release magnet", _DOWN), ("any", "B", _DOWN)),
}


class Causes:
    """Keeps what happened last, and finds the cause of the next."""

    def __init__(self, unit: Unit, ends: dict[str, Line]) -> None:
        self._names = sorted(stage_names(unit), key=len, reverse=True)
        self._order = stage_names(unit)
        self._line_of = {end: f"line {line.name}" for end, line in ends.items()}
        self._end_of = {part: end for end, part in self._line_of.items()}
        self._last: dict[tuple[str, str, bool], int] = {}
        self._serves: dict[str, str] = {}
        self._train: dict[tuple[str, int], str] = {}  # end, stage: the switch that serves there, or did last
        for stage, name in enumerate(self._order):
            self._serves[f"{name} of {CALLER}"] = CALLER
            self._train[CALLER, stage] = f"{name} of {CALLER}"

    def cause(self, fact: Fact) -> int:
        """Return the number of the happening that made this one happen; 0: none is known."""
        if fact.thing == "serves" and fact.value:
            self._serves[fact.part] = ENDS[fact.value]
            self._train[ENDS[fact.value], self._stage(fact.part)] = fact.part
        if fact.trigger:
            return fact.trigger
        key = (fact.thing, bool(fact.value))
        if fact.part in (CALLER, CALLED):
            sources, end = _PARTY.get(key, ()), fact.part
        elif fact.part in self._end_of:
            sources, end = _LINE.get(key, ()), self._end_of[fact.part]
        elif fact.part in self._serves:
            sources, end = _SWITCH.get(key, ()), self._serves[fact.part]
        else:
            return 0
        return max((self._latest(source, fact.part, end) for source in sources), default=0)

    def note(self, fact: Fact, number: int) -> None:
        """The fact has become happening `number`."""
        self._last[fact.part, fact.thing, bool(fact.value)] = number

    def _latest(self, source: Source, part: str, end: str) -> int:
        who, thing, up = source
        return max((self._last.get((each, thing, up), 0) for each in self._parts(who, part, end)), default=0)

    def _parts(self, who: str, part: str, end: str) -> tuple[str, ...]:
        other = CALLED if end == CALLER else CALLER
        last = len(self._order) - 1
        if who == "me":
            return (part,)
        if who == "end":
            return (end,)
        if who == "other":
            return (other,)
        if who == "line":
            return (self._line_of.get(end, ""),)
        if who == "their line":
            return (self._line_of.get(other, ""),)
        if who == "any":
            return tuple(each for each, whom in self._serves.items() if whom == end and not each.startswith(FINDER))
        stage = self._stage(part) if part in self._serves else 0
        whose, place = {
            "finder": (end, 0),
            "first": (end, 1),
            "last": (end, last),
            "theirs": (other, last),
            "prev": (end, stage - 1),
            "next": (end, stage + 1),
        }[who]
        found = self._train.get((whose, place))
        return () if found is None else (found,)

    def _stage(self, part: str) -> int:
        name = next((name for name in self._names if part.startswith(f"{name} ")), FINDER)
        return self._order.index(name)
