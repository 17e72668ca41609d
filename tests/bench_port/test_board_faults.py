"""Every fault of the board and the guard's hardware: what it makes of what the board reads, and that mending undoes it.

The ringing here is made without firmware: the pumps are moved by the test. What firmware makes of each fault is
tested in the room of safety.
"""

from __future__ import annotations

import struct
from binascii import crc32
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.bench.board_faults import HARDWARE_FAULTS
from demo_ctl.bench.bus_readings import as_read
from demo_ctl.bench.guard_circuit import GUARD_HOLD_US
from demo_ctl.bench.hands import APART_US
from demo_ctl.bench.hardware import DRIFTS, EXPANDED, Hardware
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.protocol_bench import Serial
from demo_ctl.bench.unit import BenchUnit
from demo_ctl.board.chip_parts import ASK_US, ECHOES, EXPANDER, Expander
from demo_ctl.office.load import load_unit
from demo_ctl.wire import messages as m
from demo_ctl.wire.codec import decode, encode
from demo_ctl.wire.framing import Deframer, frame

UNIT = Path(__file__).resolve().parents[2] / "configs" / "units" / "travelling.yaml"
_ALL_RINGING = sum(1 << 4 * port + m.RINGING for port in range(4))
CALLED = 1 << 4 + m.RINGING  # port 2's ringing sense


class Ringing:
    """Port 1 has called port 2 (357), which rings while the test keeps the pumps moving."""

    def __init__(self) -> None:
        self.kernel = Kernel()
        self.unit = BenchUnit(self.kernel, load_unit(UNIT).value, seed=3)
        self.hardware = Hardware(self.kernel, self.unit)
        self.supply_mV = round(1000 * self.unit.generator_V)
        hardware, at = self.hardware, self.pump_for
        hardware.set_loop(1, 1)
        at(2_500_000)
        for digit in (3, 5, 7):
            hardware.start_pulses(1, digit, 60_000, 40_000)
            at(digit * 100_000 + 900_000)
        while not hardware.unit.levels() & CALLED:
            at(10_000)
            assert self.kernel.now_us < 30_000_000
        at(150_000)

    def pump_for(self, us: int, pump: bool = True) -> None:
        until = self.kernel.now_us + us
        while self.kernel.now_us < until:
            if pump:
                self.hardware.pump()
            self.kernel.run_to(self.kernel.now_us + 10_000)

    def bus(self) -> tuple[int, int, int]:
        """Bus mV, bus uA, supply mV."""
        return self.hardware.bus()[1:4]

    def levels(self) -> int:
        self.hardware.begin()
        return self.hardware.levels()


@pytest.fixture
def ringing() -> Ringing:
    return Ringing()


def test_ringing_is_on_the_bus_and_on_the_called_line(ringing: Ringing) -> None:
    bus_mV, bus_uA, supply_mV = ringing.bus()
    assert bus_mV == supply_mV == ringing.supply_mV
    assert 5_000 < bus_uA < 20_000  # one bell of 7000 ohm: 86 V make 11 to 12 mA (facts R10)
    ringing.pump_for(400_000, pump=False)
    assert ringing.bus() == (0, 0, ringing.supply_mV)
    assert not ringing.levels() & CALLED


def test_bells_in_step_add_up() -> None:
    kernel = Kernel()
    unit = BenchUnit(kernel, load_unit(UNIT).value, seed=3)
    drawn: list[float] = []
    unit.on_draw(drawn.append)
    lines: Any = list(unit._lines.values())
    for line in lines[:2]:
        line.set_ringing(True)
    bells = [line._circuit.bells for line in lines[:2]]
    one, both = drawn
    assert both == pytest.approx(one * (1 + bells[1] / bells[0]), rel=0.1)
    lines[1].set_backfeed(True)
    assert drawn == [one, both]  # what does not come from the bus is not drawn from it
    for line in lines[:2]:
        line.set_ringing(False)
    assert drawn[-1] == 0.0


