"""The ringing guard's hardware, simulated: chain, isolator, pump stages, relays with their mirrors; the supply permit.

    chain supply -- chain channel's contacts -- coil -- pump stage        (twice, nothing in common but the contacts'
    end of channel A -- follower's contact -- isolator's coil              actuators: key, covers, stop)
    end of channel B -- follower's coil
    generator -- isolator -- lamp -- relay A's contact -- relay B's contact -- bus

Theory of operation. A pump stage is coupled by a condenser: it takes a packet of charge from a move of its pin, and its
reservoir holds the coil for some 50 ms. A pin that stands still gives nothing, whether it stands high or low. A move
too soon after the one before finds the coupling condenser not yet recharged; one that comes too late is refused by the
stage's own time constant. Either way it counts for nothing, but the next move is measured from it. So the first move
after a rest does nothing by itself, and a loop that runs wild or crawls drops the relays.

A relay's mirror contact is force-guided: it is closed only while the relay's main contact is open, welds included.

The isolating contactor stands at the generator itself. Its coil hangs on channel A, through a contact of a small relay
that follows channel B: no stage and no board is in that circuit. So a chain that opens takes the generator away from
everything that lies behind, whatever became of the guard's contacts.

Everything happens by contacts and time; the board is asked nothing.
"""

from __future__ import annotations

from collections.abc import Callable

from demo_ctl.bench.kernel import Handle, Kernel
from demo_ctl.wire.messages import IN_CHAIN_A, IN_CHAIN_B, IN_MIRROR_A, IN_MIRROR_B

# The stages: 40..60 ms hold, refused gaps, as board.pins says; nominal in the middle (a choice of our own).
PUMP_LEAST_US = 3_000
PUMP_MOST_US = 40_000
GUARD_HOLD_US = 50_000  # last good move to the relay falling: the reservoir runs down through the coil's release value
SLOW_HOLD_US = 180_000  # and with a condenser that has drifted
GUARD_PULL_US = 12_000  # coil fed to contact closing; common practice, no source
GUARD_DROP_US = 8_000  # a coil whose chain channel opens: contact open; common practice, no source
# The isolating contactor and the small relay that follows channel B; all common practice, no source.
ISOLATOR_PULL_US = 20_000
ISOLATOR_DROP_US = 15_000
FOLLOWER_PULL_US = GUARD_PULL_US
FOLLOWER_DROP_US = GUARD_DROP_US

CHAINS = (IN_CHAIN_A, IN_CHAIN_B)
MIRRORS = (IN_MIRROR_A, IN_MIRROR_B)
CHANNELS = "ab"

_LONG_AGO_US = -(1 << 60)


class PumpStage:
    """One stage: `charged` while it can hold its coil. `stuck`: the pin that moves it stands still."""

    def __init__(self, kernel: Kernel, changed: Callable[[], None]) -> None:
        self.hold_us = GUARD_HOLD_US
        self.stuck = False
        self.charged = False
        self._kernel = kernel
        self._changed = changed
        self._moved_us = _LONG_AGO_US
        self._good_us = _LONG_AGO_US

    def move(self) -> None:
        """The board's pin moves."""
        if self.stuck:
            return
        now_us = self._kernel.now_us
        gap_us = now_us - self._moved_us
        self._moved_us = now_us
        if PUMP_LEAST_US <= gap_us <= PUMP_MOST_US:
            self._good_us = now_us
            if not self.charged:
                self.charged = True
                self._kernel.at(now_us + self.hold_us, self._look)
                self._changed()

    def _look(self) -> None:
        # One timer follows the moves: looking again costs less than moving it at every move.
        empty_us = self._good_us + self.hold_us
        if empty_us > self._kernel.now_us:
            self._kernel.at(empty_us, self._look)
        else:
            self.charged = False
            self._changed()


