"""Pins of the chip: RP2040, RP2350A (two ports), RP2350B (four ports). The only module that imports machine or rp2.

It cannot run anywhere else; what needs no chip is in `chip_parts`, `pulse_program` and `pin_table`. Costs, estimated
from measured ones (a call about 15 us, a pin about 10, `poll(0)` 46, a byte read singly 81, a short write 165):

    read_bytes  46 idle, 2100 for 16 bytes      next_edge   50          pump     60, permit 40
    write       250 for an event, 1000 for 256  inputs     180          levels  300 (two ports)
    an edge's interrupt 24 (40 at worst)        audio_block 250 with a block, 60 without
    bus         60 idle, 300 for a channel      inputs with the expander 700, each 40 ms; a bus that hangs 1000 more
    lamps       20: the expander takes them along, no transfer is added
    memory_low  60, each 250 ms 1000: it walks through the memory, which is a part of what a small collection does

Register addresses and transfer request numbers of the two chips: their data sheets, from memory.
"""

import gc
import os
import select
import sys
import time

import machine
import micropython
import rp2
import uctypes

from demo_ctl.board import pin_table as t
from demo_ctl.board.chip_parts import (
    CONVERTER,
    EXPANDER,
    AudioRing,
    Converter,
    EdgeQueue,
    Expander,
    Memory,
    Outbox,
    Watch,
    held_at_boot,
)
from demo_ctl.board.limits import READ_MOST
from demo_ctl.board.main import run
from demo_ctl.board.pins import TICKS, Pins
from demo_ctl.board.pulse_program import BREAK_CYCLES, LEAD_US, MAKE_CYCLES, train

MASK = TICKS - 1
BUS_HZ = 400000
BUS_TIMEOUT_US = 1000  # a transfer takes 120; a bus held by a broken part must not hold the loop
RING_BYTES = 2048
RING_SIZE = 11  # 2 ** 11 bytes
# A loop that stands still for so long is reset, and with it every pin falls to rest: nothing else could open a loop
# then. Longer than the longest wait in a pass, the USB driver's 500 ms for a host that takes nothing (from memory).
WATCHDOG_MS = 1500
TRANSFERS = 0x0FFFFFFF  # samples: 9 hours; the count has 28 bits on the newer chip

# Immediate instructions of the pulse generator.
OPEN = 0xE000  # set pins, 0
CLOSE = 0xE001  # set pins, 1
DROP_WORD = 0x8080  # pull, without waiting

# Analogue converter: offsets of registers, bits, and what differs between the chips.
CS, FCS, FIFO, DIV = 0x00, 0x08, 0x0C, 0x10
CS_ENABLE, CS_MANY = 1, 8
CS_CHANNEL_BIT = 12
FCS_ON = 1 | 8 | 1 << 24  # queue on, transfer requests on, one word a request
FCS_LEVEL_BIT = 16
DIV_8KHZ = (6000 - 1) << 8  # 48 MHz / 6000
ADC_RP2040 = (0x4004C000, 36, 26)  # base, transfer request, pin of channel 0
ADC_RP2350A = (0x400A0000, 48, 26)
ADC_RP2350B = (0x400A0000, 48, 40)


