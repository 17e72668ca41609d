"""The timeline of a replay: order of cause and effect, lengths at every pace, what a longest length makes of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from functools import reduce
from itertools import groupby, pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.show.captions import KEYS, key_of
from demo_ctl.show.model import STAGES, Happening
from demo_ctl.show.scene import fold, start
from demo_ctl.show.unfold import (
    END_US,
    FASTEST,
    LEAST_HOLD_US,
    SLOWEST,
    Frame,
    Timeline,
    Unfolding,
    Which,
    causal_order,
    first_pulse,
    stretches_of,
    timeline,
)

Make = Callable[..., Any]

WHICH: tuple[Which, ...] = ("nothing", "first pulse", "first of each stage", "everything")
SCRIPTS = ("answered", "busy", "flash", "all-trunks-busy", "called-clears-first", "abandoned")
PACES = st.fractions(min_value=SLOWEST, max_value=FASTEST, max_denominator=200)


def apart_groups(made: Timeline) -> list[list[Frame]]:
    """The unfolded stretches of a timeline."""
    found: list[list[Frame]] = []
    for mode, frames in groupby(made.frames, key=lambda frame: frame.mode):
        if mode == "apart":
            found.append(list(frames))
    return found


# -- order ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("truth", [False, True])
@pytest.mark.parametrize("unit", ["travelling", "mossbrook"])
@pytest.mark.parametrize("script", SCRIPTS)
def test_unfolded_order_is_the_order_of_causes(bench_call: Make, script: str, unit: str, truth: bool) -> None:
    """Every event of every stage: each is shown once, after its cause; and each part's own happenings stay in order."""
    call = bench_call(script, unit)
    found = call.happenings(truth=truth)
    made = timeline(found, call.unit, unfolding=Unfolding("everything", again=False))
    order = [frame.number for frame in made.frames if frame.number]
    assert sorted(order) == [each.number for each in found]
    rank = {number: place for place, number in enumerate(order)}
    own: dict[str, int] = {}
    stages = set()
    for number in order:
        each = found[number - 1]
        assert not each.cause or rank[each.cause] < rank[number], (each, found[each.cause - 1])
        assert own.get(each.part, 0) < number, each
        own[each.part] = number
        if each.thing == "stage":
            stages.add(STAGES[each.value])
    assert {"lifted", "dialling", "clearing", "ended"} <= stages


@settings(deadline=None, max_examples=150)
@given(st.data())
def test_laws_of_causal_order(data: st.DataObject) -> None:
    """Any happenings whatever: the same ones come out, causes first, each part in its order."""
    many = data.draw(st.integers(0, 25))
    given_ = [
        Happening(
            number,
            number,
            data.draw(st.sampled_from("abcde")),
            "thing",
            1,
            "inferred",
            data.draw(st.integers(0, number - 1)),
        )
        for number in range(1, many + 1)
    ]
    begin = data.draw(st.integers(0, many))
    order = causal_order(given_[begin:])
    assert sorted(order, key=lambda each: each.number) == given_[begin:]
    shown: set[int] = set()
    own: dict[str, int] = {}
    for each in order:
        assert each.cause <= begin or each.cause in shown
        assert own.get(each.part, 0) < each.number
        own[each.part] = each.number
        shown.add(each.number)


def test_a_chain_is_told_through_before_the_next_begins() -> None:
    """Two chains that run side by side come one after the other."""

    def happen(number: int, part: str, cause: int) -> Happening:
        return Happening(number, number * 10, part, "moves", 1, "inferred", cause)

    mixed = [happen(1, "a", 0), happen(2, "b", 0), happen(3, "c", 1), happen(4, "d", 2), happen(5, "e", 3)]
    assert [each.number for each in causal_order(mixed)] == [1, 3, 5, 2, 4]


def test_only_the_first_pulse_of_the_first_digit_is_unfolded(bench_call: Make) -> None:
    for script, truth in (("answered", False), ("answered", True), ("flash", False)):
        call = bench_call(script)
        found = call.happenings(truth=truth)
        made = timeline(found, call.unit)
        (group,) = apart_groups(made)
        moves = [found[frame.number - 1] for frame in group]
        opened = [each for each in moves if each.thing == "pulse" and each.value]
        closed = [each for each in moves if each.thing == "pulse" and not each.value]
        assert len(opened) == len(closed) == 1
        begun = [each for each in found if each.thing == "digit" and each.value == 1]
        assert begun[0].number < opened[0].number
        assert not any(begun[0].number < each.number < opened[0].number and each.thing == "pulse" for each in found)
        assert [each.value for each in moves if each.thing == "vertical"] == [1]


