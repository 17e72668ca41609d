"""Captions: every stage and everything that is unfolded has one, in every language; a sheet may put its own."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.show.captions import (
    FIELDS,
    KEYS,
    LANGUAGES,
    Text,
    caption,
    captions,
    fields_of,
    key_of,
    kind_of,
    stage_caption,
    unknown_keys,
)
from demo_ctl.show.model import STAGES, TONES
from demo_ctl.show.scene import scenes, start
from demo_ctl.show.unfold import Unfolding, timeline

Make = Callable[..., Any]

#: What nobody is told: how many pulses there were, whom a switch serves, what the guard does.
UNTOLD = ("pulses", "serves", "state", "dialled")


def test_every_key_is_told_in_every_language() -> None:
    for key in KEYS:
        told = [caption(key, language) for language in LANGUAGES]
        assert all(told), key
        assert len(set(told)) == len(LANGUAGES), key
        for text in told:
            assert len(text) <= 70, (key, text)  # a line that is read at ten metres
            assert text[0].isupper() or text[0] == "{"
            assert text.endswith("."), (key, text)
            assert set(re.findall(r"\{(\w+)\}", text)) <= set(FIELDS)


def test_stages_and_tones_have_captions() -> None:
    for place, name in enumerate(STAGES):
        assert f"stage {name}" in KEYS
        assert stage_caption(place, "en") == caption(f"stage {name}", "en")
    assert len({stage_caption(place, "de") for place in range(len(STAGES))}) == len(STAGES)
    for name in TONES:
        assert f"tone {name or 'off'}" in KEYS


@pytest.mark.parametrize("script", ["answered", "busy", "all-trunks-busy", "wrong-number", "flash"])
@pytest.mark.parametrize("truth", [False, True])
def test_everything_that_happens_has_a_caption(bench_call: Make, script: str, truth: bool) -> None:
    call = bench_call(script, "mossbrook")
    for each in call.happenings(truth=truth):
        key = key_of(each, call.unit)
        if each.thing in UNTOLD or (each.thing == "digit" and not each.value):
            assert key == "", each
        else:
            assert key in KEYS, each


def test_captions_say_what_is_the_case(bench_call: Make) -> None:
    call = bench_call("answered", "mossbrook")
    found = call.happenings(truth=True)
    shown = list(scenes(start(call.plan, call.unit), found))
    told = {
        key_of(each, call.unit): captions(key_of(each, call.unit), scene)
        for each, scene in zip(found, shown, strict=True)
    }
    assert told["stage ringing"]["en"] == "The bell rings at parlour."
    assert told["stage lifted"]["de"].startswith("counter")
    terminal = call.unit.line("parlour").finder_terminal  # the last one found: a new call after the first is cleared
    assert told["finder rotary 1"]["fr"].endswith(f" {terminal}.")
    dialled = [
        captions("stage dialling", scene)["en"]
        for each, scene in zip(found, shown, strict=True)
        if each.thing == "digit"
    ]
    assert dialled[:7] == [f"The dial sends {digit}." for digit in "5550134"]
    risen = [
        scene
        for each, scene in zip(found, shown, strict=True)
        if each.part == "fourth selector 555-1" and each.value == 10
    ]
    fields = [fields_of(risen[0], language) for language in LANGUAGES]
    assert [one["switch"] for one in fields] == ["fourth selector", "4. Gruppenwähler", "4e sélecteur"]
    assert fields[0]["level"] == "10"


def test_kinds_of_parts(bench_call: Make) -> None:
    unit = bench_call("answered", "mossbrook").unit
    kinds = {
        "caller": "caller",
        "line finder 3": "finder",
        "line finder of called": "finder",
        "line parlour": "line",
        "second selector 5-1": "selector",
        "connector 55501-1": "connector",
        "connector of caller": "connector",
        "guard": "",
    }
    assert {part: kind_of(part, unit) for part in kinds} == kinds


def test_a_sheets_own_captions_go_first() -> None:
    own: dict[str, Text] = {
        "ringing": {"en": "Listen: {called}!", "de": "Horch: {called}!"},
        "stage talking": "…",
        "selector A 0": "A lets go",
    }
    fields = {"called": "parlour"}
    assert stage_caption(7, "en", fields, own) == "Listen: parlour!"
    assert stage_caption(7, "fr", fields, own) == stage_caption(7, "fr", fields)
    assert [stage_caption(8, language, fields, own) for language in LANGUAGES] == ["…"] * 3
    assert caption("selector A 0", "de", {}, own) == "A lets go"
    assert unknown_keys(own) == ()
    assert unknown_keys({"rining": "x", "ringing": {"it": "x"}}) == ("rining", "ringing: it")


def test_a_language_there_is_none_of_is_refused() -> None:
    with pytest.raises(ValueError, match="en, de, fr"):
        caption("together", "xx")


@settings(deadline=None, max_examples=200)
@given(text=st.text(max_size=40), called=st.text(max_size=20))
def test_a_sheets_text_is_only_text(text: str, called: str) -> None:
    """Whatever a sheet writes is shown as it is; only the known names in braces stand for something."""
    made = caption("stage ringing", "en", {"called": called}, {"ringing": text})
    assert made == called.join(text.split("{called}"))


@pytest.mark.parametrize("truth", [False, True])
def test_steps_of_the_first_pulse_are_told_one_by_one(bench_call: Make, truth: bool) -> None:
    """Contact, loop, relay A, magnet, shaft: each has its own words, and no two in a row are alike."""
    call = bench_call()
    found = call.happenings(truth=truth)
    frames = [
        frame
        for frame in timeline(found, call.unit, unfolding=Unfolding()).frames
        if frame.mode == "apart" and frame.hold_us
    ]
    keys = [frame.caption_key for frame in frames]
    wanted = ["caller pulse 1", "caller loop 0", "selector A 0", "selector vertical magnet 1", "selector vertical 1"]
    assert [key for key in keys if key in wanted] == wanted
    assert all(one != two for one, two in pairwise(keys))
