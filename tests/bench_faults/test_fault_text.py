"""Faults as people write them, how often they strike, how they grow, and what is said about texts that mean nothing."""

from __future__ import annotations

import re
from collections.abc import Callable
from itertools import pairwise
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
import serial
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.ailments import SOUND, Ailments, Effect
from demo_ctl.bench.fault_text import ailments_of, course_of, limits, read_fault
from demo_ctl.bench.faults import FAULTS, GROUPS, Fault
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.places import Kind
from demo_ctl.bench.protocol_bench import Serial
from demo_ctl.bench.unit import BenchUnit
from demo_ctl.office.load import load_unit
from demo_ctl.office.model import Unit
from demo_ctl.run.result import CallResult
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.quantity import UNITS

ROOT = Path(__file__).resolve().parents[2]
UNIT = load_unit(ROOT / "configs/units/mossbrook.yaml").value
S = 1_000_000

#: One place of each kind on the seven-digit unit.
PLACES = {
    Kind.SELECTOR: ("selector 1", "Selector 5/switch 10", " selector  2 "),
    Kind.CONNECTOR: ("connector", "connector/switch 3"),
    Kind.FINDER: ("finders", "finder 4"),
    Kind.TRUNK: ("trunk 1/5/10", "selector 4/level 0"),
    Kind.TERMINAL: ("terminal 00", "terminal 34"),
    Kind.LINE: ("lines", "line staff room", "line Parlour"),
    Kind.TONE: ("tones", "tone vacant"),
    Kind.RINGING: ("ringing",),
    Kind.UNIT: ("unit",),
}
#: Parts of the bench that each of them covers, and parts that it doesn't.
COVERED = {
    "selector 1": (
        ["first selector 1", "first selector 4"],
        ["second selector 5-1", "first selectors 1", "connector 1"],
    ),
    "Selector 5/switch 10": (["fifth selector 5550-10"], ["fifth selector 5550-1", "fifth selector 555-10"]),
    "connector": (["connector 55501-7"], ["fifth selector 5550-7"]),
    "connector/switch 3": (["connector 55501-3"], ["connector 55501-4"]),
    "finders": (["line finder 1", "line finder 4"], ["line parlour", "first selector 1"]),
    "finder 4": (["line finder 4"], ["line finder 1"]),
    "trunk 1/5/10": (["trunk 1/5/10"], ["trunk 1/5/1", "trunk 2/5/10"]),
    "selector 4/level 0": (["trunk 4/0/1", "trunk 4/0/10"], ["trunk 4/1/1", "trunk 1/0/1"]),
    "terminal 00": (["terminal 00"], ["terminal 34"]),
    "lines": (["line parlour", "line staff room"], ["line finder 1"]),
    "line Parlour": (["line parlour"], ["line counter"]),
    "tones": (["tone dial", "tone busy"], ["ringing"]),
    "tone vacant": (["tone vacant"], ["tone dial"]),
    "ringing": (["ringing"], ["tone dial"]),
    "unit": (["line parlour", "first selector 1/C", "unit"], []),
}


def test_the_catalogue_is_complete() -> None:
    assert len(FAULTS) == sum(len(group) for group in GROUPS.values()) >= 25
    for name, fault in FAULTS.items():
        assert re.fullmatch(r"[a-z]+(-[a-z]+)*", name)
        assert len(fault.says) > 15, name
        assert len(fault.shows) > 15, name
        assert not fault.says.endswith("."), name
        assert not fault.shows.endswith("."), name
        assert fault.places, name
        figures = (*fault.figures, *course_of(fault))
        assert len({figure.name for figure in figures}) == len(figures)
        for figure in figures:
            assert figure.dimension == "number" or figure.dimension in UNITS
            assert figure.least < figure.most
            assert figure.says
            assert " to " in limits(figure)


