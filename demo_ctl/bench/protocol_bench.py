"""The bench as a serial port: pyserial's handler of `bench://` URLs.

    bench://?unit=PATH&seed=N&clock=free|paced&board=python|micropython&busy=STAGE/LEVEL/POSITIONS&ticks=N
    &fault=NAME@PLACE:figure=value&night=N&truth=FILE&guard=proven|locked&key=off|day|night&hands=TIME:SAYING
    &lamps=N

Every option may be left out: the unit is then the sample unit below the current folder or beside the program, seed 0,
clock free, board python, nothing busy, nothing wrong, night 1, ticks 0. `busy` and `fault` may be repeated; how a
fault is written, and what `night` does to it, is in `fault_text.py`. `ticks` is what the board's microsecond counter
reads at power-up, for those who want to see it wrap at 2**30. `truth` is a file, not there yet, into which goes what
really happened inside the unit (`truth_file.py`).

`key` says where the key stands then (day); `hands`, which may be repeated, what a person does so long after, in the
words that are typed to a served bench (`people.SAYINGS`): hands=30 s:smoke alarm.

`guard` says how the ringing guard is found when the port is opened. proven: a simulated person has been there first,
for the two seconds before the port's clock reads 0, turned the key off and on and worked every contact (`people.py`),
so that calls just work. locked: the board has just been switched on and nobody has turned its key; it refuses to ring,
and it says in its Welcome that nobody has proven it: calls that ring then want a dated proving, as with a real board.

`lamps` is how many lamps the board has, 0 to 7 (7).

On the free clock, time stands still except while the host waits in `read`; there it goes to whatever comes first: bytes
for the host, the host's time limit, the firmware's deadline, an event of the unit. On the paced clock a thread of this
port keeps unit and board at real time whether the host calls or not, so that a dead host is a silent host. When this
process itself was held up (a busy computer, a lid closed), the paced clock waits for it instead of leaping: a board
would have heard meanwhile what its host sent, so a leap would be taken for a silence that never was.

pyserial takes an ImportError in here for "no such protocol": this module imports only what is always there, and says
what is missing when a port is opened.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qsl, urlencode, urlsplit

from serial import PortNotOpenError, SerialException
from serial.serialutil import SerialBase

if TYPE_CHECKING:
    from demo_ctl.bench.truth_file import TruthFile
    from demo_ctl.bench.unit import BenchUnit, BusySpec
    from demo_ctl.bench.world import World

__all__ = ["FORM", "Options", "Serial", "SerialException"]

FORM = (
    "bench://?unit=PATH&seed=N&clock=free|paced&board=python|micropython&busy=STAGE/LEVEL/POSITIONS"
    "&fault=NAME@PLACE:figure=value&night=N&ticks=N&truth=FILE&guard=proven|locked&key=off|day|night&hands=TIME:SAYING"
    "&lamps=N"
)
SLICE_US = 1_000_000  # a read on the free clock looks this often whether it was cancelled
LATE_MOST_US = 20_000  # a paced event is at most so late by the port's clock; the rest of a hold-up is not counted
DEFAULT_UNIT = "configs/units/mossbrook.yaml"
_OPTIONS = (
    "unit",
    "seed",
    "clock",
    "board",
    "busy",
    "fault",
    "night",
    "ticks",
    "truth",
    "guard",
    "key",
    "lamps",
    "hands",
)
_REPEATED = ("busy", "fault", "hands")


class WrongAddress(SerialException, ValueError):
    """What the URL asks for is a mistake of whoever wrote it: nothing is wrong with the bench."""


class Options:
    """What a URL asks for. Raises WrongAddress naming the option and what it may be."""

    def __init__(self, url: str) -> None:
        self.unit = ""
        self.seed = 0
        self.paced = False
        self.micropython = False
        self.busy: list[str] = []
        self.faults: list[str] = []
        self.night = 1
        self.ticks = 0
        self.truth = ""
        self.proven = True
        self.lamps = 7
        self.key = "day"
        self.hands: list[str] = []
        parts = urlsplit(url)
        if parts.scheme.lower() != "bench":
            raise WrongAddress(f"{url!r} is not a bench; expected {FORM}")
        if parts.netloc or parts.path not in ("", "/"):
            raise WrongAddress(f"a bench has no host or path; options follow a question mark: {FORM}")
        said = set()
        asked = parse_qsl(parts.query, keep_blank_values=True)
        #: The URL again, but for where the truth goes: whatever makes one run the same as another.
        self.run_url = "bench://?" + urlencode([pair for pair in asked if pair[0] != "truth"], safe="/:")
        for name, value in asked:
            if name not in _OPTIONS:
                raise WrongAddress(f"the bench has no option {name!r}; it has {', '.join(_OPTIONS)}: {FORM}")
            if name in said and name not in _REPEATED:
                raise WrongAddress(
                    f"the bench's option {name!r} is given twice; only {', '.join(_REPEATED[:-1])} and {_REPEATED[-1]} "
                    "may be repeated"
                )
            said.add(name)
            self._take(name, value)
        if not self.unit:
            self.unit = _default_unit()

    def _take(self, name: str, value: str) -> None:
        if name == "unit":
            self.unit = value
        elif name == "seed":
            self.seed = _number(name, value, 1 << 32)
        elif name == "ticks":
            self.ticks = _number(name, value, 1 << 30)
        elif name == "lamps":
            self.lamps = _number(name, value, 8)
        elif name == "night":
            self.night = _number(name, value, 10_001)
        elif name == "fault":
            self.faults.append(value)
        elif name == "truth":
            if not value:
                raise WrongAddress("the bench's option truth is the name of a file that is not there yet")
            self.truth = value
        elif name == "guard":
            self.proven = _choice(name, value, ("proven", "locked")) == "proven"
        elif name == "key":
            self.key = _choice(name, value, ("off", "day", "night"))
        elif name == "hands":
            self.hands.append(value)
        elif name == "clock":
            self.paced = _choice(name, value, ("free", "paced")) == "paced"
        elif name == "board":
            self.micropython = _choice(name, value, ("python", "micropython")) == "micropython"
        else:
            self.busy.append(value)


def _default_unit() -> str:
    for base in (Path(), Path(__file__).resolve().parents[2]):
        if (base / DEFAULT_UNIT).is_file():
            return str(base / DEFAULT_UNIT)
    raise WrongAddress(f"the bench finds no {DEFAULT_UNIT} here: say which unit, {FORM}")


def _choice(name: str, value: str, valid: tuple[str, ...]) -> str:
    if value not in valid:
        raise WrongAddress(f"the bench's option {name} is {' or '.join(valid)}, not {value!r}")
    return value


def _number(name: str, value: str, below: int) -> int:
    if not (value.isascii() and value.isdigit() and len(value) <= 20 and int(value) < below):
        raise WrongAddress(f"the bench's option {name} is a whole number from 0 to {below - 1}, not {value!r}")
    return int(value)


def _make_world(options: Options) -> World:
    """Build what the URL asks for; every trouble becomes one clear SerialException."""
    try:
        from demo_ctl.bench.fault_text import ailments_of
        from demo_ctl.bench.hardware import BOARD_NUMBER, Hardware
        from demo_ctl.bench.kernel import Kernel
        from demo_ctl.bench.people import PROVING_US, prove_guard
        from demo_ctl.bench.unit import BenchUnit
        from demo_ctl.bench.world import BoardGone, PythonBoard, World
        from demo_ctl.office.load import load_unit
        from demo_ctl.terms.errors import DemoError
    except ImportError as e:
        raise SerialException(f"the bench cannot start, a part of demo_ctl or of what it needs is missing: {e}") from e
    try:
        described = load_unit(options.unit).value
    except DemoError as e:
        raise WrongAddress(f"the bench's unit: {e}") from e
    try:
        wrong = ailments_of(options.faults, described, seed=options.seed, night=options.night)
    except DemoError as e:
        raise WrongAddress(f"the bench's option fault: {e}") from e
    start: Callable[[Hardware], Any] = PythonBoard
    if options.micropython:
        try:
            from demo_ctl.bench.cosim import MicropythonBoard
        except ImportError as e:
            raise SerialException(f"board=micropython does not work on this computer: {e}") from e
        start = MicropythonBoard
    kernel = Kernel()
    if options.proven:
        kernel.now_us = -PROVING_US  # the person comes first; the host at 0
    busy = [_busy(text, len(described.selectors)) for text in options.busy]
    unit = BenchUnit(kernel, described, seed=options.seed, busy=tuple(busy), ailments=wrong)
    hardware = Hardware(
        kernel,
        unit,
        start_ticks=options.ticks,
        boot=1 + options.seed % 0xFFFF,
        board=BOARD_NUMBER + options.seed,
        proven=options.proven,
        lamp_count=options.lamps,
    )
    try:
        world = World(kernel, unit, hardware, start)
    except BoardGone as e:
        raise SerialException(str(e)) from e
    if options.proven:
        try:
            prove_guard(world)
        except Exception as e:
            world.close()
            raise _broken(e) from e
    try:
        _put_hands(options, world)
    except SerialException:
        world.close()
        raise
    return world


def _put_hands(options: Options, world: World) -> None:
    """Turn the key to where it shall stand, and have done later what the URL says. Raises WrongAddress."""
    from demo_ctl.bench.people import cannot_obey, obey
    from demo_ctl.terms.quantity import parse_us

    if options.key != "day":
        world.hardware.turn_key(options.key)
    for each in options.hands:
        after, _, saying = each.partition(":")
        try:
            after_us = parse_us(after)
        except ValueError as e:
            raise WrongAddress(f"the bench's option hands is TIME:SAYING, such as 30 s:smoke alarm: {e}") from None
        against = cannot_obey(world.hardware, saying)
        if against:
            raise WrongAddress(f"the bench's option hands: {against}")
        if after_us:
            world.kernel.at(world.kernel.now_us + after_us, obey, world.hardware, saying)
        else:
            obey(world.hardware, saying)


def _truth_file(options: Options, world: World) -> TruthFile:
    """Make the file the truth goes to. Raises WrongAddress."""
    from demo_ctl.bench.truth_file import TruthFile

    try:
        file = TruthFile(
            options.truth,
            port=options.run_url,
            unit=world.unit.unit.name,
            seed=options.seed,
            clock=world.board_clock,
        )
    except FileExistsError as e:
        raise WrongAddress(f"{options.truth} is there already, and a truth is never written over") from e
    except OSError as e:
        raise WrongAddress(f"the truth cannot be written to {options.truth}: {e.strerror or e}") from e
    world.unit.tell_truth(file.tell)
    return file


def _busy(text: str, selectors: int) -> BusySpec:
    """Read STAGE/LEVEL/POSITIONS, such as 1/5/1-10 or 1/5/1,2,10."""
    from demo_ctl.bench.unit import BusySpec

    try:
        stage, level, positions = text.split("/")
        found: set[int] = set()
        for part in positions.split(","):
            low, _, high = part.partition("-")
            first, last = int(low), int(high or low)
            if not 1 <= first <= last <= 10:  # before they are counted out
                raise ValueError
            found.update(range(first, last + 1))
        if not (1 <= int(stage) <= selectors and 0 <= int(level) <= 9):
            raise ValueError
    except ValueError:
        raise WrongAddress(
            f"the bench's option busy is STAGE/LEVEL/POSITIONS, such as 1/5/1-10, with a stage from 1 to {selectors}, "
            f"a level from 0 to 9 and trunk positions from 1 to 10; not {text!r}"
        ) from None
    return BusySpec(stage=int(stage), level=int(level), positions=tuple(sorted(found)))


def _broken(trouble: Exception) -> SerialException:
    """Say what ended the world: the board's own words, or a fault of the bench by its kind."""
    from demo_ctl.bench.truth_file import TruthLost
    from demo_ctl.bench.world import BoardGone

    if isinstance(trouble, (BoardGone, TruthLost)):
        return SerialException(str(trouble))
    return SerialException(f"the simulated board or unit broke down ({type(trouble).__name__}: {trouble})")


