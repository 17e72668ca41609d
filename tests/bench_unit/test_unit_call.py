"""One call, step by step: what happens inside, in which order, and within the adjustment's bounds."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.office.model import Spread, Unit

S = 1_000_000
MS = 1000
LOOP, NORMAL, REVERSED, RINGING = range(4)

Play = Callable[..., Any]


def within(value_us: int, *spreads: Spread, extra_us: tuple[int, int] = (0, 0)) -> bool:
    """Whether a sum of so many relays' times, and something more, explains `value_us`."""
    least_us = sum(spread.least_us for spread in spreads) + extra_us[0]
    most_us = sum(spread.most_us for spread in spreads) + extra_us[1]
    return least_us <= value_us <= most_us


def at(player: Any, what: str, value: int, since_us: int = 0) -> int:
    """First time at which `what` became `value`."""
    rows: list[tuple[int, int]] = player.truth_of(what)
    return next(t for t, v in rows if v == value and t >= since_us)


def test_at_rest_every_port_has_battery_and_nothing_is_due(play: Play) -> None:
    p = play()
    assert [p.sensed(port) for port in (1, 2, 3, 4)] == [(0, 1, 0, 0)] * 4
    assert p.kernel.next_us() is None
    p.wait(3600 * S)
    assert p.edges == []
    assert p.bench.truth == []


def test_lifting_brings_finder_cut_off_and_first_selector_in_this_order(play: Play) -> None:
    p = play()
    times = p.unit.adjustment
    p.lift(1)
    assert p.sensed(1) == (1, 1, 0, 0)
    p.wait(2 * S)
    line, finder, first = "line line 1", "line finder 1", "first selector 1"
    line_relay = at(p, f"{line}/line relay", 1)
    assert within(line_relay, times.line_relay)
    level, terminal = p.unit.lines[0].finder_level, p.unit.lines[0].finder_terminal
    assert [v for _, v in p.truth_of(f"{finder}/vertical")] == list(range(1, level + 1))
    assert [v for _, v in p.truth_of(f"{finder}/rotary")] == list(range(1, terminal + 1))
    found = at(p, f"{finder}/rotary", terminal)
    # Forty steps a second, each magnet set within 2 % of it; its first pull starts from rest.
    steps_us = (level + terminal) * 25 * MS
    assert abs(found - line_relay - steps_us) < 0.05 * steps_us + 15 * MS
    cut = at(p, f"{line}/cut-off relay", 1)
    assert within(cut - found, times.cut_off_relay)
    assert at(p, f"{line}/line relay", 0) > cut
    a = at(p, f"{first}/A", 1)
    assert within(a - cut, times.transfer, times.a_operate)
    b = at(p, f"{first}/B", 1)
    assert within(b - a, times.b_operate)
    # On the line: one dip of the transfer, in current and in battery, polarity unchanged.
    dips = p.edges_of(1, LOOP)[1:]
    assert [level for _, level in dips] == [0, 1]
    assert within(dips[1][0] - dips[0][0], times.transfer)
    assert p.edges_of(1, NORMAL) == dips
    assert p.edges_of(1, REVERSED) == []


def test_dial_tone_from_b_until_the_first_pulse(play: Play) -> None:
    p = play()
    p.lift(1)
    p.wait(2 * S)
    b = at(p, "first selector 1/B", 1)
    assert p.hears(1, b - 110 * MS) == set()
    assert {350, 440} <= p.hears(1, b + MS) <= {340, 350, 360, 430, 440, 450}
    p.wait(30 * S)
    assert {350, 440} <= p.hears(1)
    p.pulse(1, 1)
    assert p.hears(1) == set()


def test_pulses_a_magnet_shaft_and_level_move_together(play: Play) -> None:
    p = play()
    p.call(1, "5")
    times = p.unit.adjustment
    a = [row for row in p.truth_of("first selector 1/A") if row[0] >= 2 * S][:10]
    magnet = p.truth_of("first selector 1/vertical magnet")
    shaft = p.truth_of("first selector 1/vertical")
    assert [v for _, v in a] == [0, 1] * 5
    assert [v for _, v in magnet] == [1, 0] * 5
    assert [v for _, v in shaft] == [1, 2, 3, 4, 5]
    for (a_us, value), (magnet_us, pulls) in zip(a, magnet, strict=True):
        assert pulls == 1 - value
        assert within(magnet_us - a_us, times.magnet_operate if pulls else times.magnet_release)
    assert [t for t, _ in shaft] == [t for t, v in magnet if v]


