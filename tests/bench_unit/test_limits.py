"""Limits come out of the model: breaks, makes and dials at which a train is lost, and what a line does to them."""

from __future__ import annotations

from collections.abc import Callable
from math import inf, pi
from typing import Any

import pytest

from demo_ctl.bench.circuit import LineCircuit
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.relays import Relay, line_coil
from demo_ctl.office.model import Coils

S = 1_000_000
MS = 1000
RINGING = 3

Play = Callable[..., Any]


def stands(player: Any, name: str) -> tuple[int, int]:
    return player.now_at(f"{name}/vertical"), player.now_at(f"{name}/rotary")


def risen(play: Play, pulses: int, break_us: int, make_us: int, seed: int = 1, **kinds: Any) -> int:
    """Levels the first selector's shaft rises to in one train."""
    p = play(seed=seed, **kinds)
    p.lift(1)
    p.wait(2 * S)
    p.pulse(1, pulses, break_us, make_us)
    p.wait(S)
    return stands(p, "first selector 1")[0]


def edge_us(low_us: int, high_us: int, holds: Callable[[int], bool]) -> int:
    """The first time, to 0.2 ms, at which `holds` is no longer true."""
    assert holds(low_us)
    assert not holds(high_us)
    while high_us - low_us > 200:
        middle_us = (low_us + high_us) // 2
        low_us, high_us = (middle_us, high_us) if holds(middle_us) else (low_us, middle_us)
    return high_us


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_longest_break_is_bs_own_hold_and_the_release_is_that_of_the_whole_train(play: Play, seed: int) -> None:
    """D40: found by search, and equal to what the truth says B's hold is in that very unit."""

    def holds(break_us: int) -> bool:
        p = play(seed=seed)
        p.lift(1)
        p.wait(2 * S)
        p.pulse(1, 2, break_us, 60 * MS)
        p.wait(20 * MS)
        return bool(p.now_at("first selector 1/B") == 1)

    most_us = edge_us(100 * MS, 450 * MS, holds)
    p = play(seed=seed)
    p.lift(1)
    p.wait(2 * S)
    opened_us = p.now_us
    p.hang_up(1)
    p.wait(S)
    a_us = next(t for t, v in p.truth_of("first selector 1/A") if not v and t >= opened_us)
    b_us = next(t for t, v in p.truth_of("first selector 1/B") if not v and t >= opened_us)
    times = p.unit.adjustment
    assert times.b_hold.least_us <= b_us - a_us <= times.b_hold.most_us
    # The second break meets a B that a make of 60 ms has not quite filled: a little sooner, never later. And the
    # break at which it is lost ends while A is already on its way up: longer by A's operate time at most.
    released_us = b_us - opened_us
    assert released_us - 40 * MS < most_us < released_us + 2 * MS


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_longest_make_is_cs_own_hold(play: Play, seed: int) -> None:
    """D41: a longer make ends the digit, the selector hunts after the first pulse."""

    def holds(make_us: int) -> bool:
        p = play(2, prefix="35", numbers=("23", "50"), seed=seed)
        p.lift(1)
        p.wait(2 * S)
        p.pulse(1, 3, 60 * MS, make_us)
        p.wait(S)
        return bool(stands(p, "first selector 1")[0] == 3)

    most_us = edge_us(60 * MS, 300 * MS, holds)
    p = play(2, prefix="35", numbers=("23", "50"), seed=seed)
    times = p.unit.adjustment
    slack_us = times.a_operate.most_us + times.a_release.most_us
    assert times.c_hold.least_us - slack_us < most_us < times.c_hold.most_us + slack_us


