"""How the guard stands, in words: something for every code, and nothing that only an engineer reads."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.link.advice import KEY, of_trip
from demo_ctl.safety.standing import INPUTS, STATES, inputs_in_words, standing, trip_in_words
from demo_ctl.wire import messages as m

SAFE = m.Safety(**{**dict.fromkeys(m.Safety._fields, 0), "inputs": 0x1FFF, "supply_mV": 86_000, "battery_mV": 50_000})
TRIP = m.Trip(1, 0, 2_432_000, m.R_CHAIN, 0, m.G_LIVE, 2, 0x1FFE, 0, 78_000, 12_345, 78_000, 48_000, 7, 3)


def test_every_state_and_every_input_has_its_words() -> None:
    assert len(STATES) == len(m.GUARD_STATES)
    assert len(INPUTS) == len(m.INPUTS)
    assert len({row.name for row in inputs_in_words(0)}) == len(m.INPUTS)
    for on, off in zip(inputs_in_words(0x1FFF), inputs_in_words(0), strict=True):
        assert on.value != off.value


def test_nothing_in_the_way() -> None:
    found = standing(SAFE)
    assert (found.obstacle, found.next_step, found.why) == ("", "", "")
    assert [row.value for row in found.measured] == ["0.0 V", "0.0 mA", "86.0 V", "50.0 V"]


@pytest.mark.parametrize("reason", range(1, len(m.R_NAMES)))
def test_a_trip_says_why_and_what_to_do(reason: int) -> None:
    found = standing(SAFE._replace(state=m.G_TRIPPED, reason=reason, obstacle=reason))
    assert "TRIPPED" in found.headline
    assert found.why == m.R_NAMES[reason]
    assert found.obstacle == of_trip(reason).what
    assert found.next_step


def test_a_trip_for_what_is_no_trip_by_itself_names_the_key_all_the_same() -> None:
    for reason in (m.R_SILENCE, m.R_LATE, m.R_OVERFLOW, m.R_ENDED):
        assert KEY in of_trip(reason).advice
        assert KEY in trip_in_words(TRIP._replace(reason=reason))[-1]


def test_a_trip_in_words() -> None:
    told = " ".join(trip_in_words(TRIP))
    for words in ("2.432 s", "port 2", "channel A open", "channel B closed", "78.0 V", "12.3 mA", "ringing allowed"):
        assert words in told
    assert "Worse" not in told
    worse = " ".join(trip_in_words(TRIP._replace(worse=m.R_NO_SILENCE)))
    assert "Worse" in worse
    assert "Keep hands off" in worse


@settings(deadline=None)
@given(
    st.builds(
        m.Safety,
        **{name: st.integers(0, 255) for name in m.Safety._fields if name != "inputs"},
        inputs=st.integers(0, 65535),
    ),
    st.builds(m.Trip, **{name: st.integers(0, 255) for name in m.Trip._fields}),
)
def test_whatever_newer_firmware_says_there_are_words_for_it(safety: m.Safety, trip: m.Trip) -> None:
    assert standing(safety).headline
    assert all(trip_in_words(trip))
