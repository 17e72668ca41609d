"""Walk a person through the proving of the guard, with the board that a client reaches; return the record of it.

`procedure` says which steps there are, and `tries` does one of them. Here is the way through all of them: what must be
right first, what is left out, what is tried once more after a slip, and the record. However it ends (done, failed,
Ctrl-C, a lost cable), the plan that lets ringing onto the bus is stopped first; if the board cannot be told, its own
silence limit ends it.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime

from demo_ctl.link.client import Client
from demo_ctl.safety import evidence, procedure
from demo_ctl.safety.board_on_trial import BoardOnTrial
from demo_ctl.safety.conversation import Conversation, Person, Stopped
from demo_ctl.safety.proof_counts import night_without, without_text
from demo_ctl.safety.proof_store import (
    FAILED,
    PASSED,
    SKIPPED,
    UNFINISHED,
    CausedTrip,
    Proving,
    StepResult,
    board_text,
    digest_text,
    firmware_text,
)
from demo_ctl.safety.proving import CHAIN, Step, StepFailed
from demo_ctl.safety.proving_night import HEAD, in_the_way, missing_at_night, recover_at_night, whole
from demo_ctl.safety.tries import Missed, Tries, in_ms
from demo_ctl.terms.errors import DemoError
from demo_ctl.wire import messages as m

#: A person who missed a live step's window may try again so often.
_TRIES = 3
#: After a slip, with everything back, so long passes before the step is tried again.
_REST_US = 300_000
_PROVEN = "every reaction was as it must be"
#: What nobody but the person knows, and the record must not seem to.
_WORD = "which cover was opened is the person's word: the chain does not tell one from another"


def prove(
    client: Client,
    person: Person,
    *,
    covers: Sequence[str],
    unit: str,
    who: str,
    port: int,
    now: Callable[[], datetime],
    cost: Callable[[Step], str] = lambda _step: "",
) -> tuple[Proving, DemoError | None]:
    """Prove the guard; return the record, and the trouble with the board that ended it, or None.

    The client has said hello. Raises LinkError only before anything was asked of the person.

    covers: names; port: the board port that is watched while ringing voltage is on the bus, with no line rung; now: the
    time of day with its zone; cost: what it would cost to leave an optional step out, a sentence, "" for nothing.
    """
    began = now()
    welcome = client.welcome
    assert welcome is not None
    board = BoardOnTrial(client, person.heed)
    number = board.safety.board
    ending = _Walk(board, Conversation(person, cost), tuple(covers), port).walk()
    proving = Proving(
        began=_stamp(began),
        ended=_stamp(now()),
        board=board_text(number),
        simulated=bool(welcome.simulated),
        firmware=firmware_text(welcome.firmware),
        port=client.port.url,
        unit=unit,
        who=who,
        digest=digest_text(board.limits.digest),
        limits=dict(board.limits.values),
        covers=tuple(covers),
        steps=ending.steps,
        exercised=board.safety.exercised,
        verdict=ending.verdict,
        say=ending.say,
        trips=ending.trips,
    )
    return proving, ending.broken


@dataclass(frozen=True)
class _Ending:
    """How a walk through the steps ended. broken: the trouble with the board that ended it."""

    verdict: str
    say: str
    steps: tuple[StepResult, ...]
    trips: tuple[CausedTrip, ...]
    broken: DemoError | None


class _Walk:
    """The walk through the steps. current: the step that it stands in."""

    def __init__(self, board: BoardOnTrial, talk: Conversation, covers: tuple[str, ...], port: int) -> None:
        self.board = board
        self.person = talk.person
        self.tries = Tries(board, talk, port)
        self.covers = covers
        self.results: list[StepResult] = []
        self.skipped: set[str] = set()
        self.current: Step | None = None
        self.number = self.of = 0

    def walk(self) -> _Ending:
        """All of it."""
        verdict, say = UNFINISHED, ""
        broken: DemoError | None = None
        try:
            self._all_steps()
            self.current = None
            exercised = self.board.account().exercised
            verdict, say = _judged(exercised, self.skipped, len(self.covers), covers_contact=self.board.covers_contact)
        except StepFailed as failure:
            verdict, say = FAILED, f"{self.current.title}: {failure}" if self.current is not None else str(failure)
        except (Stopped, KeyboardInterrupt):
            say = "stopped by the person"
        except EOFError:
            say = "nobody is at the terminal"
        except DemoError as trouble:
            say, broken = trouble.what, trouble
        finally:
            self.board.let_go()
        step = self.current
        if step is not None and (not self.results or self.results[-1].result != FAILED):
            self._end(StepResult(step.name, step.ask, verdict, say))
        if verdict == FAILED:
            self._advise()
        return _Ending(verdict, say, tuple(self.results), tuple(self.tries.caused), broken)

    def _all_steps(self) -> None:
        self._fit_to_begin()
        self.board.note_covers()
        steps = whole(self.covers, self.board.limits, covers_contact=self.board.covers_contact)
        self.of = len(steps)
        for self.number, step in enumerate(steps, 1):
            self.current = step
            if step.belongs in self.skipped:
                self.skipped.add(step.name)
                self.results.append(StepResult(step.name, step.ask, SKIPPED))
                continue
            if step.name == HEAD and self._no_night(step):
                continue
            self._ask(step)
            self._end(self._step(step))

    def _fit_to_begin(self) -> None:
        """Have the key turned on and the chain closed, where they are not: what stands wrong already proves nothing."""
        if not self.board.account().inputs & m.IN_KEY:
            self._first(procedure.KEY_FIRST)
            self.board.settle()
        if self.board.safety.inputs & CHAIN != CHAIN:
            self._first(procedure.CHAIN_FIRST)
            self.board.settle()

    def _first(self, step: Step) -> None:
        """Have a step done before all others; a slow hand may do it again."""
        for tries_left in reversed(range(_TRIES)):
            try:
                self._unrecorded(step)
                break
            except StepFailed as failure:
                if not tries_left or not failure.slip:
                    raise
                self.person.tell(f"Not so: {failure}. It may have been a slip; once more.")

    def _no_night(self, head: Step) -> bool:
        """Leave the night's steps out where the board's inputs say that they cannot be done."""
        why = in_the_way(self.board.account().inputs, covers_contact=self.board.covers_contact)
        if why:
            self.person.tell(f"What the night wants is left out: {why}. This proving will hold for the day only.")
            self.skipped.add(head.name)
            self._end(StepResult(head.name, head.ask, SKIPPED, why))
        return bool(why)

    # -- one step -----------------------------------------------------------------------------------------

    def _step(self, step: Step) -> StepResult:
        """Do a step, with another try for a window that was missed, or for a slip of the hand."""
        missed, slipped = 0, ""
        while True:
            try:
                result = self.tries.once(step, self.number, self.of)
            except Missed:
                missed += 1
                if missed == _TRIES:
                    failure = StepFailed("nothing happened while ringing voltage was on the bus")
                    raise self._fail(step, failure) from None
                self.person.tell("Nothing happened while ringing voltage was on the bus. Once more.")
            except StepFailed as failure:
                if slipped or not failure.slip:
                    raise self._fail(step, failure) from None
                slipped = str(failure)
                self._again(step, failure)
            else:
                if result.result == SKIPPED:
                    self.skipped.add(step.name)
                return replace(result, say=f"at the second try; the first: {slipped}") if slipped else result

    def _again(self, step: Step, failure: StepFailed) -> None:
        """Bring everything back after what may have been a slip, so that the step can be tried once more."""
        board = self.board
        board.let_go()
        self.person.tell(f"Not so: {failure}. It may have been a slip; everything back, and once more.")
        if step.night:
            back, *key = recover_at_night(board.limits)
        else:
            back, *key = procedure.recovery(board.limits, covers_contact=board.covers_contact)
            back = replace(back, held=step.optional)  # a test button may still be pressed
        if step.turns:
            key = key[:1] if step.turns == "night" else []  # it turns the key itself
        try:
            self._unrecorded(back)
            board.settle(_REST_US)
            safety = board.account()
            # A key that came straight from night to day leaves the board at night.
            if step.alarm or safety.state == m.G_TRIPPED or safety.obstacle == m.R_NIGHT_LOST:
                for each in key:
                    self._unrecorded(each)
            if step.before is not None:
                self._unrecorded(step.before)
        except StepFailed as worse:
            raise self._fail(step, StepFailed(f"{failure}; then {worse}", failure.figures)) from None
        self._ask(step)

    def _ask(self, step: Step) -> None:
        if step.alarm:
            self.board.permit_supply()
        self.person.ask(step, self.number, self.of)

    def _unrecorded(self, step: Step) -> None:
        """Have a step done that is no step of the procedure."""
        self.person.ask(step, 0, self.of)
        self.tries.watch(step, self.board.begin())

    # -- how it ended -------------------------------------------------------------------------------------

    def _fail(self, step: Step, failure: StepFailed) -> StepFailed:
        """Keep that a step failed; return what to raise."""
        self._end(StepResult(step.name, step.ask, FAILED, str(failure), in_ms(failure.figures)))
        return failure

    def _end(self, result: StepResult) -> None:
        self.results.append(result)
        self.person.result(result)

    def _advise(self) -> None:
        """Where a failed proving left the guard tripped, say at once what that means and what to do."""
        with suppress(DemoError, KeyboardInterrupt):
            advice = self.board.advice()
            if advice:
                self.person.tell(f"The guard is tripped: {advice}")


def _judged(exercised: int, skipped: Collection[str], covers: int, *, covers_contact: bool) -> tuple[str, str]:
    """Return verdict and sentence of a walk that came to its end. exercised: inputs; skipped: steps; covers: how many.

    covers_contact: the covers' second contacts are wired.
    """
    without_night = night_without(skipped)
    lacking = evidence.missing(exercised) + (() if without_night else missing_at_night(exercised))
    say = "; ".join(lacking) if lacking else _PROVEN
    if without_text(skipped) and not lacking:
        say += f"; without: {without_text(skipped)}"
    if without_night and not lacking:
        say += f"; for the day only, without: {without_night}"
    if covers > 1:
        say += f"; {_WORD}"
    if not covers_contact:
        say += "; the covers' second contacts read open all along, so nothing can ring by night"
    return FAILED if lacking else PASSED, say


def _stamp(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds")
