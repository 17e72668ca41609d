"""Happenings of real calls on the bench: they say what the record says, and what really happened inside the unit.

The record is read again here in a straightforward way of its own: for an instant, what do the events up to it say?
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.show.happen import happenings
from demo_ctl.show.model import STAGES, TONES, Happening, Scene
from demo_ctl.show.scene import scenes, start
from demo_ctl.wire import messages as m

Make = Callable[..., Any]
CONFIGS = Path(__file__).parents[2] / "configs"

SCRIPTS = (
    "abandoned",
    "all-trunks-busy",
    "answered",
    "busy",
    "called-clears-first",
    "flash",
    "no-answer",
    "permanent-off-hook",
    "wrong-number",
)
UNITS = ("travelling", "mossbrook")

#: Any call that can be made: script, unit, seed of the unit's adjustment, pace.
CALLS = st.tuples(
    st.sampled_from(SCRIPTS), st.sampled_from(UNITS), st.integers(1, 4), st.sampled_from(["1", "1/2", "1/5", "2"])
)


# -- an independent reading of a record ----------------------------------------------------------------------------


@dataclass
class Said:
    """What the events up to an instant say of one end."""

    off_hook: bool
    loop: bool
    battery: int
    ringing: bool
    open_contact: bool
    pulses: int


def said_of(call: Any, events: Sequence[m.Event], port: int, at_us: int) -> Said:
    steps = call.plan.timeline.steps
    over = [each.at_us for each in events if each.kind == m.EV_PLAN and each.value & 255 in (m.FINISHED, m.ENDED_EARLY)]
    hooks = [
        steps[each.value & 0xFFFF].x
        for each in events
        if each.kind == m.EV_ENDED
        and each.value >> 16 == m.DONE
        and steps[each.value & 0xFFFF].op == m.OP_LOOP
        and steps[each.value & 0xFFFF].port == port
    ]
    levels = {m.LOOP: 0, m.NORMAL: 1, m.REVERSED: 0, m.RINGING: 0}
    for each in events:
        if each.kind == m.EV_EDGE and each.port == port:
            levels[each.value >> 1] = each.value & 1
    open_contact, pulses = False, 0
    for each in events:
        if each.kind == m.EV_BEGAN and each.port == port and steps[each.value].op == m.OP_PULSES:
            step = steps[each.value]
            since_us = at_us - each.at_us
            period_us = step.a + step.b
            done, inside_us = divmod(since_us, period_us)
            open_contact = done < step.x and inside_us < step.a
            if "dials" in step.label:
                pulses = min(step.x, done + 1)
    return Said(
        off_hook=bool(hooks and hooks[-1]) and not over,
        loop=bool(levels[m.LOOP]),
        battery=2 if levels[m.REVERSED] else levels[m.NORMAL],
        ringing=bool(levels[m.RINGING]),
        open_contact=open_contact and not over,
        pulses=pulses,
    )


def check_against_record(call: Any, found: Sequence[Happening]) -> None:
    """At every instant of the record the picture shows what the record says."""
    events = call.observation.events
    shown = list(scenes(start(call.plan, call.unit), found))
    stamps: list[int] = []
    for event in events:
        stamps.append(max(event.at_us, stamps[-1] if stamps else 0))
    place = 0
    scene: Scene = start(call.plan, call.unit)
    digits_begun, hung_up = 0, False
    for index, event in enumerate(events):
        steps = call.plan.timeline.steps
        port = scene.caller.port
        if event.kind == m.EV_BEGAN and event.port == port and "dials" in steps[event.value].label:
            digits_begun += 1
            hung_up = False
        if event.kind == m.EV_ENDED and event.port == port:
            step = steps[event.value & 0xFFFF]
            hung_up = hung_up or (step.op == m.OP_LOOP and not step.x)
        if index + 1 < len(events) and stamps[index + 1] == stamps[index]:
            continue
        while place < len(shown) and shown[place].at_us <= stamps[index]:
            scene = shown[place]
            place += 1
        for end in (scene.caller, scene.called):
            if not end.port:
                continue
            want = said_of(call, events[: index + 1], end.port, stamps[index])
            assert end.off_hook == want.off_hook, (stamps[index], end, want)
            assert end.loop == want.loop, (stamps[index], end, want)
            assert end.battery == want.battery, (stamps[index], end, want)
            assert end.ringing == want.ringing, (stamps[index], end, want)
            assert end.open_contact == want.open_contact, (stamps[index], end, want)
            if end.digit:
                assert end.pulses == want.pulses, (stamps[index], end, want)
        assert scene.caller.digit or not digits_begun or hung_up
        if scene.caller.digit:
            assert scene.caller.digit == digits_begun
            assert scene.digits[digits_begun - 1] == _digit_sent(call, events[: index + 1], scene.caller.port)
        guards = [each.value & 255 for each in events[: index + 1] if each.kind == m.EV_GUARD]
        assert scene.guard == (guards[-1] if guards else 0)
    assert scene.stage == STAGES.index("ended")


def _digit_sent(call: Any, events: Sequence[m.Event], port: int) -> str:
    steps = call.plan.timeline.steps
    sent = [
        steps[each.value].digit
        for each in events
        if each.kind == m.EV_BEGAN and each.port == port and "dials" in steps[each.value].label
    ]
    return str(sent[-1])


@settings(deadline=None, max_examples=14)
@given(CALLS, st.booleans())
def test_the_picture_says_what_the_record_says(
    bench_call: Make, chosen: tuple[str, str, int, str], truth: bool
) -> None:
    """For random calls, at every step, with inferred switches and with the truth's."""
    call = bench_call(*chosen)
    check_against_record(call, call.happenings(truth=truth))


