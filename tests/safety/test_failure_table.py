"""The failure table: its checks, its page, and every fault that the bench can make, made there and compared."""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.bench.board_faults import HARDWARE_FAULTS
from demo_ctl.bench.bus_readings import as_read
from demo_ctl.bench.hands import APART_US
from demo_ctl.bench.hardware import DRIFTS, Hardware
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.protocol_bench import Serial
from demo_ctl.bench.unit import BenchUnit
from demo_ctl.board.bus import LEAST_BATTERY_MV, LEAST_SUPPLY_MV, MOST_BATTERY_MV
from demo_ctl.board.main import Loop
from demo_ctl.cli import safety_failures
from demo_ctl.link.client import Client
from demo_ctl.link.limits import LimitsInForce
from demo_ctl.office.load import load_unit
from demo_ctl.safety import failures as f
from demo_ctl.safety import proving as times
from demo_ctl.safety.guard_data import load_guard
from demo_ctl.safety.procedure import key_steps
from demo_ctl.safety.proving_night import HEAD, night_steps
from demo_ctl.safety.reaction import Path as Way
from demo_ctl.terms.errors import DemoError, InputError
from demo_ctl.wire import messages as m

ROOT = Path(__file__).resolve().parents[2]
WIRING = ROOT / "wiring"
UNIT = ROOT / "configs" / "units" / "travelling.yaml"
GUARD = load_guard(WIRING / "guard.yaml")
TEXT = (WIRING / "failures.yaml").read_text(encoding="utf-8")
TABLE = f.parse_failures(TEXT, "failures.yaml", GUARD).value
WAYS: dict[str, Way] = f.ways_off(GUARD)
LIMITS = LimitsInForce(dict(zip(m.LIMIT_NAMES, f._boot_limits(), strict=True)), 0)
ROWS = {name: row for row in TABLE.failures for name in row.bench}


def case_of(fault: str, during: str) -> f.Case:
    row = ROWS[fault]
    return next(case for case in row.cases if case.during in (during, "any time"))


# The table.


def test_every_fault_of_the_bench_has_a_row_and_every_row_a_fault_or_a_reason_why_not() -> None:
    assert set(TABLE.bench_names()) == set(HARDWARE_FAULTS)
    assert len(TABLE.bench_names()) == len(set(TABLE.bench_names()))
    assert all(bool(row.bench) != bool(row.not_simulated) for row in TABLE.failures)


def test_every_reason_that_trips_stands_in_a_row() -> None:
    assert set(f.must_be_named()) <= TABLE.reasons()
    assert len(f.must_be_named()) > 25


def test_no_single_fault_leaves_ringing_on_with_a_cover_open() -> None:
    assert not [row.fault for row in TABLE.failures if row.ringing_with_cover_open]
    by_chain = {row.fault for row in TABLE.failures for case in row.cases if case.silence == f.BY_CHAIN}
    assert by_chain == {"guard-bypassed", "backfeed"}  # past both contacts: the isolator, and the board says so


def test_both_situations_of_every_fault_are_told() -> None:
    for row in TABLE.failures:
        during = [case.during for case in row.cases]
        assert during in (["any time"], ["ringing on", "ringing off"], ["ringing on"]), row.fault
        assert during != ["ringing on"] or not row.bench, row.fault


INPUTS = {name: bit for name, bit in vars(m).items() if name.startswith("IN_")}


@pytest.mark.parametrize("at", [0, 1])
@pytest.mark.parametrize("name", list(INPUTS))
def test_every_input_of_the_board_has_a_row_for_its_broken_wire_and_one_for_being_stuck_at_1(
    name: str, at: int
) -> None:
    """What holds which input is tried with the bench's faults (tests/bench_port/test_board_faults.py)."""
    held = [fault.name for fault in HARDWARE_FAULTS.values() if (fault.holds, fault.at) == (INPUTS[name], at)]
    rows = {ROWS[each].fault: ROWS[each] for each in held}
    assert rows
    if not at:
        assert [row for row in rows.values() if "wire" in row.wrong and "broken" in row.wrong]


def test_no_input_is_left_out() -> None:
    assert sum(INPUTS.values()) == (1 << len(INPUTS)) - 1 == 0x1FFF


