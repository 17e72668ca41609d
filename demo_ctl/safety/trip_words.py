"""A trip in plain words: when, at whose line, what happened, what was seen, what to do. Pure.

The board knows ports and its own clock. Whoever knows the unit gives the names of its lines, and whoever knows the call
says when it began, so that a trip can be found again in the call's own story.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping

from demo_ctl.link.advice import of_trip, of_worse, what_of
from demo_ctl.safety.standing import INPUTS, milliamps, volts, word
from demo_ctl.wire import messages as m

#: What the levels of a trip tell more of: reason, signal, words.
_LINES = (
    (m.R_OFF_HOOK, m.LOOP, "Loop current flowed then, which is a receiver off its hook, at"),
    (m.R_UNEXPECTED_RINGING, m.RINGING, "Ringing was sensed then at"),
)
_CHAIN = m.IN_CHAIN_A | m.IN_CHAIN_B
_SIGNALS = 4  # of each port, in a trip's levels
_PORTS = 4


def trip_in_words(
    trip: m.Trip,
    caused: str = "",
    *,
    who: Mapping[int, str] | None = None,
    parties: Collection[int] | None = None,
    began_us: int | None = None,
) -> tuple[str, ...]:
    """Tell one trip. Each text is one paragraph.

    caused: who caused it on purpose, in words; then there is nothing to do. who: is on which port. parties: the ports
    that took part in the call, whose current is no wonder; None: nobody knows. began_us: when the call began that it
    ended, by the board's clock.
    """
    who = who or {}
    where = f", while {_line(trip.port, who)} might be rung" if trip.port else ""
    advice = of_worse(trip) if trip.worse != m.R_NONE else of_trip(trip.reason)
    told = [f"Tripped {_when(trip.at_us, began_us)}{where}: {what_of(trip)}."]
    if caused:
        told.append(f"On purpose: {caused}.")
    if trip.worse != m.R_NONE:
        told.append(f"Worse: {advice.what}.")
    step = f", at instruction {trip.step} of the call's plan (demo_ctl plan numbers them)" if trip.plan else ""
    told.append(f"The guard was at '{word(m.GUARD_STATES, trip.state)}'{step}.")
    told += _lines(trip, who, parties)
    told.append(
        f"Seen then: {'; '.join(seen_in_words(trip.inputs))}; on the ringing bus {volts(trip.bus_mV)} and "
        f"{milliamps(trip.bus_uA)}, generator {volts(trip.supply_mV)}, battery {volts(trip.battery_mV)}."
    )
    if trip.reason == m.R_CHAIN and trip.inputs & _CHAIN not in (0, _CHAIN):
        told.append(
            "That was the very moment: of a cover, the stop or the key the second contact follows some milliseconds "
            "later, and the relays after both. If it did not, the board says so next: the channels disagree."
        )
    if not caused:
        told.append(advice.advice)
    return tuple(told)


def _when(at_us: int, began_us: int | None) -> str:
    if began_us is None or began_us > at_us:
        return f"{at_us / 1e6:.3f} s after the board started"
    return f"{(at_us - began_us) / 1e6:.2f} s after the call began"


def _line(port: int, who: Mapping[int, str]) -> str:
    return f"{who[port]}, port {port}," if port in who else f"port {port}"


def _lines(trip: m.Trip, who: Mapping[int, str], parties: Collection[int] | None) -> Iterable[str]:
    for reason, signal, words in _LINES:
        if reason in (trip.reason, trip.worse):
            ports = [port for port in range(1, _PORTS + 1) if trip.levels >> ((port - 1) * _SIGNALS + signal) & 1]
            if reason == m.R_OFF_HOOK:
                ports = [port for port in ports if port not in (parties or ())]
                words += "" if parties else " (the caller's own is among them)"
            if ports:
                yield f"{words}: {' and '.join(_line(port, who).rstrip(',') for port in ports)}."


def seen_in_words(inputs: int) -> tuple[str, ...]:
    """Say what spoke against ringing among the inputs that always do; the rest only when they alarm."""
    found = []
    for bit, (name, yes, no) in enumerate(INPUTS):
        mask = 1 << bit
        if mask in (m.IN_CHAIN_A, m.IN_CHAIN_B, m.IN_MIRROR_A, m.IN_MIRROR_B, m.IN_KEY):
            found.append(f"{name} {yes if inputs & mask else no.partition(' (')[0]}")
        elif mask in (m.IN_FUSE, m.IN_RELEASE, m.IN_SUPERVISORY, m.IN_SMOKE) and not inputs & mask:
            found.append(f"{name} {no}")
    return tuple(found)