# What each fault does to the inputs while nothing rings, the key at day: what must read 0 now.
READS: list[tuple[str, int]] = [
    ("chain-a-broken", m.IN_CHAIN_A),
    ("chain-b-broken", m.IN_CHAIN_B),
    ("relay-a-welded", m.IN_MIRROR_A),
    ("relay-b-welded", m.IN_MIRROR_B),
    ("mirror-a-broken", m.IN_MIRROR_A),
    ("mirror-b-broken", m.IN_MIRROR_B),
    ("pump-a-bypassed", m.IN_MIRROR_A),
    ("pump-b-bypassed", m.IN_MIRROR_B),
    ("key-wire-broken", m.IN_KEY),
    ("covers-wire-broken", m.IN_COVERS),
    ("presence-wire-broken", m.IN_ALONE),
    ("smoke-wire-broken", m.IN_SMOKE),
    ("fuse-wire-broken", m.IN_FUSE),
    ("release-wire-broken", m.IN_RELEASE),
    ("supervisory-wire-broken", m.IN_SUPERVISORY),
    ("button-wire-broken", m.IN_BUTTON),
    ("chain-b-read-broken", m.IN_CHAIN_B),
    ("night-wire-broken", 0),
    ("chain-a-welded", 0),
    ("relay-b-dead", 0),
    ("mirror-a-stuck-closed", 0),
]


@pytest.mark.parametrize(("name", "zeros"), READS)
def test_inputs_at_rest(name: str, zeros: int) -> None:
    kernel = Kernel()
    hardware = Hardware(kernel, BenchUnit(kernel, load_unit(UNIT).value))
    sound = hardware.inputs()
    assert sound == 0x1FFF & ~m.IN_NIGHT
    hardware.dirty = False
    hardware.break_part(name)
    assert hardware.dirty  # whoever waits looks again
    kernel.run_to(1_000_000)
    assert hardware.inputs() == sound & ~zeros
    assert not hardware.ringing_fed  # one fault alone
    hardware.mend_part(name)
    kernel.run_to(2_000_000)
    assert hardware.inputs() == sound


#: Faults after which the pumps, moved on, hold the generator on the bus no longer.
DROPS = (
    "chain-a-broken", "chain-b-broken", "relay-a-dead", "relay-b-dead", "pump-a-stuck-high", "pump-a-stuck-low",
    "pump-b-stuck-high", "pump-b-stuck-low", "generator-dead", "bus-short", "isolator-dead", "follower-dead",
)  # fmt: skip


@pytest.mark.parametrize("name", DROPS)
def test_faults_that_end_ringing_by_themselves(ringing: Ringing, name: str) -> None:
    ringing.hardware.break_part(name)
    ringing.pump_for(400_000)
    assert ringing.bus()[0] == 0
    assert not ringing.levels() & CALLED
    ringing.hardware.mend_part(name)
    ringing.pump_for(10_000_000)  # the next burst
    assert ringing.bus()[0] == ringing.supply_mV


#: Faults after which pumps that stand still do not take the generator away; the chain does.
STAYS = ("guard-bypassed", "backfeed")
#: And after which the bus reads more than nothing: no new reading comes, none changes, or nothing reads as 3 V.
STILL_READ = ("bus-sense-stuck", "bus-sense-dead", "converter-reads-far-too-low", "converter-reads-too-high")


@pytest.mark.parametrize("name", sorted(HARDWARE_FAULTS))
def test_pumps_that_stand_still_end_ringing_whatever_single_fault_there_is(ringing: Ringing, name: str) -> None:
    ringing.hardware.break_part(name)
    ringing.pump_for(30_000)
    ringing.pump_for(GUARD_HOLD_US + 100_000, pump=False)
    assert (ringing.bus()[0] > 0) == (name in (*STILL_READ, "guard-bypassed"))
    assert ringing.hardware.ringing_out == (name in STAYS)


