"""Measurements against windows. Pure.

The guard band is the expanded uncertainty U = 2u (facts Q60, Q61: JCGM 100 and 106, from memory). Inside the window
by at least U: pass, with at most 2.3 % chance of a false one. Outside by more than U: fail. In between nobody can
tell: marginal. Counts have no uncertainty, so for them there is no marginal.
"""

from __future__ import annotations

from demo_ctl.judge.model import Judgement, Verdict
from demo_ctl.measure.model import Measurement
from demo_ctl.plan.model import Check, Expectation, Plan
from demo_ctl.terms.outcome import Outcome
from demo_ctl.terms.quantity import Quantity
from demo_ctl.terms.window import Window

#: U = COVERAGE * u.
COVERAGE = 2.0


def expanded(quantity: Quantity) -> float:
    """Return U, the half width of about 95 % of what the true value may be, in the quantity's unit."""
    return COVERAGE * quantity.u


def outcome_of(quantity: Quantity, window: Window) -> Outcome:
    """Return PASS, MARGINAL or FAIL for a measured value."""
    guard = expanded(quantity)
    inside = inside_by(quantity.value, window)
    if inside >= guard:
        return Outcome.PASS
    return Outcome.FAIL if -inside > guard else Outcome.MARGINAL


def inside_by(value: float, window: Window) -> float:
    """Return how far a value lies from the window's nearest edge: positive inside, negative outside."""
    low = float("inf") if window.low is None else value - window.low
    high = float("inf") if window.high is None else window.high - value
    return min(low, high)


def number(value: float) -> str:
    """Write a figure for people: about four digits, never an exponent."""
    text = f"{value:.0f}" if abs(value) >= 100 else f"{value:.1f}" if abs(value) >= 10 else f"{value:.2f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text


def amount(value: float, unit: str) -> str:
    """Write a figure with its unit, as people say it."""
    if unit == "ms" and abs(value) >= 10_000:
        return f"{number(value / 1000)} s"
    if value == 1 and unit in ("rings", "pulses", "reversals"):
        unit = unit[:-1]
    return f"{number(value)} {unit}".strip()


def _allowed(window: Window) -> str:
    unit = window.unit
    if window.low is None and window.high is None:
        return "any value"
    if window.low == window.high and window.low is not None:
        return f"{amount(window.low, unit)} expected"
    if window.low is None and window.high is not None:
        return f"{amount(window.high, unit)} allowed"
    if window.high is None and window.low is not None:
        return f"{amount(window.low, unit)} wanted at least"
    assert window.low is not None
    assert window.high is not None
    return f"{amount(window.low, '')} to {amount(window.high, unit)} allowed"


def _miss(value: float, window: Window) -> str:
    """Say how a value stands outside its window: `112 ms more than the 200 ms allowed`."""
    unit = window.unit
    if window.high is not None and value > window.high:
        edge, word = window.high, "more"
        limit = "expected" if window.low == window.high else "allowed"
    else:
        assert window.low is not None
        edge, word = window.low, "less"
        limit = "expected" if window.low == window.high else "wanted at least"
    by = amount(abs(value - edge), unit)
    if unit == "":
        return f"{number(edge)} {limit}"
    return f"{by} {word} than the {amount(edge, unit)} {limit}"


def _presence(expectation: Expectation) -> bool:
    """Whether the figure is a yes or a no (a tone heard, a connection held)."""
    return expectation.window.unit == ""


def _yes_or_no(expectation: Expectation, value: float) -> str:
    """Say whether a thing that is there or not is as it should be."""
    wanted = expectation.window.low == 1
    if expectation.check in (Check.TONE, Check.NO_OVERFLOW):
        fit = ", as it should be" if bool(value) == wanted else f", and it should{'' if wanted else ' not'} be"
        return ("heard" if value else "not heard") + fit
    if wanted:
        return "yes" if value else "no"
    return f"{number(value)} {'sign' if value == 1 else 'signs'} that it did not" if value else "as it should be"


def _say(expectation: Expectation, measurement: Measurement, outcome: Outcome) -> str:
    title, window, quantity = expectation.title, expectation.window, measurement.quantity
    at = f" ({measurement.detail})" if measurement.detail else ""
    source = f" ({window.source})" if window.source else ""
    if outcome is Outcome.NOT_RUN:
        return f"{title}: not run, {measurement.reason or 'the call did not get that far'}"
    if quantity is None:
        return f"{title}: not measured, {measurement.reason}"
    if _presence(expectation):
        return f"{title}: {_yes_or_no(expectation, quantity.value)}{at}{'' if outcome is Outcome.PASS else source}"
    took = f"{title}: {amount(quantity.value, quantity.unit)}{at}"
    if outcome is Outcome.PASS:
        return f"{took}, {_allowed(window)}"
    if outcome is Outcome.FAIL:
        return f"{took}, {_miss(quantity.value, window)}{source}"
    near = inside_by(quantity.value, window)
    side = "inside" if near >= 0 else "outside"
    return (
        f"{took}, {side} by {amount(abs(near), quantity.unit)} only, which the uncertainty of"
        f" ± {amount(expanded(quantity), quantity.unit)} does not settle; {_allowed(window)}{source}"
    )


def verdict(expectation: Expectation, measurement: Measurement) -> Verdict:
    """Judge one measurement."""
    quantity = measurement.quantity
    if not measurement.reached:
        outcome = Outcome.NOT_RUN
    elif quantity is None:
        outcome = Outcome.NOT_MEASURED
    else:
        if quantity.unit != expectation.window.unit:
            raise ValueError(
                f"{expectation.id}: measured in {quantity.unit!r}, its window is in {expectation.window.unit!r}"
            )
        outcome = outcome_of(quantity, expectation.window)
    return Verdict(
        expectation=expectation.id,
        check=expectation.check,
        title=expectation.title,
        outcome=outcome,
        required=expectation.required,
        quantity=quantity,
        window=expectation.window,
        say=_say(expectation, measurement, outcome),
        place=expectation.place,
        evidence=measurement.evidence,
        left_out=bool(expectation.left_out),
    )


def judge(plan: Plan, measurements: tuple[Measurement, ...]) -> Judgement:
    """Judge each measurement against its expectation, in the plan's order.

    Raises ValueError when the measurements are not this plan's: that is a fault of the program.
    """
    if tuple(each.expectation for each in measurements) != tuple(each.id for each in plan.expectations):
        raise ValueError("these measurements are not of this plan")
    verdicts = tuple(verdict(*pair) for pair in zip(plan.expectations, measurements, strict=True))
    return Judgement(verdicts, all(not spoils(each) for each in verdicts))


def spoils(each: Verdict) -> bool:
    """Whether this verdict alone keeps its call from passing: a fail, or a required figure that is missing."""
    if each.outcome is Outcome.FAIL:
        return True
    return each.required and each.outcome in (Outcome.NOT_MEASURED, Outcome.NOT_RUN)
