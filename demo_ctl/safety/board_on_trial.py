"""The board whose guard is being proven: what was seen of it, and the little that it is told to do.

It is heard, asked how it stands, given a plan or the unit's supply, and always made to end both. It judges nothing but
the board's clock, by which all figures are counted; `evidence` judges what was seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress

from demo_ctl.link.advice import of_reason, of_trip, of_tripped
from demo_ctl.link.client import Client
from demo_ctl.link.lease import Lease
from demo_ctl.safety import evidence
from demo_ctl.safety import proving as times
from demo_ctl.safety.proving import CHAIN, Seen, StepFailed
from demo_ctl.terms.errors import DemoError, TripError
from demo_ctl.wire import messages as m

#: Clocks are compared when so much has passed; an answer of the board's may be a second late.
_COMPARE_US = 12_000_000
#: More seen than this, and what says nothing new is left out.
_MANY = 200
#: The number of the plan that lets ringing voltage onto the bus.
_PLAN = 1


class BoardOnTrial:
    """What one proving sees of a board, and does with it.

    limits: those in force; safety: its last account of itself; seen: what it said since `begin`; board_us: its clock,
    as of its last word; covers_contact: the covers' second contacts are wired, as far as `note_covers` has found.
    """

    safety: m.Safety

    def __init__(self, client: Client, heed: Callable[[], None]) -> None:
        """Ask for its limits and how it stands. LinkError. heed: asked before each wait; it may raise."""
        self._client = client
        self._heed = heed
        self.seen: list[Seen] = []
        self.board_us = 0
        self.covers_contact = False
        self._beat_us = 0
        self._asked_us = 0
        self._since: tuple[int, int] | None = None  # this computer's clock and the board's, at the beginning
        self._running = False
        self.limits = client.limits_in_force()
        self.account(whole=True)

    # -- what is seen -------------------------------------------------------------------------------------

    def now_us(self) -> int:
        """Return this computer's clock."""
        return self._client.now_us()

    def begin(self) -> int:
        """Forget what was seen, but for a trip that stands; begin with the board's own account. Return its clock."""
        told = [each for each in self.seen if each.state is not None]
        last = max(told, key=lambda each: each.at_us, default=None)
        # What comes after a trip, the worse, may come between two steps: it must not get lost there.
        self.seen = [last] if last is not None and last.state == m.G_TRIPPED else []
        return self.account(whole=True).now_us

    def poll(self, *, measure: bool) -> None:
        """Hear what comes; ask for what is measured often if that is waited for, else now and then."""
        self._heed()
        self._hear(self._client.poll(times.LOOK_US))
        self._held_up()
        if self.now_us() - self._asked_us >= (times.LOOK_US if measure else times.LATE_US):
            self.account()

    def account(self, *, whole: bool = False) -> m.Safety:
        """Ask the board how it stands. whole: take inputs and state from that too, as at a beginning.

        Otherwise they are the events' alone: an account may overtake them, and knows no instants.
        """
        safety = self._client.safety()
        self._asked_us = self.now_us()
        self.safety = safety
        self.board_us = max(self.board_us, safety.now_us)
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

    def settle(self, least_us: int = 0) -> None:
        """Give contacts that move one after the other the time for it, and the board the time to have seen it."""
        closed = CHAIN | m.IN_COVERS
        now_us = self.now_us()
        least_us, most_us = now_us + least_us, now_us + max(times.LATE_US, least_us)
        while self.now_us() < least_us or (self.account().inputs & closed != closed and self.now_us() < most_us):
            self.poll(measure=True)

    def note_covers(self) -> None:
        """Note, with every cover closed, whether their second contacts are wired: then they read closed."""
        self.covers_contact = bool(self.account().inputs & m.IN_COVERS)

    def last_trip(self) -> tuple[int, m.Trip | None]:
        """Return the number of the board's boot, and its record of the last trip since; None: there was none."""
        trips = self._client.trips()
        assert self._client.welcome is not None
        return self._client.welcome.boot, trips[0] if trips else None

    def advice(self) -> str:
        """Return what the trip that the guard stands in means and what to do, "" where it is not tripped. LinkError."""
        safety = self._client.safety()
        if safety.state != m.G_TRIPPED:
            return ""
        advice = of_tripped(safety, self.last_trip()[1])
        return f"{advice.what}. {advice.advice}"

    def _compare_clocks(self, board_us: int) -> None:
        """Every limit of the board's is counted by its clock: it must go as fast as this computer's."""
        if self._since is None:
            self._since = self._asked_us, board_us
        ours_us, theirs_us = self._asked_us - self._since[0], board_us - self._since[1]
        if ours_us >= _COMPARE_US and abs(ours_us - theirs_us) * 10 > ours_us:
            raise StepFailed(
                f"the board's clock went on {theirs_us / 1e6:.1f} s in {ours_us / 1e6:.1f} s of this computer's"
            )

    def _hear(self, heard: Sequence[m.Event | m.Audio | m.Beat]) -> None:
        for item in heard:
            if isinstance(item, m.Beat):
                self._beat_us = item.now_us
                self.board_us = max(self.board_us, item.now_us)
            elif isinstance(item, m.Event):
                if item.kind == m.EV_INPUTS:
                    self.seen.append(Seen(item.at_us, inputs=item.value))
                elif item.kind == m.EV_GUARD:
                    self.seen.append(Seen(item.at_us, state=item.value & 0xFF, reason=item.value >> 8))
                elif item.kind == m.EV_PERMIT:
                    self.seen.append(Seen(item.at_us, permit=bool(item.value & 0xFF), why=item.value >> 8))

    def _held_up(self) -> None:
        """Was this computer silent for so long that the board gave the session up? Then say that, and no fault."""
        trouble = self._client.held_up()
        if trouble is None:
            return
        self._running = False
        safety = self._client.safety()
        if safety.state == m.G_TRIPPED and safety.reason == m.R_SILENCE:
            raise TripError(trouble.what, next_step=f"{trouble.next_step} {of_trip(m.R_SILENCE).advice}")
        raise trouble

    # -- what it is told ----------------------------------------------------------------------------------

    def start(self, instructions: Sequence[m.Instruction], roles: Sequence[int]) -> int:
        """Load a plan, `begin`, and start it; return the board's clock of just before."""
        self._client.upload(_PLAN, instructions, roles)
        began_us = self.begin()
        self._running = True
        self._client.start(_PLAN)
        return began_us

    def stop(self) -> None:
        """End the plan. LinkError when the board cannot be told."""
        self._client.stop()

    def permit_supply(self) -> None:
        """Have the unit's supply permitted, as a night has it. StepFailed when the board does not."""
        lease = Lease()
        self._client.hold_supply(lease)
        if lease.lost:
            raise StepFailed(f"the board does not permit the unit's supply: {of_reason(lease.reason).what}")

    def give_supply_back(self) -> None:
        """Give the unit's supply back where it is held, as far as the board can be told."""
        if self._client.lease is not None:
            with suppress(DemoError, KeyboardInterrupt):
                self._client.give_supply_back()

    def let_go(self) -> None:
        """End all that it was told to do, as far as it can be told; if not, its own silence limit ends that."""
        self.give_supply_back()
        if self._running:
            self._running = False
            with suppress(DemoError, KeyboardInterrupt):
                self._client.stop()

    def next_beat(self) -> int:
        """Wait for its next heartbeat, which says that it hears us; return its clock of that."""
        before_us = self._beat_us
        while self._beat_us == before_us:
            self._hear(self._client.poll(times.LATE_US))
        return self._beat_us

    def say_nothing(self, silent_us: int) -> None:
        """Say nothing for so long, then speak again: the plan is over, and what the board tripped for is seen."""
        self._hear(self._client.say_nothing(silent_us))
        self._running = False
        self._client.hello()
        trip = self.last_trip()[1]
        if trip is not None:
            self.seen.append(Seen(trip.at_us, state=m.G_TRIPPED, reason=trip.reason))
        self.account(whole=True)