@pytest.mark.parametrize("name", sorted(HARDWARE_FAULTS))
@pytest.mark.parametrize("act", ["turn_key", "open_cover", "press_stop"])
def test_key_cover_and_stop_end_ringing_though_the_pumps_move_whatever_single_fault_there_is(
    ringing: Ringing, name: str, act: str
) -> None:
    """The law of the wiring: no single fault leaves ringing on with a cover open."""
    hardware = ringing.hardware
    hardware.break_part(name)
    getattr(hardware, act)(*(["off"] if act == "turn_key" else []))
    ringing.pump_for(APART_US + 20_000)
    assert not hardware.ringing_out
    ringing.pump_for(400_000)
    assert not ringing.unit.levels() & _ALL_RINGING


def test_an_open_cover_opens_both_channels_and_its_second_contact_follows() -> None:
    kernel = Kernel()
    hardware = Hardware(kernel, BenchUnit(kernel, load_unit(UNIT).value))
    seen: list[int] = []
    for act in (hardware.open_cover, hardware.close_cover):
        act()
        for _ in range(8):
            reads = hardware.inputs() & (m.IN_CHAIN_A | m.IN_CHAIN_B | m.IN_COVERS)
            if not seen or seen[-1] != reads:
                seen.append(reads)
            kernel.run_to(kernel.now_us + 1000)
    both = m.IN_CHAIN_B | m.IN_COVERS
    assert seen == [both, m.IN_COVERS, 0, m.IN_CHAIN_A, m.IN_CHAIN_A | m.IN_CHAIN_B, m.IN_CHAIN_A | both]


def test_the_keys_positions() -> None:
    kernel = Kernel()
    hardware = Hardware(kernel, BenchUnit(kernel, load_unit(UNIT).value))
    chain = m.IN_CHAIN_A | m.IN_CHAIN_B
    for position, reads in (("off", 0), ("night", m.IN_KEY | m.IN_NIGHT | chain), ("day", m.IN_KEY | chain)):
        hardware.turn_key(position)
        kernel.run_to(kernel.now_us + 10_000)
        assert hardware.inputs() & (m.IN_KEY | m.IN_NIGHT | chain) == reads
    with pytest.raises(ValueError, match="off, day, night"):
        hardware.turn_key("on")


def test_a_chain_whose_contacts_are_welded_reads_closed_with_the_key_off() -> None:
    kernel = Kernel()
    hardware = Hardware(kernel, BenchUnit(kernel, load_unit(UNIT).value))
    hardware.break_part("chain-b-welded")
    hardware.turn_key("off")
    kernel.run_to(100_000)
    assert hardware.inputs() & (m.IN_CHAIN_A | m.IN_CHAIN_B | m.IN_KEY) == m.IN_CHAIN_B


def _hands(hardware: Hardware, seen: list[int]) -> None:
    """Put whatever hands can move into both positions, one after the other; `seen` takes what is read."""
    kernel = hardware.kernel

    def wait(us: int) -> None:
        kernel.run_to(kernel.now_us + us)
        seen.append(hardware.inputs())

    for position in ("off", "night", "day"):
        hardware.turn_key(position)
        for which in (hardware.open_cover, hardware.close_cover, hardware.press_stop, hardware.release_stop):
            which()
            wait(20_000)
        for reads in (False, True):
            hardware.set_input(EXPANDED & ~m.IN_NIGHT | m.IN_BUTTON, reads)
            wait(20_000)
    for channel in "ab":
        for pressed in (True, False):
            hardware.press_relay_button(channel, pressed)
            wait(100_000)


@pytest.mark.parametrize("name", sorted(name for name, fault in HARDWARE_FAULTS.items() if fault.holds))
def test_a_fault_that_holds_an_input_holds_it_whatever_anybody_does(name: str) -> None:
    kernel = Kernel()
    hardware = Hardware(kernel, BenchUnit(kernel, load_unit(UNIT).value))
    fault = HARDWARE_FAULTS[name]
    seen: list[int] = []
    _hands(hardware, seen)
    assert {reads & fault.holds for reads in seen} == {0, fault.holds}  # a sound one moves
    hardware.break_part(name)
    seen.clear()
    _hands(hardware, seen)
    assert {reads & fault.holds for reads in seen} == {fault.holds if fault.at else 0}


