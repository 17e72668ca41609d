"""Calls in which the guard trips, or does not let them begin; and a disk that stands still while ringing is on."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.ledger.read import read_record
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.advice import of_trip, of_worse
from demo_ctl.link.client import Client
from demo_ctl.link.loop import Heard
from demo_ctl.link.port import Port, add_url_package, open_port
from demo_ctl.plan.model import Plan
from demo_ctl.run.perform import perform
from demo_ctl.run.result import Progress, Status
from demo_ctl.run.tripping import Tripping
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.terms.errors import DemoError, LinkError, TripError
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m

Make = Callable[..., Plan]
LIVE_S = 8


@pytest.fixture
def ring(make_plan: Make) -> Plan:
    """Let ringing onto the bus for some seconds, and let nobody be rung."""
    return make_plan(
        (m.OP_WAIT, 0, 0, 300_000, 0),
        (m.OP_RINGING, 2, 1, LIVE_S * 1_000_000, 0),
        (m.OP_WAIT, 0, 0, LIVE_S * 1_000_000 - 200_000, 0),
        (m.OP_RINGING, 2, 0, 0, 0),
    )


class WhenLive:
    """Do something once, as ringing goes live."""

    def __init__(self, act: Callable[[], object]) -> None:
        self.act = act
        self.done = False
        self.guard: list[tuple[str, int]] = []

    def __call__(self, item: Progress) -> None:
        if item.kind == "ringing":
            self.guard.append((item.label, item.at_us))
        if (item.kind, item.label) == ("ringing", "ringing allowed") and not self.done:
            self.done = True
            self.act()


def test_a_cover_opened_while_live_is_a_trip_with_the_boards_account_in_the_record(
    bench: Port, ring: Plan, tmp_path: Path
) -> None:
    hardware = bench._line.world.hardware
    path = tmp_path / "call.jsonl"
    result = perform(
        ring, Client(bench), RecordWriter(path), on_progress=WhenLive(hardware.open_cover), ready=bench_ready
    )
    assert result.status is Status.TRIPPED
    assert result.exit_code == Exit.SAFETY_TRIP
    assert isinstance(result.error, TripError)
    assert not hardware.ringing_fed
    (trip,) = result.trips
    assert (trip.reason, trip.state, trip.port, trip.worse) == (m.R_CHAIN, m.G_LIVE, 2, m.R_NONE)
    assert not trip.inputs & m.IN_CHAIN_A
    assert trip.step == 2
    record = read_record(path)
    assert record.trips == result.trips
    assert (record.status, record.exit_code) == ("tripped", 4)


def test_a_host_held_up_for_too_long_while_live_hears_of_the_trip_when_it_is_back(
    bench: Port, ring: Plan, tmp_path: Path
) -> None:
    """A computer that slept: the board's last words may be lost, its trip is not."""

    def sleep() -> None:
        until_us = bench.clock_us() + 3_000_000
        while bench.clock_us() < until_us:
            bench.read(until_us)  # whatever was said meanwhile, nobody heard

    path = tmp_path / "call.jsonl"
    result = perform(ring, Client(bench), RecordWriter(path), on_progress=WhenLive(sleep), ready=bench_ready)
    assert result.status is Status.TRIPPED
    assert result.exit_code == Exit.SAFETY_TRIP
    assert [trip.reason for trip in result.trips] == [m.R_SILENCE]
    assert result.error is not None
    assert "turn the key off and on" in result.error.next_step
    assert read_record(path).trips == result.trips


def test_a_trip_goes_before_ctrl_c(bench: Port, ring: Plan, tmp_path: Path) -> None:
    hardware = bench._line.world.hardware

    def both() -> None:
        hardware.press_stop()
        raise KeyboardInterrupt

    path = tmp_path / "call.jsonl"
    result = perform(ring, Client(bench), RecordWriter(path), on_progress=WhenLive(both), ready=bench_ready)
    assert result.status is Status.TRIPPED
    assert result.exit_code == Exit.SAFETY_TRIP
    assert [trip.reason for trip in result.trips] == [m.R_CHAIN]
    assert read_record(path).status == "tripped"


