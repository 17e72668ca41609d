"""What a plan may ring at night, and the supply for a night: refused before, remembered after."""

from __future__ import annotations

from contextlib import nullcontext
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.board.limits import safety_limits
from demo_ctl.link.client import Client
from demo_ctl.link.limits import LimitsInForce
from demo_ctl.link.port import Port, add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.safety import night
from demo_ctl.safety.allowance import Window
from demo_ctl.safety.night import Supply, at_night, check_ringing
from demo_ctl.safety.permit_book import ENDED, GIVEN, LOST, NAME, REFUSED, read_rows
from demo_ctl.safety.readiness import NotReady
from demo_ctl.safety.unattended import STOP_TAKES, Happened, hold, settled, silenced
from demo_ctl.terms.errors import DemoError, InputError, TripError
from demo_ctl.wire import messages as m

UNIT = Path(__file__).resolve().parents[2] / "configs" / "units" / "travelling.yaml"
LIMITS = LimitsInForce(dict(zip(m.LIMIT_NAMES, safety_limits(), strict=True)), 0)
NOON = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def unit() -> Any:
    return load_unit(UNIT).value


def safety(**told: int) -> m.Safety:
    return m.Safety(**{**dict.fromkeys(m.Safety._fields, 0), "hour_left_ms": 150_000, **told})


@settings(deadline=None)
@given(st.lists(st.integers(0, 40_000_000), min_size=1, max_size=4), st.integers(0, 60_000))
def test_exactly_what_fits_one_call_and_the_hour_may_ring(unit: Any, windows: list[int], hour_ms: int) -> None:
    fits = sum(windows) <= 1000 * min(LIMITS.value(m.L_NIGHT_CALL_MS), hour_ms)
    with nullcontext() if fits else pytest.raises(NotReady, match="may have ringing on for"):
        check_ringing([Window(2, True, us) for us in windows], LIMITS, safety(hour_left_ms=hour_ms), unit)


def test_a_port_where_a_telephone_hangs_is_never_rung_at_night(unit: Any) -> None:
    with pytest.raises(NotReady, match="port 3, where a telephone hangs"):
        check_ringing([Window(2, True, 1000), Window(3, False, 1000)], LIMITS, safety(), unit)
    check_ringing([], LIMITS, safety(hour_left_ms=0), unit)


def test_a_burst_longer_than_the_nights_is_refused(unit: Any) -> None:
    ringing = unit.ringing.model_copy(update={"on_us": LIMITS.value(m.L_NIGHT_BURST_MS) * 1000 + 1})
    with pytest.raises(NotReady, match="at a time"):
        check_ringing([Window(2, True, 1000)], LIMITS, safety(), unit.model_copy(update={"ringing": ringing}))


def test_night_is_where_both_contacts_of_the_key_say_so() -> None:
    assert at_night(safety(inputs=m.IN_KEY | m.IN_NIGHT))
    assert not at_night(safety(inputs=m.IN_NIGHT))
    assert not at_night(safety(inputs=m.IN_KEY))


@given(st.integers(0, 0x1FFF))
def test_what_may_ring_at_night_by_its_inputs(inputs: int) -> None:
    """Nothing is said exactly where chain, covers and presence all allow it."""
    wanted = m.IN_CHAIN_A | m.IN_CHAIN_B | m.IN_COVERS | m.IN_ALONE
    assert (silenced(inputs) == []) is (inputs & wanted == wanted)


# -- the supply, on a bench that nobody has proven ----------------------------------------------------------


@pytest.fixture
def bench() -> Any:
    add_url_package("demo_ctl.bench")
    port = open_port(f"bench://?unit={UNIT}&key=night&guard=locked")
    yield port
    port.close()


def supply_of(bench: Port, unit: Any, folder: Path, *, proven: bool = True) -> tuple[Client, Supply]:
    client = Client(bench)
    client.hello()
    supply = Supply(client, client.safety(), unit=unit, folder=folder, now=lambda: NOON)
    supply.fresh = proven
    return client, supply


def test_no_supply_without_a_proving_of_the_night(bench: Port, unit: Any, tmp_path: Path) -> None:
    client, supply = supply_of(bench, unit, tmp_path, proven=False)
    with pytest.raises(NotReady, match="running with nobody there wants a proven guard"):
        supply.take()
    client.poll(100_000)
    assert not bench._line.world.hardware.permit_held


