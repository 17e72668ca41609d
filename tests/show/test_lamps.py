"""Which lamp is lit by which scene, and how slowly it changes: for scenes of real calls, and for anything at all."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.show.lamps import CHANGE_US, RINGING_POSSIBLE, Real, Steady, lamps_of
from demo_ctl.show.model import STAGES, Scene
from demo_ctl.terms.lamps import LAMPS_MOST, Lamp
from demo_ctl.wire import messages as m

Scenes = Callable[..., tuple[Scene, ...]]
PLAIN = ("a call", "dial tone", "talking", "tone", "a recording", "your turn", "ringing possible", "tripped")
REAL = st.builds(Real, st.integers(-1, 7), st.booleans(), st.booleans())


def lamp(shows: str, of: str | None = None, number: int = 1, how: str = "steady") -> Lamp:
    return Lamp.model_validate({"lamp": number, "shows": shows, "of": of, "how": how})


def row(number: int) -> st.SearchStrategy[Lamp]:
    how = st.sampled_from(["steady", "blinking"])
    return st.one_of(
        st.builds(lamp, st.sampled_from(PLAIN), st.none(), st.just(number), how),
        st.builds(
            lamp,
            st.sampled_from(["off the hook", "current", "dial contact", "ringing"]),
            st.sampled_from(["caller", "called", "counter", "parlour", "gallery"]),
            st.just(number),
            how,
        ),
        st.builds(
            lamp,
            st.sampled_from(["moves", "off normal"]),
            st.sampled_from(["line finder", "selector", "connector"]),
            st.just(number),
            how,
        ),
    )


TABLES = st.lists(st.integers(1, LAMPS_MOST), unique=True, max_size=LAMPS_MOST).flatmap(
    lambda numbers: st.tuples(*[row(number) for number in numbers])
)


@settings(deadline=None, max_examples=50)
@given(data=st.data(), table=TABLES, real=REAL)
def test_a_table_s_lamps_are_those_of_its_rows(
    sample_scenes: Scenes, data: st.DataObject, table: tuple[Lamp, ...], real: Real
) -> None:
    """Each row lights its own lamp, whatever the others say; blinking ones are among the lit."""
    scene = data.draw(st.sampled_from([None, *sample_scenes(data.draw(st.sampled_from(["answered", "busy"])))]))
    lit = lamps_of(table, scene, real)
    assert lit.blink & ~lit.lit == 0
    assert lit.lit < 1 << LAMPS_MOST
    for each in table:
        alone = lamps_of([each], scene, real)
        bit = 1 << each.lamp - 1
        assert lit.lit & bit == alone.lit
        assert lit.blink & bit == (alone.lit if each.how == "blinking" else 0)
    assert lit.lit & ~sum(1 << each.lamp - 1 for each in table) == 0


def is_lit(row: Lamp, scene: Scene | None, real: Real | None = None) -> bool:
    return lamps_of([row], scene, real or Real()).lit == 1 << row.lamp - 1


def test_every_word_against_the_scenes_of_a_real_call(sample_scenes: Scenes) -> None:
    """Said here a second time, and by other means where there are any: by the happening that made the scene."""
    seen: dict[str, set[bool]] = {}
    hook = {"caller": 0, "called": 0}
    moving: dict[str, str] = {}
    for scene in sample_scenes("answered"):
        last = scene.last
        if last is not None and last.thing == "hook":
            hook[last.part] = last.value
        if last is not None and last.thing.endswith(" magnet"):
            moving[last.part] = last.thing if last.value else ""
        for end, party in (("caller", scene.caller), ("called", scene.called)):
            assert is_lit(lamp("off the hook", end), scene) == bool(hook[end])
            assert is_lit(lamp("off the hook", party.name), scene) == bool(hook[end])
            assert is_lit(lamp("ringing", end), scene) == party.ringing
            assert is_lit(lamp("dial contact", end), scene) == party.open_contact
            assert is_lit(lamp("current", end), scene) == party.loop
            seen.setdefault(f"ringing {end}", set()).add(party.ringing)
        pulled = any(magnet for part, magnet in moving.items() if part.startswith("selector"))
        assert is_lit(lamp("moves", "selector"), scene) == pulled
        raised = any(each.vertical or each.rotary for each in scene.switches if each.name == "connector")
        assert is_lit(lamp("off normal", "connector"), scene) == raised
        for word in ("dial tone", "talking", "tone"):
            assert is_lit(lamp(word), scene) == (scene.stage == STAGES.index(word))
        assert is_lit(lamp("a call"), scene) == (0 < scene.stage < len(STAGES) - 1)
        seen.setdefault("moves", set()).add(pulled)
        seen.setdefault("off normal", set()).add(raised)
        seen.setdefault("talking", set()).add(is_lit(lamp("talking"), scene))
    assert seen["ringing called"] == seen["moves"] == seen["off normal"] == seen["talking"] == {True, False}
    assert seen["ringing caller"] == {False}
    assert any(is_lit(lamp("tone"), scene) for scene in sample_scenes("busy"))
    assert not any(is_lit(lamp("off the hook", "gallery"), scene) for scene in sample_scenes("answered"))


@settings(deadline=None, max_examples=60)
@given(data=st.data(), guard=st.integers(-1, 7), real=REAL)
def test_what_tells_of_the_guard_is_the_board_s_and_never_a_recording_s(
    sample_scenes: Scenes, data: st.DataObject, guard: int, real: Real
) -> None:
    """Whatever guard the scene tells of, whoever's turn it is: only the board's own state counts."""
    scene = replace(data.draw(st.sampled_from(sample_scenes("answered"))), guard=data.draw(st.integers(0, 7)))
    now = replace(real, guard=guard)
    for shown in (scene, None):
        assert is_lit(lamp("tripped"), shown, now) == (guard == m.G_TRIPPED)
        assert is_lit(lamp("ringing possible"), shown, now) == (guard in RINGING_POSSIBLE)
    assert set(RINGING_POSSIBLE) == {m.G_LIVE, m.G_FALLING}
    assert is_lit(lamp("your turn"), scene, real) == real.your_turn
    assert is_lit(lamp("a recording"), scene, real) == real.recording
    assert not is_lit(lamp("a recording"), None, real)


MASKS = st.integers(0, (1 << LAMPS_MOST) - 1) | st.integers(0, 3)
WANTS = st.lists(st.tuples(st.integers(0, 400_000), MASKS), min_size=1, max_size=40)


def steady(wants: list[tuple[int, int]], look_us: int) -> tuple[list[tuple[int, int]], list[tuple[int, int]], int]:
    """What was wanted when, and what was lit when, looked at each `look_us`; and the end."""
    made, now_us = Steady(), 0
    lit = [(0, made.lit)]
    wanted = []
    for later_us, mask in wants:
        until_us = now_us + later_us
        while now_us + look_us < until_us:
            now_us += look_us
            lit.append((now_us, made.at(now_us)))
        now_us = until_us
        wanted.append((now_us, mask))
        lit.append((now_us, made.want(mask, now_us)))
    for _ in range(3 * CHANGE_US // look_us + 2):
        now_us += look_us
        lit.append((now_us, made.at(now_us)))
    return wanted, lit, now_us


@settings(deadline=None, max_examples=200)
@given(WANTS, st.sampled_from([1_000, 20_000, 50_000, 100_000]))
def test_a_lamp_changes_slowly_misses_nothing_and_ends_as_wanted(wants: list[tuple[int, int]], look_us: int) -> None:
    wanted, lit, _ = steady(wants, look_us)
    for number in range(LAMPS_MOST):
        bit = 1 << number
        changes = [lit[n][0] for n in range(1, len(lit)) if (lit[n][1] ^ lit[n - 1][1]) & bit]
        assert all(b - a >= CHANGE_US for a, b in itertools.pairwise(changes))
        for at_us, mask in wanted:
            if mask & bit:  # however short: it is seen, no later than a change may come
                assert any(at_us <= us <= at_us + CHANGE_US + look_us and on & bit for us, on in lit)
    assert lit[-1][1] == wants[-1][1]


def test_ten_pulses_a_second_are_one_light_and_slow_ones_are_pulses() -> None:
    def flashes(period_us: int) -> int:
        wants = [(0, 1)] + [
            (each, mask) for _ in range(9) for each, mask in ((period_us * 6 // 10, 0), (period_us * 4 // 10, 1))
        ]
        _, lit, _ = steady([*wants, (period_us * 6 // 10, 0)], 10_000)
        return sum(b[1] > a[1] for a, b in itertools.pairwise(lit))

    assert flashes(100_000) == 1
    assert flashes(800_000) == 10


def test_no_lamp_flashes_more_than_three_times_in_a_second() -> None:
    """WCAG 2.2, success criterion 2.3.1, from memory: three flashes in any one second at the most."""
    wants = [(7_000, n & 1) for n in range(2000)] + [(180_000, n & 1) for n in range(100)]
    _, lit, end_us = steady(wants, 5_000)
    ups: list[int] = [b[0] for a, b in itertools.pairwise(lit) if b[1] > a[1]]
    assert len(ups) > 10
    assert all(sum(start <= up < start + 1_000_000 for up in ups) <= 3 for start in range(0, end_us, 10_000))


def test_lamps_of_a_row_that_was_never_lit_stay_dark(sample_scenes: Any) -> None:
    first = sample_scenes("answered")[0]
    assert lamps_of([lamp(word) for word in PLAIN], first, Real()).lit == 0
