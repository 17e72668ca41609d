"""A line: its loop, its line relay and cut-off relay, whatever feeds it, and what a board's port senses of it.

Theory of operation. A line is fed by exactly one winding, or by none while contacts change over. At rest that is
its own line relay, reached through contacts of the cut-off relay. When a finder or a connector grounds the line's
sleeve the cut-off relay operates and takes the line relay away; the switch then puts its own winding on the line.
Current flows when the loop is closed and a winding with battery is on the line; it drives that winding.

Sensing, for lines that hang on a port: LOOP is the size of the current in the telephone's direct-current path,
1 from 10 mA and 0 again from 5 mA (facts L11: our choice); NORMAL and REVERSED are the direct voltage across the
line, of a comparator too slow for ringing; RINGING is a peak detector across the line: 1 as soon as ringing
passes its threshold, and 0 `hold` after the highest point it last followed. While ringing meets a closed loop the
current passes through zero twice a cycle and raw LOOP shows it.
"""

from __future__ import annotations

from collections.abc import Callable
from math import asin, ceil, inf, pi, sin, sqrt
from typing import NamedTuple, Protocol

from demo_ctl.bench.circuit import NOTHING, Drive, LineCircuit, parallel
from demo_ctl.bench.frame import Frame
from demo_ctl.bench.kernel import Handle
from demo_ctl.office.model import Line as LineModel
from demo_ctl.office.model import Supply
from demo_ctl.wire.messages import LOOP, NORMAL, REVERSED, RINGING

ON_mA = 10.0
OFF_mA = 5.0

#: Of the ringing sense: between "absent" (10 V RMS) and "present" (40 V RMS) of facts R06.
THRESHOLD_V = 40.0

_HISTORY = 400


class Heard(NamedTuple):
    """From `at_us` on: which tone is on the line, whether current flows, whether ringing is on it."""

    at_us: int
    tone: str
    flowing: bool
    ringing: bool


class Wave:
    """The ringing generator: a sine that never stops."""

    def __init__(self, frequency_Hz: float, voltage_V: float, offset: float) -> None:
        self.peak_V = voltage_V * sqrt(2)
        self.frequency_Hz = frequency_Hz
        self.period_us = 1e6 / frequency_Hz
        self._offset = offset

    def turns(self, t_us: int) -> float:
        """Return the phase at `t_us` in whole turns, 0 to 1."""
        return (t_us / self.period_us + self._offset) % 1.0

    def after_us(self, t_us: int, turn: float) -> int:
        """Return the first whole microsecond at or after `t_us` at which the phase has reached `turn`."""
        return t_us + ceil(((turn - self.turns(t_us)) % 1.0) * self.period_us)

    def first_above_us(self, t_us: int, threshold_V: float) -> int | None:
        """Return when the voltage, either way round, is first above the threshold; None: never."""
        if self.peak_V <= threshold_V:
            return None
        edge = asin(threshold_V / self.peak_V) / (2 * pi)
        half = self.turns(t_us) % 0.5
        if edge <= half <= 0.5 - edge:
            return t_us
        return t_us + ceil(((edge - half) % 0.5) * self.period_us)

    def last_top_us(self, t_us: int, threshold_V: float) -> int:
        """Return when a peak detector was last charged, up to `t_us`.

        That is the last peak, or `t_us` itself where the wave stands above the threshold and still climbs.
        """
        edge = asin(min(1.0, threshold_V / self.peak_V)) / (2 * pi)
        half = self.turns(t_us) % 0.5
        if edge <= half <= 0.25:
            return t_us
        return t_us - round(((half - 0.25) % 0.5) * self.period_us)


class Feed(Protocol):
    """A winding with battery that can be on a line."""

    def feed(self, drive: Drive, on: bool, omega: float = 0.0, phase: float = 0.0) -> None:
        """Let a line drive the winding, now."""


class _Shared:
    """The winding of somebody else's connection: this line alone doesn't move it."""

    def feed(self, drive: Drive, on: bool, omega: float = 0.0, phase: float = 0.0) -> None:
        pass


