"""Numbers with units, as people write them."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.terms.quantity import UNITS, Quantity, parse_pace, parse_quantity, parse_us
from demo_ctl.terms.window import Window


@pytest.mark.parametrize(
    ("text", "us"),
    [
        ("600 ms", 600_000),
        ("2 s", 2_000_000),
        ("2.5s", 2_500_000),
        (" 1 min ", 60_000_000),
        ("7 us", 7),
        (".5 ms", 500),
    ],
)
def test_times_become_whole_microseconds(text: str, us: int) -> None:
    assert parse_us(text) == us


@pytest.mark.parametrize(
    "text",
    ["600", 600, 0.6, None, True, "", "ms", "1e3 ms", "six ms", "-1 ms", "1 V", "1 ms ms", "2 days", "25000 min"],
)
def test_what_is_no_time_is_refused_in_words(text: object) -> None:
    with pytest.raises(ValueError, match=r"time|longer than a day|expected"):
        parse_us(text)


@given(
    st.sampled_from([(dimension, unit) for dimension, units in UNITS.items() for unit in units]),
    st.integers(0, 10**6),
    st.integers(0, 999),
)
@settings(deadline=None)
def test_a_number_and_its_unit_are_read_exactly(kind: tuple[str, str], whole: int, thousandths: int) -> None:
    dimension, unit = kind
    text = f"{whole}.{thousandths:03d} {unit}"
    assert parse_quantity(text, dimension) == (whole + Fraction(thousandths, 1000)) * UNITS[dimension][unit]


@given(st.sampled_from(sorted(UNITS)), st.text(max_size=20) | st.none() | st.integers() | st.floats())
@settings(deadline=None)
def test_anything_is_a_number_or_a_value_error(dimension: str, text: object) -> None:
    said = ""
    try:
        found: object = parse_quantity(text, dimension)
    except ValueError as error:
        found, said = None, str(error)
    assert isinstance(found, Fraction) or "such as" in said or "write it as" in said


@given(st.fractions(min_value=Fraction(1, 50), max_value=4, max_denominator=1000))
@settings(deadline=None)
def test_a_pace_is_read_as_written(pace: Fraction) -> None:
    assert parse_pace(str(pace)) == pace


@pytest.mark.parametrize("text", ["", "0", "1/0", "5", "-1", "quick", "1/51", "1" * 50, "nan", "inf"])
def test_other_paces_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="pace"):
        parse_pace(text)


def test_printing() -> None:
    assert str(Quantity(61.04, "ms", 0.25)) == "61.04 ± 0.5 ms"
    assert str(Quantity(7, "pulses")) == "7 pulses"
    assert str(Window(8, 11, "pps", "x")) == "8..11 pps"
    assert str(Window(None, 3, "s", "x")) == "≤ 3 s"
    with pytest.raises(ValueError, match="holds nothing"):
        Window(2, 1, "s", "x")