@pytest.mark.parametrize("name", ["expander-frozen", "expander-dead"])
def test_an_expander_that_froze_or_died_reads_all_0_as_on_the_chip(name: str) -> None:
    kernel = Kernel()
    hardware = Hardware(kernel, BenchUnit(kernel, load_unit(UNIT).value))
    before = hardware.inputs() & EXPANDED
    hardware.break_part(name)
    hardware.turn_key("night")
    hardware.open_cover()
    hardware.set_input(m.IN_SMOKE | m.IN_ALONE, False)
    kernel.run_to(50_000)
    assert hardware.inputs() & EXPANDED == (before if name == "expander-frozen" else 0)
    assert not hardware.inputs() & (m.IN_CHAIN_A | m.IN_CHAIN_B)  # the chain does not pass through it
    kernel.run_to(2 * ASK_US)
    assert not hardware.inputs() & EXPANDED
    hardware.mend_part(name)
    kernel.run_to(3_000_000)
    assert hardware.inputs() & EXPANDED == m.IN_NIGHT | m.IN_FUSE | m.IN_RELEASE | m.IN_SUPERVISORY


class Transfers:
    """A bus with the chip's expander on it: every contact closed; `state` says what is wrong."""

    def __init__(self) -> None:
        self.out = self.given = 0
        self.state = ""

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        if self.state in ("expander-dead", "expander-missed"):
            raise OSError
        if register == EXPANDER[3]:
            self.out = data[0]

    def readfrom_mem_into(self, address: int, register: int, into: bytearray) -> None:
        if self.state != "expander-frozen":
            self.given = self.out & 0x80 | 0x7F
        into[0] = self.given


def _zeros(reads: Callable[[int], int], from_us: int) -> tuple[int, int]:
    """How long after from_us the inputs read 0 first, and for how long then, looked at each 10 ms for a second."""
    seen = [reads(from_us + late_us) == 0 for late_us in range(10_000, 1_000_000, 10_000)]
    return seen.index(True) * 10_000 + 10_000, seen.count(True) * 10_000


@pytest.mark.parametrize("after_us", range(0, 40_000, 10_000))
@pytest.mark.parametrize("name", ["expander-frozen", "expander-dead", "expander-missed"])
def test_the_benchs_expander_is_as_the_chips_own(name: str, after_us: int) -> None:
    transfers = Transfers()
    clock_us = [0]
    chip: Any = Expander(transfers, EXPANDER, lambda: clock_us[0])

    def on_chip(now_us: int) -> int:
        clock_us[0] = now_us
        reads = int(chip.read())
        if chip.errors and name == "expander-missed":
            transfers.state = ""  # only one failed
        return reads

    for now_us in range(0, 400_000 + after_us, 10_000):
        on_chip(now_us)
    transfers.state = name
    chip_late_us, chip_zeros_us = _zeros(on_chip, 400_000 + after_us)
    kernel = Kernel()
    hardware = Hardware(kernel, BenchUnit(kernel, load_unit(UNIT).value))
    hardware.break_part(name)

    def on_bench(now_us: int) -> int:
        kernel.run_to(now_us)
        return hardware.inputs() & EXPANDED

    late_us, zeros_us = _zeros(on_bench, 0)
    assert chip_late_us <= 2 * ASK_US  # each asks at instants of its own
    assert late_us <= 2 * ASK_US
    if name == "expander-missed":
        assert chip_zeros_us == ECHOES * ASK_US
        assert abs(zeros_us - chip_zeros_us) <= 10_000
    else:
        assert min(zeros_us, chip_zeros_us) >= 900_000


