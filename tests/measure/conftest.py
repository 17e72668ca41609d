"""Hand-made plans and observations: what a board would have reported of a few steps."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import Any

import numpy as np
import pytest

from demo_ctl.measure.measure import measure
from demo_ctl.measure.model import Measurement, Observation
from demo_ctl.office.model import Tone
from demo_ctl.plan.model import Check, Expectation, Plan, Step, Timeline
from demo_ctl.terms.errors import Place
from demo_ctl.terms.window import Window
from demo_ctl.wire import messages as m

UNITS = {
    Check.PULSES: "pulses",
    Check.PULSE_SPEED: "pps",
    Check.PULSE_SPEED_SENT: "pps",
    Check.PERCENT_BREAK: "%",
    Check.PERCENT_BREAK_SENT: "%",
    Check.RANG: "rings",
    Check.OTHERS_RANG: "rings",
    Check.NO_RINGING: "rings",
    Check.NO_REVERSAL: "reversals",
    Check.TONE: "",
    Check.NO_OVERFLOW: "",
    Check.HELD: "",
}


class Scene:
    """Collects steps, events, audio and expectations; measures them."""

    def __init__(self, **declared: int) -> None:
        welcome = {
            "protocol": m.PROTOCOL,
            "table": m.TABLE_HASH,
            "nonce": 1,
            "boot": 1,
            "now_us": 0,
            "firmware": 1,
            "ports": 4,
            "simulated": 1,
            "max_instructions": 512,
            "heartbeat_ms": 600,
            "ring_window_ms": 60000,
            "edges_per_s": 400,
            "edge_burst": 200,
            "stamp_blur_us": 50,
            "loop_blur_us": 200,
            "battery_blur_us": 200,
            "ring_attack_us": 13000,
            "ring_hold_us": 30000,
            "audio_hz": m.AUDIO_HZ,
            "audio_block": m.AUDIO_BLOCK,
        }
        self.welcome = m.Welcome(**(welcome | declared))
        self.steps: list[Step] = []
        self.events: list[tuple[int, int, int, int]] = []
        self.blocks: list[m.Audio] = []
        self.expectations: list[Expectation] = []
        self.event(0, m.EV_PLAN, 0, m.RUNNING)

    def event(self, at_us: int, kind: int, port: int, value: int) -> None:
        self.events.append((int(at_us), kind, port, value))

    def step(self, op: int, at_us: int | None = None, *, ending: int = m.DONE, port: int = 1, **fields: Any) -> int:
        """Append a step; at_us: when it ended (None: never)."""
        index = len(self.steps)
        values: dict[str, Any] = {"x": 0, "a": 0, "b": 0, "digit": ""} | fields
        self.steps.append(Step(op, port, label=f"step {index}", place=Place("test.yaml", index + 1), **values))
        if at_us is not None:
            self.event(at_us, m.EV_ENDED, port, index | ending << 16)
        return index

    def pulses(self, at_us: int, count: int, break_us: int, make_us: int, *, port: int = 1, digit: str = "") -> int:
        """Append a digit that was sent whole, begun at at_us."""
        index = len(self.steps)
        self.event(at_us, m.EV_BEGAN, port, index)
        end_us = at_us + count * (break_us + make_us)
        return self.step(m.OP_PULSES, end_us, port=port, x=count, a=break_us, b=make_us, digit=digit)

    def edge(self, at_us: float, port: int, signal: int, level: int) -> None:
        self.event(round(at_us), m.EV_EDGE, port, signal << 1 | level)

    def sound(self, start_us: int, samples: Sequence[float], port: int = 1, missing: Sequence[int] = ()) -> None:
        """Stream samples (around zero) from start_us; `missing` blocks are dropped."""
        words = np.clip(np.rint(np.asarray(samples)) + m.AUDIO_REST, 0, 4095).astype("<u2")
        for number in range(len(words) // m.AUDIO_BLOCK):
            if number in missing:
                continue
            first = number * m.AUDIO_BLOCK
            data = words[first : first + m.AUDIO_BLOCK].tobytes()
            self.blocks.append(m.Audio(first, start_us + number * m.AUDIO_BLOCK_US, port, data))

    def expect(
        self,
        check: Check,
        low: float | None = None,
        high: float | None = None,
        *,
        unit: str | None = None,
        **where: Any,
    ) -> None:
        window = Window(low, high, UNITS.get(check, "ms") if unit is None else unit, "a test")
        name = f"{check.value}-{len(self.expectations)}"
        self.expectations.append(Expectation(name, check, check.value, window, Place("test.yaml", 1), **where))

    @property
    def plan(self) -> Plan:
        return Plan(
            script="test",
            title="a test",
            unit="a unit",
            pace=Fraction(1),
            number="1",
            digits="1",
            caller_port=1,
            called_port=2,
            timeline=Timeline(tuple(self.steps), (m.CALLING, m.CALLED, 0, 0)),
            expectations=tuple(self.expectations),
            pace_table=(),
        )

    @property
    def observation(self) -> Observation:
        ordered = sorted(self.events, key=lambda event: event[0])
        events = tuple(m.Event(number, *event) for number, event in enumerate(ordered))
        return Observation(self.welcome, events, tuple(self.blocks))

    def end(self, at_us: int, *, early: int = 0) -> None:
        """The plan ended: finished, or early with a reason."""
        self.event(at_us, m.EV_PLAN, 0, m.ENDED_EARLY | early << 8 if early else m.FINISHED)

    def measure(self) -> tuple[Measurement, ...]:
        return measure(self.plan, self.observation)

    def one(self) -> Measurement:
        """The only measurement."""
        (found,) = self.measure()
        return found


@pytest.fixture(scope="session")
def new_scene() -> Callable[..., Scene]:
    """Make an empty scene; keywords replace what the board declares."""
    return Scene


@pytest.fixture(scope="session")
def tone_of() -> Callable[..., Tone]:
    """Make a tone from hertz and seconds."""

    def make(parts_Hz: Sequence[float], cadence_s: Sequence[float] = (), tolerance_pct: float = 1.5) -> Tone:
        return Tone.model_validate(
            {
                "parts": [f"{part:g} Hz" for part in parts_Hz],
                "cadence": [f"{part * 1000:g} ms" for part in cadence_s],
                "level": "-20 dBm",
                "tolerance": f"{tolerance_pct:g} %",
                "source": "a test",
            }
        )

    return make


@pytest.fixture(scope="session")
def sing() -> Callable[..., Any]:
    """Make samples: sines summed, sounding in the given stretches (seconds), with noise."""

    def make(
        rng: np.random.Generator,
        parts_Hz: Sequence[float],
        stretches_s: Sequence[tuple[float, float]],
        long_s: float,
        *,
        peak: float = 60.0,
        noise: float = 0.5,
        weights: Sequence[float] | None = None,
    ) -> Any:
        times = np.arange(int(long_s * m.AUDIO_HZ)) / m.AUDIO_HZ
        wave = np.zeros_like(times)
        for place, part in enumerate(parts_Hz):
            weight = weights[place] if weights else 1.0
            wave += weight * peak * np.sin(2 * np.pi * part * times + rng.uniform(0, 2 * np.pi))
        sounding = np.zeros_like(times)
        for begin, end in stretches_s:
            sounding[(times >= begin) & (times < end)] = 1
        return np.rint(wave * sounding + rng.normal(0, noise, len(times)))

    return make
