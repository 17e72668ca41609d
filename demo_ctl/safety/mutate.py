"""Do the laws catch mistakes? Each single change of the machine's source is explored like the machine itself.

A mutant is *caught* when a law is violated; or when it breaks down or comes to no end; or, for what no exploration
with limits of a few ticks can see, when the real limits are not what they should be (boundaries.py). A mutant that no
law catches is put beside the shipped module, and both are given every input from the same beginning: if they show the
same in every pass that can be reached, the change is no mistake, and the mutant is *equivalent*: the proof is computed,
within the limits explored, and the reason is said in words (WORDS). What is left has *survived*: a law is missing.
"""

from __future__ import annotations

import ast
import signal
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType, ModuleType
from typing import Any

from demo_ctl.board import budget, bus, interlock, permit, petition
from demo_ctl.safety.boundaries import BOUNDARIES
from demo_ctl.safety.crew import crew
from demo_ctl.safety.explore import FAULT, QUICK, Machine, explore
from demo_ctl.safety.mutants import Mutant, changed, mutants, some
from demo_ctl.safety.probe import Probe, explore_watch, fresh
from demo_ctl.safety.vectors import ALL, Way, Word
from demo_ctl.safety.watches import WATCHES
from demo_ctl.wire import messages as m

MODULES: dict[str, ModuleType] = {
    "interlock": interlock,
    "budget": budget,
    "bus": bus,
    "permit": permit,
    "petition": petition,
}
#: Assignments that a mutant of the interlock must pass to survive, easiest first: every two limits differ in one.
MUST_PASS = (*QUICK[:2], (1, 2, 3, 2, 4, 3, 2, 4, 1), (2, 3, 1, 1, 3, 3, 4, 2, 2))
PAIRS_MOST = 50_000  # more pairs of states than these are no proof
LONGEST_S = 300  # one mutant; the longest that is caught or proven takes a tenth

#: How the statement begins that holds the figures of the interlock.
TIMES = "def __init__(self, pump_us="
REAL_LIMITS, BREAKS, NO_END = "real limits", "breaks down", "comes to no end"

CAUGHT, EQUIVALENT, SURVIVED = "caught", "equivalent", "survived"


class TooLong(Exception):
    """It does not come to an end."""


@dataclass(frozen=True)
class Fate:
    """What became of one mutant. by: the law, or the proof; words: why it is equivalent."""

    module: str
    mutant: Mutant
    fate: str
    by: str
    words: str = ""


@contextmanager
def _no_longer_than(seconds: int) -> Iterator[None]:
    def stop(_number: int, _frame: FrameType | None) -> None:
        raise TooLong

    # Time of the processor, not of the wall: a busy machine makes no mutant endless.
    before = signal.signal(signal.SIGVTALRM, stop)
    signal.setitimer(signal.ITIMER_VIRTUAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)


def source_of(name: str) -> str:
    """Return the source of one of MODULES."""
    file = MODULES[name].__file__
    assert file is not None
    return Path(file).read_text(encoding="utf-8")


def fate_of(name: str, mutant: Mutant) -> Fate:
    """Explore one mutant; return what became of it."""
    tree = changed(source_of(name), mutant.number)
    try:
        with _no_longer_than(LONGEST_S):
            figure = is_figure(name, mutant)
            by = "" if figure else _caught_by(name, tree, MUST_PASS[:2])
            by = by or _off_limits(name, tree)
            if by:
                return Fate(name, mutant, CAUGHT, by)
            if figure:
                return Fate(name, mutant, SURVIVED, "")
            # What shows the same everywhere breaks no law that the shipped module keeps.
            proof = _alike(name, tree)
            if not proof and name == "interlock":
                by = _caught_by(name, tree, MUST_PASS[2:])
    except TooLong:
        by = NO_END
    if by:
        return Fate(name, mutant, CAUGHT, by)
    if proof:
        return Fate(name, mutant, EQUIVALENT, proof, words_for(name, mutant))
    return Fate(name, mutant, SURVIVED, "")


def is_figure(name: str, mutant: Mutant) -> bool:
    """Return whether it changes a figure that every exploration replaces by ticks: only the real limits can tell."""
    if name == "interlock":
        return mutant.where.startswith(TIMES)
    replaced = {constant for probe in _probes(name) for constant in probe.constants}
    return mutant.where.split(" = ")[0] in replaced


def _off_limits(name: str, tree: ast.Module) -> str:
    """Return which real limit is not what it should be, or nothing."""
    try:
        module = fresh(MODULES[name], tree)
        for boundaries in BOUNDARIES:
            if boundaries.module is MODULES[name]:
                found = next(iter(boundaries.check(module)), "")
                if found:
                    return f"{REAL_LIMITS}: {found.split(':')[0]}"
    except TooLong:
        raise
    except Exception as error:  # whatever a mutant does
        return f"{BREAKS} ({type(error).__name__})"
    return ""


