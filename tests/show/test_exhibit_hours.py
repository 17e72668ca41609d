"""Opening hours: as the clock on the wall has them, summer time and all."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo, reset_tzpath

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.script.exhibit import OpeningHours
from demo_ctl.script.exhibit_load import parse_exhibit
from demo_ctl.show.hours import Hours, hours_of
from demo_ctl.terms.located import FileError

LONDON = "Europe/London"


def hours(zone: str = LONDON, begin: str = "10:00", end: str = "17:00", **more: object) -> Hours:
    told = {"zone": zone, "open": [{"days": "every day", "from": begin, "to": end}], **more}
    return hours_of(OpeningHours.model_validate(told))


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def test_the_same_hour_on_the_wall_in_winter_and_in_summer() -> None:
    found = hours()
    # The clocks go forward on 29 March 2026 and back on 25 October (from memory: last Sundays of March and October).
    assert not found.is_open(utc("2026-03-28 09:30"))
    assert found.is_open(utc("2026-03-28 10:00"))
    assert found.is_open(utc("2026-03-29 09:00"))
    assert not found.is_open(utc("2026-03-29 16:00"))
    assert found.is_open(utc("2026-10-24 09:00"))
    assert not found.is_open(utc("2026-10-25 09:30"))


def test_hours_that_come_twice_are_open_twice_and_those_left_out_are_not_missed() -> None:
    # London, 25 October 2026: 01:30 comes at 00:30 and again at 01:30 UTC.
    found = hours(begin="01:15", end="01:45")
    assert found.is_open(utc("2026-10-25 00:30"))
    assert not found.is_open(utc("2026-10-25 00:50"))
    assert found.is_open(utc("2026-10-25 01:30"))
    # 29 March: from 01:00 the clock says 02:00.
    assert not found.is_open(utc("2026-03-29 01:00"))
    across = hours(begin="01:30", end="02:30")
    assert across.is_open(utc("2026-03-29 01:00"))
    assert across.change(utc("2026-03-29 00:59")) == utc("2026-03-29 01:00")
    assert across.change(utc("2026-03-29 01:05")) == utc("2026-03-29 01:30")


def test_a_call_must_be_over_before_closing_even_when_the_clocks_change_in_it() -> None:
    across = hours(begin="00:30", end="02:00")
    # It is 00:55 in London, five minutes before the clock leaps from 01:00 to 02:00, which is closing time.
    assert across.open_for(utc("2026-03-29 00:55"), timedelta(minutes=5))
    assert not across.open_for(utc("2026-03-29 00:55"), timedelta(minutes=5, seconds=1))
    # In October the same five minutes are followed by an hour more.
    assert hours(begin="00:30", end="01:59").open_for(utc("2026-10-25 00:00"), timedelta(minutes=59))


def test_closed_days_and_weekdays() -> None:
    found = hours_of(
        OpeningHours.model_validate(
            {
                "zone": LONDON,
                "open": [
                    {"days": ["sat", "sun"], "from": "10:00", "to": "12:00"},
                    {"days": ["sat"], "from": "12:00", "to": "24:00"},
                    {"days": ["sun"], "from": "00:00", "to": "01:00"},
                ],
                "closed": ["2026-12-26"],
            }
        )
    )
    assert found.open_for(utc("2026-08-01 11:30"), timedelta(hours=12, minutes=30))  # Saturday into Sunday
    assert not found.is_open(utc("2026-08-03 11:30"))
    assert not found.is_open(utc("2026-12-26 11:00"))
    assert found.change(utc("2026-08-03 11:30")) == utc("2026-08-08 09:00")


def test_without_hours_it_is_always_open() -> None:
    always = hours_of(None)
    assert always.open_for(utc("2026-01-01 00:00"), timedelta(days=400))
    assert always.change(utc("2026-01-01 00:00")) is None
    assert always.day(utc("2026-01-01 00:00")) == date(2026, 1, 1)


ZONES = ("Europe/London", "Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Kathmandu", "UTC")


@settings(deadline=None, max_examples=100)
@given(
    st.sampled_from(ZONES),
    st.integers(0, 1439),
    st.integers(1, 1440),
    st.datetimes(datetime(2024, 1, 1), datetime(2030, 1, 1)),
    st.integers(0, 7200),
)
def test_open_for_is_open_at_every_second(zone: str, begin: int, length: int, at: datetime, seconds: int) -> None:
    end = min(1440, begin + length)
    found = Hours(ZoneInfo(zone), frozenset((day, begin, end) for day in range(7)))
    at = at.replace(tzinfo=UTC)
    # By the clock on the wall, second by second (each 7th, and the last): another way of looking.
    seen = [*range(0, seconds, 7), *([seconds - 1] if seconds else [0])]

    def wall(second: int) -> bool:
        here = (at + timedelta(seconds=second)).astimezone(ZoneInfo(zone))
        minute = here.hour * 60 + here.minute
        return begin <= minute < end

    said = found.open_for(at, timedelta(seconds=seconds))
    if said:
        assert all(wall(second) for second in seen)
    else:
        assert not all(wall(second) for second in range(max(1, seconds)))


@settings(deadline=None, max_examples=60)
@given(st.sampled_from(ZONES), st.integers(0, 1438), st.datetimes(datetime(2024, 1, 1), datetime(2030, 1, 1)))
def test_a_change_is_one_and_the_first(zone: str, begin: int, at: datetime) -> None:
    found = Hours(ZoneInfo(zone), frozenset((day, begin, begin + 1) for day in range(7)))
    at = at.replace(tzinfo=UTC)
    change = found.change(at)
    assert change is not None
    assert found.is_open(change) != found.is_open(at)
    assert found.is_open(change - timedelta(seconds=1)) == found.is_open(at)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"from": "9:30"}, "time of day"),
        ({"from": "24:01"}, "time of day"),
        ({"from": "٠٩:٣٠"}, "time of day"),
        ({"days": "weekdays"}, "every day"),
        ({"days": ["Monday"]}, "mon"),
    ],
)
def test_what_is_no_time_of_day_is_refused(wrong: dict[str, object], said: str) -> None:
    span = {"days": "every day", "from": "10:00", "to": "17:00", **wrong}
    with pytest.raises(ValueError, match=said):
        OpeningHours.model_validate({"zone": LONDON, "open": [span]})


@pytest.fixture
def no_zones(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A computer without a list of time zones: none of the system's, none of Python's."""
    # Its parts too: one that another test has loaded would be found without its parent.
    for name in {"tzdata", *(each for each in sys.modules if each.startswith("tzdata."))}:
        monkeypatch.setitem(sys.modules, name, None)
    ZoneInfo.clear_cache()
    reset_tzpath(to=[])
    yield
    ZoneInfo.clear_cache()
    reset_tzpath()


@pytest.mark.usefixtures("no_zones")
def test_a_computer_without_time_zones_is_told_what_to_install() -> None:
    head = "format: demo_ctl exhibit 1\nname: own\ntitle: {en: Ours}\nattract: [{record: a.jsonl}]\n"
    hours = "hours: {zone: Europe/London, open: [{from: '10:00', to: '17:00'}]}\n"
    with pytest.raises(FileError) as caught:
        parse_exhibit(head + hours, "own.yaml")
    assert "own.yaml:5: zone: this computer knows no time zone 'Europe/London'" in str(caught.value)
    assert "apt install tzdata, or pip install 'demo_ctl[show]'" in str(caught.value)


@pytest.mark.usefixtures("no_zones")
def test_an_exhibit_that_is_always_open_needs_no_time_zones() -> None:
    hours = hours_of(None)
    assert hours.is_open(datetime(2026, 8, 4, 3, tzinfo=UTC))
    assert str(hours.day(datetime(2026, 8, 4, 3, tzinfo=UTC))) == "2026-08-04"
