"""The book of comparisons: the last one of a board decides; a torn line decides nothing."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_ctl.safety.book import MOST_LINES
from demo_ctl.safety.meter_book import (
    DUE,
    NAME,
    UNREADABLE,
    Holds,
    Row,
    account,
    append,
    holds,
    objection,
    parse,
    read_rows,
    standing,
    text_of,
)
from demo_ctl.terms.errors import InputError

NOW = datetime.fromisoformat("2026-11-28T12:00:00+00:00")
PASSED = Row(
    at="2026-11-20T09:00:00+00:00",
    unit="Mossbrook seven-digit unit",
    board="00aa",
    simulated=False,
    who="Ada",
    generator_V=86.0,
    generator_meter_V=86.2,
    battery_V=50.0,
    battery_meter_V=50.1,
    doubt_pct=1.0,
    ceiling_V=100,
    outcome="pass",
    beyond=False,
    say="generator: -0.2 %; battery: -0.2 %",
)
FAILED = replace(PASSED, outcome="fail", beyond=True, say="generator: -9 %")
UNIT = PASSED.unit


def stand(*rows: Row, unit: str = UNIT, board: str = "00aa", simulated: bool = False) -> Holds:
    return holds(rows, unit, board, simulated=simulated)


def test_what_is_added_is_read_and_one_that_failed_stands_until_one_has_passed(tmp_path: Path) -> None:
    assert read_rows(tmp_path) == []
    rows = [PASSED, FAILED, replace(PASSED, board="00bb", unit="another"), replace(PASSED, simulated=True)]
    for row in rows:
        append(tmp_path, row)
    assert read_rows(tmp_path) == rows
    assert stand(*rows) == Holds(FAILED, FAILED)
    assert stand(*rows, simulated=True) == Holds(rows[3])
    assert stand(*rows, board="00cc", unit="a third") == Holds()
    append(tmp_path, PASSED)
    assert stand(*read_rows(tmp_path)) == Holds(PASSED)


def test_a_poorer_meter_lifts_nothing_and_one_that_most_likely_says_wrong_keeps_from_ringing() -> None:
    unsure = replace(PASSED, outcome="marginal")
    assert objection(stand(FAILED, unsure))
    assert objection(stand(unsure)) == ""
    assert objection(stand(PASSED, replace(unsure, beyond=True)))
    assert objection(stand(replace(PASSED, beyond=True)))


def test_a_board_that_was_exchanged_does_not_leave_the_unit_s_failure_behind() -> None:
    assert "by Ada: generator: -9 %" in objection(stand(FAILED, board="00bb"))
    assert "by Ada: generator: -9 %" in objection(stand(FAILED, unit="another"))
    assert objection(stand(FAILED, replace(PASSED, board="00bb"), board="00bb")) == ""
    other = stand(replace(PASSED, board="00bb"))
    assert "THIS BOARD HAS NOT BEEN COMPARED YET" in standing(other, NOW, "00aa")


def test_a_line_that_cannot_be_read_may_have_been_one_that_failed() -> None:
    assert "cannot be read" in objection(stand(PASSED, UNREADABLE))
    assert objection(stand(UNREADABLE, PASSED)) == ""
    assert stand(FAILED, UNREADABLE).against == FAILED


def test_it_says_how_the_board_stands_and_when_the_next_is_due() -> None:
    assert "Not compared with a meter" in standing(Holds(), NOW)
    assert standing(stand(FAILED), NOW).startswith("DO NOT RING: ")
    assert "neither passed nor failed" in standing(stand(replace(PASSED, outcome="marginal")), NOW)
    passed = stand(PASSED)
    assert standing(passed, NOW) == "Compared with a meter, 2026-11-20 by Ada: generator: -0.2 %; battery: -0.2 %."
    then = datetime.fromisoformat(PASSED.at)
    assert "DUE" not in standing(passed, then + DUE)
    assert "DUE AGAIN" in standing(passed, then + DUE + timedelta(seconds=1))
    assert "DATED IN THE FUTURE" in standing(passed, then - timedelta(days=1))


def test_what_would_move_a_cursor_is_not_shown() -> None:
    row = parse(text_of(replace(FAILED, who="A\nB\x1b[2J\ud800", say="x\x07")))
    assert row.who.encode() == "A B\N{REPLACEMENT CHARACTER}[2J\N{REPLACEMENT CHARACTER}".encode()
    assert "\x07" not in objection(stand(row))


@given(st.integers(1, len(text_of(PASSED)) - 2))
def test_a_line_cut_short_is_none(cut: int) -> None:
    assert parse(text_of(PASSED)[:cut]) is UNREADABLE


@given(
    st.sampled_from(sorted(json.loads(text_of(PASSED)))),
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=3) | st.lists(st.none(), max_size=1),
)
def test_whatever_stands_in_a_line_it_is_a_row_or_none(key: str, value: Any) -> None:
    row = parse(json.dumps({**json.loads(text_of(PASSED)), key: value}))
    assert standing(stand(row), NOW).encode()


@given(st.binary(max_size=60) | st.text(max_size=60).map(str.encode))
def test_any_bytes_are_read(data: bytes) -> None:
    for line in data.decode(errors="replace").split("\n"):
        parse(line)


def test_a_book_that_cannot_be_kept_is_told(tmp_path: Path) -> None:
    (tmp_path / NAME).mkdir()
    for go in (lambda: append(tmp_path, PASSED), lambda: read_rows(tmp_path)):
        with pytest.raises(InputError, match=r"the comparison with a meter cannot be (kept|read) here"):
            go()


def test_a_book_that_cannot_be_read_keeps_from_ringing_and_is_told(tmp_path: Path) -> None:
    (tmp_path / NAME).mkdir()
    says, bars = account(tmp_path, UNIT, "00aa", simulated=False, now=NOW)
    assert bars
    assert says.startswith("DO NOT RING: ")
    (tmp_path / NAME).rmdir()
    (tmp_path / NAME).write_text("x\n" * (MOST_LINES + 1))
    says, bars = account(tmp_path, UNIT, "00aa", simulated=False, now=NOW)
    assert bars
    assert f"more than {MOST_LINES} lines" in says
    (tmp_path / NAME).unlink()
    assert account(tmp_path, UNIT, "00aa", simulated=False, now=NOW)[1] is False


def test_half_a_row_on_a_full_disk_keeps_from_ringing(tmp_path: Path) -> None:
    append(tmp_path, PASSED)
    with (tmp_path / NAME).open("a") as file:
        file.write(text_of(FAILED)[:60])
    assert objection(stand(*read_rows(tmp_path)))
    append(tmp_path, PASSED)
    assert objection(stand(*read_rows(tmp_path))) == ""
