"""What the board's clock shows between two events: by the newest of them, and the host's clock since then."""

from __future__ import annotations

from collections.abc import Callable


class BoardTime:
    """The board's clock as the host may take it to be. host_us: the host's own clock."""

    def __init__(self, host_us: Callable[[], int]) -> None:
        self._host_us = host_us
        self._heard: tuple[int, int] | None = None  # the newest event: the board's time, and the host's then

    def forget(self) -> None:
        """Know nothing, until something is heard of a board again."""
        self._heard = None

    def heard(self, board_us: int) -> None:
        """Something has just been heard that was so late by the board's clock."""
        self._heard = (board_us, self._host_us())

    def now_us(self) -> int | None:
        """Return what the board's clock shows now; None: nothing has been heard."""
        if self._heard is None:
            return None
        board_us, host_us = self._heard
        return board_us + max(0, self._host_us() - host_us)
