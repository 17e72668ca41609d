"""The bus expander, simulated: what the board believes of the seven slow inputs that come through it.

Theory of operation. The board asks it every ASK_US, and turns over its echo line each time. A transfer that fails, or a
wrong echo, and all seven read 0 until ECHOES good ones have come in a row. One that is frozen repeats both inputs and
echo, so the echo is wrong at the second reading at the latest: until then the old inputs are believed. (The board's
part of this is `board.chip_parts.Expander`. Here nothing asks: the readings' times are as late as they can be.)
"""

from __future__ import annotations

from collections.abc import Callable

from demo_ctl.bench.kernel import Handle, Kernel
from demo_ctl.board.chip_parts import ASK_US, ECHOES

FROZEN_US = 2 * ASK_US  # until a frozen one has given a wrong echo
BELIEVED_US = ECHOES * ASK_US  # until one that is sound again is believed


class BusExpander:
    """`changed` is called when the inputs read otherwise without anybody having moved one."""

    def __init__(self, kernel: Kernel, changed: Callable[[], None]) -> None:
        self._kernel = kernel
        self._changed = changed
        self._kept: int | None = None  # what a frozen one goes on saying
        self._believed = True
        self._later: Handle | None = None

    def reads(self, inputs: int) -> int:
        """Return what the board has of these inputs."""
        if not self._believed:
            return 0
        return inputs if self._kept is None else self._kept

    def freeze(self, inputs: int) -> None:
        """It answers, but no longer follows: these inputs are the last that it took."""
        self._kept = self.reads(inputs)
        self._after(FROZEN_US, self._lose)

    def die(self) -> None:
        """No transfer comes to an end any more."""
        self._kernel.cancel(self._later)
        self._lose()

    def mend(self) -> None:
        """It is sound again: by and by it is believed."""
        self._lose()
        self._after(BELIEVED_US, self._believe)

    def _after(self, us: int, then: Callable[[], None]) -> None:
        self._kernel.cancel(self._later)
        self._later = self._kernel.at(self._kernel.now_us + us, then)

    def _lose(self) -> None:
        self._kept = None
        self._believed = False
        self._changed()

    def _believe(self) -> None:
        self._believed = True
        self._changed()
