"""What can be proved of the chip's pins without the chip: pulse program, pin tables, queue, outbox, audio ring."""

from __future__ import annotations

import types
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.board import pin_table as t
from demo_ctl.board import pulse_program
from demo_ctl.board.chip_parts import BLOCK_BYTES, CHUNK, EDGES, ROOM, AudioRing, EdgeQueue, Outbox, Watch
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
