"""The reaction budget: how long every way to silence takes at the worst, added up part by part. Pure.

    it happens -> sensed -> filtered -> a pass of the loop -> pump's hold runs out -> contact open -> no current

The hardware's times come from `wiring/guard.yaml`, the firmware's from the firmware itself. A path ends either with
*ringing off*, with *noticed* (there is nothing to take off, or the guard cannot take it off: how soon the board says
so), or with *battery off* (the supply permit). Where wires act by themselves, no software is in the sum.

A pass counts with the longest time that does not trip by itself: inputs may change just after a pass has read them, and
that pass may still move the pump once.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

from demo_ctl.board import bus, interlock, limits, permit, petition, sense
from demo_ctl.board.pins import Pins
from demo_ctl.link.loop import SILENCE_US
from demo_ctl.safety.guard_data import Guard
from demo_ctl.terms.located import Findings, Located
from demo_ctl.wire import messages as m

# The firmware has no types.
_boot_times: Callable[[], Any] = interlock.Times
_boot_limits: Callable[[], list[int]] = limits.safety_limits

RINGING_OFF = "ringing off"
NOTICED = "noticed"
BATTERY_OFF = "battery off"


@dataclass(frozen=True)
class Part:
    """One share of a path's time."""

    name: str
    us: int
    source: str


@dataclass(frozen=True)
class Path:
    """One way from an event to its end. reasons: what the board calls it (R_...); none: wires act by themselves."""

    name: str
    event: str
    ends: str
    reasons: tuple[int, ...]
    parts: tuple[Part, ...]

    @property
    def total_us(self) -> int:
        """The sum, at the worst."""
        return sum(part.us for part in self.parts)


@dataclass(frozen=True)
class Line:
    """A path against its limit."""

    path: Path
    limit_us: int
    because: str

    @property
    def left_us(self) -> int:
        """What is left; negative: over."""
        return self.limit_us - self.path.total_us


class _Parts:
    """Every part that paths are made of."""

    def __init__(self, guard: Guard, times: Any, values: Sequence[int], pins: type[Pins]) -> None:
        wiring = "wiring/guard.yaml"
        relay, converter = guard.relay, guard.converter
        self.bounce = Part("contact bounce", guard.contacts.bounce_us, wiring)
        self.drop = Part("relay release, its chain open", relay.drop.most_us, wiring)
        self.arc = Part("last of the current", relay.last_current_us, wiring)
        self.loop = Part("pass of the loop", times.loop_us, "board.interlock: Times.loop_us")
        self.hold = Part("pump's hold", guard.pump.hold.most_us, wiring)
        self.flight = Part("relay release", relay.flight.most_us, wiring)
        self.reset = Part("reset of the pins", guard.chip.reset_us, wiring)
        self.memory = Part("until memory is looked at", guard.chip.memory_us, wiring)
        self.reading = Part(
            "one whole reading of the bus", 2 * converter.period_us + converter.latency_us, f"{wiring}: two periods"
        )
        self.over = Part(
            "readings in a row",
            (bus.OVER_MOST + 1) * converter.period_us + converter.latency_us,
            f"{wiring}, board.bus: OVER_MOST, and one that is cut short",
        )
        self.stale = Part("no new reading", bus.STALE_US, "board.bus: STALE_US")
        self.fed = Part("the generator may stay for so long", bus.ISOLATED_US, "board.bus: ISOLATED_US")
        self.attack = Part("ringing detector", pins.ring_attack_us, "board.pins: ring_attack_us")
        self.ring_filter = Part(
            "ringing filter", max(sense.RING_US, sense.RINGING_ON_US), "board.sense: the longer of two filters"
        )
        self.loop_sense = Part("loop current sensed", pins.loop_blur_us, "board.pins: loop_blur_us")
        self.loop_filter = Part(
            "loop filter", max(sense.STEADY_US, sense.CYCLE_US), "board.sense: the longer of two filters"
        )
        self.grace = Part("guard's own release left out", petition.RELEASE_US, "board.petition: RELEASE_US")
        self.pull = Part("relays may pull for so long", times.pull_us, "board.interlock: Times.pull_us")
        self.apart = Part("channels may disagree for so long", times.apart_us, "board.interlock: Times.apart_us")
        self.odd = Part("a mirror or the bus may be wrong", times.odd_us, "board.interlock: Times.odd_us")
        self.fall = Part("silence must have followed", times.drop_us, "board.interlock: Times.drop_us")
        self.rise = Part("a bus let through must read live by then", times.drop_us, "board.interlock: Times.drop_us")
        self.key = Part("the key has read the same", times.key_us, "board.interlock: Times.key_us")
        self.late = Part("an instruction may be late", limits.LATE_US, "board.limits: LATE_US")
        self.expander = Part("look at the expander", guard.expander.period_us, wiring)
        self.looks = Part(
            "looks until a frozen expander shows", 2 * guard.expander.period_us, f"{wiring}, board.chip_parts: the echo"
        )
        self.presence = Part("presence detector", guard.expander.presence_us, wiring)
        self.beat = self._limit("heartbeat", values, m.L_HEARTBEAT_MS)
        self.burst = self._limit("burst", values, m.L_BURST_MS)
        self.call = self._limit("ringing in one call", values, m.L_CALL_MS)
        self.hour = self._limit("ringing in one hour", values, m.L_HOUR_MS)
        self.alarm = Part("alarm contact's filter", permit.ALARM_US, "board.permit: ALARM_US")
        self.lease = Part("longest lease", permit.LEASE_MOST_MS * 1000, "board.permit: LEASE_MOST_MS")
        self.host = Part("the program hears nothing", SILENCE_US, "link.loop: SILENCE_US")
        self.contactor = Part("contactor's release", guard.permit.drop.most_us, wiring)
        self.follower = Part("follower's release", guard.isolator.follower.most_us, wiring)
        self.isolator = Part("isolator's release", guard.isolator.drop.most_us, wiring)
        self.by_wire = (self.bounce, self.drop, self.arc)
        self.isolated = (self.bounce, self.follower, self.isolator, self.arc)
        self.falls = (self.hold, self.flight, self.arc)
        self.seen = (self.loop, *self.falls)

    def _limit(self, name: str, values: Sequence[int], which: int) -> Part:
        return Part(f"{name}: the limit in force", values[which] * 1000, f"board.limits: {m.LIMIT_NAMES[which]}")