class Channel:
    """One relay of the guard, with its chain channel and its stage."""

    def __init__(self, kernel: Kernel, changed: Callable[[], None]) -> None:
        self._kernel = kernel
        self._changed = changed
        self.stage = PumpStage(kernel, self._stage_changed)
        self.up = False
        self.welded = False
        self.bridged = False  # its main contact, by a wire: no mirror shows that
        self.dead = False
        self.bypassed = False
        self.chain_welded = False
        self.chain_broken = False
        self.mirror_stuck: bool | None = None  # what it reads, whatever the relay does
        self._open: set[str] = set()  # contacts of the chain that are open
        self._button = False
        self._moving: Handle | None = None
        self._moves_up = False

    @property
    def chain(self) -> bool:
        """Whether this channel of the chain is complete, as the board reads it and as it feeds the coil."""
        return not self.chain_broken and (self.chain_welded or not self._open)

    @property
    def mirror(self) -> bool:
        """Whether the mirror contact is closed."""
        return not self.up if self.mirror_stuck is None else self.mirror_stuck

    @property
    def conducts(self) -> bool:
        """Whether the generator gets past this relay's main contact."""
        return self.up or self.bridged

    def work(self, contact: str, closed: bool) -> None:
        """Open or close one of the contacts in series in the chain channel."""
        if closed:
            self._open.discard(contact)
        else:
            self._open.add(contact)
        self.settle()

    def press_button(self, pressed: bool) -> None:
        """Press the test button, which bridges the pump stage and nothing else, or let it go."""
        self._button = pressed
        self.settle()

    def _stage_changed(self) -> None:
        self.settle(0)  # the hold is counted until the contact opens

    def settle(self, drop_us: int = GUARD_DROP_US) -> None:
        """Look at everything that holds or drops the relay, and let it move."""
        kernel = self._kernel
        if self.welded:
            self._stay(True)
            self._changed()
            return
        held = self.chain and (self.stage.charged or self.bypassed or self._button) and not self.dead
        if held == self.up or not (held or drop_us):
            self._stay(held)
        elif self._moving is None or self._moves_up != held:
            kernel.cancel(self._moving)
            self._moves_up = held
            self._moving = kernel.at(kernel.now_us + (GUARD_PULL_US if held else drop_us), self._moved, held)
        self._changed()

    def _stay(self, up: bool) -> None:
        self._kernel.cancel(self._moving)
        self._moving = None
        self.up = up

    def _moved(self, up: bool) -> None:
        self._moving = None
        self.up = up
        self._changed()


class Contactor:
    """A relay that only follows its coil. `welded`: stays closed; `dead`: never pulls."""

    def __init__(self, kernel: Kernel, pull_us: int, drop_us: int, changed: Callable[[], None]) -> None:
        self.closed = True  # the chain is complete to begin with
        self.welded = False
        self.dead = False
        self._kernel = kernel
        self._pull_us = pull_us
        self._drop_us = drop_us
        self._changed = changed
        self._moving: Handle | None = None  # to the other position

    def settle(self, fed: bool) -> None:
        """Its coil is fed, or not."""
        to = self.welded or (fed and not self.dead)
        if to == self.closed:
            self._kernel.cancel(self._moving)
            self._moving = None
        elif self._moving is None:
            at_us = self._kernel.now_us + (self._pull_us if to else self._drop_us)
            self._moving = self._kernel.at(at_us, self._moved, to)

    def _moved(self, closed: bool) -> None:
        self._moving = None
        self.closed = closed
        self._changed()


class GuardCircuit:
    """Both channels, the isolator and the supply permit. `changed` is called after anything that may show."""

    def __init__(self, kernel: Kernel, changed: Callable[[], None]) -> None:
        self._tell = changed
        self.follower = Contactor(kernel, FOLLOWER_PULL_US, FOLLOWER_DROP_US, self._changed)
        self.isolator = Contactor(kernel, ISOLATOR_PULL_US, ISOLATOR_DROP_US, self._changed)
        self.a = Channel(kernel, self._changed)
        self.b = Channel(kernel, self._changed)
        self.channels = (self.a, self.b)
        self.bypassed = False  # a bridge over both contacts
        self.permit_welded = False
        self.permit_bypassed = False  # a short across the permit's stage
        self.permit_dead = False  # its contactor never pulls
        self.permit_stage = PumpStage(kernel, changed)

    def _changed(self) -> None:
        self.follower.settle(self.b.chain)
        self.isolator.settle(self.a.chain and self.follower.closed)
        self._tell()

    def pump(self) -> None:
        """The board moves both pumps once."""
        self.a.stage.move()
        self.b.stage.move()

    def permit(self) -> None:
        """The board moves the permit's pump once."""
        self.permit_stage.move()

    @property
    def closed(self) -> bool:
        """Whether the generator gets through to the bus."""
        return self.isolator.closed and (self.bypassed or (self.a.conducts and self.b.conducts))

    @property
    def permit_held(self) -> bool:
        """Whether the contactor in the unit's battery feed is held by the permit (by day the key holds it)."""
        return self.permit_welded or ((self.permit_stage.charged or self.permit_bypassed) and not self.permit_dead)

    def inputs(self) -> int:
        """Return IN_CHAIN_A..IN_MIRROR_B as the board reads them."""
        reads = 0
        for channel, chain, mirror in zip(self.channels, CHAINS, MIRRORS, strict=True):
            if channel.chain:
                reads |= chain
            if channel.mirror:
                reads |= mirror
        return reads
