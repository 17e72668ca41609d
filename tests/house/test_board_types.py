"""Firmware checked against the types of MicroPython on the chip: a mypy run of its own, with MicroPython's library."""

from __future__ import annotations

import importlib.metadata
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
STUBS = ("micropython-rp2-rpi-pico-stubs", "micropython-stdlib-stubs")
CONFIG = """
[mypy]
custom_typeshed_dir = {stubs}
mypy_path = {stubs}:{root}
python_version = 3.11
check_untyped_defs = True
warn_unreachable = True
explicit_package_bases = True
# The stubs' own quarrels are not ours.
ignore_errors = True
[mypy-demo_ctl.*,wrong]
ignore_errors = False
"""


@pytest.fixture(scope="module")
def stubs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with MicroPython's types and nothing else (mypy wants them apart from this environment's packages)."""
    folder = tmp_path_factory.mktemp("stubs")
    for name in STUBS:
        try:
            files = importlib.metadata.files(name) or []
        except importlib.metadata.PackageNotFoundError:
            pytest.fail(f"{name} is not in this environment: pip install 'demo_ctl[test]'")
        for one in files:
            if one.suffix == ".pyi" or one.name == "VERSIONS":
                (folder / one).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(Path(str(one.locate())), folder / one)
    return folder


def _check(stubs: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    config = stubs.parent / "mypy.ini"
    config.write_text(CONFIG.format(stubs=stubs, root=ROOT))
    return subprocess.run(
        [sys.executable, "-m", "mypy", "--config-file", config, "--cache-dir", stubs.parent / "cache", *arguments],
        cwd=ROOT,
        capture_output=True,
        text=True,
    )


def test_firmware_has_the_types_of_the_chip(stubs: Path) -> None:
    run = _check(stubs, "-m", "demo_ctl.board.pins_rp2", "-m", "demo_ctl.board.main", "-m", "demo_ctl.board.pins")
    assert run.returncode == 0, run.stdout + run.stderr


def test_the_run_would_find_a_mistake(stubs: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.py"
    wrong.write_text("import machine\nimport time\n\nmachine.Pin(2).values()\ntime.perf_counter()\n")
    run = _check(stubs, str(wrong))
    assert run.returncode == 1
    assert '"Pin" has no attribute "values"' in run.stdout
    assert "perf_counter" in run.stdout
