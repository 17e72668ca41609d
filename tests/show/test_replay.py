"""Replays: the picture of every instant, steps, loops; from files; and what a page gets of them."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.ledger.read import TruthRecord, TruthRow, read_record
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.show.captions import LANGUAGES
from demo_ctl.show.replay import Replay, replay, replay_record
from demo_ctl.show.scene import as_json, scenes
from demo_ctl.show.unfold import FASTEST, SLOWEST, Unfolding, Which
from demo_ctl.terms.errors import InputError

Make = Callable[..., Any]
WHICH: tuple[Which, ...] = ("nothing", "first pulse", "first of each stage", "everything")


def truth_of(call: Any) -> TruthRecord:
    boot = call.observation.welcome.boot
    rows = tuple(TruthRow(boot, row.at_us, row.what, row.value) for row in call.truth if row.at_us >= 0)
    return TruthRecord("truth.jsonl", "bench://", call.unit.name, 1, boot, rows, True, ())


def make_replay(
    call: Any, pace: Fraction = Fraction(1), which: Which = "first pulse", *, truth: bool = False
) -> Replay:
    told = truth_of(call) if truth else None
    return replay(call.plan, call.unit, call.observation.events, told, pace=pace, unfolding=Unfolding(which))


@settings(deadline=None, max_examples=25)
@given(
    script=st.sampled_from(["answered", "busy", "flash"]),
    truth=st.booleans(),
    pace=st.fractions(min_value=SLOWEST, max_value=FASTEST, max_denominator=100),
    which=st.sampled_from(WHICH),
    data=st.data(),
)
def test_pictures_of_a_replay(
    bench_call: Make, script: str, truth: bool, pace: Fraction, which: Which, data: st.DataObject
) -> None:
    """Wherever it is scrubbed to, it shows what playing it up to there shows; real frames show the record's scenes."""
    made = make_replay(bench_call(script), pace, which, truth=truth)
    record = {0: made.first} | {scene.number: scene for scene in scenes(made.first, made.happenings)}
    assert len(made.scenes) == len(made.frames)
    for frame, scene in zip(made.frames, made.scenes, strict=True):
        if frame.mode != "apart":
            assert scene == record[frame.number]
        else:
            assert scene.last is not None
            assert scene.last.number == scene.number == frame.number
    assert made.scenes[-1] == record[made.happenings[-1].number]
    for _ in range(10):
        at_us = data.draw(st.integers(-1000, 2 * made.total_us))
        index = made.index_at(at_us)
        assert made.scene_at(at_us) == made.scenes[index]
        assert at_us < 0 or made.frames[index].show_us <= at_us
        assert index + 1 == len(made.frames) or at_us < made.frames[index + 1].show_us
        if at_us >= 0:
            assert made.looped(at_us + made.total_us) == made.looped(at_us) == at_us % made.total_us


def test_stepping(bench_call: Make) -> None:
    """Forward and back go through the same pictures, each of which can be seen; the ends are ends."""
    made = make_replay(bench_call(), Fraction(1, 4))
    path = [0]
    while made.forward(path[-1]) != path[-1]:
        path.append(made.forward(path[-1]))
    assert path[-1] == len(made.frames) - 1
    assert all(one < two for one, two in pairwise(path))
    assert all(made.frames[index].hold_us for index in path[1:])
    back = [path[-1]]
    while back[-1]:
        back.append(made.back(back[-1]))
    assert [index for index in reversed(back) if index] == path[1:]
    assert made.forward(path[-1]) == path[-1]
    assert made.back(0) == 0


def test_going_to_a_happening(bench_call: Make) -> None:
    made = make_replay(bench_call())
    for each in made.happenings:
        index = made.frame_of(each.number)
        assert made.scenes[index].last == each
    with pytest.raises(ValueError, match="999999"):
        made.frame_of(999_999)


def test_a_caption_stays_until_the_next(bench_call: Make) -> None:
    made = make_replay(bench_call())
    keys = [made.caption(index) for index in range(len(made.frames))]
    assert keys[0] == ""
    assert keys[-1] == "stage ended"
    assert [key for key, _ in pairwise(keys)][1:] == keys[1:-1]
    together = keys.index("together")
    assert keys[together - 1] != "together"


@pytest.mark.parametrize("truth", [False, True])
def test_what_a_page_gets_is_the_whole_replay(bench_call: Make, truth: bool) -> None:
    """Put together again, what changed from frame to frame gives every scene; captions are in every language."""
    made = make_replay(bench_call("answered", "mossbrook"), Fraction(1, 2), "first of each stage", truth=truth)
    given_ = json.loads(json.dumps(made.as_json()))
    assert given_["total_us"] == made.total_us
    scene = given_["first"]
    assert scene == json.loads(json.dumps(as_json(made.first)))
    for frame, wanted, told in zip(made.frames, made.scenes, given_["frames"], strict=True):
        scene = {**scene, **told["scene"]}
        assert scene == json.loads(json.dumps(as_json(wanted)))
        assert (told["show_us"], told["hold_us"], told["mode"]) == (frame.show_us, frame.hold_us, frame.mode)
        assert set(told["caption"]) == (set(LANGUAGES) if frame.caption_key else set())
    assert len(json.dumps(given_)) < 3_000_000
    german = made.as_json(languages=["de"], overrides={"ringing": "Hört!"})
    told = [frame["caption"]["de"] for frame in german["frames"] if frame["caption"]]
    assert "Hört!" in told


def write_record(call: Any, path: Path) -> None:
    writer = RecordWriter(path)
    writer.start(call.plan, call.observation.welcome, "bench://")
    for event in call.observation.events:
        writer.event(event)
    for block in call.observation.audio[:20]:
        writer.audio(block)
    writer.end("finished", "the timeline ran to its end", 0)
    writer.close()


def test_a_record_file_replays_as_the_call_did(bench_call: Make, tmp_path: Path) -> None:
    call = bench_call()
    write_record(call, tmp_path / "call.jsonl")
    record = read_record(tmp_path / "call.jsonl")
    made = replay_record(record, call.unit, pace=Fraction(1, 4))
    assert made.happenings == call.happenings()
    assert replay_record(record, call.unit, truth_of(call)).happenings == call.happenings(truth=True)


def test_the_wrong_unit_or_truth_is_refused(bench_call: Make, tmp_path: Path) -> None:
    call = bench_call()
    write_record(call, tmp_path / "call.jsonl")
    record = read_record(tmp_path / "call.jsonl")
    with pytest.raises(InputError, match="was recorded on"):
        replay_record(record, bench_call("answered", "mossbrook").unit)
    truth = truth_of(call)
    for wrong in (
        replace(truth, unit="another unit"),
        replace(truth, rows=tuple(row._replace(boot=row.boot + 1) for row in truth.rows)),
    ):
        with pytest.raises(InputError, match="not of the bench"):
            replay_record(record, call.unit, wrong)
