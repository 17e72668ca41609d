"""Rules of the guard that one changed line of it could lose unseen: each test here is lost with one such line."""

from __future__ import annotations

from typing import Any

import pytest

from demo_ctl.board.bus import ISOLATED_US, STALE_US
from demo_ctl.board.limits import FLOWS_uA, safety_limits
from demo_ctl.wire import messages as m
from tests.board.in_memory import Stage

I = m.Instruction  # noqa: E741
READING_US = 50_000  # the bus is measured this often
PASS_US = 10_000  # the firmware looks at least this often while ringing is live
_first_limits: Any = safety_limits  # the firmware has no types


def _ring(port: int = 2) -> list[m.Instruction]:
    return [I(m.OP_RINGING, port, 1, 25_000_000, 0), I(m.OP_WAIT, 0, 0, 24_000_000, 0)]


def _live(kind: int = m.PLAN_CALL, night: bool = False, port: int = 2, tighten: tuple[int, int] | None = None) -> Any:
    """A board a second after a plan of this kind was started, whose only port `port` may be rung: ringing is let on."""
    stage = Stage()
    stage.turn_key()
    if night:
        stage.pins.input_bits |= m.IN_NIGHT
    stage.hello()
    if tighten:
        assert stage.ask(m.Tighten(*tighten)).code == m.OK
    roles = [m.UNUSED] * 4
    roles[port - 1] = m.CALLED
    assert not any(stage.upload(5, _ring(port), tuple(roles), kind))
    assert stage.ask(m.Start(5)).code == m.OK
    stage.run(stage.now_us + 1_000_000)
    assert stage.firmware.guard.live
    return stage


def _trip(stage: Any) -> int:
    """The reason of the latest trip; R_NONE: there was none."""
    trip = stage.firmware.guard.trip(0)
    return int(trip[0]) if trip else m.R_NONE


def _passes(stage: Any, until_us: int) -> None:
    """Run as the chip's loop does, which goes round at least this often also where nothing is due."""
    stage.extra = list(range(stage.now_us, until_us, PASS_US))
    stage.run(until_us)


# Limits.


def test_a_burst_is_seen_by_the_current_on_the_bus_where_no_port_senses_it() -> None:
    stage = _live()
    from_us = stage.now_us
    stage.pins.bus_uA = FLOWS_uA
    stage.run(from_us + 20_000_000)
    assert _trip(stage) == m.R_BURST
    assert from_us + 4_900_000 < stage.pumps()[-1] <= from_us + READING_US + 5_000_000


def test_less_current_than_any_bell_takes_is_no_burst() -> None:
    stage = _live()
    stage.pins.bus_uA = FLOWS_uA - 1
    stage.run(stage.now_us + 20_000_000)
    assert _trip(stage) == m.R_NONE
    assert stage.firmware.guard.live


@pytest.mark.parametrize(
    ("kind", "night", "mode"),
    [(m.PLAN_VISITORS, False, m.MODE_VISITORS), (m.PLAN_CALL, True, m.MODE_NIGHT)],
)
@pytest.mark.parametrize(
    ("which", "reason", "left_us"), [(m.L_BURST_MS, m.R_BURST, 2_000_000), (m.L_CALL_MS, m.R_CALL, 1_500_000)]
)
def test_what_the_host_tightened_for_the_day_holds_in_every_mode(
    kind: int, night: bool, mode: int, which: int, reason: int, left_us: int
) -> None:
    """2 s, less than what night and visitors allow. left_us: of them, a second after the plan's start."""
    assert min(_first_limits()[m.L_NIGHT_BURST_MS], _first_limits()[m.L_VISITORS_BURST_MS]) > 2_000
    stage = _live(kind, night, tighten=(which, 2_000))
    assert stage.firmware.guard.mode == mode
    from_us = stage.now_us
    stage.pins.bus_uA = 20_000
    stage.run(from_us + 10_000_000)
    assert _trip(stage) == reason
    assert stage.pumps()[-1] <= from_us + READING_US + left_us


_DAY = (m.L_WINDOW_MS, m.L_BURST_MS, m.L_CALL_MS, m.L_HOUR_MS)
_NIGHT = (m.L_NIGHT_WINDOW_MS, m.L_NIGHT_BURST_MS, m.L_NIGHT_CALL_MS, m.L_NIGHT_HOUR_MS)
_VISITORS = (m.L_VISITORS_WINDOW_MS, m.L_VISITORS_BURST_MS, m.L_VISITORS_CALL_MS, m.L_VISITORS_HOUR_MS)