@pytest.mark.parametrize("fault", FAULTS.values(), ids=lambda fault: fault.name)
def test_every_fault_can_be_written_at_each_of_its_places_over_its_whole_range(fault: Fault) -> None:
    for kind in fault.places:
        for place in PLACES[kind]:
            trouble = read_fault(f"{fault.name}@{place}", UNIT)
            assert trouble.place.kind is kind
            assert trouble.effects(UNIT, 1, "seed")
            for figure in (*fault.figures, *course_of(fault)):
                for end in limits(figure).split(" to "):
                    read_fault(f"{fault.name}@{place}:{figure.name}={end}", UNIT)


@pytest.mark.parametrize("place", COVERED)
def test_a_place_covers_its_parts_and_no_others(place: str) -> None:
    kind = next(kind for kind, places in PLACES.items() if place in places)
    fault = next(fault for fault in FAULTS.values() if kind in fault.places)
    covers = read_fault(f"{fault.name}@{place}", UNIT).place.covers
    inside, outside = COVERED[place]
    assert [part for part in inside if not covers("")(part)] == []
    assert [part for part in outside if covers("")(part)] == []
    assert [part for part in inside if not covers("thing")(f"{part}/thing")] == []
    if place != "unit":
        assert [part for part in inside if covers("thing")(part) or covers("")(f"{part}/thing")] == []


def test_a_whole_text() -> None:
    trouble = read_fault("Leaky line@line parlour: leak = 3 kohm, each_night=10 %,from night=4", UNIT)
    assert trouble.fault.name == "leaky-line"
    assert trouble.values == {"leak": 3000, "chance": 100, "from-night": 4, "each-night": 10}
    assert read_fault("low-battery:battery=40 V", UNIT).place.text == "unit"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "no fault ''"),
        ("slow-magnt@selector 1", "It has short-hold, long-hold"),
        ("slow-magnet", "'' is no place for this"),
        ("slow-magnet@selector 6", "It can be: selector 1, all or one"),
        ("slow-magnet@selector 1/switch 5", "'selector 1/switch 5' is no place"),  # there are four finders
        ("slow-magnet@line parlour", "finders, or one (finder 1 to finder 4)"),
        ("held-busy@trunk 1/6/1", "selector 1/level 5, or one of trunk 1/5/1 2 3"),
        ("held-busy@trunk 1/5/11", "is no place"),
        ("held-busy@terminal 3", "terminal and the last two digits"),
        ("hum@line attic", "line counter, line parlour, line workshop"),
        ("hum@line empty terminal", "is no place"),
        ("tone-off-pitch@tone ringing", "tone dial, tone ringback"),
        ("weak-ringing@connector", "It can be: ringing."),
        ("slow-magnet@selector 1:speed=3 pps", "It has to=400 %, chance=100 %, from-night=1, each-night=100 %"),
        ("slow-magnet@selector 1:to", "is no place"),
        ("slow-magnet@selector 1:to=", "expected a ratio with its unit, such as '61 %'"),
        ("slow-magnet@selector 1:to=3", "expected a ratio with its unit"),
        ("slow-magnet@selector 1:to=3 ms", "'ms' is not a unit of ratio"),
        ("slow-magnet@selector 1:to=3 %", "expected 101 % to 5000 %, found '3 %'"),
        ("slow-magnet@selector 1:to=300 %,to=200 %", "to is given twice"),
        ("slow-magnet@selector 1:to=300 %,", "'' is none of its figures"),
        ("slow-magnet@selector 1:chance=101 %", "expected 0 % to 100 %"),
        ("slow-magnet@selector 1:from-night=0", "expected 1 to 10000"),
        ("slow-magnet@selector 1:from-night=²", "expected a whole number"),
        ("weak-ringing:voltage=105 V", "expected 0 V to 100 V"),
        ("faint-tone@tones:loss=101 dB", "expected 0 dB to 100 dB"),
        ("x" * 301, "at most 300 characters"),
    ],
)
def test_a_text_that_means_nothing_says_what_there_is(text: str, says: str) -> None:
    with pytest.raises(InputError) as trouble:
        read_fault(text, UNIT)
    assert says in str(trouble.value)


