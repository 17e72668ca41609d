"""The ringing guard's hardware as data: `wiring/guard.yaml`, read, checked, and every figure traceable to its line.

Figures that the firmware owns (`board.limits`, `board.interlock`, `board.bus`, `board.sense`, `board.pins`) are not in
that file; who needs both imports them. What is checked here is that the file makes sense by itself: a pump's hold
follows from its parts, stored charge is gone in time, the fuse carries what the lamp lets through.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from demo_ctl.terms.errors import InputError
from demo_ctl.terms.located import Findings, Located, parse_model, read_text
from demo_ctl.terms.quantity import MilliAmps, NanoFarads, Ohms, TimeUs, Volts
from demo_ctl.terms.strict import Frozen

Text = Annotated[str, Field(min_length=3, max_length=600)]

DEFAULT_GUARD = Path("wiring/guard.yaml")

#: To where stored charge must have fallen, and within what time at bare pins (facts H48, from memory: IEC 60204-1
#: 6.2.4).
SAFE_V = 60.0
DISCHARGED_US = 1_000_000


class TimeSpan(Frozen):
    """A time of a part: least, typical, most."""

    least_us: TimeUs = Field(alias="least")
    typical_us: TimeUs = Field(alias="typical")
    most_us: TimeUs = Field(alias="most")
    source: Text


class OhmSpan(Frozen):
    """A resistance, with its tolerance."""

    least_ohm: Ohms = Field(alias="least")
    typical_ohm: Ohms = Field(alias="typical")
    most_ohm: Ohms = Field(alias="most")


class CapacitySpan(Frozen):
    """A capacitance, with its tolerance."""

    least_nF: NanoFarads = Field(alias="least")
    typical_nF: NanoFarads = Field(alias="typical")
    most_nF: NanoFarads = Field(alias="most")


class VoltSpan(Frozen):
    """A voltage, with its tolerance."""

    least_V: Volts = Field(alias="least")
    typical_V: Volts = Field(alias="typical")
    most_V: Volts = Field(alias="most")


class Contacts(Frozen):
    """Of the chain: key, covers, emergency stop."""

    bounce_us: TimeUs = Field(alias="bounce", description="longest bounce of a contact that opens")
    source: Text


class Pump(Frozen):
    """One of the two stages that hold a coil. hold: last good move to the coil letting go."""

    hold: TimeSpan
    drifted_us: TimeUs = Field(alias="drifted", description="hold with a condenser that has drifted: a single fault")
    shortest_us: TimeUs = Field(alias="shortest", description="moves nearer together than this count for nothing")
    longest_us: TimeUs = Field(alias="longest", description="moves further apart than this count for nothing")
    supply_V: Volts = Field(alias="supply")
    coil: OhmSpan
    reservoir: CapacitySpan
    lets_go: VoltSpan = Field(description="the coil's voltage at which the relay falls")
    source: Text

    def hold_range_us(self) -> tuple[float, float]:
        """Return the least and the most hold that the parts give: R C ln(supply / release voltage)."""
        least = self.coil.least_ohm * self.reservoir.least_nF * math.log(self.supply_V / self.lets_go.most_V)
        most = self.coil.most_ohm * self.reservoir.most_nF * math.log(self.supply_V / self.lets_go.least_V)
        return least / 1000, most / 1000


class Relay(Frozen):
    """The guard's two force-guided relays."""

    pull: TimeSpan
    drop: TimeSpan = Field(description="its chain channel opens, to its contact open")
    flight: TimeSpan = Field(description="the coil lets go, to its contact open")
    last_current_us: TimeUs = Field(
        alias="last current", description="contact open, to no current: an arc ends at the next zero of the current"
    )
    last_current_source: Text


class Isolator(Frozen):
    """The contactor at the generator itself, held by both channels of the chain and by nothing else."""

    pull: TimeSpan
    drop: TimeSpan = Field(description="its coil has no supply, to its contact open")
    follower: TimeSpan = Field(description="channel B opens, to the contact open of the small relay that follows it")


class Converter(Frozen):
    """What measures the ringing bus, its supply and the battery."""

    period_us: TimeUs = Field(alias="period", description="between readings; each covers one period")
    latency_us: TimeUs = Field(alias="latency", description="end of a period to its reading in the board")
    source: Text


class Expander(Frozen):
    """The slow inputs: night, covers' second contacts, presence, alarms."""

    period_us: TimeUs = Field(alias="period", description="between two looks at it")
    presence_us: TimeUs = Field(alias="presence", description="somebody comes in, to the detector's contact open")
    source: Text


class Chip(Frozen):
    """The board's own hardware."""

    reset_us: TimeUs = Field(alias="reset", description="supply below its least, or a reset, to all pins undriven")
    memory_us: TimeUs = Field(alias="memory looked at", description="memory is looked at no more seldom than this")
    source: Text


class Feed(Frozen):
    """The generator's feed: what limits the current, without any software."""

    lamp_ohm: Ohms = Field(alias="lamp", description="lamp and resistor in series, least")
    fuse_mA: MilliAmps = Field(alias="fuse")
    lamp_carries_mA: MilliAmps = Field(alias="lamp carries", description="for as long as one likes")
    source: Text