def test_the_figures_of_a_converter_that_reads_low() -> None:
    """What the row says, by the chip's own arithmetic: the highest values that are read as no more than the limits."""
    drift = DRIFTS["converter-reads-low"]

    def passes_as(read: int, full: int) -> int:
        return max(value for value in range(0, full, 100) if (as_read(value, full, drift) or 0) <= read)

    limits = f._boot_limits()
    bus_mV = passes_as(limits[m.L_CEILING_V] * 1000, 150_000)
    peak_V = bus_mV / 1000 * 2**0.5 + 48
    current_mA = passes_as(limits[m.L_CURRENT_mA] * 1000, 250_000) // 1000
    battery_mV = as_read(48_000, 75_000, drift)
    assert battery_mV is not None
    assert battery_mV >= LEAST_BATTERY_MV
    happens = " ".join(_row("converter-reads-low").cases[0].happens.split())
    assert f"up to {bus_mV // 1000} V rms of ringing pass as {limits[m.L_CEILING_V]} V" in happens
    assert f"{peak_V:.0f} V peak on a battery of 48 V" in happens
    assert f"up to {current_mA} mA as {limits[m.L_CURRENT_mA]}" in happens


def test_the_figures_of_a_converter_that_reads_a_little_too_high() -> None:
    drift = (115, 100)
    battery_mV = as_read(48_000, 75_000, drift)
    assert battery_mV is not None
    assert LEAST_BATTERY_MV <= battery_mV <= MOST_BATTERY_MV
    least_mV = min(mV for mV in range(0, 80_000, 100) if (as_read(mV, 150_000, drift) or 0) >= LEAST_SUPPLY_MV)
    happens = " ".join(_row("converter-reads-too-high").cases[0].happens.split())
    assert "15 per cent" in happens
    assert f"a generator of {least_mV // 1000} V passes as {LEAST_SUPPLY_MV // 1000}" in happens


def test_the_page_is_made_from_the_table() -> None:
    assert (WIRING / "FAILURES.md").read_text(encoding="utf-8") == f.markdown(TABLE, WAYS)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("by: R_BURST,", "by: R_BURTS,", "there is no reason R_BURTS; did you mean 'R_BURST'?"),
        ("by: R_BURST,", "by: R_CALL,", "'burst without pause' does not end with R_CALL"),
        (
            "within: over-current }",
            "within: overcurrent }",
            "there is no path 'overcurrent'; did you mean 'over-current'?",
        ),
        ("silence: over-current", "silence: bus live at rest", "'bus live at rest' is no path to silence"),
        ("proving: channel A alone", "proving: channel C alone", "there is no step 'channel C alone'; did you mean"),
        ("bench: [generator-dead]", "bench: [generator-high]", "stands in the table twice"),
        ("fault: bus-short", "fault: lamp-open", "stands in the table twice"),
        ("    bench: [generator-dead]\n", "", "expected either 'bench' or 'not simulated'"),
        (
            "    bench: [bus-short]\n    ringing with cover open: no\n",
            "    bench: [bus-short]\n    ringing with cover open: yes\n",
            "a single fault must not leave ringing on with a cover open",
        ),
        (
            "        silence: relay not up\n        noticed: [{ by: R_MIRROR, within: relay not up }]",
            "        silence: by the chain\n        noticed: [{ by: host, within: board silent }]",
            "the board must tell somebody to open the chain",
        ),
        (
            "        silence: burst without pause",
            "        silence: nothing rings",
            "ringing is on, so it must end",
        ),
        ("        proving: channel A alone\n", "", "expected 'noticed', 'proving' or 'else noticed'"),
        (
            "        silence: instruction late\n        noticed: [{ by: R_LATE, within: instruction late }]",
            "        silence: instruction late\n        noticed: [{ by: host, within: instruction late }]",
            "is a path of the board, not of the host",
        ),
    ],
)
def test_a_table_that_disagrees_is_refused_with_its_line(old: str, new: str, says: str) -> None:
    assert TEXT.count(old) == 1
    at = TEXT[: TEXT.index(old)].count("\n")
    with pytest.raises(InputError) as caught:
        f.parse_failures(TEXT.replace(old, new), "failures.yaml", GUARD)
    lines = [int(row.split(":")[1]) for row in str(caught.value).splitlines() if says in row]
    assert min(abs(line - 1 - at) for line in lines) <= 6  # the line itself, or the beginning of its row or case


# The hardware by itself: whatever is broken, whatever moves the pumps, an opened cover is silence.


