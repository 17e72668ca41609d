"""Every state, every input, every step of time of the shipped interlock, and every law in each.

Limits are set to a few ticks (`QUICK`, `full`). From the state at boot, the explorer makes every pass: every vector of
the ten facts, with a watch's fault and without, after every number of ticks from none to one more than the longest
limit; and goes on from every new state until there is none. A state is all that the machine keeps (except wait_us,
which it only tells: the explorer takes it away before each pass) together with an onlooker's notes, by which the laws
judge. Vectors that the machine and the laws treat alike are worked out together (see vectors.py), not left out.
"""

from __future__ import annotations

import operator
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from types import ModuleType
from typing import Any

from demo_ctl.board import interlock as shipped
from demo_ctl.safety.crew import crew
from demo_ctl.safety.laws import BY_STATE, DOWN, HOST, LAWS, LOCKED_OUT, WHOLE, Notes
from demo_ctl.safety.vectors import ALL, COUNT, Way, Word, closed_under, settled
from demo_ctl.wire import messages as m

NAMES = ("pump", "loop", "pull", "hold", "drop", "prove", "apart", "odd", "key")
#: Any reason of a watch's: the machine asks only whether there is one, and passes it on.
FAULT = m.R_OVERCURRENT
TOLD = 5  # violations kept for telling
#: The vectors in which relays and bus are at rest: of silence there is nothing to decide.
_DOWN = sum(1 << vector for vector in range(COUNT) if vector & DOWN == DOWN)

#: Limits in ticks, in the order of NAMES. Sense is kept: pump <= loop, hold <= drop.
QUICK = ((1, 1, 1, 1, 1, 1, 1, 1, 1), (1, 2, 2, 1, 2, 2, 1, 2, 2), (2, 2, 1, 2, 3, 1, 2, 1, 1))
MOST = 4


def _sensible(first: int, one: int, second: int, other: int) -> bool:
    pair = {NAMES[first]: one, NAMES[second]: other}
    return pair.get("pump", 1) <= pair.get("loop", MOST) and pair.get("hold", 1) <= pair.get("drop", MOST)


def covering() -> tuple[tuple[int, ...], ...]:
    """Return assignments such that each two limits take each two values of 1..4 ticks together (where sensible).

    Greedy and always the same: each assignment begins with a pair that is missing, and every further limit takes the
    value that adds most missing pairs.
    """
    count = len(NAMES)
    missing = {
        (first, one, second, other)
        for first in range(count)
        for second in range(first + 1, count)
        for one in range(1, MOST + 1)
        for other in range(1, MOST + 1)
        if _sensible(first, one, second, other)
    }
    found = []
    while missing:
        first, one, second, other = min(missing)
        chosen = {first: one, second: other}
        for limit in range(count):
            if limit not in chosen:
                chosen[limit] = max(
                    (value for value in range(1, MOST + 1) if all(_sensible(*p) for p in _pairs(chosen, limit, value))),
                    key=lambda value, limit=limit: len(missing.intersection(_pairs(chosen, limit, value))),  # type: ignore[misc]
                )
        assignment = tuple(chosen[limit] for limit in range(count))
        missing -= {(a, assignment[a], b, assignment[b]) for a in range(count) for b in range(a + 1, count)}
        found.append(assignment)
    return tuple(found)


def _pairs(chosen: dict[int, int], limit: int, value: int) -> list[tuple[int, int, int, int]]:
    return [
        (other, chosen[other], limit, value) if other < limit else (limit, value, other, chosen[other])
        for other in chosen
    ]


def full() -> tuple[tuple[int, ...], ...]:
    """Return the assignments of the full exploration: all limits alike, the quick ones, and the covering ones."""
    alike = tuple((ticks,) * len(NAMES) for ticks in range(1, MOST + 1))
    return tuple(dict.fromkeys(alike + QUICK + covering()))


@dataclass
class Result:
    """What came of one assignment."""

    limits: tuple[int, ...]
    states: int = 0
    transitions: int = 0
    classes: int = 0  # runs of the module that stood for all those transitions
    violations: int = 0
    told: list[str] = field(default_factory=list)
    broken: dict[str, int] = field(default_factory=dict)  # law -> in how many transitions
    exercised: dict[str, int] = field(default_factory=dict)
    seconds: float = 0.0
    closed: bool = False  # every state was visited


def times_of(module: ModuleType, limits: tuple[int, ...]) -> Any:
    """Return the module's Times with these limits, in ticks."""
    make: Any = module.Times
    return make(*limits)


