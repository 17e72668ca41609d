"""The board's simulated electronics: exact instants, bounded queues, fail-safe guard."""

from __future__ import annotations

from typing import Any, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.guard_circuit import GUARD_HOLD_US, GUARD_PULL_US, PUMP_LEAST_US, PUMP_MOST_US
from demo_ctl.bench.hardware import AUDIO_MOST, EDGES_MOST, Hardware
from demo_ctl.bench.kernel import Kernel
from demo_ctl.board.pins import TICKS
from demo_ctl.wire.messages import (
    AUDIO_BLOCK,
    AUDIO_BLOCK_US,
    IN_CHAIN_A,
    IN_CHAIN_B,
    IN_KEY,
    IN_MIRROR_A,
    IN_MIRROR_B,
)


class Recorder:
    """Stands where the unit stands and writes down what the board's contacts do, and when."""

    def __init__(self, kernel: Kernel) -> None:
        self.kernel = kernel
        self.loops: list[tuple[int, int, bool]] = []
        self.feed: list[tuple[int, bool]] = []
        self.on_edge: Any = None
        self.generator_V = 86.0
        self.battery_V = 50.0
        self.lamp_ohm = 400.0

    def on_draw(self, to: Any) -> None:
        pass

    def levels(self) -> int:
        return 0

    def set_loop(self, port: int, closed: bool) -> None:
        self.loops.append((self.kernel.now_us, port, closed))

    def set_ringing_feed(self, on: bool) -> None:
        self.feed.append((self.kernel.now_us, on))

    def audio_block(self, port: int, first_sample: int, start_us: int) -> bytes:
        return b"".join(((first_sample + i) & 0xFFF).to_bytes(2, "little") for i in range(AUDIO_BLOCK))


def make(start_ticks: int = 0) -> tuple[Kernel, Recorder, Hardware]:
    kernel = Kernel()
    unit = Recorder(kernel)
    return kernel, unit, Hardware(kernel, cast(Any, unit), start_ticks=start_ticks)


@settings(deadline=None)
@given(
    st.integers(0, 5_000_000),
    st.integers(1, 20),
    st.integers(10_000, 200_000),
    st.integers(10_000, 200_000),
    st.integers(0, TICKS - 1),
)
def test_a_train_is_exact_to_the_microsecond(start: int, count: int, brk: int, make_us: int, zero: int) -> None:
    kernel, unit, board = make(zero)
    kernel.run_to(start)
    assert board.start_pulses(2, count, brk, make_us) == (start + zero) % TICKS
    kernel.run_to(start + count * (brk + make_us) + 1_000_000)
    want = []
    for i in range(count):
        at = start + i * (brk + make_us)
        want += [(at, 2, False), (at + brk, 2, True)]
    assert unit.loops == want  # and the last make lasts


@settings(deadline=None)
@given(st.integers(1, 10), st.integers(0, 1_100_000), st.booleans())
def test_set_loop_stops_a_train(count: int, stop_us: int, closed: bool) -> None:
    kernel, unit, board = make()
    board.start_pulses(1, count, 61_000, 39_000)
    kernel.run_to(stop_us)
    board.set_loop(1, int(closed))
    before = list(unit.loops)
    assert before[-1] == (stop_us, 1, closed)
    kernel.run_to(5_000_000)
    assert unit.loops == before


def test_trains_of_two_ports_do_not_disturb_each_other() -> None:
    kernel, unit, board = make()
    board.start_pulses(1, 3, 60_000, 40_000)
    kernel.run_to(10_000)
    board.start_pulses(2, 2, 66_700, 33_300)
    board.set_loop(3, 1)
    kernel.run_to(1_000_000)
    assert [(at, closed) for at, port, closed in unit.loops if port == 1] == [
        (0, False), (60_000, True), (100_000, False), (160_000, True), (200_000, False), (260_000, True)
    ]  # fmt: skip
    assert [at for at, port, _ in unit.loops if port == 2] == [10_000, 76_700, 110_000, 176_700]


def mirrors(board: Hardware) -> int:
    board.begin()
    return board.inputs() & (IN_MIRROR_A | IN_MIRROR_B)


BOTH = IN_MIRROR_A | IN_MIRROR_B


@settings(deadline=None)
@given(st.lists(st.integers(PUMP_LEAST_US, PUMP_MOST_US), min_size=1, max_size=60))
def test_guard_stays_while_pumped_and_falls_50_ms_after_the_last_move(gaps: list[int]) -> None:
    kernel, unit, board = make()
    assert mirrors(board) == BOTH
    board.pump()
    pulled = gaps[0] + GUARD_PULL_US  # the first move after a rest does nothing by itself
    at = 0
    for gap in gaps:
        at += gap
        kernel.run_to(at)
        board.pump()
    kernel.run_to(at + GUARD_HOLD_US - 1)
    assert mirrors(board) == 0
    assert unit.feed == [(pulled, True)]
    kernel.run_to(at + GUARD_HOLD_US)
    assert mirrors(board) == BOTH
    assert unit.feed == [(pulled, True), (at + GUARD_HOLD_US, False)]
    kernel.run_to(at + 10_000_000)
    assert len(unit.feed) == 2


