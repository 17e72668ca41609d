"""The planner's figures against published or computed ones. The source stands beside each check."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
import yaml

from demo_ctl.office.model import Unit
from demo_ctl.office.numbers import digits_of, train_of
from demo_ctl.office.timing import hunting_need_us
from demo_ctl.plan.build import build
from demo_ctl.plan.check import least_us
from demo_ctl.plan.model import Plan
from demo_ctl.plan.stretch import pulse_us, release_need_us, slowest_by_holds_pps
from demo_ctl.script.load import load_call
from demo_ctl.script.model import Call
from demo_ctl.terms.located import parse_model
from demo_ctl.wire import messages as wire

MOSSBROOK = Path(__file__).parents[2] / "configs" / "units" / "mossbrook.yaml"

#: Break/make in milliseconds: arithmetic from a period and a percent break, printed to 0.01 ms. Nominal speeds and
#: ratios: AT&T Specification 4566 (1926) and a public signalling guide, second-hand.
TABLE = {
    "7": (
        "78.57/64.29 82.86/60.00 85.71/57.14 87.14/55.71 90.00/52.86 91.43/51.43 92.86/50.00 95.24/47.62 102.86/40.00"
    ),
    "8": (
        "68.75/56.25 72.50/52.50 75.00/50.00 76.25/48.75 78.75/46.25 80.00/45.00 81.25/43.75 83.33/41.67 90.00/35.00"
    ),
    "9.5": (
        "57.89/47.37 61.05/44.21 63.16/42.11 64.21/41.05 66.32/38.95 67.37/37.89 68.42/36.84 70.18/35.09 75.79/29.47"
    ),
    "10": (
        "55.00/45.00 58.00/42.00 60.00/40.00 61.00/39.00 63.00/37.00 64.00/36.00 65.00/35.00 66.67/33.33 72.00/28.00"
    ),
    "10.5": (
        "52.38/42.86 55.24/40.00 57.14/38.10 58.10/37.14 60.00/35.24 60.95/34.29 61.90/33.33 63.49/31.75 68.57/26.67"
    ),
    "11": (
        "50.00/40.91 52.73/38.18 54.55/36.36 55.45/35.45 57.27/33.64 58.18/32.73 59.09/31.82 60.61/30.30 65.45/25.45"
    ),
    "12": (
        "45.83/37.50 48.33/35.00 50.00/33.33 50.83/32.50 52.50/30.83 53.33/30.00 54.17/29.17 55.56/27.78 60.00/23.33"
    ),
}
RATIOS = ["55", "58", "60", "61", "63", "64", "65", "200/3", "72"]


@pytest.mark.parametrize("speed", TABLE)
def test_break_and_make_lengths(speed: str) -> None:
    for ratio, pair in zip(RATIOS, TABLE[speed].split(), strict=True):
        break_ms, make_ms = (float(text) for text in pair.split("/"))
        break_us, make_us = pulse_us(Fraction(speed), Fraction(ratio))
        assert break_us / 1000 == pytest.approx(break_ms, abs=0.0056)
        assert make_us / 1000 == pytest.approx(make_ms, abs=0.0056)


def unit_with(**changes: dict[str, object]) -> Unit:
    data = yaml.load(MOSSBROOK.read_text(), Loader=yaml.BaseLoader)
    for key, entries in changes.items():
        data[key] = {**data[key], **entries}
    return Unit.model_validate(data)


@pytest.mark.parametrize(
    ("number", "called", "pulses", "seconds"),
    [
        # Ten pulses a second, pauses of 0.8 s as automatic dialers make: public signalling guide; sums: arithmetic.
        ("KLondike 5-0123", "counter", 31, 7.9),
        ("KLondike 5-0199", "stage", 44, 9.2),
        ("KLondike 5-0100", "workshop", 46, 9.4),
    ],
)
def test_how_long_seven_digits_take(number: str, called: str, pulses: int, seconds: float) -> None:
    assert sum(train_of(digits_of(number))) == pulses
    unit = unit_with(dial={"pause": "800 ms", "speed": "10 pps"})
    text = yaml.safe_dump(
        {
            "format": "demo_ctl call 1",
            "name": "seven",
            "title": "Seven digits",
            "parties": {"caller": "parlour", "called": called},
            "must not": [],
            "steps": [{"lift": "caller"}, {"dial": number}],
        },
        sort_keys=False,
    )
    plan = build(parse_model(text, "seven.yaml", Call, kind="call script"), unit)
    steps = plan.timeline.steps
    sent = [index for index, step in enumerate(steps) if step.op == wire.OP_PULSES]
    assert len(sent) == 7
    assert sum(steps[index].x for index in sent) == pulses
    assert least_us(steps[sent[0] : sent[-1] + 1]) == round(seconds * 1e6)


def times(least: float, most: float) -> dict[str, str]:
    return {"least": f"{least} ms", "typical": f"{least} ms", "most": f"{most} ms"}


#: Relay A without any delay, so that line and relay see the same lengths.
IDEAL_A = {"a operate": times(0, 0), "a release": times(0, 0)}


@pytest.mark.parametrize(
    ("b_ms", "c_ms", "percent", "slowest"),
    [
        # max(b/B, (1-b)/C), least 1/(B+C) at b = B/(B+C): arithmetic; the holds: common practice, no source.
        (250, 150, Fraction(125, 2), 2.500),
        (250, 150, Fraction(60), 2.667),
        (175, 105, Fraction(60), 3.810),
    ],
)
def test_slowest_train_that_the_slow_relays_hold(b_ms: int, c_ms: int, percent: Fraction, slowest: float) -> None:
    unit = unit_with(
        follows={"guard": "0 %"},
        adjustment={**IDEAL_A, "b hold": times(b_ms, b_ms), "c hold": times(c_ms, c_ms)},
    )
    found = slowest_by_holds_pps(unit, percent)
    assert found is not None
    assert float(found) == pytest.approx(slowest, abs=0.0005)


def test_a_demonstration_at_a_quarter_of_normal_speed() -> None:
    """[P10, T44, D40, D41] Shown slowly, then at normal speed: common practice, no source.

    Pauses stretch to four times; pulses only as far as the slow relays hold, so they are sent no slower than the
    published range of what the switches follow: AT&T Specification 4566, second-hand (8 pulses a second).
    """
    unit = unit_with()
    call = load_call(MOSSBROOK.parents[1] / "calls" / "answered.yaml")
    normal, slow = (build(call, unit, Fraction(pace)) for pace in ("1", "1/4"))

    def periods_us(plan: Plan) -> set[int]:
        return {step.a + step.b for step in plan.timeline.steps if step.op == wire.OP_PULSES}

    def pause_us(plan: Plan) -> int:
        return next(step.a for step in plan.timeline.steps[::-1] if step.label == "pause between digits")

    assert pause_us(slow) == 4 * pause_us(normal) == 3_200_000
    assert periods_us(normal) == {100_000}
    assert 100_000 < max(periods_us(slow)) <= 125_000
    assert slow.digits == normal.digits


def test_the_pause_a_selector_needs_agrees_with_automatic_dialers() -> None:
    """250 + 440 + 50 + 60 = 800 ms: arithmetic; 800 ms typical of automatic dialers: public signalling guide."""
    unit = unit_with(
        adjustment={
            "c hold": times(100, 250),
            "hunting": "25 sps",
            "transfer": times(5, 50),
            "a operate": times(5, 20),
            "b operate": times(10, 40),
        }
    )
    assert hunting_need_us(unit) == 800_000


def test_the_gap_between_calls() -> None:
    """400 + 700 + 100 ms = 1.2 s: arithmetic from common practice, no source."""
    window = {"release": {"to": "1 s", "source": "shorter than the sum"}}
    unit = unit_with(adjustment={"b hold": times(150, 400), "restore": times(200, 700)}, windows=dict(window))
    assert release_need_us(unit) == 1_200_000
