"""The real limits: exactly at each, one microsecond before, and far past.

The explorer sets every limit to a few ticks; so the figures themselves are checked here, by what the modules do with
them. Each figure is written down here once more, so that a change of it is a change in two places. A check takes the
module (so that mutants can be put in its place) and yields what is wrong.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import ModuleType
from typing import Any

from demo_ctl.board import budget, bus, interlock, permit, petition
from demo_ctl.safety.laws import CHAIN, DOWN, HELD, KEY, MIRRORS, READY, RUN, WINDOW
from demo_ctl.wire import messages as m

#: Microseconds. Choices of this board (interlock.Times says why each is what it is).
FIGURES = {
    "pump_us": 10_000,
    "loop_us": 20_000,
    "pull_us": 50_000,
    "hold_us": 60_000,
    "drop_us": 250_000,
    "prove_us": 150_000,
    "apart_us": 200_000,
    "odd_us": 300_000,
    "key_us": 100_000,
}
SMALL = 1 << 30  # MicroPython keeps integers below this without allocating


class _Scene:
    """An interlock, and time in passes no longer than it asks for."""

    def __init__(self, module: ModuleType) -> None:
        make: Any = module.Interlock
        self.it = make()
        self.passes = 0

    def run(self, for_us: int, facts: int) -> int:
        """Let time pass with these facts; return how often the pump moved."""
        moves = int(self.it.step(0, facts, m.R_NONE))
        while for_us > 0:
            self.passes += 1
            if self.passes > 5_000:
                raise RuntimeError("it wants to be called without end")
            elapsed = min(for_us, max(1, self.it.wait_us))
            moves += int(self.it.step(elapsed, facts, m.R_NONE))
            for_us -= elapsed
        return moves

    def to(self, state: int) -> _Scene:
        """Go to a state by the straight way."""
        if state == m.G_LOCKED:
            return self
        self.run(200_000, DOWN)
        if state == m.G_KEY_OFF:
            return self
        self.run(150_000, DOWN | CHAIN | KEY)
        if state == m.G_SAFE:
            return self
        self.it.step(0, READY, m.R_NONE)
        if state == m.G_PROVING:
            return self
        self.run(160_000, READY)
        if state == m.G_ARMED:
            return self
        self.it.step(0, READY | WINDOW, m.R_NONE)
        if state == m.G_LIVE:
            return self
        self.run(55_000, HELD | WINDOW)
        self.it.step(0, HELD, m.R_NONE)
        return self


def _turns(module: ModuleType, what: str, begin: int, facts: int, limit_us: int, end: int) -> Iterator[str]:
    """From `begin`, with these facts, the state `end` comes at limit_us and not one microsecond before."""
    for early in (1, 0):
        scene = _Scene(module).to(begin)
        if scene.it.state != begin:
            yield f"{what}: did not come to {m.GUARD_STATES[begin]} but {m.GUARD_STATES[scene.it.state]}"
            return
        scene.run(limit_us - early, facts)
        if (scene.it.state == end) == bool(early):
            yield f"{what}: {early} us before {limit_us} us it is {m.GUARD_STATES[scene.it.state]}"


def interlock_boundaries(module: ModuleType) -> Iterator[str]:
    """Yield what is wrong with the interlock's own times."""
    make_times: Any = module.Times
    if (module.INPUTS, module.FACTS, module.READY | WINDOW) != (31, 1023, 1023):
        yield "facts: not the ten bits that others take them for"
    for name, figure in FIGURES.items():
        if getattr(make_times(), name) != figure:
            yield f"{name} is {getattr(make_times(), name)}, not {figure}"
    live = HELD | WINDOW
    yield from _turns(module, "key off", m.G_SAFE, DOWN, 100_000, m.G_KEY_OFF)
    yield from _turns(module, "key on", m.G_KEY_OFF, DOWN | CHAIN | KEY, 100_000, m.G_SAFE)
    yield from _turns(module, "stuck chain", m.G_LOCKED, DOWN, 100_000, m.G_KEY_OFF)
    yield from _turns(module, "proving", m.G_PROVING, READY, 150_000, m.G_ARMED)
    yield from _turns(module, "discrepancy", m.G_SAFE, DOWN | KEY | m.IN_CHAIN_A, 200_000, m.G_TRIPPED)
    yield from _turns(module, "odd mirror", m.G_SAFE, CHAIN | KEY | (DOWN & ~m.IN_MIRROR_B), 300_000, m.G_TRIPPED)
    yield from _turns(module, "odd bus", m.G_SAFE, CHAIN | KEY | MIRRORS, 300_000, m.G_TRIPPED)
    yield from _turns(module, "mirror at pull", m.G_LIVE, live | m.IN_MIRROR_A, 50_000, m.G_TRIPPED)
    yield from _turns(module, "no silence", m.G_FALLING, HELD | MIRRORS, 250_000, m.G_TRIPPED)
    yield from _turns(module, "hold", m.G_FALLING, HELD | DOWN, 60_000, m.G_SAFE)
    for late, state in ((0, m.G_LIVE), (1, m.G_TRIPPED)):
        scene = _Scene(module).to(m.G_LIVE)
        scene.run(60_000, live)
        scene.it.step(20_000 + late, live, m.R_NONE)
        if scene.it.state != state:
            yield f"loop: a pass {late} us later than 20 ms leaves it {m.GUARD_STATES[scene.it.state]}"
    scene = _Scene(module).to(m.G_LIVE)
    if scene.run(11_000_000, live & ~MIRRORS) != 1_100 or scene.run(9_999, live & ~MIRRORS):
        yield "pump: not a move each 10 ms"
    if any(isinstance(v, int) and not -1 <= v < SMALL for v in vars(scene.it).values()):
        yield "a number that MicroPython would allocate"
    scene.it.step(0, live & ~RUN, m.R_NONE)
    for elapsed in (1 << 28,) * 9:
        scene.it.step(elapsed, live, m.R_NONE)
    if any(isinstance(v, int) and not -1 <= v < SMALL for v in vars(scene.it).values()):
        yield "a number that MicroPython would allocate, after a long time"