def test_an_alarm_is_remembered_by_this_computer_when_the_board_has_forgotten_it(
    bench: Port, unit: Any, tmp_path: Path
) -> None:
    hardware = bench._line.world.hardware
    client, supply = supply_of(bench, unit, tmp_path)
    supply.take()
    told: list[Happened] = []

    def tell(each: Happened) -> None:
        told.append(each)

    assert hold(client, supply.lease, for_us=2_000_000, tell=tell, asked_to_stop=lambda: False)
    assert (told, hardware.permit_held) == ([], True)
    hardware.set_input(m.IN_SMOKE, False)
    assert not hold(client, supply.lease, for_us=None, tell=tell, asked_to_stop=lambda: False)
    assert (told[-1].kind, told[-1].reason) == ("lost", m.R_SMOKE)
    assert supply.end("in a test") == ""
    hardware.set_input(m.IN_SMOKE, True)
    hardware.break_part("brown-out")
    hardware.turn_key("night")
    bench.read(bench.clock_us() + 1_000_000)
    client, again = supply_of(bench, unit, tmp_path)
    assert client.safety().permit_reason == m.R_LEASE  # the board knows of nothing
    with pytest.raises(TripError, match=r"nobody has acknowledged yet: smoke, 2026-11-25T12:00:00\+00:00"):
        again.take()
    assert not hardware.permit_held
    assert [row.event for row in read_rows(tmp_path)] == [GIVEN, LOST]


@pytest.mark.parametrize("target", ["/dev/null", "/dev/full", "gone/elsewhere"])
def test_no_supply_is_asked_for_unless_it_stands_on_the_disk_first(
    bench: Port, unit: Any, tmp_path: Path, target: str
) -> None:
    (tmp_path / NAME).symlink_to(target)
    client, supply = supply_of(bench, unit, tmp_path)
    with pytest.raises(InputError, match=r"cannot be (kept|read)"):
        supply.take()
    client.poll(2_000_000)
    assert not bench._line.world.hardware.permit_held
    assert supply.lease.given_us < 0


