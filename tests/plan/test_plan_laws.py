"""Laws that hold for every plan of every script: what is closed is opened, what is fixed stays fixed."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from demo_ctl.board import upload
from demo_ctl.board.limits import safety_limits
from demo_ctl.office.model import Unit
from demo_ctl.office.numbers import pulses_of
from demo_ctl.office.timing import hunting_need_us
from demo_ctl.plan.build import build
from demo_ctl.plan.model import Check, Expectation, Plan, Stretch
from demo_ctl.plan.pack import plan_number, to_instructions
from demo_ctl.plan.stretch import (
    most_break_us,
    most_make_us,
    slowest_by_holds_pps,
)
from demo_ctl.script.model import Call
from demo_ctl.terms.located import Located
from demo_ctl.wire import messages as wire

Steps = list[dict[str, Any]]
board_accepts: Any = upload.check
RING_WINDOW_US = safety_limits()[wire.L_WINDOW_MS] * 1000

times = st.integers(100, 4000).map(lambda ms: f"{ms} ms")
during = st.sampled_from(["ringing", "silence"])
paces = st.fractions(min_value=Fraction(1, 50), max_value=4, max_denominator=100)


def maybe(step: dict[str, Any]) -> st.SearchStrategy[Steps]:
    return st.sampled_from([[], [step]])


def joined(*parts: st.SearchStrategy[Steps]) -> st.SearchStrategy[Steps]:
    return st.tuples(*parts).map(lambda found: [step for part in found for step in part])


def one(strategy: st.SearchStrategy[dict[str, Any]]) -> st.SearchStrategy[Steps]:
    return strategy.map(lambda step: [step])


lift_caller = st.just([{"lift": "caller"}])
tone: st.SearchStrategy[Steps] = st.one_of(
    st.just([]),
    st.just([{"await": "dial tone"}]),
    one(times.map(lambda time: {"await": "dial tone", "for": time})),
)
pause: st.SearchStrategy[Steps] = st.one_of(st.just([]), one(times.map(lambda time: {"pause": time})))
false_start: st.SearchStrategy[Steps] = st.sampled_from(
    [
        [],
        [
            {"flash": "caller", "open": "100 ms", "shows": "digit 1"},
            {"flash": "caller", "open": "1 s", "shows": "release"},
        ],
    ]
)
opening = joined(lift_caller, tone, false_start, tone, pause)
after = st.one_of(st.integers(1, 2).map(lambda n: f"{n} rings"), times)
rings_first: st.SearchStrategy[Steps] = st.sampled_from(
    [[], [{"await": "ringing"}], [{"await": "ringing", "rings": 1}], [{"await": "ringing", "rings": 2}]]
)
answering = joined(
    st.just([{"dial": "called"}]),
    maybe({"await": "ringback"}),
    rings_first,
    pause,
    one(st.builds(lambda after, during: {"answer": "called", "after": after, "during": during}, after, during)),
    maybe({"await": "reversal"}),
    one(times.map(lambda time: {"talk": time})),
    maybe({"flash": "caller", "open": "100 ms", "shows": "break"}),
)
endings = st.sampled_from(
    [
        [],
        [{"hang up": "caller"}],
        [{"hang up": "called"}],
        [{"hang up": "caller"}, {"hang up": "called"}],
        [{"hang up": "caller"}, {"await": "dial tone", "at": "called", "for": "1 s"}, {"hang up": "called"}],
        [{"hang up": "called"}, {"await": "normal polarity"}, {"pause": "1 s"}, {"hang up": "caller"}],
        [{"flash": "caller", "open": "1 s", "shows": "release"}, {"await": "dial tone"}, {"hang up": "caller"}],
    ]
)
hung = st.sampled_from([[], [{"hang up": "caller"}], [{"hang up": "caller"}, {"pause": "2 s"}]])
answered = joined(opening, answering, endings)
unanswered = joined(
    opening,
    st.just([{"dial": "called"}]),
    maybe({"await": "ringback"}),
    one(st.integers(1, 3).map(lambda n: {"await": "ringing", "rings": n})),
    hung,
)
listened = joined(
    opening,
    st.just([{"dial": "called"}]),
    one(st.one_of(st.just({"await": "ringback"}), times.map(lambda time: {"await": "ringback", "for": time}))),
    hung,
)
partial = joined(opening, one(st.integers(1, 2).map(lambda n: {"dial": "called", "only": n})), pause, hung)
vacant = joined(opening, st.just([{"dial": "empty terminal"}, {"await": "vacant tone"}]), hung)
engaged = joined(
    st.just([{"lift": "called"}]),
    maybe({"await": "dial tone", "at": "called"}),
    opening,
    st.just([{"dial": "called"}]),
    one(st.one_of(st.just({"await": "busy tone"}), times.map(lambda time: {"await": "busy tone", "for": time}))),
    hung,
)
nothing = joined(lift_caller, tone, pause, hung)
scripts = st.one_of(answered, unanswered, listened, partial, vacant, engaged, nothing)
must_not = st.lists(st.sampled_from(["another line rings", "reversal"]), unique=True)


@pytest.fixture(scope="session")
def make(
    units: dict[str, Located[Unit]], call_of: Callable[..., Located[Call]]
) -> Callable[[Steps, str, Fraction, list[str]], Plan]:
    def plan(steps: Steps, unit: str, pace: Fraction, forbidden: list[str]) -> Plan:
        return build(call_of(steps, must_not=forbidden), units[unit], pace)

    return plan


unit_names = st.sampled_from(["travelling", "mossbrook"])
Office = Callable[[str], Unit]
Make = Callable[[Steps, str, Fraction, list[str]], Plan]
law = settings(deadline=None, max_examples=80)


def expected_ops(expectation: Expectation) -> set[int]:
    """Which instructions an expectation may count from."""
    check = expectation.check
    if check in (Check.DIAL_TONE_DELAY, Check.RING_TRIP, Check.ANSWER_REVERSAL, Check.CLEAR_REVERSAL, Check.RELEASE):
        return {wire.OP_LOOP}
    if check in (Check.TONE, Check.TONE_ON, Check.TONE_OFF, Check.NO_OVERFLOW):
        return {wire.OP_LISTEN}
    if check in (Check.OTHERS_RANG, Check.NO_RINGING, Check.NO_REVERSAL):
        return set(range(1, len(wire.OPS)))
    if check is Check.HELD:
        return {wire.OP_PULSES, wire.OP_WAIT}  # a flash, or the called party's clearing
    return {wire.OP_PULSES}


@law
@given(scripts, unit_names, paces, must_not)
def test_whatever_is_opened_is_closed(
    make: Make, steps: Steps, unit: str, pace: Fraction, forbidden: list[str]
) -> None:
    plan = make(steps, unit, pace, forbidden)
    closed: set[int] = set()
    listening = ringing = 0
    for step in plan.timeline.steps:
        if step.op == wire.OP_LOOP:
            assert (step.port in closed) != bool(step.x), f"{step.label}: the loop is so already"
            closed ^= {step.port}
        elif step.op == wire.OP_LISTEN:
            assert bool(listening) != bool(step.x), f"{step.label}: one listening channel"
            assert step.x or step.port == listening
            listening = step.port if step.x else 0
        elif step.op == wire.OP_RINGING:
            assert bool(ringing) != bool(step.x)
            ringing = step.port if step.x else 0
        elif step.op == wire.OP_PULSES:
            assert step.port in closed, "pulses need a closed loop"
            assert not ringing, "nobody dials while a bell may ring" if step.digit else ""
    assert not closed
    assert not listening
    assert not ringing
    last = plan.timeline.steps[-1]
    assert last.op == wire.OP_WAIT
    assert last.label == "rest"


@law
@given(scripts, unit_names, paces, must_not)
def test_every_digit_sends_its_pulses_and_the_board_takes_every_instruction(
    make: Make, office: Office, steps: Steps, unit: str, pace: Fraction, forbidden: list[str]
) -> None:
    plan = make(steps, unit, pace, forbidden)
    scheme = office(unit).numbering.pulses
    sent = [step for step in plan.timeline.steps if step.op == wire.OP_PULSES and step.digit]
    for step in sent:
        assert step.x == pulses_of(step.digit, scheme)
    assert "".join(step.digit for step in sent if "flashes" not in step.label) == plan.digits
    roles = bytes([0, *plan.timeline.roles])
    for instruction in to_instructions(plan):
        assert board_accepts(tuple(instruction), roles, RING_WINDOW_US) == wire.OK


@law
@given(scripts, unit_names, paces, must_not)
def test_every_step_and_expectation_has_its_place_and_kind(
    make: Make, steps: Steps, unit: str, pace: Fraction, forbidden: list[str]
) -> None:
    plan = make(steps, unit, pace, forbidden)
    last = len(plan.timeline.steps) - 1
    for step in plan.timeline.steps:
        assert step.place.file == "tried.yaml"
        assert step.place.line >= 9, "a step's line lies among the script's steps"
        assert step.label
    assert len({expectation.id for expectation in plan.expectations}) == len(plan.expectations)
    for expectation in plan.expectations:
        assert expectation.place.file == "tried.yaml"
        assert expectation.place.line
        assert 0 <= expectation.index <= last
        assert expectation.until == -1 or expectation.index <= expectation.until <= last
        assert plan.timeline.steps[expectation.index].op in expected_ops(expectation)
        for index in expectation.indices:
            assert plan.timeline.steps[index].op == wire.OP_PULSES
        step = plan.timeline.steps[expectation.index]
        if expectation.check is Check.DIAL_TONE_DELAY:
            hung_up = step.port != expectation.port
            assert step.x == (0 if hung_up else 1), "counted from lifting, or from the other's hanging up"
        elif expectation.check in (Check.RING_TRIP, Check.ANSWER_REVERSAL):
            assert step.x == 1
            assert step.port == plan.called_port
        elif expectation.check in (Check.RELEASE, Check.CLEAR_REVERSAL):
            assert step.x == 0
        elif expectation.check is Check.PULSES:
            assert expectation.window.low == expectation.window.high == step.x
    for gate in plan.gates:
        step = plan.timeline.steps[gate.index]
        assert (step.op, step.x, step.a) == (wire.OP_GATE, gate.number, gate.limit_us)


@law
@given(scripts, unit_names, paces, must_not)
def test_ringing_goes_to_the_declared_port_and_never_longer_than_allowed(
    make: Make, office: Office, steps: Steps, unit: str, pace: Fraction, forbidden: list[str]
) -> None:
    plan = make(steps, unit, pace, forbidden)
    longest_us = office(unit).ringing.longest_us
    windows = [step for step in plan.timeline.steps if step.op == wire.OP_RINGING]
    assert plan.ringing == bool(windows)
    for step in windows:
        assert step.port == plan.called_port
        assert plan.timeline.roles[step.port - 1] == wire.CALLED
        if step.x:
            assert 0 < step.a <= min(longest_us, RING_WINDOW_US)
    # The window is as long as what stands inside it can last.
    opened = [index for index, step in enumerate(plan.timeline.steps) if step.op == wire.OP_RINGING and step.x]
    for index in opened:
        inside = 0
        for step in plan.timeline.steps[index + 1 :]:
            if step.op == wire.OP_RINGING:
                break
            inside += step.a if step.op in (wire.OP_WAIT, wire.OP_WAIT_FOR, wire.OP_GATE) else 0
        assert inside <= plan.timeline.steps[index].a <= inside + 1_000_000


@law
@given(scripts, unit_names, paces, paces, must_not)
def test_a_slower_pace_shortens_nothing_and_changes_nothing_fixed(
    make: Make, steps: Steps, unit: str, one_pace: Fraction, other_pace: Fraction, forbidden: list[str]
) -> None:
    slow_pace, fast_pace = sorted((one_pace, other_pace))
    slow, fast = make(steps, unit, slow_pace, forbidden), make(steps, unit, fast_pace, forbidden)
    assert len(slow.timeline.steps) == len(fast.timeline.steps)
    for slower, faster in zip(slow.timeline.steps, fast.timeline.steps, strict=True):
        if slower.op == wire.OP_WAIT:
            assert slower.a >= faster.a
            assert replace(slower, a=0) == replace(faster, a=0)
        elif slower.op == wire.OP_PULSES:
            assert slower.a + slower.b >= faster.a + faster.b
            assert replace(slower, a=0, b=0) == replace(faster, a=0, b=0)
        else:
            assert slower == faster
    assert slow.least_us >= fast.least_us
    assert slow.most_us >= fast.most_us
    assert slow.timeline.roles == fast.timeline.roles
    fixed = [
        [row for row in plan.pace_table if row.kind is Stretch.FIXED and "bell" not in row.why] for plan in (slow, fast)
    ]
    assert fixed[0] == fixed[1]
    ends = [index for index, step in enumerate(slow.timeline.steps) if step.op == wire.OP_RINGING]
    for start, end in zip(ends[0::2], ends[1::2], strict=True):
        assert slow.timeline.steps[start:end] == fast.timeline.steps[start:end], "ringing is not stretched"
    # Listening longer may judge more, never less.
    judged = [Counter(expectation.check for expectation in plan.expectations) for plan in (slow, fast)]
    assert judged[0] >= judged[1]


@law
@given(scripts, unit_names, paces, must_not)
def test_the_same_script_gives_the_same_plan(
    make: Make, steps: Steps, unit: str, pace: Fraction, forbidden: list[str]
) -> None:
    plan, again = make(steps, unit, pace, forbidden), make(steps, unit, pace, forbidden)
    assert plan == again
    assert plan_number(plan) == plan_number(again)


spreads = st.tuples(st.integers(50, 400), st.integers(0, 100)).map(lambda pair: (pair[0], pair[0] + pair[1]))


@law
@given(
    st.integers(80, 110),
    st.integers(56, 65),
    st.integers(0, 10),
    spreads,
    spreads,
    st.integers(0, 2000),
    st.integers(25, 40),
    paces,
)
def test_pulses_stay_inside_what_the_switches_follow_and_the_relays_hold(
    changed_unit: Callable[..., Unit],
    call_of: Callable[..., Located[Call]],
    speed: int,
    ratio: int,
    guard: int,
    b_hold: tuple[int, int],
    c_hold: tuple[int, int],
    least_pause: int,
    hunting: int,
    pace: Fraction,
) -> None:
    def spread(hold: tuple[int, int]) -> dict[str, str]:
        low, high = hold
        return {"least": f"{low} ms", "typical": f"{low} ms", "most": f"{high} ms"}

    unit = changed_unit(
        "travelling",
        dial={"speed": f"{speed / 10} pps", "break": f"{ratio} %"},
        follows={"guard": f"{guard} %", "least pause": f"{least_pause} ms"},
        adjustment={"b hold": spread(b_hold), "c hold": spread(c_hold), "hunting": f"{hunting} sps"},
    )
    by_holds = slowest_by_holds_pps(unit, Fraction(ratio))
    assume(by_holds is not None and by_holds <= Fraction(speed, 10))
    assert by_holds is not None
    plan = build(call_of([{"lift": "caller"}, {"dial": "called"}]), unit, pace)
    sent = [(index, step) for index, step in enumerate(plan.timeline.steps) if step.op == wire.OP_PULSES]
    for _, step in sent:
        period = step.a + step.b
        assert 1e6 / 12 - 1 <= period <= 1e6 / 8 + 1
        assert abs(Fraction(step.a * 100, period) - ratio) < Fraction(1, 100)
        assert step.a <= most_break_us(unit) + 1
        assert step.b <= most_make_us(unit) + 1
        if pace < 1:
            assert 1e6 / period <= speed / 10 + 0.001
            assert 1e6 / period >= min(8 * (1 + guard / 100), speed / 10) - 0.001, "the guard is kept"
        if pace > 1:
            assert 1e6 / period >= speed / 10 - 0.001
            assert 1e6 / period <= max(12 * (1 - guard / 100), speed / 10) + 0.001
    for (index, _), (following, _) in pairwise(sent):
        # The pause after the first digit is two waits: dial tone is listened for in the first.
        pauses = [step.a for step in plan.timeline.steps[index + 1 : following] if step.op == wire.OP_WAIT]
        assert len(pauses) == (2 if index == sent[0][0] else 1)
        assert sum(pauses) >= max(least_pause * 1000, hunting_need_us(unit))


cadences = st.tuples(st.floats(0.93, 1.07), st.floats(0, 1), st.floats(0, 1))
rung = st.one_of(answered, unanswered, listened)


@settings(deadline=None, max_examples=200)
@given(rung, unit_names, cadences, st.booleans())
def test_rings_are_counted_as_a_bell_would_ring(
    make: Make, office: Office, steps: Steps, unit: str, bell: tuple[float, float, float], late: bool
) -> None:
    """Perform the ringing part against an interrupter anywhere in its cycle, a little fast or slow."""
    plan = make(steps, unit, Fraction(1), [])
    rate, where, seized = bell
    ringing = office(unit).ringing
    on, off = ringing.on_us * rate, ringing.off_us * rate
    rang = next((each for each in plan.expectations if each.check is Check.RANG), None)
    assume(rang is not None)
    assert rang is not None
    start = next(index for index, step in enumerate(plan.timeline.steps) if step.op == wire.OP_RINGING)
    # Bursts as (begin, end), from the window's opening; the first may be cut in upon.
    seize = 200_000 + seized * 300_000
    first = seize - where * (on + off)
    bursts = [(first + n * (on + off), first + n * (on + off) + on) for n in range(60)]
    bursts = [(max(begin, seize), end) for begin, end in bursts if end - seize > 30_000]
    anchor, stop = 0.0, 0.0
    for index, step in enumerate(plan.timeline.steps[start + 1 :], start + 1):
        if step.op == wire.OP_WAIT:
            anchor += step.a
        elif step.op == wire.OP_WAIT_FOR:
            level, count = step.x & 1, step.x >> 8
            begins = [begin for begin, _ in bursts] if level else [0.0, *(end for _, end in bursts)]
            ends = [end for _, end in bursts] if level else [begin for begin, _ in bursts]
            met = [max(begin, anchor) for begin, end in zip(begins, ends, strict=False) if end > anchor]
            assert met[count - 1] - anchor <= step.a, f"{step.label}: the limit is too short"
            anchor = met[count - 1]
        if index == rang.until:
            stop = anchor
            break
    heard = [(begin, min(end, stop)) for begin, end in bursts if begin < stop]
    assert rang.window.low is not None
    assert rang.window.high is not None
    assert rang.window.low <= len(heard) <= rang.window.high
    window = plan.timeline.steps[start].a
    assert stop < window
    kinds = {each.check for each in plan.expectations}
    if Check.RING_ON in kinds:
        whole = [1 for begin, end in bursts[1:] if end <= stop]
        assert whole, "a whole ring, not counting the first, is seen"
    if Check.RING_OFF in kinds:
        assert len(heard) >= 2, "a whole pause is seen"
    answer = next((each for each in plan.expectations if each.check is Check.RING_TRIP), None)
    if answer is not None:
        inside = any(begin <= stop < end for begin, end in bursts)
        assert inside == answer.required, "answered where the script says: in a ring or in a silence"