def _caught_by(name: str, tree: ast.Module, assignments: tuple[tuple[int, ...], ...]) -> str:
    """Return which law catches it, or that it breaks down; nothing: none does. assignments: for the interlock."""
    try:
        module = fresh(MODULES[name], tree)
        if name == "interlock":
            for limits in assignments:
                result = explore(module, limits, first_only=True, states_most=20_000)
                if result.violations:
                    return result.told[0].split(":")[0]
            return ""
        for probe in _probes(name):
            watched = explore_watch(probe(fresh(MODULES[name], tree, **probe.constants)), True, 20_000)
            if watched.violations:
                return watched.told[0].split(":")[0]
    except TooLong:
        raise
    except Exception as error:  # whatever a mutant does
        return f"{BREAKS} ({type(error).__name__})"
    return ""


def _probes(name: str) -> Iterator[type[Probe]]:
    return (probe for probe in WATCHES if probe.module is MODULES[name])


def _alike(name: str, tree: ast.Module) -> str:
    """Return the proof that the mutant shows the same as the shipped module in every pass, or nothing."""
    pairs = 0
    if name == "interlock":
        for limits in MUST_PASS:
            found = _lockstep(Machine(interlock, limits), Machine(fresh(interlock, tree), limits), max(limits))
            if not found:
                return ""
            pairs += found
    else:
        for probe in _probes(name):
            shipped = probe(fresh(MODULES[name], **probe.constants))
            found = _lockstep_watch(shipped, probe(fresh(MODULES[name], tree, **probe.constants)))
            if not found:
                return ""
            pairs += found
    return f"shows the same in every pass from {pairs:,} pairs of states"


def _lockstep(shipped: Machine, mutant: Machine, longest: int) -> int:
    """Give both every input from boot on; return how many pairs of states there are, 0 if they ever differ."""
    begin = (shipped.begin, mutant.begin)
    known = {begin}
    todo = [begin]
    way = Way()
    while todo:
        if len(known) > PAIRS_MOST:
            return 0
        pair = todo.pop()
        for fault in (m.R_NONE, FAULT):
            for elapsed in range(longest + 2):
                remaining = ALL
                while remaining:
                    vector = (remaining & -remaining).bit_length() - 1
                    way.bits = remaining
                    shown = []
                    after = []
                    for machine, state in zip((shipped, mutant), pair, strict=True):
                        machine.put(state)
                        moves = machine.it.step(elapsed, Word(vector, way), fault)
                        after.append(machine.take())
                        it = machine.it
                        shown.append((bool(moves), it.state, it.reason, it.wait_us))
                    if shown[0] != shown[1]:
                        return 0
                    remaining &= ~way.bits
                    new = (after[0], after[1])
                    if new not in known:
                        known.add(new)
                        todo.append(new)
    return len(known)


def _lockstep_watch(shipped: Probe, mutant: Probe) -> int:
    """The same for a watch."""
    begin: Any = (shipped.begin, mutant.begin, shipped.notes())
    known = {begin}
    todo = [begin]
    while todo:
        if len(known) > PAIRS_MOST:
            return 0
        state, other, notes = todo.pop()
        shipped.put(state)
        for action in list(shipped.actions(notes)):
            shipped.put(state)
            mutant.put(other)
            answer, answered = shipped.act(action), mutant.act(action)
            if answer != answered or shipped.shows() != mutant.shows():
                return 0
            new = (shipped.take(), mutant.take(), shipped.next_notes(notes, action, answer))
            if new not in known:
                known.add(new)
                todo.append(new)
    return len(known)


def words_for(name: str, mutant: Mutant) -> str:
    """Return why this mutant is equivalent, in words, as far as somebody has written it down."""
    for module, where, says, why in WORDS:
        if module == name and mutant.where.startswith(where) and mutant.says.startswith(says):
            return why
    return ""


def by_what(fate: Fate) -> str:
    """Return by what a caught mutant was caught: a law of the exploration, the real limits, or itself."""
    for other in (REAL_LIMITS, BREAKS, NO_END):
        if fate.by.startswith(other):
            return other
    return "laws"


