"""A board in memory with a clock that the test sets, and a host at the other end. Runs in CPython and in MicroPython.

`MemoryPins` implements the whole of `pins.Pins`: its loops really follow the outputs (sensed SENSE_US later), and its
trains give an edge for every contact. `Stage` advances it together with the firmware's own loop and a real host
session, from instant to instant; `extra` instants are passes that nobody asked for.
"""
# ruff: noqa: UP031, RUF005
# mypy: allow-untyped-calls

from demo_ctl.board.main import Loop
from demo_ctl.board.pins import Pins
from demo_ctl.wire import messages as m
from demo_ctl.wire.codec import encode
from demo_ctl.wire.framing import frame
from demo_ctl.wire.host_session import HostSession

SENSE_US = 700
EDGES_MOST = 256
BEAT_US = 200000
MASK = (1 << 30) - 1
FAR_US = 1 << 62
ALARMS = m.IN_COVERS | m.IN_ALONE | m.IN_FUSE | m.IN_RELEASE | m.IN_SUPERVISORY | m.IN_SMOKE
FINE = m.IN_CHAIN_A | m.IN_CHAIN_B | m.IN_MIRROR_A | m.IN_MIRROR_B | m.IN_KEY | ALARMS
MIRRORS = m.IN_MIRROR_A | m.IN_MIRROR_B
KEY_OFF = ALARMS | MIRRORS  # the key is in the chain
PULL_US = 12000
HOLD_US = 50000
READING_US = 50000


