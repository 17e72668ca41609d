"""The supply permit under exploration: key, alarm contacts, leases, giving up."""
# ruff: noqa: D102, ARG002  # what each method of a probe does is said once, in Probe

from __future__ import annotations

from collections.abc import Iterator
from types import ModuleType
from typing import Any

from demo_ctl.board import permit
from demo_ctl.safety.probe import Answers, Probe
from demo_ctl.wire import messages as m

_KEYS = m.IN_KEY | m.IN_NIGHT
_CONTACTS = m.IN_FUSE | m.IN_RELEASE | m.IN_SUPERVISORY | m.IN_SMOKE
_ALARM_OF = {m.R_SMOKE: m.IN_SMOKE, m.R_FUSE: m.IN_FUSE, m.R_RELEASE: m.IN_RELEASE, m.R_SUPERVISORY: m.IN_SUPERVISORY}


class PermitProbe(Probe):
    """All 64 readings of key and alarm contacts, leases of every length, giving up; ticks are milliseconds."""

    name = "permit"
    module = permit
    TICK = 1000
    LEASE, ALARM = 3, 2
    constants = {"LEASE_MOST_MS": LEASE, "ALARM_US": ALARM * TICK}  # noqa: RUF012
    laws = {  # noqa: RUF012
        "only at night": "After a pass, the contactor is held only if the key stands at night.",
        "only leased": "It is held no longer than the lease that was granted last, and no lease exceeds its most.",
        "alarm drops": "An alarm contact open for its time, the key on, drops it and latches, and is the reason.",
        "latched refuses": "Latched, it is not held, no lease is granted, and the reason stays.",
        "the key unlatches": "Latched ends when the interlock saw the key turned off and on, and by nothing else.",
        "granted when fit": "At night, nothing latched and no alarm contact open, a lease is granted; otherwise not.",
        "held without cause to drop": "Nothing else drops it.",
        "giving up": "Giving it up drops it; for anything but the lease that also latches.",
        "reason": "There is a reason exactly when it is not held.",
        "left": "left_us is the time until the lease or an alarm's time is over, whichever is first; or -1.",
        "nothing before left_us": "Nothing shows before left_us is over, inputs unchanged.",
        "no dead end": "From every state, the key turned off and to night, without alarms, a lease is granted.",
    }

    def make(self, module: ModuleType) -> Any:
        return module.Permit()

    def notes(self) -> Any:
        # lease left in ticks; alarm since; latched; held
        return (0, -1, False, False)

    def actions(self, notes: Any) -> Iterator[Any]:
        for inputs in self._inputs():
            for elapsed in range(5):
                yield "step", elapsed, inputs
            for lease in (0, 1, 2, 3, 4, 9):
                yield "ask", lease, inputs
        yield "give up", 0, m.R_LEASE
        yield "give up", 0, m.R_NOT_HOME
        yield "turned on", 0, 0

    def _inputs(self) -> Iterator[int]:
        for bits in range(64):
            inputs = 0
            for number, bit in enumerate((m.IN_KEY, m.IN_NIGHT, m.IN_FUSE, m.IN_RELEASE, m.IN_SUPERVISORY, m.IN_SMOKE)):
                if bits >> number & 1:
                    inputs |= bit
            yield inputs

    def act(self, action: Any) -> Any:
        kind, amount, inputs = action
        self._was = (self.it.held, self.it.reason, self.it.latched)
        if kind == "step":
            return self.it.step(amount * self.TICK, inputs)
        if kind == "turned on":
            return self.it.turned_on()
        return self.it.ask(amount, inputs) if kind == "ask" else self.it.give_up(inputs)

    def _alarm_after(self, notes: Any, action: Any) -> int:
        _, elapsed, inputs = action
        if inputs & _CONTACTS == _CONTACTS:
            return -1
        return min(notes[1] + elapsed, self.ALARM) if notes[1] >= 0 else 0

    def next_notes(self, notes: Any, action: Any, answer: Any) -> Any:
        lease, alarm, latched, held = notes
        kind, amount, inputs = action
        if kind == "ask":
            return (min(amount, self.LEASE), alarm, latched, True) if answer == m.R_NONE else notes
        if kind == "give up":
            return 0, alarm, latched or inputs != m.R_LEASE, False
        if kind == "turned on":
            return lease, alarm, False, held
        alarm = self._alarm_after(notes, action)
        if alarm >= self.ALARM and inputs & m.IN_KEY:
            latched, held = True, False
        lease -= amount
        if inputs & _KEYS != _KEYS or lease <= 0:
            held = False
        return (lease if held else 0), alarm, latched, held

    def judge(self, notes: Any, action: Any, answer: Any) -> Answers:
        it = self.it
        lease, alarm, latched, held = self.next_notes(notes, action, answer)
        kind, _, inputs = action
        was_held, was_reason, was_latched = self._was
        yield "reason", (it.reason == m.R_NONE) == it.held
        yield "the key unlatches", it.latched == latched
        ends = [lease] * held + [self.ALARM - alarm] * (0 <= alarm < self.ALARM)
        yield "left", it.left_us() == (min(ends) * self.TICK if ends else -1)
        if was_latched:
            yield "latched refuses", not it.held and it.reason == was_reason
        if kind == "ask":
            fit = inputs & _KEYS == _KEYS and inputs & _CONTACTS == _CONTACTS and not was_latched
            yield "granted when fit", (answer == m.R_NONE) == fit and (it.held if fit else it.held == was_held)
            if not fit:
                true = answer == was_reason if was_latched else self._true(answer, inputs)
                yield "granted when fit", true
        elif kind == "give up":
            yield "giving up", not it.held and it.latched == (was_latched or inputs != m.R_LEASE)
            yield "giving up", was_latched or it.reason == inputs
        elif kind == "turned on":
            yield "held without cause to drop", it.held == held
        else:
            yield "held without cause to drop", it.held == held and bool(answer) == it.held
            if not was_held and not (alarm >= self.ALARM and inputs & m.IN_KEY):
                yield "reason", it.reason == was_reason
            if it.held:
                yield "only at night", inputs & _KEYS == _KEYS
                yield "only leased", lease > 0
            elif was_held and inputs & _KEYS != _KEYS and not it.latched:
                yield "only at night", it.reason == m.R_KEY
            elif was_held and not it.latched:
                yield "only leased", it.reason == m.R_LEASE
            if alarm >= self.ALARM and inputs & m.IN_KEY:
                yield "alarm drops", not it.held and it.latched
                yield "alarm drops", was_latched or not inputs & _ALARM_OF.get(it.reason, m.IN_KEY)
        yield from self._afterwards(action)

    def _true(self, reason: int, inputs: int) -> bool:
        if reason == m.R_KEY:
            return inputs & _KEYS != _KEYS
        return not inputs & _ALARM_OF.get(reason, inputs | 1)

    def _afterwards(self, action: Any) -> Answers:
        it = self.it
        state, shown, left_us = self.take(), self.shows()[:3], it.left_us()
        kind, _, inputs = action
        if kind == "step":
            for ticks in range(5):
                it.step(ticks * self.TICK, inputs)
                if left_us < 0 or ticks * self.TICK < left_us:
                    yield "nothing before left_us", self.shows()[:3] == shown
                self.put(state)
        it.step(0, _CONTACTS)
        it.turned_on()
        it.step(0, _KEYS | _CONTACTS)
        yield "no dead end", it.ask(1, _KEYS | _CONTACTS) == m.R_NONE
        self.put(state)

    def parts(self, action: Any) -> Iterator[tuple[Any, Any]]:
        kind, elapsed, inputs = action
        if kind == "step":
            # What the inputs say is taken as beginning in the pass that sees it: the first part is a pass of no time.
            yield (kind, elapsed, inputs), (kind, 0, inputs)

    def shows(self) -> Any:
        return self.it.held, self.it.reason, self.it.latched, self.it.left_us()

    def bounded(self, value: int) -> bool:
        return -1 <= value <= max(self.LEASE, self.ALARM, m.R_NOT_HOME) * self.TICK
