"""The guided proving of the guard: what a step is, what is seen of the board, and the times of it all. Data only.

Theory of operation. A step asks a person for one thing ("press the emergency stop") and has *marks*: what must be seen
of the board, each at once or within a stated time after another mark. What is seen is a list of `Seen`, stamped by the
board's own clock: from its events, so that no time of the host's or of the cable's is in any figure, and from its
answers about itself. `procedure` (and `proving_night`) say which steps there are; `evidence.look` says from what was
seen whether a step is done, has failed, or what it still waits for.

Nothing of these knows a port, a person or the time of day: `safety.prove` brings them together, tests bring their own.

For the limits: two channels that disagree, `apart us` of the board's own limits (facts H45, H46); relays that fall,
15 ms after their supply is gone, which is one pass of the board's loop (`loop us`) and the pump's own hold (`hold us`)
at the latest (H47); ringing gone from the bus, `drop us`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from demo_ctl.wire import messages as m

CHAIN = m.IN_CHAIN_A | m.IN_CHAIN_B
MIRRORS = m.IN_MIRROR_A | m.IN_MIRROR_B
#: Steps that may be left out, for a time (proof_counts.WHOLE). They want a test plug, or somebody at the relays.
OPTIONAL = ("channel A alone", "channel B alone", "guard relay A alone", "guard relay B alone")
#: The alarm contacts, and what each is called.
ALARMS = {m.IN_SMOKE: "smoke", m.IN_FUSE: "fuse", m.IN_RELEASE: "release", m.IN_SUPERVISORY: "supervisory"}
#: What must have been seen in both positions for a guard to be proven.
EXERCISED = CHAIN | MIRRORS | m.IN_KEY

#: A relay of the guard falls in 5 to 15 ms once its coil has no supply (common practice, no source).
RELAY_DROP_US = 15_000
#: Inputs are read in passes of the board's loop, at most so far apart: each stamp may be so late.
PASS_US = 10_000
#: The isolating contactor falls within 70 ms (`isolator opens` of the budget); then two readings of the generator,
#: whole ones, and two looks.
ISOLATED_US = 300_000
#: How often the board is asked for its own account while a step runs: the bus is known no finer.
LOOK_US = 50_000
#: An event may be so late at the host before it counts as not having come.
LATE_US = 1_000_000
#: How long a person is given for one step, when that is said again (and then after twice as long each time), and how
#: soon what looks wrong is; and how long ringing voltage stays on the bus.
PATIENCE_US = 300_000_000
REMIND_US = 30_000_000
HINT_US = 3_000_000
LIVE_US = 20_000_000
#: The guard proves itself, arms, and a window opens: within so long of the plan's start.
LEAD_US = 500_000
#: How long a supply may take until it is measured.
MEASURED_US = 2_000_000


@dataclass(frozen=True)
class Seen:
    """Something that the board said, true from `at_us` (its clock) on. None: not said this time.

    bus: (ringing bus, generator, battery), mV. permit: of the unit's supply; why: it is not given (R_...).
    """

    at_us: int
    inputs: int | None = None
    state: int | None = None
    reason: int = m.R_NONE
    bus: tuple[int, int, int] | None = None
    permit: bool | None = None
    why: int = m.R_NONE


@dataclass(frozen=True)
class Mark:
    """Something that must be seen. All that is given must hold at the same time.

    on, off: inputs that must all read 1, or 0; any_off: one of these at least reads 0; any_on: 1. states: one of these
    guard states; reason: and for this reason (R_NONE: for any). bus: "quiet" or "live"; fit: generator and battery are
    right; isolated: no generator's voltage behind the isolating contactor. permit: the unit's supply is permitted, or
    not (why: for this reason). after: the mark that it is timed from ("": the step's beginning); limit_us: longest time
    from there. do: what a person does about it, where it does not come by itself, a sentence.
    """

    name: str
    on: int = 0
    off: int = 0
    any_on: int = 0
    any_off: int = 0
    states: tuple[int, ...] = ()
    reason: int = m.R_NONE
    bus: str = ""
    fit: bool = False
    isolated: bool = False
    permit: bool | None = None
    why: int = m.R_NONE
    after: str = ""
    limit_us: int | None = None
    do: str = ""


@dataclass(frozen=True)
class Step:
    """One step of the proving.

    ask: what the person is to do, "" when nothing; name: for the record. live: ringing voltage is let onto the bus
    first, with no line rung. host: what this computer does, "stop" the plan or fall "silent". trip: the reason for
    which the board must trip in this step, R_NONE when it must not. held: a relay is held up, so silence need not
    follow the trip. optional: may be skipped; why: what for. belongs: the optional step that it belongs to. covers: the
    covers' second contacts must open with what is done here (True), or stay closed (False); None: not wired, or they
    say nothing. slip: a hand may have been too slow, or at the wrong thing: one more try. before: what must be done
    anew before that. night: the key stands at night; alarm: the alarm contact that is to open, with the unit's supply
    permitted. turns: where the key is turned in it: "off", "on", "night", "round" (off, and back), or "on
    first" where it may be off as yet.
    """

    name: str
    ask: str
    marks: tuple[Mark, ...]
    live: bool = False
    host: str = ""
    trip: int = m.R_NONE
    held: bool = False
    optional: bool = False
    why: str = ""
    belongs: str = ""
    covers: bool | None = None
    slip: bool = False
    before: Step | None = None
    night: bool = False
    alarm: int = 0
    turns: str = ""

    @property
    def title(self) -> str:
        """Its name for people who stand before the unit; `name` is what records and the failure table say."""
        title = _TITLES.get(self.name) or self.name.replace("while live", "while ringing voltage is on")
        moves, _, what = title.partition(" ")
        if moves not in ("open", "close"):
            return title
        cover = next((what.removesuffix(end) for end in _ENDS if what.endswith(end)), what)
        return f"{moves} the cover '{cover}'{what.removeprefix(cover)}"


#: What may stand after a cover's name.
_ENDS = (" while ringing voltage is on", " after the trip")
_TITLES = {
    "live, and off again": "ringing voltage on, and off again",
    "no heartbeat while live": "this computer silent while ringing voltage is on",
    "key off": "turn the key off",
    "key on": "turn the key on",
}


@dataclass(frozen=True)
class Figure:
    """A measured reaction."""

    name: str
    took_us: int
    limit_us: int


@dataclass(frozen=True)
class Look:
    """How a step stands. waits: the mark that it waits for; failed: why it has failed, "" while it has not.

    slip: it may have failed by a slip of the hand; do: what a person does about what it waits for.
    """

    done: bool
    waits: str = ""
    failed: str = ""
    figures: tuple[Figure, ...] = ()
    slip: bool = False
    do: str = ""


class StepFailed(Exception):
    """A step failed: says why. figures: of that; slip: a hand may have slipped."""

    def __init__(self, why: str, figures: Sequence[Figure] = (), *, slip: bool = False) -> None:
        super().__init__(why)
        self.figures = tuple(figures)
        self.slip = slip
