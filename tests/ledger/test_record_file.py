"""The record file: what goes in comes out, and every damage has a file and a line."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from dataclasses import fields
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from demo_ctl.judge.model import Verdict
from demo_ctl.ledger import read as reading
from demo_ctl.ledger.coding import decode, encode
from demo_ctl.ledger.read import Note, read_record
from demo_ctl.ledger.record import FORMAT, RecordWriter, line_of
from demo_ctl.office.model import Tone
from demo_ctl.plan.model import (
    BusyTrunks,
    Check,
    Expectation,
    Gate,
    PaceRow,
    Plan,
    Step,
    Stretch,
    Timeline,
)
from demo_ctl.terms.errors import InputError, Place
from demo_ctl.terms.outcome import Outcome
from demo_ctl.terms.quantity import Quantity
from demo_ctl.terms.window import Window
from demo_ctl.wire import messages as m

ROOT = Path(__file__).resolve().parents[2]
LAW = settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.too_slow])

#: Control characters are no part of any text of ours, and are replaced when a record is read.
text = st.text(st.characters(exclude_categories=["Cc", "Cs"], include_characters="\t\n"), max_size=12)
u8, u16, u32 = st.integers(0, 255), st.integers(0, 0xFFFF), st.integers(0, 0xFFFFFFFF)
u64 = st.integers(0, (1 << 64) - 1)
floats = st.floats(allow_nan=False, allow_infinity=False)
places = st.builds(Place, text, st.integers(0, 10_000))
tones = st.builds(
    lambda parts, cadence, level: Tone.model_construct(
        parts_Hz=tuple(parts),
        cadence_us=tuple(cadence),
        level_dBm=level,
        tolerance_pct=1.5,
        cadence_tolerance_pct=10.0,
        source="common practice, no source",
    ),
    st.lists(floats, min_size=1, max_size=4),
    st.lists(u32, max_size=4),
    floats,
)


@st.composite
def windows(draw: st.DrawFn) -> Window:
    low, high = sorted((draw(floats), draw(floats)))
    return Window(draw(st.sampled_from([None, low])), draw(st.sampled_from([None, high])), draw(text), draw(text))


def tuples(of: st.SearchStrategy[Any]) -> st.SearchStrategy[tuple[Any, ...]]:
    return st.lists(of, max_size=3).map(tuple)


steps = st.builds(Step, u8, u8, u16, u32, u32, text, places, st.sampled_from(["", "7"]))
expectations = st.builds(
    Expectation,
    text,
    st.sampled_from(Check),
    text,
    windows(),
    places,
    u8,
    u8,
    u16,
    st.integers(-1, 99),
    tuples(u16),
    st.none() | tones,
    st.booleans(),
)
plans = st.builds(
    Plan,
    script=text,
    title=text,
    unit=text,
    pace=st.fractions(Fraction(1, 50), 4, max_denominator=50),
    number=text,
    digits=text,
    caller_port=u8,
    called_port=u8,
    timeline=st.builds(Timeline, tuples(steps), tuples(u8)),
    expectations=tuples(expectations),
    pace_table=tuples(st.builds(PaceRow, text, st.sampled_from(Stretch), text, text, text, text)),
    gates=tuples(st.builds(Gate, u16, u16, u8, st.none() | tones, text, u32)),
    busy_trunks=tuples(st.builds(BusyTrunks, u8, text, text, tuples(u8), text, places)),
    least_us=u32,
    most_us=u32,
    ringing=st.booleans(),
    notes=tuples(text),
)
quantities = st.builds(Quantity, floats, text, floats)
verdicts = st.builds(
    Verdict,
    text,
    st.sampled_from(Check),
    text,
    st.sampled_from(Outcome),
    st.booleans(),
    st.none() | quantities,
    windows(),
    text,
    places,
    tuples(u32),
)
_WIDTHS = {"B": u8, "H": u16, "I": u32, "Q": u64}
welcomes = st.builds(m.Welcome, *[_WIDTHS[letter] for letter in m.TABLE[m.CODES[m.Welcome]][1][1:]])
contents = st.one_of(
    st.builds(m.Event, st.just(0), u64, u8, u8, u32),
    st.builds(m.Audio, u64, u64, u8, st.binary(max_size=20).map(lambda data: data + data)),
    st.builds(Note, u64, text),
)

WELCOME = m.Welcome(m.PROTOCOL, m.TABLE_HASH, 1, 2, 3, 256, 4, 1, 500, 600, 30000, *[100] * 9)
PLAN = Plan(
    script="answered",
    title="An answered call",
    unit="Mossbrook",
    pace=Fraction(1, 4),
    number="KLondike 5-0123",
    digits="5550123",
    caller_port=1,
    called_port=2,
    timeline=Timeline((Step(m.OP_WAIT, 0, 0, 5, 0, "wait", Place("answered.yaml", 3)),), (1, 2)),
    expectations=(),
    pace_table=(),
)
SMALL_END = b'{"row":"end","status":"finished","reason":"","exit_code":0}\n'


def test_the_strategies_leave_no_field_of_a_plan_out() -> None:
    """A field added to a plan must be drawn above, or the round trip below proves nothing about it."""
    drawn = "script title unit pace number digits caller_port called_port timeline expectations pace_table gates "
    drawn += "busy_trunks least_us most_us ringing notes"
    assert [field.name for field in fields(Plan)] == drawn.split()


@LAW
@given(plans)
def test_a_plan_survives_json(plan: Plan) -> None:
    assert decode(Plan, json.loads(json.dumps(encode(plan), allow_nan=False))) == plan


@LAW
@given(verdicts)
def test_a_verdict_survives_json(verdict: Verdict) -> None:
    assert decode(Verdict, json.loads(json.dumps(encode(verdict), allow_nan=False))) == verdict


@LAW
@given(plan=plans, welcome=welcomes, items=st.lists(contents, max_size=8), found=st.lists(verdicts, max_size=3))
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory,
    plan: Plan,
    welcome: m.Welcome,
    items: list[m.Event | m.Audio | Note],
    found: list[Verdict],
) -> None:
    path = tmp_path_factory.mktemp("record") / "call.jsonl"
    writer = RecordWriter(path)
    writer.start(plan, welcome, "bench://", wall=datetime(2026, 3, 1, 8, 30, tzinfo=UTC))
    events: list[m.Event] = []
    for item in items:
        if isinstance(item, m.Event):
            item = item._replace(number=len(events))
            events.append(item)
            writer.event(item)
        elif isinstance(item, m.Audio):
            writer.audio(item)
        else:
            writer.note(item.text, item.at_us)
    writer.verdicts(found)
    writer.end("finished", "the timeline ran to its end", 0)
    writer.close()
    assert writer.trouble is None
    record = read_record(path)
    assert record.plan == plan
    assert record.observation.welcome == welcome
    assert record.observation.events == tuple(events)
    assert record.observation.audio == tuple(item for item in items if isinstance(item, m.Audio))
    assert record.notes == tuple(item for item in items if isinstance(item, Note))
    assert record.verdicts == tuple(found)
    assert (record.status, record.reason, record.exit_code) == ("finished", "the timeline ran to its end", 0)
    assert (record.unit, record.port, record.simulated) == (plan.unit, "bench://", bool(welcome.simulated))
    assert record.wall_utc == "2026-03-01T08:30:00.000Z"
    assert record.complete
    assert record.remarks == ()


def _small(path: Path) -> bytes:
    writer = RecordWriter(path)
    writer.start(PLAN, WELCOME, "bench://")
    writer.event(m.Event(0, 10, m.EV_PLAN, 0, m.RUNNING))
    writer.audio(m.Audio(0, 11, 1, b"\x00\x08\x01\x08"))
    writer.note("trunks busied", 12)
    writer.event(m.Event(1, 20, m.EV_PLAN, 0, m.FINISHED))
    writer.end("finished", "", 0)
    writer.close()
    return path.read_bytes()


def test_cut_anywhere_the_whole_rows_are_read_and_the_torn_one_is_told(tmp_path: Path) -> None:
    whole = _small(tmp_path / "whole.jsonl")
    cut = tmp_path / "cut.jsonl"
    first_row = whole.index(b"\n") + 1
    for length in [*range(0, first_row, 97), *range(first_row - 1, len(whole) + 1)]:
        cut.write_bytes(whole[:length])
        if length < first_row:
            with pytest.raises(InputError, match="empty" if length == 0 else "first line"):
                read_record(cut)
            continue
        record = read_record(cut)
        rows = whole[:length].count(b"\n")
        seen = len(record.observation.events) + len(record.observation.audio) + len(record.notes)
        assert seen == min(rows - 1, 4)
        assert any("torn" in remark for remark in record.remarks) == (not whole[:length].endswith(b"\n"))
        assert record.complete == (length == len(whole))


@LAW
@given(data=st.data())
def test_damage_gives_a_record_or_a_file_and_a_line(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("damage") / "call.jsonl"
    whole = bytearray(_small(path))
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(whole) - 1))
        whole[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
    path.write_bytes(whole)
    said = None
    try:
        read_record(path)
    except InputError as error:
        said = error
    assert said is None or (said.next_step and said.where is not None and said.where.file == str(path))


@pytest.mark.parametrize(
    ("lines", "line", "says"),
    [
        ([b"[1, 2]\n"], 1, "row"),
        ([b"call: answered\n"], 1, "JSON"),
        ([b'{"row":"start","format":"another program 7"}\n'], 1, "another program 7"),
        ([b'{"row":"event"}\n'], 1, "start row"),
        ([b"START", b'{"row":"event","number":0,"at_us":-1,"kind":1,"port":1,"value":0}\n'], 2, "at_us"),
        ([b"START", b'{"row":"event","number":0,"at_us":true,"kind":1,"port":1,"value":0}\n'], 2, "at_us"),
        ([b"START", b'{"row":"audio","first":0,"at_us":0,"port":1,"words":"*"}\n'], 2, "base64"),
        ([b"START", b'{"row":"audio","first":0,"at_us":0,"port":1,"words":"AAAA"}\n'], 2, "odd"),
        ([b"START", b"\n"], 2, "JSON"),
        ([b"START", b"[" * 100_000 + b"\n"], 2, "JSON"),
        ([b"START", b'{"row":"note","at_us":NaN,"text":""}\n'], 2, "JSON"),
        ([b"START", SMALL_END, SMALL_END], 3, "follow the end"),
        ([b"START", b"START"], 2, "second start"),
        ([b"START", b'{"row":"verdict","verdict":{"expectation":"x"}}\n'], 2, "missing"),
    ],
)
def test_other_files_are_refused_with_their_line(tmp_path: Path, lines: list[bytes], line: int, says: str) -> None:
    start = _small(tmp_path / "whole.jsonl").splitlines(keepends=True)[0]
    path = tmp_path / "other.jsonl"
    path.write_bytes(b"".join(start if text == b"START" else text for text in lines))
    with pytest.raises(InputError, match=says) as caught:
        read_record(path)
    assert caught.value.where == Place(str(path), line)
    assert FORMAT in caught.value.next_step


def test_sizes_are_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "long.jsonl"
    start = _small(tmp_path / "whole.jsonl").splitlines(keepends=True)[0]
    note = line_of({"row": "note", "at_us": 0, "text": "x" * 600})
    path.write_bytes(start + b'{"row":"note","at_us":0,"text":"' + b"x" * reading.MOST_LINE_BYTES + b'"}\n')
    with pytest.raises(InputError, match="longer"):
        read_record(path)
    path.write_bytes(start + note * 5)
    assert len(read_record(path).notes) == 5
    monkeypatch.setattr(reading, "MOST_FILE_BYTES", len(start) + 4 * len(note))
    with pytest.raises(InputError, match="larger") as caught:
        read_record(path)
    assert caught.value.where == Place(str(path), 6)


def test_missing_events_and_unknown_rows_are_told(tmp_path: Path) -> None:
    path = tmp_path / "call.jsonl"
    rows = _small(path).splitlines(keepends=True)
    gap = line_of(m.Event(4, 30, m.EV_PLAN, 0, m.FINISHED))
    path.write_bytes(b"".join([rows[0], rows[1], b'{"row":"weather"}\n', gap]))
    remarks = " / ".join(read_record(path).remarks)
    assert "events 1 to 3 are missing (line 4)" in remarks
    assert "weather" in remarks
    assert "no end row" in remarks


def test_a_record_is_never_written_over(tmp_path: Path) -> None:
    path = tmp_path / "call.jsonl"
    before = _small(path)
    with pytest.raises(InputError, match="already"):
        RecordWriter(path)
    assert path.read_bytes() == before


def test_nowhere_to_write_is_said_at_once(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be written"):
        RecordWriter(tmp_path / "no such folder" / "call.jsonl")


def test_a_record_in_which_nothing_happened_leaves_no_file(tmp_path: Path) -> None:
    path = tmp_path / "call.jsonl"
    writer = RecordWriter(path)
    assert path.exists()
    writer.close()
    writer.close()
    assert not path.exists()


def test_a_full_disk_is_said_and_never_waited_for(tmp_path: Path) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no /dev/full")
    writer = RecordWriter(tmp_path / "call.jsonl")
    os.dup2(os.open(full, os.O_WRONLY), writer._file)
    writer.start(PLAN, WELCOME, "bench://")
    with pytest.raises(InputError, match="No space left") as caught:
        writer.saved(30)
    assert "room on the disk" in caught.value.next_step
    writer.event(m.Event(0, 0, 1, 1, 0))  # still harmless
    writer.close()
    assert writer.trouble is not None


def test_a_stuck_disk_fills_the_queue_and_nothing_blocks(tmp_path: Path) -> None:
    """A pipe nobody reads is a disk that does not answer."""
    take, give = os.pipe()
    writer = RecordWriter(tmp_path / "call.jsonl", most_waiting=50)
    os.dup2(give, writer._file)
    os.close(give)
    writer.start(PLAN, WELCOME, "bench://")
    number = 0
    while writer.trouble is None:
        writer.note("x" * 2000, number)
        number += 1
        assert number < 1000, "the queue is not bounded"
    assert "too slow" in writer.trouble
    with pytest.raises(InputError, match="too slow"):
        writer.saved(0)
    assert writer.room(0.0)
    drain = threading.Thread(target=lambda: [None for _ in iter(lambda: os.read(take, 65536), b"")])
    drain.start()
    writer.close()  # the disk came back: the thread ends, and the file is closed
    drain.join()
    os.close(take)


CHILD = """
import sys
from demo_ctl.ledger.read import read_record
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.wire import messages as m
source = read_record(sys.argv[1])
writer = RecordWriter(sys.argv[2])
writer.start(source.plan, source.observation.welcome, source.port)
number = 0
while True:
    for _ in range(50):
        writer.event(m.Event(number, number, m.EV_EDGE, 1, number & 1))
        writer.audio(m.Audio(number, number, 1, bytes(224)))
        number += 1
    writer.saved(60)
    print(number, flush=True)
"""


def test_after_kill_9_every_row_that_was_saved_is_there(tmp_path: Path) -> None:
    source, path = tmp_path / "source.jsonl", tmp_path / "call.jsonl"
    _small(source)
    child = subprocess.Popen([sys.executable, "-c", CHILD, source, path], stdout=subprocess.PIPE, text=True, cwd=ROOT)
    assert child.stdout is not None
    with child.stdout:
        saved = [int(child.stdout.readline()) for _ in range(20)][-1]
        child.send_signal(signal.SIGKILL)
        child.wait()
    record = read_record(path)
    assert record.plan == PLAN
    assert not record.complete
    numbers = [event.number for event in record.observation.events]
    assert numbers == list(range(len(numbers)))
    assert len(numbers) >= saved
    assert len(record.observation.audio) in (len(numbers), len(numbers) - 1)
