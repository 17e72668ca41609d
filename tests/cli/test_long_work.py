"""Explorations that take long: they show how far they are, and Ctrl-C ends them with what was found."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from tests.cli.started import demo

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


def _shown(*words: str) -> str:
    run = demo("safety", *words)
    assert (run.returncode, run.stderr) == (0, "")
    return run.stdout


def test_each_law_is_listed_no_wider_than_a_page_and_no_word_in_it_is_left_unexplained() -> None:
    laws = json.loads(_shown("explore", "--laws", "--json"))
    shown = _shown("explore", "--laws")
    assert max(len(line) for line in shown.splitlines()) < 120
    for watch in ("budget: bursts", "bus", "permit", "petition: windows"):
        assert {"counters stop", "extra calls"} <= set(laws["laws"][watch])
    assert shown.count("  counters stop: ") == shown.count("  extra calls: ") - 1 == len(laws["laws"]) - 1
    said = " ".join(says for each in laws["laws"].values() for says in each.values())
    explained = " ".join(laws["words"])
    for word in set(re.findall(r"\b[A-Z]{2,}[A-Z_]*\b|\b\w+_us\b", said)):
        assert word in explained, word


def test_it_shows_which_law_caught_how_many() -> None:
    words = ("mutate", "--module", "interlock", "--module", "permit", "--count", "3", "--seed", "2")
    found = json.loads(_shown(*words, "--json"))["mutants"]
    caught = [each for each in found if each["fate"] == "caught"]
    shown = _shown(*words)
    table = shown[: shown.index("interlock: ")]
    counts = [int(count) for count in re.findall(r"(\d+) [│|]", table)]
    assert sum(counts) == len(caught) > 0
    for each in caught:
        assert each["by"].split(" (")[0].split(":")[0] in table
    assert "(0: all)" in " ".join(_shown("mutate", "--help").split())


def test_without_a_terminal_it_shows_nothing_but_what_it_found() -> None:
    run = demo("safety", "mutate", "--module", "permit", "--count", "3")
    assert (run.returncode, run.stderr) == (0, "")
    assert "permit: " in run.stdout
    assert "of 3, " in run.stdout


EARLY = """
import multiprocessing, os, signal
from demo_ctl.safety import crew

class Context:
    def Pool(self, workers):
        os.kill(os.getpid(), signal.SIGINT)  # the very moment in which the processes begin
        return multiprocessing.get_context("spawn").Pool(1)

class Module:
    get_context = staticmethod(lambda how: Context())

crew.multiprocessing = Module
try:
    print(list(crew.crew(abs, [-1, -2])))
except KeyboardInterrupt:
    print("heard", signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ()))
"""


def test_a_ctrl_c_while_the_processes_begin_is_heard() -> None:
    run = subprocess.run([sys.executable, "-c", EARLY], capture_output=True, text=True, cwd=ROOT, timeout=GIVE_UP_S)
    assert run.stdout == "heard False\n", run.stderr
