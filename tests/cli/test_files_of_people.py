"""Files that people name: pipes are refused where files are read, and what is written is whole or not there."""

from __future__ import annotations

import os
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from demo_ctl.cli.files import write_whole
from demo_ctl.cli.main import main
from demo_ctl.ledger.read import read_record, read_truth
from demo_ctl.script.exhibit_load import load_exhibit
from demo_ctl.script.load import load_call
from demo_ctl.script.sheet_load import load_sheet
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.located import read_text
from demo_ctl.terms.outcome import Exit


@contextmanager
def room_for(most: int) -> Iterator[None]:
    """No file may be longer than this: to who writes, it is as if the disk were full."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.fixture
def pipe(tmp_path: Path) -> Path:
    path = tmp_path / "pipe.yaml"
    os.mkfifo(path)
    return path


@pytest.mark.parametrize("read", [read_text, load_call, load_sheet, load_exhibit, read_record, read_truth])
def test_a_pipe_is_refused_and_not_waited_for(read: object, pipe: Path) -> None:
    assert callable(read)
    with pytest.raises(InputError, match="no plain file but a pipe or a device") as error:
        read(pipe)
    assert error.value.where is not None
    assert error.value.where.file == str(pipe)
    assert error.value.next_step


@pytest.mark.parametrize(
    "words", [["replay", "PIPE"], ["show", "PIPE", "--check"], ["plan", "PIPE"], ["replay", "/dev/null"]]
)
def test_commands_refuse_a_pipe(words: list[str], pipe: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([str(pipe) if word == "PIPE" else word for word in words]) == Exit.BAD_INPUT
    assert "this is no plain file but a pipe or a device" in capsys.readouterr().err


def test_a_full_disk_leaves_nothing_behind(tmp_path: Path) -> None:
    path = tmp_path / "call.html"
    with room_for(1000), pytest.raises(InputError) as error:
        write_whole(str(path), b"x" * 100_000)
    assert "could not be written, and there is nothing of it" in error.value.what
    assert error.value.where is not None
    assert error.value.where.file == str(path)
    assert str(tmp_path) in error.value.next_step
    assert list(tmp_path.iterdir()) == []


def test_what_is_written_is_whole_and_as_readable_as_any_new_file(tmp_path: Path) -> None:
    path, other = tmp_path / "call.wav", tmp_path / "other"
    write_whole(str(path), b"x" * 100_000)
    other.touch()
    assert path.read_bytes() == b"x" * 100_000
    assert path.stat().st_mode == other.stat().st_mode
    assert sorted(tmp_path.iterdir()) == [path, other]


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="No such file or directory") as error:
        write_whole(str(tmp_path / "none" / "call.wav"), b"")
    assert "none" in error.value.next_step