def test_the_reading_would_notice(bench_call: Make) -> None:
    """A picture that leaves one sensed thing out does not pass."""
    call = bench_call()
    found = call.happenings()
    for thing in ("hook", "loop", "battery", "ringing", "pulse", "pulses", "digit", "state"):
        ends = ("caller", "called", "guard")
        lost = next(place for place, each in enumerate(found) if each.thing == thing and each.part in ends)
        with pytest.raises((AssertionError, IndexError)):
            check_against_record(call, [*found[:lost], *found[lost + 1 :]])


# -- what is inferred, against the truth ---------------------------------------------------------------------------

_COMPARED = ("vertical", "rotary", "A", "B", "C", "D", "F", "cut-through", "ringing", "release magnet", "off-normal")


def switch_story(call: Any, found: Sequence[Happening]) -> dict[tuple[int, str, str], list[int]]:
    """For each end and stage, what each thing of its switches went through; whatever the switches are called."""
    names = ["line finder", *[stage.name for stage in call.unit.train]]
    serves = {f"{name} of caller": 1 for name in names}
    story: dict[tuple[int, str, str], list[int]] = {}
    for each in found:
        if each.thing == "serves" and each.value:
            serves[each.part] = each.value
        elif each.thing in _COMPARED and each.part in serves:
            name = max((name for name in names if each.part.startswith(f"{name} ")), key=len)
            story.setdefault((serves[each.part], name, each.thing), []).append(each.value)
        elif each.part.startswith("line ") and each.thing in ("line relay", "cut-off relay"):
            story.setdefault((0, each.part, each.thing), []).append(each.value)
    return story


def in_order(call: Any, found: Sequence[Happening]) -> list[tuple[str, str, int]]:
    """The caller's shafts rising, turning and being cut through, in the order in which they did."""
    names = ["line finder", *[stage.name for stage in call.unit.train]]
    serves = {f"{name} of caller": 1 for name in names}
    order = []
    for each in found:
        if each.thing == "serves" and each.value:
            serves[each.part] = each.value
        elif (
            each.thing in ("vertical", "rotary", "cut-through", "F", "D") and each.value and serves.get(each.part) == 1
        ):
            name = max((name for name in names if each.part.startswith(f"{name} ")), key=len)
            order.append((name, each.thing, each.value))
    return order


@settings(deadline=None, max_examples=14)
@given(CALLS)
def test_inferred_switches_do_what_the_true_ones_did(bench_call: Make, chosen: tuple[str, str, int, str]) -> None:
    """Where nothing is wrong with the unit every shaft and every relay goes through the same, in the same order."""
    call = bench_call(*chosen)
    inferred, true = call.happenings(), call.happenings(truth=True)
    assert switch_story(call, inferred) == switch_story(call, true)
    assert in_order(call, inferred) == in_order(call, true)
    assert {each.known for each in inferred} <= {"sensed", "inferred"}
    moved = [each for each in true if each.thing in _COMPARED and each.part not in ("caller", "called")]
    assert moved
    assert {each.known for each in moved} == {"simulated"}


