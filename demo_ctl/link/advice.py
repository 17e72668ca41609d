"""For every code a board gives: what happened, where to look, what to do next. The one table of it, in plain words.

Reasons (R_...) come with the end of a plan and with ringing being withdrawn; answers (E_...) refuse a command. A code
this table does not know comes from newer firmware and gets an entry that says so.

It stands in this room because codes become words for people here first (a refused command); `run` and every room above
it reads the same table.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from demo_ctl.wire import messages as m


@dataclass(frozen=True)
class Advice:
    """what: what happened. look: where. next_step: what to do. trip: people were being kept safe (exit code 4)."""

    what: str
    look: str
    next_step: str
    trip: bool = False

    @property
    def advice(self) -> str:
        """Where to look and what to do, as an error's next step."""
        return f"Look {self.look}. {self.next_step}"


#: What brings board and program together again.
LOAD_FIRMWARE = (
    "Copy this program's own demo_ctl/wire and demo_ctl/board folders onto the board, over the old ones, and reset it."
)

#: Why a plan ended early, and why ringing was withdrawn.
REASONS: Mapping[int, Advice] = MappingProxyType(
    {
        m.R_NONE: Advice(
            "the plan ran to its end",
            "nowhere: nothing is wrong",
            "Nothing to do.",
        ),
        m.R_STOP: Advice(
            "a program told the board to stop; every loop was opened and ringing taken off",
            "at whoever stopped it: Ctrl-C here, or another program that uses this board",
            "Run the call again when you are ready.",
        ),
        m.R_SILENCE: Advice(
            "the board heard nothing from this computer for too long, and released every line by itself",
            "at the cable between computer and board, and at what else keeps this computer busy",
            "Push the plugs home, close other heavy programs, keep the computer from going to sleep, and run again.",
        ),
        m.R_LIMIT: Advice(
            "something the call waited for did not come in its time",
            "at the step of the script that is named beside this, and at the switch that should have acted",
            "Watch the unit while the call runs again; if it is only slow, the script's `within` can be longer.",
        ),
        m.R_OVERFLOW: Advice(
            "the board had more to tell than the link could carry, and released every line",
            "at the cable and its adapters, and at a relay or contact that chatters on one of the ports",
            "Use a direct USB cable. If the unit chatters, find which port: the record's edges tell.",
        ),
        m.R_LATE: Advice(
            "the board could not perform an instruction at its time, and ended the plan rather than do it late",
            "at the board: its firmware was kept busy",
            f"Reset the board and run again. If it comes back: {LOAD_FIRMWARE}",
        ),
        m.R_WINDOW: Advice(
            "ringing was allowed for its longest time and was then withdrawn",
            "at the called line: ringing that was not tripped by the answer, or a call that rang on and on",
            "Check that the called telephone answers and that the connector's trip relay works; then run again.",
            trip=True,
        ),
        m.R_CHAIN: Advice(
            "the safety chain opened: the board took ringing off and released every line",
            "at the unit: covers, key switch, emergency stop, and the wires of both chain channels",
            "Make sure nobody touches the unit, close what is open, turn the key off and on, and run again.",
            trip=True,
        ),
        m.R_ENDED: Advice(
            "ringing was taken off because its plan had ended",
            "nowhere: this is how a plan ends",
            "Nothing to do.",
        ),
        m.R_UNEXPECTED_RINGING: Advice(
            "ringing voltage was sensed on a line where none should be; the board cannot take away what does not come"
            " through its guard",
            "at that line: a bypassed or welded guard, a second generator, a backfeed through the unit's wiring",
            "Keep hands off the unit. Isolate the ringing generator by hand, and find the path before ringing again.",
            trip=True,
        ),
        m.R_NEW_HELLO: Advice(
            "another program greeted the board while this call ran, so the board ended the call",
            "at this computer: a second demo_ctl, or a serial terminal that is open on the same port",
            "Close the other program, and run again.",
        ),
    }
)

#: Why the board refused a command.
ANSWERS: Mapping[int, Advice] = MappingProxyType(
    {
        m.OK: Advice("the board did as it was told", "nowhere: nothing is wrong", "Nothing to do."),
        m.E_UNKNOWN: Advice(
            "the board does not know this message",
            "at the board's firmware: it is older than this program",
            LOAD_FIRMWARE,
        ),
        m.E_STATE: Advice(
            "the board cannot do that now",
            "at the board's state: a plan may still be running or loading",
            "Wait a second and run again, or reset the board.",
        ),
        m.E_RANGE: Advice(
            "a value in the plan is outside what this board does",
            "at the instruction whose number is given, and at the script's step that asked for it",
            "Change that step; `demo_ctl plan SCRIPT` shows every instruction with its number.",
        ),
        m.E_ROLE: Advice(
            "the plan asks a port for something its role does not allow",
            "at the instruction whose number is given, and at what the unit's file attaches to that port",
            "Check `attached` in the unit's file and `parties` in the script.",
        ),
        m.E_CHECK: Advice(
            "the plan arrived damaged or not whole, and the board refused it",
            "at the cable between computer and board",
            "Run again; if it comes back, change the cable.",
        ),
        m.E_VERSION: Advice(
            "board and program were built from different message tables",
            "at the board's firmware",
            LOAD_FIRMWARE,
        ),
        m.E_FULL: Advice(
            "the plan has more instructions than the board can hold",
            "at the script: it is too long for this board",
            "Make the script shorter, or split it into two calls.",
        ),
        m.E_LOOSER: Advice(
            "the board's own safety limits may be tightened, never loosened",
            "at `longest` under `ringing` in the unit's file, or whoever asked for a longer limit",
            "Ask for no more than the board allows by itself.",
        ),
    }
)


def of_reason(code: int) -> Advice:
    """Give the advice for a reason code (R_...), known or not."""
    return REASONS.get(code) or _unknown("gave a reason", code)


def of_answer(code: int) -> Advice:
    """Give the advice for an answer code (OK, E_...), known or not."""
    return ANSWERS.get(code) or _unknown("answered with a code", code)


def _unknown(did: str, code: int) -> Advice:
    return Advice(
        f"the board {did} that this program does not know ({code})",
        "at the board's firmware: it is newer than this program",
        "Treat the unit as unsafe until you know why it stopped. Use the program that came with the firmware.",
    )
