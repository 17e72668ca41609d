"""The house rules that a machine can hold."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TEXTS = (".py", ".pyi", ".md", ".yaml", ".toml", ".json", "")


def _tracked() -> list[Path]:
    try:
        run = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
        paths = [ROOT / line for line in run.stdout.splitlines()]
    except (OSError, subprocess.CalledProcessError):  # no git, or not a checkout: everything but what tools leave
        leavings = {".venv", ".git", "build", "records", "__pycache__"}
        paths = [
            path
            for path in ROOT.rglob("*")
            if not leavings & set(path.parts) and not any(p.endswith(("_cache", ".egg-info")) for p in path.parts)
        ]
    return [path for path in paths if path.is_file()]


def test_imports_go_one_way() -> None:
    tool = Path(sys.executable).with_name("lint-imports")
    run = subprocess.run([tool, "--no-cache"], cwd=ROOT, capture_output=True, text=True)
    assert run.returncode == 0, run.stdout + run.stderr


def test_every_room_has_a_contract() -> None:
    rooms = {p.parent.name for p in (ROOT / "demo_ctl").glob("*/__init__.py")}
    held = set(re.findall(r'source_modules = \["demo_ctl\.(\w+)"\]', (ROOT / "pyproject.toml").read_text()))
    assert rooms - held == {"cli"}  # cli is the only room that knows all others


def test_top_level_is_as_agreed() -> None:
    top = {p.relative_to(ROOT).parts[0] for p in _tracked()}
    agreed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "demo_ctl", "configs", "tests", "wiring"}
    assert {name for name in top if not name.startswith(".")} <= agreed


def test_only_the_chip_module_imports_the_chip() -> None:
    users = {
        p.name
        for p in (ROOT / "demo_ctl").rglob("*.py")
        if re.search(r"^\s*(import|from) (machine|rp2)\b", p.read_text(), re.M)
    }
    assert users <= {"pins_rp2.py"}


def test_only_the_port_imports_serial() -> None:
    users = {
        str(p.relative_to(ROOT / "demo_ctl"))
        for p in (ROOT / "demo_ctl").rglob("*.py")
        if re.search(r"^\s*(import|from) serial\b", p.read_text(), re.M)
    }
    assert users <= {"link/port.py", "bench/protocol_bench.py"}


def test_no_path_of_one_machine() -> None:
    pattern = re.compile(r"(?<![\w.])/(work|root|farm)/")
    texts = [p for p in _tracked() if p.suffix in TEXTS and p.parts[-2] != "house"]
    assert not [str(p) for p in texts if pattern.search(p.read_text())]


def test_help_imports_no_library() -> None:
    code = "import sys; from demo_ctl.cli.main import main\ntry: main(['--help'])\nexcept SystemExit: pass\n"
    code += "print(sorted({'pydantic', 'numpy', 'serial', 'rich', 'yaml', 'asyncio'} & set(sys.modules)))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.splitlines()[-1] == "[]"
