"""Verdicts."""

from __future__ import annotations

from dataclasses import dataclass

from demo_ctl.plan.model import Check
from demo_ctl.terms.errors import Place
from demo_ctl.terms.outcome import Outcome
from demo_ctl.terms.quantity import Quantity
from demo_ctl.terms.window import Window


@dataclass(frozen=True)
class Verdict:
    """One check's outcome. say: one plain sentence (which, by how much, or why not measured).

    left_out: the plan left it out on purpose, so that it is not run; `say` has the reason.
    """

    expectation: str
    check: Check
    title: str
    outcome: Outcome
    required: bool
    quantity: Quantity | None
    window: Window
    say: str
    place: Place
    evidence: tuple[int, ...] = ()
    left_out: bool = False


@dataclass(frozen=True)
class Judgement:
    """All verdicts of a call, and whether the call as a whole passed.

    passed: no check failed, and every required check was measured.
    """

    verdicts: tuple[Verdict, ...]
    passed: bool