@pytest.mark.parametrize("fault", list(HARDWARE_FAULTS))
@pytest.mark.parametrize("gap_us", [5_000, 10_000, 39_000])
def test_a_cover_that_opens_is_silence_whatever_is_broken_and_however_the_pumps_are_moved(
    fault: str, gap_us: int
) -> None:
    kernel = Kernel()
    hardware = Hardware(kernel, BenchUnit(kernel, load_unit(UNIT).value, seed=3))

    def pump_for(us: int) -> None:
        until_us = kernel.now_us + us
        while kernel.now_us < until_us:
            hardware.pump()
            kernel.run_to(min(until_us, kernel.now_us + gap_us))

    pump_for(300_000)
    assert hardware.ringing_fed
    hardware.break_part(fault)
    pump_for(100_000)
    hardware.open_cover()
    by_chain = f.BY_CHAIN in {case.silence for case in ROWS[fault].cases}
    pump_for(APART_US + WAYS[f.ISOLATED if by_chain else "chain opens"].total_us)
    for _ in range(500):
        assert not hardware.ringing_out
        pump_for(2_000)


@pytest.mark.parametrize("fault", sorted(name for name in ROWS if case_of(name, "ringing off").silence == f.BY_CHAIN))
@pytest.mark.parametrize("hand", [Hardware.open_cover, Hardware.press_stop, lambda at: at.turn_key("off")])
def test_what_the_guard_cannot_take_off_cover_stop_and_key_do_with_the_pumps_at_rest(
    fault: str, hand: Callable[[Hardware], None]
) -> None:
    kernel = Kernel()
    hardware = Hardware(kernel, BenchUnit(kernel, load_unit(UNIT).value, seed=3))
    hardware.break_part(fault, port=3)
    kernel.run_to(500_000)
    assert hardware.ringing_out
    hand(hardware)
    kernel.run_to(500_000 + APART_US + WAYS[f.ISOLATED].total_us)
    assert not hardware.ringing_out
    kernel.run_to(1_000_000)
    assert hardware.bus()[1:4] == (0, 0, 0)
    assert not hardware.unit.levels() & sum(1 << 4 * port + m.RINGING for port in range(4))


@pytest.mark.parametrize("fault", list(HARDWARE_FAULTS))
def test_a_cover_that_stands_open_keeps_silence_when_something_breaks(fault: str) -> None:
    kernel = Kernel()
    hardware = Hardware(kernel, BenchUnit(kernel, load_unit(UNIT).value, seed=3))
    hardware.open_cover()
    for step in range(100):
        hardware.pump()
        kernel.run_to(kernel.now_us + 10_000)
        if step == 20:
            hardware.break_part(fault)
        assert not hardware.ringing_out


# With firmware and host: what the table says happens.


class _Line:
    """The least that a client needs of a port."""

    url = "bench"

    def __init__(self) -> None:
        self.serial = Serial(f"bench://?unit={UNIT}&seed=3")
        if not self.serial.is_open:
            self.serial.open()

    def clock_us(self) -> int:
        return self.serial.clock_us()

    def read(self, until_us: int) -> bytes:
        self.serial.timeout = max(0, (until_us - self.clock_us()) / 1e6)
        return self.serial.read(1) + self.serial.read(self.serial.in_waiting)

    def write(self, data: bytes) -> None:
        self.serial.write(data)

    def close(self) -> None:
        self.serial.close()


def _call() -> list[m.Instruction]:
    """357 is dialled from port 1; port 2 may be rung."""
    steps = [
        m.Instruction(m.OP_LOOP, 1, 1, 0, 0),
        m.Instruction(m.OP_WAIT, 0, 0, 2_500_000, 0),
        m.Instruction(m.OP_RINGING, 2, 1, 30_000_000, 0),
    ]
    for digit in (3, 5, 7):
        steps += [m.Instruction(m.OP_PULSES, 1, digit, 60_000, 40_000), m.Instruction(m.OP_WAIT, 0, 0, 900_000, 0)]
    return [*steps, m.Instruction(m.OP_WAIT, 0, 0, 40_000_000, 0)]


