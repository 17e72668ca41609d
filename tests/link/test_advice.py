"""Advice for every code a board can give."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.link.advice import ANSWERS, KEY, REASONS, Advice, of_answer, of_reason
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
    """Every reason of the guard and of the supply, and none that a host, a cable or a plan's own end brings about."""
    others = {code for code, advice in REASONS.items() if not advice.trip}
    assert others == {
        m.R_NONE,
        m.R_STOP,
        m.R_SILENCE,
        m.R_LIMIT,
        m.R_OVERFLOW,
        m.R_LATE,
        m.R_ENDED,
        m.R_NEW_HELLO,
        m.R_LEASE,
        # These end a plan in order, or refuse a window: nothing latches.
        m.R_PRESENCE,
        m.R_COVERS,
        m.R_NIGHT_LOST,
        m.R_PLACE,
        m.R_VISITORS,
        m.R_NOT_ARMED,
        m.R_CHAIN,  # while ringing is allowed it trips; else it only keeps ringing from being let on
    }


@pytest.mark.parametrize("code", [m.R_UNEXPECTED_RINGING, m.R_BUS, m.R_NO_SILENCE])
def test_what_does_not_come_through_the_guard_is_isolated_by_the_key(code: int) -> None:
    """Facts and design: the guard cannot take away what does not come through it; the isolating contactor can."""
    assert "Keep hands off" in of_reason(code).advice
    assert "the key off, which isolates the ringing generator" in of_reason(code).advice
    assert KEY not in of_reason(code).next_step  # on again only when the path is found


@pytest.mark.parametrize("code", [code for code, advice in REASONS.items() if advice.trip])
def test_what_latches_says_what_resets_it_or_keeps_hands_off(code: int) -> None:
    """The key is the only way out of a trip; an advice that does not name it says what comes first."""
    text = of_reason(code).next_step.lower()
    assert KEY in text or "key off, which isolates" in text or "do not ring" in text


@settings(deadline=None)
@given(st.integers(-5, 300))
def test_any_code_gives_advice_a_person_can_use(code: int) -> None:
    """Law: never a KeyError, whatever newer firmware says, and what is not known is named by its number."""
    for advice, table in ((of_reason(code), REASONS), (of_answer(code), ANSWERS)):
        assert isinstance(advice, Advice)
        assert advice.look in advice.advice
        assert advice.next_step in advice.advice
        assert (str(code) in advice.what) == (code not in table)
