"""An exhibit on the bench: one unit and one board, hosts that come and go, and people around it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from demo_ctl.bench.protocol_bench import Serial
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.client import Client
from demo_ctl.link.port import Port
from demo_ctl.plan.model import Plan
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.show import exhibit_words
from demo_ctl.show.acts import Act
from demo_ctl.show.exhibit_house import House
from demo_ctl.show.exhibit_model import Now, Phase
from demo_ctl.show.furnish import Furnished
from demo_ctl.show.hub import Hub
from demo_ctl.show.keeper import Keeper
from demo_ctl.show.screens import Screens
from demo_ctl.show.wear_store import WearStore, parse
from demo_ctl.wire import messages as m

UNIT = Path(__file__).parents[2] / "configs" / "units" / "mossbrook.yaml"
#: The week in which London's clocks go back (from memory: the last Sunday of October).
MONDAY = datetime(2026, 10, 19, 0, 0, tzinfo=UTC)
LOOPS = 0x1111  # the loop sense of every port
VISITORS = 4  # the port of the line on the stage
RUNG = 2  # the port of the line in the parlour, 555-0134


class HostGone(BaseException):
    """The host's power fails: nothing of it runs any more, not even what tidies up."""


class PowerPort(Port):
    """A port whose host may fall dead: from then on nothing is written, and nothing returns."""

    dead = False

    def read(self, until_us: int) -> bytes:
        if self.dead:
            raise HostGone
        return super().read(until_us)

    def write(self, data: bytes) -> None:
        if self.dead:
            raise HostGone
        super().write(data)


class Exhibition:
    """One unit and board for the whole week, and one host after the other."""

    disk_wait_s = 30.0
    recorder: Callable[[Act, int], RecordWriter | None] | None = None

    def __init__(self, furnished: Furnished, folder: Path) -> None:
        self.furnished, self.folder = furnished, folder
        self.line = Serial()
        self.line.port = f"bench://?unit={UNIT}&clock=free"
        self.line.open()
        self.world: Any = self.line.world
        # The bench has one contact for the board's loop relay and for a telephone at the same port. At the visitors'
        # port they are two here: when the board opens its own, which it never closes, a lifted handset stays lifted.
        hardware: Any = self.world.hardware
        whole = hardware.set_loop
        hardware.set_loop = lambda port, closed: None if port == VISITORS else whole(port, closed)
        self.at = MONDAY
        self.hub = Hub()
        self.port: PowerPort | None = None
        self.results: list[tuple[int, Any]] = []
        self.placed = 0
        self.store: WearStore
        self.keeper: Keeper
        self.start()

    def start(self) -> None:
        """The host comes up."""
        self.store = WearStore(self.folder, "bench")
        f = self.furnished
        screens = Screens(self.hub, f.unit, f.languages, f.films)
        house = House(self._open, self.now, self._wait, self._ready, self.store, self.recorder, self.disk_wait_s)
        self.keeper = Keeper(f.rules, f.acts, f.unit, screens, house, title=f.title, watch=f.watch)

    @property
    def published(self) -> int:
        """How many pictures screens were given."""
        latest = self.hub.latest()
        return latest.version if latest is not None else 0

    def now(self) -> Now:
        us = self.world.kernel.now_us
        return Now(us, self.at + timedelta(microseconds=us))

    def skip_to(self, at: datetime) -> None:
        """Nobody is there until then: host off, board off over night."""
        self.at = at - timedelta(microseconds=self.world.kernel.now_us)

    def _open(self) -> Client:
        self.port = PowerPort("bench", self.line)
        return Client(_StaysOpen(self.port))

    def _wait(self, us: int) -> None:
        self.world.advance(self.world.kernel.now_us + us)

    def _ready(self, client: Client, plan: Plan) -> None:
        if plan.ringing:
            bench_ready(client, plan)

    def host_dies(self) -> None:
        """From now on, at whatever instant this is called."""
        assert self.port is not None
        self.port.dead = True

    def in_s(self, seconds: float, act: Callable[[], object]) -> None:
        """Have something happen later, by the bench's clock."""
        self.world.kernel.at(self.world.kernel.now_us + round(seconds * 1e6), act)

    def run(self, seconds: float) -> None:
        until_us = self.now().us + round(seconds * 1e6)
        while self.now().us < until_us:
            self.keeper.run_once()

    def press(self, then_s: float = 0) -> None:
        """A visitor presses the board's own button for a fifth of a second; what comes of it may take its time."""
        self.world.hardware.press_button()
        self.in_s(0.2, self.world.hardware.release_button)
        self.keeper.run_once()
        self.run(then_s)

    def back(self, within_s: float = 400) -> None:
        """It comes back to the attract loop by itself."""
        until_us = self.now().us + round(within_s * 1e6)
        self.run(0.5)
        while self.keeper.state.phase is not Phase.ATTRACT:
            assert self.now().us < until_us
            self.keeper.run_once()
        assert self.keeper.screens.attracting
        self.check()

    def host_starts_again(self) -> None:
        """The power is back after some seconds, in which the board was on its own."""
        self.collect()
        self.store.close()  # as the system does
        self._wait(2_000_000)
        assert self.released()
        self.start()
        assert self.keeper.screens.attracting
        self.check()

    def collect(self) -> None:
        self.placed += self.keeper.placed
        self.results += self.keeper.results

    def released(self) -> bool:
        """Whether no loop is closed and no ringing out, told by the simulated unit itself."""
        loops = LOOPS & ~(1 << 4 * (VISITORS - 1)) if self.keeper.state.lifted else LOOPS
        return not self.world.unit.levels() & loops and not self.world.hardware.ringing_out

    def check(self) -> None:
        """What holds whenever the attract loop is on."""
        assert self.released()
        counters, limits = self.keeper.state.counters, self.furnished.rules.limits
        assert counters.sum_today <= (limits.a_day or 0)
        if self.store.path.exists():
            assert parse(self.store.path.read_bytes()) == counters