def _readable(text: str) -> bool:
    """Read it: anything but an InputError goes up."""
    try:
        read_fault(text, UNIT)
    except InputError:
        return False
    return True


@settings(deadline=None, max_examples=300)
@given(st.text(max_size=320))
def test_no_text_is_a_traceback(text: str) -> None:
    _readable(text)


SIGNS = ("@", ":", "=", ",", "/", " ", "-", "%", "to=", "chance=", "leak=", "from-night=")
FIGURES = ("20 %", "3 kohm", "1e9 %", "99999999999999 V", "²", "\x00", "٣", "NaN", "inf %", "-1 %", "0")
PIECES = st.sampled_from([*FAULTS, *(place for places in PLACES.values() for place in places), *SIGNS, *FIGURES])


@settings(deadline=None, max_examples=500)
@given(st.lists(PIECES, max_size=9).map("".join), st.integers(0, 10_000))
def test_no_mixture_of_right_pieces_is_a_traceback(text: str, night: int) -> None:
    if _readable(text):
        ailments_of([text], UNIT, night=night)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ("fault=slow-magnt", "no fault 'slow-magnt'"),
        ("fault=slow-magnet@selector%209", "selector 9"),
        ("fault=slow-magnet@selector+1:to=3%25", "expected 101 % to 5000 %"),
        ("night=-1", "night is a whole number from 0 to 10000"),
        ("night=1&night=2", "'night' is given twice; only busy, fault and hands may be repeated"),
        ("&".join(["fault=low-battery"] * 51), "51 faults at once"),
    ],
)
def test_a_wrong_fault_in_a_url_is_one_clear_error_of_the_port(options: str, says: str) -> None:
    port = Serial(None)
    port.port = f"bench://?unit={ROOT / 'configs/units/mossbrook.yaml'}&{options}"
    with pytest.raises(serial.SerialException, match="bench") as trouble:
        port.open()
    assert says in str(trouble.value)
    assert not port.is_open


# Chance.


def _all(_: str) -> bool:
    return True


@settings(deadline=None, max_examples=60)
@given(st.floats(0, 1), st.integers(0, 1 << 30))
def test_an_effect_strikes_about_as_often_as_its_chance_says(chance: float, seed: int) -> None:
    uses = 4000
    ailments = Ailments([Effect("sticks", _all, chance=chance, seed=str(seed))])
    struck = sum(ailments.strikes("sticks", "x") for _ in range(uses))
    # Six standard deviations of a binomial, and a bit for the rare ends: 60 examples leave no room for bad luck.
    assert abs(struck - uses * chance) <= 6 * sqrt(uses * chance * (1 - chance)) + 6


@pytest.mark.parametrize("chance", [10, 30, 75])
def test_calls_meet_an_intermittent_fault_about_as_often_as_its_chance_says(chance: int) -> None:
    calls = 400
    kernel = Kernel()
    wrong = ailments_of([f"no-dial-tone@selector 1:chance={chance} %"], UNIT, seed=5)
    bench = BenchUnit(kernel, UNIT, seed=5, ailments=wrong)
    silent = 0
    for _ in range(calls):
        bench.set_loop(1, True)
        kernel.run_to(kernel.now_us + 2 * S)
        silent += _rms(bench, kernel) < 20
        bench.set_loop(1, False)
        kernel.run_to(kernel.now_us + 2 * S)
    expected = calls * chance / 100
    assert abs(silent - expected) <= 5 * sqrt(expected * (1 - chance / 100))
    assert 0 < silent < calls


def _rms(bench: BenchUnit, kernel: Kernel) -> float:
    block = np.frombuffer(bench.audio_block(1, 0, kernel.now_us - 20_000), dtype="<u2").astype(float)
    return float(np.std(block))