class Line:
    """One line of the unit."""

    def __init__(
        self,
        frame: Frame,
        model: LineModel,
        supply: Supply,
        wave: Wave,
        hold_us: int,
        port: int,
        sense: Callable[[int, int, bool], None],
        marked: Callable[[], None],
    ) -> None:
        name = f"line {model.name}"
        ailments = self._ailments = frame.ailments
        battery_V = supply.battery_V * ailments.scale("battery", name)
        random = frame.random(name)
        adjustment = frame.adjustment
        self._frame = frame
        self._kernel = frame.kernel
        self._wave = wave
        self._hold_us = hold_us
        self._sense = sense
        self._marked = marked
        self.name = model.name
        self._part = name
        self.port = port
        self.place = (model.finder_level, model.finder_terminal)
        self._ringing_ohm = frame.coils.ringing_ohm
        self._omega = 2 * pi / wave.period_us
        self._circuit = LineCircuit(
            battery_V,
            supply.feed_ohm,
            model.loop_ohm + ailments.amount("loop ohm", name),
            _leak_ohm(model.leak_ohm, ailments.amount("leak mS", name)),
            model.bells,
            model.cable_nF,
        )
        self._closed = self._circuit.closed()
        self._opened = self._circuit.opened()
        self._opening = self._circuit.opening()
        self._loop_mA = self._circuit.loop_mA()
        self._carries = self._loop_mA >= ON_mA
        self._steady_mA = self._circuit.loop_mA(self._ringing_ohm)
        self._battery_V = battery_V
        spread = adjustment.line_relay
        self.line_relay = frame.line_relay(random, f"{name}/line relay", spread, spread, self._line_relay_turned)
        spread = adjustment.cut_off_relay
        self.cut_off = frame.relay(random, f"{name}/cut-off relay", spread, spread, self._cut_off_turned)
        self._on_cut: Callable[[], None] | None = None
        self.closed = False
        #: Whether ringing is on it, wherever it comes from: the connector, through the guard; or some other way.
        self.ringing = False
        self._rung = False
        self.backfed = False
        self._drawn_mA = 0.0
        self._wires_crossed = ailments.strikes("wires crossed", name)
        #: What lies under the tones through something wrong: hum and crackle, V RMS.
        self.hum_V = ailments.amount("hum V", name)
        self.crackle_V = ailments.amount("crackle V", name)
        self._feed: Feed | None = self.line_relay
        self._reversed = False
        self._loop = False
        self._crossing: Handle | None = None
        self._ring_seen: Handle | None = None
        self._ring_gone: Handle | None = None
        self._tone = ""
        self.history: list[Heard] = [Heard(frame.kernel.now_us, "", False, False)]
        self._level(REVERSED if self._wires_crossed else NORMAL, True)

    @property
    def wants_finder(self) -> bool:
        """Whether the line's terminal is marked on the finders' banks."""
        return self.line_relay.operated and not self.cut_off.energised

    @property
    def busy(self) -> bool:
        """Whether a connector finds the sleeve grounded."""
        return self.line_relay.operated or self.cut_off.energised or self.cut_off.operated

    def set_loop(self, closed: bool) -> None:
        """Lift or replace the handset, or a dial's contact."""
        if closed != self.closed:
            self.closed = closed
            self._update(opening=not closed)
            self._draw()
            if self.port and not closed and not self.ringing and self._ailments.strikes("bell taps", self._part):
                self._tap()

    def _tap(self) -> None:
        """The bell's condenser charges through an opening loop, hard enough for the bell and for the ringing sense."""
        kernel = self._kernel
        kernel.cancel(self._ring_gone)
        self._level(RINGING, True)
        self._ring_gone = kernel.at(kernel.now_us + self._hold_us, self._level, RINGING, False)

    def seize(self, on_cut: Callable[[], None]) -> None:
        """Ground the sleeve; `on_cut` is called once the line relay has been taken away."""
        self._on_cut = on_cut
        self.cut_off.drive(True)

    def free(self) -> None:
        """Take the ground off the sleeve, and every other feed off the line."""
        self._on_cut = None
        self.set_ringing(False)
        self.hear("")
        if self._feed is not self.line_relay:
            self.connect(None)
        self.cut_off.drive(False)

    def connect(self, feed: Feed | None, reversed_: bool = False) -> None:
        """Put a winding with battery on the line (None: none)."""
        before, self._feed, self._reversed = self._feed, feed, reversed_
        if before is not None and before is not feed:
            before.feed(NOTHING, False)
        self._update()

    def share(self) -> None:
        """Put the line on somebody else's connection, beside the line that is there."""
        self.connect(_Shared())

    def hear(self, tone: str) -> None:
        """Put a tone on the line, by its name in the tone plan; "" for none."""
        if tone != self._tone:
            self._tone = tone
            self._remember()

    def set_ringing(self, on: bool) -> None:
        """Put ringing on the line, on top of whatever feeds it, or take it off."""
        if on != self._rung:
            self._rung = on
            self._ring()
            self._draw()

    def set_backfeed(self, on: bool) -> None:
        """Put alternating current on the line that does not come through the guard, or take it off."""
        if on != self.backfed:
            self.backfed = on
            self._ring()

    def _ring(self) -> None:
        on = self._rung or self.backfed
        if on == self.ringing:
            return
        self.ringing = on
        kernel = self._kernel
        if self.port and on:
            seen_us = self._wave.first_above_us(kernel.now_us, THRESHOLD_V)
            if seen_us is not None:
                self._ring_seen = kernel.at(seen_us, self._ringing_seen)
        elif self.port:
            kernel.cancel(self._ring_seen)
            if self._ring_seen is None and self._wave.peak_V > THRESHOLD_V:
                gone_us = self._wave.last_top_us(kernel.now_us, THRESHOLD_V) + self._hold_us
                kernel.cancel(self._ring_gone)
                self._ring_gone = kernel.at(max(gone_us, kernel.now_us), self._level, RINGING, False)
            self._ring_seen = None
        self._update()

    def _ringing_seen(self) -> None:
        self._ring_seen = None
        self._kernel.cancel(self._ring_gone)
        self._level(RINGING, True)

    def _line_relay_turned(self, _: bool) -> None:
        self._marked()

    def _cut_off_turned(self, operated: bool) -> None:
        if not operated:
            self.connect(self.line_relay)
            return
        if self._feed is self.line_relay:
            self.connect(None)
        if self._on_cut is not None:
            self._on_cut()

    def _update(self, opening: bool = False) -> None:
        flowing = self.closed and self._feed is not None and self._carries
        if self._feed is not None:
            self._drive(self._feed, opening)
        last = self.history[-1]
        if last.flowing != flowing or last.ringing != self.ringing:
            self._remember()
        if not self.port:
            return
        self._kernel.cancel(self._crossing)
        self._crossing = None
        if flowing and self.ringing:
            self._swing()
        else:
            self._loop_level(flowing)
        turned = self._reversed != self._wires_crossed
        self._level(NORMAL, self._feed is not None and not turned)
        self._level(REVERSED, self._feed is not None and turned)

    def _drive(self, feed: Feed, opening: bool) -> None:
        """Let the line as it is now drive the winding that feeds it."""
        if self.ringing:
            drive = (self._circuit.closed if self.closed else self._circuit.opened)(
                self._ringing_ohm, self._wave.peak_V
            )
            feed.feed(drive, self.closed, self._omega, 2 * pi * self._wave.turns(self._kernel.now_us))
        elif self.closed:
            feed.feed(self._closed, True)
        else:
            feed.feed(self._opening if opening else self._opened, False)

    def _draw(self) -> None:
        """Tell what this line draws from the ringing bus now: rms, of a sine."""
        drawn_mA = 0.0
        if self._rung:
            circuit = self._circuit.closed if self.closed else self._circuit.opened
            drawn_mA = circuit(self._ringing_ohm, self._wave.peak_V).ripple_mA / sqrt(2)
        if drawn_mA != self._drawn_mA:
            self._drawn_mA = drawn_mA
            self._frame.draw(self.name, drawn_mA)

    def _swing(self) -> None:
        """Current of both kinds at once: set LOOP by its size now, and come back when that changes."""
        now_us = self._kernel.now_us
        # What a volt of the generator drives through the telephone, as a volt of battery does.
        swing_mA = self._steady_mA * self._wave.peak_V / self._battery_V if self._battery_V else 0.0
        current_mA = abs(self._steady_mA + swing_mA * sin(2 * pi * self._wave.turns(now_us)))
        bound = OFF_mA if self._loop else ON_mA
        # Half a microsecond's travel of the wave at its steepest, and a little: on the bound counts as past it.
        slack = swing_mA * 2 * pi / self._wave.period_us
        if self._loop and current_mA <= bound + slack:
            self._loop_level(False)
        elif not self._loop and current_mA >= bound - slack:
            self._loop_level(True)
        bound = OFF_mA if self._loop else ON_mA
        due = []
        for target_mA in (bound, -bound):
            part = (target_mA - self._steady_mA) / swing_mA if swing_mA else inf
            if -1 < part < 1:
                rises = asin(part) / (2 * pi)
                # Towards zero while LOOP is 1, away from zero while it is 0.
                rising = (target_mA > 0) != self._loop
                due.append(self._wave.after_us(now_us + 1, rises if rising else 0.5 - rises))
        if due:
            self._crossing = self._kernel.at(min(due), self._swing)

    def _loop_level(self, level: bool) -> None:
        self._loop = level
        self._level(LOOP, level)

    def _level(self, signal: int, level: bool) -> None:
        if self.port:
            self._sense(self.port, signal, level)

    def _remember(self) -> None:
        history = self.history
        flowing = self.closed and self._feed is not None and self._carries
        history.append(Heard(self._kernel.now_us, self._tone, flowing, self.ringing))
        if len(history) > _HISTORY:
            del history[: _HISTORY // 2]


def _leak_ohm(own_ohm: float | None, more_mS: float) -> float:
    """Return a line's leak with another beside it, by its conductance."""
    leak_ohm = inf if own_ohm is None else own_ohm
    return parallel(leak_ohm, 1000.0 / more_mS) if more_mS else leak_ohm