class _StaysOpen:
    """The bench outlives its hosts: closing a host's port leaves the unit and the board as they are."""

    def __init__(self, port: PowerPort) -> None:
        self.url, self.clock_us, self.read, self.write = port.url, port.clock_us, port.read, port.write

    def close(self) -> None:
        """Nothing."""


def notices(at: Exhibition) -> str:
    return " ".join(exhibit_words.notices(at.keeper.state, at.now(), at.furnished.rules))


def turn_key(at: Exhibition) -> None:
    """Somebody comes by, and turns the key off and on."""
    at.world.hardware.turn_key("off")
    at.run(1)
    at.world.hardware.turn_key("day")
    at.run(12)


def telephone(at: Exhibition, after_s: float, closed: bool) -> None:
    at.in_s(after_s, lambda: at.world.unit.set_loop(VISITORS, closed))


def dial(at: Exhibition, number: str, pps: float = 10) -> float:
    """A visitor dials from two seconds from now on; return when they are done, seconds."""
    now_s = 2.0
    for digit in number:
        for _ in range(int(digit) or 10):
            telephone(at, now_s, False)
            telephone(at, now_s + 0.61 / pps, True)
            now_s += 1 / pps
        now_s += 0.9
    return now_s


def rings(at: Exhibition, seconds: float, port: int = RUNG) -> float:
    """Let time pass; return for how much of it the bell of a port rang, seconds."""
    rang, step_s = 0.0, 0.1
    for _ in range(round(seconds / step_s)):
        at.run(step_s)
        rang += step_s * (at.world.unit.levels() >> 4 * (port - 1) + m.RINGING & 1)
    return rang


def visit(at: Exhibition, number: str = "5550134") -> None:
    """A visitor lifts, and dials."""
    telephone(at, 0.1, True)
    at.run(dial(at, number))


def rung_lifts(at: Exhibition, closed: bool) -> None:
    at.world.unit.set_loop(RUNG, closed)


def guard(at: Exhibition) -> m.Safety:
    assert at.keeper._client is not None
    return at.keeper._client.safety()