def test_what_a_drifted_converter_says() -> None:
    """The live zero drifts with the rest. As far as it lets pass, 112 V read as less than 100."""
    low, far, high = (DRIFTS[name] for name in DRIFTS)
    assert as_read(0, 150_000, low) == 0
    assert as_read(0, 150_000, (low[0] - 1, low[1])) is None  # a little more, and it is no signal
    assert as_read(112_000, 150_000, low) == pytest.approx(99_470, abs=100)
    assert as_read(48_000, 75_000, low) == pytest.approx(42_480, abs=50)
    assert as_read(0, 150_000, far) is None
    assert as_read(0, 150_000, high) == pytest.approx(3_337, abs=50)
    assert all(as_read(value, 150_000, (1, 1)) == pytest.approx(value, abs=80) for value in range(0, 150_000, 777))


def test_a_drifted_converters_readings_are_dropped_or_wrong(ringing: Ringing) -> None:
    hardware, sound = ringing.hardware, ringing.hardware.bus()
    hardware.break_part("converter-reads-low")
    ringing.pump_for(200_000)
    low = hardware.bus()
    assert low[0] != sound[0]
    assert 0.87 * sound[1] < low[1] < 0.9 * sound[1]
    assert 0.87 * sound[4] < low[4] < 0.9 * sound[4]
    hardware.mend_part("converter-reads-low")
    ringing.pump_for(200_000)
    assert hardware.bus()[1:] == sound[1:]
    hardware.break_part("converter-reads-far-too-low")
    ringing.pump_for(300_000, pump=False)  # the bus falls silent: its zero is no signal then
    silent = hardware.bus()
    ringing.pump_for(500_000, pump=False)
    assert hardware.bus() == silent


def test_what_the_converter_says_of_faults_of_the_supplies(ringing: Ringing) -> None:
    hardware, sound_mV = ringing.hardware, ringing.supply_mV
    says: dict[str, Callable[[tuple[int, int, int, int, int]], bool]] = {
        "generator-high": lambda r: r[1] == r[3] == round(1.3 * sound_mV),
        "generator-dead": lambda r: r[1:4] == (0, 0, 0),
        "bus-short": lambda r: r[1] == 0 and r[2] == round(sound_mV / ringing.unit.lamp_ohm * 1000),
        "battery-high": lambda r: r[4] == 58_000,
        "battery-low": lambda r: r[4] == 41_000,
        "generator-low": lambda r: r[1] == r[3] == round(0.6 * sound_mV),
    }
    for name, right in says.items():
        hardware.break_part(name)
        ringing.pump_for(200_000)
        reading = hardware.bus()
        assert right(reading), (name, reading)
        hardware.mend_part(name)
    ringing.pump_for(200_000)
    assert hardware.bus()[1] == hardware.bus()[3] == sound_mV
    assert hardware.bus()[4] == round(1000 * ringing.unit.battery_V)


def test_a_high_generator_drives_more_current(ringing: Ringing) -> None:
    before = ringing.bus()[1]
    ringing.hardware.break_part("generator-high")
    ringing.pump_for(100_000)
    assert ringing.bus()[1] == pytest.approx(1.3 * before, rel=1e-3)


def test_readings_that_stick_are_counted_and_dead_ones_are_not(ringing: Ringing) -> None:
    hardware = ringing.hardware
    for name, counted in (("bus-sense-stuck", 20), ("bus-sense-dead", 0)):
        hardware.break_part(name)
        before = hardware.bus()
        ringing.pump_for(1_000_000, pump=False)
        after = hardware.bus()
        assert after[1:] == before[1:]
        assert (after[0] - before[0]) % 256 == counted
        hardware.mend_part(name)
        assert hardware.bus()[1] == 0
        ringing.pump_for(8_000_000)