class PinsRp2(Pins):
    """One board. rows: a table of pin_table; adc: (base, transfer request, pin of channel 0)."""

    def __init__(self, rows, ports, usable, adc):
        wrong = t.faults(rows, ports, usable)
        if wrong:
            raise ValueError("pin table: " + "; ".join(wrong))
        self.ports = ports
        self.lamp_count = len(t.LAMPS)
        self.firmware_boot = int.from_bytes(os.urandom(4), "little")
        self._trains = {}
        program = rp2.asm_pio(set_init=rp2.PIO.OUT_LOW)(train)
        for port in range(1, ports + 1):
            relay = machine.Pin(t.pin_of(rows, port, t.LOOP_RELAY))
            self._trains[port] = rp2.StateMachine(port - 1, program, freq=1000000, set_base=relay)
        self.board = int.from_bytes(machine.unique_id(), "big")
        self._pump_a = self._output(rows, t.PUMP_A)
        self._pump_b = self._output(rows, t.PUMP_B)
        self._permit = self._output(rows, t.PERMIT)
        self._listen_low = self._output(rows, t.LISTEN_LOW)
        self._listen_high = self._output(rows, t.LISTEN_HIGH) if ports > 2 else None
        self._inputs = [self._input(t.pin_of(rows, 0, job)) for job in t.INPUTS]
        data, clock = machine.Pin(t.pin_of(rows, 0, t.BUS_DATA)), machine.Pin(t.pin_of(rows, 0, t.BUS_CLOCK))
        i2c = machine.I2C(0, scl=clock, sda=data, freq=BUS_HZ, timeout=BUS_TIMEOUT_US)
        self._expander = Expander(i2c, EXPANDER, time.ticks_us)
        self._converter = Converter(i2c, CONVERTER, time.ticks_us)
        self._edges = EdgeQueue()
        self._senses = [self._input(t.pin_of(rows, port, job)) for port in range(1, ports + 1) for job in t.SENSES]
        for bit, pin in enumerate(self._senses):
            watch = Watch(self._edges, bit, pin.value(), time.ticks_us)
            pin.irq(watch.edge, machine.Pin.IRQ_RISING | machine.Pin.IRQ_FALLING, hard=True)
        self._readable = select.poll()
        self._readable.register(sys.stdin, select.POLLIN)
        self._writable = select.poll()
        self._writable.register(sys.stdout, select.POLLOUT)
        self._got = bytearray(READ_MOST)
        self._got_view = memoryview(self._got)
        self._outbox = Outbox(self._can_write, sys.stdout.buffer.write)
        self._heap = Memory(time.ticks_us, gc.collect, gc.mem_free)
        self._watchdog = None
        self._start_converter(rows, adc)

    def _output(self, rows, job):
        for pin, _port, name, start, _safe in rows:
            if name == job:
                return machine.Pin(pin, machine.Pin.OUT, value=start)
        raise ValueError("pin table: no " + job)

    def _input(self, pin):
        return machine.Pin(pin, machine.Pin.IN, machine.Pin.PULL_DOWN)

    def ticks_us(self):
        """See Pins."""
        return time.ticks_us()

    # Serial port to the host.

    def _can_write(self):
        return len(self._writable.poll(0)) > 0

    def read_bytes(self, most):
        """See Pins. Never more than READ_MOST: a byte costs 81 us, and a read of more than is there would wait."""
        many = 0
        most = min(most, READ_MOST)
        while many < most and self._readable.poll(0):
            if not sys.stdin.buffer.readinto(self._got_view[many : many + 1]):
                break
            many += 1
        return bytes(self._got_view[:many]) if many else b""

    def write_space(self):
        """See Pins. (Without a host the driver takes and forgets; the firmware's heartbeat knows better.)"""
        return self._outbox.space()

    def write_bytes(self, data):
        """See Pins."""
        self._outbox.put(data)

    # Sensing.

    def next_edge(self):
        """See Pins."""
        return self._edges.take()

    def edges_lost(self):
        """See Pins."""
        lost = self._edges.lost
        if lost:
            state = machine.disable_irq()
            lost = self._edges.lost
            self._edges.lost = 0
            machine.enable_irq(state)
        return lost

    def levels(self):
        """See Pins."""
        levels = 0
        for bit, pin in enumerate(self._senses):
            levels |= pin.value() << bit
        return levels

    def inputs(self):
        """See Pins."""
        inputs = self._expander.read() << len(self._inputs)
        for bit, pin in enumerate(self._inputs):
            inputs |= pin.value() << bit
        return inputs

    def bus(self):
        """See Pins."""
        return self._converter.step()

    def memory_low(self):
        """See Pins."""
        return self._heap.low()

    # Outputs.

    def _halt(self, port):
        machine_ = self._trains[port]
        machine_.active(0)
        machine_.restart()
        while machine_.tx_fifo():
            machine_.exec(DROP_WORD)
        return machine_

    def set_loop(self, port, closed):
        """See Pins."""
        self._halt(port).exec(CLOSE if closed else OPEN)

    def start_pulses(self, port, count, break_us, make_us):
        """See Pins."""
        machine_ = self._halt(port)
        machine_.put(break_us - BREAK_CYCLES)
        machine_.put(count - 1)
        machine_.put(make_us - MAKE_CYCLES)
        ticks = time.ticks_us()
        machine_.active(1)
        return time.ticks_add(ticks, LEAD_US)

    def pump(self):
        """See Pins."""
        self._pump_a.toggle()
        self._pump_b.toggle()

    def permit(self):
        """See Pins."""
        self._permit.toggle()

    def lamps(self, mask):
        """See Pins."""
        self._expander.lit = mask

    # Listening: the converter runs by itself at 8 kHz, and a transfer carries its words into a ring.

    def _start_converter(self, rows, adc):
        self._adc, request, first_pin = adc
        pin = t.pin_of(rows, 0, t.AUDIO)
        machine.ADC(machine.Pin(pin))  # makes the pin analogue and switches the converter on
        memory = bytearray(2 * RING_BYTES)  # somewhere in it is a ring at a multiple of its size
        begin = -uctypes.addressof(memory) % RING_BYTES
        self._memory = memory
        self._ring_address = uctypes.addressof(memory) + begin
        self._audio = AudioRing(memoryview(memory)[begin : begin + RING_BYTES])
        self._listening = False
        self._dma = rp2.DMA()
        self._dma_control = self._dma.pack_ctrl(
            size=1,
            inc_read=False,
            inc_write=True,
            ring_sel=True,
            ring_size=RING_SIZE,
            treq_sel=request,
            irq_quiet=True,
        )
        self._write(CS, CS_ENABLE | (pin - first_pin) << CS_CHANNEL_BIT)
        self._write(DIV, DIV_8KHZ)

    def _write(self, register, value):
        machine.mem32[self._adc + register] = value

    def _read(self, register):
        return machine.mem32[self._adc + register]

    def listen(self, port):
        """See Pins."""
        control = self._read(CS) & ~CS_MANY
        self._write(CS, control)
        self._dma.active(0)
        self._listening = port > 0
        if not port:
            return
        self._listen_low.value((port - 1) & 1)
        if self._listen_high:
            self._listen_high.value((port - 1) >> 1)
        self._write(FCS, FCS_ON)
        while self._read(FCS) >> FCS_LEVEL_BIT & 15:
            self._read(FIFO)
        self._dma.config(
            read=self._adc + FIFO,
            write=self._ring_address,
            count=TRANSFERS,
            ctrl=self._dma_control,
            trigger=True,
        )
        self._audio.start(time.ticks_us())
        self._write(CS, control | CS_MANY)

    def audio_block(self):
        """See Pins."""
        if not self._listening:
            return None
        return self._audio.block(TRANSFERS - self._dma.count, MASK)  # type: ignore[attr-defined]  # the stubs lack it

    # The idle part of a pass.

    def collect(self):
        """See Pins."""
        self._heap.collect()

    def alive(self):
        """See Pins. The first pass starts the watchdog; nothing stops it then, and boot is safe."""
        if self._watchdog:
            self._watchdog.feed()
        else:
            self._watchdog = machine.WDT(timeout=WATCHDOG_MS)

    def rest(self, most_us):
        """See Pins."""
        time.sleep_us(most_us)