class Serial(SerialBase):
    """A serial port whose board and unit are simulated in this process (or in a MicroPython beside it)."""

    is_open = False
    world: World  # while open, and after close for tests to look at

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        self._change = threading.Condition()
        self._thread: threading.Thread | None = None
        self._trouble: Exception | None = None
        self._cancelled = False
        self._unplugged = False
        self._paced = False
        self._began_ns = 0
        self._truth: TruthFile | None = None
        super().__init__(*args, **kwargs)

    @property
    def unit(self) -> BenchUnit:
        """The simulated unit: the truth, for tests of the bench; never for checks."""
        return self.world.unit

    @contextmanager
    def standing_still(self) -> Iterator[World]:
        """Give the world while no thread moves it, for people who work its contacts and tests that look inside.

        On the paced clock it is brought to now first. Raises SerialException.
        """
        with self._change:
            if self._paced and self.is_open and not self._trouble:
                self._catch_up()
            yield self.world
            self._change.notify_all()

    def open(self) -> None:
        """Power up unit and board. Raises SerialException."""
        if self.port is None:
            raise SerialException("the port has no URL yet")
        if self.is_open:
            raise SerialException("the port is already open")
        options = Options(self.port)
        self.world = _make_world(options)
        if options.truth:
            try:
                self._truth = _truth_file(options, self.world)
            except SerialException:
                self.world.close()
                raise
        self._trouble = None
        self._cancelled = self._unplugged = False
        self._paced = options.paced
        self._began_ns = time.monotonic_ns()
        self.is_open = True
        if self._paced:
            self._thread = threading.Thread(target=self._keep_pace, name="bench", daemon=True)
            self._thread.start()

    def close(self) -> None:
        """Power down; ends the thread and MicroPython. Idempotent."""
        if not self.is_open:
            return
        with self._change:
            self.is_open = False
            self._change.notify_all()
        if self._thread and self._thread is not threading.current_thread():
            self._thread.join()
        self._thread = None
        self.world.close()
        if self._truth:
            self._truth.close()
            self._truth = None

    def unplug(self) -> None:
        """Pull the cable, for tests: calls of the host fail from now on, board and unit go on."""
        with self.standing_still() as world:
            self._unplugged = True
            world.hardware.set_listening(False)

    def clock_us(self) -> int:
        """Return the port's clock, microseconds since it was opened."""
        if self._paced and self.is_open:
            with self._change:
                return self._paced_us()
        return self.world.kernel.now_us

    def _paced_us(self) -> int:
        """Real time since opening, without what this process missed. Call with the lock held."""
        real_us = (time.monotonic_ns() - self._began_ns) // 1000
        missed_us = real_us - self.world.next_us() - LATE_MOST_US
        if missed_us > 0 and not self._trouble:
            self._began_ns += missed_us * 1000
            real_us -= missed_us
        return real_us

    def _keep_pace(self) -> None:
        """Keep the world at real time until the port is closed (a thread of its own)."""
        with self._change:
            while self.is_open:
                try:
                    before = len(self.world.hardware.to_host)
                    self.world.advance(self._paced_us())
                    if len(self.world.hardware.to_host) != before:
                        self._change.notify_all()
                    wait_us = self.world.next_us() - self._paced_us()
                except Exception as e:  # handed to whoever waits: a thread must not die unseen
                    self._trouble = e
                    self._change.notify_all()
                    return
                if wait_us > 0:
                    # A world in which nothing is due (the board has hung) is looked at now and then, all the same.
                    self._change.wait(min(wait_us, SLICE_US) / 1e6)

    def _usable(self) -> None:
        if not self.is_open:
            raise PortNotOpenError()
        if self._unplugged or self.world.hardware.cut:
            raise SerialException("the bench's cable is unplugged")
        if self._trouble:
            raise _broken(self._trouble) from self._trouble

    @property
    def in_waiting(self) -> int:
        """How many bytes can be read at once."""
        self._usable()
        return len(self.world.hardware.to_host)

    @property
    def out_waiting(self) -> int:
        """How many written bytes the board has not taken yet."""
        self._usable()
        return len(self.world.hardware.to_board)

    def read(self, size: int = 1, /) -> bytes:
        """Return `size` bytes, or fewer when the port's time limit ends first. Raises SerialException."""
        self._usable()
        if self._paced:
            return self._read_paced(size)
        world = self.world
        kernel, hardware = world.kernel, world.hardware
        if len(hardware.to_host) < size:
            limit_s = self.timeout
            until_us = 1 << 62 if limit_s is None else kernel.now_us + round(limit_s * 1e6)
            while not self._cancelled:
                slice_us = kernel.now_us + SLICE_US
                try:
                    world.advance(until_us if until_us < slice_us else slice_us, stop_at_bytes=True)
                except Exception as e:  # a fault of the bench too: whoever waits for bytes must hear of it
                    self._trouble = e
                    raise _broken(e) from e
                if len(hardware.to_host) >= size or kernel.now_us >= until_us:
                    break
                if not self.is_open:
                    raise PortNotOpenError()
            self._cancelled = False
        return hardware.host_takes(size)

    def _read_paced(self, size: int) -> bytes:
        hardware = self.world.hardware
        with self._change:
            self._change.wait_for(
                lambda: (
                    len(hardware.to_host) >= size
                    or self._cancelled
                    or self._unplugged
                    or hardware.cut
                    or self._trouble is not None
                    or not self.is_open
                ),
                self.timeout,
            )
            self._cancelled = False
            if not hardware.to_host:
                self._usable()
            data = hardware.host_takes(size)
            if hardware.dirty:
                self._change.notify_all()
            return data

    def write(self, data: Any, /) -> int:
        """Give bytes to the board; they arrive at once."""
        sent = bytes(data)
        if not sent:
            return 0
        if not self._paced:
            self._usable()
            self.world.hardware.host_writes(sent)
            return len(sent)
        with self._change:
            self._usable()
            self._catch_up()
            self.world.hardware.host_writes(sent)
            self._change.notify_all()
        return len(sent)

    def _catch_up(self) -> None:
        """Bring the world to now first, so that bytes arrive when they were written and not earlier."""
        try:
            self.world.advance(self._paced_us())
        except Exception as e:
            self._trouble = e
            raise _broken(e) from e

    def cancel_read(self) -> None:
        """Let a read that waits in another thread return at once."""
        with self._change:
            self._cancelled = True
            self._change.notify_all()

    def cancel_write(self) -> None:
        """Nothing to cancel: writing never waits."""

    def reset_input_buffer(self) -> None:
        """Throw away what waits for the host."""
        self._usable()
        with self._change:
            self.world.hardware.host_takes(len(self.world.hardware.to_host))

    def reset_output_buffer(self) -> None:
        """Throw away what the board has not taken yet."""
        self._usable()

    def flush(self) -> None:
        """Nothing to wait for: bytes arrive when they are written."""

    def _reconfigure_port(self) -> None:
        """Speeds and parities mean nothing here, as on USB."""

    def _update_dtr_state(self) -> None:
        if self.is_open:
            with self._change:
                self.world.hardware.set_listening(bool(self.dtr))
                self._change.notify_all()

    def _update_rts_state(self) -> None:
        """Not wired."""

    def _update_break_state(self) -> None:
        """Not wired."""

    @property
    def cts(self) -> bool:
        """Always."""
        return True

    @property
    def dsr(self) -> bool:
        """Always."""
        return True

    @property
    def ri(self) -> bool:
        """Never: nobody rings a board."""
        return False

    @property
    def cd(self) -> bool:
        """Always."""
        return True
