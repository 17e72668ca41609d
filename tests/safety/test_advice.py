"""Advice for every code a board can give."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.safety.advice import ANSWERS, REASONS, error_of_answer, error_of_reason, of_answer, of_reason
from demo_ctl.terms.errors import DemoError, LinkError, Place, TripError
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m


def test_every_code_of_the_table_has_its_advice() -> None:
    """A code added to the wire without advice is found here."""
    assert sorted(REASONS) == sorted(getattr(m, name) for name in dir(m) if name.startswith("R_") and name != "R_NAMES")
    assert sorted(ANSWERS) == sorted([m.OK, *(getattr(m, name) for name in dir(m) if name.startswith("E_"))])
    assert len(REASONS) == len(m.R_NAMES)
    assert len(ANSWERS) == len(m.ANSWERS)


@pytest.mark.parametrize("advice", [*REASONS.values(), *ANSWERS.values()], ids=lambda advice: advice.what[:30])
def test_each_says_what_where_and_what_next(advice: object) -> None:
    for text in (advice.what, advice.look, advice.next_step):  # type: ignore[attr-defined]
        assert len(text) > 8
        assert text == text.strip()
    assert advice.next_step.endswith(".")  # type: ignore[attr-defined]


def test_trips_are_those_that_keep_people_safe() -> None:
    trips = {code for code, advice in REASONS.items() if advice.trip}
    assert trips == {m.R_WINDOW, m.R_CHAIN, m.R_UNEXPECTED_RINGING}
    error = error_of_reason(m.R_UNEXPECTED_RINGING)
    assert isinstance(error, TripError)
    assert error.exit_code is Exit.SAFETY_TRIP
    # Facts and design: what does not come through the guard, the guard cannot take away.
    assert "generator by hand" in error.next_step


@settings(deadline=None)
@given(st.integers(-5, 300))
def test_any_code_gives_an_error_a_person_can_use(code: int) -> None:
    """Law: never a KeyError, whatever newer firmware says; exit codes 3 or 4 only."""
    where = Place("call.yaml", 3)
    for error in (error_of_reason(code, where), error_of_answer(code, where)):
        assert isinstance(error, DemoError)
        assert error.exit_code in (Exit.BOARD_TROUBLE, Exit.SAFETY_TRIP)
        assert str(error).startswith("call.yaml:3: ")
        assert error.next_step
    assert isinstance(error_of_answer(code), LinkError)
    if code not in REASONS:
        assert str(code) in of_reason(code).what
    if code not in ANSWERS:
        assert str(code) in of_answer(code).what