class Discharge(Frozen):
    """The resistor that empties the ringing bus."""

    resistor_ohm: Ohms = Field(alias="resistor")
    tolerance_pct: Annotated[float, Field(ge=0, le=20)] = Field(alias="tolerance per cent")
    most_nF: NanoFarads = Field(alias="bus capacity")
    from_V: Volts = Field(alias="from", description="highest peak that can be left on the bus")
    source: Text

    def time_us(self) -> float:
        """Return how long it takes to come down to 60 V."""
        ohm = self.resistor_ohm * (1 + self.tolerance_pct / 100)
        return ohm * self.most_nF / 1000 * math.log(max(self.from_V, SAFE_V) / SAFE_V)


class Permit(Frozen):
    """The unit supply's contactor."""

    drop: TimeSpan = Field(description="the coil lets go, to the battery feed open")


class Limit(Frozen):
    """How long one path of the reaction budget may take, and why."""

    most_us: TimeUs = Field(alias="most")
    because: Text


class Guard(Frozen):
    """All of it."""

    format: Literal["demo_ctl guard 1"]
    name: Text
    about: Text
    contacts: Contacts
    pump: Pump
    relay: Relay
    isolator: Isolator
    converter: Converter
    expander: Expander
    chip: Chip
    feed: Feed
    discharge: Discharge
    permit: Permit
    limits: dict[str, Limit]


def guard_path(given: str | None = None) -> Path:
    """Return the file: the one given, or the project's own below this folder or beside the program."""
    if given is not None:
        return Path(given)
    for base in (Path(), Path(__file__).resolve().parents[2]):
        if (base / DEFAULT_GUARD).is_file():
            return base / DEFAULT_GUARD
    raise InputError(f"there is no {DEFAULT_GUARD} here", next_step="Run this in the checkout of demo_ctl.")


def load_guard(path: str | Path | None = None) -> Located[Guard]:
    """Read the guard's hardware. Raises InputError with file and line of everything that is wrong with it."""
    found = guard_path(None if path is None else str(path))
    return parse_guard(read_text(found), str(found))


def parse_guard(text: str, file: str) -> Located[Guard]:
    """Read the guard's text; `file` names it in messages. Raises InputError."""
    located = parse_model(text, file, Guard, kind="guard")
    check_guard(located).raise_any()
    return located


def check_guard(located: Located[Guard]) -> Findings:
    """Return everything that does not fit together."""
    findings = Findings(located)
    guard = located.value
    spans: list[tuple[tuple[str, ...], float, float, float]] = [
        ((*path, name), span.least_us, span.typical_us, span.most_us)
        for path, name, span in (
            (("pump",), "hold", guard.pump.hold),
            (("relay",), "pull", guard.relay.pull),
            (("relay",), "drop", guard.relay.drop),
            (("relay",), "flight", guard.relay.flight),
            (("isolator",), "pull", guard.isolator.pull),
            (("isolator",), "drop", guard.isolator.drop),
            (("isolator",), "follower", guard.isolator.follower),
            (("permit",), "drop", guard.permit.drop),
        )
    ]
    coil, reservoir, lets_go = guard.pump.coil, guard.pump.reservoir, guard.pump.lets_go
    spans += [
        (("pump", "coil"), coil.least_ohm, coil.typical_ohm, coil.most_ohm),
        (("pump", "reservoir"), reservoir.least_nF, reservoir.typical_nF, reservoir.most_nF),
        (("pump", "lets go"), lets_go.least_V, lets_go.typical_V, lets_go.most_V),
    ]
    for place, least, typical, most in spans:
        if not 0 < least <= typical <= most:
            findings.add(f"{place[-1]}: expected 0 < least <= typical <= most", *place)
    if findings:
        return findings
    _pump(guard.pump, findings)
    _feed(guard, findings)
    return findings


def _pump(pump: Pump, findings: Findings) -> None:
    if not 0 < pump.shortest_us < pump.longest_us:
        findings.add("shortest: expected to be less than longest", "pump", "shortest")
    if pump.longest_us > pump.hold.least_us:
        findings.add("longest: a stage that accepts moves further apart than its hold would chatter", "pump", "longest")
    if pump.lets_go.most_V >= pump.supply_V:
        findings.add("lets go: expected below the supply", "pump", "lets go")
        return
    least_us, most_us = pump.hold_range_us()
    if least_us < pump.hold.least_us or most_us > pump.hold.most_us:
        findings.add(
            f"hold: coil, reservoir and release voltage give {least_us / 1000:.1f} to {most_us / 1000:.1f} ms, which is"
            f" not within {pump.hold.least_us / 1000:g} to {pump.hold.most_us / 1000:g} ms",
            "pump",
            "hold",
        )
    if pump.drifted_us <= pump.hold.most_us:
        findings.add("drifted: expected longer than the longest hold", "pump", "drifted")


def _feed(guard: Guard, findings: Findings) -> None:
    feed = guard.feed
    if feed.lamp_ohm <= 0:
        findings.add("lamp: expected more than nothing; it is what limits the current", "feed", "lamp")
    if feed.fuse_mA < feed.lamp_carries_mA:
        findings.add("fuse: expected to carry what the lamp carries", "feed", "fuse")
    took_us = guard.discharge.time_us()
    if took_us > DISCHARGED_US:
        findings.add(
            f"resistor: from {guard.discharge.from_V:g} V to {SAFE_V:g} V takes {took_us / 1e6:.2f} s, expected at most"
            f" {DISCHARGED_US / 1e6:g} s",
            "discharge",
            "resistor",
        )
