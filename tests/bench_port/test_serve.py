"""The served bench: a real pseudo-terminal that outlives its clients."""

from __future__ import annotations

import os
import signal
import struct
import subprocess
import sys
import termios
import threading
from binascii import crc32
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import serial
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.board_faults import HARDWARE_FAULTS
from demo_ctl.bench.people import SAYINGS, obey
from demo_ctl.bench.protocol_bench import Serial
from demo_ctl.bench.serve import serve_pty
from demo_ctl.terms.errors import InputError, LinkError
from demo_ctl.wire import messages as m
from demo_ctl.wire.codec import decode, encode
from demo_ctl.wire.framing import Deframer, frame

ROOT = Path(__file__).resolve().parents[2]
UNIT = ROOT / "configs" / "units" / "travelling.yaml"


class Service:
    def __init__(self, **options: str) -> None:
        self.path = ""
        self.trouble: BaseException | None = None
        self.stop = threading.Event()
        self._there = threading.Event()
        self.thread = threading.Thread(target=self._serve, args=(list({"unit": str(UNIT), **options}.items()),))
        self.thread.start()
        assert self._there.wait(30)

    def _serve(self, options: list[tuple[str, str]]) -> None:
        try:
            serve_pty(options, announce=self._announce, stop=self.stop)
        except BaseException as e:
            self.trouble = e
        self._there.set()

    def _announce(self, path: str) -> None:
        self.path = path
        self._there.set()


@contextmanager
def service(**options: str) -> Iterator[Service]:
    served = Service(**options)
    try:
        yield served
    finally:
        served.stop.set()
        served.thread.join(30)
        assert not served.thread.is_alive()


def ask(line: Any, *said: Any) -> list[Any]:
    """Write messages, return what comes back until it has been quiet for a while."""
    parse: Any = decode
    deframer: Any = Deframer()
    line.timeout = 0.2
    line.write(b"\0" + b"".join(frame(encode(number, message)) for number, message in enumerate(said)))
    heard: list[Any] = []
    while data := line.read(1):
        heard += [parse(payload)[1] for payload in deframer.feed(data + line.read(line.in_waiting))]
    return heard


def hello(nonce: int) -> m.Hello:
    return m.Hello(m.PROTOCOL, m.TABLE_HASH, nonce)


def only(heard: list[Any], kind: Any) -> Any:
    return [x for x in heard if type(x) is kind][-1]


def test_clients_come_and_go_and_the_board_stays() -> None:
    with service() as served:
        boots = set()
        clocks = []
        for nonce in range(1, 4):
            with serial.Serial(served.path) as line:
                welcome = only(ask(line, hello(nonce)), m.Welcome)
                assert welcome.nonce == nonce
                boots.add(welcome.boot)
                clocks.append(welcome.now_us)
        assert len(boots) == 1
        assert clocks == sorted(set(clocks))
    assert served.trouble is None
    assert not Path(served.path).exists()


def test_a_client_that_does_not_set_raw_mode_gets_its_bytes_whole() -> None:
    everything = m.StatusRequest(0x0D0A1103)  # carriage return, line feed, XON, Ctrl-C
    with service() as served:
        for _ in range(2):
            fd = os.open(served.path, os.O_RDWR | os.O_NOCTTY)
            try:
                assert not termios.tcgetattr(fd)[3] & (termios.ICANON | termios.ECHO | termios.ISIG)
                os.write(fd, b"\0" + frame(encode(3, everything)))
                parse: Any = decode
                deframer: Any = Deframer()
                heard: list[Any] = []
                while not any(type(x) is m.Status for x in heard):
                    heard += [parse(payload)[1] for payload in deframer.feed(os.read(fd, 4096))]
                assert only(heard, m.Status).nonce == everything.nonce
            finally:
                os.close(fd)


def test_what_a_client_left_unread_does_not_harm_the_next() -> None:
    with service() as served:
        with serial.Serial(served.path) as line:
            only(ask(line, hello(1)), m.Welcome)
            line.write(b"".join(frame(encode(n, m.StatusRequest(n))) for n in range(200)))
        with serial.Serial(served.path) as line:
            heard: list[Any] = []
            while not any(type(x) is m.Welcome and x.nonce == 2 for x in heard):
                heard = ask(line, hello(2))  # a board that is being flooded drops commands; hosts repeat them
            assert only(ask(line, m.StatusRequest(9)), m.Status).nonce == 9


def test_a_client_that_goes_is_a_pulled_cable() -> None:
    plan = ((m.OP_LOOP, 1, 1, 0, 0), (m.OP_WAIT, 0, 0, 30_000_000, 0))
    data = b"".join(struct.pack(m.INSTRUCTION, *each) for each in plan)
    with service() as served:
        with serial.Serial(served.path) as line:
            heard = ask(
                line,
                hello(1),
                m.Begin(1, 2, m.CALLING, 0, 0, 0, m.PLAN_CALL),
                m.Load(0, 2, data),
                m.Commit(1, crc32(data)),
                m.Start(1),
                m.StatusRequest(5),
            )
            assert only(heard, m.Status).plan_state == m.RUNNING
        with serial.Serial(served.path) as line:
            status = only(ask(line, m.StatusRequest(6)), m.Status)
            while status.plan_state == m.RUNNING:
                status = only(ask(line, m.StatusRequest(status.nonce + 1)), m.Status)
            assert (status.plan_state, status.reason) == (m.ENDED_EARLY, m.R_SILENCE)
            assert not status.levels & 1