def paths(
    guard: Guard, times: Any = None, values: Sequence[int] | None = None, pins: type[Pins] = Pins
) -> tuple[Path, ...]:
    """Return every path. times: the interlock's; values: the limits in force (default: as the board boots)."""
    parts = _Parts(guard, times or _boot_times(), values or _boot_limits(), pins)

    def off(name: str, event: str, reasons: tuple[int, ...], *own: Part) -> Path:
        return Path(name, event, RINGING_OFF, reasons, own)

    def told(name: str, event: str, reasons: tuple[int, ...], *own: Part) -> Path:
        return Path(name, event, NOTICED, reasons, (*own, parts.loop))

    seen, falls = parts.seen, parts.falls
    return (
        off("chain opens", "a cover opens, the stop is pressed", (m.R_CHAIN,), *parts.by_wire),
        off("isolator opens", "a cover opens, and the guard's contacts are bridged or passed by", (), *parts.isolated),
        off("chain seen open", "the board sees the chain open", (m.R_CHAIN,), parts.bounce, *seen),
        off("key off", "the key is turned off", (m.R_KEY, m.R_CHAIN), *parts.by_wire),
        off("key seen off", "the board sees the key off", (m.R_KEY,), parts.bounce, *seen),
        told("channels disagree", "one channel opens and the other does not", (m.R_DISCREPANCY,), parts.apart),
        told("channel stuck", "the key went off, a channel did not", (m.R_STUCK_CHAIN,), parts.bounce, parts.key),
        told(
            "key contradicted",
            "the key reads off while the chain is complete",
            (m.R_STUCK_CHAIN,),
            parts.bounce,
            parts.key,
            parts.apart,
        ),
        off(
            "relay not up",
            "a relay or its mirror is wrong while it should be up",
            (m.R_MIRROR,),
            parts.pull,
            *seen,
        ),
        told("relay stays up", "relays or voltage do not follow when ringing ends", (m.R_NO_SILENCE,), parts.fall),
        told("generator stays", "the chain opens, the generator does not go", (m.R_ISOLATOR,), parts.bounce, parts.fed),
        told("mirror wrong at rest", "a mirror reads up while nothing rings", (m.R_MIRROR,), parts.odd),
        off("over-current", "more current than bells take", (m.R_OVERCURRENT,), parts.over, *seen),
        off("over-voltage", "the bus is above the ceiling", (m.R_OVERVOLTAGE,), parts.reading, *seen),
        off("supply not right", "generator or battery leave their range", (m.R_SUPPLY,), parts.reading, *seen),
        off("bus not measured", "no new reading of the bus comes", (m.R_STALE,), parts.stale, *seen),
        off("bus reads dead", "the guard is closed and the bus reads no voltage", (m.R_DEAD_BUS,), parts.rise, *seen),
        off(
            "ringing elsewhere",
            "a line rings that should not, while another does",
            (m.R_UNEXPECTED_RINGING,),
            parts.attack,
            parts.ring_filter,
            *seen,
        ),
        told(
            "ringing at rest",
            "a line rings while the guard is open",
            (m.R_UNEXPECTED_RINGING,),
            parts.grace,
            parts.attack,
            parts.ring_filter,
        ),
        told("bus live at rest", "voltage on the bus while the guard is open", (m.R_BUS,), parts.reading, parts.odd),
        off("heartbeat lost", "host, cable or its program is gone", (m.R_SILENCE,), parts.beat, *seen),
        off("window over", "the window's limit is reached", (m.R_WINDOW,), *seen),
        off("plan over", "the plan ends while ringing is on", (m.R_ENDED,), *seen),
        off("instruction late", "an instruction is not done in time", (m.R_LATE,), parts.late, *seen),
        off("event queue full", "more events than the link carries", (m.R_OVERFLOW,), *seen),
        off("loop hung", "the firmware's loop stands still", (), *falls),
        off("loop late", "a pass takes too long", (m.R_LOOP,), *falls),
        off("check left out", "a check did not leave its token", (m.R_TOKEN,), *seen),
        off("clock stands", "the board's clock stands still: no move is ever due", (), *falls),
        off("clock races", "the board's clock runs too fast: the stage refuses the moves", (), *falls),
        off("clock jumped", "the board's clock jumps", (m.R_CLOCK,), *seen),
        off("memory low", "the board's memory runs out", (m.R_MEMORY,), parts.memory, *seen),
        off("reset", "the board is reset", (m.R_LOCKED,), parts.reset, *falls),
        off("brown-out", "the board's supply sags", (m.R_LOCKED,), parts.reset, *falls),
        off("pump stands", "a pump's pin stands still", (), *falls),
        off(
            "telephone off the hook",
            "somebody lifts where nobody should",
            (m.R_OFF_HOOK,),
            parts.loop_sense,
            parts.loop_filter,
            *seen,
        ),
        off("somebody there", "somebody comes in at night", (m.R_PRESENCE,), parts.presence, parts.expander, *seen),
        off("covers at night", "the covers' second contacts open at night", (m.R_COVERS,), parts.expander, *seen),
        off("night lost", "the night contact or its expander is lost", (m.R_NIGHT_LOST,), parts.looks, *seen),
        off("visitors over", "the visitors' session ends", (m.R_VISITORS,), *seen),
        off(
            "burst without pause", "ringing goes on without its pause", (m.R_BURST,), parts.reading, parts.burst, *seen
        ),
        off("call budget", "ringing was allowed for too long in a call", (m.R_CALL,), parts.call, *seen),
        off("hour budget", "ringing was allowed for too long in an hour", (m.R_HOUR,), parts.hour, *seen),
        Path(
            "supply alarm",
            "fuse, release, supervisory or smoke alarm",
            BATTERY_OFF,
            (m.R_FUSE, m.R_RELEASE, m.R_SUPERVISORY, m.R_SMOKE),
            (parts.expander, parts.alarm, parts.loop, parts.hold, parts.contactor),
        ),
        Path(
            "supply given up",
            "the host says that a switch is not home",
            BATTERY_OFF,
            (m.R_NOT_HOME,),
            (parts.loop, parts.hold, parts.contactor),
        ),
        Path("board silent", "the host hears no beat of the board", NOTICED, (), (parts.host,)),
        Path(
            "supply lease over",
            "the host no longer asks for the supply",
            BATTERY_OFF,
            (m.R_LEASE,),
            (parts.lease, parts.loop, parts.hold, parts.contactor),
        ),
    )


def budget(located: Located[Guard], times: Any = None, values: Sequence[int] | None = None) -> tuple[Line, ...]:
    """Return every path against its limit. Raises InputError if limits and paths are not the same names."""
    guard = located.value
    found = paths(guard, times, values)
    findings = Findings(located)
    names = [path.name for path in found]
    for name in guard.limits:
        if name not in names:
            findings.add(f"limits: there is no path '{name}'; expected one of: {', '.join(names)}", "limits", name)
    for name in names:
        if name not in guard.limits:
            findings.add(f"limits: the path '{name}' has no limit", "limits")
    findings.raise_any()
    return tuple(Line(path, guard.limits[path.name].most_us, guard.limits[path.name].because) for path in found)
