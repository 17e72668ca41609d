"""What can be wrong with the board and the guard's hardware: single faults, by name.

`wiring/failures.yaml` uses the same names. `Hardware.break_part(name)` makes one, `Hardware.mend_part(name)` undoes
it; an event (a jump of the clock, a brown-out) is over when it has happened, and mending it does nothing.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class HardwareFault:
    """One fault. part: which part has it. wrong: what is wrong, in plain words. event: it happens, and is over."""

    name: str
    part: str
    wrong: str
    event: bool = False


def _both(name: str, part: str, wrong: str) -> tuple[HardwareFault, ...]:
    """The same fault in either channel; `?` stands for the channel's letter."""
    return tuple(
        HardwareFault(
            name.replace("?", channel), part.replace("?", channel.upper()), wrong.replace("?", channel.upper())
        )
        for channel in "ab"
    )


_ALL = (
    *_both("chain-?-welded", "chain, channel ?", "channel ? never opens: neither key nor cover nor stop opens it"),
    *_both("chain-?-broken", "chain, channel ?", "the wire of channel ? is broken: it reads open and feeds nothing"),
    *_both("relay-?-welded", "guard relay ?", "its main contact is welded: it stays up, whatever its coil does"),
    *_both("relay-?-dead", "guard relay ?", "its coil is open: it never pulls up"),
    *_both("mirror-?-stuck-closed", "mirror contact ?", "it reads closed (relay down), whatever the relay does"),
    *_both(
        "mirror-?-broken", "mirror contact ?", "its wire is broken: it reads open (relay up), whatever the relay does"
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
    HardwareFault("generator-high", "ringing generator", "its voltage is 1.3 times what it should be"),
    HardwareFault("generator-dead", "ringing generator", "it gives no voltage"),
    HardwareFault("bus-short", "ringing bus", "a short to earth: only the generator's lamp limits the current"),
    HardwareFault("battery-high", "battery", "the charger has run away: 58 V"),
    HardwareFault("bus-sense-stuck", "converter", "its readings stand still, though they go on being counted"),
    HardwareFault("bus-sense-dead", "converter", "no new reading comes"),
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
    HardwareFault("key-wire-broken", "key", "the wire of its contact is broken: it reads off"),
    HardwareFault("covers-wire-broken", "covers' second contacts", "the wire is broken: covers read open"),
    HardwareFault("presence-wire-broken", "presence detector", "the wire is broken: somebody is there, it reads"),
    HardwareFault("smoke-wire-broken", "smoke contact", "the wire is broken: it reads smoke"),
    HardwareFault("fuse-wire-broken", "fuse alarm contact", "the wire is broken: it reads a blown fuse"),
    HardwareFault(
        "expander-frozen",
        "bus expander",
        "the key's night contact, covers, presence and alarms go on reading as they read before",
    ),
    HardwareFault("permit-welded", "supply permit's contactor", "its contact is welded: the battery stays on"),
)

HARDWARE_FAULTS: dict[str, HardwareFault] = {fault.name: fault for fault in _ALL}
