"""Counting rings by time and by the board, against a bell that is worked out burst by burst."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.office.model import Ringing
from demo_ctl.plan.rings import Phase, RingCount, counted, first_ring, passed

RINGING = Ringing.model_validate(
    {
        "frequency": "20 Hz",
        "voltage": "80 V",
        "on": "2 s",
        "off": "4 s",
        "longest": "60 s",
        "source": "common practice, no source",
    }
)

rates = st.floats(0.92, 1.08)
parts = st.floats(0, 0.999)
phases: st.SearchStrategy[Phase] = st.sampled_from(["ring", "silence", "anywhere"])
#: Edges are where a count changes: whole numbers of half seconds meet them, odd times pass between.
spans = st.one_of(st.integers(0, 120).map(lambda halves: halves * 500_000), st.integers(0, 60_000_000))


def bursts(rate: float, phase: Phase, part: float) -> list[tuple[float, float]]:
    """Bursts from now on, as (begin, end); part: how far the bell is in its ring (or anywhere in its cycle)."""
    on, off = RINGING.on_us * rate, RINGING.off_us * rate
    gone = {"ring": part * on, "silence": on, "anywhere": part * (on + off)}[phase]
    found = [(n * (on + off) - gone, n * (on + off) - gone + on) for n in range(40)]
    return [(begin, end) for begin, end in found if end > 0]


@settings(deadline=None, max_examples=500)
@given(rates, phases, parts, spans, spans)
def test_rings_that_go_by_lie_between_fewest_and_most(
    rate: float, phase: Phase, part: float, one: int, other: int
) -> None:
    least, most = sorted((one, other))
    start = RingCount(3, phase, 5, 5)
    found = passed(start, RINGING, least, most, 9)
    for after in (least, most):
        begun = sum(0 < begin < after for begin, _ in bursts(rate, phase, part))
        assert found.fewest <= 5 + begun <= found.most
    whole_on = sum(begin > 0 and end <= least for begin, end in bursts(rate, phase, part))
    ends = [0.0, *(begin for begin, _ in bursts(rate, phase, part) if begin > 0)]
    whole_off = sum(begin <= least for begin in ends[1:])
    assert found.whole_on <= whole_on
    assert found.whole_off <= whole_off
    assert found.mark == 9


@settings(deadline=None, max_examples=300)
@given(rates, phases, parts, st.integers(1, 6), st.booleans())
def test_rings_that_the_board_counts_lie_between_fewest_and_most(
    rate: float, phase: Phase, part: float, rings: int, to_silence: bool
) -> None:
    """The board counts a ring that sounds already as the first."""
    found = counted(RingCount(3, phase, 5, 5), rings, to_silence, 9)
    bell = bursts(rate, phase, part)
    if phase == "silence":
        bell = [burst for burst in bell if burst[0] > 0]
    at = max(bell[rings - 1][0], 0.0)
    if to_silence:
        at = bell[rings - 1][1]
    begun = sum(0 < begin <= at for begin, _ in bell)
    assert found.fewest <= 5 + begun <= found.most
    assert found.whole_on <= sum(begin > 0 and end <= at for begin, end in bell)
    assert found.phase == ("silence" if to_silence else "anywhere")


def test_nothing_passes_in_no_time() -> None:
    start = first_ring(2, RINGING, 0)
    assert (start.fewest, start.most) == (1, 1)
    assert passed(start, RINGING, 0, 0, 4) == RingCount(4, "ring", 1, 1)


def test_rings_may_have_gone_by_before_anybody_waited_for_one() -> None:
    start = first_ring(2, RINGING, 7_000_000)
    assert (start.fewest, start.most) == (1, 3), "one at once, one 6 s later, and the one that is met"
