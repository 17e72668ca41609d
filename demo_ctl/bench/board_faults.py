"""What can be wrong with the board and the guard's hardware: single faults, by name.

`wiring/failures.yaml` uses the same names. `Hardware.break_part(name)` makes one, `Hardware.mend_part(name)` undoes
it; an event (a jump of the clock, a brown-out) is over when it has happened, and mending it does nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

from demo_ctl.wire import messages as m


@dataclass(frozen=True)
class HardwareFault:
    """One fault. part: which part has it. wrong: what is wrong, in plain words. event: it happens, and is over.

    holds: the one of the board's inputs (IN_...) that it holds, 0: none; at: what that reads then, whatever happens.
    """

    name: str
    part: str
    wrong: str
    event: bool = False
    holds: int = 0
    at: int = 0


_NO_INPUTS = (0, 0)
_CHAINS = (m.IN_CHAIN_A, m.IN_CHAIN_B)
_MIRRORS = (m.IN_MIRROR_A, m.IN_MIRROR_B)


def _both(
    name: str, part: str, wrong: str, holds: tuple[int, int] = _NO_INPUTS, at: int = 0
) -> tuple[HardwareFault, ...]:
    """The same fault in either channel; `?` stands for the channel's letter."""
    return tuple(
        HardwareFault(
            name.replace("?", channel),
            part.replace("?", channel.upper()),
            wrong.replace("?", channel.upper()),
            holds=bit,
            at=at,
        )
        for channel, bit in zip("ab", holds, strict=True)
    )


def _wire(name: str, holds: int, part: str, wrong: str) -> HardwareFault:
    """The wire of an input is broken: no current, so it reads 0."""
    return HardwareFault(name, part, f"the wire is broken: {wrong}", holds=holds)


def _welded(name: str, holds: int, part: str, wrong: str) -> HardwareFault:
    """An input's contact is welded, or its wires touch: it reads 1."""
    return HardwareFault(name, part, f"its contact has welded or is bridged: {wrong}", holds=holds, at=1)


