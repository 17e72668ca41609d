"""Perform one plan. This module owns the one stop path.

In order: trunks that a person must make busy are asked for; hello; does the plan fit the board; may it ring; upload;
the record's start row is on the disk; start; follow until the board says that the plan is over; a short tail, so that
late events are seen and acknowledged; measure; judge; the verdicts are saved, and then returned; the end row.

What has a job of its own stands beside this: `prepare` (everything before the start), `hearing` (taking in what the
board reports), `gates` (tones and a person's word), `supply` (the unit's supply and lines that come home), `doubt`
(whether the board's account can be believed), `trips`, `ending` (the words), `watcher` (the display) and `keeping`
(the record). None of them ends a call: each raises, or says what it knows, and what follows is decided here.

THE STOP PATH. However a call ends, it ends with ringing off, every loop open, and the record closed with its end row.
The board sees to the first two by itself; the host only asks. What happens, in which order, within what time
(times of the port's clock; the silence limit is what the board declared, 600 ms, or less):

- normal end: the board opens all loops with the timeline's last instruction, and says "finished"; tail 300 ms;
  measured, judged, saved, shown.
- Ctrl-C or SIGTERM: seen within 100 ms; STOP is sent, and repeated every 200 ms, five times at most; the board opens
  all loops and takes ringing off before it answers; its "ended early" is awaited for 1 s; tail; what was seen is
  measured and judged (the rest is "not run"); status interrupted. A board that does not answer: as a lost cable.
- second Ctrl-C or SIGTERM: nothing more is waited for. STOP is on its way; if it did not arrive, the board's silence
  limit releases the line. The record is closed, and nothing breaks that off (10 s at most, if the disk is stuck).
- SIGHUP (the terminal was closed): as Ctrl-C, but a second one changes nothing: they come in pairs.
- whoever read the display has gone (a closed pipe): as Ctrl-C.
- exception in this program, or in the display: as Ctrl-C, and then the exception goes on to the caller; status error.
  What the display raises while the line is being released is passed over.
- lost cable, board hanging or reset: known at once when the port says so, after 1 s of silence otherwise. The board's
  silence limit (or its reset) releases the line. What was seen is kept, measured and judged; status link lost.
- trip: the board has released and taken ringing off before it tells; as a normal end, with status tripped; the board is
  asked for its own record of the trip, which is kept with the call's. Whenever the board ended the plan early, or had
  to leave events out, it is asked for its trips: one that found the queue of events full is none the less.
- at night, the unit's supply is held by a lease (`client.lease`, taken by `ready`): when the board drops it (an alarm,
  the key, its night contact's wire), the call ends as by Ctrl-C, status tripped where an alarm did it. When a line does
  not come home in the unit's stated time (`home.HomeWatch`), the board is told "not home", drops the supply and
  latches; then likewise. The stop path waits for the lines that were taken. Giving the lease back is the caller's, who
  may run more calls.
- kill -9, or the computer fails: nothing runs here any more. The board's silence limit releases the line. The record
  holds every row that was written, and no end row.
- power loss at the board: its relays fall, every loop opens and the ringing guard with them; here: lost cable.
- the disk fails or is too slow: the call goes on, the record stops, and the result says so.

Before the start nothing is running: an error or Ctrl-C there simply goes to the caller. When ringing is refused there
(`ready` raises), the record has the plan, the trip if that is why, and an end row that says so.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

from demo_ctl.judge.judge import judge
from demo_ctl.judge.model import Judgement
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.client import Client
from demo_ctl.measure.measure import measure
from demo_ctl.measure.model import Measurement, Observation
from demo_ctl.plan.model import BusyTrunks, Gate, Plan
from demo_ctl.run.doubt import Doubt
from demo_ctl.run.ending import Ending, by_plan, by_supply
from demo_ctl.run.gates import Gates
from demo_ctl.run.hearing import Hearing
from demo_ctl.run.interrupts import Interrupts
from demo_ctl.run.keeping import Keeping
from demo_ctl.run.prepare import Prepared, prepare, rings
from demo_ctl.run.result import CallResult, Progress, Status, exit_code_of
from demo_ctl.run.supply import SupplyWatch
from demo_ctl.run.trips import Trips
from demo_ctl.run.watcher import Watcher
from demo_ctl.terms.errors import DemoError, LinkError
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m

#: The loop looks this often for Ctrl-C and for a person's word at a gate.
POLL_US = 100_000
#: After the plan's end: late edges, and their acknowledgement (which the session sends after 50 ms).
TAIL_US = 300_000
#: How long "ended early" is awaited after STOP was answered.
STOP_US = 1_000_000


def perform(
    plan: Plan,
    client: Client,
    recorder: RecordWriter | None = None,
    *,
    on_progress: Callable[[Progress], None] | None = None,
    go_on: Callable[[Gate], bool] | None = None,
    trunks_busied: Callable[[tuple[BusyTrunks, ...]], bool] | None = None,
    ready: Callable[[Client, Plan], None] | None = None,
    on_event: Callable[[m.Event], None] | None = None,
    asked_to_stop: Callable[[], bool] | None = None,
    home_us: int = 0,
) -> CallResult:
    """Perform `plan` with the board that `client` reaches; return what came of it. The caller closes the client.

    recorder: gets every row, and is closed at the end, however that comes. on_progress: gets each item of the live
    display. go_on: asked about ten times a second while a gate waits for a person; must return at once, True when the
    person has said go on (none: such gates wait until their limit). trunks_busied: asked once, before anything else,
    when a person must make trunks busy; True when it is done (the plan's gate for it then opens by itself). ready:
    called right after hello; raises a DemoError when the plan may not be performed with this board as it stands. A plan
    that rings is not begun without it (ValueError): somebody must have asked whether the guard is proven.
    on_event: gets each event as it is; what it raises counts as the display's.
    asked_to_stop: asked about ten times a second; must return at once, True when the call shall end (as Ctrl-C).
    home_us: within so long of hanging up every train of this unit is home; watched where the supply is held by a lease.

    Raises InputError (trunks not busied), PlanError (does not fit the board), what `ready` raises, LinkError (no board,
    or it refuses) before the start. Afterwards link trouble and trips are in the result; only this program's own faults
    are raised.
    """
    if ready is None and rings(plan):
        raise ValueError("this plan rings: perform wants `ready`, which asks whether the guard may let it")
    keeping = Keeping(recorder, plan, client.port.url)
    try:
        prepared = prepare(plan, client, keeping, trunks_busied, ready)
        watcher = Watcher(on_progress, on_event)
        gates = Gates(plan, client, watcher, go_on, prepared.answered)
        supply = SupplyWatch(plan, client, watcher, home_us)
        return _Performance(plan, client, prepared, keeping, watcher, gates, supply, asked_to_stop).run()
    finally:
        keeping.close()


class _Performance:
    """One call from its start to its result: what is done, in which order, and the stop path."""

    def __init__(
        self,
        plan: Plan,
        client: Client,
        prepared: Prepared,
        keeping: Keeping,
        watcher: Watcher,
        gates: Gates,
        supply: SupplyWatch,
        asked_to_stop: Callable[[], bool] | None,
    ) -> None:
        self.plan = plan
        self.client = client
        self.prepared = prepared
        self.keeping = keeping
        self.watcher = watcher
        self.gates = gates
        self.supply = supply
        self.asked_to_stop = asked_to_stop
        self.trips = Trips(client, keeping, prepared.welcome.now_us)
        self.heard = Hearing(plan, client, watcher, keeping, gates, supply, self.trips)

    # -- the call -----------------------------------------------------------------------------------------

    def run(self) -> CallResult:
        """Perform the call, and end it as the top of this page says, whatever comes."""
        fault: BaseException | None = None
        with Interrupts() as interrupts:
            try:
                self._call(interrupts)
                ending = self._ended(interrupts)
            except KeyboardInterrupt:
                ending = Ending(Status.INTERRUPTED, "stopped by Ctrl-C", self._give_up(interrupts))
                self._look_for_trips()
                if self.heard.over is not None:
                    ending = self._tripped_or(ending)
            except DemoError as trouble:
                if not self.heard.started:
                    self.keeping.end(Status.ERROR, trouble.what, int(trouble.exit_code))
                    raise
                self._release()
                self._look_for_trips()
                ending = self._tripped_or(Ending(Status.LINK_LOST, trouble.what, trouble))
            except BrokenPipeError:  # the display's: whoever read it has gone, and nobody watches this call any more
                if self.heard.over is None:
                    ending = Ending(Status.INTERRUPTED, "whoever watched the call has gone", self._release())
                    self._look_for_trips()
                    ending = self._tripped_or(ending)
                else:
                    self._look_for_trips()
                    ending = self._as_told()
            except BaseException as trouble:
                ending, fault = Ending(Status.ERROR, f"{type(trouble).__name__}: {trouble}"), trouble
                self.watcher.leave_alone()  # it may be what failed, and must not get in the way now
                self._release()
                self._look_for_trips()
            return self._conclude(interrupts, ending, fault)

    def _call(self, interrupts: Interrupts) -> None:
        """Start the plan and take in what the board reports, until it is over or somebody asks to stop."""
        self._open_record(interrupts)
        self._presenter(interrupts)
        if interrupts.asked is not None:
            return
        self.heard.started = True
        self.client.start(self.prepared.number)
        doubt = Doubt(self.plan, self.client, self.heard, self.trips)
        while self.heard.over is None and interrupts.asked is None and not self.supply.lost:
            self.heard.wait(POLL_US)
            self.supply.look(self.heard.board_us)
            self.gates.ask_person()
            self._presenter(interrupts)
            doubt.look()

    def _open_record(self, interrupts: Interrupts) -> None:
        """The start row is on the disk before the first instruction starts; heartbeats go on while it gets there."""
        self.keeping.start(self.prepared.welcome, self.prepared.notes)
        while interrupts.asked is None and not self.keeping.saved():
            self.client.keep_alive()
            self._presenter(interrupts)

    def _presenter(self, interrupts: Interrupts) -> None:
        if interrupts.asked is None and self.asked_to_stop is not None and self.asked_to_stop():
            interrupts.asked = "the presenter"

    # -- how it ends --------------------------------------------------------------------------------------

    def _ended(self, interrupts: Interrupts) -> Ending:
        """The plan is over, or somebody asked to stop, or the supply is gone: release the line, and say which."""
        if self.heard.over is not None:
            self._tail()
            self._look_for_trips()
            ending = self._as_told()
        else:
            ending = Ending(Status.INTERRUPTED, f"stopped by {interrupts.asked}", self._release())
            if self.supply.lost and interrupts.asked is None:
                ending = self._no_supply()
            self._look_for_trips()
            ending = self._tripped_or(ending)
        if self.supply.by_alarm and not self.trips.tripped:
            ending = self._no_supply()
        return ending

    def _release(self) -> DemoError | None:
        """Ask the board to end the plan, and wait until it says so. A second Ctrl-C ends the waiting."""
        if not self.heard.started or self.heard.over is not None:
            return None
        self.watcher.releasing = True
        try:
            self.watcher.tell_now("stop", "releasing the line")
            self.client.stop(m.R_STOP)
            until_us = self.client.now_us() + STOP_US
            while self.heard.over is None and (left_us := until_us - self.client.now_us()) > 0:
                self.heard.wait(min(POLL_US, left_us))
            if self.heard.over is not None:
                self._tail()
                return None
            return self._unsure("the board has not said that the line is released")
        except KeyboardInterrupt:
            return self._unsure("the board's word that the line is released was not waited for")
        except DemoError as error:
            return error

    def _give_up(self, interrupts: Interrupts) -> DemoError | None:
        """A KeyboardInterrupt landed somewhere. Was it the second, or one that did not come through our handler?"""
        if not self.heard.started or self.heard.over is not None:
            return None
        if interrupts.asked is None:
            interrupts.asked = "Ctrl-C"
            return self._release()
        with suppress(DemoError, KeyboardInterrupt):
            self.client.stop_unheard(m.R_STOP)
        return self._unsure("the board's word that the line is released was not waited for")

    def _unsure(self, what: str) -> DemoError:
        limit = self.prepared.welcome.heartbeat_ms
        return LinkError(what, next_step=f"It releases the line by itself after {limit} ms of silence.")

    def _tail(self) -> None:
        """The plan is over: late events are seen and acknowledged, and lines that were taken come home."""
        self.heard.wait_out(TAIL_US)
        until_us = self.client.now_us() + self.supply.home_most_us
        while self.supply.waiting and self.client.now_us() < until_us:
            self.heard.wait(POLL_US)
            self.supply.look(self.heard.board_us)
        self.supply.look(self.heard.board_us)
        if self.supply.not_home:
            self.heard.wait_out(TAIL_US)  # that the supply was dropped

    def _look_for_trips(self) -> None:
        """Was the plan's early end a trip that no event told of? The event may have found the queue full."""
        heard = self.heard
        if heard.started and (heard.over == m.ENDED_EARLY or heard.overflowed) and not self.trips.kept:
            self.trips.ask()

    def _as_told(self) -> Ending:
        """How it ended, as the board told it. The guard's own word goes first: what else ended may have come of it."""
        if self.trips.tripped:
            if not self.trips.kept:
                self.trips.ask()
            return Ending(Status.TRIPPED, self.trips.told.say, self.trips.told.error())
        if self.heard.over == m.FINISHED:
            return Ending(Status.FINISHED, "the timeline ran to its end")
        return by_plan(self.plan, self.heard.plan_reason, self.heard.limit_index)

    def _tripped_or(self, ending: Ending) -> Ending:
        return self._as_told() if self.trips.tripped else ending

    def _no_supply(self) -> Ending:
        supply = self.supply
        return by_supply(self.plan, supply.reason, alarm=supply.by_alarm, not_home=supply.not_home)

    # -- what came of it ----------------------------------------------------------------------------------

    def _conclude(self, interrupts: Interrupts, ending: Ending, fault: BaseException | None) -> CallResult:
        """Measure and judge what was seen, close the record with it, and only then return it."""
        status, reason = ending.status, ending.reason
        observation = Observation(self.prepared.welcome, tuple(self.heard.events), tuple(self.heard.audio))
        measurements: tuple[Measurement, ...] = ()
        judgement: Judgement | None = None
        try:
            if self.heard.started:
                measurements = measure(self.plan, observation)
                judgement = judge(self.plan, measurements)
        except KeyboardInterrupt:
            status, reason = Status.INTERRUPTED, f"{reason}; judging it was broken off"
        except BaseException as trouble:
            # The call itself is over and its line released: keep the record whole, then complain.
            if fault is None:
                status, reason, fault = Status.ERROR, f"{type(trouble).__name__}: {trouble}", trouble
        interrupts.closing = True
        code = exit_code_of(status, self.heard.plan_reason, judgement)
        if judgement is not None:
            self.keeping.verdicts(judgement.verdicts)
        record_trouble = self.keeping.end(status, reason, code)
        if fault is not None:
            raise fault
        return CallResult(
            plan=self.plan,
            observation=observation,
            measurements=measurements,
            judgement=judgement,
            status=status,
            reason=reason,
            released=self.heard.over is not None,
            exit_code=int(Exit.BAD_INPUT) if record_trouble is not None and code == int(Exit.OK) else code,
            error=ending.error,
            record_trouble=record_trouble,
            trips=tuple(self.trips.kept),
        )
