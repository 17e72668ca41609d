"""Real-time tests share a machine that may do other work: who fails while it was held up gets one more chance.

The board is right to go silent when its host is; that is tested for itself. A real-time test of something else says
nothing when the machine gave its processes no time. So while one runs, a process beside it watches how late it is
woken; and one that failed while that was very late, or while far more wanted to run than there are processors, runs a
second time. The summary names these. What fails on a quiet machine fails.
"""

from __future__ import annotations

import os
import subprocess
import sys
from types import TracebackType

import pytest
from _pytest.runner import runtestprotocol

#: Of the 600 ms for which a board waits for its host, with a heartbeat each 200 ms.
LATE_S = 0.2
#: That many want to run, for each processor: what works for 50 ms between two heartbeats takes too long.
CROWD = 2.0
TWICE = "the machine was held up"
PULSE = """
import select, sys, time
worst, ended = 0.0, False
while not ended:
    began = time.monotonic()
    ended = bool(select.select([sys.stdin], [], [], 0.02)[0])
    worst = max(worst, time.monotonic() - began - 0.02)
print(worst)
"""


class Pulse:
    """Notices how late a process is woken that wants to be woken each 20 ms. `said`: why it was held up, or nothing."""

    def __enter__(self) -> Pulse:
        self.said = ""
        self._process = subprocess.Popen(
            [sys.executable, "-I", "-S", "-c", PULSE], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        return self

    def __exit__(self, _kind: type[BaseException] | None, _value: object, _trace: TracebackType | None) -> None:
        worst_s = float(self._process.communicate()[0])
        waiting = os.getloadavg()[0] / (os.cpu_count() or 1)
        if worst_s > LATE_S:
            self.said = f"woken {worst_s:.2f} s late"
        elif waiting > CROWD:
            self.said = f"{waiting:.1f} wanted to run for each processor"


@pytest.fixture
def pulse() -> Pulse:
    """For a test that can tell better itself what to do again."""
    return Pulse()


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> object:
    """Run a real-time test, and once more if it failed on a machine that was held up."""
    if item.get_closest_marker("realtime") is None:
        return None
    item.ihook.pytest_runtest_logstart(nodeid=item.nodeid, location=item.location)
    with Pulse() as pulse:
        reports = runtestprotocol(item, log=False, nextitem=nextitem)
    if pulse.said and any(report.failed for report in reports):
        getattr(item, "_initrequest")()  # noqa: B009  # its fixtures begin anew; there is no public way
        reports = runtestprotocol(item, log=False, nextitem=nextitem)
        for report in reports:
            report.user_properties.append((TWICE, pulse.said))
    for report in reports:
        item.ihook.pytest_runtest_logreport(report=report)
    item.ihook.pytest_runtest_logfinish(nodeid=item.nodeid, location=item.location)
    return True


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Name those that ran twice."""
    for kind in ("passed", "failed"):
        for report in terminalreporter.stats.get(kind, []):
            for name, said in getattr(report, "user_properties", ()):
                if name == TWICE and getattr(report, "when", "") == "call":
                    terminalreporter.write_line(f"{kind} at the second try, {name} ({said}): {report.nodeid}")