@dataclass
class Scene:
    """A board, a unit and a host. trips: (when, reason) as the guard itself shows them, in real time."""

    line: _Line = field(default_factory=_Line)
    trips: list[tuple[int, int]] = field(default_factory=list)
    fed_us: int = 0  # the generator's voltage was last seen on the bus or on a line

    def __post_init__(self) -> None:
        self.world = self.line.serial.world
        self.hardware = self.world.hardware
        self.client = Client(self.line)
        self.client.hello()
        self.told = False
        self.lost = 0  # when the host noticed

    @property
    def now_us(self) -> int:
        return self.world.kernel.now_us

    def run(self, us: int) -> None:
        """Run on, looking every 2 ms. The host goes on polling for as long as it has a board."""
        until_us = self.now_us + us
        while self.now_us < until_us:
            step_us = min(until_us, self.now_us + 2_000)
            if not self.lost:
                try:
                    self.client.poll(step_us - self.now_us)
                except (DemoError, OSError):
                    self.lost = self.now_us
            self.world.advance(max(step_us, self.now_us))
            if self.hardware.ringing_out:
                self.fed_us = self.now_us
            step = self.world.board.step
            loop: Any = getattr(step, "__self__", None)  # of firmware that runs in this process
            if isinstance(loop, Loop) and loop.firmware.guard.state == m.G_TRIPPED:
                reason = loop.firmware.guard.interlock.reason
                if [reason] != [one for _, one in self.trips[-1:]]:
                    self.trips.append((self.now_us, reason))

    def ring(self) -> None:
        """Let port 2 ring, and a little longer."""
        self.client.upload(1, _call(), (m.CALLING, m.CALLED, m.UNUSED, m.UNUSED))
        self.client.start(1)
        while not self.hardware.unit.levels() >> 4 + m.RINGING & 1:
            self.run(10_000)
            assert self.now_us < 20_000_000
        self.run(300_000)
        assert self.hardware.ringing_fed


@pytest.fixture
def scene() -> Iterator[Scene]:
    scene = Scene()
    yield scene
    scene.line.close()


LOOK_US = 2_000  # how finely a scene looks
ALARM_WIRES = {"smoke-wire-broken", "fuse-wire-broken", "release-wire-broken", "supervisory-wire-broken"}
EXPANDER = {"expander-frozen", "expander-dead", "expander-missed"}
BY_NIGHT = {"covers-wire-broken", "presence-wire-broken", "night-wire-broken"} | ALARM_WIRES | EXPANDER
BOOTS = {"brown-out"}
WHEN_OPENED = {"isolator-welded"}  # shows when the chain opens


def _told(fault: str, during: str) -> dict[int, Way]:
    return {f.CODES[one.by]: WAYS[one.within] for one in case_of(fault, during).noticed if one.by != f.HOST}


def _check_noticed(scene: Scene, fault: str, during: str, from_us: int) -> None:
    """What the board said is in the table, in the table's time; and what is in the table was said."""
    told = _told(fault, during)
    host = [one for one in case_of(fault, during).noticed if one.by == f.HOST]
    if fault in WHEN_OPENED:
        assert scene.trips == []
        from_us = scene.now_us
        scene.hardware.open_cover()
        scene.run(1_000_000)
        assert len(scene.trips) == 1
    if host:
        assert 0 < scene.lost - from_us <= WAYS[host[0].within].total_us + 600_000  # and its own rhythm of asking
    if fault in BY_NIGHT or fault in BOOTS:
        assert scene.trips == []
        return
    assert {reason for _, reason in scene.trips} <= set(told)
    if scene.trips:
        at_us, reason = scene.trips[0]
        assert at_us - from_us <= told[reason].total_us + LOOK_US
    elif not host:
        assert not told or fault in ("cable-cut", "host-killed", "clock-fast"), told


@pytest.mark.parametrize("fault", list(HARDWARE_FAULTS))
def test_while_ringing_is_on(scene: Scene, fault: str) -> None:
    case = case_of(fault, "ringing on")
    scene.ring()
    from_us = scene.now_us
    scene.hardware.break_part(fault, port=3)
    if case.silence == f.IN_ORDER or fault == "guard-bypassed":
        # Nothing ends it yet, so the plan is stopped.
        scene.run(1_000_000)
        assert scene.hardware.ringing_fed
        assert scene.trips == []
        from_us = scene.now_us
        scene.client.stop()
    within_us = WAYS["plan over" if case.silence in f.NO_PATH else case.silence].total_us
    scene.run(within_us + 1_500_000)
    _check_silence(scene, case, from_us, within_us)
    _check_noticed(scene, fault, "ringing on", from_us)


def _check_silence(scene: Scene, case: f.Case, from_us: int, within_us: int) -> None:
    """Ringing has ended in its time; or, where it takes the chain for that, it ends when somebody opens a cover."""
    if case.silence == f.BY_CHAIN:
        assert scene.hardware.ringing_out
        assert scene.trips  # somebody was told
        from_us, within_us = scene.now_us, APART_US + WAYS[f.ISOLATED].total_us
        scene.hardware.open_cover()
        scene.run(within_us + 500_000)
    assert not scene.hardware.ringing_out
    assert scene.fed_us - from_us <= within_us