class MemoryPins(Pins):
    simulated = 1
    firmware_boot = 7
    lamp_count = 7

    def __init__(self, ports: int = 4, now_us: int = 0) -> None:
        self.ports = ports
        self.now_us = now_us
        self.began_us = now_us  # readings are numbered from here: nothing but ticks knows the absolute time
        self.space = 4096
        self.reads = 16  # bytes handed over a call
        self.sensed = 0
        self.input_bits = FINE
        self.pumped_us = -FAR_US  # last move
        self.moves_from_us = -FAR_US  # first move of those that follow each other closely
        self.supply_mV = 90000
        self.welded = False  # the isolating contactor
        self.battery_mV = 48000
        self.bus_mV = -1  # -1: follows the relays
        self.bus_uA = -1
        self.readings = True
        self.low = False
        self.log: list[tuple[int, ...]] = []  # outputs: (instant, what, ...)
        self.sent = bytearray()
        self.waiting = bytearray()
        self.edges: list[tuple[int, int]] = []
        self.lost = 0
        self.later: list[tuple[int, int, int, int]] = []  # (instant, order, bit, level) of edges to come
        self.order = 0
        self.trains = [0] * (ports + 1)  # run number of the train that may still move the loop
        self.listening = 0
        self.listen_us = 0
        self.taken = 0

    # What the world does.

    def at(self, at_us: int, bit: int, level: int) -> None:
        """An edge to come."""
        self.order += 1
        self.later.append((at_us, self.order, bit, level))
        self.later.sort()

    def next_us(self) -> int:
        next_us = self.later[0][0] if self.later else FAR_US
        if self.pumped_us >= 0:
            for at_us in (self.moves_from_us + PULL_US, self.pumped_us + HOLD_US):
                if at_us > self.now_us:
                    next_us = min(next_us, at_us)
        return next_us

    def arrive(self) -> None:
        """Let the edges of this instant happen."""
        while self.later and self.later[0][0] <= self.now_us:
            at_us, _order, bit, level = self.later.pop(0)
            if (self.sensed >> bit & 1) == level:
                continue
            self.sensed ^= 1 << bit
            if len(self.edges) < EDGES_MOST:
                self.edges.append((at_us & MASK, bit << 1 | level))
            else:
                self.lost += 1

    @property
    def up(self) -> bool:
        """Both of the guard's relays: up from PULL_US after the first move to HOLD_US after the last."""
        return self.now_us - self.pumped_us < HOLD_US and self.now_us - self.moves_from_us >= PULL_US

    # Pins.

    def ticks_us(self) -> int:
        return self.now_us & MASK

    def read_bytes(self, most: int) -> bytes:
        most = min(most, self.reads)
        data = bytes(self.waiting[:most])
        self.waiting = self.waiting[most:]
        return data

    def write_space(self) -> int:
        return self.space

    def write_bytes(self, data: bytes) -> None:
        assert len(data) <= self.space
        self.sent += data

    def next_edge(self) -> "tuple[int, int] | None":
        return self.edges.pop(0) if self.edges else None

    def edges_lost(self) -> int:
        lost, self.lost = self.lost, 0
        return lost

    def levels(self) -> int:
        return self.sensed

    def inputs(self) -> int:
        if self.up:
            return self.input_bits & ~MIRRORS
        return self.input_bits

    def bus(self) -> "tuple[int, int, int, int, int]":
        fed = self.up and self.input_bits & 3 == 3
        bus_mV = self.bus_mV if self.bus_mV >= 0 else self.supply_mV if fed else 0
        return (
            (self.now_us - self.began_us) // READING_US if self.readings else 0,
            bus_mV,
            max(0, self.bus_uA),
            self.supply_mV if self.input_bits & 3 == 3 or self.welded else 0,
            self.battery_mV,
        )

    def memory_low(self) -> bool:
        return self.low

    def permit(self) -> None:
        self.log.append((self.now_us, 5))

    def lamps(self, mask: int) -> None:
        self.log.append((self.now_us, 6, mask))

    def _forget(self, port: int) -> None:
        bit = 4 * (port - 1) + m.LOOP
        self.later = [one for one in self.later if one[2] != bit or one[0] <= self.now_us + SENSE_US]

    def set_loop(self, port: int, closed: int) -> None:
        self._forget(port)
        self.log.append((self.now_us, 1, port, closed))
        self.at(self.now_us + SENSE_US, 4 * (port - 1) + m.LOOP, closed)

    def start_pulses(self, port: int, count: int, break_us: int, make_us: int) -> int:
        self._forget(port)
        self.log.append((self.now_us, 2, port, count, break_us, make_us))
        at_us = self.now_us + SENSE_US
        for _ in range(count):
            self.at(at_us, 4 * (port - 1) + m.LOOP, 0)
            self.at(at_us + break_us, 4 * (port - 1) + m.LOOP, 1)
            at_us += break_us + make_us
        return self.now_us & MASK

    def pump(self) -> None:
        if self.now_us - self.pumped_us >= HOLD_US:
            self.moves_from_us = self.now_us
        self.pumped_us = self.now_us
        self.log.append((self.now_us, 3))

    def listen(self, port: int) -> None:
        self.log.append((self.now_us, 4, port))
        self.listening = port
        self.listen_us = self.now_us
        self.taken = 0

    def audio_block(self) -> "tuple[int, int, bytes] | None":
        first = self.taken * m.AUDIO_BLOCK
        at_us = self.listen_us + self.taken * m.AUDIO_BLOCK_US
        if not self.listening or self.now_us < at_us + m.AUDIO_BLOCK_US:
            return None
        self.taken += 1
        return first, at_us & MASK, bytes([self.taken & 255, 8]) * m.AUDIO_BLOCK

    def collect(self) -> None:
        pass