def test_cut_through_takes_the_first_idle_trunk_and_holds_from_ahead(play: Play) -> None:
    p = play()
    p.call(1, "5")
    times = p.unit.adjustment
    first, second = "first selector 1", "second selector 5-1"
    c_falls = p.truth_of(f"{first}/C")[-1]
    assert c_falls[1] == 0
    assert p.truth_of(f"{first}/rotary")[-1][1] == 1
    assert p.truth_of(f"{first}/rotary")[0][0] > c_falls[0]
    dip = [row for row in p.edges_of(1, LOOP) if row[0] > c_falls[0]]
    assert [v for _, v in dip] == [0, 1]
    assert within(dip[1][0] - dip[0][0], times.transfer)
    next_b = at(p, f"{second}/B", 1)
    assert within(next_b - dip[1][0], times.a_operate, times.b_operate)
    own_b = at(p, f"{first}/B", 0)
    assert next_b < own_b
    # Held from ahead: nothing is released.
    p.wait(60 * S)
    assert p.now_at(f"{first}/vertical") == 5
    assert p.sensed(1) == (1, 1, 0, 0)


def test_answered_call_from_ringing_to_release(play: Play) -> None:
    p = play()
    p.call(1, "5550150")
    times = p.unit.adjustment
    connector = "connector 55501-1"
    assert p.now_at(f"{connector}/vertical") == 5
    assert p.now_at(f"{connector}/rotary") == 10
    # Battery dip at the called line when it is seized, before any ringing.
    dip = p.edges_of(2, NORMAL)
    assert [v for _, v in dip] == [0, 1]
    assert within(dip[1][0] - dip[0][0], times.transfer)
    p.wait(13 * S)
    rings = p.edges_of(2, RINGING)
    assert rings[0][0] >= dip[1][0]
    assert p.edges_of(3, RINGING) == []
    while p.level(2, RINGING):
        p.wait(10 * MS)
    p.wait(500 * MS)
    answered = p.now_us
    p.lift(2)
    p.wait(S)
    assert p.sensed(1) == (1, 0, 1, 0)
    assert p.sensed(2) == (1, 1, 0, 0)
    trip = p.edges_of(2, LOOP, answered)
    assert [v for _, v in trip] == [1, 0, 1]
    assert trip[0][0] == answered
    assert within(trip[1][0] - answered, times.ring_trip)
    assert within(trip[2][0] - trip[1][0], times.transfer)
    flip = p.edges_of(1, REVERSED, answered)
    assert [v for _, v in flip] == [1]
    assert within(flip[0][0] - trip[2][0], times.a_operate, times.reversal, extra_us=(0, 2 * MS))
    assert p.edges_of(1, NORMAL, answered)[0][1] == 0
    p.wait(20 * S)
    assert p.edges_of(2, RINGING, answered) == []

    # The called party hangs up: normal polarity, connection stays, no ringing.
    cleared = p.now_us
    p.hang_up(2)
    p.wait(30 * S)
    back = p.edges_of(1, NORMAL, cleared)
    assert [v for _, v in back] == [1]
    assert within(back[0][0] - cleared, times.a_release, times.reversal, extra_us=(0, 2 * MS))
    assert p.now_at(f"{connector}/B") == 1
    assert p.edges_of(2, RINGING, answered) == []
    assert p.sensed(2) == (0, 1, 0, 0)
    # The trip relay has locked: a second answer in the same call is not rung, and reverses again.
    assert p.truth_of(f"{connector}/F") == [(trip[1][0], 1)]
    p.lift(2)
    p.wait(S)
    assert p.sensed(1) == (1, 0, 1, 0)
    p.hang_up(2)
    p.wait(S)
    assert p.now_at(f"{connector}/F") == 1

    # The caller clears: B hold, then everything restores; the line's own battery comes back when the finder is home.
    released = p.now_us
    p.hang_up(1)
    p.wait(5 * S)
    gap = p.edges_of(1, NORMAL, released)
    assert [v for _, v in gap] == [0, 1]
    assert within(gap[0][0] - released, times.a_release, times.b_hold)
    assert within(gap[1][0] - gap[0][0], times.restore, times.cut_off_relay)
    assert p.standing() == {}
    assert [p.sensed(port) for port in (1, 2)] == [(0, 1, 0, 0)] * 2
    assert p.kernel.next_us() is None