def test_only_the_trips_of_this_call_are_in_its_record(
    bench: Port, ring: Plan, make_plan: Make, tmp_path: Path
) -> None:
    hardware = bench._line.world.hardware
    client = Client(bench)
    first = perform(ring, client, on_progress=WhenLive(hardware.open_cover), ready=bench_ready)
    assert len(first.trips) == 1
    quiet = make_plan((m.OP_LOOP, 1, 1, 0, 0), (m.OP_WAIT, 0, 0, 500_000, 0), (m.OP_LOOP, 1, 0, 0, 0))
    path = tmp_path / "call.jsonl"
    second = perform(quiet, client, RecordWriter(path))
    assert second.status is Status.FINISHED  # a tripped guard is in nobody's way who does not ring
    assert second.trips == ()
    assert read_record(path).trips == ()


class HardOfHearing(Client):
    """A client to which no event of a trip comes, as when it found the board's queue full."""

    def __init__(self, port: Port, *, overflow: bool) -> None:
        super().__init__(port)
        self.overflow = overflow

    def poll(self, wait_us: int) -> list[Heard]:
        heard: list[Heard] = []
        for item in super().poll(wait_us):
            if isinstance(item, m.Event) and item.kind == m.EV_GUARD and item.value & 0xFF == m.G_TRIPPED:
                if self.overflow:
                    heard.append(item._replace(kind=m.EV_OVERFLOW, port=0, value=1))
                continue
            if isinstance(item, m.Event) and item.kind == m.EV_PLAN and item.value & 0xFF == m.ENDED_EARLY:
                item = item._replace(value=m.ENDED_EARLY | m.R_OVERFLOW << 8)
            heard.append(item)
        return heard


@pytest.mark.parametrize("overflow", [False, True])
def test_a_trip_that_no_event_tells_of_is_asked_for(bench: Port, ring: Plan, tmp_path: Path, overflow: bool) -> None:
    hardware = bench._line.world.hardware
    path = tmp_path / "call.jsonl"
    client = HardOfHearing(bench, overflow=overflow)
    result = perform(ring, client, RecordWriter(path), on_progress=WhenLive(hardware.open_cover), ready=bench_ready)
    assert (result.status, result.exit_code) == (Status.TRIPPED, Exit.SAFETY_TRIP)
    assert [trip.reason for trip in result.trips] == [m.R_CHAIN]
    assert result.reason == "interlock chain open"
    assert read_record(path).trips == result.trips


def test_an_early_end_without_a_trip_of_its_own_is_none(bench: Port, ring: Plan, make_plan: Make) -> None:
    hardware = bench._line.world.hardware
    client = Client(bench)
    perform(ring, client, on_progress=WhenLive(hardware.open_cover), ready=bench_ready)
    stuck = make_plan((m.OP_LOOP, 1, 1, 0, 0), (m.OP_GATE, 0, 1, 200_000, 1), (m.OP_LOOP, 1, 0, 0, 0))
    result = perform(stuck, client)
    assert (result.status, result.trips) == (Status.ENDED_EARLY, ())


@pytest.mark.parametrize("says", [True, False])
def test_a_plan_that_rings_is_not_begun_without_anybody_asking_whether_it_may(
    bench: Port, ring: Plan, make_plan: Make, says: bool
) -> None:
    quiet = make_plan((m.OP_LOOP, 1, 1, 0, 0), (m.OP_LOOP, 1, 0, 0, 0))
    plan = replace(quiet, ringing=True) if says else ring
    client = Client(bench)
    with pytest.raises(ValueError, match="wants `ready`"):
        perform(plan, client)
    assert client.welcome is None  # the board was not even greeted


NOTHING_RANG = "a relay or the bus reads as if it rang"
TAKEN_OFF = "no silence after ringing was taken off"
FAULTS = {  # the first reason, and what the call says of the one after it
    ("bus-sense-dead", False): (m.R_STALE, NOTHING_RANG),
    ("mirror-a-broken", False): (m.R_MIRROR, NOTHING_RANG),
    ("bus-sense-dead", True): (m.R_STALE, TAKEN_OFF),
}


