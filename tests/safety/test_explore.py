"""The exhaustive exploration of the interlock and its watches: a few assignments of limits, everything else whole."""

from __future__ import annotations

import random
from itertools import combinations
from types import ModuleType
from typing import Any

import pytest

from demo_ctl.board import interlock
from demo_ctl.safety.explore import FAULT, NAMES, QUICK, Explorer, Machine, explore, full, idle_laws
from demo_ctl.safety.laws import LAWS, WHOLE
from demo_ctl.safety.probe import Probe, explore_watch, fresh
from demo_ctl.safety.vectors import ALL, COUNT, Way, Word, closed_under
from demo_ctl.safety.watches import WATCHES


def test_every_law_holds_in_every_transition_and_each_is_exercised() -> None:
    results = [explore(interlock, limits) for limits in QUICK]
    for limits, result in zip(QUICK, results, strict=True):
        assert result.violations == 0, result.told
        assert result.closed
        assert result.transitions == result.states * COUNT * 2 * (max(limits) + 2)
        assert result.states > 300
    assert idle_laws(results) == []
    assert len(results[0].exercised) == len(LAWS) + len(WHOLE)


@pytest.mark.parametrize("probe", WATCHES, ids=lambda probe: probe.name)
def test_every_law_of_a_watch_holds_in_every_transition(probe: type[Probe]) -> None:
    result = explore_watch(probe(fresh(probe.module, **probe.constants)))
    assert result.violations == 0, result.told
    assert result.idle() == []


def test_the_full_exploration_has_each_two_limits_in_each_sensible_two_values() -> None:
    assignments = full()
    pairs = {(a, x[a], b, x[b]) for x in assignments for a, b in combinations(range(len(NAMES)), 2)}
    wanted = {
        (a, one, b, other)
        for a, b in combinations(range(len(NAMES)), 2)
        for one in range(1, 5)
        for other in range(1, 5)
        if not ((NAMES[a], NAMES[b]) in (("pump", "loop"), ("hold", "drop")) and one > other)
    }
    assert pairs == wanted
    assert all(x[0] <= x[1] and x[3] <= x[4] for x in assignments)


def _after(machine: Machine, state: tuple[Any, ...], elapsed: int, facts: Any, fault: int) -> tuple[Any, ...]:
    machine.put(state)
    moves = machine.it.step(elapsed, facts, fault)
    after = machine.take()
    return after, moves, machine.it.wait_us


def test_vectors_taken_together_do_what_each_does_alone() -> None:
    """From each state, one random time step and fault: all 1024 vectors one by one, with plain integers."""
    limits = QUICK[0]
    explorer = Explorer(interlock, limits)
    explorer.run()
    machine = Machine(interlock, limits)
    chance = random.Random(1)
    way = Way()
    for state, _ in explorer.states():
        elapsed, fault = chance.randrange(max(limits) + 2), chance.choice((0, FAULT))
        alone = [_after(machine, state, elapsed, vector, fault) for vector in range(COUNT)]
        remaining = ALL
        while remaining:
            vector = (remaining & -remaining).bit_length() - 1
            way.bits = remaining
            together = _after(machine, state, elapsed, Word(vector, way), fault)
            for each in range(COUNT):
                if way.bits >> each & 1:
                    assert alone[each] == together
            remaining &= ~way.bits


def test_a_plain_exploration_comes_to_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """Few vectors (mirrors and bus at one, and host and supply), so that plain integers are quick enough."""
    import demo_ctl.safety.explore as module

    tied = (interlock.DOWN, interlock.FIT | interlock.BEAT | interlock.RUN)
    few = sum(1 << v for v in range(COUNT) if all(v & each in (0, each) for each in tied))
    monkeypatch.setattr(module, "ALL", few)
    together = Explorer(interlock, QUICK[0]).run()
    plain = Explorer(interlock, QUICK[0], plain=True).run()
    assert (plain.states, plain.transitions, plain.broken) == (together.states, together.transitions, together.broken)
    named = [law.name for law in LAWS]
    assert [plain.exercised[n] for n in named] == [together.exercised[n] for n in named]
    assert plain.classes > together.classes


def test_which_facts_a_set_of_vectors_cares_for() -> None:
    assert closed_under(ALL, 512)
    assert not closed_under(sum(1 << v for v in range(COUNT) if v & 64), 64)
    assert closed_under(sum(1 << v for v in range(COUNT) if v & 64), 128)
    assert not closed_under(1, 1)


def _with(source: str, become: str) -> ModuleType:
    from pathlib import Path

    text = Path(interlock.__file__).read_text(encoding="utf-8")
    assert text.count(source) == 1
    return fresh(interlock, text.replace(source, become))


@pytest.mark.parametrize(
    ("source", "become", "law"),
    [
        ("            if not facts & BEAT:\n                return R_SILENCE\n", "", "pump needs all"),
        ("if self.age_us >= times.prove_us:", "if True:", "proven before armed"),
        (
            "            elif self.seen:\n                self._watch",
            "            elif True:\n                self._watch",
            "tripped until the key",
        ),
        ("        self.key_us = min(self.key_us, 0)\n", "", "tripped until the key"),
        ("                self._watch(G_TRIPPED, 0, facts)\n", "", "extra calls"),
        ("self.wait_us = times.pump_us - self.pumped_us", "self.wait_us = times.pump_us", "nothing before wait"),
        (
            "            if self.key:\n                self.seen = True\n            elif",
            "            if",
            "no dead end",
        ),
    ],
)
def test_a_machine_that_is_wrong_is_found_out(source: str, become: str, law: str) -> None:
    result = explore(_with(source, become), (2, 2, 1, 1, 1, 1, 1, 1, 1))
    assert result.violations
    assert result.broken.get(law), result.broken


def test_a_law_that_nothing_exercised_is_told() -> None:
    result = explore(interlock, QUICK[0])
    result.exercised["pump only live"] = 0
    assert idle_laws([result]) == ["pump only live"]
