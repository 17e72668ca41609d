"""How the guard stands, in words: something for every code, and nothing that only an engineer reads."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.link.advice import BY_KEY, KEY, of_trip
from demo_ctl.safety import limit_words
from demo_ctl.safety.limit_words import in_words, plain_name, says, value_of, which
from demo_ctl.safety.proof_store import CausedTrip
from demo_ctl.safety.proof_words import caused_by
from demo_ctl.safety.standing import INPUTS, STATES, inputs_in_words, standing
from demo_ctl.safety.trip_words import trip_in_words
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
    named = " ".join(trip_in_words(TRIP, who={2: "parlour"}, began_us=2_000_000))
    assert "0.43 s after the call began, while parlour, port 2, might be rung" in named
    worse = " ".join(trip_in_words(TRIP._replace(worse=m.R_NO_SILENCE)))
    assert "Worse" in worse
    assert "Keep hands off" in worse


def test_a_chain_that_the_key_opened_is_told_as_the_key() -> None:
    key_off = TRIP._replace(reason=m.R_CHAIN, inputs=TRIP.inputs & ~m.IN_KEY)
    assert BY_KEY in trip_in_words(key_off)[0]
    assert BY_KEY not in " ".join(trip_in_words(key_off._replace(inputs=TRIP.inputs | m.IN_KEY)))
    assert BY_KEY not in " ".join(trip_in_words(key_off._replace(reason=m.R_BUS)))


def test_it_says_which_telephone_was_off_the_hook_and_which_line_rang() -> None:
    loops = TRIP._replace(reason=m.R_OFF_HOOK, levels=1 << 0 | 1 << 8 | 1 << 7)
    who = {1: "counter", 3: "workshop"}
    assert "off its hook, at: workshop, port 3." in " ".join(trip_in_words(loops, who=who, parties=(1, 2)))
    unsure = " ".join(trip_in_words(loops, who=who))
    assert "off its hook, at (the caller's own is among them): counter, port 1 and workshop, port 3." in unsure
    rings = TRIP._replace(reason=m.R_OFF_HOOK, worse=m.R_UNEXPECTED_RINGING, levels=1 << 7)
    assert "Ringing was sensed then at: port 2." in trip_in_words(rings)
    assert "sensed then" not in " ".join(trip_in_words(TRIP._replace(levels=0xFFFF)))


@pytest.mark.parametrize("state", range(len(m.GUARD_STATES)))
def test_no_silence_where_nothing_rang_is_told_as_what_it_is(state: int) -> None:
    """Both reasons stay; what came after is only called missing silence where there was ringing to take off."""
    trip = TRIP._replace(reason=m.R_MIRROR, worse=m.R_NO_SILENCE, state=state)
    told = " ".join(trip_in_words(trip))
    rang = state in (m.G_LIVE, m.G_FALLING)
    assert ("while nothing rings: the relay is welded, or its mirror contact's wire is broken" in told) is not rang
    assert ("ringing was taken off" in told) is rang
    assert "a guard relay was not where its mirror contact should say" in told
    found = standing(SAFE._replace(state=m.G_TRIPPED, reason=m.R_NO_SILENCE, obstacle=m.R_NO_SILENCE), trip)
    assert found.why.startswith(m.R_NAMES[m.R_MIRROR])
    assert ("no silence after ringing" in found.why) is rang
    assert ("while nothing rings" in found.obstacle) is not rang


def test_a_trip_caused_on_purpose_says_so_and_asks_for_nothing() -> None:
    told = trip_in_words(TRIP, "the proving of today made it trip")
    assert "On purpose: the proving of today made it trip." in told
    assert not [text for text in told if KEY in text]


def test_each_trip_of_a_proving_is_known_by_its_start_of_the_board_its_instant_and_its_reason() -> None:
    trips = (CausedTrip(5, TRIP.at_us, "interlock chain open"),)
    proving: Any = SimpleNamespace(trips=trips, board="aa", began="today")
    assert "today" in caused_by(TRIP, 5, [proving], "aa")
    for trip, boot, board in ((TRIP, 6, "aa"), (TRIP, 5, "bb"), (TRIP._replace(at_us=1), 5, "aa")):
        assert caused_by(trip, boot, [proving], board) == ""
    assert caused_by(TRIP._replace(reason=m.R_MIRROR), 5, [proving], "aa") == ""


def test_every_limit_has_words_and_is_found_by_the_name_that_is_printed() -> None:
    assert {plain_name(name) for name in m.LIMIT_NAMES} == set(limit_words._SAYS)
    for index, name in enumerate(m.LIMIT_NAMES):
        assert says(name).endswith(".")
        assert which(plain_name(name)) == which(name.replace(" ", "_")) == index


@settings(deadline=None)
@given(st.integers(0, len(m.LIMIT_NAMES) - 1), st.integers(0, 10**7))
def test_a_limit_in_words_reads_back_as_what_it_was(index: int, value: int) -> None:
    """Law: what is printed may be typed."""
    assert value_of(index, in_words(m.LIMIT_NAMES[index], value)) == value
    assert value_of(index, str(value), bare=True) == value
    with pytest.raises(ValueError, match="with its unit"):
        value_of(index, str(value))


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


def test_a_key_that_was_turned_while_something_was_open_is_told_as_that() -> None:
    found = standing(SAFE._replace(state=m.G_LOCKED, obstacle=m.R_CHAIN, reason=m.R_CHAIN))
    assert "has been turned with everything closed" in found.headline
    assert "such a turn does not count" in found.obstacle
    assert "once more" in found.next_step
    assert "the board has started" in standing(SAFE._replace(state=m.G_LOCKED, obstacle=m.R_LOCKED)).headline


def test_nothing_is_called_well_while_calls_that_ring_are_refused() -> None:
    assert "Nothing is wrong" in standing(SAFE._replace(state=m.G_SAFE)).headline
    refused = standing(SAFE._replace(state=m.G_SAFE), refused=True)
    assert "Nothing is wrong" not in refused.headline
    assert "refused" in refused.headline