def test_a_fault_is_seen_by_the_truth_alone(bench_call: Make) -> None:
    """A shaft that misses a step: nothing that is sensed then tells it, the truth does."""
    call = bench_call("abandoned", "travelling", 1, "1", "missed-step-up@connector:chance=100 %")
    inferred, true = call.happenings(), call.happenings(truth=True)
    risen = [max(switch_story(call, found).get((1, "connector", "vertical"), [0])) for found in (inferred, true)]
    assert risen[0] == 5
    assert risen[1] < 5


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize(
    ("script", "stages"),
    [
        (
            "answered",
            "lifted, finding, dial tone, dialling, selecting, dialling, connecting, ringing, talking, clearing",
        ),
        ("busy", "lifted, finding, dial tone, dialling, selecting, dialling, connecting, tone, clearing"),
        ("all-trunks-busy", "lifted, finding, dial tone, dialling, selecting, tone, clearing"),
        ("permanent-off-hook", "lifted, finding, dial tone, clearing"),
        (
            "flash",  # a tap counts as a 1, a long one clears; the same again after the talk
            "lifted, finding, dial tone, selecting, tone, clearing, lifted, finding, dial tone, dialling, selecting, "
            "dialling, connecting, ringing, talking, clearing, lifted, finding, dial tone, clearing",
        ),
    ],
)
def test_stages_of_a_call(bench_call: Make, unit: str, script: str, stages: str) -> None:
    call = bench_call(script, unit)
    found = [STAGES[each.value] for each in call.happenings() if each.thing == "stage"]
    # Digits follow one another in as many rounds as the number has digits: one round is enough here.
    plain: list[str] = []
    for name in found:
        if plain[-2:] == ["selecting", "dialling"] and name == "selecting":
            plain.pop()
            continue
        if plain[-1:] != [name]:
            plain.append(name)
    assert plain == [*stages.split(", "), "ended"]
    assert [each.value for each in call.happenings(truth=True) if each.thing == "stage"] == [
        each.value for each in call.happenings() if each.thing == "stage"
    ]


@pytest.mark.parametrize(
    ("script", "tone"), [("busy", "busy tone"), ("all-trunks-busy", "overflow tone"), ("wrong-number", "vacant tone")]
)
@pytest.mark.parametrize("unit", UNITS)
def test_tones_that_end_a_call_are_told(bench_call: Make, script: str, tone: str, unit: str) -> None:
    for truth in (False, True):
        told = [
            TONES[each.value]
            for each in bench_call(script, unit).happenings(truth=truth)
            if each.part == "caller" and each.thing == "tone"
        ]
        assert told == ["dial tone", "", tone, ""]


def test_a_call_that_is_broken_off_ends_on_the_hook(bench_call: Make) -> None:
    """The board opens every loop when it ends a plan, in the middle of a pulse too; the train comes home."""
    call = bench_call()
    events = list(call.observation.events)
    for kind, place in ((m.EV_BEGAN, 10), (m.EV_ENDED, 22)):  # in the last digit; at the end of the talk
        cut = next(at for at, each in enumerate(events) if each.kind == kind and each.value & 0xFFFF == place)
        last = events[cut]
        stopped = [m.Event(last.number + 1, last.at_us + 30_000, m.EV_ENDED, 1, place | m.STOPPED << 16)]
        stopped += [m.Event(last.number + 2, last.at_us + 30_000, m.EV_PLAN, 0, m.ENDED_EARLY | m.R_STOP << 8)]
        found = happenings(call.plan, call.unit, [*events[: cut + 1], *stopped])
        scene = list(scenes(start(call.plan, call.unit), found))[-1]
        assert (scene.caller.off_hook, scene.called.off_hook, scene.caller.open_contact) == (False, False, False)
        assert STAGES[scene.stage] == "ended"
        assert [each.vertical for each in scene.switches if each.serves == 1] == [0, 0, 0]
        ended = next(each for each in found if each.thing == "stage" and each.value == STAGES.index("ended"))
        assert not any(each.thing == "pulse" and each.value for each in found[ended.number :])


