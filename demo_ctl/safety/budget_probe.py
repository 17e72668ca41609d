"""The budget under exploration: bursts, a call, an hour, a visitors' session."""
# ruff: noqa: D102, ARG002  # what each method of a probe does is said once, in Probe

from __future__ import annotations

from collections.abc import Iterator
from itertools import product
from types import ModuleType
from typing import Any

from demo_ctl.board import budget
from demo_ctl.safety.probe import Answers, Probe
from demo_ctl.wire import messages as m


class BudgetProbe(Probe):
    """Call and hour, by day and at night, switched freely. The caller stops when it is told to, and is never late."""

    name = "budget: call and hour"
    module = budget
    HOUR, MOST = 7, 6
    constants = {"QUANTUM_US": 1, "HOUR": HOUR, "MOST_US": MOST}  # noqa: RUF012
    MODES: tuple[tuple[int, ...], ...] = ((3, 2, 4, 6), (2, 2, 3, 4), (2, 1, 2, 2))  # burst, pause, call, hour
    RINGING: tuple[bool, ...] = (False,)
    laws = {  # noqa: RUF012
        "call": "While live, the call's limit of live time since the plan began ends it.",
        "hour": "In any hour, wherever it begins, no more than the hour's limit is live.",
        "hour ends it": "Half of the hour's limit on end ends it, if nothing did before.",
        "reason is true": "A limit that is said to be reached is reached; none is said while not live.",
        "a rest gives back": "After enough rest half of the hour's limit is there again, and an hour gives no more.",
        "new call": "A plan that starts has its whole call's limit; nothing else is given back by it.",
        "left": "left_us is what the call and the hour leave, and never negative.",
    }

    def make(self, module: ModuleType) -> Any:
        return module.Budget()

    def notes(self) -> Any:
        # which ticks of the last hour were live (newest first); burst, gap; live in this call
        return (0, 0, 0, 0)

    def actions(self, notes: Any) -> Iterator[Any]:
        for limits in self.MODES:
            left = self.it.left_us(limits)
            for elapsed, ringing in product(range(4), self.RINGING):
                yield "step", elapsed, False, ringing, limits
                burst_left = limits[0] - notes[1] - notes[2] if ringing else elapsed
                if left and elapsed <= left and elapsed <= burst_left:
                    yield "step", elapsed, True, ringing, limits
        yield from self._plans()

    def _plans(self) -> Iterator[Any]:
        yield "call", False, True

    def act(self, action: Any) -> Any:
        self._before = self._spent()
        return self.it.new_call(*action[1:]) if action[0] == "call" else self.it.step(*action[1:])

    def next_notes(self, notes: Any, action: Any, answer: Any) -> Any:
        hour, burst, gap, call = notes
        if action[0] == "call":
            return hour, burst, gap, 0
        _, elapsed, live, ringing, limits = action
        hour = (hour << elapsed | ((1 << elapsed) - 1 if live else 0)) & ((1 << self.HOUR) - 1)
        if ringing:
            burst, gap = min(burst + gap + elapsed, self.MOST), 0
        elif burst:
            gap += elapsed
            if gap >= limits[1]:
                burst = gap = 0
        return hour, burst, gap, min(call + elapsed, self.MOST) if live else call

    def judge(self, notes: Any, action: Any, answer: Any) -> Answers:
        hour, burst, _, call = self.next_notes(notes, action, answer)
        if action[0] == "call":
            spent = self._spent()
            lefts = [self.it.left_us(limits) for limits in self.MODES]
            yield (
                "new call",
                spent == self._before and lefts == [max(0, min(x[2], x[3] // 2 - spent)) for x in self.MODES],
            )
            return
        _, _, live, _, limits = action
        left = self.it.left_us(limits)
        yield "left", left == max(0, min(limits[2] - call, limits[3] // 2 - self._spent()))
        yield from self._judge_hour(hour, limits, live, answer)
        if not live:
            yield "reason is true", answer == m.R_NONE
            return
        if "burst" in self.laws and burst >= limits[0]:
            yield "burst", answer == m.R_BURST
        if call >= limits[2]:
            yield "call", answer in (m.R_BURST, m.R_CALL)
        true = {
            m.R_NONE: left > 0 and burst < limits[0],
            m.R_BURST: burst >= limits[0],
            m.R_CALL: call >= limits[2],
            m.R_HOUR: limits[3] // 2 <= self._spent(),
        }
        yield "reason is true", true.get(answer, False)

    def _judge_hour(self, hour: int, limits: tuple[int, ...], live: bool, answer: int) -> Answers:
        yield "hour", hour.bit_count() <= max(each[3] for each in self.MODES)
        on_end = (~hour & (hour + 1)).bit_length() - 1
        if live and on_end >= limits[3] // 2:
            yield "hour ends it", answer in (m.R_BURST, m.R_CALL, m.R_HOUR)
        # On the side: an hour's rest, and a long one.
        state, spent = self.take(), self._spent()
        self.it.step(self.HOUR, False, False, limits)
        if self.HOUR < 100 and limits[3] >= 4:
            yield "a rest gives back", spent - self._spent() <= limits[3] // 2
        self.it.step(40 * self.HOUR, False, False, limits)
        yield "a rest gives back", self._spent() == (0 if limits[3] >= 4 else spent)
        self.put(state)

    def _spent(self) -> int:
        """Return what is spent of the hour, as a caller can find out: by limits that leave nothing else."""
        return 1000 - int(self.it.left_us((0, 0, 10000, 2000)))

    def parts(self, action: Any) -> Iterator[tuple[Any, Any]]:
        if action[0] == "step":
            _, elapsed, *rest = action
            for first in range(elapsed + 1):
                yield ("step", first, *rest), ("step", elapsed - first, *rest)

    def shows(self) -> Any:
        return tuple(self.it.left_us(limits) for limits in self.MODES)

    def bounded(self, value: int) -> bool:
        return 0 <= value <= self.HOUR


class BurstProbe(BudgetProbe):
    """Bursts and their pauses, with limits of call and hour that may come first."""

    name = "budget: bursts"
    MODES = ((3, 2, 4, 12), (2, 3, 4, 12), (4, 1, 6, 8))
    RINGING = (False, True)
    laws = {  # noqa: RUF012
        "burst": "While live, ringing as long as the burst's limit ends it; gaps shorter than a pause are part of it.",
        **{law: says for law, says in BudgetProbe.laws.items() if not law.startswith(("hour", "a rest"))},
    }

    def _judge_hour(self, hour: int, limits: tuple[int, ...], live: bool, answer: int) -> Answers:
        return iter(())

    def next_notes(self, notes: Any, action: Any, answer: Any) -> Any:
        return 0, *super().next_notes(notes, action, answer)[1:]


class SessionBudgetProbe(BudgetProbe):
    """Plans of a visitors' session and others, in any order: the session has one budget, whatever comes between."""

    name = "budget: sessions"
    MODES = ((9, 1, 3, 40),)
    laws = {  # noqa: RUF012
        "one session": "A session's plan goes on where its last one ended; its first, and any other, begins anew.",
        "left": BudgetProbe.laws["left"],
        "call": BudgetProbe.laws["call"],
    }

    def _plans(self) -> Iterator[Any]:
        yield "call", False, True
        yield "call", True, True
        yield "call", True, False

    def notes(self) -> Any:
        # live in this call; it is a session's; live in the session, when another call began
        return 0, False, 0

    def next_notes(self, notes: Any, action: Any, answer: Any) -> Any:
        call, shared, session = notes
        if action[0] == "call":
            session = call if shared else session
            return (0 if action[2] else session), action[1], session
        _, elapsed, live, _, _ = action
        return (min(call + elapsed, self.MOST) if live else call), shared, session

    def actions(self, notes: Any) -> Iterator[Any]:
        return super().actions((0, 0, 0, notes[0]))

    def judge(self, notes: Any, action: Any, answer: Any) -> Answers:
        call, _, _ = self.next_notes(notes, action, answer)
        limits = self.MODES[0]
        yield "left", self.it.left_us(limits) == max(0, min(limits[2] - call, limits[3] // 2 - self._spent()))
        if action[0] == "call":
            yield "one session", self.it.call_us == call
        elif action[2]:
            yield "call", (answer == m.R_CALL) == (call >= limits[2])
