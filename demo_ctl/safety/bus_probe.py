"""The bus under exploration: readings around each of its limits, stale ones, a supply that stays."""
# ruff: noqa: D102, ARG002  # what each method of a probe does is said once, in Probe

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import product
from types import ModuleType
from typing import Any

from demo_ctl.board import bus
from demo_ctl.safety.probe import Answers, Probe
from demo_ctl.wire import messages as m


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