@pytest.mark.parametrize("fault", list(HARDWARE_FAULTS))
def test_while_ringing_is_off(scene: Scene, fault: str) -> None:
    scene.run(700_000)
    from_us = scene.now_us
    scene.hardware.break_part(fault, port=3)
    scene.run(2_000_000)
    _check_silence(scene, case_of(fault, "ringing off"), from_us, 0)
    _check_noticed(scene, fault, "ringing off", from_us)


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        ("covers-wire-broken", m.R_COVERS),
        ("presence-wire-broken", m.R_PRESENCE),
        ("night-wire-broken", m.R_NIGHT_LOST),
        *((name, m.R_NIGHT_LOST) for name in sorted(EXPANDER)),
    ],
)
def test_by_night_what_the_night_wants_ends_ringing_where_it_is_lost(scene: Scene, fault: str, reason: int) -> None:
    scene.hardware.turn_key("night")
    scene.run(500_000)
    scene.ring()
    from_us = scene.now_us
    scene.hardware.break_part(fault)
    scene.run(1_000_000)
    assert not scene.hardware.ringing_fed
    way = _told(fault, "ringing on")[reason]
    assert scene.fed_us - from_us <= way.total_us
    assert scene.client.status().reason == reason
    assert scene.trips == []
    assert scene.client.safety().mode == m.MODE_NIGHT


@pytest.mark.parametrize("position", ["day", "night"])
def test_a_night_contact_that_is_lost_makes_no_day_until_the_key_was_off(scene: Scene, position: str) -> None:
    scene.hardware.turn_key("night")
    scene.run(500_000)
    scene.hardware.break_part("night-wire-broken")
    scene.run(500_000)
    assert scene.client.safety().obstacle == m.R_NIGHT_LOST
    scene.hardware.turn_key("off")
    scene.run(500_000)
    scene.hardware.turn_key(position)
    scene.run(500_000)
    safety = scene.client.safety()  # from now on night reads as day, as the row says
    assert (safety.mode, safety.obstacle) == (m.MODE_DAY, m.R_NONE)
    with pytest.raises(DemoError):
        scene.client.permit(10_000)  # and the unit has no supply at night


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        ("smoke-wire-broken", m.R_SMOKE),
        ("fuse-wire-broken", m.R_FUSE),
        ("release-wire-broken", m.R_RELEASE),
        ("supervisory-wire-broken", m.R_SUPERVISORY),
        *((name, m.R_SMOKE) for name in sorted(EXPANDER)),
    ],
)
def test_by_night_an_alarms_wire_drops_the_supply(scene: Scene, fault: str, reason: int) -> None:
    scene.hardware.turn_key("night")
    scene.run(500_000)
    scene.client.permit(10_000)
    scene.run(300_000)
    assert scene.hardware.permit_held
    scene.hardware.break_part(fault)
    scene.run(_told(fault, "ringing off")[reason].total_us)
    assert not scene.hardware.permit_held
    scene.run(100_000)  # of an expander that is gone: the alarm's own time, after the night's
    assert scene.client.safety().permit_reason == reason
    scene.hardware.mend_part(fault)
    scene.run(1_000_000)
    with pytest.raises(DemoError):
        scene.client.permit(10_000)  # latched


@pytest.mark.parametrize(
    ("fault", "contact"),
    [
        ("smoke-contact-welded", m.IN_SMOKE),
        ("fuse-contact-welded", m.IN_FUSE),
        ("release-contact-welded", m.IN_RELEASE),
        ("supervisory-contact-welded", m.IN_SUPERVISORY),
        ("permit-welded", m.IN_SMOKE),
        ("permit-pump-bypassed", m.IN_SMOKE),
    ],
)
def test_what_keeps_the_battery_on_at_night_is_told_by_nobody(scene: Scene, fault: str, contact: int) -> None:
    """As the table says. The proving of the night finds them: an alarm each, and an ear for the contactor."""
    assert not case_of(fault, "ringing off").noticed
    scene.hardware.turn_key("night")
    scene.run(500_000)
    scene.client.permit(10_000)
    scene.hardware.break_part(fault)
    scene.run(300_000)
    scene.hardware.set_input(contact, False)
    scene.run(1_000_000)
    assert scene.hardware.permit_held
    assert scene.trips == []