@pytest.mark.parametrize("seed", range(6))
def test_too_fast_a_dial_loses_steps_and_the_limit_is_the_magnets(play: Play, seed: int) -> None:
    """D42, D44: the magnet pulls in the break and falls back in the make."""

    def rate_pps(break_part: float) -> float:
        def holds(period_us: int) -> bool:
            break_us = round(period_us * break_part)
            return risen(play, 8, break_us, period_us - break_us, seed) == 8

        # Slower is better: search down from 120 ms.
        slow_us, fast_us = 120 * MS, 24 * MS
        assert holds(slow_us)
        assert not holds(fast_us)
        while slow_us - fast_us > 500:
            middle_us = (slow_us + fast_us) // 2
            slow_us, fast_us = (middle_us, fast_us) if holds(middle_us) else (slow_us, middle_us)
        return 1e6 / slow_us

    rate = rate_pps(0.6)
    times = play(seed=seed).unit.adjustment
    # Slowest and quickest magnets this unit's adjustment allows, with A's shift of the break either way.
    shift_us = 8 * MS
    slowest = 1e6 / max(
        (times.magnet_operate.most_us + shift_us) / 0.6, (times.magnet_release.most_us + shift_us) / 0.4
    )
    assert rate > slowest
    assert rate > 12  # what this unit's file says it follows
    assert rate < 33
    # One step beyond the limit the shaft lags, it does not run ahead.
    assert risen(play, 8, round(0.55e6 / rate), round(0.35e6 / rate), seed) < 8 or rate > 20


def test_no_train_ever_steps_more_than_its_pulses(play: Play) -> None:
    for period_us in range(24 * MS, 200 * MS, 8 * MS):
        for part in (0.3, 0.5, 0.7):
            break_us = round(period_us * part)
            assert risen(play, 5, break_us, period_us - break_us) <= 5


@pytest.fixture
def lined(make_unit: Play, play_unit: Play) -> Play:
    """Player(a unit all of whose lines have these figures of `office.model.Line`), seed."""

    def start(seed: int = 1, **figures: Any) -> Any:
        unit = make_unit()
        lines = tuple(line.model_copy(update=figures) for line in unit.lines)
        return play_unit(unit.model_copy(update={"lines": lines}), seed=seed)

    return start


def a_breaks_ms(lined: Play, break_us: int = 60 * MS, **line: Any) -> list[float]:
    """Lengths of the breaks that the first selector's A contact makes of four pulses."""
    p = lined(**line)
    p.lift(1)
    p.wait(2 * S)
    since_us = p.now_us
    p.pulse(1, 5, break_us, 100 * MS - break_us)
    p.wait(S)
    rows = [row for row in p.truth_of("first selector 1/A") if row[0] >= since_us][:10]
    assert [v for _, v in rows] == [0, 1] * 5
    return [(up - down) / 1000 for (down, _), (up, _) in zip(rows[2::2], rows[3::2], strict=True)]


@pytest.mark.parametrize(
    ("longer", "shorter"),
    [
        ({"loop_ohm": 1500.0}, {"loop_ohm": 300.0}),
        ({}, {"leak_ohm": 12e3}),
        ({"bells": 0}, {"bells": 5}),
        ({}, {"cable_nF": 1500.0}),
    ],
)
def test_a_whole_unit_repeats_a_break_as_its_line_has_it(
    lined: Play, longer: dict[str, Any], shorter: dict[str, Any]
) -> None:
    """D45-D48: loop and bells and leaks push what A makes of a 60 ms break, in the right direction."""
    assert min(a_breaks_ms(lined, **longer)) > max(a_breaks_ms(lined, **shorter)) + 0.3


def test_a_line_can_be_too_leaky_or_too_long_to_dial_on(lined: Play) -> None:
    """L07: a leak far below 25 kohm holds A; L05: a loop far above 1900 ohm does not operate it."""
    p = lined(leak_ohm=5e3)
    p.lift(1)
    p.wait(2 * S)
    p.pulse(1, 4)
    p.wait(S)
    assert stands(p, "first selector 1") == (0, 0)
    p = lined(loop_ohm=3200.0)
    p.lift(1)
    p.wait(3 * S)
    assert p.now_at("first selector 1/A") == 0


