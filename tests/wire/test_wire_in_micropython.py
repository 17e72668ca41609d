"""The wire's own modules in real MicroPython: the same story, the same words; and they compile for the chip."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
STORY = Path(__file__).with_name("story_for_both.py")
MODULES = sorted((ROOT / "demo_ctl" / "wire").glob("*.py"))


def _tool(name: str) -> str:
    beside = Path(sys.executable).with_name(name)
    found = str(beside) if beside.exists() else shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not installed (pip install -e .[test])")
    return found


def _run(command: list[str], **environment: str) -> str:
    done = subprocess.run(
        command, cwd=ROOT, env={**os.environ, **environment}, capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr
    return done.stdout


def test_the_same_story_in_both() -> None:
    ours = _run([sys.executable, str(STORY)], PYTHONPATH=str(ROOT)).splitlines()
    theirs = _run([_tool("micropython"), str(STORY)], MICROPYPATH=str(ROOT)).splitlines()
    assert ours[-1] == "end"
    # The line of the story's third session destroys everything: the host must have given up.
    assert any("HostLost" in line for line in ours)
    assert sum("host hears Event" in line for line in ours) > 300
    for one, other in zip(ours, theirs, strict=True):
        assert one == other


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.stem))
def test_compiles_for_the_chip(module: Path, tmp_path: Path) -> None:
    out = tmp_path / "module.mpy"
    _run([_tool("mpy-cross"), "-march=armv6m", "-o", str(out), str(module)])
    assert out.read_bytes()[:1] == b"M"  # an .mpy file's mark


def test_every_module_is_there() -> None:
    names = {path.stem for path in MODULES}
    assert names >= {"framing", "stuffing", "codec", "clock", "messages", "board_session", "host_session"}