def test_a_folder_that_goes_after_the_book_was_read_gives_no_supply(
    bench: Port, unit: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "p"
    client, supply = supply_of(bench, unit, folder)

    def read_and_lose(where: Path) -> list[Any]:
        rows = read_rows(where)
        folder.write_text("no folder any more")
        return rows

    monkeypatch.setattr(night, "read_rows", read_and_lose)
    with pytest.raises(InputError, match=r"cannot be (kept|read)"):
        supply.take()
    client.poll(2_000_000)
    assert not bench._line.world.hardware.permit_held


def test_an_alarm_follows_the_board_to_a_unit_of_another_name(bench: Port, unit: Any, tmp_path: Path) -> None:
    client, supply = supply_of(bench, unit, tmp_path)
    supply.take()
    bench._line.world.hardware.set_input(m.IN_SMOKE, False)
    hold(client, supply.lease, for_us=None, tell=print, asked_to_stop=lambda: False)
    assert supply.end() == ""
    _, renamed = supply_of(bench, unit.model_copy(update={"name": "Another name"}), tmp_path)
    with pytest.raises(TripError, match="nobody has acknowledged yet: smoke"):
        renamed.take()


def test_an_alarm_that_stands_already_is_refused_and_remembered(bench: Port, unit: Any, tmp_path: Path) -> None:
    bench._line.world.hardware.set_input(m.IN_RELEASE, False)
    _, supply = supply_of(bench, unit, tmp_path)
    with pytest.raises(TripError, match="release alarm"):
        supply.take()
    assert [(row.event, row.reason) for row in read_rows(tmp_path)] == [(GIVEN, ""), (REFUSED, "release alarm")]


def test_by_day_there_is_nothing_to_ask_for(bench: Port, unit: Any, tmp_path: Path) -> None:
    bench._line.world.hardware.turn_key("day")
    _, supply = supply_of(bench, unit, tmp_path)
    with pytest.raises(DemoError, match="the key stands at day, and by day the key itself holds") as caught:
        supply.take()
    assert int(caught.value.exit_code) == 2
    assert "turn the key off, then to night" in caught.value.next_step
    assert read_rows(tmp_path) == []


def test_a_bench_that_proved_itself_remembers_its_alarms_as_any(bench: Port, unit: Any, tmp_path: Path) -> None:
    """Nobody's proving is asked for there; what took the supply of the unit stands in the book all the same."""
    add_url_package("demo_ctl.bench")
    port = open_port(f"bench://?unit={UNIT}&key=night")
    try:
        client = Client(port)
        client.hello()
        supply = Supply(client, client.safety(), unit=unit, folder=tmp_path, now=lambda: NOON)
        assert supply.fresh
        supply.take()
        assert supply.remembered() == ("", "")
        port._line.world.hardware.set_input(m.IN_FUSE, False)
        hold(client, supply.lease, for_us=None, tell=print, asked_to_stop=lambda: False)
        assert supply.end("in a call") == ""
        assert str(tmp_path / NAME) in supply.remembered()[0]
    finally:
        port.close()
    _, other = supply_of(bench, unit, tmp_path)
    with pytest.raises(TripError, match="nobody has acknowledged yet: fuse alarm"):
        other.take()


@pytest.mark.parametrize(("still", "said"), [(True, "the smoke contact still reads ALARM"), (False, "board keeps it")])
def test_a_refusal_says_whether_the_alarm_is_there_yet_or_only_kept(
    bench: Port, unit: Any, tmp_path: Path, still: bool, said: str
) -> None:
    hardware = bench._line.world.hardware
    hardware.set_input(m.IN_SMOKE, False)
    client, supply = supply_of(bench, unit, tmp_path)
    settled(client)
    hardware.set_input(m.IN_SMOKE, not still)
    settled(client)
    with pytest.raises(TripError, match=said) as caught:
        supply.take()
    assert "--alarm-cleared" in caught.value.next_step


@pytest.mark.parametrize(("position", "said"), [("off", "the unit has no supply"), ("day", "at day it holds")])
def test_a_key_that_is_turned_says_which_way(bench: Port, unit: Any, tmp_path: Path, position: str, said: str) -> None:
    client, supply = supply_of(bench, unit, tmp_path)
    supply.take()
    hardware = bench._line.world.hardware
    hardware.kernel.at(hardware.kernel.now_us + 300_000, hardware.turn_key, position)
    told: list[Happened] = []
    assert not hold(client, supply.lease, for_us=None, tell=told.append, asked_to_stop=lambda: False)
    assert told[-1].kind == "lost"
    assert said in told[-1].say


@pytest.mark.parametrize("by", ["press_stop", "open_cover"])
def test_an_open_chain_is_told_once_and_that_it_takes_ringing_and_not_the_battery(
    bench: Port, unit: Any, tmp_path: Path, by: str
) -> None:
    client, supply = supply_of(bench, unit, tmp_path)
    supply.take()
    hardware = bench._line.world.hardware
    hardware.kernel.at(hardware.kernel.now_us + 300_000, getattr(hardware, by))
    told: list[Happened] = []
    assert hold(client, supply.lease, for_us=1_000_000, tell=told.append, asked_to_stop=lambda: False)
    chain = [each for each in told if each.say.startswith("safety chain")]
    assert [each.say for each in chain] == ["safety chain: open (a cover, the stop or the key)"]
    assert chain[0].next_step == f"Nothing may ring now. {STOP_TAKES}"
    assert [each.next_step for each in told if each.say == "covers' second contacts: open"] == (
        ["Nothing may ring until every cover is proven closed."] if by == "open_cover" else []
    )
    assert hardware.permit_held


def test_stopped_it_is_given_back_at_once(bench: Port, unit: Any, tmp_path: Path) -> None:
    client, supply = supply_of(bench, unit, tmp_path)
    supply.take()
    stops = iter([False] * 5 + [True])
    assert not hold(client, supply.lease, for_us=None, tell=print, asked_to_stop=lambda: next(stops))
    assert [supply.end(), supply.end("again")] == ["", ""]
    assert [row.event for row in read_rows(tmp_path)] == [GIVEN, ENDED]
    client.poll(100_000)
    bench.read(bench.clock_us() + 100_000)
    assert not bench._line.world.hardware.permit_held
    assert client.safety().permit_reason == m.R_LEASE


def test_an_alarm_that_has_just_come_in_is_remembered_though_the_supply_is_being_given_back(
    bench: Port, unit: Any, tmp_path: Path
) -> None:
    """The board lets the contact bounce yet, and the word of it finds that its reader has gone."""
    client, supply = supply_of(bench, unit, tmp_path)
    supply.take()
    hardware = bench._line.world.hardware
    hardware.kernel.at(hardware.kernel.now_us + 300_000, hardware.set_input, m.IN_SMOKE, False)

    def reader_gone(each: Happened) -> None:
        raise BrokenPipeError(each.say)

    with pytest.raises(BrokenPipeError, match="smoke contact"):
        hold(client, supply.lease, for_us=None, tell=reader_gone, asked_to_stop=lambda: False)
    assert not supply.lease.lost
    assert supply.end() == ""
    assert [(row.event, row.reason) for row in read_rows(tmp_path)] == [(GIVEN, ""), (LOST, "smoke")]


def test_somebody_there_and_a_cover_are_told_and_take_nothing(bench: Port, unit: Any, tmp_path: Path) -> None:
    client, supply = supply_of(bench, unit, tmp_path)
    supply.take()
    hardware = bench._line.world.hardware
    hardware.kernel.at(hardware.kernel.now_us + 300_000, hardware.set_input, m.IN_ALONE | m.IN_COVERS, False)
    told: list[Happened] = []
    assert hold(client, supply.lease, for_us=1_000_000, tell=told.append, asked_to_stop=lambda: False)
    assert [each.say for each in told if each.kind == "input"] == [
        "covers' second contacts: open",
        "presence detector: somebody there",
    ]
    assert bench._line.world.hardware.permit_held