def facts_in_words(facts: int) -> str:
    """Return which facts hold, for people."""
    names = ("chain A", "chain B", "mirror A", "mirror B", "key", "quiet", "fit", "beat", "run", "window")
    return "+".join(name for bit, name in enumerate(names) if facts >> bit & 1) or "nothing"


class Machine:
    """One machine, put into a state and taken out of it. fields: all that it keeps from pass to pass."""

    def __init__(self, module: ModuleType, limits: tuple[int, ...]) -> None:
        self.times = times_of(module, limits)
        self.it = module.Interlock(self.times)
        self.fields = sorted(name for name in vars(self.it) if name not in ("times", "wait_us"))
        self._take = operator.itemgetter(*self.fields)
        self._inside = vars(self.it)
        self.begin: tuple[Any, ...] = self._take(self._inside)

    def put(self, state: tuple[Any, ...]) -> None:
        """Set all that the machine keeps."""
        self._inside.update(zip(self.fields, state, strict=True))
        self.it.wait_us = None  # whoever reads it comes to grief

    def take(self) -> tuple[Any, ...]:
        """Return all that the machine keeps."""
        return settled(self._take(self._inside))


class Stop(Exception):
    """The first violation is enough."""


class Explorer:
    """One module under one assignment of limits. Results in `result`."""

    def __init__(
        self,
        module: ModuleType,
        limits: tuple[int, ...],
        *,
        first_only: bool = False,
        states_most: int = 1 << 30,
        plain: bool = False,
    ) -> None:
        self.result = Result(limits)
        self.longest = max(limits)
        self.elapsed = range(self.longest + 2)
        self._machine = Machine(module, limits)
        self._notes = Notes(times_of(shipped, limits))
        self._times = self._notes.times
        self._first_only = first_only
        self._states_most = states_most
        self._plain = plain
        self._counts = [0] * len(LAWS)
        self._whole = dict.fromkeys(WHOLE, 0)
        self._ids: dict[Any, int] = {}
        self._states: list[tuple[tuple[Any, ...], tuple[Any, ...]]] = []
        self._shown: list[tuple[int, int]] = []
        self._from: list[tuple[int, int, int, int]] = []
        self._outcomes: dict[tuple[int, bool, int], int] = {}
        self._outcome: list[tuple[int, bool, int]] = []
        self._row_ids: dict[tuple[tuple[int, int], ...], int] = {}
        self._rows: list[tuple[tuple[int, int], ...]] = []
        self._row_of: list[list[int]] = []  # of a state: by fault, then elapsed
        self._left: dict[tuple[int, int], int] = {}  # (state, wait_us) -> vectors with which it was reached

    def states(self) -> list[tuple[tuple[Any, ...], tuple[Any, ...]]]:
        """Return every state visited: what the machine keeps, and the notes."""
        return list(self._states)

    # Words for people.

    def _violation(self, law: str, state: int, elapsed: int, facts: int, fault: int, count: int = 1) -> None:
        self.result.violations += count
        self.result.broken[law] = self.result.broken.get(law, 0) + count
        if len(self.result.told) < TOLD:
            step = f"after {elapsed} ticks with {facts_in_words(facts)}{', fault' if fault else ''}"
            self.result.told.append(f"{law}: in {m.GUARD_STATES[self._shown[state][0]]}, {step}; {self._story(state)}")
        if self._first_only:
            raise Stop

    def _story(self, state: int) -> str:
        steps = []
        while state:
            state, elapsed, facts, fault = self._from[state]
            steps.append(f"{elapsed} {facts_in_words(facts)}{' fault' if fault else ''}")
        return "from boot: " + ("; ".join(reversed(steps)) or "nothing")

    # The walk.

    def _id(self, state: tuple[Any, ...], notes: tuple[Any, ...], way: tuple[int, int, int, int]) -> int:
        key = (state, notes)
        found = self._ids.get(key)
        if found is None:
            found = self._ids[key] = len(self._states)
            self._states.append(key)
            self._from.append(way)
            it = self._machine.it
            self._shown.append((it.state, it.reason))
            for name, value in zip(self._machine.fields, state, strict=True):
                if name.endswith("_us") and not -1 <= value <= self.longest + 1:
                    self._violation("ages stop", *way)
            self._whole["ages stop"] += 1
        return found

    def run(self) -> Result:
        """Explore until there is nothing new, then look at the whole; return the result."""
        began = time.monotonic()
        result = self.result
        try:
            it = self._machine.it
            boot = it.state == m.G_LOCKED and it.reason == m.R_LOCKED and it.wait_us == 0
            self._whole["boot"] += 1
            self._id(self._machine.begin, Notes.BEGIN, (0, 0, 0, 0))
            if not boot:
                self._violation("boot", 0, 0, 0, 0)
            at = 0
            while at < len(self._states) <= self._states_most:
                rows = []
                for fault in (m.R_NONE, FAULT):
                    for elapsed in self.elapsed:
                        rows.append(self._pass(at, elapsed, fault))
                self._row_of.append(rows)
                at += 1
            result.closed = at == len(self._states)
            if result.closed:
                self._look_at_the_whole()
                self._look_for_dead_ends()
            else:
                self._violation("ages stop", at, 0, 0, 0)
        except Stop:
            pass
        result.states = len(self._states)
        result.exercised = {law.name: count for law, count in zip(LAWS, self._counts, strict=True)} | self._whole
        result.seconds = time.monotonic() - began
        return result

    def _pass(self, at: int, elapsed: int, fault: int) -> int:
        """Make one pass with every vector; return the number of the row of outcomes."""
        machine, notes, counts = self._machine, self._notes, self._counts
        it = machine.it
        state, before = self._states[at]
        was, old_reason = self._shown[at]
        laws = BY_STATE[was]
        path = Way()
        remaining = ALL
        row: dict[int, int] = {}
        while remaining:
            vector = (remaining & -remaining).bit_length() - 1
            path.bits = remaining
            facts: Any = vector if self._plain else Word(vector, path)
            machine.put(state)
            moves = it.step(elapsed, facts, fault)
            after = machine.take()
            notes.elapsed_us, notes.facts, notes.fault = elapsed, facts, fault
            notes.was, notes.old_reason = was, old_reason
            notes.state, notes.reason, notes.moves = it.state, it.reason, moves
            notes.look(before)
            failed = []
            said = []
            for number, law in laws:
                answer = law.check(notes)
                if answer is not None:
                    said.append(number)
                    if not answer:
                        failed.append(law.name)
            wait = it.wait_us
            kept = notes.keep()
            bits = path.bits if not self._plain else 1 << vector
            count = bits.bit_count()
            remaining &= ~bits
            for number in said:
                counts[number] += count
            self._whole["wait is told"] += count
            if not isinstance(wait, int) or not (0 <= wait <= self.longest or wait == 1 << 29):
                failed.append("wait is told")
            self.result.transitions += count
            self.result.classes += 1
            for name in failed:
                self._violation(name, at, elapsed, vector, fault, count)
            to = self._id(after, kept, (at, elapsed, vector, fault))
            key = (to, bool(moves), wait)
            outcome = self._outcomes.get(key)
            if outcome is None:
                outcome = self._outcomes[key] = len(self._outcome)
                self._outcome.append(key)
            row[outcome] = row.get(outcome, 0) | bits
            self._left[(to, wait)] = self._left.get((to, wait), 0) | bits
        if was in LOCKED_OUT:
            self._look_who_is_heard(at, elapsed, fault, row)
        canonical = tuple(sorted(row.items()))
        found = self._row_ids.get(canonical)
        if found is None:
            found = self._row_ids[canonical] = len(self._rows)
            self._rows.append(canonical)
        return found

    def _look_who_is_heard(self, at: int, elapsed: int, fault: int, row: dict[int, int]) -> None:
        self._whole["host is not heard"] += COUNT
        by_end: dict[tuple[int, bool], int] = {}  # how soon it wants to be called again may depend on the host
        for outcome, bits in row.items():
            end = self._outcome[outcome][:2]
            by_end[end] = by_end.get(end, 0) | bits
        for bits in by_end.values():
            for bit in range(10):
                if HOST >> bit & 1 and not closed_under(bits, 1 << bit):
                    self._violation("host is not heard", at, elapsed, 1 << bit, fault)
                    return

    # The whole.

    def _row(self, state: int, fault: int, elapsed: int) -> int:
        return self._row_of[state][elapsed + (len(self.elapsed) if fault else 0)]

    def _look_at_the_whole(self) -> None:
        for state, (shown, _) in enumerate(self._shown):
            if shown == m.G_TRIPPED:
                for elapsed in self.elapsed:
                    if self._but_why(state, 0, elapsed) != self._but_why(state, 1, elapsed):
                        self._violation("host is not heard", state, elapsed, 0, 1)
        for (state, wait), bits in self._left.items():
            for early in range(min(wait, len(self.elapsed))):
                self._look_before(state, wait, bits, early)
            if wait in self.elapsed:
                self._look_when_due(state, wait, bits)

    def _but_why(self, state: int, fault: int, elapsed: int) -> dict[tuple[Any, ...], int]:
        """Return what a pass comes to, but for the reason that is shown: with which vectors."""
        at = self._machine.fields.index("reason")
        found: dict[tuple[Any, ...], int] = {}
        for outcome, bits in self._rows[self._row(state, fault, elapsed)]:
            to, moves, wait = self._outcome[outcome]
            kept, notes = self._states[to]
            end = (kept[:at], kept[at + 1 :], notes, moves, wait)
            found[end] = found.get(end, 0) | bits
        return found

    def _outcomes_of(self, state: int, elapsed: int, bits: int) -> Iterable[tuple[int, bool, int]]:
        for outcome, those in self._rows[self._row(state, 0, elapsed)]:
            common = those & bits
            if common:
                to, moves, _ = self._outcome[outcome]
                yield to, moves, common

    def _look_before(self, state: int, wait: int, bits: int, early: int) -> None:
        for to, moves, common in self._outcomes_of(state, early, bits):
            count = common.bit_count()
            vector = (common & -common).bit_length() - 1
            self._whole["nothing before wait"] += count
            if moves or self._shown[to] != self._shown[state]:
                self._violation("nothing before wait", state, early, vector, 0, count)
            for later in range(min(wait, self.longest + 1) - early + 1):
                for fault in (0, 1):
                    self._whole["extra calls"] += count
                    if self._row(to, fault, later) != self._row(state, fault, early + later):
                        self._violation("extra calls", state, early, vector, fault, count)

    def _look_when_due(self, state: int, wait: int, bits: int) -> None:
        times = self._times
        for to, moves, common in self._outcomes_of(state, wait, bits):
            self._whole["woken for a cause"] += common.bit_count()
            if moves or self._shown[to] != self._shown[state]:
                continue
            was, notes = self._states[state][1], self._states[to][1]
            silent = self._shown[to][0] == m.G_TRIPPED and was[0] != notes[0] == times.drop_us and not common & _DOWN
            if was[4] != notes[4] == times.key_us or silent:  # decided now, not before
                continue
            vector = (common & -common).bit_length() - 1
            self._violation("woken for a cause", state, wait, vector, 0, common.bit_count())

    def _look_for_dead_ends(self) -> None:
        for state in range(len(self._states)):
            self._whole["no dead end"] += 1
            if not self._person(state):
                self._violation("no dead end", state, 0, 0, 0)

    def _person(self, state: int) -> bool:
        """A person turns the key on, off and on; then a plan runs and opens its window. The hardware is healthy."""
        machine = self._machine
        it = machine.it
        machine.put(self._states[state][0])
        on, off = shipped.CHAIN | shipped.KEY | shipped.FIT, shipped.FIT
        wants = shipped.BEAT | shipped.RUN | shipped.WINDOW
        rest = self.longest + 2
        for want, turned in ((on, rest), (off, rest), (on, rest), (on | wants, 2 * rest)):
            for _ in range(2 * turned):
                # Relays are up, and there is voltage on the bus, only while the pump moves.
                it.step(1, want if it.state == m.G_LIVE else want | shipped.DOWN, m.R_NONE)
            if want == on and turned == rest:
                reached_safe = it.state == m.G_SAFE
        return bool(reached_safe and it.state == m.G_LIVE)


def explore(
    module: ModuleType, limits: tuple[int, ...], *, first_only: bool = False, states_most: int = 1 << 30
) -> Result:
    """Explore one assignment."""
    return Explorer(module, limits, first_only=first_only, states_most=states_most).run()


def _shipped(limits: tuple[int, ...]) -> Result:
    return explore(shipped, limits)


def explore_all(assignments: Iterable[tuple[int, ...]], workers: int = 0) -> Iterator[Result]:
    """Explore several assignments of the shipped module, the longest first; yield each as soon as it is done."""
    yield from crew(_shipped, sorted(assignments, key=sum, reverse=True), workers)


def idle_laws(results: Iterable[Result]) -> list[str]:
    """Return the laws that nothing exercised: each is a failure of the exploration."""
    found = list(results)
    names = [law.name for law in LAWS] + list(WHOLE)
    return [name for name in names if not any(each.exercised.get(name) for each in found)]
