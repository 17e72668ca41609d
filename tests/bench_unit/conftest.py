"""Units of all sizes, and a player who lifts, dials and listens by the kernel's clock."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import pytest

from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.truth import Truth
from demo_ctl.bench.unit import BenchUnit, BusySpec
from demo_ctl.office.model import Unit
from demo_ctl.office.numbers import digits_of, pulses_of
from demo_ctl.wire.messages import AUDIO_REST, LOOP, NORMAL, REVERSED, RINGING

S = 1_000_000
MS = 1000

ORDINALS = ("first", "second", "third", "fourth", "fifth")
PRACTICE = "common practice, no source"


def _spread(typical: str, least: str, most: str) -> dict[str, str]:
    return {"typical": typical, "least": least, "most": most}


def _tone(level: str, *parts: str, cadence: Sequence[str] = ()) -> dict[str, Any]:
    return {"parts": parts, "cadence": tuple(cadence), "level": level, "tolerance": "0.5 %", "source": PRACTICE}


def _window(**bounds: str) -> dict[str, str]:
    return {**bounds, "source": PRACTICE}


def unit_data(
    selectors: int = 5,
    *,
    prefix: str = "55501",
    trunks: object = "1-10",
    finders: int = 3,
    numbers: Sequence[str] = ("23", "50", "00", "99"),
    vacant: str = "vacant tone",
    absorbs: dict[int, dict[str, object]] | None = None,
    hunting: Sequence[Sequence[str]] = (),
    loops: Sequence[str] = (),
    extra: Sequence[dict[str, Any]] = (),
    numbering: dict[str, object] | None = None,
) -> dict[str, Any]:
    """Return a unit as a file gives it: lines `number` = what is dialled, port 1, 2... in order.

    prefix: digits the selectors take, one each; absorbed ones are dialled before (`absorbs`: stage index -> rule).
    """
    assert len(prefix) == selectors
    dialled = ""
    for stage, digit in enumerate(prefix):
        dialled += "".join((absorbs or {}).get(stage, {}).get("dialled", ())) + digit  # type: ignore[arg-type]
    train: list[dict[str, Any]] = []
    for stage, digit in enumerate(prefix):
        selector: dict[str, Any] = {
            "kind": "selector",
            "name": f"{ORDINALS[stage]} selector",
            "levels": {digit: {"trunks": trunks}},
        }
        rule = (absorbs or {}).get(stage)
        if rule:
            selector["absorbs"] = {"digits": rule["digits"], "until": rule["until"]}
        train.append(selector)
    train.append(
        {
            "kind": "connector",
            "name": "connector",
            "vacant": vacant,
            "hunting": tuple(tuple(dialled + number for number in group) for group in hunting),
        }
    )
    lines = [
        {
            "name": f"line {place}",
            "number": dialled + number,
            "finder level": 1 + (3 * place) % 10,
            "finder terminal": 1 + (7 * place) % 10,
            "attached": f"port {place}" if place <= 8 else "nothing",
            "loop": loops[place - 1] if place <= len(loops) else "300 ohm",
        }
        for place, number in enumerate(numbers, start=1)
    ]
    return {
        "format": "demo_ctl unit 1",
        "name": "test unit",
        "numbering": numbering or {"digits": len(dialled) + 2, "source": PRACTICE},
        "dial": {"speed": "10 pps", "break": "60 %", "pause": "800 ms", "source": PRACTICE},
        "follows": {
            "speed": {"from": "7 pps", "to": "12 pps"},
            "percent break": {"from": "55 %", "to": "70 %"},
            "least pause": "800 ms",
            "source": PRACTICE,
        },
        "supply": {
            "battery": "48 V",
            "least": "44 V",
            "most": "56 V",
            "feed": "400 ohm",
            "source": "7 CFR 1755.397 (l)(2)",
        },
        "finders": {"count": finders, "source": PRACTICE},
        "train": train,
        "lines": [*lines, *extra],
        "tones": {
            "dial": _tone("-13 dBm", "350 Hz", "440 Hz"),
            "ringback": _tone("-19 dBm", "440 Hz", "480 Hz", cadence=("2 s", "4 s")),
            "busy": _tone("-24 dBm", "480 Hz", "620 Hz", cadence=("500 ms", "500 ms")),
            "overflow": _tone("-24 dBm", "480 Hz", "620 Hz", cadence=("250 ms", "250 ms")),
            "vacant": _tone("-24 dBm", "400 Hz"),
        },
        "ringing": {
            "frequency": "20 Hz",
            "voltage": "86 V",
            "on": "2 s",
            "off": "4 s",
            "longest": "60 s",
            "source": PRACTICE,
        },
        "adjustment": {
            "a operate": _spread("8 ms", "5 ms", "12 ms"),
            "a release": _spread("8 ms", "5 ms", "12 ms"),
            "b operate": _spread("20 ms", "15 ms", "30 ms"),
            "b hold": _spread("250 ms", "200 ms", "300 ms"),
            "c hold": _spread("150 ms", "120 ms", "200 ms"),
            "line relay": _spread("20 ms", "10 ms", "30 ms"),
            "cut off relay": _spread("15 ms", "10 ms", "20 ms"),
            "magnet operate": _spread("25 ms", "18 ms", "32 ms"),
            "magnet release": _spread("12 ms", "8 ms", "16 ms"),
            "ring trip": _spread("120 ms", "80 ms", "180 ms"),
            "reversal": _spread("20 ms", "10 ms", "30 ms"),
            "transfer": _spread("12 ms", "8 ms", "16 ms"),
            "restore": _spread("400 ms", "300 ms", "500 ms"),
            "hunting": "33 sps",
            "finder": "40 sps",
            "source": PRACTICE,
        },
        "windows": {
            "dial tone delay": _window(to="3 s"),
            "dial tone stop": _window(to="200 ms"),
            "pulse speed": {"from": "8 pps", "to": "12 pps", "source": "7 CFR 1755.522 (f)(2)(i)"},
            "percent break": {"from": "55 %", "to": "65 %", "source": "7 CFR 1755.522 (f)(2)(i)"},
            "interdigital": _window(**{"from": "600 ms"}),
            "cut through": _window(to="700 ms"),
            "post dial delay": _window(to="1 s"),
            "busy test": _window(to="300 ms"),
            "overflow": _window(to="600 ms"),
            "first ring": _window(to="6 s"),
            "ring on": _window(to="2.2 s"),
            "ring off": _window(to="4.4 s"),
            "ring trip": _window(to="300 ms"),
            "answer reversal": _window(to="400 ms"),
            "clear reversal": _window(to="100 ms"),
            "release": _window(to="500 ms"),
        },
        "longest gate": "60 s",
        "rest": "2 s",
    }


class Player:
    """A unit and its clock: everything by port. `edges`: (at_us, port, signal, level) as sensed."""

    def __init__(self, unit: Unit, *, seed: int = 1, busy: Sequence[BusySpec] = (), ports: int = 4) -> None:
        self.unit = unit
        self.kernel = Kernel()
        self.bench = BenchUnit(self.kernel, unit, seed=seed, busy=busy, ports=ports)
        self.edges: list[tuple[int, int, int, int]] = []
        self.bench.on_edge = self._edge
        self.bench.set_ringing_feed(True)

    def _edge(self, bit: int, level: int) -> None:
        self.edges.append((self.kernel.now_us, bit // 4 + 1, bit % 4, level))

    @property
    def now_us(self) -> int:
        return self.kernel.now_us

    def wait(self, us: int) -> None:
        self.kernel.run_to(self.kernel.now_us + us)

    def lift(self, port: int) -> None:
        self.bench.set_loop(port, True)

    def hang_up(self, port: int) -> None:
        self.bench.set_loop(port, False)

    def pulse(self, port: int, count: int, break_us: int = 60 * MS, make_us: int = 40 * MS) -> None:
        for _ in range(count):
            self.bench.set_loop(port, False)
            self.wait(break_us)
            self.bench.set_loop(port, True)
            self.wait(make_us)

    def dial(
        self, port: int, text: str, *, pause_us: int = 800 * MS, break_us: int = 60 * MS, make_us: int = 40 * MS
    ) -> None:
        """Dial; ends a pause after the last digit."""
        for digit in digits_of(text, self.unit.numbering.letters):
            self.pulse(port, pulses_of(digit, self.unit.numbering.pulses), break_us, make_us)
            self.wait(pause_us)

    def call(self, port: int, text: str, **how: Any) -> None:
        """Lift, wait for dial tone, dial."""
        self.lift(port)
        self.wait(2 * S)
        self.dial(port, text, **how)

    def level(self, port: int, signal: int) -> int:
        return self.bench.levels() >> ((port - 1) * 4 + signal) & 1

    def sensed(self, port: int) -> tuple[int, int, int, int]:
        """LOOP, NORMAL, REVERSED, RINGING now."""
        return (
            self.level(port, LOOP),
            self.level(port, NORMAL),
            self.level(port, REVERSED),
            self.level(port, RINGING),
        )

    def edges_of(self, port: int, signal: int, since_us: int = 0) -> list[tuple[int, int]]:
        return [
            (at, level) for at, where, what, level in self.edges if (where, what) == (port, signal) and at >= since_us
        ]

    def truth_of(self, what: str) -> list[tuple[int, int]]:
        return [(row.at_us, row.value) for row in self.bench.truth if row.what == what]

    def now_at(self, what: str) -> int:
        """Last value in the truth; 0 if it never changed."""
        rows = self.truth_of(what)
        return rows[-1][1] if rows else 0

    def standing(self) -> dict[str, int]:
        """Whatever does not stand at 0."""
        last: dict[str, int] = {}
        for row in self.bench.truth:
            assert isinstance(row, Truth)
            last[row.what] = row.value
        return {what: value for what, value in last.items() if value}

    def hears(self, port: int, begin_us: int | None = None) -> set[int]:
        """Frequencies (Hz, multiples of 10) that stand out in 0.1 s of the port's audio, from `begin_us` on."""
        import numpy as np

        if begin_us is None:
            begin_us = self.now_us
            self.wait(120 * MS)
        data = b"".join(self.bench.audio_block(port, 112 * block, begin_us) for block in range(8))
        samples = np.frombuffer(data, dtype="<u2")[:800].astype(float) - AUDIO_REST
        spectrum = np.abs(np.fft.rfft(samples * np.hanning(800))) / 200
        return {10 * int(line) for line in np.flatnonzero(spectrum > 25)}


@pytest.fixture(scope="session")
def make_unit() -> Callable[..., Unit]:
    def make(*args: Any, **kinds: Any) -> Unit:
        return Unit.model_validate(unit_data(*args, **kinds))

    return make


@pytest.fixture(scope="session")
def play(make_unit: Callable[..., Unit]) -> Callable[..., Player]:
    """Player(unit from unit_data's arguments), `seed`, `busy` and `ports` going to the bench."""

    def start(*args: Any, seed: int = 1, busy: Sequence[BusySpec] = (), ports: int = 4, **kinds: Any) -> Player:
        return Player(make_unit(*args, **kinds), seed=seed, busy=busy, ports=ports)

    return start


@pytest.fixture(scope="session")
def play_unit() -> Callable[..., Player]:
    """Player(unit, seed=..., busy=..., ports=...)."""
    return Player