def trip_us(wave_turn: float, *, loop_ohm: float, ringing: bool, leak_ohm: float = inf, bells: float = 1.0) -> int:
    """How long F takes, in ringing that never stops or in silence, once a line is answered; -1: it never trips."""
    coils = Coils()
    circuit = LineCircuit(50.0, 400.0, loop_ohm, leak_ohm, bells)
    kernel = Kernel()
    trips: list[int] = []
    coil = line_coil(coils, LineCircuit(50.0, 400.0, 300.0), 100 * MS, 7 * MS, slug=True)
    relay = Relay(kernel, [], "F", coil, lambda _: trips.append(kernel.now_us))
    omega = 2 * pi * 20e-6
    peak_V = 86 * 2**0.5 if ringing else 0.0
    more_ohm = coils.ringing_ohm if ringing else 0.0
    relay.feed(circuit.opened(more_ohm, peak_V), False, omega, 2 * pi * wave_turn)
    kernel.run_to(2 * S)
    assert not trips
    if loop_ohm < inf:
        relay.feed(circuit.closed(more_ohm, peak_V), True, omega, 2 * pi * wave_turn)
    kernel.run_to(22 * S)
    return trips[0] - 2 * S if trips else -1


def test_ringing_through_five_bells_and_a_leak_never_trips() -> None:
    """R18: 5 REN and 25 kohm, in any phase."""
    for turn in range(12):
        assert trip_us(turn / 12, loop_ohm=inf, ringing=True, leak_ohm=25e3, bells=5.0) == -1


@pytest.mark.parametrize("loop_ohm", [0.0, 300.0, 1000.0, 1500.0])
def test_it_trips_in_both_and_sooner_in_silence(loop_ohm: float) -> None:
    """R16, order common practice: the generator's lamp and leads weaken the direct current while it rings."""
    silent_us = trip_us(0.0, loop_ohm=loop_ohm, ringing=False)
    rung_us = [trip_us(turn / 12, loop_ohm=loop_ohm, ringing=True) for turn in range(12)]
    assert silent_us > 0
    assert min(rung_us) > 0
    assert silent_us < sum(rung_us) / len(rung_us)
    # And the phase at which it is answered matters.
    assert max(rung_us) - min(rung_us) > MS


def test_a_whole_unit_rings_five_leaky_bells_until_it_is_answered(lined: Play) -> None:
    """R18 on the bench itself: two minutes of ringing, then an answer."""
    for seed in range(3):
        p = lined(seed, leak_ohm=25e3, bells=5)
        p.call(1, "5550150")
        p.wait(120 * S)
        assert p.now_at("connector 55501-1/F") == 0
        assert len([v for _, v in p.edges_of(2, RINGING) if v]) >= 19
        p.lift(2)
        p.wait(2 * S)
        assert p.now_at("connector 55501-1/F") == 1


def test_hunting_goes_at_the_units_speed(play: Play) -> None:
    """The speed is the magnet's own: it interrupts itself."""
    speeds = []
    for seed in range(8):
        p = play(seed=seed)
        p.lift(1)
        p.wait(2 * S)
        p.pulse(1, 4)  # a level without trunks: eleven steps
        p.wait(2 * S)
        steps = [t for t, v in p.truth_of("first selector 1/rotary") if v]
        assert len(steps) == 11
        magnet = p.truth_of("first selector 1/rotary magnet")
        assert [v for _, v in magnet] == [1, 0] * 11
        speeds.append(10e6 / (steps[-1] - steps[0]))
    assert all(33 * 0.96 < speed < 33 * 1.04 for speed in speeds)
    assert max(speeds) - min(speeds) > 0.1


def test_off_normal_springs_move_with_the_first_level_and_take_dial_tone_away(play: Play) -> None:
    p = play()
    p.call(1, "5")
    p.hang_up(1)
    p.wait(3 * S)
    for part in ("line finder 1", "first selector 1"):
        risen_us = next(t for t, v in p.truth_of(f"{part}/vertical") if v == 1)
        home_us = next(t for t, v in p.truth_of(f"{part}/vertical") if v == 0)
        assert p.truth_of(f"{part}/off-normal") == [(risen_us, 1), (home_us, 0)]
    # The pawl takes a tooth only after the magnet has fallen back: pulls and levels alternate with releases.
    assert [v for _, v in p.truth_of("first selector 1/vertical magnet")] == [1, 0] * 5
