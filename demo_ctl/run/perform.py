"""Perform one plan. This module owns the one stop path.

In order: trunks that a person must make busy are asked for; hello; does the plan fit the board; may it ring; upload;
the record's start row is on the disk; start; follow until the board says that the plan is over; a short tail, so that
late events are seen and acknowledged; measure; judge; the verdicts are saved, and then returned; the end row.

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

from binascii import crc32
from collections import deque
from collections.abc import Callable
from contextlib import suppress

from demo_ctl.judge.judge import judge
from demo_ctl.judge.model import Judgement
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.advice import of_reason
from demo_ctl.link.client import Client
from demo_ctl.link.lease import ALARMS
from demo_ctl.measure.measure import measure
from demo_ctl.measure.model import Measurement, Observation
from demo_ctl.measure.tones import ToneWatch
from demo_ctl.plan.model import BusyTrunks, Gate, Plan
from demo_ctl.run.fit import check_board
from demo_ctl.run.home import LATE_US, HomeWatch
from demo_ctl.run.interrupts import Interrupts
from demo_ctl.run.result import CallResult, Progress, Status, exit_code_of
from demo_ctl.run.tripping import Tripping
from demo_ctl.terms.errors import DemoError, InputError, LinkError, Place, TripError
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m

#: The loop looks this often for Ctrl-C and for a person's word at a gate.
POLL_US = 100_000
#: After the plan's end: late edges, and their acknowledgement (which the session sends after 50 ms).
TAIL_US = 300_000
#: How long "ended early" is awaited after STOP was answered.
STOP_US = 1_000_000
#: A board whose beats say that the plan is over, but whose events do not, is given so long.
_DISAGREE_US = 2_000_000
#: The board's own limits end every plan by then; if they do not, something is wrong with it.
_OVERTIME_US = 10_000_000
#: A full queue of the record is waited for this long a turn, in seconds: far below the heartbeat's 200 ms.
_ROOM_S = 0.02


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
    performance = _Performance(plan, client, recorder, on_progress, go_on)
    performance.on_event, performance.asked_to_stop = on_event, asked_to_stop
    performance.home_us = home_us
    try:
        performance.prepare(trunks_busied, ready)
        return performance.run()
    finally:
        if recorder is not None:
            recorder.close()


def rings(plan: Plan) -> bool:
    """Return whether a plan may let ringing voltage onto the bus: by what it says of itself, and by what it does."""
    return plan.ringing or any(step.op == m.OP_RINGING and step.x for step in plan.timeline.steps)


class _Performance:
    def __init__(
        self,
        plan: Plan,
        client: Client,
        recorder: RecordWriter | None,
        on_progress: Callable[[Progress], None] | None,
        go_on: Callable[[Gate], bool] | None,
    ) -> None:
        self.plan = plan
        self.client = client
        self.recorder = recorder
        self.on_progress = on_progress
        self.go_on = go_on
        self.on_event: Callable[[m.Event], None] | None = None
        self.asked_to_stop: Callable[[], bool] | None = None
        self.welcome: m.Welcome | None = None
        self.notes: list[str] = []
        self.waiting: deque[m.Event | m.Audio | m.Beat] = deque()
        self.events: list[m.Event] = []
        self.audio: list[m.Audio] = []
        self.number = 0
        self.started = False
        self.began_us: int | None = None
        self.answered: frozenset[Place] = frozenset()  # places of the script that the person has answered for
        self.gates = {gate.index: gate for gate in plan.gates}
        self.gate: Gate | None = None
        self.watch: ToneWatch | None = None
        self.next_sample = 0
        self.limit_index: int | None = None
        self.over: int | None = None  # the plan state the board ended with
        self.plan_reason = m.R_NONE
        self.tripping = Tripping()  # why the guard tripped in this call, if it did
        self.trips: list[m.Trip] = []
        self.overflowed = False
        self.disagree_us: int | None = None
        self.record_told = False
        self.releasing = False
        self.home_us = 0
        self.home: HomeWatch | None = None  # where the supply is held by a lease
        self.board_us = 0  # the board's clock, as last heard
        self.supply = m.R_NONE  # why the unit's supply was lost in this call
        self.not_home = 0  # the port whose line did not come home

    # -- before the start ---------------------------------------------------------------------------------

    def prepare(
        self,
        trunks_busied: Callable[[tuple[BusyTrunks, ...]], bool] | None,
        ready: Callable[[Client, Plan], None] | None,
    ) -> None:
        by_hand = tuple(busy for busy in self.plan.busy_trunks if busy.met_by == "person")
        if by_hand:
            if trunks_busied is None or not trunks_busied(by_hand):
                first = by_hand[0]
                raise InputError(
                    f"{_say_busy(first)} must be busy before this call, and this board has not the ports to do it",
                    where=first.place,
                    next_step="Make them busy by hand, then say so: --trunks-busied.",
                )
            self.answered = frozenset(busy.place for busy in by_hand)
            self.notes += [f"made busy by hand, as the person said: {_say_busy(busy)}" for busy in by_hand]
        self.welcome = self.client.hello()
        check_board(self.plan, self.welcome)
        if ready is not None:
            try:
                ready(self.client, self.plan)
            except DemoError as refusal:
                self._refused(refusal)
                raise
        if self.client.lease is not None and self.home_us:
            self.home = HomeWatch(self.plan, self.home_us)
        instructions = [m.Instruction(s.op, s.port, s.x, s.a, s.b) for s in self.plan.timeline.steps]
        self.number = crc32(repr(instructions).encode()) or 1
        self.client.upload(self.number, instructions, self.plan.timeline.roles)

    def _refused(self, refusal: DemoError) -> None:
        """Keep in the record why the call was not begun."""
        if self.recorder is None or self.welcome is None:
            return
        self.recorder.start(self.plan, self.welcome, self.client.port.url)
        tripped = isinstance(refusal, TripError)
        if tripped:
            self._ask_trips(latest=True)
        status = Status.TRIPPED if tripped else Status.REFUSED
        self._close_record(status, refusal.what, int(refusal.exit_code))

    # -- the call -----------------------------------------------------------------------------------------

    def run(self) -> CallResult:
        status, reason, error, fault = Status.ERROR, "", None, None
        with Interrupts() as interrupts:
            try:
                self._open_record(interrupts)
                self._presenter(interrupts)
                if interrupts.asked is None:
                    self.started = True
                    self.client.start(self.number)
                    self._follow(interrupts)
                if self.over is None:
                    status, reason = Status.INTERRUPTED, f"stopped by {interrupts.asked}"
                    error = self._release()
                    if self.supply != m.R_NONE and interrupts.asked is None:
                        status, reason, error = self._no_supply()
                    self._look_for_trips()
                    if self.tripped:
                        status, reason, error = self._ending()
                else:
                    self._tail()
                    self._look_for_trips()
                    status, reason, error = self._ending()
                if self.supply in ALARMS and not self.tripped:
                    status, reason, error = self._no_supply()
            except KeyboardInterrupt:
                status, reason = Status.INTERRUPTED, "stopped by Ctrl-C"
                error = self._give_up(interrupts)
                self._look_for_trips()
                if self.tripped and self.over is not None:
                    status, reason, error = self._ending()
            except DemoError as trouble:
                if not self.started:
                    self._close_record(Status.ERROR, trouble.what, int(trouble.exit_code))
                    raise
                status, reason, error = Status.LINK_LOST, trouble.what, trouble
                self._release()
                self._look_for_trips()
                if self.tripped:
                    status, reason, error = self._ending()
            except BrokenPipeError:  # the display's: whoever read it has gone, and nobody watches this call any more
                if self.over is None:
                    status, reason = Status.INTERRUPTED, "whoever watched the call has gone"
                    error = self._release()
                self._look_for_trips()
                if self.tripped or (status is not Status.INTERRUPTED and self.over is not None):
                    status, reason, error = self._ending()
            except BaseException as trouble:
                reason, fault = f"{type(trouble).__name__}: {trouble}", trouble
                self.on_progress = self.on_event = None  # one may be what failed, and must not get in the way now
                self._release()
                self._look_for_trips()
            return self._conclude(interrupts, status, reason, error, fault)

    def _open_record(self, interrupts: Interrupts) -> None:
        """The start row is on the disk before the first instruction starts; heartbeats go on while it gets there."""
        assert self.welcome is not None
        if self.recorder is None:
            return
        self.recorder.start(self.plan, self.welcome, self.client.port.url)
        for note in self.notes:
            self.recorder.note(note)
        while interrupts.asked is None and not self.recorder.saved(0.1):
            self.client.keep_alive()
            self._presenter(interrupts)

    def _follow(self, interrupts: Interrupts) -> None:
        """Take in what the board reports until the plan is over, or somebody asks to stop."""
        give_up_us = self.client.now_us() + self.plan.most_us + _OVERTIME_US if self.plan.most_us else None
        while self.over is None and interrupts.asked is None and self.supply == m.R_NONE:
            self._take(self.client.poll(POLL_US))
            self._supplied()
            self._person()
            self._presenter(interrupts)
            now_us = self.client.now_us()
            if self.disagree_us is not None and now_us - self.disagree_us > _DISAGREE_US and self.over is None:
                ended = self.client.status()
                why = _word(m.R_NAMES, ended.reason)
                # This computer was held up for so long that the board gave up its session, and its account.
                self._ask_trips()
                if self.trips:
                    self.over, self.plan_reason = m.ENDED_EARLY, ended.reason
                    return
                raise LinkError(
                    f"the board ended the plan ({why or 'no reason given'}), and its account of it is lost",
                    next_step="The line is released. Check the cable, and whether this computer was asleep.",
                )
            if give_up_us is not None and now_us > give_up_us:
                raise LinkError(
                    "the call takes longer than its plan can take: the board does not keep to its limits",
                    next_step="Reset the board. If it happens again, its firmware is not this program's.",
                )

    def _hear_for(self, us: int) -> None:
        until_us = self.client.now_us() + us
        while (left_us := until_us - self.client.now_us()) > 0:
            self._take(self.client.poll(left_us))

    def _tail(self) -> None:
        self._hear_for(TAIL_US)
        until_us = self.client.now_us() + self.home_us + 2 * LATE_US
        while self.home is not None and self.home.waiting and self.client.now_us() < until_us:
            self._take(self.client.poll(POLL_US))
            self._supplied()
        self._supplied()
        if self.not_home:
            self._hear_for(TAIL_US)  # that the supply was dropped

    # -- the unit's supply, where it is held by a lease -------------------------------------------------------

    def _supplied(self) -> None:
        """See whether the supply is still there; tell the board when a line has not come home in time."""
        lease = self.client.lease
        if lease is None or self.supply != m.R_NONE:
            return
        if self.home is not None:
            self.not_home = self.home.late(self.board_us)
        if self.not_home:
            self.supply = m.R_NOT_HOME
            self.home = None
            self._tell("supply", self._last_us(), "not home", m.R_NAMES[m.R_NOT_HOME], port=self.not_home)
            lease.end()
            lease.reason = m.R_NOT_HOME
            self.client.permit(0, m.R_NOT_HOME)
        elif lease.lost:
            # At day the key itself holds the supply; but nobody here can tell a key that was turned there from a night
            # contact whose wire broke.
            self.supply = lease.reason
            self.home = None
            self._tell("supply", self._last_us(), "lost", _word(m.R_NAMES, lease.reason))

    def _no_supply(self) -> tuple[Status, str, DemoError | None]:
        say, known = _word(m.R_NAMES, self.supply), of_reason(self.supply)
        if self.supply in ALARMS:
            where = self.plan.timeline.roles
            line = f" (the line on port {self.not_home})" if 0 < self.not_home <= len(where) else ""
            what = f"the unit's supply was taken off{line}: {known.what}"
            return Status.TRIPPED, say, TripError(what, next_step=known.next_step)
        return Status.ENDED_EARLY, say, LinkError(f"the unit's supply is gone: {known.what}", next_step=known.next_step)

    # -- what the board reports ---------------------------------------------------------------------------

    def _take(self, heard: list[m.Event | m.Audio | m.Beat]) -> None:
        # What a failing display leaves unfinished is taken up again on the stop path: nothing seen is lost.
        self.waiting.extend(heard)
        while self.waiting:
            item = self.waiting.popleft()
            if isinstance(item, m.Event):
                self.board_us = max(self.board_us, item.at_us)
                if self.home is not None:
                    self.home.take(item)
                self.events.append(item)
                if self.recorder is not None:
                    self.recorder.event(item)
                self._event(item)
                self._observed(item)
            elif isinstance(item, m.Audio):
                self.audio.append(item)
                if self.recorder is not None:
                    self.recorder.audio(item)
                self._listen(item)
            else:
                self._beat(item)
        if self.recorder is not None:
            self.recorder.room(_ROOM_S)
            if not self.record_told and self.recorder.trouble is not None:
                self.record_told = True
                self._tell("record", self._last_us(), "the record stops here", self.recorder.trouble)

    def _event(self, event: m.Event) -> None:
        kind, value = event.kind, event.value
        if kind == m.EV_PLAN:
            self._plan_state(event, value & 0xFF, value >> 8)
        elif kind == m.EV_BEGAN:
            self._tell("began", event.at_us, self._label(value), index=value, port=event.port)
            gate = self.gates.get(value)
            if gate is not None:
                self.gate = gate
                self.watch = ToneWatch(gate.tone) if gate.tone is not None else None
                self._tell("gate", event.at_us, gate.tell, f"{gate.limit_us / 1e6:g} s at most", value, gate.port)
        elif kind == m.EV_ENDED:
            index, ending = value & 0xFFFF, value >> 16
            if ending == m.LIMIT:
                self.limit_index = index
            if self.gate is not None and self.gate.index == index:
                self.gate = self.watch = None
            self._tell("ended", event.at_us, self._label(index), _word(m.ENDINGS, ending), index, event.port)
        elif kind == m.EV_STATE:
            signal = _word(m.SIGNALS, value >> 1)
            self._tell("sensed", event.at_us, f"{signal} {'on' if value & 1 else 'off'}", port=event.port)
        elif kind == m.EV_GUARD:
            worse = ""
            if value & 0xFF != m.G_TRIPPED or self.started:
                worse = self.tripping.event(value & 0xFF, value >> 8)
            state, reason = _word(m.GUARD_STATES, value & 0xFF), worse or _word(m.R_NAMES, value >> 8)
            self._tell("ringing", event.at_us, state, reason)
        elif kind in (m.EV_EDGES_LOST, m.EV_AUDIO_LOST, m.EV_OVERFLOW):
            self.overflowed = self.overflowed or kind == m.EV_OVERFLOW
            self._tell("lost", event.at_us, _word(m.EVENTS, kind), str(value), port=event.port)

    def _observed(self, event: m.Event) -> None:
        if self.on_event is not None:
            try:
                self.on_event(event)
            except Exception:
                self.on_event = None  # as in _tell
                if not self.releasing:
                    raise

    def _plan_state(self, event: m.Event, state: int, reason: int) -> None:
        if state == m.RUNNING:
            self.began_us = event.at_us
        elif state in (m.FINISHED, m.ENDED_EARLY) and self.started and self.over is None:
            self.over, self.plan_reason = state, reason
        self._tell("plan", event.at_us, _word(m.PLAN_STATES, state), _word(m.R_NAMES, reason))

    def _beat(self, beat: m.Beat) -> None:
        """Beats may overtake events, but not for long (see _follow)."""
        self.board_us = max(self.board_us, beat.now_us)
        if beat.plan_state == m.RUNNING or not self.started:
            self.disagree_us = None
        elif self.disagree_us is None:
            self.disagree_us = self.client.now_us()

    def _listen(self, block: m.Audio) -> None:
        gate, watch = self.gate, self.watch
        if gate is None or watch is None or block.port != gate.port:
            return
        if block.first != self.next_sample:
            watch.gap()
        self.next_sample = block.first + len(block.data) // 2
        if watch.add(bytes(block.data)):
            self.watch = None
            self._tell("tone", block.at_us, gate.tell, "heard", gate.index, gate.port)
            self.client.go(gate.number)

    def _presenter(self, interrupts: Interrupts) -> None:
        if interrupts.asked is None and self.asked_to_stop is not None and self.asked_to_stop():
            interrupts.asked = "the presenter"

    def _person(self) -> None:
        gate = self.gate
        if gate is None or gate.tone is not None:
            return
        # A plan holds until trunks are busy; the person said so before the start, and is not asked twice.
        busied = self.plan.timeline.steps[gate.index].place in self.answered
        if busied or (self.go_on is not None and self.go_on(gate)):
            self.gate = None
            self._tell("gate", self._last_us(), gate.tell, "go on", gate.index, gate.port)
            self.client.go(gate.number)

    # -- how it ended -------------------------------------------------------------------------------------

    @property
    def tripped(self) -> bool:
        return self.tripping.reason != m.R_NONE

    def _look_for_trips(self) -> None:
        """Was the plan's early end a trip that no event told of? The event may have found the queue full."""
        if self.started and (self.over == m.ENDED_EARLY or self.overflowed) and not self.trips:
            self._ask_trips()

    def _ask_trips(self, *, latest: bool = False) -> None:
        """Keep the board's own account of the trips of this call; latest: of the last one, whenever it was."""
        assert self.welcome is not None
        from_us = self.welcome.now_us if self.began_us is None else self.began_us  # that event may be lost, too
        try:
            for trip in self.client.trips():
                if latest or trip.at_us >= from_us:
                    self.trips.append(trip)
                    if self.recorder is not None:
                        self.recorder.trip(trip)
                if latest:
                    break
        except (DemoError, KeyboardInterrupt):
            pass  # a trip is mostly known by its event, too; then only its snapshot is lost
        if self.trips and not latest:
            self.tripping.record(self.trips[-1])  # the newest is first: this one ended the plan

    def _ending(self) -> tuple[Status, str, DemoError | None]:
        if self.over == m.FINISHED and not self.tripped:
            return Status.FINISHED, "the timeline ran to its end", None
        if self.tripped:  # the guard's own word goes first: the plan may have ended for what came of that
            if not self.trips:
                self._ask_trips()
            return Status.TRIPPED, self.tripping.say, self.tripping.error()
        say, known = _word(m.R_NAMES, self.plan_reason), of_reason(self.plan_reason)
        if self.plan_reason == m.R_LIMIT and self.limit_index is not None:
            place = self._place(self.limit_index)
            return Status.ENDED_EARLY, f"did not come in time: {self._label(self.limit_index)}{place}", None
        if self.plan_reason == m.R_LIMIT:
            return Status.ENDED_EARLY, say, None
        what = f"the board ended the call ({say}): {known.what}"
        return Status.ENDED_EARLY, say, LinkError(what, next_step=known.advice)

    def _release(self) -> DemoError | None:
        """Ask the board to end the plan, and wait until it says so. A second Ctrl-C ends the waiting."""
        if not self.started or self.over is not None:
            return None
        self.releasing = True
        try:
            self._tell("stop", self._last_us(), "releasing the line")
            self.client.stop(m.R_STOP)
            until_us = self.client.now_us() + STOP_US
            while self.over is None and (left_us := until_us - self.client.now_us()) > 0:
                self._take(self.client.poll(min(POLL_US, left_us)))
            if self.over is not None:
                self._tail()
                return None
            return self._unsure("the board has not said that the line is released")
        except KeyboardInterrupt:
            return self._unsure("the board's word that the line is released was not waited for")
        except DemoError as error:
            return error

    def _give_up(self, interrupts: Interrupts) -> DemoError | None:
        """A KeyboardInterrupt landed somewhere. Was it the second, or one that did not come through our handler?"""
        if not self.started or self.over is not None:
            return None
        if interrupts.asked is None:
            interrupts.asked = "Ctrl-C"
            return self._release()
        with suppress(DemoError, KeyboardInterrupt):
            self.client.stop_unheard(m.R_STOP)
        return self._unsure("the board's word that the line is released was not waited for")

    def _unsure(self, what: str) -> DemoError:
        limit = self.welcome.heartbeat_ms if self.welcome is not None else 600
        return LinkError(what, next_step=f"It releases the line by itself after {limit} ms of silence.")

    def _conclude(
        self,
        interrupts: Interrupts,
        status: Status,
        reason: str,
        error: DemoError | None,
        fault: BaseException | None,
    ) -> CallResult:
        assert self.welcome is not None
        observation = Observation(self.welcome, tuple(self.events), tuple(self.audio))
        measurements: tuple[Measurement, ...] = ()
        judgement: Judgement | None = None
        try:
            if self.started:
                measurements = measure(self.plan, observation)
                judgement = judge(self.plan, measurements)
        except KeyboardInterrupt:
            status, reason = Status.INTERRUPTED, f"{reason}; judging it was broken off"
        except BaseException as trouble:
            # The call itself is over and its line released: keep the record whole, then complain.
            if fault is None:
                status, reason, fault = Status.ERROR, f"{type(trouble).__name__}: {trouble}", trouble
        interrupts.closing = True
        code = exit_code_of(status, self.plan_reason, judgement)
        if self.recorder is not None and judgement is not None:
            self.recorder.verdicts(judgement.verdicts)
        trouble_text = self._close_record(status, reason, code)
        if fault is not None:
            raise fault
        return CallResult(
            plan=self.plan,
            observation=observation,
            measurements=measurements,
            judgement=judgement,
            status=status,
            reason=reason,
            released=self.over is not None,
            exit_code=int(Exit.BAD_INPUT) if trouble_text is not None and code == int(Exit.OK) else code,
            error=error,
            record_trouble=trouble_text,
            trips=tuple(self.trips),
        )

    def _close_record(self, status: Status, reason: str, code: int) -> str | None:
        """Write the end row and see it to the disk: saved, then shown. Return what went wrong."""
        if self.recorder is None:
            return None
        self.recorder.end(status.value, reason, code)
        self.recorder.close()
        return self.recorder.trouble

    # -- small things -------------------------------------------------------------------------------------

    def _tell(self, kind: str, at_us: int, label: str, detail: str = "", index: int = -1, port: int = 0) -> None:
        if self.on_progress is not None:
            since_us = 0 if self.began_us is None else max(0, at_us - self.began_us)
            try:
                self.on_progress(Progress(kind, since_us, label, detail, index, port))
            except Exception:
                self.on_progress = None  # it shall not get in the way again
                if not self.releasing:
                    raise

    def _last_us(self) -> int:
        return self.events[-1].at_us if self.events else 0

    def _label(self, index: int) -> str:
        steps = self.plan.timeline.steps
        return steps[index].label if index < len(steps) else f"step {index}"

    def _place(self, index: int) -> str:
        steps = self.plan.timeline.steps
        return f" ({steps[index].place})" if index < len(steps) and steps[index].place.file else ""


def _word(words: tuple[str, ...], code: int) -> str:
    return words[code] if code < len(words) else f"code {code}"


def _say_busy(busy: BusyTrunks) -> str:
    trunks = ", ".join(str(position) for position in busy.positions)
    return f"stage {busy.stage}, level {busy.level}, trunks {trunks}"
