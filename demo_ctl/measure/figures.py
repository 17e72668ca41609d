"""Small words of every measurement: not reached, not measured, a time with its doubt."""

from __future__ import annotations

from collections.abc import Iterable
from math import sqrt

from demo_ctl.measure.model import Measurement
from demo_ctl.plan.model import Expectation
from demo_ctl.terms.quantity import Quantity
from demo_ctl.terms.window import Window

#: Why a figure cannot be trusted where raw edges are missing.
LOST = "edges were dropped here by the board's rate limit"


def not_reached(expectation: Expectation) -> Measurement:
    """The call ended before this check's turn."""
    return Measurement(expectation.id, None, reached=False, reason="the call did not get that far")


def not_measured(expectation: Expectation, reason: str, evidence: Iterable[int] = ()) -> Measurement:
    """The call got there, but the figure could not be had."""
    return Measurement(expectation.id, None, reached=True, evidence=tuple(evidence), reason=reason)


def time_ms(
    expectation: Expectation, value_us: float, doubts_us: Iterable[float], evidence: Iterable[int], detail: str = ""
) -> Measurement:
    """A time in milliseconds; doubts are independent standard uncertainties, combined in quadrature."""
    u_us = sqrt(sum(doubt * doubt for doubt in doubts_us))
    quantity = Quantity(value_us / 1000, "ms", u_us / 1000)
    return Measurement(expectation.id, quantity, reached=True, evidence=tuple(evidence), detail=detail)


def count(expectation: Expectation, value: int, evidence: Iterable[int], detail: str = "") -> Measurement:
    """A whole number, in the unit of the expectation's window; it has no uncertainty."""
    quantity = Quantity(float(value), expectation.window.unit)
    return Measurement(expectation.id, quantity, reached=True, evidence=tuple(evidence), detail=detail)


def room(window: Window, value: float) -> float:
    """How far inside the window a value lies (negative: outside), so that the least is the worst."""
    low = value - window.low if window.low is not None else float("inf")
    high = window.high - value if window.high is not None else float("inf")
    return min(low, high)


def surely_outside(expectation: Expectation, least_us: float) -> bool:
    """Whether a time that is at least so long is too long already."""
    high = expectation.window.high
    return high is not None and least_us / 1000 > high
