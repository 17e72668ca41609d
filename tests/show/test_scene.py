"""Scenes: folding, the switches' places in the picture, late joiners, JSON."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import fields, replace
from functools import reduce
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.show.model import STAGES, TONES, Happening, Known, Party, Scene, Switch
from demo_ctl.show.scene import RELAYS, as_json, at_rest, fold, scenes, start

Make = Callable[..., Any]

_PARTS = (
    "caller",
    "called",
    "call",
    "guard",
    "line counter",
    "line parlour",
    "line gallery",
    "line finder 1",
    "line finder 2",
    "selector 1",
    "selector 2",
    "connector 3-1",
    "selector of caller",
    "line finder of called",
)
_THINGS = (
    *RELAYS,
    "hook",
    "loop",
    "digit",
    "pulse",
    "pulses",
    "battery",
    "tone",
    "stage",
    "state",
    "serves",
    "vertical",
    "rotary",
    "vertical magnet",
    "rotary magnet",
    "release magnet",
    "off-normal",
    "sleeve",
    "line relay",
    "cut-off relay",
    "a thing of a later day",
)


@st.composite
def happenings(draw: st.DrawFn) -> list[Happening]:
    many = draw(st.integers(0, 60))
    found = []
    for number in range(1, many + 1):
        thing = draw(st.sampled_from(_THINGS))
        most = {"serves": 2, "battery": 2, "tone": 5, "stage": 11, "vertical": 10, "rotary": 11, "digit": 7}
        value = draw(st.integers(0, most.get(thing, 1)))
        part = draw(st.sampled_from(_PARTS))
        known: Known = draw(st.sampled_from(("sensed", "inferred", "simulated")))
        found.append(Happening(number, number * 1000, part, thing, value, known, draw(st.integers(0, number - 1))))
    return found


@pytest.fixture(scope="module")
def first(bench_call: Make) -> Scene:
    call = bench_call()
    return start(call.plan, call.unit)


def test_a_call_begins_at_rest(first: Scene) -> None:
    assert (first.number, first.stage, first.last) == (0, 0, None)
    assert [(each.kind, each.name, each.serves) for each in first.switches] == [
        ("finder", "line finder", 1),
        ("selector", "selector", 1),
        ("connector", "connector", 1),
    ]
    assert all(at_rest(each) for each in first.switches)
    assert first.caller == Party("counter", 1, battery=1)
    assert first.called == Party("parlour", 2, battery=1)


def test_the_called_end_is_known_though_it_is_not_to_be_rung(bench_call: Make) -> None:
    busy, vacant = bench_call("busy"), bench_call("wrong-number")
    assert busy.plan.called_port == 0
    assert start(busy.plan, busy.unit).called.name == "parlour"
    nobody = start(vacant.plan, vacant.unit).called
    assert (nobody.name, nobody.port, nobody.battery) == ("empty terminal", 0, 0)
    off_hook = bench_call("permanent-off-hook")
    assert start(off_hook.plan, off_hook.unit).called == Party("", 0)


@settings(deadline=None, max_examples=60)
@given(data=st.data())
def test_laws_of_folding(first: Scene, data: st.DataObject) -> None:
    """Folding is a function; a late joiner's latest scene and the rest give what an early one has; parts are unique."""
    many = data.draw(happenings())
    early = list(scenes(first, many))
    assert list(scenes(first, many)) == early
    join = data.draw(st.integers(0, len(many)))
    at_join = early[join - 1] if join else first
    assert reduce(fold, many[join:], at_join) == (early[-1] if early else first)
    for scene, happening in zip(early, many, strict=True):
        assert (scene.number, scene.at_us, scene.last) == (happening.number, happening.at_us, happening)
        parts = [each.part for each in scene.switches]
        assert len(set(parts)) == len(parts)
        for stage in range(3):
            assert sum(each.stage == stage and each.serves == 1 for each in scene.switches) == 1
            assert sum(each.stage == stage and each.serves == 2 for each in scene.switches) <= 1
        assert not any(each.serves == 0 and at_rest(each) for each in scene.switches)
        assert list(scene.switches) == sorted(
            scene.switches, key=lambda each: ((0 if each.serves == 1 else 1 if each.serves == 2 else 2), each.stage)
        )


@settings(deadline=None, max_examples=80)
@given(many=happenings())
def test_a_part_changes_only_its_own_picture(first: Scene, many: list[Happening]) -> None:
    """What an unfolded replay leans on: the parts' happenings may be mixed in any way that keeps each part's order."""
    moves = [each for each in many if each.thing != "serves"]
    apart = sorted(moves, key=lambda each: each.part)  # stable: each part's own order stays
    one, two = reduce(fold, moves, first), reduce(fold, apart, first)
    assert replace(one, number=0, at_us=0, last=None) == replace(two, number=0, at_us=0, last=None)


def test_a_switch_on_its_way_home_makes_room_for_the_next(first: Scene) -> None:
    def happen(part: str, thing: str, value: int) -> Happening:
        return Happening(1, 0, part, thing, value, "simulated")

    def parts(scene: Scene) -> list[tuple[str, int]]:
        return [(each.part, each.serves) for each in scene.switches if each.stage == 0]

    up = reduce(fold, [happen("line finder 1", "serves", 1), happen("line finder 1", "vertical", 4)], first)
    assert parts(up) == [("line finder 1", 1)]  # the one at rest, that nobody had named, is this one
    both = fold(up, happen("line finder 2", "serves", 1))
    assert parts(both) == [("line finder 2", 1), ("line finder 1", 0)]
    home = fold(both, happen("line finder 1", "vertical", 0))
    assert parts(home) == [("line finder 2", 1)]
    theirs = fold(home, happen("line finder 1", "serves", 2))
    assert parts(theirs) == [("line finder 2", 1), ("line finder 1", 2)]
    assert parts(fold(theirs, happen("line finder 1", "serves", 0))) == [("line finder 2", 1)]


def test_json_says_everything_and_nothing_else(sample_scenes: Make) -> None:
    for truth in (False, True):
        for scene in sample_scenes("answered", "mossbrook", truth=truth):
            given = json.loads(json.dumps(as_json(scene)))
            assert set(given) == {field.name for field in fields(Scene)}
            switches = tuple(Switch(**{**each, "relays": tuple(each["relays"])}) for each in given["switches"])
            ends = [Party(**{**given[end], "relays": tuple(given[end]["relays"])}) for end in ("caller", "called")]
            last = Happening(**given["last"]) if given["last"] else None
            back = Scene(**{**given, "switches": switches, "caller": ends[0], "called": ends[1], "last": last})
            assert back == scene


def test_pictures_stay_inside_what_they_may_be(sample_scenes: Make) -> None:
    for scene in sample_scenes("flash", "mossbrook", truth=True):
        assert 0 <= scene.stage < len(STAGES)
        for end in (scene.caller, scene.called):
            assert 0 <= end.tone < len(TONES)
            assert 0 <= end.battery <= 2
        for switch in scene.switches:
            assert 0 <= switch.vertical <= 10
            assert 0 <= switch.rotary <= 11
            assert set(switch.relays) <= set(RELAYS)


def test_one_scene_a_happening(sample_scenes: Make) -> None:
    found = sample_scenes("answered", "travelling")
    assert [scene.number for scene in found] == list(range(len(found)))
    assert all(one.at_us <= two.at_us for one, two in pairwise(found))
