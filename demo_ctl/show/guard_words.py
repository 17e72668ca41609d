"""How the ringing guard stands, in words for whoever presents or is in charge. Pure."""

from __future__ import annotations

from demo_ctl.wire import messages as m

_WORDS = {
    m.G_SAFE: "ringing is off",
    m.G_LIVE: "ringing voltage may be on a line",
    m.G_LOCKED: "ringing is off: turn the key off and on",
    m.G_KEY_OFF: "ringing is off: the key is off",
    m.G_PROVING: "ringing is off; the guard proves itself",
    m.G_ARMED: "ringing is off; the guard is armed",
    m.G_FALLING: "ringing is being taken off",
    m.G_TRIPPED: "THE GUARD TRIPPED: ringing stays off until the key is turned",
}


def ringing_words(guard: int) -> str:
    """Say a guard's state (G_...). -1, and what this program does not know, is said as not known: never as off."""
    return _WORDS.get(guard, "ringing: state not known")


def ringing_live(guard: int) -> bool:
    """Whether ringing voltage may be on a line in a state of the guard's: until it has been seen to fall."""
    return guard in (m.G_LIVE, m.G_FALLING)