@pytest.fixture(scope="module")
def odd_unit(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The travelling unit with a digit that its selector absorbs, and two numbers of which the first one hunts."""
    text = (CONFIGS / "units" / "travelling.yaml").read_text()
    text = text.replace("digits: 3", "digits: 4").replace("name: Mossbrook travelling unit", "name: Odd unit")
    text = re.sub(r"number: (\d{3})", r"number: 9\1", text)
    text = text.replace("3: { trunks: 1-2 }", "3: { trunks: 1-2 }\n    absorbs: { digits: [9], until: once }")
    text = text.replace("vacant: vacant tone", "vacant: vacant tone\n    hunting: [[9357, 9358]]")
    text = text.replace("number: 9361", "number: 9358")
    path = tmp_path_factory.mktemp("units") / "odd.yaml"
    path.write_text(text)
    return str(path)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("script", ["answered", "abandoned", "flash"])
def test_absorbed_digits_are_inferred(bench_call: Make, odd_unit: str, script: str, seed: int) -> None:
    """A shaft that comes down again after a digit."""
    call = bench_call(script, odd_unit, seed)
    inferred, true = call.happenings(), call.happenings(truth=True)
    check_against_record(call, inferred)
    check_against_record(call, true)
    story = switch_story(call, inferred)
    assert story == switch_story(call, true)
    assert in_order(call, inferred) == in_order(call, true)
    if script != "flash":
        assert story[1, "selector", "vertical"][:12] == [*range(1, 10), 0, 1, 2]


@pytest.mark.parametrize("seed", [1, 2])
def test_a_hunting_connector_is_inferred(bench_call: Make, odd_unit: str, tmp_path: Path, seed: int) -> None:
    """The first number of a group is in use: the connector goes on to the next, which rings."""
    text = (CONFIGS / "calls" / "busy.yaml").read_text()
    text = text.replace("  called: parlour", "  called: parlour\n  next: stage")
    text = text.replace("- await: busy tone\n    for: 4 s", "- await: ringing\n    at: next\n    rings: 1")
    text = text.replace("  - any ringing\n", "")
    script = tmp_path / "hunting.yaml"
    script.write_text(text)
    call = bench_call(str(script), odd_unit, seed)
    inferred, true = call.happenings(), call.happenings(truth=True)
    check_against_record(call, inferred)
    story = switch_story(call, inferred)
    assert story == switch_story(call, true)
    assert in_order(call, inferred) == in_order(call, true)
    assert [value for value in story[1, "connector", "rotary"] if value] == [*range(1, 9)]  # 9357 dialled, 9358 rung
    assert start(call.plan, call.unit).called.name == "stage"
    assert STAGES.index("ringing") in [each.value for each in inferred if each.thing == "stage"]


# -- laws ----------------------------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=10)
@given(CALLS, st.booleans())
def test_numbers_times_and_causes_are_in_order(
    bench_call: Make, chosen: tuple[str, str, int, str], truth: bool
) -> None:
    """Numbers rise by one, times never go back, a cause comes earlier; only people and the board's guard have none."""
    call = bench_call(*chosen)
    found = call.happenings(truth=truth)
    assert [each.number for each in found] == list(range(1, len(found) + 1))
    assert all(one.at_us <= two.at_us for one, two in pairwise(found))
    known = {event.number for event in call.observation.events} | {-1}
    for each in found:
        assert 0 <= each.cause < each.number
        assert each.event in known
        assert (each.event == -1) == (each.known == "simulated") or each.known == "inferred"
        if not each.cause:
            assert each.thing in ("hook", "digit", "state", "stage", "pulse"), each
            assert each.thing != "stage" or each.value == STAGES.index("ended")
    assert found == call.happenings(truth=truth)


@settings(deadline=None, max_examples=200)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 10**7), st.integers(0, 13), st.integers(0, 5), st.integers(0, 9) | st.integers(0, 2**32 - 1)
        ),
        max_size=80,
    )
)
def test_whatever_a_board_reports_gives_some_story(bench_call: Make, events: list[tuple[int, int, int, int]]) -> None:
    """Law: any events whatever are told without a fault, and are told alike each time."""
    call = bench_call()
    made = [m.Event(number, *event) for number, event in enumerate(events)]
    found = happenings(call.plan, call.unit, made)
    assert [each.number for each in found] == list(range(1, len(found) + 1))
    assert all(0 <= each.cause < each.number for each in found)
    assert all(one.at_us <= two.at_us for one, two in pairwise(found))
    list(scenes(start(call.plan, call.unit), found))


@settings(deadline=None, max_examples=40)
@given(st.data())
def test_a_damaged_record_still_tells_a_story(bench_call: Make, data: st.DataObject) -> None:
    """Law: with any events of a real call missing, in any place, what is left is told without a fault."""
    call = bench_call(data.draw(st.sampled_from(["answered", "flash"])))
    events = call.observation.events
    kept = [event for event in events if data.draw(st.integers(0, 9)) > 1]
    for truth in (None, call.truth):
        found = happenings(call.plan, call.unit, kept, truth)
        shown = list(scenes(start(call.plan, call.unit), found))
        assert len(shown) == len(found)
