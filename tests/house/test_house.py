"""The house rules that a machine can hold."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

from demo_ctl.board import limits
from demo_ctl.office.check import LONGEST_US, LONGEST_WINDOW_US
from demo_ctl.plan import check, draft
from demo_ctl.wire import messages as m

ROOT = Path(__file__).resolve().parents[2]
TEXTS = (".py", ".pyi", ".md", ".yaml", ".toml", ".json", "")


def _tracked() -> list[Path]:
    try:
        run = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
        paths = [ROOT / line for line in run.stdout.splitlines()]
    except (OSError, subprocess.CalledProcessError):  # no git, or not a checkout: everything but what tools leave
        leavings = {".venv", ".git", ".hypothesis", "build", "records", "__pycache__"}
        paths = [
            path
            for path in ROOT.rglob("*")
            if not leavings & set(path.relative_to(ROOT).parts)
            and not any(p.endswith(("_cache", ".egg-info")) for p in path.parts)
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


def _names(path: Path) -> set[str]:
    """All words that a module's code has in names, attributes, imports, arguments and texts; comments aside."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text())):
        for field in ("id", "attr", "name", "asname", "arg", "module", "value"):
            text = getattr(node, field, None)
            if isinstance(text, str):
                found |= set(re.findall(r"[a-z]+", text.lower()))
    return found


def test_truth_is_kept_from_whatever_measures_and_judges() -> None:
    """What really happened inside the bench's unit: only these may so much as name it."""
    modules = [p for p in (ROOT / "demo_ctl").rglob("*.py*") if p.suffix in (".py", ".pyi")]
    users = {str(p.relative_to(ROOT / "demo_ctl")) for p in modules if _names(p) & {"truth", "truthrow", "truthrecord"}}
    assert {"bench/truth.py", "ledger/read.py"} <= users  # the test can see it
    allowed = re.compile(r"bench/.*|ledger/read\.py|cli/.*|show/.*")
    # One comment-like sentence of the firmware's speaks of truth in general.
    assert {user for user in users if not allowed.fullmatch(user)} <= {"board/sense.py"}
    assert "truth" not in re.sub(r'""".*?"""', "", (ROOT / "demo_ctl/board/sense.py").read_text(), flags=re.DOTALL)


def test_what_measures_and_judges_does_not_load_the_bench() -> None:
    """Not by any way round: a call is performed with no module of the bench, and no reader of files, in memory."""
    code = "import sys, demo_ctl.measure.measure, demo_ctl.judge.judge, demo_ctl.plan.build, demo_ctl.run.perform\n"
    code += "print(sorted(n for n in sys.modules if n.startswith(('demo_ctl.bench', 'demo_ctl.ledger.read'))))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.splitlines()[-1] == "[]"


def test_what_the_host_refuses_is_what_the_board_refuses() -> None:
    """The host plans for a board of ours without importing it; the figures must not drift apart."""
    assert check.MOST_INSTRUCTIONS == limits.INSTRUCTIONS_MOST
    assert check.MOST_PULSES == limits.PULSES_MOST
    assert check.PULSE_US == (limits.PULSE_LEAST_US, limits.PULSE_MOST_US)
    assert draft.MOST_WAIT_US == limits.WAIT_MOST_US
    assert limits.safety_limits()[m.L_WINDOW_MS] * 1000 == LONGEST_WINDOW_US
    assert LONGEST_US == limits.GATE_MOST_US


def test_only_what_reads_files_knows_the_library_for_files() -> None:
    """DEVELOPERS, Decisions: pydantic for files, plain data classes elsewhere."""
    package = ROOT / "demo_ctl"
    who = {
        path.relative_to(package).as_posix()
        for path in package.rglob("*.py")
        if re.search(r"^\s*(from|import) pydantic", path.read_text(encoding="utf-8"), re.M)
    }
    rooms = {name.split("/")[0] for name in who}
    assert rooms == {"office", "script", "terms", "safety", "ledger"}
    others = {name for name in who if name.startswith(("safety/", "ledger/"))}
    assert others == {"safety/guard_data.py", "safety/failures.py", "ledger/coding.py"}