_ALL = (
    *_both(
        "chain-?-welded",
        "chain, channel ?",
        "channel ? never opens: neither key nor cover nor stop opens it",
        _CHAINS,
        1,
    ),
    *_both(
        "chain-?-broken",
        "chain, channel ?",
        "the wire of channel ? is broken: it reads open and feeds nothing",
        _CHAINS,
    ),
    *_both(
        "chain-?-read-broken", "chain, channel ?", "only the wire to the board is broken: channel ? reads open", _CHAINS
    ),
    *_both(
        "chain-?-read-stuck", "chain, channel ?", "the board's input is stuck: channel ? reads complete", _CHAINS, 1
    ),
    *_both("relay-?-welded", "guard relay ?", "its main contact is welded: it stays up, whatever its coil does"),
    *_both("relay-?-dead", "guard relay ?", "its coil is open: it never pulls up"),
    *_both(
        "mirror-?-stuck-closed",
        "mirror contact ?",
        "it reads closed (relay down), whatever the relay does",
        _MIRRORS,
        1,
    ),
    *_both(
        "mirror-?-broken",
        "mirror contact ?",
        "its wire is broken: it reads open (relay up), whatever the relay does",
        _MIRRORS,
    ),
    *_both("pump-?-stuck-high", "pump ?", "the pin that moves the stage stands still, high"),
    *_both("pump-?-stuck-low", "pump ?", "the pin that moves the stage stands still, low"),
    *_both("pump-?-bypassed", "pump ?", "a short across the stage: the coil is held whenever its chain is complete"),
    HardwareFault("pump-slow-decay", "pump A", "its condenser has drifted: the coil is held for 180 ms without a move"),
    *_both("contact-?-bridged", "guard contact ?", "a wire bridges it; the relay and its mirror do not show that"),
    HardwareFault(
        "guard-bypassed", "guard contacts", "a bridge over both: the generator is on the bus unless isolated"
    ),
    HardwareFault("backfeed", "a line", "the generator's wire in front of the guard touches a wire of a port's line"),
    HardwareFault("isolator-welded", "isolating contactor", "its contact is welded: the generator is never isolated"),
    HardwareFault("isolator-dead", "isolating contactor", "its coil is open: the generator is always isolated"),
    HardwareFault("follower-welded", "isolating contactor", "the small relay of its channel B is welded closed"),
    HardwareFault("follower-dead", "isolating contactor", "the coil of the small relay of its channel B is open"),
    HardwareFault("generator-high", "ringing generator", "its voltage is 1.3 times what it should be"),
    HardwareFault("generator-dead", "ringing generator", "it gives no voltage"),
    HardwareFault("generator-low", "ringing generator", "its voltage is 0.6 times what it should be"),
    HardwareFault("bus-short", "ringing bus", "a short to earth: only the generator's lamp limits the current"),
    HardwareFault("battery-high", "battery", "the charger has run away: 58 V"),
    HardwareFault("battery-low", "battery", "it is run down: 41 V"),
    HardwareFault("bus-sense-stuck", "converter", "its readings stand still, though they go on being counted"),
    HardwareFault("bus-sense-dead", "converter", "no new reading comes"),
    HardwareFault("converter-reads-low", "converter", "its reference has drifted: it reads a tenth too low"),
    HardwareFault("converter-reads-far-too-low", "converter", "its reference has drifted: it reads a fifth too low"),
    HardwareFault("converter-reads-too-high", "converter", "its reference has drifted: it reads a fifth too high"),
    HardwareFault("ringing-sense-dead", "ringing senses", "no port senses ringing"),
    HardwareFault("interrupter-stuck", "interrupter", "its contact is stuck closed: ringing without a pause"),
    HardwareFault("loop-hung", "firmware", "its loop stands still; the watchdog does not help"),
    HardwareFault("clock-stopped", "clock", "the microsecond counter stands still"),
    HardwareFault("clock-fast", "clock", "the microsecond counter runs ten times too fast"),
    HardwareFault(
        "clock-jumped", "clock", "the microsecond counter jumped on by a second (one bit turned over)", event=True
    ),
    HardwareFault("memory-low", "memory", "the board's memory runs out"),
    HardwareFault("brown-out", "board's supply", "its voltage dipped: the board resets", event=True),
    HardwareFault("board-dead", "board's supply", "the board has no power"),
    HardwareFault("cable-cut", "cable to the host", "it is pulled or cut"),
    HardwareFault("host-killed", "host", "its program is gone: nothing more is said or heard"),
    _wire("key-wire-broken", m.IN_KEY, "key", "the key reads off"),
    _welded("key-reads-on", m.IN_KEY, "key", "the key reads on, also when it is off"),
    _wire("button-wire-broken", m.IN_BUTTON, "button", "it reads pressed"),
    _welded("button-contact-welded", m.IN_BUTTON, "button", "it never reads pressed"),
    _wire("night-wire-broken", m.IN_NIGHT, "key", "night reads as day"),
    _welded("night-contact-welded", m.IN_NIGHT, "key", "day reads as night"),
    _wire("covers-wire-broken", m.IN_COVERS, "covers' second contacts", "covers read open"),
    _welded("covers-contact-welded", m.IN_COVERS, "covers' second contacts", "covers read closed, open or not"),
    _wire("presence-wire-broken", m.IN_ALONE, "presence detector", "somebody is there, it reads"),
    _welded("presence-blind", m.IN_ALONE, "presence detector", "nobody is there, it reads, whoever comes"),
    _wire("smoke-wire-broken", m.IN_SMOKE, "smoke contact", "it reads smoke"),
    _welded("smoke-contact-welded", m.IN_SMOKE, "smoke contact", "it never reads smoke"),
    _wire("fuse-wire-broken", m.IN_FUSE, "fuse alarm contact", "it reads a blown fuse"),
    _welded("fuse-contact-welded", m.IN_FUSE, "fuse alarm contact", "it never reads a blown fuse"),
    _wire("release-wire-broken", m.IN_RELEASE, "release alarm contact", "it reads a switch that does not come home"),
    _welded("release-contact-welded", m.IN_RELEASE, "release alarm contact", "it never reads a switch not home"),
    _wire("supervisory-wire-broken", m.IN_SUPERVISORY, "supervisory alarm contact", "it reads a switch that is held"),
    _welded(
        "supervisory-contact-welded", m.IN_SUPERVISORY, "supervisory alarm contact", "it never reads a switch held"
    ),
    HardwareFault(
        "expander-frozen",
        "bus expander",
        "it answers, but follows nothing any more, its echo neither: all of its inputs read 0 a moment later",
    ),
    HardwareFault(
        "expander-dead", "bus expander", "it is dead or unplugged: night, covers, presence and alarms all read 0"
    ),
    HardwareFault(
        "expander-missed", "bus expander", "one transfer failed: all of its inputs read 0 for 160 ms", event=True
    ),
    HardwareFault("permit-welded", "supply permit's contactor", "its contact is welded: the battery stays on"),
    HardwareFault("permit-dead", "supply permit's contactor", "its coil is open: it is never held"),
    HardwareFault("permit-pump-stuck", "supply permit's pump", "the pin that moves the stage stands still"),
    HardwareFault("permit-pump-bypassed", "supply permit's pump", "a short across the stage: the coil is always held"),
)

HARDWARE_FAULTS: dict[str, HardwareFault] = {fault.name: fault for fault in _ALL}