@pytest.mark.parametrize("fault", ["permit-dead", "permit-pump-stuck"])
def test_a_permit_that_is_not_held_takes_the_battery_and_the_board_does_not_know(scene: Scene, fault: str) -> None:
    assert not case_of(fault, "ringing off").noticed
    scene.hardware.turn_key("night")
    scene.run(500_000)
    scene.client.permit(10_000)
    scene.run(300_000)
    assert scene.hardware.permit_held
    scene.hardware.break_part(fault)
    scene.run(300_000)
    assert not scene.hardware.permit_held
    assert scene.client.safety().permit


def test_somebody_a_blind_detector_does_not_see_ends_nothing(scene: Scene) -> None:
    scene.hardware.turn_key("night")
    scene.run(500_000)
    scene.ring()
    scene.hardware.break_part("presence-blind")
    scene.hardware.set_input(m.IN_ALONE, False)
    scene.run(1_000_000)
    assert scene.hardware.ringing_fed


def test_a_key_that_always_reads_on_resets_nothing(scene: Scene) -> None:
    scene.ring()
    scene.hardware.break_part("key-reads-on")
    scene.hardware.turn_key("off")
    scene.run(1_000_000)
    assert not scene.hardware.ringing_out
    assert [reason for _, reason in scene.trips] == [m.R_CHAIN]
    for position in ("day", "off", "day"):
        scene.hardware.turn_key(position)
        scene.run(500_000)
    assert scene.client.safety().state == m.G_TRIPPED


def test_a_welded_channel_is_told_when_the_key_has_gone_off_and_on(scene: Scene) -> None:
    scene.hardware.break_part("chain-a-welded")
    scene.hardware.turn_key("off")
    scene.run(150_000)
    scene.hardware.turn_key("day")
    from_us = scene.now_us
    scene.run(500_000)
    assert scene.trips
    way = next(WAYS[one.within] for one in _row("key-contact-welded").cases[0].noticed if one.by == "R_STUCK_CHAIN")
    assert scene.trips[0][1] == m.R_STUCK_CHAIN
    assert scene.trips[0][0] - from_us <= way.total_us + LOOK_US


def test_a_board_that_was_reset_is_locked(scene: Scene) -> None:
    scene.ring()
    scene.hardware.break_part("brown-out")
    scene.run(300_000)
    client = Client(scene.line)
    client.hello()
    safety = client.safety()
    assert (safety.state, safety.reason) == (m.G_LOCKED, m.R_LOCKED)


def _row(name: str) -> f.Failure:
    return next(row for row in TABLE.failures if row.fault == name)


# What only the proving of the night finds.

NIGHT_STEPS = {step.name for step in night_steps(LIMITS)} - {step.name for step in key_steps(LIMITS)}
AT_NIGHT = sorted(name for name, row in ROWS.items() if {case.proving for case in row.cases} & NIGHT_STEPS)


@pytest.mark.parametrize("fault", AT_NIGHT)
def test_the_nights_proving_finds_it_at_the_step_that_the_table_names(
    fault: str, proven: Any, hands: Any, hardware: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(times, "PATIENCE_US", 35_000_000)  # a person gets five minutes
    hands.at = lambda name: hardware.break_part(fault) if name == HEAD else None
    proving, _ = proven()
    assert proving.verdict == "failed", proving.say
    assert (proving.steps[-1].name, proving.steps[-1].result) == (ROWS[fault].cases[0].proving, "failed")


# The command.


def _run(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    parser = argparse.ArgumentParser()
    safety_failures.arguments(parser)
    assert safety_failures.run(parser.parse_args([*words])) == 0
    return capsys.readouterr().out


def test_the_command(capsys: pytest.CaptureFixture[str]) -> None:
    told = json.loads(_run(capsys, "--json"))
    assert told["format"] == "demo_ctl safety failures 1"
    assert [row["fault"] for row in told["failures"]] == [row.fault for row in TABLE.failures]
    cut = next(row for row in told["failures"] if row["fault"] == "cable-cut")
    assert cut["cases"][0]["silence_us"] == WAYS["heartbeat lost"].total_us
    assert _run(capsys, "--markdown") == f.markdown(TABLE, WAYS)
    text = " ".join(_run(capsys, "--part", "mirror").split())
    assert "mirror-broken" in text
    assert "interrupter-stuck" not in text
    assert "No single fault of this table leaves ringing on with a cover open." in text


def test_a_part_that_is_not_there(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(InputError, match="no part and no fault has 'flux'"):
        _run(capsys, "--part", "flux")
