"""Walk a person through the proving of the guard, with the board that a client reaches; return the record of it.

The I/O around `safety.proving`: it asks, polls the board, and lets `look` say how each step stands. However it ends
(done, failed, Ctrl-C, a lost cable), the plan that lets ringing onto the bus is stopped first; if the board cannot be
told, its own silence limit ends it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from typing import Protocol

from demo_ctl.link.advice import of_reason
from demo_ctl.link.client import Client, LimitsInForce
from demo_ctl.safety import proving as rules
from demo_ctl.safety.proof_store import (
    FAILED,
    PASSED,
    SKIPPED,
    UNFINISHED,
    Proving,
    StepResult,
    board_text,
    digest_text,
    firmware_text,
)
from demo_ctl.safety.proving import Figure, Look, Mark, Seen, Step
from demo_ctl.terms.errors import DemoError
from demo_ctl.wire import messages as m

#: A person who missed a live step's window may try again so often.
_TRIES = 3
#: Silence on purpose lasts so much longer than the board's limit.
_LONGER_US = 700_000
#: Clocks are compared when so much has passed; an answer of the board's may be a second late.
_COMPARE_US = 12_000_000
_PROVEN = "every reaction was as it must be"
SKIP = ("s", "skip")


class Person(Protocol):
    """Who is walked through the proving."""

    def tell(self, text: str) -> None:
        """Show something to know."""
        ...

    def ask(self, step: Step, number: int, of: int) -> None:
        """Show what is to be done now."""
        ...

    def ready(self, step: Step) -> None:
        """Say what comes, before ringing voltage is let onto the bus; `line` is asked until an answer comes."""
        ...

    def line(self) -> str | None:
        """Return the next line the person has typed, without waiting; None: nothing. EOFError: nobody is there."""
        ...

    def heed(self) -> None:
        """Raise KeyboardInterrupt when the person wants to stop. Asked some twenty times a second."""
        ...

    def result(self, result: StepResult) -> None:
        """Show how a step ended."""
        ...


class _Failed(Exception):
    """A step failed: say why."""


class _Missed(Exception):
    """The window ended before the person did anything."""


def prove(
    client: Client,
    person: Person,
    *,
    covers: Sequence[str],
    unit: str,
    who: str,
    port: int,
    now: Callable[[], datetime],
) -> tuple[Proving, DemoError | None]:
    """Prove the guard; return the record, and the trouble with the board that ended it, or None.

    The client has said hello. Raises LinkError only before anything was asked of the person.

    covers: names; port: the board port that is watched while ringing voltage is on the bus, with no line rung; now: the
    time of day with its zone.
    """
    return _Walk(client, person, tuple(covers), unit, who, port, now).walk()


class _Walk:
    def __init__(
        self,
        client: Client,
        person: Person,
        covers: tuple[str, ...],
        unit: str,
        who: str,
        port: int,
        now: Callable[[], datetime],
    ) -> None:
        self.client = client
        self.person = person
        self.covers = covers
        self.unit = unit
        self.who = who
        self.port = port
        self.now = now
        self.results: list[StepResult] = []
        self.seen: list[Seen] = []
        self.board_us = 0  # the board's clock, as of its last account
        self.beat_us = 0
        self.since: tuple[int, int] | None = None  # this computer's clock and the board's, at the beginning
        self.asked_us = 0
        self.running = False
        self.skipped: set[str] = set()
        self.limits: LimitsInForce | None = None
        self.safety: m.Safety | None = None

    def walk(self) -> tuple[Proving, DemoError | None]:
        """All of it."""
        began = self.now()
        verdict, say = UNFINISHED, ""
        steps: tuple[Step, ...] = ()
        current: Step | None = None
        broken: DemoError | None = None
        welcome = self.client.welcome
        assert welcome is not None
        self.limits = self.client.limits_in_force()
        first = self._account()
        try:
            steps = rules.procedure(self.covers, self.limits, covers_contact=bool(first.inputs & m.IN_COVERS))
            for number, step in enumerate(steps, 1):
                current = step
                if step.belongs in self.skipped:
                    self.results.append(StepResult(step.name, step.ask, SKIPPED))
                    continue
                self.person.ask(step, number, len(steps))
                self._end(self._step(step))
            current = None
            lacking = rules.missing(self._account().exercised)
            verdict = FAILED if lacking else PASSED
            say = f"never seen in both positions: {', '.join(lacking)}" if lacking else _PROVEN
            if not first.inputs & m.IN_COVERS:
                say += "; the covers' second contacts read open all along, so nothing can ring by night"
        except _Failed as failure:
            verdict, say = FAILED, f"{current.name}: {failure}" if current is not None else str(failure)
        except KeyboardInterrupt:
            say = "stopped by the person"
        except EOFError:
            say = "nobody is at the terminal"
        except DemoError as trouble:
            say, broken = trouble.what, trouble
        finally:
            self._stop()
        if current is not None and (not self.results or self.results[-1].result != FAILED):
            self._end(StepResult(current.name, current.ask, verdict, say))
        exercised = self.safety.exercised if self.safety is not None else 0
        proving = Proving(
            began=_stamp(began),
            ended=_stamp(self.now()),
            board=board_text(first.board),
            simulated=bool(welcome.simulated),
            firmware=firmware_text(welcome.firmware),
            port=self.client.port.url,
            unit=self.unit,
            who=self.who,
            digest=digest_text(self.limits.digest),
            limits=dict(self.limits.values),
            covers=self.covers,
            steps=tuple(self.results),
            exercised=exercised,
            verdict=verdict,
            say=say,
        )
        return proving, broken

    # -- one step -----------------------------------------------------------------------------------------

    def _step(self, step: Step) -> StepResult:
        for left in range(_TRIES, 0, -1):
            try:
                return self._try(step)
            except _Missed:
                if left == 1:
                    break
                self.person.tell("Nothing happened while ringing voltage was on the bus. Once more:")
        return self._fail(step, Look(False, "", "nothing happened while ringing voltage was on the bus"), ())

    def _try(self, step: Step) -> StepResult:
        figures: tuple[Figure, ...] = ()
        if step.live:
            if step.ask:
                self.person.ready(step)
                self._typed()
            figures = self._let_on(step)
            self.person.tell(f"Ringing voltage is on the bus. {step.ask}".rstrip())
        began_us = self._begin()
        if step.host == "silent":
            began_us = self._fall_silent()
        elif step.host == "stop":
            self.client.stop()
        give_up_us = self.client.now_us() + rules.PATIENCE_US
        while True:
            found = rules.look(step, step.marks, self.seen, began_us, self.board_us)
            if found.failed:
                return self._fail(step, found, figures)
            if found.done:
                break
            if step.live and not step.host and self._window_over() and not self._acted(step, began_us):
                self._stop()
                raise _Missed
            if step.optional and self._skipped():
                self.skipped.add(step.name)
                return StepResult(step.name, step.ask, SKIPPED)
            if self.client.now_us() > give_up_us:
                return self._fail(step, replace(found, failed=f"{found.waits}: nothing came of it in time"), figures)
            self._poll(measure=any(mark.bus or mark.fit or mark.isolated for mark in step.marks))
        if step.trip != m.R_NONE:
            trips = self.client.trips()
            wrong = rules.check_trip(step, trips[0] if trips else None)
            if wrong:
                return self._fail(step, replace(found, failed=wrong), figures + found.figures)
        self._stop()
        return StepResult(step.name, step.ask, PASSED, "", _figures(figures + found.figures))

    def _let_on(self, step: Step) -> tuple[Figure, ...]:
        """Let ringing voltage onto the bus, with no line rung; return the figures of that."""
        assert self.limits is not None
        until_us = self.client.now_us() + rules.MEASURED_US
        # What was just switched on again has yet to be measured.
        while (safety := self._account()).obstacle != m.R_NONE and self.client.now_us() < until_us:
            self._poll(measure=True)
        if safety.obstacle != m.R_NONE:
            advice = of_reason(safety.obstacle)
            self._fail(step, Look(False, "", f"ringing is not allowed: {advice.what}"), ())
        instructions, roles = rules.live_plan(self.port, self.limits)
        self.client.upload(1, instructions, roles)
        began_us = self._begin()
        self.running = True
        self.client.start(1)
        marks: tuple[Mark, ...] = rules.live_marks(self.limits)
        while True:
            found = rules.look(Step(step.name, "", marks), marks, self.seen, began_us, self.board_us)
            if found.failed:
                self._fail(step, found, ())
            if found.done:
                return found.figures[1:]  # the first is the plan's own lead
            self._poll(measure=True)

    def _fall_silent(self) -> int:
        """Say nothing for longer than the board allows; return when it last heard us (its clock)."""
        assert self.limits is not None
        before = self.beat_us
        while self.beat_us == before:
            self._hear(self.client.poll(rules.LATE_US))
        heard_us = self.beat_us
        silent_us = self.limits.value(m.L_HEARTBEAT_MS) * 1000 + _LONGER_US
        self.person.tell(f"This computer says nothing for {silent_us / 1e6:g} s: the board must let go by itself.")
        self._hear(self.client.say_nothing(silent_us))
        self.running = False
        self.client.hello()
        trips = self.client.trips()
        if trips:
            self.seen.append(Seen(trips[0].at_us, state=m.G_TRIPPED, reason=trips[0].reason))
        self._account(whole=True)
        return heard_us

    def _window_over(self) -> bool:
        state = next((each.state for each in reversed(self.seen) if each.state is not None), None)
        return state in (m.G_FALLING, m.G_SAFE, m.G_PROVING, m.G_ARMED)

    def _acted(self, step: Step, began_us: int) -> bool:
        return bool(rules.reached(step.marks[:1], self.seen, began_us))

    def _fail(self, step: Step, found: Look, figures: tuple[Figure, ...]) -> StepResult:
        self._end(StepResult(step.name, step.ask, FAILED, found.failed, _figures(figures + found.figures)))
        raise _Failed(found.failed)

    def _end(self, result: StepResult) -> None:
        self.results.append(result)
        self.person.result(result)

    # -- the person ---------------------------------------------------------------------------------------

    def _typed(self) -> str:
        """Wait for a line, the board's session kept alive meanwhile."""
        while True:
            line = self.person.line()
            if line is not None:
                return line.strip().lower()
            self.person.heed()
            self._hear(self.client.poll(rules.LOOK_US))

    def _skipped(self) -> bool:
        line = self.person.line()
        return line is not None and line.strip().lower() in SKIP

    # -- the board ----------------------------------------------------------------------------------------

    def _begin(self) -> int:
        """Forget what was seen; begin with the board's own account. Return its clock."""
        self.seen.clear()
        return self._account(whole=True).now_us

    def _poll(self, *, measure: bool) -> None:
        """Hear what comes; ask for what is measured often if that is waited for, else now and then."""
        self.person.heed()
        self._hear(self.client.poll(rules.LOOK_US))
        if self.client.now_us() - self.asked_us >= (rules.LOOK_US if measure else rules.LATE_US):
            self._account()

    def _account(self, *, whole: bool = False) -> m.Safety:
        """Ask the board how it stands. whole: take inputs and state from that too, as at a beginning.

        Otherwise they are the events' alone: an account may overtake them, and knows no instants.
        """
        safety = self.client.safety()
        self.asked_us = self.client.now_us()
        self.safety = safety
        self.board_us = max(self.board_us, safety.now_us)
        self._compare_clocks(safety.now_us)
        self.seen.append(
            Seen(
                safety.now_us,
                safety.inputs if whole else None,
                safety.state if whole else None,
                safety.reason,
                (safety.bus_mV, safety.supply_mV, safety.battery_mV),
            )
        )
        return safety

    def _compare_clocks(self, board_us: int) -> None:
        """Every limit of the board's is counted by its clock: it must go as fast as this computer's."""
        if self.since is None:
            self.since = self.asked_us, board_us
        ours_us, theirs_us = self.asked_us - self.since[0], board_us - self.since[1]
        if ours_us >= _COMPARE_US and abs(ours_us - theirs_us) * 10 > ours_us:
            raise _Failed(
                f"the board's clock went on {theirs_us / 1e6:.1f} s in {ours_us / 1e6:.1f} s of this computer's"
            )

    def _hear(self, heard: Sequence[m.Event | m.Audio | m.Beat]) -> None:
        for item in heard:
            if isinstance(item, m.Beat):
                self.beat_us = item.now_us
                self.board_us = max(self.board_us, item.now_us)
            elif isinstance(item, m.Event):
                if item.kind == m.EV_INPUTS:
                    self.seen.append(Seen(item.at_us, inputs=item.value))
                elif item.kind == m.EV_GUARD:
                    self.seen.append(Seen(item.at_us, state=item.value & 0xFF, reason=item.value >> 8))

    def _stop(self) -> None:
        if self.running:
            self.running = False
            with suppress(DemoError, KeyboardInterrupt):
                self.client.stop()


def _figures(figures: Sequence[Figure]) -> tuple[tuple[str, float, float], ...]:
    return tuple((each.name, each.took_us / 1000, each.limit_us / 1000) for each in figures)


def _stamp(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds")