class Stage:
    """One board, one host, one clock."""

    def __init__(self, ports: int = 4, start_us: int = 0) -> None:
        self.pins = MemoryPins(ports, start_us)
        self.loop = Loop(self.pins)
        self.firmware = self.loop.firmware
        self.host = HostSession()
        self.heard: list[object] = []
        self.wire: list[tuple[int, bytes]] = []  # what the board wrote, when
        self.deadline_us = start_us
        self.beat_us = FAR_US  # the host's next heartbeat
        self.acks = True  # the host sends what it has to say by itself
        self.doings: list[tuple[int, int, object]] = []  # (instant, order, function)
        self.extra: list[int] = []
        self.seen_inputs = -1
        self.passes = 0

    @property
    def now_us(self) -> int:
        return self.pins.now_us

    def do(self, at_us: int, function: object) -> None:
        """Call function() at an instant to come."""
        self.doings.append((at_us, len(self.doings), function))
        self.doings.sort(key=lambda one: one[:2])

    def run(self, until_us: int) -> None:
        """Advance to an instant, everything at it included."""
        pins = self.pins
        while True:
            self._instant()
            host_us = (self.host.next_deadline() or FAR_US) if self.acks else FAR_US
            next_us = min(self.deadline_us, pins.next_us(), self.beat_us, host_us)
            if self.doings:
                next_us = min(next_us, self.doings[0][0])
            if self.extra:
                next_us = min(next_us, self.extra[0])
            if next_us > until_us:
                break
            pins.now_us = max(next_us, pins.now_us)
        pins.now_us = until_us

    def _instant(self) -> None:
        pins = self.pins
        now_us = pins.now_us
        stir = False
        while self.doings and self.doings[0][0] <= now_us:
            self.doings.pop(0)[2]()  # type: ignore[operator]
            stir = True
        if now_us >= self.beat_us:
            self.beat_us += BEAT_US
            self.host.heartbeat(now_us)
        if pins.later and pins.later[0][0] <= now_us:
            pins.arrive()
            stir = True
        if pins.inputs() != self.seen_inputs:
            self.seen_inputs = pins.inputs()
            stir = True
        while self.extra and self.extra[0] <= now_us:
            self.extra.pop(0)
            stir = True
        for _ in range(3000):
            if self.acks:
                self.host.tick(now_us)
                pins.waiting += self.host.outgoing()
            if not (stir or pins.waiting or pins.edges or self.deadline_us <= now_us):
                return
            stir = False
            self.deadline_us = self.loop.run_once()
            self.passes += 1
            assert self.deadline_us >= now_us
            if pins.sent:
                data = bytes(pins.sent)
                pins.sent = bytearray()
                self.wire.append((now_us, data))
                self.heard += self.host.feed(data, now_us)
        raise AssertionError("the firmware never rests at %d" % now_us)

    # The host's manners.

    def turn_key(self, off_us: int = 150000) -> None:
        """A person turns the key off and on; what the board needs to believe it passes as well."""
        before = self.pins.input_bits
        for bits in (before & ~m.IN_KEY & ~3, before | m.IN_KEY | 3):
            self.pins.input_bits = bits
            self.run(self.now_us + off_us)

    def ask(self, message: object, wait_us: int = 5000) -> object:
        """Send a command and run until it is answered, or for wait_us."""
        self.host.request(message, self.now_us)
        self.run(self.now_us + wait_us)
        return self.host.answered

    def hello(self, nonce: int = 1) -> object:
        answer = self.ask(m.Hello(m.PROTOCOL, m.TABLE_HASH, nonce))
        self.beat_us = self.now_us
        return answer

    def upload(
        self, plan: int, steps: "list[m.Instruction]", roles: "tuple[int, ...]" = (1, 2, 0, 0), kind: int = 0
    ) -> "list[int]":
        """Upload; return the answers' codes and the last one's detail."""
        import struct
        from binascii import crc32

        data = b"".join([struct.pack(m.INSTRUCTION, *one) for one in steps])
        asks: list[object] = [m.Begin(plan, len(steps), roles[0], roles[1], roles[2], roles[3], kind)]
        for first in range(0, len(steps), m.LOAD_MOST):
            some = data[first * 12 : (first + m.LOAD_MOST) * 12]
            asks.append(m.Load(first, len(some) // 12, some))
        asks.append(m.Commit(plan, crc32(data)))
        codes = []
        detail = 0
        for one in asks:
            answer = self.ask(one)
            assert type(answer) is m.Answer
            codes.append(answer.code)
            detail = answer.detail
            if answer.code:
                break
        return codes + [detail]

    def play(self, steps: "list[m.Instruction]", roles: "tuple[int, ...]" = (1, 2, 0, 0), key: bool = True) -> int:
        """Turn the key if need be, hello, upload, start; return the instant at which the plan started."""
        if key and self.firmware.guard.state in (m.G_LOCKED, m.G_TRIPPED):
            self.turn_key()
        if type(self.hello()) is not m.Welcome or any(self.upload(5, steps, roles)):
            raise AssertionError("not taken: %r" % (self.host.answered,))
        answer = self.ask(m.Start(5), 0)
        for _ in range(10):
            if answer:
                break
            self.run(self.now_us + 1)
            answer = self.host.answered
        assert answer.code == m.OK, answer  # type: ignore[attr-defined]
        return [one.at_us for one in self.events(m.EV_PLAN) if one.value == m.RUNNING][-1]

    def events(self, *kinds: int) -> "list[m.Event]":
        return [one for one in self.heard if type(one) is m.Event and (not kinds or one.kind in kinds)]

    def command(self, sequence: int, message: object) -> None:
        """Send a command past the host session: nobody waits for its answer."""
        self.pins.waiting += frame(encode(sequence, message))

    def closed(self) -> "list[int]":
        """Ports whose loop the board holds closed now."""
        state = [0] * (self.pins.ports + 1)
        for one in self.pins.log:
            if one[1] in (1, 2):
                state[one[2]] = one[3] if one[1] == 1 else 1
        return [port for port, closed in enumerate(state) if closed]

    def lit(self) -> "list[tuple[int, int]]":
        """What the lamps became, and when."""
        return [(one[0], one[2]) for one in self.pins.log if one[1] == 6]

    def pumps(self) -> "list[int]":
        """Instants of all pump moves so far."""
        return [one[0] for one in self.pins.log if one[1] == 3]


def busy_scene(start_us: int) -> "Stage":
    """A scene with everything in it, the same in CPython and in MicroPython."""
    step = m.Instruction
    stage = Stage(start_us=start_us)
    t = stage.play(
        [
            step(m.OP_WAIT, 0, 0, 100000, 0),
            step(m.OP_LOOP, 1, 1, 0, 0),
            step(m.OP_WAIT_FOR, 1, m.LOOP << 1 | 1 | 1 << 8, 1000000, 1),
            step(m.OP_LISTEN, 1, 1, 0, 0),
            step(m.OP_PULSES, 1, 5, 61000, 39000),
            step(m.OP_WAIT, 0, 0, 600000, 0),
            step(m.OP_PULSES, 1, 10, 61000, 39000),
            step(m.OP_RINGING, 2, 1, 3000000, 0),
            step(m.OP_WAIT_FOR, 2, m.RINGING << 1 | 1 | 2 << 8, 5000000, 1),
            step(m.OP_LOOP, 2, 1, 0, 0),
            step(m.OP_RINGING, 2, 0, 0, 0),
            step(m.OP_GATE, 0, 9, 2000000, 0),
            step(m.OP_WAIT_FOR, 1, m.REVERSED << 1 | 1 | 1 << 8, 300000, 0),
        ]
    )
    for nth in range(3):  # rings twice, with a poor contact
        stage.pins.at(t + 2800000 + nth * 400000, 7, 1)
        stage.pins.at(t + 2810000 + nth * 400000, 7, 0)
        stage.pins.at(t + 2812000 + nth * 400000, 7, 1)
        stage.pins.at(t + 2990000 + nth * 400000, 7, 0)
    for nth in range(400):  # a chattering contact: more than is reported
        stage.pins.at(t + 1000000 + nth * 900, 9, nth & 1)
    stage.do(t + 3500000, lambda: stage.host.request(m.Go(9), stage.now_us))
    stage.do(t + 3900000, lambda: stage.host.request(m.StatusRequest(77), stage.now_us))
    stage.do(t + 400000, lambda: stage.host.request(m.Lamps(21, 4), stage.now_us))
    stage.do(t + 420000, lambda: stage.host.request(m.Lamps(64, 0), stage.now_us))
    stage.do(t + 430000, lambda: stage.host.request(m.Lamps(1 << 7, 0), stage.now_us))
    stage.do(t + 500000, lambda: stage.host.request(m.Lamps(3, 3), stage.now_us))
    stage.run(t + 4500000)
    return stage


def main() -> None:
    """Print every byte that the board wrote, when, and every output."""
    for start_us in (0, (1 << 30) - 2000000):
        stage = busy_scene(start_us)
        for at_us, data in stage.wire:
            print(at_us, data.hex())
        for one in stage.pins.log:
            print(*one)


if __name__ == "__main__":
    main()