@pytest.mark.parametrize("name", ["chain-a-broken", "chain-b-broken"])
def test_a_generator_that_is_isolated_is_not_measured_any_more(ringing: Ringing, name: str) -> None:
    hardware = ringing.hardware
    ringing.pump_for(100_000, pump=False)
    hardware.break_part(name)
    ringing.pump_for(200_000)
    assert ringing.bus() == (0, 0, 0)
    hardware.mend_part(name)
    ringing.pump_for(200_000, pump=False)
    assert ringing.bus() == (0, 0, ringing.supply_mV)


def test_a_backfed_line_is_sensed_and_draws_nothing_from_the_bus(ringing: Ringing) -> None:
    hardware = ringing.hardware
    ringing.pump_for(400_000, pump=False)
    other = 1 << 8 + m.RINGING
    for port, bit in ((3, other), (2, CALLED)):
        hardware.break_part("backfeed", port=port)
        ringing.pump_for(100_000, pump=False)
        assert ringing.levels() & (CALLED | other) == bit
        assert ringing.bus() == (0, 0, ringing.supply_mV)
        hardware.mend_part("backfeed")
        ringing.pump_for(100_000, pump=False)
        assert not ringing.levels() & (CALLED | other)


def test_dead_ringing_senses_fall_and_come_back(ringing: Ringing) -> None:
    hardware = ringing.hardware

    def edges() -> list[int]:
        hardware.begin()
        found = []
        while (edge := hardware.next_edge()) is not None:
            if edge[1] >> 1 == 4 + m.RINGING:
                found.append(edge[1] & 1)
        return found

    edges()
    hardware.break_part("ringing-sense-dead")
    assert not ringing.levels() & CALLED
    assert edges() == [0]
    ringing.pump_for(50_000)
    hardware.mend_part("ringing-sense-dead")
    assert ringing.levels() & CALLED
    assert edges() == [1]


def test_an_interrupter_that_sticks_rings_without_a_pause(ringing: Ringing) -> None:
    ringing.hardware.break_part("interrupter-stuck")
    for _ in range(40):
        ringing.pump_for(200_000)
        assert ringing.bus()[1] > 0
        assert ringing.levels() & CALLED
    ringing.hardware.mend_part("interrupter-stuck")
    pauses = 0
    for _ in range(40):
        ringing.pump_for(200_000)
        pauses += not ringing.bus()[1]
    assert pauses > 5


def test_memory_host_and_permit(ringing: Ringing) -> None:
    hardware = ringing.hardware
    hardware.break_part("memory-low")
    assert hardware.memory_low()
    hardware.mend_part("memory-low")
    assert not hardware.memory_low()
    hardware.break_part("host-killed")
    hardware.host_writes(b"nobody")
    hardware.begin()
    assert (hardware.read_bytes(9), hardware.write_space()) == (b"", 0)
    hardware.mend_part("host-killed")
    hardware.begin()
    assert hardware.write_space()
    assert not hardware.permit_held
    for name in ("permit-welded", "permit-pump-bypassed"):
        hardware.break_part(name)
        assert hardware.permit_held
        hardware.mend_part(name)
        assert not hardware.permit_held


@pytest.mark.parametrize("name", ["permit-dead", "permit-pump-stuck"])
def test_a_permit_that_cannot_hold_lets_the_battery_go(ringing: Ringing, name: str) -> None:
    hardware, kernel = ringing.hardware, ringing.hardware.kernel

    def permit_for(us: int) -> None:
        until_us = kernel.now_us + us
        while kernel.now_us < until_us:
            hardware.permit()
            kernel.run_to(kernel.now_us + 10_000)

    permit_for(100_000)
    assert hardware.permit_held
    hardware.break_part(name)
    permit_for(100_000)
    assert not hardware.permit_held
    hardware.mend_part(name)
    permit_for(100_000)
    assert hardware.permit_held