def test_a_call_without_a_pulse_unfolds_nothing(bench_call: Make) -> None:
    call = bench_call("permanent-off-hook")
    found = call.happenings()
    assert first_pulse(found) is None
    assert timeline(found, call.unit).unfolded == ()
    assert timeline((), call.unit).frames == (Frame(0, 0, END_US),)


def test_a_digit_of_one_pulse_is_unfolded_to_its_end(bench_call: Make) -> None:
    """Nothing follows it soon, so the stretch ends with the pulse: the magnet's fall, not the digit's end."""
    call = bench_call("answered", "mossbrook")
    found = list(call.happenings())
    only = [each for each in found if each.thing == "digit" and each.value == 5]  # 555 01: the fifth is a 1
    tail = found[only[0].number - 1 :]
    stretch = first_pulse(tail)
    assert stretch is not None
    things = [each.thing for each in tail[stretch[0] : stretch[1] + 1]]
    assert things.count("pulse") == 2
    assert things[-1] == "vertical magnet"
    assert "stage" not in things


# -- lengths -------------------------------------------------------------------------------------------------------


def check_frames(made: Timeline, found: Sequence[Happening]) -> None:
    frames = made.frames
    assert frames[0].show_us == 0
    for one, two in pairwise(frames):
        assert one.show_us + one.hold_us == two.show_us
        assert one.hold_us >= 0
    assert frames[-1].show_us + frames[-1].hold_us == made.total_us
    assert {frame.number for frame in frames} <= {0, *(each.number for each in found)}


@settings(deadline=None, max_examples=40)
@given(
    script=st.sampled_from(SCRIPTS),
    truth=st.booleans(),
    pace=PACES,
    which=st.sampled_from(WHICH),
    hold_us=st.integers(1, 4_000_000),
    back_us=st.integers(0, 3_000_000),
    again=st.booleans(),
)
def test_length_and_captions_at_every_pace(
    bench_call: Make,
    script: str,
    truth: bool,
    pace: Fraction,
    which: Which,
    hold_us: int,
    back_us: int,
    again: bool,
) -> None:
    """The length is the call's by the pace, and a hold for each captioned step; each stage is told when it comes."""
    call = bench_call(script)
    found = call.happenings(truth=truth)
    made = timeline(found, call.unit, pace, Unfolding(which, hold_us, back_us, again))
    check_frames(made, found)
    own = [each.at_us for each in found if each.part != "guard"]
    zero_us, last_us = min(own), max(own)

    def clock(each: Happening) -> int:
        at_us: int = min(max(each.at_us, zero_us), last_us)
        return at_us

    wanted = Fraction(last_us - zero_us) / pace + END_US
    for first, last in made.unfolded:
        stretch = found[first - 1 : last]
        wanted += sum(hold_us for each in stretch if key_of(each, call.unit))
        wanted += back_us if again else -Fraction(clock(stretch[-1]) - clock(stretch[0])) / pace
    assert made.total_us == int(wanted)
    assert (made.pace, made.hold_us, made.notes) == (pace, hold_us, ())
    # Between two happenings that are shown in real time, the time is the record's by the pace.
    for one, two in pairwise(made.frames[1:]):
        if one.mode == two.mode == "real" and one.number < two.number:
            gap = Fraction(clock(found[two.number - 1]) - clock(found[one.number - 1])) / pace
            assert abs(two.show_us - one.show_us - gap) <= 1
    firsts = {causal_order(found[first - 1 : last])[0].number for first, last in made.unfolded}
    for frame, after in zip(made.frames, [*made.frames[1:], None], strict=True):
        assert frame.caption_key in ("", *KEYS)
        if frame.mode == "apart":
            key = key_of(found[frame.number - 1], call.unit)
            assert frame.caption_key == key
            held_us = frame.hold_us - (hold_us if key else 0)
            # After the last of a stretch that is not shown again the record's own time goes on.
            leaves = not again and (after is None or after.number in firsts or after.mode == "real")
            assert -1 <= held_us <= 1 or (leaves and held_us > 0)
        elif frame.mode == "real" and frame.number and found[frame.number - 1].thing == "stage":
            assert frame.caption_key == f"stage {STAGES[found[frame.number - 1].value]}"
    real = {frame.number for frame in made.frames if frame.mode == "real"}
    apart = {frame.number for frame in made.frames if frame.mode == "apart"}
    assert real | apart == {0, *(each.number for each in found)}
    assert (real & apart == apart) if again else not real & apart


