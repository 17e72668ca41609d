"""The firmware's number: any other source is another number, and a program whose sources do not fit says so."""

from __future__ import annotations

import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from demo_ctl.cli import safety_prove
from demo_ctl.cli.main import main
from demo_ctl.safety import firmware_sources
from demo_ctl.safety.firmware_sources import PACKAGE, doubt, number_of, pin, sources
from demo_ctl.terms.errors import InputError


@pytest.fixture
def package(tmp_path: Path) -> Path:
    """The package's firmware, and the rest left out."""
    for room in ("board", "wire"):
        shutil.copytree(PACKAGE / room, tmp_path / room, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(PACKAGE / "__init__.py", tmp_path)
    pin(tmp_path)
    return tmp_path


def test_what_is_loaded_onto_a_board_is_what_is_counted() -> None:
    names = {name for name, _ in sources()}
    assert {"__init__.py", "board/guard.py", "board/limits.py", "board/pins_rp2.py", "wire/messages.py"} <= names
    assert all(name == "__init__.py" or name.startswith(("board/", "wire/")) for name in names)
    loaded = {
        path.relative_to(PACKAGE).as_posix() for room in ("board", "wire") for path in (PACKAGE / room).glob("*.py")
    }
    assert loaded - names == {"board/identity.py"}


def test_a_byte_changed_in_any_module_is_another_number(package: Path) -> None:
    before = number_of(sources(package))
    for name, data in sources(package):
        (package / name).write_bytes(data + b"#")
        assert number_of(sources(package)) != before
        assert "any more: nobody can tell" in doubt(package, before)
        (package / name).write_bytes(data)
    assert doubt(package, before) == ""
    (package / "board" / "more.py").write_text("")
    assert doubt(package, before)
    pinned = pin(package)
    assert doubt(package, pinned) == ""
    assert f"VERSION = 0x{pinned:04X}\n" in (package / "board" / "identity.py").read_text()


def test_pinning_changes_nothing_but_the_number_and_twice_is_once(package: Path) -> None:
    path = package / "board" / "identity.py"
    text, number = path.read_text(), pin(package)
    assert path.read_text() == text
    path.write_text(text.replace(f"0x{number:04X}", "0xFFFE"))
    assert pin(package) == number
    assert path.read_text() == text
    path.write_text("nothing to write")
    with pytest.raises(InputError, match="no line 'VERSION"):
        pin(package)


@given(
    st.lists(st.tuples(st.text("ab/", max_size=3), st.binary(max_size=4)), max_size=4, unique_by=lambda each: each[0])
)
def test_neither_order_nor_ends_of_lines_make_another_number(modules: list[tuple[str, bytes]]) -> None:
    modules = [(name, data.replace(b"\r", b"\n")) for name, data in modules]
    other = [(name, data.replace(b"\n", b"\r\n")) for name, data in reversed(modules)]
    assert number_of(other) == number_of(modules)


def test_a_program_without_its_sources_has_no_doubt(tmp_path: Path) -> None:
    assert doubt(tmp_path, 0) == ""


@pytest.mark.parametrize("simulated", [0, 2])
def test_nobody_is_asked_to_prove_a_real_board_for_nothing(
    simulated: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The sources here fit no number: a proving would not count. A bench runs them as they are."""

    class Opened:
        welcome = SimpleNamespace(simulated=simulated)

        def __enter__(self) -> Any:
            return self

        def __exit__(self, *_: object) -> None: ...

        def __getattr__(self, name: str) -> Any:
            raise KeyboardInterrupt  # it has begun: the board was asked for more

    monkeypatch.setattr(safety_prove, "board", lambda *_: Opened())
    monkeypatch.setattr(firmware_sources, "doubt", lambda: "the sources are others")
    unit = Path(__file__).resolve().parents[2] / "configs" / "units" / "travelling.yaml"
    told = ["safety", "prove", "--port", "/dev/none", "--unit", str(unit), "--record-dir", str(tmp_path), "--who", ""]
    code = main([*told, "--covers", "2"])
    said = capsys.readouterr().err
    assert (code, "would not count: the sources are others" in said) == ((130, False) if simulated else (2, True))
