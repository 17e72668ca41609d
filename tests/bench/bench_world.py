"""Simulated seconds per wall second of the bench alone: an idle minute, and a minute in which it rings. Prints only.

`python tests/bench/bench_world.py [profile [listening]]`; with `profile`, where the time of a ringing minute goes.
"""

from __future__ import annotations

import cProfile
import pstats
import struct
import sys
import time
from binascii import crc32
from collections.abc import Callable
from pathlib import Path
from typing import Any

from demo_ctl.bench.protocol_bench import Serial
from demo_ctl.wire import messages as m
from demo_ctl.wire.host_session import HostSession

ROOT = Path(__file__).resolve().parents[2]
MINUTE_US = 60_000_000
one = m.Instruction
IDLE = [one(m.OP_WAIT, 0, 0, MINUTE_US + 10_000_000, 0)]
RING = [
    one(m.OP_LOOP, 1, 1, 0, 0),
    one(m.OP_WAIT, 0, 0, 2_500_000, 0),
    one(m.OP_PULSES, 1, 3, 60_000, 40_000),
    one(m.OP_WAIT, 0, 0, 900_000, 0),
    one(m.OP_PULSES, 1, 5, 60_000, 40_000),
    one(m.OP_WAIT, 0, 0, 900_000, 0),
    one(m.OP_RINGING, 2, 1, 80_000_000, 0),
    one(m.OP_PULSES, 1, 7, 60_000, 40_000),
    one(m.OP_WAIT, 0, 0, MINUTE_US + 10_000_000, 0),
]
LISTEN = [one(m.OP_LISTEN, 1, 1, 0, 0), *RING]


def minute(board: str, plan: list[m.Instruction]) -> tuple[float, int]:
    """Play a minute of `plan`; return wall seconds and how many times RINGING was sensed."""
    port = Serial(None, timeout=0)
    port.port = f"bench://?unit={ROOT}/configs/units/travelling.yaml&board={board}"
    port.open()
    data = b"".join(struct.pack(m.INSTRUCTION, *each) for each in plan)
    commands: list[Any] = [
        m.Hello(m.PROTOCOL, m.TABLE_HASH, 4711),
        m.Begin(1, len(plan), m.CALLING, m.CALLED, 0, 0, m.PLAN_CALL),
        m.Load(0, len(plan), data),
        m.Commit(1, crc32(data)),
        m.Start(1),
    ]
    session: Any = HostSession()
    heard: list[Any] = []
    beat_us = 0
    began = time.perf_counter()
    while port.clock_us() < MINUTE_US:
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
        if got:
            heard += session.feed(got + port.read(port.in_waiting), port.clock_us())
    wall_s = time.perf_counter() - began
    port.close()
    rang = sum(type(x) is m.Event and (x.kind, x.value) == (m.EV_STATE, m.RINGING << 1 | 1) for x in heard)
    return wall_s, rang


def main() -> None:
    for board in ("python", "micropython"):
        for name, plan in (("idle", IDLE), ("ringing", RING), ("ringing and listening", LISTEN)):
            found = sorted(minute(board, plan) for _ in range(5))
            wall_s, rang = found[len(found) // 2]
            print(f"{board:12} {name:22} {60 / wall_s:8.0f} simulated s per wall s   ({rang} rings)")
    if "profile" in sys.argv[1:]:
        profile = cProfile.Profile()
        run: Callable[..., Any] = profile.runcall
        run(minute, "python", LISTEN if "listening" in sys.argv else RING)
        pstats.Stats(profile).sort_stats("tottime").print_stats(25)


if __name__ == "__main__":
    main()