@settings(deadline=None, max_examples=60)
@given(
    script=st.sampled_from(SCRIPTS),
    pace=PACES,
    which=st.sampled_from(WHICH),
    cap_s=st.integers(1, 3000),
    hold_us=st.integers(LEAST_HOLD_US, 3_000_000),
)
def test_a_longest_length_is_kept(
    bench_call: Make, script: str, pace: Fraction, which: Which, cap_s: int, hold_us: int
) -> None:
    """Never longer than the cap; whatever was given up for it is told; nothing is given up without need."""
    call = bench_call(script)
    found = call.happenings()
    cap_us = cap_s * 1_000_000
    free = timeline(found, call.unit, pace, Unfolding(which, hold_us))
    made = timeline(found, call.unit, pace, Unfolding(which, hold_us, cap_us=cap_us))
    check_frames(made, found)
    assert made.total_us <= cap_us
    if free.total_us < cap_us:
        assert made == free
    elif free.total_us > cap_us:
        assert made.notes
    if made.unfolded:
        assert made.pace == pace
        assert made.hold_us >= LEAST_HOLD_US
    if made.pace != pace:
        assert pace < made.pace <= FASTEST
        assert made.unfolded == ()
    if len(made.unfolded) < len(free.unfolded):
        assert made.unfolded == free.unfolded[: len(made.unfolded)]


def test_a_cap_takes_holds_first_then_stretches_then_the_pace(bench_call: Make) -> None:
    call = bench_call()
    found = call.happenings()

    def made(cap_s: int) -> Timeline:
        return timeline(found, call.unit, Fraction(1), Unfolding("first of each stage", cap_us=cap_s * 1_000_000))

    every = len(stretches_of(found, "first of each stage"))
    full_s = timeline(found, call.unit, Fraction(1), Unfolding("first of each stage")).total_us // 1_000_000
    assert made(full_s + 1).notes == ()
    shorter = made(full_s - 10)
    assert (len(shorter.unfolded), len(shorter.notes)) == (every, 1)
    assert "held" in shorter.notes[0]
    fewer = made(45)
    assert 0 < len(fewer.unfolded) < every
    assert "together only" in fewer.notes[0]
    faster = made(15)
    assert faster.unfolded == ()
    assert "pace" in faster.notes[-1]
    assert faster.frames[-1].number == found[-1].number
    cut = made(5)
    assert cut.pace == FASTEST
    assert "not shown" in cut.notes[-1]


@pytest.mark.parametrize(
    ("pace", "asked"),
    [
        (Fraction(1, 51), Unfolding()),
        (Fraction(5), Unfolding()),
        (Fraction(1), Unfolding(hold_us=0)),
        (Fraction(1), Unfolding(back_us=-1)),
        (Fraction(1), Unfolding(cap_us=0)),
    ],
)
def test_times_that_are_none_are_refused(bench_call: Make, pace: Fraction, asked: Unfolding) -> None:
    call = bench_call()
    with pytest.raises(ValueError, match=r"pace|positive"):
        timeline(call.happenings(), call.unit, pace, asked)


@settings(deadline=None, max_examples=12)
@given(script=st.sampled_from(SCRIPTS), truth=st.booleans(), which=st.sampled_from(WHICH))
def test_the_picture_after_an_unfolded_stretch_is_the_same(
    bench_call: Make, script: str, truth: bool, which: Which
) -> None:
    """Shown apart or together, in the end everything stands as it does in the record."""
    call = bench_call(script, "mossbrook")
    found = call.happenings(truth=truth)
    scene = start(call.plan, call.unit)
    place = 0
    for first, last in stretches_of(found, which):
        scene = reduce(fold, found[place:first], scene)
        together = found[first : last + 1]
        one, two = reduce(fold, together, scene), reduce(fold, causal_order(together), scene)
        assert (one.caller, one.called, one.stage, one.guard) == (two.caller, two.called, two.stage, two.guard)
        assert one.switches == two.switches
        scene, place = one, last + 1
