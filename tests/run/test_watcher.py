"""Whoever watches a call is told until it gets in the way, and no longer."""

from __future__ import annotations

import pytest

from demo_ctl.run.result import Progress
from demo_ctl.run.watcher import Watcher
from demo_ctl.wire import messages as m

EVENT = m.Event(0, 1_500_000, m.EV_PLAN, 0, m.RUNNING)


class Failing:
    """A display and an observer that both fail, each time they are told."""

    def __init__(self) -> None:
        self.shown: list[Progress] = []
        self.seen: list[m.Event] = []

    def show(self, item: Progress) -> None:
        self.shown.append(item)
        raise UnicodeError

    def see(self, event: m.Event) -> None:
        self.seen.append(event)
        raise UnicodeError


def test_times_are_told_since_the_timeline_started_and_never_before_it() -> None:
    shown: list[Progress] = []
    watcher = Watcher(shown.append, None)
    watcher.tell("plan", 1_000_000, "loaded")
    watcher.began_us, watcher.last_us = 1_500_000, 1_750_000
    watcher.tell("sensed", 1_400_000, "loop on", port=1)
    watcher.tell_now("gate", "talk", "go on", 3, 2)
    assert [(item.kind, item.at_us, item.index, item.port) for item in shown] == [
        ("plan", 0, -1, 0),
        ("sensed", 0, -1, 1),
        ("gate", 250_000, 3, 2),
    ]


def test_who_fails_once_is_heard_of_and_not_told_again_and_the_other_still_is() -> None:
    failing = Failing()
    watcher = Watcher(failing.show, failing.see)
    with pytest.raises(UnicodeError):
        watcher.tell_now("plan", "running")
    watcher.tell_now("plan", "finished")
    with pytest.raises(UnicodeError):
        watcher.event(EVENT)
    watcher.event(EVENT)
    assert (len(failing.shown), len(failing.seen)) == (1, 1)


def test_while_the_line_is_released_nothing_is_raised() -> None:
    failing = Failing()
    watcher = Watcher(failing.show, failing.see)
    watcher.releasing = True
    watcher.tell_now("stop", "releasing the line")
    watcher.event(EVENT)
    assert (len(failing.shown), len(failing.seen)) == (1, 1)


def test_who_is_left_alone_is_told_nothing() -> None:
    failing = Failing()
    watcher = Watcher(failing.show, failing.see)
    watcher.leave_alone()
    watcher.tell_now("stop", "releasing the line")
    watcher.event(EVENT)
    assert (failing.shown, failing.seen) == ([], [])