@pytest.mark.parametrize("heard", [True, False], ids=["heard", "events-lost"])
@pytest.mark.parametrize(("fault", "live"), FAULTS)
def test_the_first_reason_of_a_trip_is_kept_and_the_worse_one_said_after_it(
    bench: Port, make_plan: Make, tmp_path: Path, fault: str, live: bool, heard: bool
) -> None:
    """Nothing that did not ring is said to have been taken off; and the record ends with the same words."""
    hardware = bench._line.world.hardware
    plan = make_plan(
        (m.OP_LOOP, 1, 1, 0, 0), (m.OP_WAIT, 0, 0, 300_000, 0), (m.OP_RINGING, 2, 1, 8_000_000, 0),
        (m.OP_WAIT, 0, 0, 7_000_000, 0), (m.OP_RINGING, 2, 0, 0, 0), (m.OP_LOOP, 1, 0, 0, 0),
    )  # fmt: skip

    class Break(WhenLive):
        def __call__(self, item: Progress) -> None:
            super().__call__(item)
            if not live and not self.done and item.kind == "plan":
                self.done = True
                self.act()

    path = tmp_path / "call.jsonl"
    watch = Break(lambda: hardware.break_part(fault))
    client = Client(bench) if heard else HardOfHearing(bench, overflow=False)
    result = perform(plan, client, RecordWriter(path), on_progress=watch, ready=bench_ready)
    assert (result.status, result.exit_code) == (Status.TRIPPED, Exit.SAFETY_TRIP)
    first, then = FAULTS[fault, live]
    (trip,) = result.trips
    assert (trip.reason, trip.worse, trip.state == m.G_LIVE) == (first, m.R_NO_SILENCE, live)
    assert result.reason == f"{m.R_NAMES[first]}; and then: {then}"
    assert result.error is not None
    assert result.error.what.startswith(
        f"the board stopped the call to keep people safe ({result.reason}): {of_trip(first).what}. Worse: "
    )
    assert ("ringing was taken off, and" in result.error.what) is live
    assert ("while nothing rings" in result.error.what) is not live
    assert result.error.next_step.startswith(of_worse(trip).advice)
    assert of_trip(first).look in result.error.next_step
    record = read_record(path)
    assert (record.status, record.reason, record.exit_code) == ("tripped", result.reason, 4)
    if heard:
        told = [label for label, _ in watch.guard]
        assert told.count("tripped") == 2


def test_a_trip_that_the_board_cannot_be_asked_about_is_told_from_its_events(bench: Port, make_plan: Make) -> None:
    """The client is deaf to the board's own records, and the words are the same."""

    class NoRecords(Client):
        def trips(self) -> list[m.Trip]:
            raise LinkError("the board does not answer", next_step="")

    hardware = bench._line.world.hardware
    ring = make_plan((m.OP_WAIT, 0, 0, 300_000, 0), (m.OP_RINGING, 2, 1, 8_000_000, 0), (m.OP_WAIT, 0, 0, 7_000_000, 0))
    watch = WhenLive(lambda: hardware.break_part("bus-sense-dead"))
    result = perform(ring, NoRecords(bench), on_progress=watch, ready=bench_ready)
    assert (result.status, result.trips) == (Status.TRIPPED, ())
    assert result.reason == f"{m.R_NAMES[m.R_STALE]}; and then: {TAKEN_OFF}"


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(0, 8), st.integers(0, 50)), max_size=8))
def test_words_of_a_trip_are_the_same_from_events_and_from_the_boards_record(heard: list[tuple[int, int]]) -> None:
    """Law: the first reason stays first; what is worse is named by what the guard did before the trip."""
    by_events, by_record = Tripping(), Tripping()
    state, reason, worse, before = m.G_LIVE, m.R_NONE, m.R_NONE, m.G_LIVE
    for state, each in heard:
        by_events.event(state, each)
        if state != m.G_TRIPPED:
            before = state if not reason else before
        elif not reason:
            reason = each
        elif each != reason:
            worse = each
    fields = dict.fromkeys(m.Trip._fields, 0) | {"reason": reason, "worse": worse, "state": before}
    by_record.record(m.Trip(**fields))
    assert by_events.say == by_record.say
    if reason:
        again = Tripping()
        again.record(m.Trip(**(fields | {"worse": reason})))  # what came last is what came first
        assert (again.reason, again.worse) == (reason, m.R_NONE)
        by_events.record(m.Trip(**(fields | {"worse": reason})))
        assert by_events.say == by_record.say  # and what was heard in between is not forgotten
    assert str(by_events.error()) == str(by_record.error())
    assert by_events.say.startswith(m.R_NAMES[reason] if reason < len(m.R_NAMES) else f"code {reason}")


