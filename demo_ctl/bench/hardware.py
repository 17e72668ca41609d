"""The board's electronics, simulated: what stands between the firmware and the unit.

Loop relays, the pulse generator, the ringing guard with its mirror contacts, the edge capture queue, the converter
and the two ends of the serial line. `Hardware` is the `Pins` of firmware that runs in this process; real MicroPython
sees the same through `bench.cosim`.

Everything the firmware reads is a snapshot taken when its pass begins (`begin`), in both kinds of board: a relay
moved in a pass changes what the next pass sees, never the same one. That is what makes the two boards agree byte
for byte. A relay's own time (some ms) and the flight of bytes over USB (about 1 ms) are not modelled here: contacts
move and bytes arrive at once.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from demo_ctl.bench.kernel import Handle, Kernel
from demo_ctl.board.pins import TICKS, Pins
from demo_ctl.wire.messages import (
    AUDIO_BLOCK,
    AUDIO_BLOCK_US,
    IN_BUTTON,
    IN_CHAIN_A,
    IN_CHAIN_B,
    IN_KEY,
    IN_MIRROR_A,
    IN_MIRROR_B,
)

if TYPE_CHECKING:
    from demo_ctl.bench.unit import BenchUnit

EDGES_MOST = 256  # the capture queue
AUDIO_MOST = 4  # complete blocks the converter keeps; the oldest is overwritten
SERIAL_IN_MOST = 1024  # bytes a pass can see, as a USB driver's buffer bounds it
SERIAL_OUT_MOST = 4096  # bytes that wait for the host at most
SERIAL_OUT_LOW = 512  # less space than this in a pass may have held a frame back

GUARD_PULL_US = 12_000  # first pump move to the guard's contacts closing; common practice, no source
GUARD_HOLD_US = 50_000  # last pump move to the guard's relays falling: the middle of the 40..60 ms of board.pins
GUARD_DROP_US = 8_000  # a coil whose chain channel opens falls by itself; common practice, no source

_MASK = TICKS - 1
_CHAINS = (IN_CHAIN_A, IN_CHAIN_B)
_MIRRORS = (IN_MIRROR_A, IN_MIRROR_B)


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


class Hardware(Pins):
    """Pins over a simulated unit. Times are the kernel's; ticks start at `start_ticks` when the kernel reads 0."""

    simulated = 1

    def __init__(self, kernel: Kernel, unit: BenchUnit, *, ports: int = 4, start_ticks: int = 0, boot: int = 1) -> None:
        self.now_ticks = 0
        self.kernel = kernel
        self.unit = unit
        self.ports = ports
        self.firmware_boot = boot
        self.start_ticks = start_ticks & _MASK
        self.dirty = True  # something happened that the firmware has not looked at yet
        self.seen_inputs = 0
        self.to_board = bytearray()
        self.to_host = bytearray()
        self.host_listens = True
        self._outside = IN_CHAIN_A | IN_CHAIN_B | IN_KEY | IN_BUTTON  # what people and wires set
        self._edges: deque[tuple[int, int]] = deque()
        self._lost = 0
        self._trains: dict[int, _Train] = {}
        self._pumped_us = -GUARD_HOLD_US  # last move
        self._pumping = False  # the pump stages are charged
        self._up = [False, False]  # the guard's relays
        self._feed = False
        self._listening = 0
        self._listen_from_us = 0
        self._listen_run = 0  # which listening a scheduled block belongs to
        self._blocks: deque[tuple[int, int, bytes]] = deque()
        self._read_inputs()
        self.begin()
        self.dirty = True
        unit.on_edge = self._edge

    # Between passes: what the world does.

    def begin(self) -> None:
        """Take the snapshot that one pass of the firmware sees."""
        self.dirty = False
        self.now_ticks = (self.kernel.now_us + self.start_ticks) & _MASK
        self.seen_levels = self.unit.levels()
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
        """Bytes from the host arrive."""
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
        if listens != self.host_listens:
            self.host_listens = listens
            self.dirty = True

    def power_off(self) -> None:
        """Put every output where it is without power: loops open, guard fallen, converter idle; queues empty."""
        for port in range(1, self.ports + 1):
            self.set_loop(port, 0)
        self.listen(0)
        self._pumping = False
        self._up = [False, False]
        self._set_feed()
        self._edges.clear()
        self._lost = 0
        self.to_board.clear()
        self.dirty = True

    # Test hooks: the contacts that people and wires work.

    def set_input(self, which: int, reads: bool) -> None:
        """Let inputs of `which` (IN_CHAIN_A, IN_CHAIN_B, IN_KEY, IN_BUTTON, summed) read 1 or 0 from now on."""
        which &= IN_CHAIN_A | IN_CHAIN_B | IN_KEY | IN_BUTTON
        self._outside = self._outside | which if reads else self._outside & ~which
        for channel, chain in enumerate(_CHAINS):
            if which & chain and not reads and self._up[channel]:
                self.kernel.at(self.kernel.now_us + GUARD_DROP_US, self._drop_open_chain, channel)
            elif which & chain and reads and self._pumping:
                self.kernel.at(self.kernel.now_us + GUARD_PULL_US, self._guard_pulls)
        self._read_inputs()

    @property
    def ringing_fed(self) -> bool:
        """Whether the guard's contacts let the generator through."""
        return self._feed

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
        if len(self._edges) < EDGES_MOST:
            ticks = (self.kernel.now_us + self.start_ticks) & _MASK
            self._edges.append((ticks, bit << 1 | level))
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

    def _read_inputs(self) -> None:
        # Inputs change between passes only (relays by their timers, the rest by hand), so no snapshot is needed.
        reads = self._outside
        for up, mirror in zip(self._up, _MIRRORS, strict=True):
            if not up:
                reads |= mirror  # a mirror contact is closed while its relay is down
        self.seen_inputs = reads
        self.dirty = True

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
        return (train.start_us + self.start_ticks) & _MASK

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

    # Pins: the ringing guard.

    def pump(self) -> None:
        """See Pins."""
        self._pumped_us = now = self.kernel.now_us
        if not self._pumping:
            self._pumping = True
            self.kernel.at(now + GUARD_PULL_US, self._guard_pulls)
            self.kernel.at(now + GUARD_HOLD_US, self._guard_holds)

    def _guard_pulls(self) -> None:
        for channel, chain in enumerate(_CHAINS):
            if self._pumping and self._outside & chain:
                self._up[channel] = True
        self._set_feed()

    def _guard_holds(self) -> None:
        # One timer follows the pump: asking again costs less than moving it at every move.
        falls_us = self._pumped_us + GUARD_HOLD_US
        if self._pumping and falls_us > self.kernel.now_us:
            self.kernel.at(falls_us, self._guard_holds)
        elif self._pumping:
            self._pumping = False
            self._up = [False, False]
            self._set_feed()

    def _drop_open_chain(self, channel: int) -> None:
        if not self._outside & _CHAINS[channel]:
            self._up[channel] = False
            self._set_feed()

    def _set_feed(self) -> None:
        self._read_inputs()  # the mirrors moved
        feed = self._up[0] and self._up[1]
        if feed != self._feed:
            self._feed = feed
            self.unit.set_ringing_feed(feed)

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
        self._blocks.append((first, (at_us + self.start_ticks) & _MASK, data))
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
