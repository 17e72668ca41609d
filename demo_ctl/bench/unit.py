"""The simulated demonstration unit: lines, finders, switches, ringing and tones of one `office.model.Unit`.

Events only: while nothing happens nothing is scheduled, and time may jump. `README.md` beside this file says what
is modelled and what is not.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import sqrt
from random import Random

from demo_ctl.bench.ailments import SOUND, Ailments
from demo_ctl.bench.cadence import Cadence, ailing
from demo_ctl.bench.connector import Connector
from demo_ctl.bench.finders import Allotter, Finder
from demo_ctl.bench.frame import Frame
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.lines import Line, Wave
from demo_ctl.bench.switches import Selector, Switch
from demo_ctl.bench.terminals import place_of
from demo_ctl.bench.tones import SILENCE, ToneBank
from demo_ctl.bench.truth import Truth, TruthLog
from demo_ctl.board.pins import Pins
from demo_ctl.office.model import Selector as SelectorModel
from demo_ctl.office.model import Unit
from demo_ctl.office.numbers import digit_sent

#: A terminal crossed with terminal 00 is not the same as one crossed with none.
CROSSED = 100


@dataclass(frozen=True)
class BusySpec:
    """Trunks a person has made busy: their sleeves are grounded for good.

    stage: 1 is the first selector. level: the digit that leads to it, 0 to 9. positions: 1 to 10.
    """

    stage: int
    level: int
    positions: tuple[int, ...]


def _no_edge(_bit: int, _level: int) -> None:
    """Nobody listens."""


class BenchUnit:
    """The unit as the board's electronics see it, port by port; ports count from 1."""

    def __init__(
        self,
        kernel: Kernel,
        unit: Unit,
        *,
        seed: int = 0,
        busy: Sequence[BusySpec] = (),
        ports: int = 4,
        ring_hold_us: int = Pins.ring_hold_us,
        ailments: Ailments = SOUND,
    ) -> None:
        #: Called at `kernel.now_us` with every raw edge: bit (port - 1) * 4 + signal, and its new level.
        self.on_edge: Callable[[int, int], None] = _no_edge
        self.unit = unit
        self.ports = ports
        self._kernel = kernel
        self._levels = 0
        chance = Random(f"{seed} machine")
        ringing = unit.ringing
        interrupter = Cadence((ringing.on_us, ringing.off_us))
        interrupter = Cadence((ringing.on_us, ringing.off_us), chance.randrange(max(1, interrupter.cycle_us)))
        wave = self._wave = Wave(
            ringing.frequency_Hz * ailments.scale("ringing frequency", "ringing"),
            ringing.voltage_V * ailments.scale("ringing voltage", "ringing"),
            chance.random(),
        )
        self._sound_V = wave.peak_V
        self.battery_V = unit.supply.battery_V * ailments.scale("battery", "battery")
        cam = self._cam = ailing(interrupter, ailments, "ringing")
        self._frame = Frame(kernel, unit.adjustment, unit.coils, unit.supply, seed, cam, ailments)
        self._truth = self._frame.truth = TruthLog()
        self._tones = ToneBank(unit.tones, interrupter, wave, seed, ailments)
        self._blocked = {(spec.stage, str(spec.level), position) for spec in busy for position in spec.positions}
        scheme = unit.numbering.pulses
        self._digit_at = {steps: digit_sent(steps, scheme) for steps in range(1, 11)}
        self._steps_of = {digit: steps for steps, digit in self._digit_at.items()}

        self._allotter = Allotter()
        self._lines: dict[str, Line] = {}
        self._at_port: dict[int, Line] = {}
        self._by_board: dict[int, bool] = {}  # the board's contact at each port is closed
        self._by_hand: set[Line] = set()  # whose handset is off its hook
        self._terminals: dict[str, Line] = {}
        self._groups: dict[str, list[str]] = {}
        for model in unit.lines:
            port = model.port if model.port <= ports else 0
            line = Line(self._frame, model, unit.supply, wave, ring_hold_us, port, self._sense, self._allotter.poke)
            self._lines[model.name] = line
            self._allotter.add_line(line)
            if not model.vacant:
                self._terminals.setdefault(place_of(unit, model.number), line)
            if port:
                self._at_port[port] = line
        for group in unit.connector.hunting:
            members = [place_of(unit, number) for number in group]
            self._groups[members[0]] = members[1:]

        self._switches: dict[tuple[str, int], Switch] = {}
        self._allotter.finders = [
            Finder(self._frame, number, self._allotter, self._switch("", number))
            for number in range(1, unit.finders.count + 1)
        ]

    @property
    def truth(self) -> list[Truth]:
        """Every relay, magnet and wiper change so far, the latest `truth.MOST_KEPT`. Checks never read it."""
        return self._truth

    def tell_truth(self, to: Callable[[Truth], None] | None) -> None:
        """Have `to` called with every row of the truth as it happens (None: nobody)."""
        self._truth.tell = to

    # The board's side.
    def levels(self) -> int:
        """Return all sensed levels now: bit (port - 1) * 4 + signal."""
        return self._levels

    def set_loop(self, port: int, closed: bool) -> None:
        """Close or open the board's own contact at `port`; nothing hangs on some ports."""
        line = self._at_port.get(port)
        if line is not None:
            self._by_board[port] = bool(closed)
            line.set_loop(bool(closed) or line in self._by_hand)

    def set_line_loop(self, name: str, closed: bool) -> None:
        """Lift or replace the handset on any line of the unit, by its name (KeyError if there is none).

        Current flows in a line that the handset or the board's contact closes: they stand beside each other.
        """
        line = self._lines[name]
        (self._by_hand.add if closed else self._by_hand.discard)(line)
        line.set_loop(closed or self._by_board.get(line.port, False))

    def set_ringing_feed(self, on: bool) -> None:
        """Close or open the guard's contacts in the generator's feed; they are open to begin with.

        Trip battery, which joins behind the guard, stays on a rung line either way.
        """
        self._frame.ringing_feed = bool(on)
        self._ring_again()

    @property
    def generator_V(self) -> float:
        """What the ringing generator gives now, V rms."""
        return self._wave.peak_V / sqrt(2)

    @property
    def lamp_ohm(self) -> float:
        """What limits the generator's current into a short: lamp and leads."""
        return self.unit.coils.ringing_ohm

    def on_draw(self, to: Callable[[float], None]) -> None:
        """Have `to` called with what all lines draw from the ringing bus, mA rms, whenever it has changed."""
        self._frame.on_draw = to

    def set_generator(self, factor: float) -> None:
        """Let the generator give `factor` times its own voltage."""
        fed = self._frame.ringing_feed
        backfed = [line for line in self._lines.values() if line.backfed]
        for on in (False, True):  # what rings, rings anew with the new voltage
            self.set_ringing_feed(fed and on)
            for line in backfed:
                line.set_backfeed(on)
            self._wave.peak_V = self._sound_V * factor

    def set_interrupter_stuck(self, stuck: bool) -> None:
        """Let the interrupter's contact stay closed (ringing without pause), or work again."""
        self._frame.interrupter = Cadence(()) if stuck else self._cam
        self._ring_again()

    def set_backfeed(self, port: int, on: bool) -> None:
        """Put alternating current on the line at `port` that does not come through the guard, or take it off."""
        line = self._at_port.get(port)
        if line is not None:
            line.set_backfeed(on)

    def _ring_again(self) -> None:
        for switch in list(self._switches.values()):
            if isinstance(switch, Connector) and switch.is_ringing:
                switch.apply_ringing()

    def audio_block(self, port: int, first_sample: int, start_us: int) -> bytes:
        """Return what the line at `port` carries: AUDIO_BLOCK 16-bit words, 12 bits resting at AUDIO_REST, at 8 kHz.

        The block begins `first_sample` samples after `start_us`; it must lie in the past or end now.
        """
        line = self._at_port.get(port)
        if line is None:
            return SILENCE
        return self._tones.block(line.history, port, first_sample, start_us, line.hum_V, line.crackle_V)

    # Inside.
    def _sense(self, port: int, signal: int, level: bool) -> None:
        bit = (port - 1) * 4 + signal
        mask = 1 << bit
        if bool(self._levels & mask) != level:
            self._levels ^= mask
            self.on_edge(bit, int(level))

    def _switch(self, prefix: str, number: int) -> Switch:
        """Return the switch on trunk `number` of those that `prefix` leads to; made when first used."""
        found = self._switches.get((prefix, number))
        if found is not None:
            return found
        stage = len(prefix)
        model = self.unit.train[stage]
        name = f"{model.name} {prefix}-{number}" if prefix else f"{model.name} {number}"
        on_home = self._allotter.poke if not prefix else _nothing
        made: Switch
        if isinstance(model, SelectorModel):
            ailments = self._frame.ailments

            def idle_trunk(digit: str, position: int) -> Switch | None:
                level = model.levels.get(digit)
                if level is None or position not in level.trunks:
                    return None
                part = f"trunk {stage + 1}/{digit}/{position}"
                if ailments.strikes("tests busy", part):
                    return None
                leads_to = round(ailments.amount("crossed with", part)) or position
                if leads_to not in level.trunks:
                    return None
                ahead = self._switch(prefix + digit, leads_to)
                if (stage + 1, digit, position) not in self._blocked and not ahead.taken:
                    return ahead
                return ahead if ailments.strikes("tests idle", part) else None

            made = Selector(self._frame, name, not prefix, on_home, model, self._digit_at, idle_trunk)
            made.bank = f"trunk {stage + 1}"
        else:

            def line_at(level: int, terminal: int) -> Line | None:
                digits = self._digit_at[level] + self._digit_at[terminal]
                crossed = round(self._frame.ailments.amount("crossed with", f"terminal {digits}"))
                return self._terminals.get(prefix + (f"{crossed - CROSSED:02d}" if crossed else digits))

            def group_from(level: int, terminal: int) -> list[int]:
                tens = prefix + self._digit_at[level]
                members = self._groups.get(tens + self._digit_at[terminal], [])
                ahead = [self._steps_of[member[-1]] for member in members if member[:-1] == tens]
                return sorted(steps for steps in ahead if steps > terminal)

            made = Connector(self._frame, name, not prefix, on_home, model, line_at, group_from)
            made.digit_at = self._digit_at
        self._switches[(prefix, number)] = made
        return made


def _nothing() -> None:
    """Nobody waits for this switch to come home."""