def test_names_that_are_no_fault_are_errors_and_breaking_twice_is_breaking_once(ringing: Ringing) -> None:
    hardware = ringing.hardware
    for call in (hardware.break_part, hardware.mend_part):
        with pytest.raises(KeyError):
            call("relay-c-welded")
    hardware.break_part("guard-bypassed")
    hardware.break_part("guard-bypassed")
    hardware.mend_part("guard-bypassed")
    hardware.mend_part("guard-bypassed")
    assert not hardware.broken


def test_the_catalogue_is_in_plain_words() -> None:
    assert len(HARDWARE_FAULTS) > 40
    for name, fault in HARDWARE_FAULTS.items():
        assert name == fault.name
        assert "?" not in name + fault.part + fault.wrong
        assert fault.part
        assert fault.wrong[-1] != "."


# With the firmware, in both boards.


def plan() -> bytes:
    """Call 357 from port 1 and let it ring."""
    one = m.Instruction
    said = [
        one(m.OP_LOOP, 1, 1, 0, 0),
        one(m.OP_WAIT, 0, 0, 2_500_000, 0),
        one(m.OP_PULSES, 1, 3, 60_000, 40_000),
        one(m.OP_WAIT, 0, 0, 900_000, 0),
        one(m.OP_PULSES, 1, 5, 60_000, 40_000),
        one(m.OP_WAIT, 0, 0, 900_000, 0),
        one(m.OP_RINGING, 2, 1, 40_000_000, 0),
        one(m.OP_PULSES, 1, 7, 60_000, 40_000),
        one(m.OP_WAIT, 0, 0, 30_000_000, 0),
    ]
    return b"".join(struct.pack(m.INSTRUCTION, *each) for each in said)


def live(board: str, name: str) -> tuple[list[tuple[int, bytes]], int, bool]:
    """Ring, break a part, wait. Return what the board said and when, the guard's state, and whether it still feeds."""
    data = plan()
    commands: list[Any] = [
        m.Hello(m.PROTOCOL, m.TABLE_HASH, 5),
        m.Begin(1, len(data) // 12, m.CALLING, m.CALLED, 0, 0, m.PLAN_CALL),
        m.Load(0, len(data) // 12, data),
        m.Commit(1, crc32(data)),
        m.Start(1),
    ]
    log = []
    port = Serial(None, timeout=0)
    port.port = f"bench://?unit={UNIT}&seed=3&board={board}"
    port.open()
    try:
        port.write(b"".join(frame(encode(n, each)) for n, each in enumerate(commands)))
        port.timeout = 0.2
        hardware = port.world.hardware
        for turn in range(60):
            port.write(frame(encode(0, m.Heartbeat(0))))
            log.append((port.clock_us(), port.read(4096)))
            if turn == 45:
                assert hardware.ringing_fed
                hardware.break_part(name)
        port.write(frame(encode(99, m.SafetyRequest(1))))
        last = port.read(4096)
        log.append((port.clock_us(), last))
        parse: Any = decode
        deframer: Any = Deframer()
        said = [parse(payload)[1] for _, part in log for payload in deframer.feed(part)]
        states = [each.state for each in said if type(each) is m.Safety]
        return log, states[-1] if states else -1, hardware.ringing_fed
    finally:
        port.close()


@pytest.mark.parametrize(
    ("name", "state"),
    [
        ("relay-a-dead", m.G_TRIPPED),
        ("mirror-b-stuck-closed", m.G_TRIPPED),
        ("bus-sense-dead", m.G_TRIPPED),
        ("bus-short", m.G_TRIPPED),
        ("generator-high", m.G_TRIPPED),
        ("backfeed", m.G_TRIPPED),
        ("memory-low", m.G_TRIPPED),
        ("clock-fast", m.G_TRIPPED),
        ("brown-out", m.G_LOCKED),
        ("loop-hung", -1),
        ("board-dead", -1),
    ],
)
def test_both_boards_say_the_same_of_a_fault_and_neither_goes_on_ringing(name: str, state: int) -> None:
    here, there = (live(board, name) for board in ("python", "micropython"))
    assert here == there
    assert here[1:] == (state, False)