@pytest.mark.parametrize(
    ("kind", "night", "four"),
    [(m.PLAN_CALL, False, _DAY), (m.PLAN_CALL, True, _NIGHT), (m.PLAN_VISITORS, False, _VISITORS)],
)
def test_the_watches_get_the_limits_of_the_mode_that_holds_exactly(
    kind: int, night: bool, four: tuple[int, ...]
) -> None:
    guard, first = _live(kind, night).firmware.guard, _first_limits()
    window_us, burst_us, call_us, hour_us = (first[which] * 1000 for which in four)
    assert guard.window_us == window_us
    assert guard._budget_limits == (burst_us, first[m.L_PAUSE_MS] * 1000, call_us, hour_us)
    assert guard._current_uA == first[m.L_CURRENT_mA] * 1000
    assert guard._ceiling_mV == first[m.L_CEILING_V] * 1000


def test_a_limit_may_be_made_what_it_is() -> None:
    stage = Stage()
    stage.hello()
    for which, value in enumerate(_first_limits()[: m.L_PAUSE_MS]):
        assert stage.ask(m.Tighten(which, value)).code == m.OK
        assert stage.ask(m.Tighten(which, value + 1)).code == m.E_LOOSER


# Lines.


@pytest.mark.parametrize("rung", [1, 2])
@pytest.mark.parametrize("port", [1, 2, 3, 4])
def test_somebody_off_the_hook_on_any_port_that_takes_no_part_trips(port: int, rung: int) -> None:
    stage = _live(port=rung)
    from_us = stage.now_us
    stage.pins.at(from_us + 1_000, 4 * (port - 1) + m.LOOP, 1)
    stage.run(from_us + 500_000)
    if port == rung:  # that is whom we ring
        assert _trip(stage) == m.R_NONE
    else:
        assert _trip(stage) == m.R_OFF_HOOK
        assert stage.pumps()[-1] <= from_us + PASS_US


@pytest.mark.parametrize(("lost", "reason"), [(0, m.R_NONE), (1, m.R_TOKEN)])
def test_while_edges_are_lost_and_more_wait_nothing_is_known_of_the_lines(lost: int, reason: int) -> None:
    """None of those that wait is old, so nothing else tells that one is missing."""
    stage = _live()
    pins = stage.pins
    pumped_us = stage.pumps()[-1]

    def chatter() -> None:
        # Port 2's battery senses: more edges than a pass takes, all of this very moment.
        for nth in range(4):
            pins.edges.append((pins.ticks_us(), (4 + m.NORMAL) << 1 | (1 - nth & 1)))
        pins.lost += lost

    stage.do(pumped_us + PASS_US, chatter)
    stage.run(pumped_us + PASS_US)
    assert _trip(stage) == reason
    assert (stage.pumps()[-1] == pumped_us) == (reason != m.R_NONE)


# The night.


@pytest.mark.parametrize(
    ("missing", "reason"),
    [
        (m.IN_ALONE, m.R_PRESENCE),
        (m.IN_COVERS, m.R_COVERS),
        (m.IN_SMOKE, m.R_SMOKE),
        (m.IN_FUSE, m.R_FUSE),
        (m.IN_RELEASE, m.R_RELEASE),
        (m.IN_SUPERVISORY, m.R_SUPERVISORY),
    ],
)
def test_at_night_the_pump_does_not_move_once_more_in_the_pass_that_sees_why_not(missing: int, reason: int) -> None:
    stage = _live(night=True)
    pumped_us = stage.pumps()[-1]
    due_us = pumped_us + PASS_US  # the next move
    stage.do(due_us, lambda: setattr(stage.pins, "input_bits", stage.pins.input_bits & ~missing))
    stage.run(due_us - 1)
    assert stage.firmware.guard.live
    stage.run(due_us + 1_000_000)
    assert stage.pumps()[-1] == pumped_us
    assert stage.firmware.sequencer.reason == reason
    assert _trip(stage) == m.R_NONE


def test_a_switch_that_is_not_home_latches_the_supply_until_the_key_was_off() -> None:
    stage = Stage()
    stage.turn_key()
    stage.hello()
    stage.pins.input_bits |= m.IN_NIGHT
    for reason, latches in ((m.R_LEASE, False), (m.R_NOT_HOME, True)):
        assert stage.ask(m.Permit(9000, 0)).code == m.OK
        assert stage.firmware.guard.permit.held
        assert stage.ask(m.Permit(0, reason)).code == m.OK
        assert not stage.firmware.guard.permit.held
        assert stage.events(m.EV_PERMIT)[-1].value == reason << 8
        again = stage.ask(m.Permit(9000, 0))
        assert (again.code, again.detail) == ((m.E_STATE, reason) if latches else (m.OK, 0))
    stage.run(stage.now_us + 3_000_000)
    assert stage.ask(m.Permit(9000, 0)).detail == m.R_NOT_HOME
    stage.turn_key()
    assert stage.ask(m.Permit(9000, 0)).code == m.OK


