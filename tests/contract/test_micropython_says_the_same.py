"""Real MicroPython sends byte for byte what the in-process board sends, at the same instants."""

from __future__ import annotations

import struct
from binascii import crc32
from pathlib import Path
from typing import Any

import pytest
import serial
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from demo_ctl.wire import messages as m
from demo_ctl.wire.codec import encode
from demo_ctl.wire.framing import frame
from demo_ctl.wire.host_session import HostSession

ROOT = Path(__file__).resolve().parents[2]
UNIT = ROOT / "configs" / "units" / "travelling.yaml"
Log = list[tuple[int, bytes]]


@pytest.fixture(autouse=True)
def _bench_urls() -> None:
    if "demo_ctl.bench" not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append("demo_ctl.bench")


def answered_call() -> list[m.Instruction]:
    """Port 1 (342) calls port 2 (357), which answers and clears first."""
    one = m.Instruction
    ringing = m.RINGING << 1 | 1 | 1 << 8
    return [
        one(m.OP_LOOP, 1, 1, 0, 0),
        one(m.OP_WAIT, 0, 0, 2_500_000, 0),
        one(m.OP_LISTEN, 1, 1, 0, 0),
        one(m.OP_PULSES, 1, 3, 60_000, 40_000),
        one(m.OP_WAIT, 0, 0, 900_000, 0),
        one(m.OP_PULSES, 1, 5, 60_000, 40_000),
        one(m.OP_WAIT, 0, 0, 900_000, 0),
        one(m.OP_RINGING, 2, 1, 40_000_000, 0),
        one(m.OP_PULSES, 1, 7, 60_000, 40_000),
        one(m.OP_WAIT_FOR, 2, ringing, 15_000_000, 1),
        one(m.OP_WAIT, 0, 0, 700_000, 0),
        one(m.OP_LOOP, 2, 1, 0, 0),
        one(m.OP_WAIT, 0, 0, 1_000_000, 0),
        one(m.OP_RINGING, 2, 0, 0, 0),
        one(m.OP_LISTEN, 1, 0, 0, 0),
        one(m.OP_LOOP, 2, 0, 0, 0),
        one(m.OP_WAIT, 0, 0, 1_000_000, 0),
        one(m.OP_LOOP, 1, 0, 0, 0),
        one(m.OP_WAIT, 0, 0, 1_500_000, 0),
    ]


