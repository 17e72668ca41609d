"""What hands can do at the equipment: key, covers, stop, buttons, test plugs.

Key, covers and stop each have a contact in both channels of the interlock chain. The two contacts of one actuator do
not move at the same instant; here B follows A by 3 ms (common practice, no source). Covers also have second contacts,
which prove them closed to the board.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from demo_ctl.wire.messages import IN_BUTTON, IN_COVERS, IN_KEY, IN_NIGHT

if TYPE_CHECKING:
    from demo_ctl.bench.guard_circuit import GuardCircuit
    from demo_ctl.bench.kernel import Kernel

APART_US = 3_000  # channel B's contact moves so much later than A's
POSITIONS = ("off", "day", "night")


class Hands:
    """What hands can do to the hardware, at the kernel's present."""

    kernel: Kernel
    guard: GuardCircuit

    def set_input(self, which: int, reads: bool) -> None:
        """Let contacts read 1 or 0."""
        raise NotImplementedError

    def _work(self, contact: str, closed: bool) -> None:
        """Open or close one actuator's contact in both channels of the chain."""
        self.guard.a.work(contact, closed)
        self.kernel.at(self.kernel.now_us + APART_US, self.guard.b.work, contact, closed)

    def turn_key(self, position: str) -> None:
        """Turn the key to off, day or night (ValueError: no such position). Off opens both channels of the chain."""
        if position not in POSITIONS:
            raise ValueError(f"the key's positions are {', '.join(POSITIONS)}, not {position!r}")
        if position != "off":
            self._work("key", True)
        self.set_input(IN_KEY, position != "off")
        self.set_input(IN_NIGHT, position == "night")
        if position == "off":
            self._work("key", False)

    def open_cover(self) -> None:
        """Open a cover: both channels open, and its second contact after them."""
        self._work("cover", False)
        self.kernel.at(self.kernel.now_us + 2 * APART_US, self.set_input, IN_COVERS, False)

    def close_cover(self) -> None:
        """Close all covers."""
        self._work("cover", True)
        self.kernel.at(self.kernel.now_us + 2 * APART_US, self.set_input, IN_COVERS, True)

    def press_stop(self) -> None:
        """Press the stop; it stays pressed."""
        self._work("stop", False)

    def release_stop(self) -> None:
        """Turn the stop back."""
        self._work("stop", True)

    def press_button(self) -> None:
        """Press the button and keep it pressed."""
        self.set_input(IN_BUTTON, False)

    def release_button(self) -> None:
        """Let the button go."""
        self.set_input(IN_BUTTON, True)

    def pull_plug(self, channel: str, out: bool) -> None:
        """Pull the test plug of channel "a" or "b", which opens that channel alone, or put it back."""
        {"a": self.guard.a, "b": self.guard.b}[channel].work("test plug", not out)

    def press_relay_button(self, channel: str, pressed: bool) -> None:
        """Press the test button of guard relay "a" or "b", or let it go. With the chain complete the relay pulls up."""
        {"a": self.guard.a, "b": self.guard.b}[channel].press_button(pressed)
