"""The board's own clock against the kernel's: the same, unless it stands, races or has jumped.

Kernel time is what really passes. The board counts microseconds from its boot; its firmware's deadlines are in the
board's time, so they must be told in the kernel's before anybody waits for them.
"""

from __future__ import annotations

from demo_ctl.board.pins import TICKS

PASS_US = 500  # as long as a pass of the chip's loop takes, roughly (measured 0.2..1 ms)
_MASK = TICKS - 1


class BoardClock:
    """Board time as a function of kernel time: straight pieces of slope `rate`, 1 when all is well."""

    def __init__(self, now_us: int, board_us: int = 0) -> None:
        self._from_us = now_us
        self._board_us = board_us
        self._ahead_us = board_us - now_us  # while rate is 1
        self.rate = 1

    def board_us(self, kernel_us: int) -> int:
        """Return what the board's clock reads, 64 bits."""
        if self.rate == 1:
            return kernel_us + self._ahead_us
        return self._board_us + (kernel_us - self._from_us) * self.rate

    def ticks(self, kernel_us: int) -> int:
        """Return what the board's counter reads, modulo 2**30."""
        return self.board_us(kernel_us) & _MASK

    def kernel_us(self, board_us: int, now_us: int) -> int:
        """Return when the board's clock reaches `board_us`.

        A clock that stands reaches nothing; its loop still goes round, so the next pass is meant.
        """
        if self.rate == 1:
            return board_us - self._ahead_us
        left_us = board_us - self.board_us(now_us)
        if left_us <= 0:
            return now_us
        if not self.rate:
            return now_us + PASS_US
        return now_us + max(1, -(-left_us // self.rate))

    @property
    def zero_us(self) -> int:
        """What the kernel's clock reads when the board's reads 0; as if the clock had always run right."""
        return -self._ahead_us

    def set_rate(self, now_us: int, rate: int) -> None:
        """Let it run `rate` times as fast from now on; 0: it stands."""
        self._rebase(now_us, self.board_us(now_us))
        self.rate = rate

    def jump(self, now_us: int, by_us: int) -> None:
        """Move it on at once."""
        self._rebase(now_us, self.board_us(now_us) + by_us)

    def restart(self, now_us: int) -> None:
        """The board boots: it counts from 0 again."""
        self._rebase(now_us, 0)

    def _rebase(self, now_us: int, board_us: int) -> None:
        self._from_us = now_us
        self._board_us = board_us
        self._ahead_us = board_us - now_us