#: (module, how the statement begins, how the change begins, why it makes no difference).
WORDS: tuple[tuple[str, str, str, str], ...] = (
    (
        "petition",
        "self._part_us = 0",
        "",
        "It is kept below one unit; of a session that was never begun nothing is asked.",
    ),
    ("petition", "return MODE_NIGHT", "return MODE_NIGHT -> return 1", "It is that number."),
    ("petition", "return True", "return True ->", "Whoever asks wants to know no more than yes or no."),
    ("petition", "return False", "return False ->", "Whoever asks wants to know no more than yes or no."),
    (
        "petition",
        "self._ours = False",
        "",
        "Nothing asks for it while there is no window, and opening one sets it.",
    ),
    ("petition", "self._ends_us = 0", "", "Nothing asks for it while there is no window, and opening one sets it."),
    (
        "petition",
        "if longest_us < self._ends_us",
        "longest_us < self._ends_us -> longest_us <=",
        "Where the two are equal, it is the same number whichever is kept.",
    ),
    (
        "petition",
        "if not inputs & IN_KEY or self._session >= session_most",
        "self._session >= session_most -> self._session >",
        "Where the two are equal, nothing is left whichever way it is worked out.",
    ),
    ("petition", "if self._session < SESSION_MOST", "", "Of a session that has reached the most, the most stays."),
    (
        "petition",
        "self._release_us = self._release_us - elapsed_us",
        "elapsed_us < self._release_us -> elapsed_us <=",
        "Where the two are equal, nothing is left whichever way it is worked out.",
    ),
    (
        "petition",
        "if self.port:",
        "if self.port: -> always yes",
        "Without a window it would close what is closed.",
    ),
    (
        "petition",
        "return self.port != 0 and (not live)",
        "",
        "Without a window there is no age of one: it is kept at 0.",
    ),
    (
        "interlock",
        "self.age_us = 0",
        "0 ->",
        "Nothing asks for the age of LOCKED, and every other state begins its own.",
    ),
    ("interlock", "self.pumped_us = 0", "", "The pass that enters LIVE moves the pump and begins this anew."),
    (
        "interlock",
        "self._watch(G_TRIPPED, 0, facts)",
        "",
        "The trip has taken both counts away: whatever state and time they begin with, they begin at 0.",
    ),
    (
        "interlock",
        "if not self.seen and self.apart_us < 0",
        "",
        "Where the count is 0 already, it is set to what it is.",
    ),
    (
        "interlock",
        "if state != self.state:",
        "if state != self.state: -> always yes",
        "Nothing goes to the state that it is in.",
    ),
    (
        "interlock",
        "if wait_us < self.wait_us",
        "wait_us < self.wait_us -> wait_us <=",
        "Where the two are equal, it is the same number whichever is kept.",
    ),
    ("interlock", "return False", "return False ->", "Whoever asks wants to know no more than yes or no."),
    (
        "interlock",
        "return R_NONE",
        "return R_NONE -> left out",
        "Whoever asks wants to know only whether there is a reason, and which.",
    ),
    (
        "interlock",
        "return age_us if age_us <= most_us",
        "",
        "Nothing asks more of an age than whether it has reached a limit, and no limit is above its most.",
    ),
    ("interlock", "self.seen = False", "False ->", "LOCKED does not ask for it, and every way out of LOCKED sets it."),
    (
        "interlock",
        "self._wake(times.pull_us - self.age_us)",
        "times.pull_us - self.age_us ->",
        "It says when to be called again at the latest; the pump's own time calls within one move.",
    ),
    (
        "permit",
        "return R_NONE",
        "return R_NONE -> left out",
        "Whoever asks wants to know only whether there is a reason, and which.",
    ),
    ("permit", "self._left_us = 0", "", "Nothing asks what is left of a lease that is not held."),
    (
        "bus",
        "by_peak_mV = ",
        "battery_mV < PEAK_MOST_MV -> battery_mV <=",
        "Where the two are equal, nothing is left whichever way it is worked out.",
    ),
    ("bus", "self._fed_us = -1", "", "Any number below zero says the same: not so."),
    (
        "bus",
        "return by_peak_mV if by_peak_mV < limit_mV else limit_mV",
        "by_peak_mV < limit_mV ->",
        "Where the two are equal, it is the same number whichever is returned.",
    ),
)


def _one(job: tuple[str, Mutant]) -> Fate:
    return fate_of(*job)


def mutate(jobs: Sequence[tuple[str, Mutant]], workers: int = 0) -> Iterator[Fate]:
    """Yield the fate of every (module, mutant), in their order."""
    yield from crew(_one, jobs, workers, chunk=4)


def all_jobs(names: Iterable[str] = tuple(MODULES), count: int = 0, seed: int = 0) -> list[tuple[str, Mutant]]:
    """Return every mutant of these modules, or `count` of each module's, chosen by the seed."""
    return [
        (name, mutant)
        for name in names
        for found in (mutants(source_of(name)),)
        for mutant in (some(found, count, seed) if count else found)
    ]
