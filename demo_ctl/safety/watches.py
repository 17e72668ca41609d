"""The watches around the interlock (budget, bus, supply permit) under exploration, and the list of all of them."""
# ruff: noqa: D102, ARG002  # what each method of a probe does is said once, in Probe

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import product
from types import ModuleType
from typing import Any

from demo_ctl.board import budget, bus, permit
from demo_ctl.safety.petition_probe import SessionProbe, WindowProbe
from demo_ctl.safety.probe import Answers, Probe, WatchResult, explore_watch, fresh
from demo_ctl.wire import messages as m

# The budget.


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


# The bus.


class BusProbe(Probe):
    """Every reading made of the values around each of its limits, new or the same again; ticks until it is stale."""

    name = "bus"
    module = bus
    STALE, ISOLATED = 3, 2
    CURRENT, CEILING, FLOWS = 180_000, 100_000, 2_000
    constants = {"STALE_US": STALE, "ISOLATED_US": ISOLATED}  # noqa: RUF012
    told = ("reading",)
    laws = {  # noqa: RUF012
        "stale": "No new reading for the limit is a fault, and then nothing is quiet, fit or flowing; not sooner.",
        "quiet": "Quiet is said only by a new reading of less than 10 V behind the guard.",
        "fit": "Fit is said only by a new reading of generator and battery both within their limits.",
        "flows": "Current flows from its limit on.",
        "over-current": "Two readings in a row above the limit while live are over-current, one is not.",
        "over-voltage": "One reading above the ceiling while live is over-voltage, unless it is over-current.",
        "not live": "While not live, only a bus that is not measured is at fault, or a generator that is not isolated.",
        "isolated": "A supply that stays for its time with the chain open is a fault; not sooner, nor otherwise.",
        "between": "Between readings nothing changes but their age.",
        "ceiling": "The ceiling never exceeds the limit, nor 200 V peak with the battery under it.",
        "nothing known at first": "Before the first reading nothing is quiet or fit.",
        "left": "left_us is the time until it is stale; stays_us until a supply that stays is a fault, or -1.",
        "said again": "The newest reading is kept for whoever asks.",
    }

    def make(self, module: ModuleType) -> Any:
        self._ceiling: Callable[[int, int], int] = module.ceiling_mV
        return module.Bus()

    def notes(self) -> Any:
        # age of the reading; readings in a row over the current; quiet, fit, flows; which count was last;
        # a supply is there; with the chain open for so long, -1: not so
        return (0, 0, False, False, False, 0, False, -1)

    def _most(self, battery: int) -> int:
        """Return the ceiling, reckoned otherwise: the largest whole mV whose peak, at 1.415, stays below."""
        room = 200_000 - battery
        return max(0, min(self.CEILING, int(room / 1.415 + 1e-9)))

    def actions(self, notes: Any) -> Iterator[Any]:
        for elapsed, live, is_open in product(range(self.STALE + 2), (False, True), (False, True)):
            yield elapsed, live, is_open, None
        for elapsed, supply in product(range(self.ISOLATED + 2), (9_999, 10_000)):
            yield elapsed, False, True, (0, 0, supply, 50_000)
        for battery in (41_999, 42_000, 56_500, 56_501, 90_000, 199_999, 200_000, 200_001):
            most = self._most(battery)
            for bus_mv, supply in product((0, 9_999, 10_000, most, most + 1), (59_999, 60_000, most, most + 1)):
                for current, live in product((1_999, 2_000, 180_000, 180_001), (False, True)):
                    yield 1, live, False, (bus_mv, current, supply, battery)

    def act(self, action: Any) -> Any:
        elapsed, live, is_open, values = action
        seen = self.it._seen
        reading = (seen, 0, 0, 0, 0) if values is None else (3 - seen if seen else 1, *values)
        self._reading = reading
        return self.it.step(elapsed, reading, live, is_open, self.CURRENT, self.CEILING, self.FLOWS)

    def next_notes(self, notes: Any, action: Any, answer: Any) -> Any:
        age, over, quiet, fit, flows, seen, fed, stays = notes
        elapsed, live, is_open, values = action
        if values is None:
            age = min(age + elapsed, self.STALE)
            if age >= self.STALE:
                quiet = fit = flows = fed = False
        else:
            bus_mv, current, supply, battery = values
            age, seen = 0, 3 - seen if seen else 1
            over = min(over + 1, 2) if live and current > self.CURRENT else 0
            fit = 60_000 <= supply <= self._most(battery) and 42_000 <= battery <= 56_500
            quiet, flows, fed = bus_mv < 10_000, current >= self.FLOWS, supply >= 10_000
        if not (is_open and fed):
            stays = -1
        else:
            stays = 0 if stays < 0 else min(stays + elapsed, self.ISOLATED)
        return age, over, quiet, fit, flows, seen, fed, stays

    def judge(self, notes: Any, action: Any, answer: Any) -> Answers:
        age, over, quiet, fit, flows, seen, fed, stays = self.next_notes(notes, action, answer)
        _, live, is_open, values = action
        it = self.it
        yield "left", it.left_us() == self.STALE - age
        yield "left", it.stays_us() == (self.ISOLATED - stays if 0 <= stays < self.ISOLATED else -1)
        yield "isolated", it.fed == fed and (answer == m.R_ISOLATOR) == (is_open and stays >= self.ISOLATED)
        yield "said again", it.reading is self._reading
        shown = (it.quiet, it.fit, it.flows)
        if answer == m.R_ISOLATOR:
            return
        if values is None:
            yield "stale", (answer == m.R_STALE) == (age >= self.STALE)
            yield "between", shown == (quiet, fit, flows) and answer in (m.R_NONE, m.R_STALE)
            if not seen:
                yield "nothing known at first", shown == (False, False, False)
            return
        yield "quiet", it.quiet == quiet
        yield "fit", it.fit == fit
        yield "flows", it.flows == flows
        bus_mv, _, _, battery = values
        ceiling = self._ceiling(self.CEILING, battery)
        peak = ceiling * 2**0.5 + battery
        yield "ceiling", 0 <= ceiling <= self.CEILING and (ceiling == 0 or peak <= 200_000)
        if not live:
            yield "not live", answer == m.R_NONE
            return
        yield "over-current", (answer == m.R_OVERCURRENT) == (over == 2)
        if over < 2:
            yield "over-voltage", answer == (m.R_OVERVOLTAGE if bus_mv > self._most(battery) else m.R_NONE)

    def parts(self, action: Any) -> Iterator[tuple[Any, Any]]:
        elapsed, live, is_open, values = action
        if values is None:
            # A supply that stays is counted from the pass that sees it: then the first part is a pass of no time.
            for first in (elapsed,) if is_open else range(elapsed + 1):
                yield (first, live, is_open, None), (elapsed - first, live, is_open, None)

    def shows(self) -> Any:
        it = self.it
        return it.quiet, it.fit, it.flows, it.fed, it.left_us(), it.stays_us()

    def bounded(self, value: int) -> bool:
        return -1 <= value <= self.STALE


# The supply permit.

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


WATCHES: tuple[type[Probe], ...] = (
    BudgetProbe,
    BurstProbe,
    SessionBudgetProbe,
    BusProbe,
    PermitProbe,
    WindowProbe,
    SessionProbe,
)


def explore_watches() -> Iterator[WatchResult]:
    """Explore the shipped ones; yield each as soon as it is done."""
    for probe in WATCHES:
        yield explore_watch(probe(fresh(probe.module, **probe.constants)))
