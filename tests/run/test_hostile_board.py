"""Boards that lie: whatever they say, a call ends in time, with a result or a sentence that says what to do."""

from __future__ import annotations

import io
import json
import random
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from demo_ctl.link.client import Client
from demo_ctl.office.load import load_unit
from demo_ctl.plan.build import build
from demo_ctl.plan.model import Plan
from demo_ctl.report.call import call_tables
from demo_ctl.report.machine import call_json
from demo_ctl.run.perform import perform
from demo_ctl.run.result import CallResult, Progress, Status
from demo_ctl.script.load import load_call
from demo_ctl.terms.errors import DemoError, LinkError
from demo_ctl.wire import messages as m
from demo_ctl.wire.codec import decode, encode
from demo_ctl.wire.framing import Deframer, frame

ROOT = Path(__file__).resolve().parents[2]
WELCOME = (m.PROTOCOL, m.TABLE_HASH, 0, 7, 0, 256, 4, 1, 300, 600, 90_000, 400, 128, 50, 200, 200, 13_000, 30_000)
WIDTHS = {"B": 8, "H": 16, "I": 32, "Q": 64}


@pytest.fixture(scope="module")
def plans() -> list[Plan]:
    unit = load_unit(ROOT / "configs" / "units" / "travelling.yaml")
    names = ("answered", "busy", "no-answer", "flash")
    return [build(load_call(ROOT / "configs" / "calls" / f"{name}.yaml"), unit, Fraction(1)) for name in names]


class Liar:
    """A port with a board of the given manners behind it; its clock runs only while the host reads."""

    url = "liar://"

    def __init__(self) -> None:
        self.now_us = 0
        self.zero_us = 0  # the board's clock when ours reads 0
        self.started = False
        self.number = 0
        self._deframer = Deframer()
        self._out = bytearray()

    def clock_us(self) -> int:
        return self.now_us

    def close(self) -> None:
        pass

    def put(self, message: Any, sequence: int = 0) -> None:
        self._out += frame(encode(sequence, message))

    def event(self, kind: int, port: int, value: int, at_us: int | None = None) -> None:
        at_us = self.board_us() if at_us is None else at_us
        self.put(m.Event(self.number, at_us & (1 << 64) - 1, kind, port, value))
        self.number += 1

    def board_us(self) -> int:
        return min(self.zero_us + self.now_us, (1 << 64) - 1)

    def write(self, data: bytes) -> None:
        for payload in self._deframer.feed(data):
            sequence, message = decode(payload)
            if isinstance(message, m.Hello):
                self.put(self.welcome(message.nonce))
            elif isinstance(message, m.StatusRequest):
                self.put(m.Status(message.nonce, self.board_us(), *self.status()))
            elif isinstance(message, m.Heartbeat):
                self.put(m.Beat(self.board_us(), *self.beat()))
            elif not isinstance(message, m.EventAck):
                self.put(m.Answer(sequence, *self.answer(message)))
                if isinstance(message, m.Start):
                    self.started = True
                    self.begun()

    def read(self, until_us: int) -> bytes:
        if not self._out:
            self.now_us = min(until_us, self.now_us + self.turn_us())
            if self.started:
                self.say()
        data = bytes(self._out)
        self._out.clear()
        return data

    # Manners.

    def welcome(self, nonce: int) -> m.Welcome:
        return m.Welcome(*WELCOME[:2], nonce, *WELCOME[3:], m.AUDIO_HZ, m.AUDIO_BLOCK)

    def status(self) -> tuple[int, ...]:
        return (m.RUNNING, 0, 0, 0, 0, 15, 0)

    def beat(self) -> tuple[int, ...]:
        return (m.RUNNING if self.started else m.READY, 0, 15)

    def answer(self, message: Any) -> tuple[int, int]:
        return (m.OK, 0)

    def begun(self) -> None:
        self.event(m.EV_PLAN, 0, m.RUNNING)

    def turn_us(self) -> int:
        return 100_000

    def say(self) -> None:
        """What it says by itself, once a turn."""