_LIMITS = (5_000_000, 850_000, 90_000_000, 900_000_000)  # by day: burst, pause, call, hour


def budget_boundaries(module: ModuleType) -> Iterator[str]:
    """Yield what is wrong with the budget at limits as the board has them."""
    make: Any = module.Budget
    for gap_us, ends in ((849_999, True), (850_000, False)):
        it = make()
        it.step(4_000_000, True, True, _LIMITS)
        it.step(gap_us, True, False, _LIMITS)
        if (it.step(5_000_000 - 4_000_000 - 849_999, True, True, _LIMITS) == m.R_BURST) != ends:
            yield f"burst: a gap of {gap_us} us"
    for early in (1, 0):
        it = make()
        if (it.step(5_000_000 - early, True, True, _LIMITS) == m.R_BURST) == bool(early):
            yield f"burst: {early} us before its end"
        it = make()
        if (it.step(90_000_000 - early, True, False, _LIMITS) == m.R_CALL) == bool(early):
            yield f"call: {early} us before its end"
        it = make()
        for _ in range(4):
            it.step(90_000_000, True, False, _LIMITS)
            it.new_call(False, True)
        if (it.step(90_000_000 - early, True, False, (*_LIMITS[:2], 200_000_000, _LIMITS[3])) == m.R_HOUR) == bool(
            early
        ):
            yield f"hour: {early} us before its end"
    # 450 s are filled by an hour's rest, less what rounding up costs: 3600000 ms / 449999 ms, rounded up, is 9.
    it = make()
    it.step(450_000_000, True, False, _LIMITS)
    if it.left_us(_LIMITS):
        yield "hour: something left of nothing"
    for rest_us, left_us in ((8_999, 0), (1, 1_000), (9_000 * 99 - 1, 99_000), (1, 100_000)):
        it.new_call(False, True)
        it.step(rest_us, False, False, _LIMITS)
        if it.left_us(_LIMITS) != left_us:
            yield f"hour: after a rest {it.left_us(_LIMITS)} us are left, not {left_us}"
    # What rest there was when nothing was spent is not saved up.
    it = make()
    for rest_us, left_us in ((1 << 28, 449_000_000), (8_999, 449_000_000), (1, 449_001_000)):
        it.step(rest_us, False, False, _LIMITS)
        if rest_us == 1 << 28:
            it.step(1_000_000, True, False, _LIMITS)
        if it.left_us((0, 0, 1 << 40, _LIMITS[3])) != left_us:
            yield "hour: rest is saved up"
    # A limit that an hour's rest would give back all but one millisecond of: there the hour itself shows.
    for hour_us, one_us in ((900_002_000, 8_000), (7_200_000_000, 2_000)):
        it = make()
        it.step(1_000_000, True, False, _LIMITS)
        it.step(one_us - 1, False, False, (*_LIMITS[:3], hour_us))
        before_us = it.left_us((0, 0, 1 << 40, _LIMITS[3]))
        it.step(1, False, False, (*_LIMITS[:3], hour_us))
        if (before_us, it.left_us((0, 0, 1 << 40, _LIMITS[3]))) != (449_000_000, 449_001_000):
            yield "hour: its length"
    it = make()
    for _ in range(9):
        it.step(1 << 28, True, True, _LIMITS)
    if not all(v <= 1 << 29 for v in vars(it).values()):
        yield "a number that grows on"
    if it.burst_us != 1 << 29 or it.spent_us != 1 << 29 or it.call_us != 1 << 29:
        yield "it does not count as far as any limit reaches"