def call(url: str) -> tuple[Log, list[Any]]:
    """Play the call; return what came over the line and when, and what it meant."""
    log: Log = []
    heard: list[Any] = []
    plan = answered_call()
    data = b"".join(struct.pack(m.INSTRUCTION, *each) for each in plan)
    commands: list[Any] = [
        m.Hello(m.PROTOCOL, m.TABLE_HASH, 4711),
        m.Begin(1, len(plan), m.CALLING, m.CALLED, 0, 0, m.PLAN_CALL),
        *(m.Load(at, len(part) // 12, part) for at in range(0, len(plan), 16) for part in [data[at * 12 :][: 16 * 12]]),
        m.Commit(1, crc32(data)),
        m.Start(1),
    ]
    with serial.serial_for_url(url, timeout=0) as line:
        port: Any = line
        session = HostSession()
        beat_us = 0
        while port.clock_us() < 60_000_000:
            now = port.clock_us()
            if commands and (session.answered is not None or not heard):
                session.request(commands.pop(0), now)
            if now >= beat_us:
                session.heartbeat(now)
                beat_us = now + 200_000
            session.tick(now)
            port.write(session.outgoing())
            port.timeout = (min(beat_us, session.next_deadline() or beat_us) - now) / 1e6
            got = port.read(1)
            got += port.read(port.in_waiting)
            if got:
                log.append((port.clock_us(), got))
            said = session.feed(got, port.clock_us())
            heard += said
            if any(type(x) is m.Event and x.kind == m.EV_PLAN and x.value & 0xFF >= m.FINISHED for x in said):
                break
    return log, heard


@pytest.mark.parametrize("ticks", [0, (1 << 30) - 9_000_000], ids=["no wrap", "the counter wraps in mid-call"])
def test_a_whole_call(ticks: int) -> None:
    url = f"bench://?unit={UNIT}&seed=3&ticks={ticks}"
    here, heard = call(url + "&board=python")
    there, _ = call(url + "&board=micropython")
    assert here == there
    events = [x for x in heard if type(x) is m.Event]
    assert [x.value for x in events if x.kind == m.EV_PLAN][-1] == m.FINISHED
    guards = [x.value & 0xFF for x in events if x.kind == m.EV_GUARD]
    assert guards[:5] == [m.G_PROVING, m.G_ARMED, m.G_LIVE, m.G_FALLING, m.G_SAFE]
    assert (events[-1].at_us >= 1 << 30) == (ticks > 0)
    assert any(x.kind == m.EV_EDGE and x.port == 2 and x.value == m.RINGING << 1 | 1 for x in events)
    assert any(x.kind == m.EV_STATE and x.port == 1 and x.value == m.REVERSED << 1 | 1 for x in events)
    assert sum(type(x) is m.Audio for x in heard) > 100
    # The unit does not care what the counter reads: instants relative to the boot are the same wherever it wraps.
    zero = next(x.at_us for x in events if x.kind == m.EV_BOOT)
    plain = [x for x in call(f"bench://?unit={UNIT}&seed=3")[1] if type(x) is m.Event]
    assert [x._replace(at_us=x.at_us - zero) for x in events] == plain


def _loads() -> st.SearchStrategy[Any]:
    ops = st.builds(
        m.Instruction,
        st.integers(0, 8),
        st.integers(0, 5),
        st.integers(0, 20),
        st.integers(0, 500_000),
        st.sampled_from([0, 1, 40_000, 61_000]),
    )
    return st.lists(ops, min_size=1, max_size=4)


@st.composite
def hosts(draw: st.DrawFn) -> list[tuple[int, bytes]]:
    """What some host writes, and how many milliseconds later: sense, nonsense, and damaged sense."""
    said: list[tuple[int, bytes]] = [(0, frame(encode(1, m.Hello(m.PROTOCOL, m.TABLE_HASH, 5))))]
    number = 1
    for _ in range(draw(st.integers(1, 12))):
        number += 1
        kind = draw(
            st.sampled_from(["plan", "beat", "status", "stop", "ack", "noise", "damage", "go", "limits", "lamps"])
        )
        gap = draw(st.integers(0, 700))
        if kind == "plan":
            plan = draw(_loads())
            data = b"".join(struct.pack(m.INSTRUCTION, *each) for each in plan)
            roles = draw(st.tuples(*[st.integers(0, 4)] * 4))
            parts = [
                m.Begin(9, len(plan), roles[0], roles[1], roles[2], roles[3], m.PLAN_CALL),
                m.Load(0, len(plan), data),
                m.Commit(9, crc32(data)),
                m.Start(9),
            ]
            for part in parts:
                number += 1
                said.append((draw(st.integers(0, 3)), frame(encode(number & 0xFF, part))))
            continue
        messages: dict[str, Any] = {
            "beat": m.Heartbeat(draw(st.integers(0, 50))),
            "status": m.StatusRequest(number),
            "stop": m.Stop(m.R_STOP),
            "ack": m.EventAck(draw(st.integers(0, 50)), draw(st.integers(0, 1))),
            "go": m.Go(1),
            "lamps": m.Lamps(draw(st.integers(0, 260)), draw(st.sampled_from([0, 3]))),
            "limits": m.Tighten(draw(st.integers(0, 8)), draw(st.integers(0, 700))),
        }
        if kind == "noise":
            data = draw(st.binary(max_size=300))
        elif kind == "damage":
            bad = bytearray(frame(encode(number & 0xFF, m.StatusRequest(number))))
            bad[draw(st.integers(0, len(bad) - 1))] ^= 1 << draw(st.integers(0, 7))
            data = bytes(bad)
        else:
            data = frame(encode(number & 0xFF, messages[kind]))
        said.append((gap, data))
    return said


def answers(board: str, said: list[tuple[int, bytes]]) -> tuple[Log, list[tuple[int, str, int]]]:
    """What came over the line and when, and what lamps became lit and dark."""
    log: Log = []
    with serial.serial_for_url(f"bench://?unit={UNIT}&board={board}&ticks={(1 << 30) - 500_000}") as line:
        port: Any = line
        for gap_ms, data in [*said, (1500, b"")]:
            until = port.clock_us() + gap_ms * 1000
            while port.clock_us() < until:
                port.timeout = (until - port.clock_us()) / 1e6
                got = port.read(1)
                if got:
                    log.append((port.clock_us(), got + port.read(port.in_waiting)))
            port.write(data)
        lamps = [row for row in port.unit.truth if row.what.startswith("lamp ")]
    return log, lamps


@settings(deadline=None, max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(hosts())
def test_any_host(said: list[tuple[int, bytes]]) -> None:
    assert answers("python", said) == answers("micropython", said)
