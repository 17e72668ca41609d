"""The lease of the unit's supply: its rules alone; and kept by a client, with the real firmware on the bench."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.board.permit import LEASE_MOST_MS
from demo_ctl.link.client import Client
from demo_ctl.link.lease import ALARMS, LEASE_MS, REFUSED, RENEW_US, Lease
from demo_ctl.link.loop import SILENCE_US
from demo_ctl.link.port import Port, add_url_package, open_port
from demo_ctl.terms.errors import LinkError
from demo_ctl.wire import messages as m

UNIT = Path(__file__).resolve().parents[2] / "configs" / "units" / "travelling.yaml"
YES = m.Answer(1, m.OK, 0)


def dropped(reason: int, at_us: int = 5) -> m.Event:
    return m.Event(1, at_us, m.EV_PERMIT, 0, reason << 8)


GIVEN = m.Event(0, 4, m.EV_PERMIT, 0, 1)


# -- the rules ----------------------------------------------------------------------------------------------


def test_it_is_shorter_than_the_boards_most_and_longer_than_some_lost_renewals() -> None:
    assert LEASE_MS < LEASE_MOST_MS
    assert LEASE_MS * 1000 >= 3 * RENEW_US
    assert RENEW_US + SILENCE_US < LEASE_MS * 1000  # a board that is only slow to answer does not end it


@settings(deadline=None)
@given(st.lists(st.integers(0, 3_000_000), max_size=40))
def test_asked_for_when_due_and_never_sooner(waits: list[int]) -> None:
    lease, now_us, last_us = Lease(), 0, None
    for wait_us in waits:
        now_us += wait_us
        wanted = lease.request(now_us)
        assert (wanted is not None) == (last_us is None or now_us - last_us >= RENEW_US)
        if wanted is not None:
            assert wanted == m.Permit(LEASE_MS, m.R_LEASE)
            last_us = now_us
            lease.answered(YES, now_us)
    assert lease.held == (last_us is not None)


@pytest.mark.parametrize("reason", REFUSED)
def test_lost_stays_lost_and_the_first_reason_counts(reason: int) -> None:
    for lose in (
        lambda lease: lease.answered(m.Answer(1, m.E_STATE, reason), 9),
        lambda lease: lease.hear(dropped(reason)),
    ):
        lease = Lease()
        lease.request(0)
        lease.answered(YES, 0)
        lease.hear(GIVEN)
        lose(lease)
        assert (lease.held, lease.lost, lease.reason) == (False, True, reason)
        lease.hear(dropped(m.R_LEASE))
        lease.answered(YES, 10)
        assert (lease.held, lease.reason) == (False, reason)
        assert lease.request(1 << 40) is None


def test_a_refusal_that_tells_the_plans_state_is_a_session_that_the_board_has_closed() -> None:
    for state in range(len(m.PLAN_STATES)):
        lease = Lease()
        lease.answered(m.Answer(1, m.E_STATE, state), 0)
        assert lease.reason == m.R_SILENCE


def test_what_was_dropped_before_it_was_given_is_another_lease() -> None:
    lease = Lease()
    lease.request(0)
    lease.answered(YES, 0)
    lease.hear(dropped(m.R_LEASE))
    assert lease.held
    lease.hear(GIVEN)
    lease.hear(dropped(m.R_LEASE))
    assert not lease.held


def test_given_back_it_is_not_lost() -> None:
    lease = Lease()
    lease.answered(YES, 0)
    lease.end()
    lease.hear(dropped(m.R_LEASE))
    assert (lease.held, lease.lost) == (False, False)


# -- with the firmware --------------------------------------------------------------------------------------


@pytest.fixture(params=["python", "micropython"])
def bench(request: Any) -> Iterator[Port]:
    add_url_package("demo_ctl.bench")
    port = open_port(f"bench://?unit={UNIT}&board={request.param}")
    yield port
    port.close()


@pytest.fixture
def hardware(bench: Port) -> Any:
    return bench._line.world.hardware


@pytest.fixture
def wait(bench: Port) -> Callable[[Client, int], None]:
    def go(client: Client, us: int) -> None:
        until_us = client.now_us() + us
        while client.now_us() < until_us:
            client.poll(until_us - client.now_us())

    return go


def at_night(client: Client, hardware: Any, wait: Callable[[Client, int], None]) -> Lease:
    client.hello()
    hardware.turn_key("night")
    wait(client, 300_000)
    lease = Lease()
    client.hold_supply(lease)
    return lease


def test_a_client_that_only_waits_keeps_it_and_gives_it_back(bench: Port, hardware: Any, wait: Any) -> None:
    client = Client(bench)
    lease = at_night(client, hardware, wait)
    wait(client, 100_000)
    assert hardware.permit_held
    for _ in range(20):
        wait(client, 1_000_000)
        assert hardware.permit_held
    assert 18 <= lease.renewed <= 22
    client.give_supply_back()
    wait(client, 200_000)
    assert not hardware.permit_held
    assert client.safety().permit_reason == m.R_LEASE
    assert not lease.lost


@pytest.mark.parametrize(
    ("saying", "reason"),
    [
        ("smoke alarm", m.R_SMOKE),
        ("fuse alarm", m.R_FUSE),
        ("release alarm", m.R_RELEASE),
        ("supervisory alarm", m.R_SUPERVISORY),
        ("key day", m.R_KEY),
    ],
)
def test_what_takes_it_is_known_at_once_and_it_is_not_asked_for_again(
    bench: Port, hardware: Any, wait: Any, saying: str, reason: int
) -> None:
    from demo_ctl.bench.people import obey

    client = Client(bench)
    lease = at_night(client, hardware, wait)
    wait(client, 100_000)
    obey(hardware, saying)
    wait(client, 200_000)
    assert (lease.lost, lease.reason) == (True, reason)
    assert (lease.lost_at_us > 0, hardware.permit_held) == (True, False)
    obey(hardware, saying.replace("alarm", "clear") if reason in ALARMS else "key night")
    wait(client, 5_000_000)
    assert not hardware.permit_held
    again = Lease()
    client.hold_supply(again)
    assert again.reason == (reason if reason in ALARMS else m.R_NONE)  # the board latches an alarm, and not the key


def test_a_killed_host_is_one_whose_lease_runs_out(bench: Port, hardware: Any, wait: Any) -> None:
    """No word of it: the bytes stop, as they do after kill -9."""
    client = Client(bench)
    at_night(client, hardware, wait)
    wait(client, 500_000)
    gone_us = bench.clock_us()
    hardware.break_part("host-killed")
    while hardware.permit_held and bench.clock_us() < gone_us + 20_000_000:
        bench.read(bench.clock_us() + 10_000)
    assert bench.clock_us() - gone_us <= LEASE_MS * 1000 + 100_000
    assert bench.clock_us() - gone_us > 2_000_000


def test_a_lost_cable_ends_it_and_is_told_as_that(bench: Port, hardware: Any, wait: Any) -> None:
    client = Client(bench)
    at_night(client, hardware, wait)
    hardware.break_part("cable-cut")
    with pytest.raises(LinkError):
        wait(client, 10_000_000)


def test_a_computer_that_was_held_up_has_lost_its_session_and_the_lease_says_so(
    bench: Port, hardware: Any, wait: Any
) -> None:
    client = Client(bench)
    lease = at_night(client, hardware, wait)
    wait(client, 500_000)
    until_us = bench.clock_us() + 1_500_000
    while bench.clock_us() < until_us:
        bench.read(until_us)
    wait(client, 1_500_000)
    assert lease.reason == m.R_SILENCE


def test_commands_of_others_pass_between_renewals(bench: Port, hardware: Any, wait: Any) -> None:
    client = Client(bench)
    lease = at_night(client, hardware, wait)
    until_us = client.now_us() + 6_000_000
    asked = 0
    while client.now_us() < until_us:
        assert client.safety().permit == 1
        client.keep_alive()
        wait(client, 7_000)
        asked += 1
    assert asked > 100
    assert lease.renewed >= 5
