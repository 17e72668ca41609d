"""Hands at the unit's telephones: typed, and as a visitor; what the unit sees of them."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from demo_ctl.bench.people import SAYINGS, obey
from demo_ctl.bench.protocol_bench import Serial, SerialException
from demo_ctl.bench.telephones import MOST_DIGITS, NoSuchHand, dialled, telephones_of
from demo_ctl.wire.messages import LOOP

UNIT = Path(__file__).parents[2] / "configs" / "units" / "mossbrook.yaml"
STAGE_PORT = 4


@pytest.fixture
def bench() -> Iterator[Serial]:
    line = Serial()
    line.port = f"bench://?unit={UNIT}&clock=free"
    line.open()
    yield line
    line.close()


def loop(bench: Serial) -> bool:
    return bool(bench.world.unit.levels() >> 4 * (STAGE_PORT - 1) + LOOP & 1)


def passes(bench: Serial, us: int) -> None:
    bench.world.advance(bench.world.kernel.now_us + us)


def breaks(bench: Serial, us: int) -> int:
    """How often the loop opens in a time, for longer than a switch takes to pass the line on."""
    count, open_us = 0, 0 if loop(bench) else 1_000_000
    for _ in range(us // 5_000):
        passes(bench, 5_000)
        open_us = 0 if loop(bench) else open_us + 5_000
        count += open_us == 45_000
    return count


def test_typed_hands_lift_dial_and_hang_up(bench: Serial) -> None:
    hardware = bench.world.hardware
    assert obey(hardware, "Lift Stage") == "the handset on stage is off its hook"
    passes(bench, 1_000_000)
    assert loop(bench)
    assert obey(hardware, "dial stage 55-5 at 8 pps") == "stage dials 555 at 8 pulses a second; that takes 4.6 s"
    assert breaks(bench, 5_000_000) == 15
    assert obey(hardware, "hang up stage") == "the handset on stage is down"
    passes(bench, 1_000_000)
    assert not loop(bench)


def test_a_visitor_lifts_dials_and_hangs_up_by_themselves(bench: Serial) -> None:
    took_us = telephones_of(bench.world.hardware).visit("stage", "12", 10)
    assert breaks(bench, took_us + 1_000_000) == 1 + 2 + 1  # a break for each pulse, and the hook
    assert not loop(bench)


def test_digits_that_are_typed_too_soon_come_one_after_the_other(bench: Serial) -> None:
    hardware = bench.world.hardware
    obey(hardware, "lift stage")
    passes(bench, 500_000)
    obey(hardware, "dial stage 3")
    obey(hardware, "dial stage 4")
    assert breaks(bench, 4_000_000) == 7


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("lift nowhere", "there is no telephone on 'nowhere'; there are"),
        ("dial stage 5", "nobody has lifted the handset on stage"),
        ("dial stage five", "expected 1 to 20 digits"),
        ("dial stage 5 at 500 pps", "a dial runs at 5 to 20 pps, found '500 pps'"),
        ("dial stage 5 at once", "a dial runs at 5 to 20 pps"),
        ("hang up", "is not understood; help lists what is"),
    ],
)
def test_what_hands_cannot_do_is_said(bench: Serial, typed: str, said: str) -> None:
    assert said in obey(bench.world.hardware, typed)


@pytest.mark.parametrize(
    ("hands", "said"),
    [
        ("open cover", "they can: key off; key day; key night; cover open;"),
        ("lift cellar", "there is no telephone on 'cellar'; there are "),
        ("hang up cellar", "there is no telephone on 'cellar'; there are "),
        ("dial cellar 12", "there is no telephone on 'cellar'; there are "),
        ("dial stage twelve", "expected 1 to 20 digits, found 'twelve'"),
        ("break it", "there is no fault 'it'; there are "),
    ],
)
def test_what_an_address_lets_hands_do_is_looked_at_before_it_begins(hands: str, said: str) -> None:
    line = Serial(None, timeout=0)
    line.port = f"bench://?unit={UNIT}&hands=3 s:{hands}"
    with pytest.raises(SerialException, match=re.escape(said)):
        line.open()


def test_help_is_a_list(bench: Serial) -> None:
    lines = obey(bench.world.hardware, "help").splitlines()
    assert {f"  {each}" for each in SAYINGS} < set(lines)
    assert max(len(line) for line in lines) < 120


def test_help_names_the_hands(bench: Serial) -> None:
    assert "hang up LINE" in obey(bench.world.hardware, "help")
    assert not {word.partition(" ")[0] for word in SAYINGS} & {"lift", "dial", "hang"}


def test_what_is_dialled_is_bounded() -> None:
    assert dialled(" 555-0134 at 8.5 pps ") == ("5550134", 8.5)
    assert dialled("0") == ("0", 10.0)
    for text in ("", "1" * (MOST_DIGITS + 1), "٣", "1 at nan pps", "1 at inf"):
        with pytest.raises(NoSuchHand):
            dialled(text)


def test_a_board_that_opens_its_own_contact_hangs_up_for_nobody(bench: Serial) -> None:
    """A monitored port passes its telephone through: the two contacts stand beside each other."""
    unit = bench.world.unit
    telephones_of(bench.world.hardware).lift("stage")
    passes(bench, 1_000_000)
    unit.set_loop(STAGE_PORT, True)
    unit.set_loop(STAGE_PORT, False)
    passes(bench, 1_000_000)
    assert loop(bench)
    unit.set_loop(STAGE_PORT, True)
    telephones_of(bench.world.hardware).hang_up("stage")
    passes(bench, 1_000_000)
    assert loop(bench)
    unit.set_loop(STAGE_PORT, False)
    passes(bench, 1_000_000)
    assert not loop(bench)


def test_a_visitor_by_the_benchs_url() -> None:
    line = Serial()
    line.port = f"bench://?unit={UNIT}&hands=1 s:lift stage&hands=3 s:dial stage 12&hands=7 s:hang up stage"
    line.open()
    try:
        assert breaks(line, 9_000_000) == 1 + 2 + 1
    finally:
        line.close()
