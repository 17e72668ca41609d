"""The board's codes and a plan's steps, as words of the live display and of a call's result. Pure."""

from __future__ import annotations

from demo_ctl.plan.model import Plan


def word(words: tuple[str, ...], code: int) -> str:
    """Return the word of a code, or the code itself where newer firmware sends one that is not known here."""
    return words[code] if code < len(words) else f"code {code}"


def label(plan: Plan, index: int) -> str:
    """Return what a step of the timeline is called."""
    steps = plan.timeline.steps
    return steps[index].label if index < len(steps) else f"step {index}"


def in_script(plan: Plan, index: int) -> str:
    """Return where in its script a step comes from, in brackets; "" where that is not known."""
    steps = plan.timeline.steps
    return f" ({steps[index].place})" if index < len(steps) and steps[index].place.file else ""