@pytest.mark.parametrize("smoke", [False, True])
def test_for_the_supply_the_key_is_off_only_when_it_was_turned_off(smoke: bool) -> None:
    """A loose wire of it drops nothing, and hides no alarm that comes in the meantime."""
    stage = Stage()
    stage.turn_key()
    stage.hello()
    stage.pins.input_bits |= m.IN_NIGHT
    fine = stage.pins.input_bits
    assert stage.ask(m.Permit(9000, 0)).code == m.OK
    stage.pins.input_bits = fine & ~(m.IN_KEY | (m.IN_SMOKE if smoke else 0))
    _passes(stage, stage.now_us + 90_000)
    stage.pins.input_bits = fine
    _passes(stage, stage.now_us + 200_000)
    assert stage.firmware.guard.permit.held == (not smoke)
    assert stage.ask(m.Permit(9000, 0)).detail == (m.R_SMOKE if smoke else m.R_NONE)


# The bus, while nothing rings.


@pytest.mark.parametrize("welded", [False, True])
@pytest.mark.parametrize("at_boot", [False, True])
def test_a_generator_that_stays_is_told_with_the_key_off_and_while_locked(at_boot: bool, welded: bool) -> None:
    """Whoever turns the key off, or opens a cover before turning it on, relies on the isolator."""
    stage = Stage()
    if at_boot:
        stage.pins.input_bits &= ~3  # a cover is open
        state = m.G_LOCKED
    else:
        stage.turn_key()
        stage.run(stage.now_us + 500_000)
        stage.pins.input_bits &= ~(m.IN_KEY | 3)
        state = m.G_KEY_OFF
    from_us = stage.now_us
    stage.pins.welded = welded
    _passes(stage, from_us + READING_US + ISOLATED_US + PASS_US)
    assert stage.firmware.guard.state == (m.G_TRIPPED if welded else state)
    assert _trip(stage) == (m.R_ISOLATOR if welded else m.R_NONE)


def test_a_bus_that_is_not_measured_trips_while_nothing_is_asked_for_too() -> None:
    stage = Stage()
    stage.turn_key()
    stage.run(stage.now_us + 500_000)
    assert stage.firmware.guard.state == m.G_SAFE
    from_us = stage.now_us
    stage.pins.readings = False
    _passes(stage, from_us + STALE_US + 2 * PASS_US)
    assert _trip(stage) == m.R_STALE
    assert stage.firmware.guard.trip(0)[3] == m.G_SAFE  # the state before


# What is in the way.


def _no_supply(pins: Any) -> None:
    pins.supply_mV = 0


def _fed_bus(pins: Any) -> None:
    pins.bus_mV = 90_000


def _relay_up(pins: Any) -> None:
    pins.input_bits &= ~m.IN_MIRROR_A


def _low_memory(pins: Any) -> None:
    pins.low = True


def _cover(pins: Any) -> None:
    pins.input_bits &= ~(m.IN_CHAIN_A | m.IN_CHAIN_B)


def _key(pins: Any) -> None:
    pins.input_bits &= ~m.IN_KEY


@pytest.mark.parametrize(
    ("does", "reason"),
    [
        (_no_supply, m.R_SUPPLY),
        (_fed_bus, m.R_BUS),
        (_relay_up, m.R_MIRROR),
        (_low_memory, m.R_MEMORY),
        (_cover, m.R_CHAIN),
        (_key, m.R_KEY),
    ],
)
def test_what_is_in_the_way_is_told_before_anybody_asks_to_ring(does: Any, reason: int) -> None:
    """And a plan that asks all the same is ended with that reason."""
    stage = Stage()
    stage.turn_key()
    stage.hello()
    stage.run(stage.now_us + 500_000)
    assert stage.firmware.guard.obstacle() == m.R_NONE
    does(stage.pins)
    stage.extra = [stage.now_us + 1]
    stage.run(stage.now_us + 120_000)  # two readings of the bus, and no time yet for a trip
    assert stage.firmware.guard.obstacle() == reason
    roles = (m.UNUSED, m.CALLED, m.UNUSED, m.UNUSED)
    assert not any(stage.upload(5, _ring(2), roles, m.PLAN_CALL))
    stage.ask(m.Start(5))
    stage.run(stage.now_us + 100_000)
    assert not stage.firmware.guard.live
    ended = [each for each in stage.events(m.EV_PLAN) if each.value & 0xFF == m.ENDED_EARLY]
    assert [each.value >> 8 for each in ended] == [reason]
