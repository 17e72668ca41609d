"""The board's electronics, simulated: what stands between the firmware and the unit.

Loop relays, the pulse generator, the edge capture queue, both converters, the inputs and the two ends of the serial
line; the ringing guard itself is in `guard_circuit.py`, and what can be wrong with all of it in `board_faults.py`.
`Hardware` is the `Pins` of firmware that runs in this process; real MicroPython sees the same through `bench.cosim`.

Everything the firmware reads is a snapshot taken when its pass begins (`begin`), in both kinds of board: a relay
moved in a pass changes what the next pass sees, never the same one. That is what makes the two boards agree byte
for byte. A loop relay's own time (some ms) and the flight of bytes over USB (about 1 ms) are not modelled here:
contacts move and bytes arrive at once.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from demo_ctl.bench.board_clock import BoardClock
from demo_ctl.bench.board_faults import HARDWARE_FAULTS
from demo_ctl.bench.bus_readings import BusReadings
from demo_ctl.bench.expander import BusExpander
from demo_ctl.bench.guard_circuit import CHAINS, CHANNELS, GUARD_HOLD_US, SLOW_HOLD_US, GuardCircuit
from demo_ctl.bench.hands import Hands
from demo_ctl.bench.kernel import Handle, Kernel
from demo_ctl.bench.truth import Truth
from demo_ctl.board.chip_parts import DEAD_STEPS, ZERO_STEPS
from demo_ctl.board.pins import Pins
from demo_ctl.wire.messages import (
    AUDIO_BLOCK,
    AUDIO_BLOCK_US,
    IN_ALONE,
    IN_BUTTON,
    IN_CHAIN_A,
    IN_CHAIN_B,
    IN_COVERS,
    IN_FUSE,
    IN_KEY,
    IN_NIGHT,
    IN_RELEASE,
    IN_SMOKE,
    IN_SUPERVISORY,
    RINGING,
)

if TYPE_CHECKING:
    from demo_ctl.bench.unit import BenchUnit

EDGES_MOST = 256  # the capture queue
AUDIO_MOST = 4  # complete blocks the converter keeps; the oldest is overwritten
SERIAL_IN_MOST = 1024  # bytes a pass can see, as a USB driver's buffer bounds it
SERIAL_OUT_MOST = 4096  # bytes that wait for the host at most
SERIAL_OUT_LOW = 512  # less space than this in a pass may have held a frame back

LAMPS_MOST = 7  # as the expander has lines for them
BOARD_NUMBER = 0x4D6F7373 << 32  # and the seed below it: differs from board to board
CLOCK_FAST = 10  # times
CLOCK_JUMP_US = 1 << 20  # one bit turned over
HIGH_GENERATOR = 1.3  # times its voltage
LOW_GENERATOR = 0.6
HIGH_BATTERY_V = 58.0  # a charger that runs away; common practice, no source
LOW_BATTERY_V = 41.0  # 1.71 V a cell of 24: run down; common practice, no source
# The converter's reference, as a fraction of what it should be: the most that its live zero lets pass; and far more.
DRIFTS = {
    "converter-reads-low": (DEAD_STEPS, ZERO_STEPS),
    "converter-reads-far-too-low": (8, 10),
    "converter-reads-too-high": (12, 10),
}

EXPANDED = IN_NIGHT | IN_COVERS | IN_ALONE | IN_FUSE | IN_RELEASE | IN_SUPERVISORY | IN_SMOKE  # by the bus expander
OUTSIDE = IN_CHAIN_A | IN_CHAIN_B | IN_KEY | IN_BUTTON | EXPANDED  # all that people, alarms and wires work
_EXPANDER_GONE = {"expander-frozen", "expander-dead"}
_CHAIN_BITS = IN_CHAIN_A | IN_CHAIN_B
_RINGING_BITS = sum(1 << port * 4 + RINGING for port in range(16))


class _Train:
    """One pulse train under way: instants are computed from its start, so nothing adds up."""

    __slots__ = ("break_us", "count", "done", "handle", "make_us", "start_us")

    def __init__(self, start_us: int, count: int, break_us: int, make_us: int) -> None:
        self.start_us = start_us
        self.count = count
        self.break_us = break_us
        self.make_us = make_us
        self.done = 0  # pulses whose break has ended
        self.handle: Handle | None = None


class Hardware(Hands, Pins):
    """Pins over a simulated unit. Times are the kernel's; the board's clock reads `start_ticks` to begin with."""

    def __init__(
        self,
        kernel: Kernel,
        unit: BenchUnit,
        *,
        ports: int = 4,
        start_ticks: int = 0,
        boot: int = 1,
        board: int = BOARD_NUMBER,
        proven: bool = True,
        lamp_count: int = LAMPS_MOST,
    ) -> None:
        self.simulated = 1 if proven else 2
        self.now_ticks = 0
        self.kernel = kernel
        self.unit = unit
        self.ports = ports
        self.firmware_boot = boot
        self.board = board
        self.lamp_count = lamp_count
        self.lit = 0  # lamps that are: bit 0 is lamp 1
        self.clock = BoardClock(kernel.now_us, start_ticks)
        self.dirty = True  # something happened that the firmware has not looked at yet
        self.seen_inputs = 0
        self.to_board = bytearray()
        self.to_host = bytearray()
        self.host_listens = True
        self.broken: set[str] = set()  # names of faults
        self.runs = True  # the board has power and its loop goes round
        self.boots = False  # the board came back from no power: the world starts it anew
        self.cut = False  # the cable is
        self._host_opened = True  # what the host's side says, whatever the cable does
        self._edges: deque[tuple[int, int]] = deque()
        self._lost = 0
        self._trains: dict[int, _Train] = {}
        self._outside = OUTSIDE & ~IN_NIGHT  # what people and alarms set, the chain's contacts apart: key at day
        self._stuck = 0  # inputs that a fault holds at 1
        self._cut_off = 0  # and at 0
        self._expander = BusExpander(kernel, self._read_inputs)
        self.guard = GuardCircuit(kernel, self._guard_changed)
        self._feed = False
        self._drawn_mA = 0.0
        self._bus = BusReadings(kernel.now_us, unit.generator_V, unit.battery_V)
        self._deaf = 0  # bits of sensed levels that read 0, whatever happens
        self._backfed = 0  # the port whose line has that fault
        self._backfeeds = False  # and the generator is there to feed it
        self._memory_low = False
        self._listening = 0
        self._listen_from_us = 0
        self._listen_run = 0  # which listening a scheduled block belongs to
        self._blocks: deque[tuple[int, int, bytes]] = deque()
        self._read_inputs()
        self.begin()
        self.dirty = True
        unit.on_edge = self._edge
        unit.on_draw(self._draws)

    # Between passes: what the world does.

    def begin(self) -> None:
        """Take the snapshot that one pass of the firmware sees."""
        self.dirty = False
        self.now_ticks = self.clock.ticks(self.kernel.now_us)
        self.seen_levels = self.unit.levels() & ~self._deaf
        waiting = len(self.to_board)
        self.seen_bytes = waiting if waiting < SERIAL_IN_MOST else SERIAL_IN_MOST
        self.seen_space = SERIAL_OUT_MOST - len(self.to_host) if self.host_listens else 0
        self.seen_edges = len(self._edges)
        self.seen_lost = self._lost
        self.seen_blocks = 1 if self._blocks else 0
        self._things = self.seen_bytes + self.seen_edges + self.seen_blocks

    def end(self) -> None:
        """Finish a pass. What is left over is looked at again at once, if the pass took anything at all."""
        if not self._things:
            return
        took = self._things != self.seen_bytes + self.seen_edges + self.seen_blocks
        if took and (self.to_board or self._edges or self._blocks):
            self.dirty = True

    def host_writes(self, data: bytes) -> None:
        """Bytes from the host arrive, if there is a host, a cable, and a board to take them."""
        if self.cut or "host-killed" in self.broken or "board-dead" in self.broken:
            return
        self.to_board += data
        self.dirty = True

    def host_takes(self, most: int) -> bytes:
        """Hand the host up to `most` of the bytes that wait for it."""
        if len(self.to_host) > SERIAL_OUT_MOST - SERIAL_OUT_LOW:
            self.dirty = True  # there was no room for a frame, now there is
        data = bytes(self.to_host[:most])
        del self.to_host[:most]
        return data

    def set_listening(self, listens: bool) -> None:
        """Say whether a host has the port open (DTR)."""
        self._host_opened = listens
        listens = listens and not self.cut and "host-killed" not in self.broken
        if listens != self.host_listens:
            self.host_listens = listens
            self.dirty = True

    def power_off(self) -> None:
        """Put every output where it is without power: loops open, pumps still, converter idle; queues empty.

        The pumps' stages hold the guard's relays for as long as they always do.
        """
        for port in range(1, self.ports + 1):
            self.set_loop(port, 0)
        self.listen(0)
        self.lamps(0)  # the chip's expander is told as its board boots, a moment later
        self._edges.clear()
        self._lost = 0
        self.to_board.clear()
        self.dirty = True

    # The contacts that people, alarms and wires work (see also Hands).

    def set_input(self, which: int, reads: bool) -> None:
        """Let inputs of `which` (of OUTSIDE, summed) read 1 or 0 from now on, as far as other contacts let them.

        A chain channel is a contact of its own here, in series with those of key, covers and stop.
        """
        for channel, chain in zip(self.guard.channels, CHAINS, strict=True):
            if which & chain:
                channel.work("another contact", reads)
        which &= OUTSIDE & ~_CHAIN_BITS
        self._outside = self._outside | which if reads else self._outside & ~which
        self._read_inputs()

    @property
    def ringing_fed(self) -> bool:
        """Whether generator voltage gets through to the ringing bus."""
        return self._feed

    @property
    def ringing_out(self) -> bool:
        """Whether generator voltage gets to the ringing bus, or to any line by another way."""
        return self._feed or self._backfeeds

    def metered_V(self) -> tuple[float, float]:
        """What a sound meter reads at the test terminals: generator (rms, behind its isolator) and battery, V."""
        return (self.unit.generator_V if self.guard.isolator.closed else 0.0), self._bus.battery_V

    @property
    def permit_held(self) -> bool:
        """Whether the supply permit holds the contactor in the unit's battery feed."""
        return self.guard.permit_held

    # Faults.

    def break_part(self, name: str, *, port: int = 1) -> None:
        """Make a fault of HARDWARE_FAULTS (KeyError: there is no such). port: whose line has it, where a line has."""
        fault = HARDWARE_FAULTS[name]
        if name in self.broken:
            return
        if not fault.event:
            self.broken.add(name)
        if name == "backfeed":
            self._backfed = port
        elif name == "expander-frozen":
            self._expander.freeze(self._contacts() & EXPANDED)
        elif name == "expander-dead":
            self._expander.die()
        elif name == "expander-missed" and not _EXPANDER_GONE & self.broken:
            self._expander.mend()
        elif name == "clock-jumped":
            self.clock.jump(self.kernel.now_us, CLOCK_JUMP_US)
        elif name == "brown-out":
            self.boots = True
        elif name == "board-dead":
            self.power_off()
            self.to_host.clear()
        elif name in ("cable-cut", "host-killed"):
            self.to_host.clear()
        self._settle(name)

    def mend_part(self, name: str) -> None:
        """Undo a fault (KeyError: there is no such). What the board made of it stays."""
        HARDWARE_FAULTS[name]
        if name not in self.broken:
            return
        self.broken.remove(name)
        if name in _EXPANDER_GONE and not _EXPANDER_GONE & self.broken:
            self._expander.mend()
        elif name == "board-dead":
            self.boots = True
        self._settle(name)

    def _settle(self, name: str) -> None:
        """Let every part be as the faults there are make it; only what `name` may have changed, if that is costly."""
        broken, now_us, guard = self.broken, self.kernel.now_us, self.guard
        self._stuck = self._cut_off = 0
        for fault in (HARDWARE_FAULTS[each] for each in broken):
            if fault.at:
                self._stuck |= fault.holds
            else:
                self._cut_off |= fault.holds
        for letter, channel in zip(CHANNELS, guard.channels, strict=True):
            channel.chain_welded = f"chain-{letter}-welded" in broken
            channel.chain_broken = f"chain-{letter}-broken" in broken
            channel.welded = f"relay-{letter}-welded" in broken
            channel.bridged = f"contact-{letter}-bridged" in broken
            channel.dead = f"relay-{letter}-dead" in broken
            channel.bypassed = f"pump-{letter}-bypassed" in broken
            channel.stage.stuck = bool({f"pump-{letter}-stuck-high", f"pump-{letter}-stuck-low"} & broken)
            stuck, open_ = f"mirror-{letter}-stuck-closed" in broken, f"mirror-{letter}-broken" in broken
            channel.mirror_stuck = False if open_ else True if stuck else None
        guard.a.stage.hold_us = SLOW_HOLD_US if "pump-slow-decay" in broken else GUARD_HOLD_US
        guard.bypassed = "guard-bypassed" in broken
        guard.isolator.welded = "isolator-welded" in broken
        guard.isolator.dead = "isolator-dead" in broken
        guard.follower.welded = "follower-welded" in broken
        guard.follower.dead = "follower-dead" in broken
        guard.permit_welded = "permit-welded" in broken
        guard.permit_dead = "permit-dead" in broken
        guard.permit_bypassed = "permit-pump-bypassed" in broken
        guard.permit_stage.stuck = "permit-pump-stuck" in broken
        for channel in guard.channels:
            channel.settle()
        self._deaf = _RINGING_BITS if "ringing-sense-dead" in broken else 0
        low_V = LOW_BATTERY_V if "battery-low" in broken else self.unit.battery_V
        self._bus.set_battery(HIGH_BATTERY_V if "battery-high" in broken else low_V)
        self._bus.drift(now_us, next((drift for each, drift in DRIFTS.items() if each in broken), (1, 1)))
        self._bus.stick(now_us, "bus-sense-stuck" in broken, "bus-sense-dead" in broken)
        if name.startswith("generator"):
            high = HIGH_GENERATOR if "generator-high" in broken else 1.0
            gives = LOW_GENERATOR if "generator-low" in broken else high
            self.unit.set_generator(0.0 if "generator-dead" in broken else gives)
        elif name == "interrupter-stuck":
            self.unit.set_interrupter_stuck(name in broken)
        elif name == "ringing-sense-dead":
            self._hear_again()
        elif name.startswith("clock"):
            fast = CLOCK_FAST if "clock-fast" in broken else 1
            self.clock.set_rate(now_us, 0 if "clock-stopped" in broken else fast)
        self._memory_low = "memory-low" in broken
        self.cut = "cable-cut" in broken
        self.set_listening(self._host_opened)
        self.runs = not {"loop-hung", "board-dead"} & broken
        self._set_feed()
        self._read_inputs()

    def _hear_again(self) -> None:
        """Ringing senses fell dead, or work again: what they read jumps there."""
        ringing = self.unit.levels() & _RINGING_BITS
        for bit in range(4 * self.ports):
            if ringing >> bit & 1:
                self._capture(bit, 0 if self._deaf else 1)

    # Pins: clock and serial line.

    def ticks_us(self) -> int:
        """See Pins."""
        return self.now_ticks

    def read_bytes(self, most: int) -> bytes:
        """See Pins."""
        count = min(most, self.seen_bytes)
        if not count:
            return b""
        data = bytes(self.to_board[:count])
        del self.to_board[:count]
        self.seen_bytes -= count
        return data

    def write_space(self) -> int:
        """See Pins."""
        return self.seen_space

    def write_bytes(self, data: bytes) -> None:
        """See Pins."""
        if len(data) > self.seen_space:
            raise ValueError(f"{len(data)} bytes written into space for {self.seen_space}")
        self.seen_space -= len(data)
        self.to_host += data

    # Pins: sensing.

    def _edge(self, bit: int, level: int) -> None:
        if not self._deaf >> bit & 1:
            self._capture(bit, level)

    def _capture(self, bit: int, level: int) -> None:
        if "board-dead" in self.broken:
            return
        if len(self._edges) < EDGES_MOST:
            self._edges.append((self.clock.ticks(self.kernel.now_us), bit << 1 | level))
        else:
            self._lost += 1
        self.dirty = True

    def next_edge(self) -> tuple[int, int] | None:
        """See Pins."""
        if not self.seen_edges:
            return None
        self.seen_edges -= 1
        return self._edges.popleft()

    def peek_edges(self) -> list[tuple[int, int]]:
        """Return the edges that this pass can see, without taking them."""
        return [self._edges[i] for i in range(self.seen_edges)]

    def edges_lost(self) -> int:
        """See Pins."""
        lost = self.seen_lost
        self._lost -= lost
        self.seen_lost = 0
        return lost

    def levels(self) -> int:
        """See Pins."""
        return self.seen_levels

    def inputs(self) -> int:
        """See Pins."""
        return self.seen_inputs

    def _contacts(self) -> int:
        """What comes in from contacts, relays and their wires."""
        reads = self._outside & ~_CHAIN_BITS | self.guard.inputs()
        return (reads | self._stuck) & ~self._cut_off

    def _read_inputs(self) -> None:
        # Inputs change between passes only (relays by their timers, the rest by hand), so no snapshot is needed.
        reads = self._contacts()
        self.seen_inputs = reads & ~EXPANDED | self._expander.reads(reads & EXPANDED)
        self.dirty = True

    def bus(self) -> tuple[int, int, int, int, int]:
        """See Pins."""
        return self._bus.newest(self.kernel.now_us)

    def memory_low(self) -> bool:
        """See Pins."""
        return self._memory_low

    # Pins: loops and pulses.

    def set_loop(self, port: int, closed: int) -> None:
        """See Pins."""
        self._stop_train(port)
        self.unit.set_loop(port, bool(closed))

    def start_pulses(self, port: int, count: int, break_us: int, make_us: int) -> int:
        """See Pins."""
        self._stop_train(port)
        train = self._trains[port] = _Train(self.kernel.now_us, count, break_us, make_us)
        self.unit.set_loop(port, False)
        train.handle = self.kernel.at(train.start_us + break_us, self._make, port, train)
        return self.clock.ticks(train.start_us)

    def _stop_train(self, port: int) -> None:
        train = self._trains.pop(port, None)
        if train:
            self.kernel.cancel(train.handle)

    def _make(self, port: int, train: _Train) -> None:
        train.done += 1
        if train.done < train.count:
            train.handle = self.kernel.at(
                train.start_us + train.done * (train.break_us + train.make_us), self._break, port, train
            )
        else:
            del self._trains[port]  # the last make lasts
        self.unit.set_loop(port, True)

    def _break(self, port: int, train: _Train) -> None:
        train.handle = self.kernel.at(self.kernel.now_us + train.break_us, self._make, port, train)
        self.unit.set_loop(port, False)

    # Pins: the ringing guard and the supply permit.

    def pump(self) -> None:
        """See Pins."""
        self.guard.pump()

    def permit(self) -> None:
        """See Pins."""
        self.guard.permit()

    def _guard_changed(self) -> None:
        self._read_inputs()
        self._set_feed()

    def _draws(self, current_mA: float) -> None:
        self._drawn_mA = current_mA
        self._tell_bus()

    def _set_feed(self) -> None:
        closed = self.guard.closed
        feed = closed and "bus-short" not in self.broken  # a short leaves no voltage for anybody
        if feed != self._feed:
            self._feed = feed
            self.unit.set_ringing_feed(feed)
        backfeeds = "backfeed" in self.broken and self.guard.isolator.closed
        if backfeeds != self._backfeeds:
            self._backfeeds = backfeeds
            self.unit.set_backfeed(self._backfed, backfeeds)
        self._tell_bus()

    def _tell_bus(self) -> None:
        """What the converter is given: the supply between isolator and lamp, bus and current behind the guard."""
        supply_V = self.unit.generator_V if self.guard.isolator.closed else 0.0
        bus_V = supply_V if self._feed else 0.0
        bus_mA = self._drawn_mA
        if self.guard.closed and not self._feed:
            bus_mA = 1000.0 * supply_V / self.unit.lamp_ohm
        self._bus.change(self.kernel.now_us, bus_V, bus_mA, supply_V)

    # Pins: lamps.

    def lamps(self, mask: int) -> None:
        """See Pins. The bench's lamps follow at once."""
        changed, self.lit = self.lit ^ mask, mask
        for lamp in range(self.lamp_count):
            if changed >> lamp & 1:
                self.unit.truth.append(Truth(self.kernel.now_us, f"lamp {lamp + 1}/lit", mask >> lamp & 1))

    # Pins: listening.

    def listen(self, port: int) -> None:
        """See Pins."""
        self._listening = port
        self._listen_run += 1
        self._blocks.clear()
        self.seen_blocks = 0
        if port:
            self._listen_from_us = self.kernel.now_us
            self.kernel.at(self._listen_from_us + AUDIO_BLOCK_US, self._block, self._listen_run, 0)

    def _block(self, run: int, first: int) -> None:
        if run != self._listen_run:
            return
        at_us = self.kernel.now_us - AUDIO_BLOCK_US
        data = self.unit.audio_block(self._listening, first, self._listen_from_us)
        if len(self._blocks) == AUDIO_MOST:
            self._blocks.popleft()
        self._blocks.append((first, self.clock.ticks(at_us), data))
        self.kernel.at(self.kernel.now_us + AUDIO_BLOCK_US, self._block, run, first + AUDIO_BLOCK)
        self.dirty = True

    def audio_block(self) -> tuple[int, int, bytes] | None:
        """See Pins."""
        if not self.seen_blocks:
            return None
        self.seen_blocks = 0
        return self._blocks.popleft()

    def peek_block(self) -> tuple[int, int, bytes] | None:
        """Return the block that this pass can see, without taking it."""
        return self._blocks[0] if self.seen_blocks else None

    def collect(self) -> None:
        """Nothing to do: this process collects by itself."""
