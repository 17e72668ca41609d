"""What it costs to leave a step out of a proving: the same as the records say of it afterwards."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from demo_ctl.link.limits import LimitsInForce
from demo_ctl.safety.leaving_out import FOR_THE_DAY, cost
from demo_ctl.safety.proof_counts import WHOLE, Wanted, best
from demo_ctl.safety.proof_store import FAILED, SKIPPED, Proving, Unread
from demo_ctl.safety.proving import OPTIONAL
from demo_ctl.safety.proving_night import NIGHT_OPTIONAL, whole
from demo_ctl.terms.errors import DemoError

DAY = timedelta(days=1)
#: When the hands of these tests prove.
NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


def of(proving: Proving, at: datetime) -> tuple[LimitsInForce, Wanted]:
    wanted = Wanted(
        board=proving.board,
        digest=proving.digest,
        unit=proving.unit,
        age=DAY,
        now=at,
        firmware=proving.firmware,
        covers=proving.covers,
        simulated=proving.simulated,
    )
    return LimitsInForce(proving.limits, int(proving.digest, 16)), wanted


def test_it_says_what_the_records_say_afterwards(
    proven: Callable[..., tuple[Proving, DemoError | None]], hands: Any
) -> None:
    before = replace(proven()[0], number=1)
    hands.at = lambda name: setattr(hands, "skips", name == "channel B alone")
    short = replace(proven()[0], number=2)
    assert [step.name for step in short.steps if step.result == SKIPPED and step.name in OPTIONAL] == [
        "channel B alone"
    ]
    limits, _ = of(before, NOON)
    steps = {step.name: step for step in whole(before.covers, limits)}
    failed = replace(before, verdict=FAILED)
    for history, age in (
        ([], timedelta()),
        ([before], timedelta()),
        ([before], WHOLE),
        ([before], WHOLE + timedelta(seconds=1)),
        ([failed], timedelta()),
        ([replace(before, board="0" * 16)], timedelta()),
    ):
        _, wanted = of(before, NOON + age)
        at = wanted.now.isoformat()
        said = cost(steps["channel B alone"], before.covers, limits, wanted, history)
        counts = best([*history, replace(short, began=at, ended=at)], wanted)[0] is not None
        assert bool(said) is not counts, (history, age)
        assert not said or "'channel B alone' was never done" in said
        assert cost(steps["guard relay A alone"], before.covers, limits, wanted, history) == said.replace(
            "channel B alone", "guard relay A alone"
        )


def test_what_the_night_wants_costs_the_night(proven: Callable[..., tuple[Proving, DemoError | None]]) -> None:
    proving, _ = proven()
    limits, wanted = of(proving, NOON)
    steps = {step.name: step for step in whole(proving.covers, limits)}
    for name in NIGHT_OPTIONAL:
        assert cost(steps[name], proving.covers, limits, wanted, []) == FOR_THE_DAY


def test_where_nothing_would_count_anyway_no_step_is_blamed(
    proven: Callable[..., tuple[Proving, DemoError | None]],
) -> None:
    proving, _ = proven()
    limits, wanted = of(proving, NOON)
    steps = {step.name: step for step in whole(proving.covers, limits)}
    torn = Unread(f"proving-000009-20261125T120000Z-board-{proving.board}.json", "it is torn", None)
    assert cost(steps["channel A alone"], proving.covers, limits, wanted, [], [torn]) == ""
