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

from demo_ctl.safety.meter_book import DUE, NAME, Row, append, last, objection, parse, read_rows, standing, text_of
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
    say="generator: -0.2 %; battery: -0.2 %",
)
FAILED = replace(PASSED, outcome="fail", say="generator: -9 %")


def test_what_is_added_is_read_and_the_last_of_a_board_decides(tmp_path: Path) -> None:
    assert read_rows(tmp_path) == []
    rows = [PASSED, FAILED, replace(PASSED, board="00bb"), replace(PASSED, simulated=True)]
    for row in rows:
        append(tmp_path, row)
    assert read_rows(tmp_path) == rows
    assert last(rows, "00aa", simulated=False) == FAILED
    assert last(rows, "00aa", simulated=True) == rows[3]
    assert last(rows, "00cc", simulated=False) is None
    append(tmp_path, PASSED)
    assert objection(last(read_rows(tmp_path), "00aa", simulated=False)) == ""


def test_only_one_that_failed_keeps_calls_from_ringing() -> None:
    assert objection(None) == ""
    assert objection(PASSED) == ""
    assert objection(replace(PASSED, outcome="marginal")) == ""
    assert "by Ada: generator: -9 %" in objection(FAILED)


def test_a_line_that_is_torn_may_have_been_the_last() -> None:
    assert last([PASSED, None], "00aa", simulated=False) is None
    assert last([None, PASSED], "00aa", simulated=False) == PASSED
    assert last([FAILED, None], "00aa", simulated=False) == FAILED


def test_it_says_how_the_board_stands_and_when_the_next_is_due() -> None:
    assert "Not compared with a meter" in standing(None, NOW)
    assert standing(FAILED, NOW).startswith("DO NOT RING: ")
    assert "neither passed nor failed" in standing(replace(PASSED, outcome="marginal"), NOW)
    assert standing(PASSED, NOW) == "Compared with a meter, 2026-11-20 by Ada: generator: -0.2 %; battery: -0.2 %."
    then = datetime.fromisoformat(PASSED.at)
    assert "DUE" not in standing(PASSED, then + DUE)
    assert "DUE AGAIN" in standing(PASSED, then + DUE + timedelta(seconds=1))


@given(st.integers(1, len(text_of(PASSED)) - 2))
def test_a_line_cut_short_is_none(cut: int) -> None:
    assert parse(text_of(PASSED)[:cut]) is None


@given(
    st.sampled_from(sorted(json.loads(text_of(PASSED)))),
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=3) | st.lists(st.none(), max_size=1),
)
def test_whatever_stands_in_a_line_it_is_a_row_or_none(key: str, value: Any) -> None:
    row = parse(json.dumps({**json.loads(text_of(PASSED)), key: value}))
    assert row is None or standing(row, NOW)


@given(st.binary(max_size=60) | st.text(max_size=60).map(str.encode))
def test_any_bytes_are_read(data: bytes) -> None:
    for line in data.decode(errors="replace").split("\n"):
        parse(line)


def test_a_book_that_cannot_be_kept_is_told(tmp_path: Path) -> None:
    (tmp_path / NAME).mkdir()
    for go in (lambda: append(tmp_path, PASSED), lambda: read_rows(tmp_path)):
        with pytest.raises(InputError, match="the comparison with a meter cannot be kept here"):
            go()