class Madman(Liar):
    """Says anything that the wire can carry."""

    def __init__(self, chance: random.Random, steps: int, *, mild: bool) -> None:
        super().__init__()
        self.chance = chance
        self.steps = steps
        self.mild = mild
        self.zero_us = chance.choice([0, 10**6, 1 << 63, (1 << 64) - 10**7])
        self.first = 0

    def any(self, bits: int) -> int:
        return self.chance.choice([0, 1, 2, 3, 5, (1 << bits) - 1, 1 << bits - 1, self.chance.randrange(1 << bits)])

    def fields(self, kind: Any) -> list[int]:
        return [self.any(WIDTHS[letter]) for letter in m.TABLE[m.CODES[kind]][1][1:]]

    def welcome(self, nonce: int) -> m.Welcome:
        true = list(super().welcome(nonce)._replace(now_us=self.board_us()))
        for index, wild in enumerate(self.fields(m.Welcome)):
            if index > 2 and self.chance.random() < 0.2 and (index not in (6, 8, 10) or not self.mild):
                true[index] = wild
        return m.Welcome(*true)

    def status(self) -> tuple[int, ...]:
        return tuple(self.fields(m.Status)[2:])

    def beat(self) -> tuple[int, ...]:
        return super().beat() if self.mild else tuple(self.fields(m.Beat)[1:])

    def answer(self, message: Any) -> tuple[int, int]:
        return super().answer(message) if self.chance.random() < 0.99 else (self.any(8), self.any(32))

    def turn_us(self) -> int:
        return self.chance.choice([1_000, 20_000, 100_000, 400_000])

    def say(self) -> None:
        chance = self.chance
        for _ in range(chance.choice([0, 1, 3, 8])):
            what = chance.random()
            at_us = self.board_us() + chance.choice([0, 0, 0, -(10**6), 10**6])
            at_us = at_us if chance.random() < 0.97 else self.any(64)
            port = chance.choice([0, 1, 2, 3, 4, self.any(8)])
            if what < 0.35:
                value = chance.randrange(8) if chance.random() < 0.9 else self.any(32)
                self.event(chance.choice([m.EV_EDGE, m.EV_STATE]), port, value, at_us)
            elif what < 0.65:
                value = chance.randrange(self.steps + 2) | chance.randrange(5) << 16
                self.event(chance.choice([m.EV_BEGAN, m.EV_ENDED]), port, value, at_us)
            elif what < 0.75:
                kinds = [m.EV_GUARD, m.EV_EDGES_LOST, m.EV_AUDIO_LOST, m.EV_OVERFLOW, 11, 255]
                self.event(chance.choice(kinds), port, self.any(32), at_us)
            elif what < 0.95:
                self.first = self.first + 112 if chance.random() < 0.9 else self.any(64)
                data = bytes([chance.randrange(256), chance.randrange(256)]) * chance.choice([1, 112, 112])
                self.put(m.Audio(self.first & (1 << 64) - 1, at_us & (1 << 64) - 1, port, data))
            elif not self.mild:
                kind = chance.choice([m.Welcome, m.Answer, m.Status, m.Beat, m.Event])
                self.put(kind(*self.fields(kind)))
        if self.now_us > 20_000_000:
            self.event(m.EV_PLAN, 0, m.FINISHED if self.mild else self.any(16))


def _told(plan: Plan, port: Liar, **more: Any) -> CallResult | DemoError:
    """Perform, and show the result in every way there is."""

    shown: list[Progress] = []
    try:
        result = perform(plan, Client(port), on_progress=shown.append, ready=lambda *_: None, **more)
    except DemoError as error:
        return error
    assert all(item.at_us >= 0 and item.label is not None for item in shown)
    ending: dict[str, Any] = {"status": result.status.value, "reason": result.reason, "released": result.released}
    json.dumps(call_json(plan, result.judgement, **ending, simulated=True), allow_nan=False)
    screen = Console(file=io.StringIO(), width=120)
    for part in call_tables(plan, result.judgement, **ending, simulated=True):
        screen.print(part)
    if result.status is Status.LINK_LOST:
        assert result.error is not None
        assert result.exit_code == 3
    return result


@settings(max_examples=60, deadline=None)
@given(chance=st.randoms(use_true_random=False), mild=st.booleans(), which=st.integers(0, 3))
def test_a_board_that_says_anything(plans: list[Plan], chance: random.Random, mild: bool, which: int) -> None:
    plan = plans[which]
    port = Madman(chance, len(plan.timeline.steps), mild=mild)
    told = _told(plan, port, go_on=lambda gate: chance.random() < 0.2)
    assert isinstance(told, CallResult) or (told.what and told.next_step)
    assert port.now_us < plan.most_us + 30_000_000


class Silent(Liar):
    """Takes the start, and never says another word about the plan."""

    def begun(self) -> None:
        pass


class Endless(Liar):
    """Sends without end, and its plan never ends."""

    def turn_us(self) -> int:
        return 1_000

    def say(self) -> None:
        self.event(m.EV_EDGE, 1, 0)


class Early(Liar):
    """Its beats say that the plan is over; its events never do."""

    def beat(self) -> tuple[int, ...]:
        return (m.FINISHED, 0, 15)


class Backwards(Liar):
    """Its clock runs backwards."""

    def board_us(self) -> int:
        return (1 << 40) - self.now_us


class Deaf(Liar):
    """Answers no command but hello."""

    def write(self, data: bytes) -> None:
        for payload in self._deframer.feed(data):
            message = decode(payload)[1]
            if isinstance(message, (m.Hello, m.Heartbeat)):
                super().write(frame(payload))


class NoRoom(Liar):
    """Declares nothing at all."""

    def welcome(self, nonce: int) -> m.Welcome:
        return m.Welcome(m.PROTOCOL, m.TABLE_HASH, nonce, *[0] * 17)


@pytest.mark.parametrize(
    ("board", "says"),
    [
        (Silent, "longer than its plan"),
        (Endless, "longer than its plan"),
        (Early, "account of it is lost"),
        (Backwards, "reset"),
        (Deaf, "silent"),
        (NoRoom, "has room for 0"),
    ],
)
def test_a_board_that_lies_in_one_way(plans: list[Plan], board: Callable[[], Liar], says: str) -> None:
    port = board()
    told = _told(plans[0], port)
    error = told.error if isinstance(told, CallResult) else told
    assert error is not None
    assert says in error.what
    assert isinstance(error, LinkError) or board is NoRoom
    assert port.now_us < plans[0].most_us + 30_000_000
