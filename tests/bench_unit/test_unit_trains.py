"""Trains of every length, trunks, overflow, absorbing, hunting, finders, and the limits of B and C."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.unit import BusySpec

S = 1_000_000
MS = 1000
LOOP, NORMAL, REVERSED, RINGING = range(4)

Play = Callable[..., Any]


def stands(player: Any, name: str) -> tuple[int, int]:
    """Level and terminal of a switch."""
    return player.now_at(f"{name}/vertical"), player.now_at(f"{name}/rotary")


@pytest.mark.parametrize("selectors", range(6))
def test_any_train_answers_and_restores(play: Play, selectors: int) -> None:
    prefix = "55501"[:selectors]
    p = play(selectors, prefix=prefix)
    p.lift(1)
    p.wait(2 * S)
    assert {350, 440} <= p.hears(1)
    p.dial(1, prefix + "50")
    connector = f"connector {prefix}-1" if prefix else "connector 1"
    assert stands(p, connector) == (5, 10)
    p.wait(7 * S)
    assert p.edges_of(2, RINGING)
    p.lift(2)
    p.wait(S)
    assert p.sensed(1) == (1, 0, 1, 0)
    p.hang_up(2)
    p.hang_up(1)
    p.wait(5 * S)
    assert p.standing() == {}


@settings(deadline=None, max_examples=15)
@given(
    scheme=st.sampled_from(["normal", "plus one", "reversed"]),
    prefix=st.text("0123456789", min_size=0, max_size=5),
    number=st.text("0123456789", min_size=2, max_size=2),
)
def test_the_shaft_stands_on_the_level_that_was_dialled(play: Play, scheme: str, prefix: str, number: str) -> None:
    p = play(
        len(prefix),
        prefix=prefix,
        numbers=("12", number) if number != "12" else ("13", number),
        numbering={"digits": len(prefix) + 2, "pulses": scheme, "source": "Sweden; New Zealand"},
    )
    p.call(1, prefix + number)
    written = {"normal": "1234567890", "plus one": "0123456789", "reversed": "9876543210"}[scheme]

    def steps(digit: str) -> int:
        """Pulses of a digit (facts D05-D07): its place on a list of what one, two... ten pulses mean."""
        return written.index(digit) + 1

    path = ""
    for stage, digit in enumerate(prefix):
        name = f"{('first', 'second', 'third', 'fourth', 'fifth')[stage]} selector " + (f"{path}-1" if path else "1")
        assert stands(p, name) == (steps(digit), 1)
        path += digit
    assert stands(p, f"connector {path}-1" if path else "connector 1") == (steps(number[0]), steps(number[1]))
    p.wait(7 * S)
    assert p.edges_of(2, RINGING)


@pytest.mark.parametrize(("blocked", "taken"), [((), 1), (tuple(range(1, 10)), 10), ((1, 2, 4), 3)])
def test_the_first_idle_trunk_is_taken(play: Play, blocked: tuple[int, ...], taken: int) -> None:
    p = play(busy=(BusySpec(2, 5, blocked),))
    p.call(1, "55")
    assert stands(p, "second selector 5-1") == (5, taken)
    assert p.now_at(f"third selector 55-{taken}/B") == 1


def test_with_all_ten_busy_the_shaft_goes_on_to_overflow(play: Play) -> None:
    p = play(busy=(BusySpec(2, 5, tuple(range(1, 11))),))
    p.call(1, "55")
    assert stands(p, "second selector 5-1") == (5, 11)
    # 120 interruptions a minute: a quarter of a second on, a quarter off; and no cut-through.
    changes, last = 0, None
    for _ in range(200):
        begin = p.now_us
        p.wait(14 * MS)
        on = bool(np.ptp(np.frombuffer(p.bench.audio_block(1, 0, begin), dtype="<u2")) > 60)
        changes += last is not None and on != last
        last = on
    assert 9 <= changes <= 13  # 2.8 s
    p.dial(1, "50150")
    assert stands(p, "second selector 5-1") == (5, 11)
    assert not any(row.what.startswith("third") for row in p.bench.truth)
    p.hang_up(1)
    p.wait(3 * S)
    assert p.standing() == {}


def test_positions_not_equipped_and_vacant_levels_are_strapped_busy(play: Play) -> None:
    p = play(trunks=[2])
    p.call(1, "57")
    assert stands(p, "first selector 1") == (5, 2)
    assert stands(p, "second selector 5-2") == (7, 11)


def test_ten_held_calls_make_the_eleventh_overflow(play: Play) -> None:
    p = play(1, prefix="3", trunks="1-2", finders=4)
    for port in (1, 2, 3):
        p.call(port, "3")
    assert [stands(p, f"first selector {n}") for n in (1, 2, 3)] == [(3, 1), (3, 2), (3, 11)]
    # The first trunk frees, and only then the next caller gets it.
    p.hang_up(1)
    p.wait(3 * S)
    p.call(4, "3")
    assert stands(p, "first selector 4") == (3, 1)


def test_the_connector_waits_for_its_last_digit(play: Play) -> None:
    p = play()
    p.call(1, "555015")
    p.wait(60 * S)
    assert stands(p, "connector 55501-1") == (5, 0)
    p.dial(1, "0")
    assert stands(p, "connector 55501-1") == (5, 10)


def test_a_number_ending_in_00_reaches_the_tenth_level_and_terminal(play: Play) -> None:
    p = play()
    p.call(1, "5550100")
    assert stands(p, "connector 55501-1") == (10, 10)
    p.wait(7 * S)
    assert p.edges_of(3, RINGING)
    assert not p.edges_of(2, RINGING)


def test_absorbing_once(play: Play) -> None:
    rule = {1: {"digits": ["5"], "until": "once", "dialled": "5"}}
    p = play(2, prefix="45", numbers=("23", "50"), absorbs=rule)
    # 4 selects; 5 is absorbed; 5 selects; 5 and 0 go to the connector.
    p.call(1, "45")
    second = "second selector 4-1"
    assert [v for _, v in p.truth_of(f"{second}/vertical")] == [1, 2, 3, 4, 5, 0]
    assert p.truth_of(f"{second}/rotary") == []
    assert p.now_at(f"{second}/B") == 1
    assert p.hears(1) == set()
    p.dial(1, "5")
    assert stands(p, second) == (5, 1)
    p.dial(1, "50")
    assert stands(p, "connector 45-1") == (5, 10)
    p.wait(7 * S)
    assert p.edges_of(2, RINGING)
    p.hang_up(1)
    p.wait(3 * S)
    assert p.standing() == {}
    # The next call finds it as new.
    p.call(1, "45550")
    assert stands(p, "connector 45-1") == (5, 10)


def test_absorbing_until_another_digit(play: Play) -> None:
    rule = {0: {"digits": ["2", "5"], "until": "another digit", "dialled": ""}}
    p = play(1, prefix="3", numbers=("23", "50"), absorbs=rule)
    p.call(1, "25525")
    first = "first selector 1"
    assert stands(p, first) == (0, 0)
    # Dial tone does not come back.
    assert p.hears(1) == set()
    p.dial(1, "350")
    assert stands(p, first) == (3, 1)
    assert stands(p, "connector 3-1") == (5, 10)
    p.wait(7 * S)
    assert p.edges_of(2, RINGING)


def test_a_group_of_numbers_is_hunted_from_its_first(play: Play) -> None:
    numbers = ("23", "51", "53", "56")
    p = play(finders=5, numbers=numbers, hunting=[("51", "53", "56")])
    p.lift(2)
    p.wait(2 * S)
    p.call(1, "5550151")
    assert stands(p, "connector 55501-1") == (5, 3)
    p.wait(7 * S)
    assert p.edges_of(3, RINGING)
    p.hang_up(1)
    p.wait(3 * S)
    p.lift(3)
    p.lift(4)
    p.wait(3 * S)
    p.call(1, "5550151", pause_us=900 * MS)
    assert p.edges_of(1, NORMAL)[-1][1] == 1
    connector = next(row.what for row in reversed(p.bench.truth) if "connector" in row.what and "/rotary" in row.what)
    assert p.now_at(connector.split("/")[0] + "/rotary") == 6
    assert any(p.hears(1) for _ in range(12))
    # Dialled itself, a later number of the group does not hunt.
    p.hang_up(1)
    p.wait(3 * S)
    p.call(1, "5550153")
    assert p.now_at(connector.split("/")[0] + "/rotary") == 3


def test_a_group_is_only_hunted_forward(play: Play) -> None:
    """The rotary turns one way: a number of the group that lies behind is not reached."""
    p = play(finders=5, numbers=("23", "53", "51", "56"), hunting=[("53", "51", "56")])
    p.lift(2)
    p.wait(2 * S)
    p.call(1, "5550153")
    assert stands(p, "connector 55501-1") == (5, 6)
    p.wait(7 * S)
    assert p.edges_of(4, RINGING)
    assert not p.edges_of(3, RINGING)


@pytest.mark.parametrize("seed", range(12))
def test_a_finder_is_not_chosen_before_its_first_switch_is_home(play: Play, seed: int) -> None:
    near = {"name": "near", "number": "5550161", "finder level": 1, "finder terminal": 1, "attached": "port 4"}
    p = play(finders=1, numbers=("23", "50", "00"), extra=[near], seed=seed)
    p.call(1, "5")
    p.lift(4)
    p.wait(2 * S)
    p.hang_up(1)
    hung_up = p.now_us
    p.wait(3 * S)
    assert {350, 440} <= p.hears(4)
    home = next(t for t, v in p.truth_of("first selector 1/sleeve") if not v and t > hung_up)
    started = next(t for t, v in p.truth_of("line finder 1/vertical") if v == 1 and t > hung_up)
    assert home < started


def test_finders_are_taken_in_rotation(play: Play) -> None:
    p = play(finders=3)
    for number in (1, 2, 3, 1, 2):
        p.lift(1)
        p.wait(2 * S)
        assert p.now_at(f"line finder {number}/vertical") > 0
        assert p.now_at(f"first selector {number}/B") == 1
        p.hang_up(1)
        p.wait(2 * S)


def test_a_busy_finder_is_skipped(play: Play) -> None:
    p = play(finders=3)
    p.lift(1)
    p.wait(2 * S)
    for number in (2, 3, 2, 3):
        p.lift(2)
        p.wait(2 * S)
        assert p.now_at(f"first selector {number}/B") == 1
        p.hang_up(2)
        p.wait(2 * S)


def test_with_both_finders_busy_a_third_caller_waits_until_one_frees(play: Play) -> None:
    p = play(finders=2)
    p.lift(1)
    p.wait(2 * S)
    p.lift(2)
    p.wait(2 * S)
    p.lift(3)
    p.wait(30 * S)
    assert p.hears(3) == set()
    assert p.now_at("line line 3/line relay") == 1
    assert p.kernel.next_us() is None
    p.hang_up(2)
    p.wait(3 * S)
    assert {350, 440} <= p.hears(3)
    # And a line that only waits is busy to a connector.
    assert p.now_at("line line 3/line relay") == 0


def test_two_who_lift_at_once_both_get_dial_tone(play: Play) -> None:
    p = play()
    for port in (1, 2, 3):
        p.lift(port)
    p.wait(4 * S)
    assert all({350, 440} <= p.hears(port) for port in (1, 2, 3))
    assert [p.now_at(f"first selector {n}/B") for n in (1, 2, 3)] == [1, 1, 1]


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 999), shorter=st.booleans(), margin_us=st.integers(0, 100 * MS))
def test_a_break_longer_than_bs_hold_releases_and_a_shorter_one_counts_as_digit_1(
    play: Play, seed: int, shorter: bool, margin_us: int
) -> None:
    p = play(seed=seed)
    times = p.unit.adjustment
    p.lift(1)
    p.wait(2 * S)
    wander_us = times.a_operate.most_us + times.a_release.most_us
    if shorter:
        p.hang_up(1)
        p.wait(max(60 * MS, times.b_hold.least_us - wander_us - margin_us))
    else:
        p.hang_up(1)
        p.wait(times.b_hold.most_us + wander_us + margin_us)
    p.lift(1)
    p.wait(S)
    if shorter:
        assert stands(p, "first selector 1") == (1, 11)
    else:
        assert stands(p, "first selector 1") == (0, 0)
        p.wait(2 * S)
        assert {350, 440} <= p.hears(1)
        assert p.now_at("first selector 2/B") == 1


@settings(deadline=None, max_examples=30)
@given(seed=st.integers(0, 999), longer=st.booleans(), margin_us=st.integers(0, 50 * MS))
def test_a_make_longer_than_cs_hold_ends_the_digit_and_the_rest_goes_to_the_next_switch(
    play: Play, seed: int, longer: bool, margin_us: int
) -> None:
    p = play(2, prefix="35", numbers=("23", "50"), seed=seed)
    times = p.unit.adjustment
    wander_us = times.a_operate.most_us + times.a_release.most_us
    if longer:
        # Long enough to hunt one trunk and cut through, too.
        make_us = times.c_hold.most_us + wander_us + 200 * MS + margin_us
    else:
        make_us = times.c_hold.least_us - wander_us - margin_us
    p.lift(1)
    p.wait(2 * S)
    p.pulse(1, 3, 60 * MS, max(make_us, 30 * MS))
    p.pulse(1, 2, 60 * MS, 40 * MS)
    p.wait(S)
    if longer:
        # The selector hunted after one pulse, on level 1; there are no trunks: overflow.
        assert stands(p, "first selector 1") == (1, 11)
    else:
        assert stands(p, "first selector 1") == (5, 11)


def test_later_pulses_of_a_broken_digit_reach_the_next_switch(play: Play) -> None:
    p = play(2, prefix="35", numbers=("23", "50"))
    p.lift(1)
    p.wait(2 * S)
    p.pulse(1, 3, 60 * MS, 40 * MS)
    p.wait(400 * MS)
    p.pulse(1, 2, 60 * MS, 40 * MS)
    p.wait(S)
    assert stands(p, "first selector 1") == (3, 1)
    assert stands(p, "second selector 3-1") == (2, 11)


def test_a_flash_while_talking_shows_only_as_a_break(play: Play) -> None:
    p = play()
    p.call(1, "5550150")
    p.wait(8 * S)
    p.lift(2)
    p.wait(2 * S)
    standing = p.standing()
    flash = p.now_us
    p.hang_up(1)
    p.wait(120 * MS)
    p.lift(1)
    p.wait(2 * S)
    assert p.edges_of(1, LOOP, flash) == [(flash, 0), (flash + 120 * MS, 1)]
    assert p.edges_of(1, REVERSED, flash) == []
    assert p.edges_of(2, LOOP, flash) == []
    assert p.standing() == standing


def test_pulses_too_short_for_the_magnet_are_missed(play: Play) -> None:
    p = play()
    p.lift(1)
    p.wait(2 * S)
    p.pulse(1, 5, 16 * MS, 84 * MS)
    p.wait(S)
    assert stands(p, "first selector 1") == (0, 0)


def test_the_shaft_does_not_rise_past_its_top(play: Play) -> None:
    p = play()
    p.lift(1)
    p.wait(2 * S)
    p.pulse(1, 14)
    p.wait(S)
    assert stands(p, "first selector 1") == (10, 11)


def test_lines_without_a_port_can_be_rung_and_answer(play: Play) -> None:
    extra = [
        {
            "name": "gallery",
            "number": "5550161",
            "finder level": 9,
            "finder terminal": 9,
            "attached": "public telephone",
        }
    ]
    p = play(extra=extra)
    p.call(1, "5550161")
    p.wait(7 * S)
    assert p.now_at("connector 55501-1/ringing") == 1
    p.bench.set_line_loop("gallery", True)
    p.wait(S)
    assert p.sensed(1) == (1, 0, 1, 0)
    assert {port for _, port, _, _ in p.edges} == {1}


def test_everything_that_moves_is_in_the_unit_of_its_name(play: Play) -> None:
    p = play()
    p.call(1, "5550150")
    moved = {row.what.partition("/")[0] for row in p.bench.truth}
    assert moved == {
        "line line 1",
        "line line 2",
        "line finder 1",
        "first selector 1",
        "second selector 5-1",
        "third selector 55-1",
        "fourth selector 555-1",
        "fifth selector 5550-1",
        "connector 55501-1",
    }
