"""Explorations that take long: they show how far they are, and Ctrl-C ends them with what was found."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
GIVE_UP_S = 90  # nothing is asserted about it: a hung test should end


def _stopped(words: list[str], when: str) -> tuple[int, str, str]:
    """Run it with a terminal for its errors; do what Ctrl-C does once `when` was shown there.

    A terminal sends that to every process of the command. Return its exit code, output, and what the terminal showed.
    """
    ours, theirs = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "demo_ctl", "safety", *words],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=theirs,
        text=True,
        cwd=ROOT,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "100"},
        start_new_session=True,
    ) as child:
        os.close(theirs)
        hung = threading.Timer(GIVE_UP_S, child.kill)
        hung.start()
        shown, asked = "", False
        try:
            while child.poll() is None or select.select([ours], [], [], 0)[0]:
                if select.select([ours], [], [], 0.1)[0]:
                    try:
                        shown += os.read(ours, 65536).decode()
                    except OSError:  # nobody has the other end any more
                        break
                if when in shown and not asked:
                    asked = True
                    os.killpg(child.pid, signal.SIGINT)
            output, _ = child.communicate()
        finally:
            hung.cancel()
            os.close(ours)
    return child.returncode, output, shown


@pytest.mark.parametrize("words", [["mutate"], ["explore"]], ids=lambda words: words[0])
def test_ctrl_c_ends_long_work_with_what_was_found_and_says_that_it_is_not_all(words: list[str]) -> None:
    code, output, shown = _stopped(words, "gone, about")
    assert code == 130
    assert "STOPPED after" in output
    assert "this says nothing" in output
    assert "Traceback" not in shown
    assert "Process" not in shown


def test_for_machines_it_says_that_it_is_not_whole() -> None:
    code, output, _ = _stopped(["mutate", "--json"], "gone, about")
    found = json.loads(output)
    assert code == 130
    assert (found["whole"], found["fine"]) == (False, False)


def test_without_a_terminal_it_shows_nothing_but_what_it_found() -> None:
    run = subprocess.run(
        [sys.executable, "-m", "demo_ctl", "safety", "mutate", "--module", "permit", "--count", "3"],
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    assert (run.returncode, run.stderr) == (0, "")
    assert "permit: " in run.stdout
    assert "of 3, " in run.stdout
