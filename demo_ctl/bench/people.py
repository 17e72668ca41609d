"""The person at the equipment, simulated: who proves the guard, and what a volunteer types to be that person."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from demo_ctl.bench.board_faults import HARDWARE_FAULTS
from demo_ctl.bench.telephones import TELEPHONE_WORDS, hands_cannot, obey_hands, telephones_of
from demo_ctl.wire.messages import (
    IN_ALONE,
    IN_FUSE,
    IN_RELEASE,
    IN_SMOKE,
    IN_SUPERVISORY,
)

if TYPE_CHECKING:
    from demo_ctl.bench.hardware import Hardware
    from demo_ctl.bench.world import World

# Proving, as done on the bench while it is opened: with the key off, everything that has two positions is put into
# both; then the key goes to night, off and to day (for the board it is night until the key was off). Relays are pulled
# up one at a time by their test buttons, so nothing gets through, and for less time than a mirror contact may be wrong.
_REST = IN_ALONE | IN_FUSE | IN_RELEASE | IN_SUPERVISORY | IN_SMOKE
_PROVING: tuple[tuple[int, Callable[[Hardware], None]], ...] = (
    (100, lambda at: at.turn_key("off")),
    (400, lambda at: at.open_cover()),
    (500, lambda at: at.close_cover()),
    (600, lambda at: at.press_stop()),
    (700, lambda at: at.release_stop()),
    (800, lambda at: at.press_button()),
    (850, lambda at: at.release_button()),
    (900, lambda at: at.set_input(_REST, False)),
    (950, lambda at: at.set_input(_REST, True)),
    (1000, lambda at: at.turn_key("night")),
    (1150, lambda at: at.turn_key("off")),
    (1300, lambda at: at.turn_key("day")),
    (1500, lambda at: at.press_relay_button("a", True)),
    (1580, lambda at: at.press_relay_button("a", False)),
    (1700, lambda at: at.press_relay_button("b", True)),
    (1780, lambda at: at.press_relay_button("b", False)),
)
PROVING_US = 2_000_000


def prove_guard(world: World) -> None:
    """Be the person who proves the guard, for PROVING_US from now."""
    began_us = world.kernel.now_us
    for at_ms, act in _PROVING:
        world.advance(began_us + at_ms * 1000)
        act(world.hardware)
    world.advance(began_us + PROVING_US)


# What is typed to the served bench.
_ALARMS = {"fuse": IN_FUSE, "release": IN_RELEASE, "supervisory": IN_SUPERVISORY, "smoke": IN_SMOKE}
_SAYINGS: dict[str, tuple[Callable[[Hardware], None], str]] = {
    "key off": (lambda at: at.turn_key("off"), "the key is off"),
    "key day": (lambda at: at.turn_key("day"), "the key is at day"),
    "key night": (lambda at: at.turn_key("night"), "the key is at night"),
    "cover open": (lambda at: at.open_cover(), "a cover is open"),
    "cover close": (lambda at: at.close_cover(), "the covers are closed"),
    "stop press": (lambda at: at.press_stop(), "the stop is pressed, and stays so"),
    "stop release": (lambda at: at.release_stop(), "the stop is turned back"),
    "button press": (lambda at: at.press_button(), "the button is pressed"),
    "button release": (lambda at: at.release_button(), "the button is up again"),
    "plug a out": (lambda at: at.pull_plug("a", True), "the test plug of channel A is out: that channel is open"),
    "plug a in": (lambda at: at.pull_plug("a", False), "the test plug of channel A is in"),
    "plug b out": (lambda at: at.pull_plug("b", True), "the test plug of channel B is out: that channel is open"),
    "plug b in": (lambda at: at.pull_plug("b", False), "the test plug of channel B is in"),
    "relay a press": (lambda at: at.press_relay_button("a", True), "the test button of guard relay A is kept pressed"),
    "relay a release": (lambda at: at.press_relay_button("a", False), "the test button of guard relay A is let go"),
    "relay b press": (lambda at: at.press_relay_button("b", True), "the test button of guard relay B is kept pressed"),
    "relay b release": (lambda at: at.press_relay_button("b", False), "the test button of guard relay B is let go"),
    "somebody there": (lambda at: at.set_input(IN_ALONE, False), "somebody stands before the presence detector"),
    "nobody there": (lambda at: at.set_input(IN_ALONE, True), "nobody is there"),
}


def _alarm(bit: int, sounds: bool) -> Callable[[Hardware], None]:
    return lambda at: at.set_input(bit, not sounds)


for _name, _bit in _ALARMS.items():
    _SAYINGS[f"{_name} alarm"] = (_alarm(_bit, True), f"the {_name} alarm contact is open")
    _SAYINGS[f"{_name} clear"] = (_alarm(_bit, False), f"the {_name} alarm contact is closed again")

SAYINGS = tuple(_SAYINGS)
_SAYINGS["key on"] = _SAYINGS["key day"]  # as people say
HANDS_CAN = (
    *SAYINGS,
    "lift LINE, hang up LINE",
    "dial LINE NUMBER (or: dial LINE NUMBER at 8 pps)",
    "break NAME, mend NAME",
)
HELP = "\n".join(
    (
        "What can be typed here:",
        *(f"  {each}" for each in SAYINGS),
        "  lift LINE, hang up LINE, dial LINE NUMBER (or: dial LINE NUMBER at 8 pps): hands at a telephone",
        "  break NAME, mend NAME: a fault of the board or the guard",
        "  faults: which there are",
        "  lamps: which are lit",
        "  meter: what a sound meter reads at generator and battery",
    )
)


def cannot_obey(hardware: Hardware, line: str) -> str:
    """Return why a line is nothing that hands can do at this unit, and what they can; "" when it is."""
    said = " ".join(line.lower().split())
    if said in _SAYINGS:
        return ""
    if said.startswith(TELEPHONE_WORDS):
        return hands_cannot(telephones_of(hardware), said)
    word, _, name = said.partition(" ")
    if word in ("break", "mend"):
        if name in HARDWARE_FAULTS:
            return ""
        return f"there is no fault {name[:60]!r}; there are {', '.join(HARDWARE_FAULTS)}"
    return f"{line[:60]!r} is nothing that hands can do here; they can: {'; '.join(HANDS_CAN)}"


def lamps_lit(hardware: Hardware) -> str:
    """Say which lamps of the board are lit at this moment, in a sentence."""
    if not hardware.lamp_count:
        return "this board has no lamps"
    lit = [str(lamp + 1) for lamp in range(hardware.lamp_count) if hardware.lit >> lamp & 1]
    if not lit:
        return f"all {hardware.lamp_count} lamps are dark"
    *most, last = lit
    return f"lamps {', '.join(most)} and {last} are lit" if most else f"lamp {last} is lit"


def obey(hardware: Hardware, line: str) -> str:
    """Do what a typed line says; return what to answer, in a sentence ("" for an empty line)."""
    said = " ".join(line.lower().split())
    if not said:
        return ""
    if said in _SAYINGS:
        act, done = _SAYINGS[said]
        act(hardware)
        return done
    answer = obey_hands(telephones_of(hardware), said)
    if answer is not None:
        return answer
    word, _, name = said.partition(" ")
    if word in ("break", "mend"):
        if name not in HARDWARE_FAULTS:
            return f"there is no fault {name[:60]!r}; type faults for a list"
        if word == "break":
            hardware.break_part(name)
            return f"{HARDWARE_FAULTS[name].part}: {HARDWARE_FAULTS[name].wrong}"
        hardware.mend_part(name)
        return f"{HARDWARE_FAULTS[name].part}: mended"
    if said == "lamps":
        return lamps_lit(hardware)
    if said == "meter":
        generator_V, battery_V = hardware.metered_V()
        return (
            f"the meter: {generator_V:.1f} V at the generator (behind its isolator), {battery_V:.1f} V at the battery"
        )
    if said == "faults":
        return "\n".join(f"{fault.name}: {fault.part}: {fault.wrong}" for fault in HARDWARE_FAULTS.values())
    return HELP if said == "help" else f"{said[:60]!r} is not understood; help lists what is."