def board():
    """Return what differs from board to board, for PinsRp2, of the one that this chip is on."""
    name = os.uname().machine
    if "RP2350" not in name:
        return t.TWO_PORTS, 2, t.TWO_PORT_PINS, ADC_RP2040
    try:
        machine.Pin(47)  # only the chip with 48 pins has it
    except ValueError:
        return t.TWO_PORTS, 2, t.TWO_PORT_PINS, ADC_RP2350A
    return t.FOUR_PORTS, 4, t.FOUR_PORT_PINS, ADC_RP2350B


def main():
    """Run the firmware for ever; the board's main.py calls this.

    A fault of the firmware leaves the outputs off (see run); the watchdog then boots the board anew. Nothing interrupts
    the firmware from outside; the way in for a new one is the button: held for three seconds at boot, no output is
    touched, no watchdog starts, and the board answers as any with MicroPython does.
    """
    rows, ports, usable, adc = board()
    button = machine.Pin(t.pin_of(rows, 0, t.BUTTON), machine.Pin.IN, machine.Pin.PULL_DOWN)
    if held_at_boot(lambda: not button.value(), time.sleep_ms):  # its contact is open while it is pressed
        print("The button was held: the firmware is not started, and every output is off.")
        return
    micropython.kbd_intr(-1)  # byte 3 of a frame must not interrupt
    try:
        run(PinsRp2(rows, ports, usable, adc))
    finally:
        micropython.kbd_intr(3)