def refusing(error: DemoError) -> Callable[[Client, Plan], None]:
    def refuse(client: Client, plan: Plan) -> None:
        raise error

    return refuse


def test_what_keeps_a_call_from_beginning_is_in_its_record(bench: Port, ring: Plan, tmp_path: Path) -> None:
    path = tmp_path / "call.jsonl"
    with pytest.raises(DemoError, match="no proving"):
        perform(ring, Client(bench), RecordWriter(path), ready=refusing(DemoError("no proving", next_step="Prove it.")))
    record = read_record(path)
    assert (record.status, record.reason, record.exit_code) == ("refused", "no proving", 2)
    assert record.plan == ring
    assert record.observation.events == ()
    assert record.trips == ()


def test_a_tripped_guard_that_keeps_a_call_from_beginning_is_in_its_record(
    bench: Port, ring: Plan, tmp_path: Path
) -> None:
    hardware = bench._line.world.hardware
    client = Client(bench)
    perform(ring, client, on_progress=WhenLive(hardware.open_cover), ready=bench_ready)
    path = tmp_path / "call.jsonl"
    with pytest.raises(TripError):
        perform(ring, client, RecordWriter(path), ready=refusing(TripError("tripped", next_step="The key.")))
    record = read_record(path)
    assert (record.status, record.exit_code) == ("tripped", 4)
    assert [trip.reason for trip in record.trips] == [m.R_CHAIN]


def test_ready_is_asked_with_a_board_that_has_been_greeted_and_before_anything_runs(bench: Port, ring: Plan) -> None:
    asked: list[int] = []

    def ready(client: Client, plan: Plan) -> None:
        assert client.welcome is not None
        asked.append(client.status().plan_state)

    assert perform(ring, Client(bench), ready=ready).status is Status.FINISHED
    assert asked == [m.IDLE]


class StuckDisk:
    """Writes of the record wait until they may go on."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.free = threading.Event()
        self.free.set()
        self.waited = 0
        write = os.write

        def stuck(handle: int, data: Any) -> int:
            if threading.current_thread().name == "record writer" and not self.free.is_set():
                self.waited += 1
                self.free.wait()
            return write(handle, data)

        monkeypatch.setattr("demo_ctl.ledger.record.os.write", stuck)


def test_a_disk_that_stands_still_for_five_seconds_while_live_costs_nothing(
    bench: Port, ring: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The heartbeat goes on, the show is not lost, and nor is a row. Seconds of the port's clock."""
    disk = StuckDisk(monkeypatch)
    stuck_us: list[int] = []

    def stick() -> None:
        disk.free.clear()
        stuck_us.append(bench.clock_us())

    class Watch(WhenLive):
        def __call__(self, item: Progress) -> None:
            super().__call__(item)
            if (item.kind, item.label) == ("ringing", "ringing taken off"):
                stuck_us.append(bench.clock_us())
                disk.free.set()

    path = tmp_path / "call.jsonl"
    result = perform(ring, Client(bench), RecordWriter(path), on_progress=Watch(stick), ready=bench_ready)
    assert stuck_us[1] - stuck_us[0] >= 5_000_000
    assert disk.waited == 1
    assert result.status is Status.FINISHED
    assert result.trips == ()
    assert result.record_trouble is None
    record = read_record(path)
    assert record.observation == result.observation
    assert record.complete


@pytest.mark.realtime
def test_a_disk_that_stands_still_for_five_real_seconds_while_live(
    unit_file: Path, ring: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As above, on a clock that does not wait: the paced bench."""
    disk = StuckDisk(monkeypatch)
    timers: list[threading.Timer] = []

    def stick() -> None:
        disk.free.clear()
        timers.append(threading.Timer(5.0, disk.free.set))
        timers[0].start()

    add_url_package("demo_ctl.bench")
    port = open_port(f"bench://?unit={unit_file}&clock=paced")
    try:
        watch = WhenLive(stick)
        path = tmp_path / "call.jsonl"
        result = perform(ring, Client(port), RecordWriter(path), on_progress=watch, ready=bench_ready)
    finally:
        port.close()
        timers[0].join()
    assert disk.waited == 1
    assert [label for label, _ in watch.guard][-2:] == ["ringing taken off", "safe"]
    assert result.status is Status.FINISHED
    assert result.record_trouble is None
    assert read_record(path).observation == result.observation