def bus_boundaries(module: ModuleType) -> Iterator[str]:
    """Yield what is wrong with the bus at its real figures."""
    make: Any = module.Bus
    good = (1, 0, 0, 80_000, 50_000)
    if make().reading != (0, 0, 0, 0, 0):
        yield "reading: something is said before the first"
    for early in (1, 0):
        it = make()
        it.step(0, good, False, False, 180_000, 100_000, 2_000)
        found = it.step(160_000 - early, good, False, False, 180_000, 100_000, 2_000)
        if (found == m.R_STALE) == bool(early) or it.left_us() != early:
            yield f"stale: {early} us before 160 ms"
    edges = (
        ("quiet", 1, 9_999, 10_000),
        ("fit", 3, 60_000, 59_999),
        ("fit", 3, 100_000, 100_001),
        ("fit", 4, 42_000, 41_999),
        ("fit", 4, 56_500, 56_501),
    )
    for what, place, yes, no in edges:
        for value, wanted in ((yes, True), (no, False)):
            it = make()
            reading = list(good)
            reading[place] = value
            it.step(0, tuple(reading), False, False, 180_000, 100_000, 2_000)
            if getattr(it, what) != wanted:
                yield f"{what}: at {value}"
    for early in (1, 0):
        it = make()
        it.step(0, good, False, True, 180_000, 100_000, 2_000)
        found = it.step(150_000, (2, *good[1:]), False, True, 180_000, 100_000, 2_000)
        found = found or it.step(150_000 - early, (3, *good[1:]), False, True, 180_000, 100_000, 2_000)
        if (found == m.R_ISOLATOR) == bool(early):
            yield f"isolated: {early} us before 300 ms"
    for battery, ceiling in ((0, 100_000), (58_500, 100_000), (58_501, 99_999), (199_999, 0), (200_000, 0)):
        if module.ceiling_mV(100_000, battery) != ceiling:
            yield f"ceiling: {module.ceiling_mV(100_000, battery)} mV with {battery} mV of battery, not {ceiling}"


_NIGHT = m.IN_KEY | m.IN_NIGHT | m.IN_FUSE | m.IN_RELEASE | m.IN_SUPERVISORY | m.IN_SMOKE


def permit_boundaries(module: ModuleType) -> Iterator[str]:
    """Yield what is wrong with the permit at its real figures."""
    make: Any = module.Permit
    for asked_ms, given_us in ((1, 1_000), (10_000, 10_000_000), (10_001, 10_000_000)):
        for early in (1, 0):
            it = make()
            it.ask(asked_ms, _NIGHT)
            if bool(it.step(given_us - early, _NIGHT)) != bool(early):
                yield f"lease of {asked_ms} ms: {early} us before its end"
    for early in (1, 0):
        it = make()
        it.ask(1_000, _NIGHT)
        it.step(0, _NIGHT & ~m.IN_SMOKE)
        if bool(it.step(50_000 - early, _NIGHT & ~m.IN_SMOKE)) != bool(early):
            yield f"alarm: {early} us before 50 ms"


def petition_boundaries(module: ModuleType) -> Iterator[str]:
    """Yield what is wrong with the petition at its real figures."""
    make: Any = module.Petition
    for early in (1, 0):
        it = make()
        it.open(2, 90_000_000, 90_000_000, True)
        it.step(400_000 - early, False)
        if it.late(False) == bool(early):
            yield f"arming: {early} us before 400 ms"
        it.step(0, True)
        it.close()
        it.step(200_000 - early, False)
        if bool(it.trips(False, 1, False)) == bool(early):
            yield f"release: {early} us before 200 ms"
        it = make()
        it.step(200_000 - early, False)
        if bool(it.trips(False, 1, False)) == bool(early):
            yield f"after the start: {early} us before 200 ms"
        it = make()
        it.turned_on()
        it.begin(m.PLAN_VISITORS)
        for elapsed_us in (999, 1) * 900 + (1_799_099_999,):
            it.step(elapsed_us, False)
        it.step(1 - early, False)
        if bool(it.withdraws(m.IN_KEY, 1_800_000)) == bool(early) or it.wait_us(False, 0, 1_800_000) != (early or -1):
            yield f"session: {early} us before half an hour"
        it = make()
        it.open(1, 90_000_000, 90_000_000, True)
        it.step(90_000_000 - early, True)
        if bool(it.trips(True, 0, False)) == bool(early):
            yield f"window: {early} us before 90 s"
    it = make()
    if it.session_left(m.IN_KEY, 1_800_000) or it.port or it.mode != m.MODE_DAY or it.kind != m.PLAN_CALL:
        yield "something is allowed before anybody asked"
    if it.session_left(m.IN_KEY, (1 << 29) + 7) != 7:
        yield "a session that was never begun is not as old as can be"
    it.turned_on()
    it.open(1, 90_000_000, 90_000_000, True)
    for _ in range(9):
        it.step(1 << 28, True)
    if any(isinstance(v, int) and not 0 <= v < SMALL for v in vars(it).values()):
        yield "a number that MicroPython would allocate"
    if it._age_us != 1 << 29 or it.session_left(m.IN_KEY, 1 << 29) != (1 << 29) - 9 * (1 << 28) // 1000:
        yield "it does not count as far as any limit reaches"


@dataclass(frozen=True)
class Boundaries:
    """module: what is checked; check: yields what is wrong with it."""

    module: ModuleType
    check: Callable[[ModuleType], Iterator[str]]


BOUNDARIES = (
    Boundaries(interlock, interlock_boundaries),
    Boundaries(budget, budget_boundaries),
    Boundaries(bus, bus_boundaries),
    Boundaries(permit, permit_boundaries),
    Boundaries(petition, petition_boundaries),
)
