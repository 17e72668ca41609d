"""Verdicts: guard bands, their laws, and what they say."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.judge.judge import expanded, judge, outcome_of, spoils
from demo_ctl.judge.model import Verdict
from demo_ctl.measure.model import Measurement
from demo_ctl.plan.model import Check, Expectation, Plan, Timeline
from demo_ctl.terms.errors import Place
from demo_ctl.terms.outcome import Outcome
from demo_ctl.terms.quantity import Quantity
from demo_ctl.terms.window import Window

#: From worst to best; NOT_MEASURED and NOT_RUN never come from a figure.
ORDER = (Outcome.FAIL, Outcome.MARGINAL, Outcome.PASS)
numbers = st.floats(-1e6, 1e6)
doubts = st.floats(0, 1e4)


@st.composite
def windows(draw: st.DrawFn) -> Window:
    low = draw(st.none() | numbers)
    high = draw(st.none() | st.floats(0, 1e6).map(lambda more: more + (low or 0.0)))
    return Window(low, high, "ms", "a test")


def expectation(check: Check = Check.RING_TRIP, window: Window | None = None, **fields: object) -> Expectation:
    allowed = window if window is not None else Window(None, 200, "ms", "LSSGR, from memory")
    given_: dict[str, object] = {"id": "x", "title": "ring trip", "place": Place("call.yaml", 7)} | fields
    return Expectation(check=check, window=allowed, **given_)  # type: ignore[arg-type]


def plan_of(*expectations: Expectation) -> Plan:
    return Plan("s", "t", "u", Fraction(1), "1", "1", 1, 2, Timeline((), ()), expectations, ())


def judged(found: Measurement, wanted: Expectation | None = None) -> Verdict:
    wanted = wanted or expectation()
    return judge(plan_of(wanted), (found,)).verdicts[0]


def value(figure: float, u: float = 0.0, unit: str = "ms", **fields: object) -> Measurement:
    return Measurement("x", Quantity(figure, unit, u), True, **fields)  # type: ignore[arg-type]


@settings(deadline=None)
@given(figure=numbers, u=doubts, window=windows(), more_low=st.floats(0, 1e5), more_high=st.floats(0, 1e5))
def test_widening_a_window_never_makes_it_worse(
    figure: float, u: float, window: Window, more_low: float, more_high: float
) -> None:
    """Law: a wider window never turns a pass into anything else, nor a marginal into a fail."""
    low = None if window.low is None else window.low - more_low
    high = None if window.high is None else window.high + more_high
    wider = Window(low, high, "ms", "a test")
    quantity = Quantity(figure, "ms", u)
    assert ORDER.index(outcome_of(quantity, wider)) >= ORDER.index(outcome_of(quantity, window))


@settings(deadline=None)
@given(figure=numbers, u=doubts, more=st.floats(0, 1e4), window=windows())
def test_more_uncertainty_never_makes_a_claim(figure: float, u: float, more: float, window: Window) -> None:
    """Law: with more uncertainty there are fewer passes and fewer fails; only marginal grows."""
    before = outcome_of(Quantity(figure, "ms", u), window)
    after = outcome_of(Quantity(figure, "ms", u + more), window)
    assert after in (before, Outcome.MARGINAL)


@settings(deadline=None)
@given(figure=numbers, window=windows())
def test_without_uncertainty_there_is_no_marginal(figure: float, window: Window) -> None:
    """Law: an exact figure passes inside the window, edges included, and fails outside."""
    inside = (window.low is None or figure >= window.low) and (window.high is None or figure <= window.high)
    assert outcome_of(Quantity(figure, "ms"), window) is (Outcome.PASS if inside else Outcome.FAIL)


@pytest.mark.parametrize(
    ("figure", "outcome"),
    [
        (190.0, Outcome.PASS),  # inside by exactly U
        (190.1, Outcome.MARGINAL),
        (200.0, Outcome.MARGINAL),
        (210.0, Outcome.MARGINAL),  # outside by exactly U
        (210.1, Outcome.FAIL),
        (110.0, Outcome.PASS),
        (109.9, Outcome.MARGINAL),
        (89.9, Outcome.FAIL),
    ],
)
def test_guard_band_is_twice_the_standard_uncertainty(figure: float, outcome: Outcome) -> None:
    quantity = Quantity(figure, "ms", 5.0)
    assert expanded(quantity) == 10.0
    assert outcome_of(quantity, Window(100, 200, "ms", "a test")) is outcome


def test_a_fail_says_by_how_much_and_who_says_so() -> None:
    found = judged(value(312, 1))
    assert found.outcome is Outcome.FAIL
    assert found.say == "ring trip: 312 ms, 112 ms more than the 200 ms allowed (LSSGR, from memory)"
    assert found.place == Place("call.yaml", 7)
    low = judged(value(650, 0.1), expectation(window=Window(700, None, "ms", "this unit"), title="pause"))
    assert low.say == "pause: 650 ms, 50 ms less than the 700 ms wanted at least (this unit)"
    count = judged(
        value(3, unit="pulses"), expectation(Check.PULSES, Window(5, 5, "pulses", "E.161"), title="2nd digit")
    )
    assert count.say == "2nd digit: 3 pulses, 2 pulses less than the 5 pulses expected (E.161)"


def test_marginal_says_what_is_not_settled() -> None:
    found = judged(value(199, 3, detail="in ringing"))
    assert found.outcome is Outcome.MARGINAL
    assert "199 ms (in ringing), inside by 1 ms only" in found.say
    assert "± 6 ms does not settle" in found.say
    assert "outside by 2 ms only" in judged(value(202, 3)).say


def test_not_measured_and_not_run_are_two_words_and_no_errors() -> None:
    missing = judged(Measurement("x", None, True, reason="no dip was sensed"))
    assert (missing.outcome, missing.say) == (Outcome.NOT_MEASURED, "ring trip: not measured, no dip was sensed")
    never = judged(Measurement("x", None, False))
    assert never.outcome is Outcome.NOT_RUN
    assert "did not get that far" in never.say


@pytest.mark.parametrize(
    ("check", "wanted", "seen", "says"),
    [
        (Check.TONE, 1, 1, "heard"),
        (Check.TONE, 1, 0, "not heard, and it should be"),
        (Check.NO_OVERFLOW, 0, 1, "heard, and it should not be"),
        (Check.HELD, 0, 0, "as it should be"),
        (Check.HELD, 0, 2, "2 signs that it did not"),
    ],
)
def test_yes_and_no_in_words(check: Check, wanted: int, seen: int, says: str) -> None:
    window = Window(wanted, wanted, "", "a test")
    found = judged(value(seen, unit=""), expectation(check, window, title="it"))
    assert found.outcome is (Outcome.PASS if seen == wanted else Outcome.FAIL)
    assert says in found.say


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.sampled_from(["pass", "fail", "marginal", "missing", "never"]), st.booleans()), max_size=12)
)
def test_a_call_passes_when_nothing_failed_and_nothing_required_is_missing(rows: list[tuple[str, bool]]) -> None:
    """Law, written out anew from the model's words."""
    made = {
        "pass": value(100),
        "fail": value(900),
        "marginal": value(200, 5),
        "missing": Measurement("x", None, True, reason="r"),
        "never": Measurement("x", None, False),
    }
    wanted = plan_of(*(expectation(required=required) for _, required in rows))
    result = judge(wanted, tuple(made[word] for word, _ in rows))
    bad = any(word == "fail" or (required and word in ("missing", "never")) for word, required in rows)
    assert result.passed is not bad
    assert [spoils(verdict) for verdict in result.verdicts].count(True) == sum(
        word == "fail" or (required and word in ("missing", "never")) for word, required in rows
    )


def test_figures_of_another_plan_or_unit_are_refused() -> None:
    with pytest.raises(ValueError, match="not of this plan"):
        judge(plan_of(expectation()), ())
    with pytest.raises(ValueError, match="not of this plan"):
        judge(plan_of(expectation(id="y")), (value(1),))
    with pytest.raises(ValueError, match="window is in"):
        judge(plan_of(expectation()), (value(1, unit="pps"),))