def test_every_switch_releases_at_once_and_guards_its_sleeve_until_home(play: Play) -> None:
    p = play()
    p.call(1, "5550150")
    p.wait(S)
    p.hang_up(1)
    hung_up = p.now_us
    p.wait(5 * S)
    magnets = [row for row in p.bench.truth if row.what.endswith("release magnet") and row.at_us >= hung_up]
    on = {row.what: row.at_us for row in magnets if row.value}
    assert len(on) == 7  # finder, five selectors, connector
    assert len(set(on.values())) == 1
    for name in ("first selector 1", "third selector 55-1", "connector 55501-1"):
        home = at(p, f"{name}/vertical", 0, hung_up)
        assert at(p, f"{name}/sleeve", 0, hung_up) == home
        assert within(home - on[f"{name}/release magnet"], p.unit.adjustment.restore)


def test_a_called_set_left_off_hook_becomes_a_new_call(play: Play) -> None:
    p = play()
    p.call(1, "5550150")
    p.wait(8 * S)
    p.lift(2)
    p.wait(S)
    p.hang_up(1)
    hung_up = p.now_us
    p.wait(3 * S)
    assert at(p, "line line 2/line relay", 1, hung_up)
    assert at(p, "first selector 2/B", 1, hung_up)
    assert {350, 440} <= p.hears(2)
    p.hang_up(2)
    p.wait(5 * S)
    assert p.standing() == {}


def test_answering_while_it_rings_trips_later_than_in_silence(play: Play) -> None:
    trip_us = {}
    for during in (0, 1):
        p = play(seed=9)
        p.call(1, "5550150")
        p.wait(6 * S)
        while p.level(2, RINGING) != during:
            p.wait(10 * MS)
        p.wait(300 * MS)
        answered = p.now_us
        p.lift(2)
        p.wait(2 * S)
        assert p.sensed(1) == (1, 0, 1, 0)
        trip_us[during] = at(p, "connector 55501-1/F", 1) - answered
        if during:
            # Raw LOOP shows the alternating current passing through zero; ringing ends with the trip.
            raw = p.edges_of(2, LOOP, answered)
            assert len(raw) > 4
            short = [b - a for (a, v), (b, _) in pairwise(raw) if not v and b < answered + trip_us[1]]
            assert short
            assert max(short) < 5 * MS
            assert p.edges_of(2, RINGING, answered)[-1][1] == 0
    times = p.unit.adjustment.ring_trip
    assert times.least_us <= trip_us[0] <= times.typical_us <= trip_us[1] <= times.most_us


def test_a_lift_shorter_than_the_trip_does_not_stop_the_ringing(play: Play) -> None:
    p = play()
    p.call(1, "5550150")
    p.wait(6 * S)
    while p.level(2, RINGING):
        p.wait(10 * MS)
    p.lift(2)
    p.wait(40 * MS)
    p.hang_up(2)
    lifted = p.now_us
    p.wait(8 * S)
    assert p.sensed(1) == (1, 1, 0, 0)
    assert p.edges_of(2, RINGING, lifted)


def test_an_unanswered_line_rings_until_the_caller_clears(play: Play) -> None:
    p = play()
    p.call(1, "5550150")
    p.wait(120 * S)
    bursts = [t for t, v in p.edges_of(2, RINGING) if v]
    assert len(bursts) in (20, 21)
    assert all(abs(b - a - 6 * S) < 13 * MS for a, b in pairwise(bursts[1:]))
    p.hang_up(1)
    cleared = p.now_us
    p.wait(30 * S)
    assert [v for _, v in p.edges_of(2, RINGING, cleared)] in ([], [0])


def test_the_guard_takes_ringing_away_and_leaves_trip_battery(play: Play) -> None:
    p = play()
    p.bench.set_ringing_feed(False)
    p.call(1, "5550150")
    p.wait(8 * S)
    assert p.edges_of(2, RINGING) == []
    assert p.sensed(2) == (0, 1, 0, 0)
    p.bench.set_ringing_feed(True)
    p.wait(7 * S)
    while not p.level(2, RINGING):
        p.wait(10 * MS)
    p.wait(300 * MS)
    opened = p.now_us
    p.bench.set_ringing_feed(False)
    p.wait(60 * MS)
    off = p.edges_of(2, RINGING, opened)
    assert [v for _, v in off] == [0]
    assert off[0][0] - opened <= 30 * MS
    p.lift(2)
    p.wait(S)
    assert p.sensed(1) == (1, 0, 1, 0)


