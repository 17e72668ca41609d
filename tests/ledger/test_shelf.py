"""A folder of records that keeps itself small, and waits for no disk."""

from __future__ import annotations

import errno
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from demo_ctl.ledger import shelf as shelves
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.ledger.shelf import Shelf
from demo_ctl.terms.errors import InputError


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with records of five years, and with files of other people's."""
    for year in range(2020, 2025):
        (tmp_path / f"exhibit-{year}0804T100000Z-0001-answered.jsonl").write_bytes(b"x" * 100)
    for other in ("monday.jsonl", "2020-08-04-100000-01-busy.jsonl", "exhibit-notes.txt", "exhibit-x-0001-a.jsonl"):
        (tmp_path / other).write_bytes(b"x" * 100)
    return tmp_path


def years(folder: Path) -> list[str]:
    return sorted(each.name[8:12] for each in folder.glob("exhibit-2*"))


def test_the_oldest_of_its_own_go_first_and_no_other_file_does(folder: Path) -> None:
    Shelf(folder, most=3).make_room()
    assert years(folder) == ["2022", "2023", "2024"]
    Shelf(folder, most_bytes=250).make_room()
    assert years(folder) == ["2023", "2024"]
    Shelf(folder, most=0).make_room()
    assert years(folder) == []
    assert len(list(folder.iterdir())) == 4


def test_room_is_made_when_a_record_is_closed(folder: Path) -> None:
    shelf = Shelf(folder, most=2)
    record = shelf.record("busy", 7)
    record.note("a row")
    record.close()
    shelf.close()
    assert [each.name for each in sorted(folder.glob("exhibit-2*"))][1:] == [record.path.name]
    assert record.path.name.endswith("Z-0007-busy.jsonl")
    assert b"a row" in record.path.read_bytes()
    assert years(folder)[0] == "2024"


def test_a_folder_that_cannot_be_is_refused_with_its_name(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="no records can be kept here") as caught:
        Shelf(tmp_path / "file").record("busy", 1)
    assert caught.value.where is not None
    assert caught.value.where.file == str(tmp_path / "file")


def test_a_full_disk_leaves_no_empty_files_behind(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(_self: RecordWriter, _line: bytes) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(RecordWriter, "_write", full)
    shelf = Shelf(folder)
    record = shelf.record("busy", 1)
    record.note("a row")
    with pytest.raises(InputError, match="No space left"):
        record.saved(60)
    record.close()
    shelf.close()
    assert not record.path.exists()
    assert len(years(folder)) == 5


@pytest.fixture
def stuck(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A disk that answers only when the test is over."""
    go, write = threading.Event(), RecordWriter._write

    def late(self: RecordWriter, line: bytes) -> None:
        assert go.wait(60)
        write(self, line)

    monkeypatch.setattr(RecordWriter, "_write", late)
    yield
    go.set()


@pytest.mark.usefixtures("stuck")
def test_a_disk_that_does_not_answer_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shelves, "_GIVE_UP_S", 0.02)
    record = Shelf(tmp_path).record("busy", 1)
    record.note("a row")
    assert not record.saved(0.01)
    with pytest.raises(InputError, match="the disk does not answer"):
        record.saved(0.01)
    assert record.trouble == "the disk does not answer"
    record.close()  # waits no longer than a blink
