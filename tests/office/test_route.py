"""Where digits lead."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.office.load import parse_unit
from demo_ctl.office.model import Absorbs, Connector, Level, Line, Selector, Unit
from demo_ctl.office.route import complete, counted_digits, hunting_group, line_reached, number_digits, route

DIGITS = st.text("0123456789", max_size=9)


@pytest.fixture(scope="module")
def absorbing(travelling: Unit) -> dict[str, Unit]:
    """Units of one selector that absorbs 7 and 3, and selects on 3 (and on 7 too, for "once")."""

    def made(until: str, levels: tuple[str, ...]) -> Unit:
        absorbs = Absorbs.model_validate({"digits": ["7"] if until == "another digit" else ["7", "3"], "until": until})
        selector = Selector(
            kind="selector", name="selector", levels={d: Level(trunks=(1, 2)) for d in levels}, absorbs=absorbs
        )
        return travelling.model_copy(update={"train": (selector, travelling.connector)})

    return {"once": made("once", ("3", "7")), "another digit": made("another digit", ("3",))}


def does(unit: Unit, digits: str) -> list[str]:
    return [leg.does for leg in route(unit, digits)]


def test_selectors_then_tens_then_units(mossbrook: Unit) -> None:
    legs = route(mossbrook, "5550123")
    assert [leg.does for leg in legs] == ["select"] * 5 + ["tens", "units"]
    assert [leg.stage for leg in legs] == [1, 2, 3, 4, 5, 6, 6]
    assert [leg.pulses for leg in legs] == [5, 5, 5, 10, 1, 2, 3]
    assert legs[0].trunks == tuple(range(1, 11))
    assert complete(legs)


def test_a_level_without_trunks_ends_the_call(mossbrook: Unit) -> None:
    legs = route(mossbrook, "5650123")
    assert [leg.does for leg in legs] == ["select", "select", *["ignored"] * 5]
    assert legs[1].trunks == ()
    assert not complete(legs)
    assert counted_digits(legs) == "56"


def test_digits_after_the_last_are_not_heard(travelling: Unit) -> None:
    assert does(travelling, "3421") == ["select", "tens", "units", "ignored"]


def test_absorbed_once_the_next_one_selects(absorbing: dict[str, Unit]) -> None:
    unit = absorbing["once"]
    assert does(unit, "7342") == ["absorb", "select", "tens", "units"]
    assert does(unit, "3342") == ["absorb", "select", "tens", "units"]
    # A second listed digit is not swallowed: 7 selects level 7 now.
    assert [(leg.does, leg.digit) for leg in route(unit, "7742")][:2] == [("absorb", "7"), ("select", "7")]
    assert line_reached(unit, "7342") is None or counted_digits(route(unit, "7342")) == "342"


def test_absorbed_until_another_digit_comes(absorbing: dict[str, Unit]) -> None:
    unit = absorbing["another digit"]
    assert does(unit, "777342") == ["absorb", "absorb", "absorb", "select", "tens", "units"]
    assert counted_digits(route(unit, "777342")) == "342"
    assert line_reached(unit, "342") == line_reached(unit, "7342") == line_reached(unit, "777342")
    assert line_reached(unit, "342") is not None


def test_absorbing_begins_again_with_the_next_call(absorbing: dict[str, Unit]) -> None:
    unit = absorbing["once"]
    assert route(unit, "7342") == route(unit, "7342")


@given(digits=DIGITS, cut=st.integers(0, 9))
@settings(deadline=None)
def test_a_digit_does_the_same_whatever_follows(
    digits: str, cut: int, mossbrook: Unit, travelling: Unit, absorbing: dict[str, Unit]
) -> None:
    for unit in (mossbrook, travelling, *absorbing.values()):
        legs = route(unit, digits)
        assert legs[:cut] == route(unit, digits[:cut])
        assert "".join(leg.digit for leg in legs) == digits
        assert sum(leg.does == "units" for leg in legs) <= 1
        assert all(1 <= leg.stage <= len(unit.train) for leg in legs)
        stages = [leg.stage for leg in legs]
        assert stages == sorted(stages)


@given(digits=DIGITS)
@settings(deadline=None)
def test_every_counted_call_ends_where_its_counted_digits_say(digits: str, absorbing: dict[str, Unit]) -> None:
    """Law: absorbed digits change nothing but the time it takes."""
    unit = absorbing["another digit"]
    legs = route(unit, digits)
    plain = counted_digits(legs)
    assert counted_digits(route(unit, plain)) == plain
    assert complete(route(unit, plain)) == complete(legs)
    assert line_reached(unit, plain) == line_reached(unit, digits)


def test_every_line_is_reached_by_its_own_number(mossbrook: Unit, travelling: Unit) -> None:
    for unit in (mossbrook, travelling):
        for line in unit.lines:
            digits = number_digits(unit, line)
            assert len(digits) == unit.numbering.digits
            assert line_reached(unit, digits) == line
            assert line_reached(unit, digits[:-1]) is None


def test_only_the_first_number_of_a_group_hunts(travelling: Unit) -> None:
    lines = tuple(
        Line.model_validate(
            {"name": name, "number": number, "finder level": 1, "finder terminal": at, "attached": "nothing"}
        )
        for at, (name, number) in enumerate((("a", "311"), ("b", "312"), ("c", "310")), 1)
    )
    connector = Connector.model_validate({"kind": "connector", "name": "connector", "hunting": [["311", "312", "310"]]})
    unit = travelling.model_copy(update={"lines": lines, "train": (*travelling.selectors, connector)})
    assert [line.name for line in hunting_group(unit, lines[0])] == ["a", "b", "c"]
    assert [line.name for line in hunting_group(unit, lines[1])] == ["b"]


def test_a_reversed_dial_sends_other_pulses_to_the_same_level(unit_texts: dict[str, str]) -> None:
    text = unit_texts["travelling"].replace("pulses: normal", "pulses: reversed")
    legs = route(parse_unit(text, "x").value, "342")
    assert [leg.pulses for leg in legs] == [7, 6, 8]
    assert [leg.digit for leg in legs] == ["3", "4", "2"]
