"""The interlock at its real limits: exactly at each, a microsecond before; and the way through all of its states."""

from __future__ import annotations

from typing import Any

import pytest

from demo_ctl.board import interlock
from demo_ctl.safety.boundaries import BOUNDARIES, FIGURES, Boundaries, interlock_boundaries
from demo_ctl.safety.laws import CHAIN, DOWN, HELD, KEY, READY, WINDOW
from demo_ctl.wire import messages as m


@pytest.mark.parametrize("each", BOUNDARIES, ids=lambda each: each.module.__name__.rsplit(".", 1)[-1])
def test_at_the_real_limits(each: Boundaries) -> None:
    assert list(each.check(each.module)) == []


@pytest.mark.parametrize("name", FIGURES)
@pytest.mark.parametrize("off_us", [-1, 1])
def test_a_limit_that_is_one_microsecond_off_is_noticed(
    name: str, off_us: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Off(interlock.Times):
        def __init__(self) -> None:
            super().__init__(**{name: FIGURES[name] + off_us})

    monkeypatch.setattr(interlock, "Times", Off)
    found = list(interlock_boundaries(interlock))
    assert any(each.startswith(name) for each in found)
    assert len(found) > 1, "only the figure itself was looked at"


def test_the_way_through_all_states() -> None:
    it: Any = interlock.Interlock()
    seen: list[tuple[int, int]] = []

    def step(elapsed_us: int, facts: int, fault: int = m.R_NONE) -> bool:
        moves = it.step(elapsed_us, facts, fault)
        if not seen or seen[-1] != (it.state, it.reason):
            seen.append((it.state, it.reason))
        return bool(moves)

    rest, on = DOWN, DOWN | CHAIN | KEY
    for facts in (rest, rest, on, on):
        assert not step(50_000, facts)
        assert not step(50_000, facts)
    assert not step(10_000, READY)
    assert not step(150_000, READY)
    assert step(0, READY | WINDOW)
    assert [step(5_000, HELD | WINDOW | DOWN) for _ in range(4)] == [False, True, False, True]
    assert not step(10_000, HELD)
    assert not step(70_000, HELD | DOWN)
    assert not step(0, READY, m.R_UNEXPECTED_RINGING)
    for _ in range(100):
        assert not step(1 << 28, READY | WINDOW)
    for facts in (rest, rest, on, on):
        assert not step(100_000, facts)
    assert seen == [
        (m.G_LOCKED, m.R_LOCKED),
        (m.G_KEY_OFF, m.R_KEY),
        (m.G_SAFE, m.R_NONE),
        (m.G_PROVING, m.R_NONE),
        (m.G_ARMED, m.R_NONE),
        (m.G_LIVE, m.R_NONE),
        (m.G_FALLING, m.R_NONE),
        (m.G_SAFE, m.R_NONE),
        (m.G_TRIPPED, m.R_UNEXPECTED_RINGING),
        (m.G_KEY_OFF, m.R_KEY),
        (m.G_SAFE, m.R_NONE),
    ]
