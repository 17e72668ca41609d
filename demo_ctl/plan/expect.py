"""Expectations in the making: what a call implies, each with its window, or the script's own window instead."""

from __future__ import annotations

import difflib
from dataclasses import dataclass, field, replace

from demo_ctl.office.model import Tone
from demo_ctl.plan.model import Check, Expectation, Plan
from demo_ctl.script.model import Call
from demo_ctl.terms.errors import Place, PlanError
from demo_ctl.terms.located import Located
from demo_ctl.terms.quantity import UNITS, parse_quantity
from demo_ctl.terms.window import Window

#: How a window's unit is written in a script, and how it converts: unit -> dimension.
DIMENSIONS = {unit: dimension for dimension, units in UNITS.items() for unit in units}


def _bound(text: str | None, unit: str) -> float | None:
    """Read one edge of a script's own window in `unit`. Raises ValueError for people."""
    if text is None:
        return None
    dimension = DIMENSIONS.get(unit)
    if dimension is not None:
        return float(parse_quantity(text, dimension) / UNITS[dimension][unit])
    head = str(text).strip()
    if unit and head.endswith(unit):
        head = head[: -len(unit)].strip()
    if not head.isascii() or not head.isdigit() or len(head) > 9:
        raise ValueError(f"expected a whole number, such as '2', found {text!r}")
    return float(head)


def widened(window: Window, *, low: float = 0.0, high: float = 0.0, why: str) -> Window:
    """Move a window's edges (low and high are added to them) and say why in its source."""
    return Window(
        None if window.low is None else window.low + low,
        None if window.high is None else window.high + high,
        window.unit,
        f"{window.source}; {why}",
    )


def including(window: Window, low: float, high: float, why: str) -> Window:
    """Widen a window as far as needed to hold what this plan itself chose."""
    new_low = window.low if window.low is None or window.low <= low else low
    new_high = window.high if window.high is None or window.high >= high else high
    if (new_low, new_high) == (window.low, window.high):
        return window
    return Window(new_low, new_high, window.unit, f"{window.source}; {why}")


@dataclass
class Wanted:
    """Collects expectations; applies the script's own windows; knows which of those were never used."""

    call: Located[Call]
    found: list[Expectation] = field(default_factory=list)
    _used: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        known = [check.value for check in Check]
        for key in self.call.value.expect:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                hint = f"Did you mean '{near[0]}'?" if near else "Known checks: " + ", ".join(known) + "."
                raise PlanError(f"'{key}' is no kind of check", where=self.call.place("expect", key), next_step=hint)

    def has_own(self, check: Check) -> bool:
        """Whether the script brings its own window for this kind of check."""
        return check.value in self.call.value.expect

    def window(self, check: Check, default: Window) -> Window:
        """Give the window to use: the script's own, else `default`."""
        own = self.call.value.expect.get(check.value)
        if own is None:
            return default
        self._used.add(check.value)
        where = self.call.place("expect", check.value)
        try:
            low, high = _bound(own.low, default.unit), _bound(own.high, default.unit)
            return Window(low, high, default.unit, own.source)
        except ValueError as error:
            raise PlanError(f"{check.value}: {error}", where=where) from None

    def add(self, expectation: Expectation, *, own: bool = True) -> None:
        """Take one expectation and give it its id. own: the script's own window, if any, replaces its window."""
        check = expectation.check
        window = self.window(check, expectation.window) if own else expectation.window
        same = sum(1 for other in self.found if other.check is check)
        self.found.append(
            replace(
                expectation,
                id=_name(check, same + 1),
                window=window,
                required=expectation.required or self.has_own(check),
            )
        )

    def finish(self, *, all_used: bool = True) -> tuple[Expectation, ...]:
        """Refuse windows of the script's own that nothing in this call can meet; return all expectations.

        all_used: False in a rehearsal, where what belongs to the ringing has nothing to meet it.
        """
        for key in self.call.value.expect:
            if all_used and key not in self._used:
                has = sorted({expectation.check.value for expectation in self.found})
                raise PlanError(
                    f"this call has no '{key}' to check",
                    where=self.call.place("expect", key),
                    next_step="It has: " + ", ".join(has) + ".",
                )
        return tuple(self.found)


#: Why a check of a rehearsal is not run.
QUIET = "this is a rehearsal, and nothing rings in it"


def without_ringing(whole: Plan, quiet: Plan) -> Plan:
    """Return the plan of a rehearsal with everything that is expected of the whole call: what has no place left out.

    In the whole plan's order; what both expect is as the rehearsal expects it. That no bell rings that should not says
    nothing where none can.
    """
    kept: dict[tuple[Check, str, Place], list[Expectation]] = {}
    for each in quiet.expectations:
        kept.setdefault(_what(each), []).append(each)
    found: list[Expectation] = []
    for each in whole.expectations:
        same = kept.get(_what(each))
        moot = whole.ringing and each.check in (Check.OTHERS_RANG, Check.NO_RINGING)
        if same and moot:
            same.pop(0)
        if same and not moot:
            found.append(same.pop(0))
        else:
            found.append(replace(each, index=0, until=-1, indices=(), required=False, left_out=QUIET))
    found += [each for rest in kept.values() for each in rest]
    counted: dict[Check, int] = {}
    for place, each in enumerate(found):
        counted[each.check] = same_kind = counted.get(each.check, 0) + 1
        found[place] = replace(each, id=_name(each.check, same_kind))
    return replace(quiet, expectations=tuple(found))


def _what(each: Expectation) -> tuple[Check, str, Place]:
    return each.check, each.title, each.place


def _name(check: Check, number: int) -> str:
    name = check.value.replace(" ", "-")
    return f"{name}-{number}" if number > 1 else name


def cadence_windows(tone: Tone) -> tuple[Window, Window] | None:
    """Windows of an interrupted tone's on and off times, milliseconds; None for a steady tone."""
    if len(tone.cadence_us) < 2:
        return None
    part = tone.cadence_tolerance_pct / 100
    on, off = tone.cadence_us[0::2], tone.cadence_us[1::2]

    def window(times: tuple[int, ...]) -> Window:
        return Window(min(times) * (1 - part) / 1000, max(times) * (1 + part) / 1000, "ms", tone.source)

    return window(on), window(off)
