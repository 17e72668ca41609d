"""How a performed call was over: for the show's machine and for the exhibit's, each with words for people. Pure."""

from __future__ import annotations

from demo_ctl.run.result import CallResult, Status
from demo_ctl.show import engine, exhibit_model
from demo_ctl.terms.outcome import Outcome


def in_a_show(result: CallResult) -> tuple[engine.How, str]:
    """How a call of a show was over, and why, for the presenter."""
    if result.status is Status.FINISHED:
        failed = _failed(result)
        return engine.How.WELL, f"The call went through, and {failed}." if failed else ""
    if result.status is Status.TRIPPED:
        return engine.How.UNSAFE, str(result.error or result.reason)
    if result.status is Status.INTERRUPTED and result.judgement is None:
        return engine.How.STOPPED, ""  # before it was begun: there is nothing to release
    if result.status is Status.LINK_LOST or not result.released:
        return engine.How.LOST, f"The call failed: {result.reason}."
    if result.status is Status.INTERRUPTED:
        return engine.How.STOPPED, ""
    return engine.How.BADLY, f"The call failed: {result.reason}."


def in_an_exhibit(result: CallResult) -> tuple[exhibit_model.How, str]:
    """How a call of an exhibit's button was over, and why, for whoever is in charge."""
    if result.status is Status.TRIPPED:
        return exhibit_model.How.TRIPPED, result.error.what if result.error is not None else result.reason
    if result.status is Status.LINK_LOST or not result.released:
        return exhibit_model.How.LOST, f"The last call failed: {result.reason}."
    if result.status is Status.INTERRUPTED:
        return exhibit_model.How.STOPPED, ""
    if result.status is not Status.FINISHED:
        return exhibit_model.How.BADLY, f"The last call failed: {result.reason}."
    failed = _failed(result)
    if not failed:
        return exhibit_model.How.WELL, ""
    return exhibit_model.How.BADLY, f"The last call went through, and {failed}."


def _failed(result: CallResult) -> str:
    """How many of a call's checks failed, and the first of them; empty: none."""
    failed = [each for each in result.judgement.verdicts if each.outcome is Outcome.FAIL] if result.judgement else []
    if not failed:
        return ""
    checks = "1 check" if len(failed) == 1 else f"{len(failed)} checks"
    return f"{checks} failed: {failed[0].title}"