def test_one_fault_does_not_change_when_another_strikes() -> None:
    one, other = "no-dial-tone@selector 1:chance=40 %", "missed-step-up@selector 1:chance=40 %"
    alone, first, second = (ailments_of(texts, UNIT) for texts in ([one], [one, other], [other, one]))
    for _ in range(200):
        second.strikes("misses a step up", "first selector 1")
        assert (
            alone.strikes("no dial tone", "first selector 1")
            == first.strikes("no dial tone", "first selector 1")
            == second.strikes("no dial tone", "first selector 1")
        )


def test_a_lasting_fault_is_there_or_not_for_the_whole_night() -> None:
    there = 0
    for night in range(1, 301):
        wrong = ailments_of(["leaky-line@line parlour:chance=30 %,leak=10 kohm"], UNIT, night=night)
        asked = {wrong.amount("leak mS", "line parlour") for _ in range(20)}
        assert len(asked) == 1
        there += asked == {0.1}
    assert abs(there - 90) <= 5 * sqrt(300 * 0.3 * 0.7)


def test_the_same_seed_gives_the_same_events_and_another_seed_others(place: Callable[..., CallResult]) -> None:
    faults = ("missed-step-up@selector 1:chance=20 %", "chattering-contact@selector 2")
    runs = [place("answered", *faults, seed=seed) for seed in (3, 3, 4)]
    events = [
        [(event.at_us, event.kind, event.port, event.value) for event in result.observation.events] for result in runs
    ]
    assert events[0] == events[1]
    assert events[0] != events[2]


def test_nothing_wrong_costs_and_changes_nothing() -> None:
    assert ailments_of([], UNIT) is SOUND
    assert ailments_of(["hum@lines:from-night=5"], UNIT, night=4) is SOUND
    assert (SOUND.any, SOUND.scale("hold", "x"), SOUND.amount("hum V", "x"), SOUND.strikes("sticks", "x")) == (
        False,
        1.0,
        0.0,
        False,
    )


# Growth.

QUANTITIES = [
    "long-hold@connector:to=400 %",
    "short-hold@connector:to=20 %",
    "leaky-line@line parlour:leak=3 kohm",
    "low-battery@unit:battery=30 V",
    "hum@line parlour:level=-10 dBm",
]


def _reach(text: str, night: int, unit: Unit) -> list[float]:
    """How far the effects of a fault reach on a night: their stray from what is right, and their chance."""
    effects = read_fault(text, unit).effects(unit, night, "seed")
    return [abs(effect.factor - 1) + abs(effect.added) + effect.chance for effect in effects] or [0.0]


@settings(deadline=None, max_examples=100)
@given(
    st.sampled_from([*QUANTITIES, "no-reversal@connector:chance=80 %", "crossed-trunks@trunk 1/5/1:with=3"]),
    st.integers(1, 50),
    st.integers(1, 100),
)
def test_growth_over_nights_is_monotone_and_ends_at_the_whole(text: str, begins: int, each: int) -> None:
    grown = f"{text},from-night={begins},each-night={each} %"
    reach = [_reach(grown, night, UNIT) for night in range(160)]
    assert all(night >= begins or here == [0.0] for night, here in enumerate(reach))
    for before, after in pairwise(reach):
        assert all(a >= b for a, b in zip(after, before, strict=False))
    assert all(a > 0 for a in reach[begins])
    assert reach[begins + -(-100 // each) - 1] == pytest.approx(_reach(text, 1, UNIT))


def test_a_slower_trip_each_night_is_measured_slower_each_night(place: Callable[..., CallResult]) -> None:
    measured = []
    for night in range(1, 6):
        result = place("answered", "slow-trip@connector:to=500 %,each-night=25 %", night=night)
        assert result.judgement is not None
        trip = next(verdict for verdict in result.judgement.verdicts if verdict.expectation == "ring-trip")
        assert trip.quantity is not None
        measured.append(trip.quantity.value)
    assert all(later > earlier + 50 for earlier, later in pairwise(measured[:4]))
    assert measured[4] == pytest.approx(measured[3], rel=0.05)
