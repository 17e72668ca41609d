"""The wire's stubs hide its bodies from mypy: here they are checked without them."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_the_bodies_type_check(tmp_path: Path) -> None:
    room = tmp_path / "demo_ctl" / "wire"
    room.mkdir(parents=True)
    shutil.copy(ROOT / "demo_ctl" / "__init__.py", room.parent)
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    for module in (ROOT / "demo_ctl" / "wire").glob("*.py"):
        shutil.copy(module, room)
    # The table's named tuples are made by a function, which mypy cannot follow.
    shutil.copy(ROOT / "demo_ctl" / "wire" / "messages.pyi", room)
    run = subprocess.run(
        [sys.executable, "-m", "mypy", "demo_ctl/wire"], cwd=tmp_path, capture_output=True, text=True, timeout=300
    )
    assert run.returncode == 0, run.stdout + run.stderr


def test_the_stubs_say_what_the_modules_have() -> None:
    """Every public name, with the same parameters."""
    names = [path.stem for path in (ROOT / "demo_ctl" / "wire").glob("*.pyi")]
    assert len(names) >= 7
    run = subprocess.run(
        [sys.executable, "-m", "mypy.stubtest", *[f"demo_ctl.wire.{name}" for name in sorted(names)]],
        cwd=ROOT,
        env={"PYTHONPATH": str(ROOT), "PATH": ""},
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert run.returncode == 0, run.stdout + run.stderr
