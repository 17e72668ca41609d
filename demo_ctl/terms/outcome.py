"""The words for how a check ended, and the exit codes of every command."""

from __future__ import annotations

from enum import Enum, IntEnum


class Outcome(Enum):
    """How one check ended. Five different words; an error is none of them."""

    PASS = "pass"
    #: The window's edge lies inside the measurement's uncertainty: neither a pass nor a fail can be claimed.
    MARGINAL = "marginal"
    FAIL = "fail"
    #: The call got that far, but the figure could not be had; the reason is given beside it.
    NOT_MEASURED = "not measured"
    #: The call ended before this check's turn.
    NOT_RUN = "not run"


class Exit(IntEnum):
    """Exit codes of every command."""

    OK = 0
    CHECK_FAILED = 1
    BAD_INPUT = 2
    BOARD_TROUBLE = 3
    SAFETY_TRIP = 4
    #: What a shell gives a program that Ctrl-C ended (128 + SIGINT); SIGTERM ends a call alike.
    INTERRUPTED = 130
