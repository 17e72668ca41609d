"""Debounce, rate limits and loss reports, against plain models."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.board import limits
from demo_ctl.board.pins import Pins
from demo_ctl.board.rates import Bucket, Losses
from demo_ctl.board.sense import RING_US, Sense, filter_us
from demo_ctl.measure.ringing import LEAST
from demo_ctl.wire import messages as m
from tests.board.in_memory import Stage

I = m.Instruction  # noqa: E741


@pytest.mark.parametrize(
    ("role", "signal", "level", "ringing", "closed", "steady_us"),
    [
        (m.CALLING, m.LOOP, 1, 0, 1, 5_000),
        (m.CALLING, m.LOOP, 0, 1, 1, 5_000),
        (m.CALLED, m.LOOP, 1, 0, 1, 5_000),
        (m.CALLED, m.LOOP, 0, 0, 1, 5_000),
        (m.CALLED, m.LOOP, 1, 1, 1, 60_000),
        (m.CALLED, m.LOOP, 0, 1, 1, 60_000),
        (m.CALLED, m.LOOP, 1, 0, 0, 60_000),  # our loop is open: whatever flows is not our answer
        (m.CALLED, m.LOOP, 0, 0, 0, 5_000),
        (m.CALLED, m.NORMAL, 1, 1, 1, 5_000),
        (m.CALLING, m.REVERSED, 0, 0, 1, 5_000),
        (m.CALLED, m.RINGING, 1, 0, 0, 82_000),
        (m.CALLED, m.RINGING, 0, 1, 0, 60_000),
        (m.UNUSED, m.RINGING, 1, 0, 0, 20_000),
        (m.MONITORED, m.LOOP, 1, 1, 0, 60_000),
        (m.MONITORED, m.LOOP, 1, 0, 0, 5_000),
    ],
)
def test_filters(role: int, signal: int, level: int, ringing: int, closed: int, steady_us: int) -> None:
    assert filter_us(role, signal, level, ringing, closed) == steady_us


def _model(edges: list[tuple[int, int]], until_us: int) -> list[tuple[int, int, int]]:
    """(known, began, level) of a single battery signal: the runs of a level that last its filter."""
    settled, out = 0, []
    changes = []
    level = 0
    for at_us, new in edges:
        if new != level:
            changes.append((at_us, new))
            level = new
    for nth, (at_us, new) in enumerate(changes):
        end_us = changes[nth + 1][0] if nth + 1 < len(changes) else until_us + 1
        if end_us - at_us >= 5_000 and at_us + 5_000 <= until_us and new != settled:
            settled = new
            out.append((at_us + 5_000, at_us, new))
    return out


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.sampled_from([1, 500, 4_999, 5_000, 5_001, 20_000]), st.integers(0, 1)), max_size=40))
def test_a_level_counts_once_it_was_steady(steps: list[tuple[int, int]]) -> None:
    at_us, edges = 1000, []
    for later_us, level in steps:
        at_us += later_us
        edges.append((at_us, level))
    stage = Stage()
    stage.hello()
    begin_us = stage.now_us
    for when, level in edges:
        stage.pins.at(begin_us + when, 4 + m.NORMAL, level)
    stage.run(begin_us + at_us + 30_000)
    states = [(one.at_us - begin_us, one.value & 1) for one in stage.events(m.EV_STATE)]
    wanted = [(began, level) for _, began, level in _model(edges, at_us + 30_000)]
    assert states == wanted
    # Every change of the raw level is reported under the rate limit, with its own stamp.
    raw = [(one.at_us - begin_us, one.value & 1) for one in stage.events(m.EV_EDGE)]
    level = 0
    changes = []
    for when, new in edges:
        if new != level:
            changes.append((when, new))
            level = new
    assert raw == changes


def test_a_dialling_loop_is_not_judged_before_its_train_ends() -> None:
    stage = Stage()
    t = stage.play([I(m.OP_LOOP, 1, 1, 0, 0), I(m.OP_WAIT, 0, 0, 50_000, 0), I(m.OP_PULSES, 1, 3, 80_000, 40_000)])
    stage.run(t + 600_000)
    edges = [one for one in stage.events(m.EV_EDGE) if one.port == 1]
    assert len(edges) == 2 + 6
    states = [(one.at_us - t, one.value) for one in stage.events(m.EV_STATE) if one.port == 1]
    assert states == [(700, 1), (50_000 + 360_000 + 700, 0)]


def test_a_loop_lost_during_its_train_counts_when_the_train_is_over() -> None:
    sense = Sense(1, 0)
    sense.roles[1] = m.CALLING
    sense.edge(0, 0, 1)
    assert sense.pop() == (0, 1, 0)
    sense.train(1, 100_000)
    sense.edge(10_000, 0, 0)
    assert sense.next_us == 100_000
    assert sense.pop() == (0, 0, 10_000)


def test_a_stopped_train_is_judged_from_the_stop() -> None:
    sense = Sense(1, 1)
    sense.roles[1] = m.CALLING
    sense.train(1, 1_000_000)
    sense.edge(10_000, 0, 0)
    sense.train(1, 12_000)
    assert sense.next_us == 15_000


@settings(max_examples=200, deadline=None)
@given(st.lists(st.integers(0, 30_000), max_size=600))
def test_bucket_keeps_its_promise(gaps: list[int]) -> None:
    """In any stretch of time no more than burst + rate x time pass; and nothing is held back below the rate."""
    bucket = Bucket()
    at_us, passed, refused = 0, [], 0
    for gap in gaps:
        at_us += gap
        if bucket.allow(at_us):
            passed.append(at_us)
        else:
            refused += 1
            # Refused only while the burst is used up: the last 128 passed lie close together.
            assert at_us - passed[-limits.EDGE_BURST] < limits.EDGE_BURST * 2500 + 2500
    for first in range(0, len(passed), 7):
        for last in range(first, len(passed), 11):
            span_us = passed[last] - passed[first]
            assert last - first + 1 <= limits.EDGE_BURST + span_us / 2500 + 1
    if all(gap >= 2500 for gap in gaps):
        assert not refused


def test_a_chattering_contact_is_limited_and_declared() -> None:
    stage = Stage()
    stage.hello()
    begin_us = stage.now_us
    for nth in range(5000):
        stage.pins.at(begin_us + nth * 500, 4 + m.NORMAL, (nth + 1) & 1)
    stage.run(begin_us + 4_000_000)
    reported = stage.events(m.EV_EDGE)
    told = stage.events(m.EV_EDGES_LOST)
    assert len(reported) + sum(one.value for one in told) == 5000
    assert 128 + 400 * 2.4 < len(reported) <= 128 + 400 * 2.5 + 1
    assert all(one.port == 2 for one in told)
    assert all(b.at_us - a.at_us >= limits.LOSS_REPORT_US for a, b in itertools.pairwise(told))
    assert stage.firmware.sequencer.state == m.IDLE


def test_a_full_capture_queue_is_declared_and_levels_are_looked_at_again() -> None:
    stage = Stage()
    stage.hello()
    stage.pins.edges = [(stage.now_us & (1 << 30) - 1, 5 << 1 | (nth + 1) & 1) for nth in range(10)]
    stage.pins.lost = 3
    stage.pins.sensed = 1 << 6  # what the lost edges had said
    stage.run(stage.now_us + 1_000_000)
    assert [(one.port, one.value) for one in stage.events(m.EV_EDGES_LOST)] == [(0, 3)]
    assert [(one.port, one.value) for one in stage.events(m.EV_STATE)] == [(2, m.REVERSED << 1 | 1)]
    assert stage.firmware.sense.levels == 1 << 6


@settings(max_examples=100, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 200_000), st.integers(1, 4), st.integers(1, 9)), max_size=60))
def test_losses_are_told_whole_and_not_too_often(notes: list[tuple[int, int, int]]) -> None:
    losses = Losses()
    at_us = 0
    told: list[tuple[int, int, int]] = []
    for later_us, port, count in notes:
        at_us += later_us
        while losses.next_us <= at_us:
            when = losses.next_us
            _, who, many = losses.pop()
            told.append((when, who, many))
        losses.note(at_us, m.EV_EDGES_LOST, port, count)
    while losses.next_us < limits.FAR_US:
        when = losses.next_us
        _, who, many = losses.pop()
        told.append((when, who, many))
    for port in range(1, 5):
        own = [one for one in told if one[1] == port]
        assert sum(one[2] for one in own) == sum(count for _, p, count in notes if p == port)
        assert all(b[0] - a[0] >= limits.LOSS_REPORT_US for a, b in itertools.pairwise(own))
    assert told == sorted(told, key=lambda one: one[0])


def test_a_late_pass_judges_edges_by_their_own_stamps() -> None:
    """4 ms and 6 ms long levels, both looked at in one pass 15 ms later."""
    stage = Stage()
    stage.hello()
    begin_us = stage.now_us
    for at_us, level in ((1_000, 1), (5_000, 0), (7_000, 1), (13_000, 0)):
        stage.pins.at(begin_us + at_us, m.NORMAL, level)
    stage.pins.now_us = begin_us + 15_000
    stage.run(begin_us + 50_000)
    states = [(one.at_us - begin_us, one.value & 1) for one in stage.events(m.EV_STATE)]
    assert states == [(7_000, 1), (13_000, 0)]


def test_a_lone_peak_is_no_ring_to_wait_for_and_none_to_measure() -> None:
    """Board and host draw the line at the same place."""
    assert Pins.ring_hold_us + LEAST * Pins.ring_attack_us == RING_US


def test_an_edge_later_than_the_pass_waits_for_its_turn() -> None:
    """An interrupt may come between the reading of the clock and the reading of the queue."""
    stage = Stage()
    stage.hello()
    begin_us = stage.now_us
    stage.pins.at(begin_us + 1_000, m.NORMAL, 1)
    stage.run(begin_us + 5_990)
    stage.pins.edges.append(((begin_us + 6_100) & (1 << 30) - 1, m.NORMAL << 1))  # steady for 5.1 ms
    stage.run(begin_us + 20_000)
    states = [(one.at_us - begin_us, one.value & 1) for one in stage.events(m.EV_STATE)]
    assert states == [(1_000, 1), (6_100, 0)]
