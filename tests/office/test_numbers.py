"""Letters to digits, digits to pulses: laws and refusals."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.office.numbers import HOLES, LETTERS, PULSES, digit_of, digit_sent, digits_of, pulses_of, train_of

PLANS = st.sampled_from(sorted(LETTERS))
SCHEMES = st.sampled_from(sorted(PULSES))
DIGITS = st.text(HOLES, min_size=1, max_size=12)


@given(PLANS, DIGITS)
@settings(deadline=None)
def test_digits_stand_for_themselves(plan: str, digits: str) -> None:
    assert digits_of(digits, plan) == digits


@given(PLANS, DIGITS, st.data())
@settings(deadline=None)
def test_spaces_hyphens_and_brackets_are_not_dialled(plan: str, digits: str, data: st.DataObject) -> None:
    gaps = [data.draw(st.sampled_from(["", " ", "-", ".", " (", ") "])) for _ in digits]
    assert digits_of("".join(gap + digit for gap, digit in zip(gaps, digits, strict=True)), plan) == digits


@given(PLANS, st.data())
@settings(deadline=None)
def test_every_letter_on_a_hole_dials_that_hole_whatever_small_letters_follow(plan: str, data: st.DataObject) -> None:
    hole = data.draw(st.sampled_from([n for n in range(10) if LETTERS[plan][n]]))
    letter = data.draw(st.sampled_from(LETTERS[plan][hole]))
    rest = data.draw(st.text("abcdefghijklmnopqrstuvwxyz", max_size=8))
    assert digits_of(letter + rest, plan) == HOLES[hole] == digit_of(letter, plan)


@given(SCHEMES, st.sampled_from(HOLES))
@settings(deadline=None)
def test_pulses_come_back_as_the_digit(scheme: str, digit: str) -> None:
    pulses = pulses_of(digit, scheme)
    assert 1 <= pulses <= 10
    assert digit_sent(pulses, scheme) == digit


@given(SCHEMES, DIGITS, DIGITS)
@settings(deadline=None)
def test_a_train_is_digit_after_digit(scheme: str, one: str, two: str) -> None:
    assert train_of(one + two, scheme) == train_of(one, scheme) + train_of(two, scheme)


@given(PLANS)
@settings(deadline=None)
def test_no_letter_is_on_two_holes(plan: str) -> None:
    letters = "".join(LETTERS[plan])
    assert len(letters) == len(set(letters))
    assert len(LETTERS[plan]) == 10


@pytest.mark.parametrize("text", ["Queen 5", "Zenith 3", "Q", "Z"])
def test_letters_on_no_hole_are_refused_not_guessed(text: str) -> None:
    with pytest.raises(ValueError, match="is on no hole of the north american dial"):
        digits_of(text)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("klondike 5", "such as 'KL'|such as 'KLondike'"),
        ("kLondike 5", "as capitals"),
        ("", "no digit"),
        (" - ", "no digit"),
        ("5*3", r"found '\*'"),
        ("5\n3", "found"),
        ("٣", "found"),  # a digit, but on no dial of ours
        ("é5", "found"),
    ],
)
def test_other_writings_are_refused_in_words(text: str, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        digits_of(text)


@given(st.text(max_size=30), PLANS)
@settings(deadline=None)
def test_any_text_is_digits_or_a_value_error(text: str, plan: str) -> None:
    try:
        digits = digits_of(text, plan)
    except ValueError:
        return
    assert digits
    assert set(digits) <= set(HOLES)


@pytest.mark.parametrize("digit", ["", "10", "x", "٣"])
def test_one_digit_at_a_time(digit: str) -> None:
    with pytest.raises(ValueError, match="one digit"):
        pulses_of(digit)


@pytest.mark.parametrize("pulses", [0, 11, -1])
def test_no_digit_sends_so_many(pulses: int) -> None:
    with pytest.raises(ValueError, match="no digit sends"):
        digit_sent(pulses)
