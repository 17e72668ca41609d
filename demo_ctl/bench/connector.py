"""The connector: tens and units by the dial, busy test, ringing, trip, the two feeds, reversal.

Theory of operation. The first digit's pulses lift the shaft, and the connector then waits: it does not hunt. The
second digit's pulses turn it, one terminal a pulse. When C has fallen the second time the test relay looks at the
called sleeve. Grounded: busy tone (or, where a group of numbers is listed and its first was dialled, one step on,
along the same level, to the next of the group). Idle: the sleeve is grounded, the called line loses its line relay,
and the ringing circuit is put on the line: ringing from the interrupter, and battery all the time, through F. F is
slow; it operates on the direct current of an answered line, sooner in the silent part than while ringing, and locks:
what was tripped is not rung again in this call. F puts the line on D, the called side's own feed. D up reverses the
calling line's battery, D down turns it back; A and B go on holding the train, so the called party's clearing
releases nothing (facts T13-T20).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from enum import Enum

from demo_ctl.bench.coils import operate_wait_us
from demo_ctl.bench.frame import Frame
from demo_ctl.bench.kernel import Handle
from demo_ctl.bench.lines import Line
from demo_ctl.bench.relays import adjusted
from demo_ctl.bench.switches import TOP, Switch
from demo_ctl.office.model import Connector as ConnectorModel
from demo_ctl.office.model import Spread


class Stage(Enum):
    """How far a connector has come."""

    TENS = 1
    UNITS = 2
    TEST = 3
    TONE = 4
    SEIZING = 5
    RINGING = 6
    ANSWERED = 7


class Connector(Switch):
    """Vertical by one digit, rotary by the next."""

    def __init__(
        self,
        frame: Frame,
        name: str,
        first: bool,
        on_home: Callable[[], None],
        model: ConnectorModel,
        line_at: Callable[[int, int], Line | None],
        group_from: Callable[[int, int], Sequence[int]],
    ) -> None:
        super().__init__(frame, name, first, on_home)
        times, random = frame.adjustment, self._random
        self._model = model
        self._line_at = line_at
        self._group_from = group_from
        self.test = frame.relay(random, f"{name}/cut-through", times.a_operate, times.a_release, self._test_turned)
        # The file's least is the quickest in silence, its most the slowest while it rings, on the reference line.
        trip = times.ring_trip
        in_silence = Spread.model_construct(
            typical_us=(trip.least_us + trip.typical_us) // 2,
            least_us=trip.least_us,
            most_us=max(trip.least_us, min(trip.typical_us, round(trip.most_us / self._slower_in_ringing()))),
        )
        self.f = frame.line_relay(random, f"{name}/F", in_silence, times.a_release, self._f_turned, slug=True)
        self.d = frame.line_relay(random, f"{name}/D", times.a_operate, times.a_release, self._d_turned)
        self._reversal_us = adjusted(random, times.reversal)
        # Contacts in flight must not let A fall.
        self._flight_us = min(frame.coils.flight_us, times.a_release.least_us // 2)
        self.called: Line | None = None
        #: Levels and terminals by the digits that lead to them.
        self.digit_at: Mapping[int, str] = {}
        self._stage = Stage.TENS
        self._group: list[int] = []
        self._bell_works = True
        #: What the caller's side will do next: turn its battery round.
        self._turning: Handle | None = None
        #: A ringing that will be tripped by nobody.
        self._pre_trip: Handle | None = None

    def _slower_in_ringing(self) -> float:
        """How much longer the trip relay takes while it rings, when it's quick: on the reference line."""
        coils, reference = self._frame.coils, self._frame.reference
        operate_mA = coils.line_operate_mA
        silent_mA, noisy_mA = (
            max(reference.closed(ohm).final_mA, 1.05 * operate_mA) for ohm in (0.0, coils.ringing_ohm)
        )
        return operate_wait_us(1.0, operate_mA / noisy_mA) / operate_wait_us(1.0, operate_mA / silent_mA)

    @property
    def is_ringing(self) -> bool:
        """Whether the ringing circuit is on a line."""
        return self._stage is Stage.RINGING

    # Digits.
    def _pulse(self) -> bool:
        if self._stage is Stage.TENS:
            self.vertical_magnet.drive(True)
        elif self._stage is Stage.UNITS:
            self.rotary_magnet.drive(True)
        else:
            return False
        return True

    def _pulse_ended(self) -> None:
        self.vertical_magnet.drive(False)
        self.rotary_magnet.drive(False)

    def _digit_ended(self) -> None:
        if self._stage is Stage.TENS and self.level:
            self._stage = Stage.UNITS
        elif self._stage is Stage.UNITS and self.terminal:
            self._stage = Stage.TEST
            if self.terminal < TOP and self._ailments.strikes("turns too far", self.name):
                self._turn()
            self._group = list(self._group_from(self.level, self.terminal))
            self.test.drive(True)

    # Busy test and hunting over a group.
    def _test_turned(self, operated: bool) -> None:
        if operated and self.line is not None:
            self._look()

    def _look(self) -> None:
        self._work = None
        called = self._line_at(self.level, self.terminal)
        terminal = f"terminal {self.digit_at.get(self.level, '')}{self.digit_at.get(self.terminal, '')}"
        if called is None:
            vacant = {"vacant tone": "vacant", "busy tone": "busy", "silence": ""}[self._model.vacant]
            self._give(vacant)
        elif self._ailments.strikes("tests busy", terminal):
            self._give("busy")
        elif not called.busy and not called.closed:
            self._stage = Stage.SEIZING
            self.called = called
            called.seize(self._called_cut)
        elif self._ailments.strikes("tests idle", terminal):
            self._intrude()
        elif self._group and not self._ailments.strikes("doesn't hunt", self.name):
            self._hunt()
        else:
            self._give("busy")

    def _intrude(self) -> None:
        """Come upon a line in use: its closed loop trips the ringing at once, and answers.

        The connection that has the line keeps it: this model disturbs nobody else's call.
        """
        self._stage = Stage.ANSWERED
        self._d_turned(True)

    def _hunted(self) -> None:
        if self.terminal == self._group[0]:
            self._group.pop(0)
            self._look()
        else:
            self._hunt()

    def _give(self, tone: str) -> None:
        self._stage = Stage.TONE
        if self.line is not None:
            self.line.hear(tone)

    # The called side.
    def _called_cut(self) -> None:
        self._work = self._kernel.at(self._kernel.now_us + self._transfer_us(None), self._ring)

    def _ring(self) -> None:
        self._work = None
        assert self.called is not None
        self._stage = Stage.RINGING
        self._bell_works = not self._ailments.strikes("rings nobody", self.name)
        self._frame.note(f"{self.name}/ringing", 1)
        if self.line is not None:
            self.line.hear("ringback")
        self.apply_ringing()
        self.called.connect(self.f)
        after_us = round(self._ailments.amount("trips by itself after us", self.name))
        if after_us:
            self._pre_trip = self._kernel.at(self._kernel.now_us + after_us, self._f_turned, True)
        if self._ailments.strikes("answers by itself", self.name):
            self._d_turned(True)

    def apply_ringing(self) -> None:
        """Put the generator on the called line, or take it off, as interrupter and guard say now."""
        if self._stage is not Stage.RINGING or self.called is None:
            return
        kernel, frame = self._kernel, self._frame
        self.called.set_ringing(frame.ringing_feed and self._bell_works and frame.interrupter.on_at(kernel.now_us))
        kernel.cancel(self._work)
        change_us = frame.interrupter.next_change_us(kernel.now_us)
        self._work = None if change_us is None else kernel.at(change_us, self.apply_ringing)

    def _f_turned(self, operated: bool) -> None:
        called = self.called
        if not operated or called is None or self._stage is not Stage.RINGING:
            return
        self.f.locked = True
        self._stop_ringing()
        self._stage = Stage.ANSWERED
        if self.line is not None:
            self.line.hear("")
        called.connect(None)
        self._work = self._kernel.at(self._kernel.now_us + self._transfer_us(None), called.connect, self.d)

    def _stop_ringing(self) -> None:
        self._kernel.cancel(self._pre_trip)
        self._pre_trip = None
        if self._stage is Stage.RINGING:
            self._frame.note(f"{self.name}/ringing", 0)
            self._kernel.cancel(self._work)
            self._work = None
        if self.called is not None:
            self.called.set_ringing(False)

    def _d_turned(self, operated: bool) -> None:
        if self.line is None or (operated and self._ailments.strikes("no reversal", self.name)):
            return
        self._kernel.cancel(self._turning)
        turn_us = round(self._reversal_us(None) * self._ailments.scale("reversal", self.name))
        self._turning = self._kernel.at(self._kernel.now_us + turn_us, self._open_to_turn, operated)

    def _open_to_turn(self, reversed_: bool) -> None:
        if self.line is not None:
            self.line.connect(None)
            self._turning = self._kernel.at(self._kernel.now_us + self._flight_us, self._turned, reversed_)

    def _turned(self, reversed_: bool) -> None:
        self._turning = None
        if self.line is not None:
            self.line.connect(self.a, reversed_)

    # Release.
    def _let_go(self) -> None:
        self._kernel.cancel(self._turning)
        self._turning = None
        self._stop_ringing()
        called, self.called = self.called, None
        self.test.drive(False)
        self.f.locked = False
        if called is not None:
            called.free()
        self.f.drive(False)
        self.d.drive(False)

    def _ready(self) -> None:
        self._stage = Stage.TENS
        self._group = []