@pytest.mark.parametrize(("chain", "mirror"), [(IN_CHAIN_A, IN_MIRROR_A), (IN_CHAIN_B, IN_MIRROR_B)])
def test_an_open_chain_drops_its_own_relay_though_the_pump_moves(chain: int, mirror: int) -> None:
    kernel, unit, board = make()

    def pump_until(until: int) -> None:
        while kernel.now_us < until:
            board.pump()
            kernel.run_to(kernel.now_us + 10_000)

    pump_until(100_000)
    board.set_input(chain, False)
    pump_until(200_000)
    assert mirrors(board) == mirror
    assert not board.inputs() & chain
    assert not board.ringing_fed
    board.set_input(chain, True)
    pump_until(300_000)
    assert mirrors(board) == 0
    assert board.ringing_fed
    assert [on for _, on in unit.feed] == [True, False, True]


def test_an_open_chain_never_lets_the_feed_close() -> None:
    kernel, unit, board = make()
    board.set_input(IN_CHAIN_B, False)
    for _ in range(50):
        board.pump()
        kernel.run_to(kernel.now_us + 10_000)
    assert unit.feed == []
    assert mirrors(board) == IN_MIRROR_B


def test_key_is_on_by_default_and_can_be_turned() -> None:
    _, _, board = make()
    assert board.inputs() & IN_KEY
    board.dirty = False
    board.set_input(IN_KEY, False)
    assert board.dirty  # the firmware is called to look
    board.begin()
    assert not board.inputs() & IN_KEY


@settings(deadline=None)
@given(st.integers(0, 700), st.integers(0, TICKS - 1))
def test_edge_queue_is_bounded_and_says_what_it_lost(many: int, zero: int) -> None:
    kernel, unit, board = make(zero)
    for i in range(many):
        kernel.run_to(i * 10)
        unit.on_edge(i % 16, i & 1)
    board.begin()
    taken = []
    while (edge := board.next_edge()) is not None:
        taken.append(edge)
    kept = min(many, EDGES_MOST)
    assert taken == [((zero + i * 10) % TICKS, (i % 16) << 1 | (i & 1)) for i in range(kept)]
    assert board.edges_lost() == many - kept
    assert board.edges_lost() == 0


def test_a_pass_sees_only_what_was_there_when_it_began() -> None:
    _, unit, board = make()
    board.begin()
    unit.on_edge(0, 1)
    board.host_writes(b"late")
    assert board.next_edge() is None
    assert board.read_bytes(99) == b""
    board.end()
    assert board.dirty
    board.begin()
    assert board.next_edge() == (0, 1)
    assert board.read_bytes(2) == b"la"
    board.end()
    assert board.dirty  # two bytes are left, and the pass took some
    board.begin()
    board.end()
    assert not board.dirty  # a pass that takes nothing is not called for ever


@settings(deadline=None)
@given(st.integers(0, 3_000_000), st.integers(1, 30), st.integers(0, TICKS - 1))
def test_audio_blocks_follow_each_other_exactly(start: int, many: int, zero: int) -> None:
    kernel, _, board = make(zero)
    kernel.run_to(start)
    board.listen(1)
    got = []
    for i in range(many):
        kernel.run_to(start + (i + 1) * AUDIO_BLOCK_US - 1)
        board.begin()
        assert board.audio_block() is None
        kernel.run_to(start + (i + 1) * AUDIO_BLOCK_US)
        board.begin()
        block = board.audio_block()
        assert block is not None
        got.append(block[:2])
        assert len(block[2]) == 2 * AUDIO_BLOCK
    assert got == [(i * AUDIO_BLOCK, (start + zero + i * AUDIO_BLOCK_US) % TICKS) for i in range(many)]
    board.listen(0)
    kernel.run_to(kernel.now_us + 1_000_000)
    board.begin()
    assert board.audio_block() is None


def test_audio_nobody_takes_is_overwritten_and_the_index_shows_it() -> None:
    kernel, _, board = make()
    board.listen(1)
    kernel.run_to(10 * AUDIO_BLOCK_US)
    firsts = []
    for _ in range(AUDIO_MOST + 1):
        board.begin()
        block = board.audio_block()
        firsts.append(block[0] if block else None)
    assert firsts == [6 * AUDIO_BLOCK, 7 * AUDIO_BLOCK, 8 * AUDIO_BLOCK, 9 * AUDIO_BLOCK, None]


def test_writing_beyond_the_space_is_an_error() -> None:
    _, _, board = make()
    board.begin()
    space = board.write_space()
    board.write_bytes(bytes(space))
    assert board.write_space() == 0
    with pytest.raises(ValueError, match="1 bytes written into space for 0"):
        board.write_bytes(b"x")
    board.set_listening(False)
    board.host_takes(4096)
    board.begin()
    assert board.write_space() == 0  # nobody has the port open


def test_power_off_puts_every_output_to_rest() -> None:
    kernel, unit, board = make()
    board.set_loop(1, 1)
    board.start_pulses(2, 5, 60_000, 40_000)
    for _ in range(10):
        board.pump()
        kernel.run_to(kernel.now_us + 10_000)
    pumped = kernel.now_us - 10_000
    board.power_off()
    at = kernel.now_us
    assert unit.loops[-4:] == [(at, port, False) for port in (1, 2, 3, 4)]
    count = len(unit.loops)
    kernel.run_to(at + 1_000_000)
    assert len(unit.loops) == count
    assert unit.feed[1:] == [(pumped + GUARD_HOLD_US, False)]  # the stages know nothing of the board's power