def test_ringing_that_comes_back_within_the_hold_is_never_seen_to_stop(play: Play) -> None:
    p = play()
    p.call(1, "5550150")
    p.wait(6 * S)
    while not p.level(2, RINGING):
        p.wait(10 * MS)
    p.wait(300 * MS)
    gap = p.now_us
    p.bench.set_ringing_feed(False)
    p.wait(5 * MS)
    p.bench.set_ringing_feed(True)
    p.wait(S)
    assert p.edges_of(2, RINGING, gap) == []
    assert p.level(2, RINGING) == 1


@settings(deadline=None, max_examples=25)
@given(seed=st.integers(0, 10_000))
def test_ringing_is_seen_within_its_attack_and_held_after_its_last_peak(seed: int, play: Play) -> None:
    p = play(seed=seed)
    p.call(1, "5550150")
    p.wait(20 * S)
    frame = p.bench._frame
    edges = p.edges_of(2, RINGING)
    assert edges
    for at_us, level in edges:
        # The cam that caused it: the last change of the interrupter, or the seizure.
        cause_us = max(
            t
            for t in [*(t for t, v in p.truth_of("connector 55501-1/ringing") if v), *cams(frame.interrupter, at_us)]
            if t <= at_us
        )
        if level:
            assert at_us - cause_us <= 13 * MS
        else:
            assert 30 * MS - 25 * MS <= at_us - cause_us <= 30 * MS


def cams(interrupter: Any, until_us: int) -> list[int]:
    """All changes of the interrupter up to `until_us`."""
    found, t_us = [], 0
    while (t_us := interrupter.next_change_us(t_us)) <= until_us:
        found.append(t_us)
    return found


def test_busy_line_gives_busy_tone_and_no_ringing(play: Play) -> None:
    p = play()
    p.lift(2)
    p.wait(2 * S)
    p.call(1, "5550150")
    # 60 interruptions a minute: half a second on, half off.
    heard = [bool(p.hears(1)) for _ in range(40)]
    assert 14 <= sum(heard) <= 26
    p.wait(10 * S)
    assert all(not p.edges_of(port, RINGING) for port in (1, 2, 3, 4))


@pytest.mark.parametrize("kind", ["vacant tone", "busy tone", "silence"])
def test_vacant_terminal(play: Play, kind: str) -> None:
    p = play(vacant=kind)
    p.call(1, "5550177")
    heard = set[int]()
    for _ in range(12):
        heard |= p.hears(1)
    assert {"vacant tone": 400, "busy tone": 620}.get(kind, 0) in (heard or {0})
    assert all(not p.edges_of(port, RINGING) for port in (1, 2, 3, 4))
    p.hang_up(1)
    p.wait(5 * S)
    assert p.standing() == {}


def test_abandoned_after_three_digits_restores_everything(play: Play) -> None:
    p = play()
    p.call(1, "555")
    p.wait(20 * S)
    p.hang_up(1)
    p.wait(5 * S)
    assert p.standing() == {}
    assert p.kernel.next_us() is None


@pytest.mark.parametrize("lifted_ms", [5, 15, 60, 200, 420, 450, 480, 500, 520, 560, 620, 700])
def test_hanging_up_at_any_time_brings_everything_home(play: Play, lifted_ms: int) -> None:
    p = play()
    p.lift(1)
    p.wait(lifted_ms * MS)
    p.hang_up(1)
    p.wait(5 * S)
    assert p.standing() == {}
    assert p.sensed(1) == (0, 1, 0, 0)
    assert p.kernel.next_us() is None
    # And the line can call again.
    p.lift(1)
    p.wait(3 * S)
    assert {350, 440} <= p.hears(1)


def test_a_caller_may_call_itself_and_is_busy(play: Play) -> None:
    p = play()
    p.call(1, "5550123")
    p.wait(2 * S)
    assert p.edges_of(1, RINGING) == []
    assert any(p.hears(1) for _ in range(12))


def test_lines_that_carry_too_little_current_are_not_seen(make_unit: Callable[..., Unit], play: Play) -> None:
    # 48 V over 400 + 5000 ohm is 8.9 mA, under the 10 mA of facts L11.
    p = play(loops=("5000 ohm",))
    p.lift(1)
    p.wait(3 * S)
    assert p.edges == []
    assert p.bench.truth == []
