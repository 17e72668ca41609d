"""Walk a person through the proving of the guard, with the board that a client reaches; return the record of it.

The I/O around `procedure` and `evidence`: it asks, polls the board, and lets `look` say how each step stands. However
it ends (done, failed, Ctrl-C, a lost cable), the plan that lets ringing onto the bus is stopped first; if the board
cannot be told, its own silence limit ends it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from typing import Protocol

from demo_ctl.link.advice import of_reason, of_trip, of_tripped
from demo_ctl.link.client import Client, LimitsInForce
from demo_ctl.link.lease import Lease
from demo_ctl.safety import evidence, procedure
from demo_ctl.safety import proving as times
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
from demo_ctl.safety.proving import CHAIN, Figure, Look, Mark, Seen, Step
from demo_ctl.safety.proving_night import HEAD, in_the_way, missing_at_night, recover_at_night, whole
from demo_ctl.terms.errors import DemoError, TripError
from demo_ctl.wire import messages as m

#: A person who missed a live step's window may try again so often.
_TRIES = 3
#: After a slip, with everything back, so long passes before the step is tried again.
_REST_US = 300_000
#: Silence on purpose lasts so much longer than the board's limit.
_LONGER_US = 700_000
#: Clocks are compared when so much has passed; an answer of the board's may be a second late.
_COMPARE_US = 12_000_000
#: More seen than this, and what says nothing new is left out.
_MANY = 200
_PROVEN = "every reaction was as it must be"
#: What nobody but the person knows, and the record must not seem to.
_WORD = "which cover was opened is the person's word: the chain does not tell one from another"
#: What a person may type.
GO = ("", "y", "yes")
STOP = ("n", "no", "q", "quit", "stop", "exit")
SKIP = ("s", "skip")


class Person(Protocol):
    """Who is walked through the proving."""

    def tell(self, text: str) -> None:
        """Show something to know."""
        ...

    def ask(self, step: Step, number: int, of: int) -> None:
        """Show what is to be done now."""
        ...

    def ready(self, step: Step, number: int, of: int) -> None:
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
    """A step failed: say why. figures: of that; slip: a hand may have slipped."""

    def __init__(self, why: str, figures: Sequence[Figure] = (), *, slip: bool = False) -> None:
        super().__init__(why)
        self.figures = tuple(figures)
        self.slip = slip


class _Missed(Exception):
    """The window ended before the person did anything."""


class _Stopped(Exception):
    """The person wants to stop."""


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
    return _Walk(client, person, tuple(covers), unit, who, port, now, cost).walk()


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
        cost: Callable[[Step], str],
    ) -> None:
        self.client = client
        self.person = person
        self.covers = covers
        self.unit = unit
        self.who = who
        self.port = port
        self.now = now
        self.cost = cost
        self.warned = False
        self.results: list[StepResult] = []
        self.seen: list[Seen] = []
        self.board_us = 0  # the board's clock, as of its last account
        self.beat_us = 0
        self.since: tuple[int, int] | None = None  # this computer's clock and the board's, at the beginning
        self.asked_us = 0
        self.running = False
        self.skipped: set[str] = set()
        self.caused: list[CausedTrip] = []
        self.covers_contact = False
        self.inputs = 0
        self.told_aside, self.aside_us = "", 0
        self.number = self.of = 0
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
        first = self._account(whole=True)
        try:
            self._fit_to_begin()
            self.covers_contact = bool(self._account().inputs & m.IN_COVERS)
            steps = whole(self.covers, self.limits, covers_contact=self.covers_contact)
            self.of = len(steps)
            for self.number, step in enumerate(steps, 1):
                current = step
                if step.belongs in self.skipped:
                    self.skipped.add(step.name)
                    self.results.append(StepResult(step.name, step.ask, SKIPPED))
                    continue
                if step.name == HEAD and self._no_night(step):
                    continue
                self._ask(step)
                self._end(self._step(step))
            current = None
            exercised = self._account().exercised
            without_night = night_without(self.skipped)
            lacking = evidence.missing(exercised) + (() if without_night else missing_at_night(exercised))
            verdict = FAILED if lacking else PASSED
            say = "; ".join(lacking) if lacking else _PROVEN
            if without_text(self.skipped) and not lacking:
                say += f"; without: {without_text(self.skipped)}"
            if without_night and not lacking:
                say += f"; for the day only, without: {without_night}"
            if len(self.covers) > 1:
                say += f"; {_WORD}"
            if not self.covers_contact:
                say += "; the covers' second contacts read open all along, so nothing can ring by night"
        except _Failed as failure:
            verdict, say = FAILED, f"{current.title}: {failure}" if current is not None else str(failure)
        except (_Stopped, KeyboardInterrupt):
            say = "stopped by the person"
        except EOFError:
            say = "nobody is at the terminal"
        except DemoError as trouble:
            say, broken = trouble.what, trouble
        finally:
            self._stop()
        if current is not None and (not self.results or self.results[-1].result != FAILED):
            self._end(StepResult(current.name, current.ask, verdict, say))
        if verdict == FAILED:
            self._advise()
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
            trips=tuple(self.caused),
        )
        return proving, broken

    def _fit_to_begin(self) -> None:
        """Have the key turned on and the chain closed, where they are not: what stands wrong already proves nothing."""
        if not self._account().inputs & m.IN_KEY:
            self._first(procedure.KEY_FIRST)
            self._settle()
        if self.inputs & CHAIN != CHAIN:
            self._first(procedure.CHAIN_FIRST)
            self._settle()

    def _settle(self, least_us: int = 0) -> None:
        """Give contacts that move one after the other the time for it, and the board the time to have seen it."""
        closed = CHAIN | m.IN_COVERS
        now_us = self.client.now_us()
        least_us, most_us = now_us + least_us, now_us + max(times.LATE_US, least_us)
        while self.client.now_us() < least_us or (
            self._account().inputs & closed != closed and self.client.now_us() < most_us
        ):
            self._poll(measure=True)

    def _first(self, step: Step) -> None:
        """Have a step done before all others; a slow hand may do it again."""
        for tries_left in reversed(range(_TRIES)):
            try:
                self._unrecorded(step)
                break
            except _Failed as failure:
                if not tries_left or not failure.slip:
                    raise
                self.person.tell(f"Not so: {failure}. It may have been a slip; once more.")

    def _no_night(self, head: Step) -> bool:
        """Leave the night's steps out where the board's inputs say that they cannot be done."""
        why = in_the_way(self._account().inputs, covers_contact=self.covers_contact)
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
                result = self._try(step)
                return replace(result, say=f"at the second try; the first: {slipped}") if slipped else result
            except _Missed:
                missed += 1
                if missed == _TRIES:
                    raise self._fail(step, _Failed("nothing happened while ringing voltage was on the bus")) from None
                self.person.tell("Nothing happened while ringing voltage was on the bus. Once more.")
            except _Failed as failure:
                if slipped or not failure.slip:
                    raise self._fail(step, failure) from None
                slipped = str(failure)
                self._again(step, failure)

    def _again(self, step: Step, failure: _Failed) -> None:
        """Bring everything back after what may have been a slip, so that the step can be tried once more."""
        assert self.limits is not None
        self._stop()
        self.person.tell(f"Not so: {failure}. It may have been a slip; everything back, and once more.")
        if step.night:
            back, *key = recover_at_night(self.limits)
        else:
            back, *key = procedure.recovery(self.limits, covers_contact=self.covers_contact)
            back = replace(back, held=step.optional)  # a test button may still be pressed
        if step.turns:
            key = key[:1] if step.turns == "night" else []  # it turns the key itself
        try:
            self._unrecorded(back)
            self._settle(_REST_US)
            safety = self._account()
            # A key that came straight from night to day leaves the board at night.
            if step.alarm or safety.state == m.G_TRIPPED or safety.obstacle == m.R_NIGHT_LOST:
                for each in key:
                    self._unrecorded(each)
            if step.before is not None:
                self._unrecorded(step.before)
        except _Failed as worse:
            raise self._fail(step, _Failed(f"{failure}; then {worse}", failure.figures)) from None
        self._ask(step)

    def _ask(self, step: Step) -> None:
        if step.alarm:
            self._permit()
        self.person.ask(step, self.number, self.of)

    def _unrecorded(self, step: Step) -> None:
        """Have a step done that is no step of the procedure."""
        self.person.ask(step, 0, self.of)
        self._watch(step, self._begin(), ())

    def _try(self, step: Step) -> StepResult:
        figures: tuple[Figure, ...] = ()
        if step.live:
            self._agreed(step)
            figures = self._let_on(step)
        # Before it is said: hands may be quicker than this computer, and what passes would be missed.
        began_us = self._begin()
        if step.live:
            self.person.tell(f"RINGING VOLTAGE IS ON THE BUS. {step.ask}".rstrip())
        if step.host == "silent":
            began_us = self._fall_silent()
        elif step.host == "stop":
            self.client.stop()
        found = self._watch(step, began_us, figures)
        self._give_back()
        if found is None:
            self.skipped.add(step.name)
            return StepResult(step.name, step.ask, SKIPPED)
        if step.trip != m.R_NONE:
            trips = self.client.trips()
            wrong = evidence.check_trip(step, trips[0] if trips else None)
            if wrong:
                raise _Failed(wrong, figures + found.figures)
            assert self.client.welcome is not None
            self.caused.append(CausedTrip(self.client.welcome.boot, trips[0].at_us, m.R_NAMES[step.trip]))
        self._stop()
        return StepResult(step.name, step.ask, PASSED, "", _figures(figures + found.figures))

    def _watch(self, step: Step, began_us: int, figures: tuple[Figure, ...]) -> Look | None:
        """Follow what is seen until the step is done; None: it was left out. _Failed, _Missed."""
        from_us = self.client.now_us()
        remind_us, hint_us, wait_us = from_us + times.REMIND_US, from_us + times.HINT_US, times.REMIND_US
        hinted = False
        while True:
            found = evidence.look(step, step.marks, self.seen, began_us, self.board_us)
            if found.failed:
                raise _Failed(found.failed, figures + found.figures, slip=found.slip)
            if found.done:
                return found
            if step.live and not step.host and self._window_over() and not self._acted(step, began_us):
                self._stop()
                raise _Missed
            if self._word(step):
                return None
            now_us = self.client.now_us()
            if now_us > from_us + times.PATIENCE_US:
                raise _Failed(f"{found.waits}: nothing came of it in time", figures + found.figures)
            if now_us >= remind_us:
                wait_us *= 2
                remind_us = now_us + wait_us
                self._remind(found, from_us + times.PATIENCE_US - now_us)
            if not hinted and now_us >= hint_us:
                tip = evidence.hint(step, self.inputs, covers_contact=self.covers_contact)
                if tip:
                    hinted = True
                    self.person.tell(tip)
            self._poll(measure=any(mark.bus or mark.fit or mark.isolated for mark in step.marks))

    def _remind(self, found: Look, left_us: int) -> None:
        """Say what a step waits for, and what a person does about it, where somebody knows."""
        waits = f"Still waiting for: {found.waits}."
        self.person.tell(
            f"{f'{found.do} ({waits})' if found.do else waits} (In {left_us / 60e6:.1f} minutes the proving ends by "
            "itself, as failed. Type no to stop it.)"
        )

    def _permit(self) -> None:
        """Have the unit's supply permitted, as a night has it."""
        lease = Lease()
        self.client.hold_supply(lease)
        if lease.lost:
            raise _Failed(f"the board does not permit the unit's supply: {of_reason(lease.reason).what}")

    def _give_back(self) -> None:
        if self.client.lease is not None:
            with suppress(DemoError, KeyboardInterrupt):
                self.client.give_supply_back()

    def _let_on(self, step: Step) -> tuple[Figure, ...]:
        """Let ringing voltage onto the bus, with no line rung; return the figures of that."""
        assert self.limits is not None
        until_us = self.client.now_us() + times.MEASURED_US
        # What was just switched on again has yet to be measured; and a person has yet to step aside.
        while (safety := self._account()).obstacle != m.R_NONE and self.client.now_us() < until_us:
            if safety.obstacle == m.R_PRESENCE and step.night:
                until_us = max(until_us, self.client.now_us() + times.MEASURED_US)
                self._aside(step)
            self._poll(measure=True)
        if safety.obstacle != m.R_NONE:
            advice = of_reason(safety.obstacle)
            raise _Failed(f"ringing is not allowed: {advice.what}")
        instructions, roles = procedure.live_plan(self.port, self.limits, night=step.night)
        self.client.upload(1, instructions, roles)
        began_us = self._begin()
        self.running = True
        self.client.start(1)
        marks: tuple[Mark, ...] = procedure.live_marks(self.limits)
        while True:
            found = evidence.look(Step(step.name, "", marks), marks, self.seen, began_us, self.board_us)
            if found.failed:
                raise _Failed(found.failed, found.figures)
            if found.done:
                return found.figures[1:]  # the first is the plan's own lead
            self._poll(measure=True)

    def _aside(self, step: Step) -> None:
        """Say, once a step, that ringing waits for the person to go out of the presence detector's sight."""
        if self.told_aside != step.name:
            self.told_aside = step.name
            self.aside_us = self.client.now_us()
            self.person.tell(
                "The presence detector sees you: step out of its sight. Ringing voltage comes on when it sees nobody."
            )
        elif self.client.now_us() - self.aside_us > times.PATIENCE_US:
            raise _Failed("the presence detector saw somebody all the time")
        self._word(step)

    def _fall_silent(self) -> int:
        """Say nothing for longer than the board allows; return when it last heard us (its clock)."""
        assert self.limits is not None
        before = self.beat_us
        while self.beat_us == before:
            self._hear(self.client.poll(times.LATE_US))
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
        return bool(evidence.reached(step.marks[:1], self.seen, began_us))

    def _fail(self, step: Step, failure: _Failed) -> _Failed:
        """Keep that a step failed; return what to raise."""
        self._end(StepResult(step.name, step.ask, FAILED, str(failure), _figures(failure.figures)))
        return failure

    def _advise(self) -> None:
        """Where a failed proving left the guard tripped, say at once what that means and what to do."""
        with suppress(DemoError, KeyboardInterrupt):
            safety = self.client.safety()
            if safety.state == m.G_TRIPPED:
                trips = self.client.trips()
                advice = of_tripped(safety, trips[0] if trips else None)
                self.person.tell(f"The guard is tripped: {advice.what}. {advice.advice}")

    def _end(self, result: StepResult) -> None:
        self.results.append(result)
        self.person.result(result)

    # -- the person ---------------------------------------------------------------------------------------

    def _agreed(self, step: Step) -> None:
        """Wait for the person's word that ringing voltage may come on, the board's session kept alive meanwhile.

        Only Enter or yes, typed after the question, is that word.
        """
        while self.person.line() is not None:
            pass
        self.person.ready(step, self.number, self.of)
        while True:
            line = self.person.line()
            word = None if line is None else line.strip().lower()
            if word in GO:
                return
            if word in STOP:
                raise _Stopped
            if word is not None:
                self.person.tell("Nothing was done. Press Enter (or type yes) to go on, type no to stop the proving.")
            self._poll(measure=False)

    def _word(self, step: Step) -> bool:
        """Take what was typed while a step waits; return whether it is to be left out. _Stopped."""
        line = self.person.line()
        word = "" if line is None else line.strip().lower()
        if word in STOP:
            raise _Stopped
        if word in SKIP:
            if step.optional:
                return self._leaves_out(step)
            self.person.tell("This step cannot be left out. (Type no to stop the proving.)")
        elif word:
            self.person.tell(
                "That is no word known here: "
                + ("type s to leave this step out, " if step.optional else "")
                + "no to stop the proving; what is done at the unit, the board sees by itself."
            )
        return False

    def _leaves_out(self, step: Step) -> bool:
        """Say, once a proving, what leaving a step out costs; whoever still wants that says so again."""
        cost = "" if self.warned else self.cost(step)
        if cost:
            self.warned = True
            self.person.tell(f"{cost}\nDo what is asked; or type s and Enter once more to leave it out all the same.")
        return not cost

    # -- the board ----------------------------------------------------------------------------------------

    def _begin(self) -> int:
        """Forget what was seen, but for a trip that stands; begin with the board's own account. Return its clock."""
        told = [each for each in self.seen if each.state is not None]
        last = max(told, key=lambda each: each.at_us, default=None)
        # What comes after a trip, the worse, may come between two steps: it must not get lost there.
        self.seen = [last] if last is not None and last.state == m.G_TRIPPED else []
        return self._account(whole=True).now_us

    def _poll(self, *, measure: bool) -> None:
        """Hear what comes; ask for what is measured often if that is waited for, else now and then."""
        self.person.heed()
        self._hear(self.client.poll(times.LOOK_US))
        self._held_up()
        if self.client.now_us() - self.asked_us >= (times.LOOK_US if measure else times.LATE_US):
            self._account()

    def _held_up(self) -> None:
        """Was this computer silent for so long that the board gave the session up? Then say that, and no fault."""
        trouble = self.client.held_up()
        if trouble is None:
            return
        self.running = False
        safety = self.client.safety()
        if safety.state == m.G_TRIPPED and safety.reason == m.R_SILENCE:
            raise TripError(trouble.what, next_step=f"{trouble.next_step} {of_trip(m.R_SILENCE).advice}")
        raise trouble

    def _account(self, *, whole: bool = False) -> m.Safety:
        """Ask the board how it stands. whole: take inputs and state from that too, as at a beginning.

        Otherwise they are the events' alone: an account may overtake them, and knows no instants.
        """
        safety = self.client.safety()
        self.asked_us = self.client.now_us()
        self.safety = safety
        self.board_us = max(self.board_us, safety.now_us)
        self.inputs = safety.inputs
        self._compare_clocks(safety.now_us)
        if len(self.seen) > _MANY:
            self.seen = evidence.thinned(self.seen, self.board_us - 3 * times.LATE_US)
        self.seen.append(
            Seen(
                safety.now_us,
                safety.inputs if whole else None,
                safety.state if whole else None,
                safety.reason,
                (safety.bus_mV, safety.supply_mV, safety.battery_mV),
                bool(safety.permit) if whole else None,
                safety.permit_reason,
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
                elif item.kind == m.EV_PERMIT:
                    self.seen.append(Seen(item.at_us, permit=bool(item.value & 0xFF), why=item.value >> 8))

    def _stop(self) -> None:
        self._give_back()
        if self.running:
            self.running = False
            with suppress(DemoError, KeyboardInterrupt):
                self.client.stop()


def _figures(figures: Sequence[Figure]) -> tuple[tuple[str, float, float], ...]:
    return tuple((each.name, each.took_us / 1000, each.limit_us / 1000) for each in figures)


def _stamp(moment: datetime) -> str:
    return moment.isoformat(timespec="seconds")
