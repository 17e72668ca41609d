"""Surroundings that do not help: closed or full outputs, readers that go, odd alphabets, signals at any moment."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import signal
import subprocess
import sys
import termios
import time
from pathlib import Path

import pytest

from tests.cli.started import demo

ROOT = Path(__file__).resolve().parents[2]
ANSWERED = "configs/calls/answered.yaml"
SHORT = (ANSWERED, "--unit", "configs/units/travelling.yaml", "--port", "bench://")
DEMO = f"{sys.executable} -m demo_ctl"


def _shell(line: str, **more: str) -> subprocess.CompletedProcess[str]:
    run = subprocess.run(
        ["bash", "-c", line],
        capture_output=True,
        encoding=more.get("PYTHONIOENCODING", "utf-8"),
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), **more},
        stdin=subprocess.DEVNULL,
        timeout=120,
    )
    assert "Traceback" not in run.stdout + run.stderr, run.stderr
    assert "Exception ignored" not in run.stderr
    return run


@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_closed_streams_change_no_verdict(closed: str) -> None:
    assert _shell(f"{DEMO} call {' '.join(SHORT)} {closed}").returncode == 0


@pytest.mark.parametrize("command", ["plan configs/calls/answered.yaml", "schema call", f"call {' '.join(SHORT)}"])
def test_a_full_disk_below_the_output_is_said(command: str) -> None:
    run = _shell(f"{DEMO} {command} > /dev/full")
    assert run.returncode == 2
    assert "No space left" in run.stderr


def test_a_reader_that_goes_in_mid_call_releases_the_line_and_the_record_says_so(tmp_path: Path) -> None:
    path = tmp_path / "watched.jsonl"
    run = _shell(f"{DEMO} call {' '.join(SHORT)} --record {path} | head -2; exit ${{PIPESTATUS[0]}}")
    assert run.returncode == 130
    end = json.loads(path.read_text().splitlines()[-1])
    assert (end["row"], end["status"], end["exit_code"]) == ("end", "interrupted", 130)
    assert "gone" in end["reason"]


def test_a_reader_that_goes_changes_no_exit_code(tmp_path: Path) -> None:
    path = tmp_path / "failed.jsonl"
    script = tmp_path / "strict.yaml"
    text = (ROOT / ANSWERED).read_text()
    script.write_text(text.replace("must not:", 'expect:\n  ring trip: { to: 20 ms, source: "x" }\nmust not:'))
    unit = "--unit configs/units/travelling.yaml"
    assert _shell(f"{DEMO} call {script} {unit} --port bench:// --record {path}").returncode == 1
    assert _shell(f"{DEMO} record {path} | true; exit ${{PIPESTATUS[0]}}").returncode == 1


@pytest.mark.parametrize("letters", ["ascii", "latin-1"])
def test_a_terminal_without_our_letters(letters: str, tmp_path: Path) -> None:
    script = tmp_path / "letters.yaml"
    text = (ROOT / ANSWERED).read_text()
    script.write_text(
        text.replace("title: A call", 'title: "[/red] \u202e \U0001f600 \u00e9 A call').replace(
            "that is answered\nabout", 'that is answered"\nabout'
        ),
        encoding="utf-8",
    )
    words = f"{script} --unit configs/units/travelling.yaml"
    assert _shell(f"{DEMO} plan {words}", PYTHONIOENCODING=letters).returncode == 0
    assert _shell(f"{DEMO} call {words} --port bench://", PYTHONIOENCODING=letters).returncode == 0
    said = _shell(f"{DEMO} call {words} --port bench:// --json", PYTHONIOENCODING=letters)
    assert json.loads(said.stdout)["title"].startswith("[/red] \u202e \U0001f600 \u00e9")
    json.loads(_shell(f"{DEMO} schema unit", PYTHONIOENCODING=letters).stdout)


def test_a_file_whose_name_is_no_text(tmp_path: Path) -> None:
    name = os.fsencode(tmp_path) + b"/\xff\x1b.yaml"
    with open(name, "wb") as file:
        file.write((ROOT / ANSWERED).read_bytes())
    for options in (b"", b" --json"):
        command = os.fsencode(f"{DEMO} plan ") + b"'" + name + b"'" + options
        run = subprocess.run(["bash", "-c", command], capture_output=True, cwd=ROOT)
        assert run.returncode == 0, run.stderr
        assert b"Traceback" not in run.stderr


@pytest.mark.parametrize("pace", ["1e999999999", "1e-999999999", "9" * 5000, "1/0", "-1", "nan", "inf", "\u0661", ""])
def test_paces_that_are_none(pace: str) -> None:
    run = demo("plan", ANSWERED, f"--pace={pace}")
    assert run.returncode == 2
    assert "pace" in run.stderr
    assert len(run.stderr) < 500


@pytest.mark.parametrize(
    "url",
    [
        "bench://[",
        "bench://?busy=1/5/1-99999999999",
        f"bench://?seed={'9' * 5000}",
        "bench://?unit=/dev/zero",
        "bench://?unit=%00",
        "socket://localhost",
        "socket://[::1",
        "socket://localhost:99999",
        "loop://?logging=x",
        "hwgrep://(",
        "/dev/null",
        "",
        "\udcff\udcfe",
    ],
)
def test_ports_that_are_none(url: str) -> None:
    run = demo("call", ANSWERED, "--port", url)
    # An address that cannot be one is a mistake of whoever wrote it; anything else is trouble with the port.
    assert run.returncode == (2 if url.startswith(("bench:", "socket:")) else 3), run.stderr
    assert "Traceback" not in run.stderr
    assert "instances of" not in run.stderr


# Signals.


@pytest.mark.parametrize("nth", range(8))
def test_ctrl_c_at_any_moment_is_never_a_traceback(nth: int) -> None:
    command = ("call", ANSWERED, "--port", "bench://?clock=paced")
    # Python's own start is not ours: the signal comes when our package has begun to load.
    code = (
        "import os, sys; sys.argv = ['demo_ctl', *sys.argv[1:]]; os.write(1, b'>');"
        "import runpy; runpy.run_module('demo_ctl', run_name='__main__', alter_sys=False)"
    )
    call = subprocess.Popen(
        [sys.executable, "-u", "-c", code, *command], stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT
    )
    assert call.stdout is not None
    assert call.stdout.read(1) == b">"
    time.sleep(0.02 + 0.13 * nth)
    call.send_signal(signal.SIGINT)
    _out, err = call.communicate(timeout=60)
    assert call.returncode == 130, err
    assert b"Traceback" not in err


def test_ctrl_c_in_a_callback_whose_exceptions_python_drops_is_still_heard() -> None:
    code = (
        "import os, signal, sys, time\n"
        "import demo_ctl.__main__ as start\n"
        "class Dropped:\n"
        "    def __del__(self):\n"
        "        os.kill(os.getpid(), signal.SIGINT)\n"
        "        time.sleep(0.02)\n"
        "def main():\n"
        "    thing = Dropped()\n"
        "    del thing\n"
        "    time.sleep(30)\n"
        "    return 0\n"
        "import demo_ctl.cli.main as real\n"
        "real.main = main\n"
        "sys.exit(start.run())\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, cwd=ROOT, timeout=60)
    assert done.returncode == 130, done.stderr
    assert done.stderr == b""


def test_a_closed_terminal_releases_the_line_and_ends_the_record(tmp_path: Path) -> None:
    path = tmp_path / "hung-up.jsonl"
    ours, theirs = pty.openpty()

    def take_terminal() -> None:
        os.setsid()
        fcntl.ioctl(0, termios.TIOCSCTTY, 0)

    command = [sys.executable, "-u", "-m", "demo_ctl", "call", *SHORT[:-1], "bench://?clock=paced"]
    call = subprocess.Popen(
        [*command, "--record", str(path)],
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        cwd=ROOT,
        preexec_fn=take_terminal,
    )
    os.close(theirs)
    seen = b""
    while b"dials" not in seen:
        seen += os.read(ours, 1000)
    os.close(ours)  # the terminal is closed: SIGHUP, and every write fails from now on
    assert call.wait(timeout=60) == 130
    end = json.loads(path.read_text().splitlines()[-1])
    assert (end["row"], end["status"]) == ("end", "interrupted")
    assert end["reason"] in ("stopped by SIGHUP", "whoever watched the call has gone")  # whichever is noticed first


def test_under_nohup_a_closed_terminal_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "nohup.jsonl"
    command = ["nohup", sys.executable, "-u", "-m", "demo_ctl", "call", *SHORT[:-1], "bench://?clock=paced"]
    call = subprocess.Popen(
        [*command, "--record", str(path)],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        cwd=ROOT,
    )
    assert call.stdout is not None
    for line in call.stdout:
        if b"dials" in line:
            break
    call.send_signal(signal.SIGHUP)
    for line in call.stdout:
        if b"hear" in line or b"ended" in line or b"dial" in line:
            break  # it goes on
    call.send_signal(signal.SIGTERM)
    call.communicate(timeout=60)
    end = json.loads(path.read_text().splitlines()[-1])
    assert end["reason"] == "stopped by SIGTERM"
