"""One try at one step of the proving: let ringing voltage on where the step wants it, and watch until it is done.

What was seen is judged by `evidence`; whether a step is tried once more is for whoever asks for the try.
"""

from __future__ import annotations

from collections.abc import Sequence

from demo_ctl.link.advice import of_reason
from demo_ctl.safety import evidence, procedure
from demo_ctl.safety import proving as times
from demo_ctl.safety.board_on_trial import BoardOnTrial
from demo_ctl.safety.conversation import Conversation
from demo_ctl.safety.proof_store import PASSED, SKIPPED, CausedTrip, StepResult
from demo_ctl.safety.proving import Figure, Look, Seen, Step, StepFailed
from demo_ctl.wire import messages as m

#: Silence on purpose lasts so much longer than the board's limit.
_LONGER_US = 700_000


class Missed(Exception):
    """The window ended before the person did anything."""


class Tries:
    """The tries of one proving. port: watched while ringing voltage is on the bus; caused: trips that were meant."""

    def __init__(self, board: BoardOnTrial, talk: Conversation, port: int) -> None:
        self.caused: list[CausedTrip] = []
        self._board = board
        self._talk = talk
        self._person = talk.person
        self._port = port
        self._aside, self._aside_us = "", 0  # the step in which the person was told to step aside, and when

    def once(self, step: Step, number: int, of: int) -> StepResult:
        """Try a step that the person has been asked for; passed or left out. StepFailed, Missed, Stopped."""
        board = self._board
        figures: tuple[Figure, ...] = ()
        if step.live:
            self._talk.agree(step, number, of, lambda: board.poll(measure=False))
            figures = self._let_on(step)
        # Before it is said: hands may be quicker than this computer, and what passes would be missed.
        began_us = board.begin()
        if step.live:
            self._person.tell(f"RINGING VOLTAGE IS ON THE BUS. {step.ask}".rstrip())
        if step.host == "silent":
            began_us = self._fall_silent()
        elif step.host == "stop":
            board.stop()
        found = self.watch(step, began_us, figures)
        board.give_supply_back()
        if found is None:
            return StepResult(step.name, step.ask, SKIPPED)
        if step.trip != m.R_NONE:
            self._right_trip(step, figures + found.figures)
        board.let_go()
        return StepResult(step.name, step.ask, PASSED, "", in_ms(figures + found.figures))

    def watch(self, step: Step, began_us: int, figures: tuple[Figure, ...] = ()) -> Look | None:
        """Follow what is seen until the step is done; None: it was left out. StepFailed, Missed, Stopped.

        began_us: the board's clock; figures: what was measured before, for the record of a failure.
        """
        board = self._board
        from_us = board.now_us()
        remind_us, hint_us, wait_us = from_us + times.REMIND_US, from_us + times.HINT_US, times.REMIND_US
        hinted = False
        while True:
            found = evidence.look(step, step.marks, board.seen, began_us, board.board_us)
            if found.failed:
                raise StepFailed(found.failed, figures + found.figures, slip=found.slip)
            if found.done:
                return found
            if step.live and not step.host and _window_over(board.seen) and not _acted(step, board.seen, began_us):
                board.let_go()
                raise Missed
            if self._talk.leaves_out(step):
                return None
            now_us = board.now_us()
            if now_us > from_us + times.PATIENCE_US:
                raise StepFailed(f"{found.waits}: nothing came of it in time", figures + found.figures)
            if now_us >= remind_us:
                wait_us *= 2
                remind_us = now_us + wait_us
                self._talk.remind(found, from_us + times.PATIENCE_US - now_us)
            if not hinted and now_us >= hint_us:
                tip = evidence.hint(step, board.safety.inputs, covers_contact=board.covers_contact)
                if tip:
                    hinted = True
                    self._person.tell(tip)
            board.poll(measure=any(mark.bus or mark.fit or mark.isolated for mark in step.marks))

    def _right_trip(self, step: Step, figures: tuple[Figure, ...]) -> None:
        """See that the board's own record of the trip is what the step wants, and keep that it was caused here."""
        boot, trip = self._board.last_trip()
        wrong = evidence.check_trip(step, trip)
        if wrong or trip is None:
            raise StepFailed(wrong, figures)
        self.caused.append(CausedTrip(boot, trip.at_us, m.R_NAMES[step.trip]))

    def _let_on(self, step: Step) -> tuple[Figure, ...]:
        """Let ringing voltage onto the bus, with no line rung; return the figures of that."""
        board = self._board
        until_us = board.now_us() + times.MEASURED_US
        # What was just switched on again has yet to be measured; and a person has yet to step aside.
        while (safety := board.account()).obstacle != m.R_NONE and board.now_us() < until_us:
            if safety.obstacle == m.R_PRESENCE and step.night:
                until_us = max(until_us, board.now_us() + times.MEASURED_US)
                self._step_aside(step)
            board.poll(measure=True)
        if safety.obstacle != m.R_NONE:
            raise StepFailed(f"ringing is not allowed: {of_reason(safety.obstacle).what}")
        began_us = board.start(*procedure.live_plan(self._port, board.limits, night=step.night))
        marks = procedure.live_marks(board.limits)
        while True:
            found = evidence.look(Step(step.name, "", marks), marks, board.seen, began_us, board.board_us)
            if found.failed:
                raise StepFailed(found.failed, found.figures)
            if found.done:
                return found.figures[1:]  # the first is the plan's own lead
            board.poll(measure=True)

    def _step_aside(self, step: Step) -> None:
        """Say, once a step, that ringing waits for the person to go out of the presence detector's sight."""
        if self._aside != step.name:
            self._aside = step.name
            self._aside_us = self._board.now_us()
            self._person.tell(
                "The presence detector sees you: step out of its sight. Ringing voltage comes on when it sees nobody."
            )
        elif self._board.now_us() - self._aside_us > times.PATIENCE_US:
            raise StepFailed("the presence detector saw somebody all the time")
        self._talk.leaves_out(step)

    def _fall_silent(self) -> int:
        """Say nothing for longer than the board allows; return when it last heard us (its clock)."""
        heard_us = self._board.next_beat()
        silent_us = self._board.limits.value(m.L_HEARTBEAT_MS) * 1000 + _LONGER_US
        self._person.tell(f"This computer says nothing for {silent_us / 1e6:g} s: the board must let go by itself.")
        self._board.say_nothing(silent_us)
        return heard_us


def in_ms(figures: Sequence[Figure]) -> tuple[tuple[str, float, float], ...]:
    """Return figures as a record has them: name, what it took and what it may take, ms."""
    return tuple((each.name, each.took_us / 1000, each.limit_us / 1000) for each in figures)


def _window_over(seen: Sequence[Seen]) -> bool:
    state = next((each.state for each in reversed(seen) if each.state is not None), None)
    return state in (m.G_FALLING, m.G_SAFE, m.G_PROVING, m.G_ARMED)


def _acted(step: Step, seen: Sequence[Seen], began_us: int) -> bool:
    return bool(evidence.reached(step.marks[:1], seen, began_us))
