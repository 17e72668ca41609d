"""The book of permits: whole rows, what is torn counts as an alarm, and which alarm stands."""

from __future__ import annotations

import json
import os
import resource
import signal
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.link.lease import ALARMS
from demo_ctl.safety import book, permit_book
from demo_ctl.safety.permit_book import (
    CLEARED,
    ENDED,
    GIVEN,
    LOST,
    NAME,
    REFUSED,
    UNREADABLE,
    Row,
    append,
    append_in_time,
    check_no_alarm,
    parse,
    read_rows,
    standing_alarms,
    text_of,
)
from demo_ctl.terms.errors import InputError, TripError
from demo_ctl.wire import messages as m

AT = "2026-11-25T03:00:00+00:00"


def row(
    event: str,
    reason: int = m.R_NONE,
    unit: str = "Mossbrook",
    simulated: bool = False,
    at: str = AT,
    board: str = "00aa",
) -> Row:
    return Row(at, unit, board, simulated, event, m.R_NAMES[reason], boot=3, board_us=12)


SMOKE = row(LOST, m.R_SMOKE)


def stands(*rows: Row, unit: str = "Mossbrook", board: str = "00aa") -> Row | None:
    """The latest that stands."""
    found = standing_alarms(rows, unit, board, simulated=False)
    return found[-1] if found else None


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
        check_no_alarm([alarm], "Mossbrook", "00aa", simulated=False)
    assert AT in caught.value.what
    assert m.R_NAMES[reason] in caught.value.what
    assert "--alarm-cleared" in caught.value.next_step
    check_no_alarm([alarm, row(CLEARED)], "Mossbrook", "00aa", simulated=False)


@pytest.mark.parametrize("reason", [m.R_KEY, m.R_LEASE, m.R_SILENCE, m.R_NONE])
def test_what_is_no_alarm_stands_for_nothing(reason: int) -> None:
    assert stands(row(GIVEN), row(LOST, reason), row(ENDED, reason)) is None


def test_other_units_and_simulated_ones_are_another_matter() -> None:
    elsewhere = [row(event, m.R_SMOKE, unit="Elsewhere", board="00bb") for event in (LOST, CLEARED)]
    assert stands(elsewhere[0], row(LOST, m.R_SMOKE, simulated=True)) is None
    assert stands(SMOKE, elsewhere[1], row(CLEARED, simulated=True)) == SMOKE


def test_an_alarm_goes_with_its_unit_and_with_its_board() -> None:
    assert stands(SMOKE, unit="Renamed") == SMOKE
    assert stands(SMOKE, board="00bb") == SMOKE
    assert stands(SMOKE, unit="Renamed", board="00bb") is None
    fuse = row(LOST, m.R_FUSE, unit="Renamed")
    other = row(LOST, m.R_RELEASE, board="00bb")
    assert stands(fuse, other, row(CLEARED, unit="Renamed")) == other  # who cleared the one never saw the other
    assert stands(fuse, other, row(CLEARED)) is None


def test_no_supply_that_was_given_since_clears_an_alarm() -> None:
    assert stands(SMOKE, row(GIVEN)) == SMOKE
    assert stands(UNREADABLE, row(GIVEN)) is UNREADABLE


def test_of_many_alarms_the_latest_are_told_and_how_many_more() -> None:
    alarms = [row(LOST, reason) for reason in ALARMS]
    words = permit_book.alarms_in_words(standing_alarms(alarms, "Mossbrook", "00aa", simulated=False))
    assert all(m.R_NAMES[reason] in words for reason in ALARMS[-3:])
    assert words.endswith(f"and {len(ALARMS) - 3} before")


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
        check_no_alarm(read_rows(tmp_path)[:2], "Mossbrook", "00aa", simulated=False)


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


def test_an_alarm_stands_however_much_of_other_units_comes_after_it(tmp_path: Path) -> None:
    line = text_of(row(ENDED, unit="Elsewhere", board="00bb"))
    (tmp_path / NAME).write_text(text_of(SMOKE) + line * (1_100_000 // len(line)))
    assert stands(*read_rows(tmp_path)) == SMOKE


def test_a_last_line_that_is_long_and_torn_counts_as_an_alarm(tmp_path: Path) -> None:
    (tmp_path / NAME).write_text(text_of(row(ENDED)) + "x" * 1_100_000)
    assert read_rows(tmp_path) == [row(ENDED), UNREADABLE]


def test_a_file_too_long_to_be_read_is_refused_with_what_to_do(tmp_path: Path) -> None:
    with (tmp_path / NAME).open("w") as file:
        file.write(text_of(SMOKE))
        file.truncate(book.MOST_BYTES + 1)
    with pytest.raises(InputError, match="longer than 16 MiB") as caught:
        read_rows(tmp_path)
    assert "was not seen to" in caught.value.next_step
    (tmp_path / NAME).write_text("")
    assert read_rows(tmp_path) == []


def test_only_a_regular_file_keeps_anything(tmp_path: Path) -> None:
    path = tmp_path / NAME
    for make in (lambda: os.mkfifo(path), lambda: path.symlink_to("/dev/null"), lambda: path.symlink_to("/dev/full")):
        make()
        for go in (lambda: append(tmp_path, SMOKE), lambda: read_rows(tmp_path)):
            with pytest.raises(InputError, match="no regular file"):
                go()
        path.unlink()
    path.symlink_to(tmp_path / "gone" / "elsewhere")
    with pytest.raises(InputError, match=r"cannot be (kept|read)"):
        read_rows(tmp_path)


def test_a_row_that_finds_no_room_is_no_row(tmp_path: Path) -> None:
    append(tmp_path, row(GIVEN))
    size = (tmp_path / NAME).stat().st_size
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size + 20, before[1]))
        with pytest.raises(InputError, match="No space left"):
            append(tmp_path, SMOKE)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
        signal.signal(signal.SIGXFSZ, handler)
    assert read_rows(tmp_path) == [row(GIVEN), UNREADABLE]


def test_a_place_where_nothing_can_be_kept_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match=r"cannot be (kept|read)"):
        append(tmp_path / "file", SMOKE)
    with pytest.raises(InputError, match=r"cannot be (kept|read)"):
        append_in_time(tmp_path / "file", SMOKE, lambda: None)
    (tmp_path / NAME).mkdir()
    with pytest.raises(InputError, match=r"cannot be (kept|read)"):
        read_rows(tmp_path)


def test_a_disk_that_stands_still_is_not_waited_for_for_ever_and_other_things_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    goes, turns = threading.Event(), []
    done: list[Row] = []

    def slow(folder: Path, row: Row) -> None:
        goes.wait(10)
        done.append(row)

    monkeypatch.setattr(permit_book, "append", slow)
    monkeypatch.setattr(permit_book, "_AT_ONCE_S", 0.0)
    monkeypatch.setattr(permit_book, "_PATIENCE_S", 0.2)
    with pytest.raises(InputError, match="the disk stands still"):
        append_in_time(tmp_path, SMOKE, lambda: turns.append(1))
    assert turns
    assert done == []
    monkeypatch.setattr(permit_book, "_PATIENCE_S", 10.0)
    append_in_time(tmp_path, row(GIVEN), goes.set)  # slow, and written in the end
    assert row(GIVEN) in done
