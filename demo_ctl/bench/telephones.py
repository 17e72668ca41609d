"""Hands at a telephone of the unit, simulated: lift, dial at a speed, hang up; typed, or as a visitor with a plan.

The hands work the line's own contacts, beside whatever the board does at the same port: so they belong at ports that
the board only watches, and at lines without a port. A dial has its own speed and breaks for 61 % of each period (common
practice, no source); from one digit to the next a person takes 0.9 s.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from weakref import WeakKeyDictionary

from demo_ctl.office.numbers import pulses_of

if TYPE_CHECKING:
    from demo_ctl.bench.hardware import Hardware
    from demo_ctl.bench.kernel import Kernel
    from demo_ctl.bench.unit import BenchUnit

#: What people's dials do: pulses a second, and how much of a period they break.
SPEEDS_PPS, USUAL_PPS, BREAK_SHARE = (5.0, 20.0), 10.0, 0.61
PAUSE_US = 900_000
#: A visitor lifts so long after they may, waits for dial tone, listens after the last digit, and hangs up.
LIFTS_US, LISTENS_US, STAYS_US = 1_000_000, 2_500_000, 4_000_000
MOST_DIGITS = 20
#: How what is said to hands at a telephone begins.
TELEPHONE_WORDS = ("lift ", "dial ", "hang up ")


class NoSuchHand(ValueError):
    """What hands were told to do cannot be done; the words are for people."""


class Telephones:
    """The telephones of one unit, each by the name of its line. Times are the kernel's."""

    def __init__(self, unit: BenchUnit, kernel: Kernel) -> None:
        self._unit, self._kernel = unit, kernel
        self._names = {line.name.lower(): line.name for line in unit.unit.lines if not line.vacant}
        self._off: set[str] = set()
        self._busy_until_us: dict[str, int] = {}

    def lift(self, name: str, after_us: int = 0) -> None:
        """Lift a handset. Raises NoSuchHand."""
        name = self.known(name)
        self._at(name, after_us, True)
        self._off.add(name)

    def hang_up(self, name: str, after_us: int = 0) -> None:
        """Put it down."""
        name = self.known(name)
        self._at(name, after_us, False)
        self._off.discard(name)

    def dial(self, name: str, digits: str, pps: float = USUAL_PPS, after_us: int = 0) -> int:
        """Dial (`dialled` reads what and how fast), digit after digit; return how long that takes, microseconds.

        Digits that are asked for while others are still on their way come after those. Raises NoSuchHand.
        """
        name = self.known(name)
        if name not in self._off:
            raise NoSuchHand(f"nobody has lifted the handset on {name}: lift {name} goes first")
        now_us = self._kernel.now_us
        begin_us = max(now_us + after_us, self._busy_until_us.get(name, 0))
        period_us = round(1e6 / pps)
        for digit in digits:
            for _ in range(pulses_of(digit, self._unit.unit.numbering.pulses)):
                self._at(name, begin_us - now_us, False)
                self._at(name, begin_us - now_us + round(BREAK_SHARE * period_us), True)
                begin_us += period_us
            begin_us += PAUSE_US
        self._busy_until_us[name] = begin_us
        return begin_us - now_us

    def visit(self, name: str, digits: str, pps: float = USUAL_PPS) -> int:
        """Be a visitor: lift, dial, listen, hang up; return how long that takes. Raises NoSuchHand."""
        self.lift(name, LIFTS_US)
        over_us = self.dial(name, digits, pps, LIFTS_US + LISTENS_US) + STAYS_US
        self.hang_up(name, over_us)
        return over_us

    def known(self, name: str) -> str:
        """Return a line's name as the unit's file has it. Raises NoSuchHand."""
        known = self._names.get(name.lower())
        if known is None:
            raise NoSuchHand(f"there is no telephone on {name[:40]!r}; there are {', '.join(self._names.values())}")
        return known

    def _at(self, name: str, after_us: int, closed: bool) -> None:
        self._kernel.at(self._kernel.now_us + after_us, self._unit.set_line_loop, name, closed)


_HANDS: WeakKeyDictionary[Hardware, Telephones] = WeakKeyDictionary()


def telephones_of(hardware: Hardware) -> Telephones:
    """Return the telephones of the unit that a board hangs on, the same ones every time."""
    if hardware not in _HANDS:
        _HANDS[hardware] = Telephones(hardware.unit, hardware.kernel)
    return _HANDS[hardware]


def dialled(text: str) -> tuple[str, float]:
    """Read `5550134` or `555-0134 at 8 pps`: digits, pulses a second. Raises NoSuchHand."""
    digits, _, speed = text.strip().partition(" at ")
    digits = digits.replace("-", "").replace(" ", "")
    if not digits or not digits.isascii() or not digits.isdigit() or len(digits) > MOST_DIGITS:
        raise NoSuchHand(f"expected 1 to {MOST_DIGITS} digits, found {digits[:40]!r}")
    try:
        pps = float(speed.strip().removesuffix("pps")) if speed else USUAL_PPS
    except ValueError:
        pps = 0.0
    if not SPEEDS_PPS[0] <= pps <= SPEEDS_PPS[1]:
        raise NoSuchHand(f"a dial runs at {SPEEDS_PPS[0]:g} to {SPEEDS_PPS[1]:g} pps, found {speed.strip()[:40]!r}")
    return digits, pps


def hands_cannot(telephones: Telephones, said: str) -> str:
    """Return why what is said to hands at a telephone names no line or no number of this unit; "" when it does."""
    word, rest = _parted(said)
    try:
        if word == "dial":
            name, _, _ = _to_dial(rest)
        else:
            name = rest
        telephones.known(name)
    except NoSuchHand as error:
        return str(error)
    return ""


def _parted(said: str) -> tuple[str, str]:
    """Part what is said into the word for what hands do, "" when it is none of theirs, and the rest."""
    word = next((word.strip() for word in TELEPHONE_WORDS if said.startswith(word)), "")
    return word, said.removeprefix(word).strip()


def _to_dial(rest: str) -> tuple[str, str, float]:
    """Read `LINE DIGITS [at N pps]`: line, digits, pulses a second. Raises NoSuchHand."""
    what, _, speed = rest.partition(" at ")
    name, _, written = what.rpartition(" ")
    return name, *dialled(f"{written} at {speed}" if speed else written)


def obey_hands(telephones: Telephones, said: str) -> str | None:
    """Do what `lift LINE`, `dial LINE DIGITS [at N pps]` or `hang up LINE` says; return what to answer, else None."""
    word, rest = _parted(said)
    try:
        if word == "lift":
            telephones.lift(rest)
            return f"the handset on {rest} is off its hook"
        if word == "hang up":
            telephones.hang_up(rest)
            return f"the handset on {rest} is down"
        if word == "dial":
            name, digits, pps = _to_dial(rest)
            took_us = telephones.dial(name, digits, pps)
            return f"{name} dials {digits} at {pps:g} pulses a second; that takes {took_us / 1e6:.1f} s"
    except NoSuchHand as error:
        return str(error)
    return None
