"""The laws catch mistakes: a seeded few of all single changes of the source. The command makes all of them."""

from __future__ import annotations

import ast
from collections import Counter

import pytest

from demo_ctl.safety.mutants import changed, mutants, some
from demo_ctl.safety.mutate import CAUGHT, EQUIVALENT, MODULES, SURVIVED, WORDS, fate_of, source_of, words_for

FEW = {"interlock": 5, "budget": 3, "bus": 4, "permit": 6, "petition": 3}


@pytest.mark.parametrize("name", MODULES)
def test_no_mistake_of_a_seeded_few_survives(name: str) -> None:
    fates = [fate_of(name, mutant) for mutant in some(mutants(source_of(name)), FEW[name], seed=4)]
    assert [fate.mutant for fate in fates if fate.fate == SURVIVED] == []
    assert sum(fate.fate == CAUGHT for fate in fates) > len(fates) // 2
    assert all(fate.by for fate in fates)


def test_a_change_that_makes_no_difference_is_proven_so() -> None:
    idle = next(each for each in mutants(source_of("permit")) if each.says == "0 -> 1" and words_for("permit", each))
    fate = fate_of("permit", idle)
    assert fate.fate == EQUIVALENT
    assert "pairs of states" in fate.by
    assert fate.words


@pytest.mark.parametrize("name", MODULES)
def test_each_change_is_one_change_and_different_from_what_was(name: str) -> None:
    source = source_of(name)
    as_it_is = ast.unparse(ast.parse(source))
    found = mutants(source)
    assert [each.number for each in found] == list(range(len(found)))
    for mutant in some(found, 40, seed=1):
        text = ast.unparse(changed(source, mutant.number))
        assert text != as_it_is, mutant
        lines, were = Counter(text.splitlines()), Counter(as_it_is.splitlines())
        assert lines - were or were - lines, mutant


def test_the_words_are_about_changes_that_there_are() -> None:
    for name, where, says, why in WORDS:
        assert any(words_for(name, each) == why for each in mutants(source_of(name))), (name, where, says)
