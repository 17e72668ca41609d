"""The words of everything that goes wrong between this computer and a board: what happened, and what to do next. Pure.

What a board's own codes mean is in `advice.py`; here is what the session says besides them.
"""

from __future__ import annotations

from demo_ctl.link.advice import LOAD_FIRMWARE, of_answer, of_reason
from demo_ctl.terms.errors import InputError, LinkError
from demo_ctl.wire import messages as m


def say(answer: m.Answer) -> str:
    """Return an answer's code in words, with its detail where it has one."""
    known = m.ANSWERS[answer.code] if answer.code < len(m.ANSWERS) else f"code {answer.code}"
    return f"{known} (detail {answer.detail})" if answer.detail else known


def no_answer(url: str, bytes_in: int) -> LinkError:
    """Nobody answered hello. bytes_in: how many bytes came all the same."""
    if bytes_in:
        return LinkError(
            f"something talks on {url}, but not as our board does ({bytes_in} bytes, none understood)",
            next_step="Is it the right port (demo_ctl boards)? If it is the board, its program has stopped or is "
            "another one. " + LOAD_FIRMWARE,
        )
    return LinkError(
        f"nothing answers on {url}",
        next_step="Check the board's power and that this is its port (demo_ctl boards). "
        "If the board is new: " + LOAD_FIRMWARE[0].lower() + LOAD_FIRMWARE[1:],
    )


def wrong_firmware(url: str, what: str) -> LinkError:
    """Somebody answered hello, with another message table or not at all as our firmware does."""
    return LinkError(f"the firmware on {url} does not belong to this program: {what}", next_step=LOAD_FIRMWARE)


def was_reset(url: str) -> LinkError:
    """The board booted within the session."""
    return LinkError(
        f"the board on {url} was reset in the middle: its lines were released by that",
        next_step="Check the board's power supply and the cable, then run the command again.",
    )


def fell_silent(url: str) -> LinkError:
    """Nothing came from the board any more."""
    return LinkError(
        f"the board on {url} fell silent",
        next_step="Check the cable and the board's power, then run the command again. "
        "The board releases the line by itself when it hears nothing.",
    )


def odd(url: str, answer: object) -> LinkError:
    """What came does not answer what was asked."""
    return LinkError(
        f"the board on {url} answers out of turn ({type(answer).__name__})",
        next_step="Reset the board and try again. " + LOAD_FIRMWARE,
    )


def given_up() -> LinkError:
    """The session was left by somebody who waited for nothing more."""
    return LinkError("the session was given up", next_step="Run the command again.")


def held_up(silent_us: int, heartbeat_ms: int) -> LinkError:
    """This computer fell silent for so long, and the board waits no longer than that."""
    return LinkError(
        f"this computer said nothing for {silent_us / 1e6:.1f} s, the board waits no longer than "
        f"{heartbeat_ms} ms: it took ringing off and released every line",
        next_step="Close other heavy programs, keep the computer from going to sleep, and begin again.",
    )


def refused(url: str, what: str, answer: m.Answer) -> LinkError:
    """The board refuses a command. what: which, as a noun."""
    return LinkError(f"the board on {url} refuses {what}: {say(answer)}", next_step=of_answer(answer.code).advice)


def no_permit(reason: int) -> LinkError:
    """The board gives no supply permit. reason: R_..."""
    known = of_reason(reason)
    return LinkError(f"the board gives no supply permit: {known.what}", next_step=known.advice)


def other_limits(url: str) -> LinkError:
    """The board's limits and the digest it tells do not belong together."""
    return LinkError(
        f"the limits that the board on {url} tells do not belong to the digest it gives for them",
        next_step="Do not ring with this board. " + LOAD_FIRMWARE,
    )


def useless_limit(url: str, name: str, value: int) -> InputError:
    """A limit was asked for that is too small to work with, or of something that is a constant."""
    return InputError(
        f"the board on {url} takes no {value} as its limit of {name}: nothing could work with it",
        next_step="Ask for a larger figure. (demo_ctl safety limits shows those in force.)",
    )
