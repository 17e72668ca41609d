"""How a watch around the interlock is explored like it: every state, input and law.

Limits are a few ticks. Each watch has a `Probe`: it makes the object, lists what can be done to it in one pass, keeps
an onlooker's notes of its own, and judges. The explorer goes on until no state is new.
"""
# what each method of a probe does is said once, in Probe

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType
from typing import Any

TOLD = 5
Answers = Iterator[tuple[str, bool]]


class Stop(Exception):
    """The first violation is enough."""


@dataclass
class WatchResult:
    """What came of one watch."""

    name: str
    laws: dict[str, str]
    states: int = 0
    transitions: int = 0
    violations: int = 0
    told: list[str] = field(default_factory=list)
    exercised: dict[str, int] = field(default_factory=dict)
    seconds: float = 0.0

    def idle(self) -> list[str]:
        """Return the laws that nothing exercised."""
        return [law for law in self.laws if not self.exercised.get(law)]

    def as_dict(self) -> dict[str, object]:
        """Return it for machines."""
        return {
            "name": self.name,
            "states": self.states,
            "transitions": self.transitions,
            "violations": self.violations,
            "told": self.told,
            "laws": [
                {"name": law, "says": says, "exercised": self.exercised.get(law, 0)} for law, says in self.laws.items()
            ],
        }


def fresh(module: ModuleType, source: Any = None, **constants: int) -> ModuleType:
    """Return a copy of a module (or of another source or syntax tree in its place), with other constants."""
    assert module.__file__ is not None
    text: Any = Path(module.__file__).read_text(encoding="utf-8") if source is None else source
    copy = ModuleType(module.__name__)
    exec(compile(text, module.__file__, "exec"), vars(copy))
    for name, value in constants.items():
        assert hasattr(copy, name), name
        setattr(copy, name, value)
    return copy


class Probe:
    """How one watch is explored. Subclasses say the rest."""

    name = ""
    laws: dict[str, str] = {}  # noqa: RUF012
    module: ModuleType
    constants: dict[str, int] = {}  # noqa: RUF012
    #: Fields that are only told, never read by the module.
    told: tuple[str, ...] = ()

    def __init__(self, module: ModuleType) -> None:
        self.it = self.make(module)
        self.fields = sorted(name for name in vars(self.it) if name not in self.told)
        self.begin = self.take()

    def make(self, module: ModuleType) -> Any:
        """Return the object under exploration."""
        raise NotImplementedError

    def take(self) -> tuple[Any, ...]:
        """Return all that it keeps."""
        inside = vars(self.it)
        return tuple(inside[name] for name in self.fields)

    def put(self, state: tuple[Any, ...]) -> None:
        """Set all that it keeps; what is only told is taken away."""
        inside = vars(self.it)
        inside.update(zip(self.fields, state, strict=True))
        for name in self.told:
            inside[name] = None

    def notes(self) -> Any:
        """Return the notes before the first pass."""
        raise NotImplementedError

    def actions(self, notes: Any) -> Iterator[Any]:
        """Yield everything that can be done in one pass. `put` has set the state."""
        raise NotImplementedError

    def act(self, action: Any) -> Any:
        """Do it; return what it answered."""
        raise NotImplementedError

    def judge(self, notes: Any, action: Any, answer: Any) -> Answers:
        """Yield (law, whether it holds) for each law that says something. The object is as the action left it."""
        raise NotImplementedError

    def next_notes(self, notes: Any, action: Any, answer: Any) -> Any:
        """Return the notes after it."""
        raise NotImplementedError

    def parts(self, action: Any) -> Iterator[tuple[Any, Any]]:
        """Yield how the action can be made in two passes instead of one."""
        raise NotImplementedError

    def shows(self) -> Any:
        """Return what it shows: for the law that nothing shows before left_us is over. None: nothing to check."""
        return None

    def bounded(self, value: int) -> bool:
        """Return whether a counter is within what its limits let it be."""
        return -1 <= value <= 1 << 12


SHARED = {
    "counters stop": "Every counter stays within its limits: the states are finitely many.",
    "extra calls": "Two passes instead of one, inputs unchanged, come to the same.",
}


def explore_watch(probe: Probe, first_only: bool = False, states_most: int = 300_000) -> WatchResult:
    """Explore one watch until nothing is new."""
    began = time.monotonic()
    result = WatchResult(probe.name, probe.laws | SHARED)
    exercised = result.exercised

    def judged(law: str, holds: bool, state: object, action: object) -> None:
        exercised[law] = exercised.get(law, 0) + 1
        if not holds:
            result.violations += 1
            if len(result.told) < TOLD:
                result.told.append(f"{law}: in {dict(zip(probe.fields, state, strict=True))}, {action}")  # type: ignore[call-overload]
            if first_only:
                raise Stop

    begin = (probe.begin, probe.notes())
    known = {begin}
    todo = [begin]
    try:
        while todo and len(known) <= states_most:
            state, notes = todo.pop()
            probe.put(state)
            for action in list(probe.actions(notes)):
                probe.put(state)
                answer = probe.act(action)
                after, shown = probe.take(), probe.shows()
                result.transitions += 1
                for law, holds in probe.judge(notes, action, answer):
                    judged(law, holds, state, action)
                for first, second in probe.parts(action):
                    probe.put(state)
                    probe.act(first)
                    answered = probe.act(second)
                    same = (probe.take(), probe.shows(), answered) == (after, shown, answer)
                    judged("extra calls", same, state, (first, second))
                new = (after, probe.next_notes(notes, action, answer))
                if new not in known:
                    known.add(new)
                    todo.append(new)
                    fine = all(probe.bounded(v) for v in after if isinstance(v, int))
                    judged("counters stop", fine, after, "reached")
        if todo:
            judged("counters stop", False, todo[-1][0], "too many states")
    except Stop:
        pass
    result.states = len(known)
    result.seconds = time.monotonic() - began
    return result
