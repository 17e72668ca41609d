"""The book of permits: whole rows, what is torn counts as an alarm, and which alarm stands."""

from __future__ import annotations

import json
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.link.lease import ALARMS
from demo_ctl.safety import permit_book
from demo_ctl.safety.permit_book import (
    CLEARED,
    ENDED,
    GIVEN,
    LOST,
    NAME,
    REFUSED,
    UNREADABLE,
    PermitBook,
    Row,
    append,
    check_no_alarm,
    parse,
    read_rows,
    standing_alarm,
    text_of,
)
from demo_ctl.terms.errors import InputError, TripError
from demo_ctl.wire import messages as m

AT = "2026-11-25T03:00:00+00:00"


def row(event: str, reason: int = m.R_NONE, unit: str = "Mossbrook", simulated: bool = False, at: str = AT) -> Row:
    return Row(at, unit, "00aa", simulated, event, m.R_NAMES[reason], boot=3, board_us=12)


SMOKE = row(LOST, m.R_SMOKE)


def stands(*rows: Row) -> Row | None:
    return standing_alarm(rows, "Mossbrook", simulated=False)


def test_what_is_kept_is_read_back(tmp_path: Path) -> None:
    assert read_rows(tmp_path / "none") == []
    rows = [row(GIVEN), SMOKE, row(CLEARED, m.R_SMOKE)]
    for each in rows:
        append(tmp_path / "new", each)
    assert read_rows(tmp_path / "new") == rows


@pytest.mark.parametrize("reason", ALARMS)
def test_an_alarm_stands_until_somebody_says_that_it_was_seen_to(reason: int) -> None:
    alarm = row(LOST, reason)
    assert stands(row(GIVEN), alarm) == alarm
    assert stands(row(GIVEN), alarm, row(ENDED)) == alarm
    assert stands(alarm, row(REFUSED, reason, at="2026-11-26T03:00:00+00:00")) == alarm  # the date is the alarm's own
    assert stands(alarm, row(CLEARED, reason)) is None
    assert stands(alarm, row(CLEARED, reason), row(REFUSED, reason)) is not None  # it is still there
    with pytest.raises(TripError) as caught:
        check_no_alarm([alarm], "Mossbrook", simulated=False)
    assert AT in caught.value.what
    assert m.R_NAMES[reason] in caught.value.what
    assert "--alarm-cleared" in caught.value.next_step
    check_no_alarm([alarm, row(CLEARED)], "Mossbrook", simulated=False)


@pytest.mark.parametrize("reason", [m.R_KEY, m.R_LEASE, m.R_SILENCE, m.R_NONE])
def test_what_is_no_alarm_stands_for_nothing(reason: int) -> None:
    assert stands(row(GIVEN), row(LOST, reason), row(ENDED, reason)) is None


def test_other_units_and_simulated_ones_are_another_matter() -> None:
    assert stands(row(LOST, m.R_SMOKE, unit="Elsewhere"), row(LOST, m.R_SMOKE, simulated=True)) is None
    assert stands(SMOKE, row(CLEARED, unit="Elsewhere"), row(CLEARED, simulated=True)) == SMOKE


@settings(deadline=None)
@given(st.integers(1, len(text_of(SMOKE)) - 2))
def test_a_row_that_was_cut_counts_as_an_alarm_and_harms_no_other(cut: int) -> None:
    torn = text_of(SMOKE)[:cut]
    assert parse(torn) is UNREADABLE
    assert stands(row(GIVEN), parse(torn)) is UNREADABLE
    assert stands(parse(torn), row(CLEARED)) is None


def test_the_power_that_went_within_a_row_spoils_only_that_row(tmp_path: Path) -> None:
    append(tmp_path, row(GIVEN))
    with (tmp_path / NAME).open("a") as file:
        file.write(text_of(SMOKE)[:40])
    append(tmp_path, row(CLEARED))
    assert read_rows(tmp_path) == [row(GIVEN), UNREADABLE, row(CLEARED)]
    with pytest.raises(TripError, match="cannot be read"):
        check_no_alarm(read_rows(tmp_path)[:2], "Mossbrook", simulated=False)


@settings(deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
        max_leaves=6,
    ),
    st.sampled_from(sorted(json.loads(text_of(SMOKE)))),
)
def test_whatever_stands_in_a_row_reading_it_raises_nothing(value: object, key: str) -> None:
    assert isinstance(parse(json.dumps({**json.loads(text_of(SMOKE)), key: value})), Row)
    assert parse(json.dumps(value)) is UNREADABLE


def test_only_the_end_of_a_long_file_is_read_and_it_decides(tmp_path: Path) -> None:
    line = text_of(row(GIVEN))
    (tmp_path / NAME).write_text(text_of(SMOKE) + line * (3_000_000 // len(line)))
    rows = read_rows(tmp_path)
    assert 0 < len(rows) < 10_000
    assert UNREADABLE not in rows
    assert stands(*rows) is None
    append(tmp_path, SMOKE)
    assert stands(*read_rows(tmp_path)) == SMOKE


def test_a_place_where_nothing_can_be_kept_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be kept"):
        append(tmp_path / "file", SMOKE)
    book = PermitBook(tmp_path / "file")
    book.note(SMOKE)
    assert "cannot be kept" in book.close()
    (tmp_path / NAME).mkdir()
    with pytest.raises(InputError, match="cannot be kept"):
        read_rows(tmp_path)


def test_a_disk_that_stands_still_is_not_waited_for_while_rows_are_noted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    turns, begun, done = threading.Event(), threading.Event(), []

    def slow(folder: Path, row: Row) -> None:
        begun.set()
        turns.wait(10)
        done.append(row)

    monkeypatch.setattr(permit_book, "append", slow)
    monkeypatch.setattr(permit_book, "_PATIENCE_S", 0.01)
    book = PermitBook(tmp_path)
    book.note(SMOKE)
    begun.wait(10)
    book.note(row(GIVEN))
    assert done == []  # it came back, twice, with nothing written
    assert "the disk stands still" in book.close()
    turns.set()
    monkeypatch.setattr(permit_book, "_PATIENCE_S", 10.0)
    assert book.close() == ""
    assert done == [SMOKE, row(GIVEN)]
