"""Record files made to hurt: each gives a record or a sentence with file and line, and none commands a terminal."""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.judge.judge import judge
from demo_ctl.ledger.coding import decode
from demo_ctl.ledger.read import read_record
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.measure.measure import measure
from demo_ctl.plan.model import Plan, Step, Timeline
from demo_ctl.terms.errors import InputError, Place
from demo_ctl.wire import messages as m

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


@pytest.fixture
def changed(tmp_path: Path) -> Callable[..., Path]:
    """Write a record with something in its start row changed."""

    def change(value: Any, *where: str | int) -> Path:
        whole = tmp_path / f"whole-{len(list(tmp_path.iterdir()))}.jsonl"
        writer = RecordWriter(whole)
        writer.start(PLAN, WELCOME, "bench://")
        writer.note("n")
        writer.end("finished", "", 0)
        writer.close()
        start, *others = whole.read_text().splitlines()
        row = json.loads(start)
        part = row
        for key in where[:-1]:
            part = part[key]
        part[where[-1]] = value
        path = tmp_path / "changed.jsonl"
        path.write_text("\n".join([json.dumps(row), *others]) + "\n")
        return path

    return change


@pytest.mark.parametrize(
    ("value", "where", "says"),
    [
        (10**400, ("plan", "timeline", "steps", 0, "a"), "sensible size"),
        (10**400, ("plan", "least_us"), "sensible size"),
        (-(10**30), ("plan", "most_us"), "sensible size"),
        (10**9, ("welcome", "ports"), "does not fit"),
        (-1, ("welcome", "ring_hold_us"), "does not fit"),
        (1 << 64, ("welcome", "now_us"), "sensible size"),
        ("1e999999999", ("plan", "pace"), "fraction"),
        ("9e-999999999", ("plan", "pace"), "fraction"),
        ("1/0", ("plan", "pace"), "fraction"),
        ("9" * 5000, ("plan", "pace"), "fraction"),
        ({}, ("plan", "pace"), "fraction"),
        ([[[[]]]], ("plan", "timeline"), "object"),
    ],
)
def test_values_that_would_work_on_for_ever_are_refused(
    changed: Callable[..., Path], value: Any, where: tuple[str | int, ...], says: str
) -> None:
    path = changed(value, *where)
    with pytest.raises(InputError, match=says) as caught:
        read_record(path)
    assert caught.value.where == Place(str(path), 1)


def test_floats_from_whole_numbers_of_any_size() -> None:
    with pytest.raises(ValueError, match="sensible size"):
        decode(float, 10**400)


def test_no_text_commands_the_terminal(changed: Callable[..., Path]) -> None:
    record = read_record(changed("\x1b[2J\x9b31m\ud800 a\tb\nc é", "plan", "title"))
    assert record.plan.title == "\ufffd[2J\ufffd31m\ufffd a\tb\nc é"
    record = read_record(changed("\x1b]0;x\x07", "port"))
    assert record.port == "\ufffd]0;x\ufffd"


def test_the_sound_record_is_read(changed: Callable[..., Path]) -> None:
    record = read_record(changed("bench://", "port"))
    assert record.plan == PLAN
    assert judge(record.plan, measure(record.plan, record.observation)).verdicts == ()


TRIP = m.Trip(9, 0, 5_000_000, m.R_CHAIN, m.R_NONE, m.G_LIVE, 2, 60, 0, 78_000, 0, 78_000, 48_000, 1, 2)


def test_a_trip_comes_back_as_it_went_in(tmp_path: Path) -> None:
    path = tmp_path / "call.jsonl"
    writer = RecordWriter(path)
    writer.start(PLAN, WELCOME, "bench://")
    writer.trip(TRIP)
    writer.trip(TRIP._replace(back=1, reason=m.R_MIRROR))
    writer.end("tripped", "", 4)
    writer.close()
    assert read_record(path).trips == (TRIP, TRIP._replace(back=1, reason=m.R_MIRROR))


@pytest.mark.parametrize(
    ("field", "value"), [("reason", 256), ("reason", -1), ("inputs", 1 << 16), ("at_us", "now"), ("step", None)]
)
def test_a_trip_that_no_board_can_have_sent_has_its_line(field: str, value: Any, tmp_path: Path) -> None:
    path = tmp_path / "call.jsonl"
    writer = RecordWriter(path)
    writer.start(PLAN, WELCOME, "bench://")
    writer.close()
    row = {"row": "trip", "trip": {**TRIP._asdict(), field: value}}
    path.write_text(path.read_text() + json.dumps(row) + "\n")
    with pytest.raises(InputError) as caught:
        read_record(path)
    assert caught.value.where == Place(str(path), 2)