def test_a_person_types_what_hands_do() -> None:
    """The guard's inputs follow; nonsense is answered, and never ends the service."""
    typed, keyboard = os.pipe()
    answers: list[str] = []
    stop, there = threading.Event(), threading.Event()
    paths: list[str] = []

    def announce(path: str) -> None:
        paths.append(path)
        there.set()

    options = [("unit", str(UNIT)), ("guard", "locked")]
    serving = threading.Thread(
        target=serve_pty,
        args=(options,),
        kwargs={"announce": announce, "stop": stop, "typed": typed, "say": answers.append},
    )
    serving.start()
    try:
        assert there.wait(30)
        with serial.Serial(paths[0]) as line:
            state = -1
            for nonce, (said, wanted) in enumerate(
                [
                    ("", m.G_LOCKED),
                    ("key off\n", m.G_KEY_OFF),
                    ("KEY  day\n", m.G_SAFE),
                    ("break mirror-a-broken\n", m.G_TRIPPED),
                    ("mend mirror-a-broken\nkey off\n", m.G_KEY_OFF),
                ]
            ):
                os.write(keyboard, said.encode())
                while state != wanted:
                    state = only(ask(line, hello(nonce), m.SafetyRequest(nonce)), m.Safety).state
            for said in ("cover open", "stop press", "what", "break it", "\xff"):
                os.write(keyboard, said.encode("latin-1") + b"\n")
            worked = m.IN_CHAIN_A | m.IN_CHAIN_B | m.IN_COVERS | m.IN_KEY
            while len(answers) < 10 or only(ask(line, hello(8), m.SafetyRequest(8)), m.Safety).inputs & worked:
                pass
            os.close(keyboard)  # whoever typed is gone; the service stays
            assert only(ask(line, m.SafetyRequest(9)), m.Safety)
    finally:
        stop.set()
        serving.join(30)
        os.close(typed)
    assert answers[:2] == ["the key is off", "the key is at day"]
    assert answers[2] == "mirror contact A: its wire is broken: it reads open (relay up), whatever the relay does"
    assert answers[3:6] == ["mirror contact A: mended", "the key is off", "a cover is open"]
    assert answers[7] == "'what' is not understood; help lists what is."
    assert "no fault 'it'" in answers[8]


@pytest.mark.parametrize(
    "line", [*SAYINGS, *(f"{word} {name}" for name in HARDWARE_FAULTS for word in ("break", "mend"))]
)
def test_everything_that_can_be_typed_is_done_and_answered(line: str) -> None:
    port = Serial(None, timeout=0)
    port.port = f"bench://?unit={UNIT}"
    port.open()
    try:
        with port.standing_still() as world:
            answer = obey(world.hardware, f"  {line.upper()} ")
        assert answer
        assert "is not understood" not in answer
        port.world.advance(500_000)
    finally:
        port.close()


def test_whoever_serves_the_bench_is_told_which_lamps_are_lit() -> None:
    port = Serial(None, timeout=0)
    port.port = f"bench://?unit={UNIT}"
    port.open()
    try:
        hardware = port.world.hardware
        told = []
        for mask in (0, 0b100, 0b1000101):
            hardware.lamps(mask)
            told.append(obey(hardware, "lamps"))
    finally:
        port.close()
    assert told == ["all 7 lamps are dark", "lamp 3 is lit", "lamps 1, 3 and 7 are lit"]


@settings(deadline=None)
@given(st.text(max_size=80))
def test_no_line_makes_a_traceback(typed: str) -> None:
    port = Serial(None, timeout=0)
    port.port = f"bench://?unit={UNIT}&guard=locked"
    port.open()
    try:
        assert isinstance(obey(port.world.hardware, typed), str)
    finally:
        port.close()


def test_wrong_options_are_an_input_error() -> None:
    for options in ([("board", "c")], [("unit", "nowhere.yaml")], [("speed", "1")]):
        with pytest.raises(InputError, match=r"board|nowhere|speed"):
            serve_pty(options, announce=lambda path: None)


def test_the_board_behind_it_dying_ends_the_service_with_its_reason(monkeypatch: pytest.MonkeyPatch) -> None:
    from demo_ctl.bench.cosim import MicropythonBoard

    boards: list[MicropythonBoard] = []
    start = MicropythonBoard.__init__

    def note(self: MicropythonBoard, hardware: Any) -> None:
        start(self, hardware)
        boards.append(self)

    monkeypatch.setattr(MicropythonBoard, "__init__", note)
    served = Service(board="micropython")
    with serial.Serial(served.path) as line:
        only(ask(line, hello(1)), m.Welcome)
        os.kill(boards[0].pid, signal.SIGKILL)
        line.write(frame(encode(2, m.StatusRequest(1))))
        served.thread.join(30)
    assert not served.thread.is_alive()
    assert isinstance(served.trouble, LinkError)
    assert "firmware, is gone" in str(served.trouble)


@pytest.mark.parametrize("board", ["python", "micropython"])
@pytest.mark.parametrize("end", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_ends_it_cleanly(board: str, end: signal.Signals) -> None:
    code = (
        "from demo_ctl.bench.serve import serve_pty\n"
        f"serve_pty([('unit', {str(UNIT)!r}), ('board', {board!r})], announce=lambda p: print(p, flush=True))\n"
        "print('ended')"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout
        path = process.stdout.readline().strip()
        with serial.Serial(path) as line:
            assert only(ask(line, hello(1)), m.Welcome)
            process.send_signal(end)
            out, err = process.communicate(timeout=60)
    assert (process.returncode, out, err) == (0, "ended\n", "")
    assert not Path(path).exists()
