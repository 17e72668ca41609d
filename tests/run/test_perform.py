"""Performing plans on the bench: how they run, and every way they end but a killed process."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.ledger.read import Note, read_record
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.client import Client
from demo_ctl.link.port import Port
from demo_ctl.office.model import Unit
from demo_ctl.plan.model import BusyTrunks, Gate, Plan
from demo_ctl.run.perform import POLL_US, perform
from demo_ctl.run.result import CallResult, Progress, Status
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.terms.errors import InputError, LinkError, Place, PlanError, TripError
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m
from demo_ctl.wire.codec import decode
from demo_ctl.wire.framing import Deframer

Make = Callable[..., Plan]
Closed = Callable[[Any], bool]

LIFT = (m.OP_LOOP, 1, 1, 0, 0)
HANG_UP = (m.OP_LOOP, 1, 0, 0, 0)


def noting(sent: list[type]) -> Callable[[Any], bool]:
    """Note what kinds of message go to the board."""

    def note(message: Any) -> bool:
        sent.append(type(message))
        return True

    return note


def plan_ends(result: CallResult) -> list[int]:
    """Values of the EV_PLAN events, in order."""
    return [event.value for event in result.observation.events if event.kind == m.EV_PLAN]


def test_a_plan_runs_to_its_end_and_everything_seen_is_in_the_record(
    bench: Port, make_plan: Make, tmp_path: Path, line_closed: Closed
) -> None:
    plan = make_plan(
        LIFT,
        (m.OP_LISTEN, 1, 1, 0, 0),
        (m.OP_WAIT, 0, 0, 1_000_000, 0),
        (m.OP_LISTEN, 1, 0, 0, 0),
        (m.OP_PULSES, 1, 2, 61_000, 39_000),
        HANG_UP,
        most_us=1_200_000,
    )
    shown: list[Progress] = []
    path = tmp_path / "call.jsonl"
    result = perform(plan, Client(bench), RecordWriter(path), on_progress=shown.append)
    assert result.status is Status.FINISHED
    assert result.exit_code == Exit.OK
    assert result.released
    assert result.error is None
    assert plan_ends(result) == [m.RUNNING, m.FINISHED]
    assert not line_closed(bench)
    assert len(result.observation.audio) > 60
    record = read_record(path)
    assert record.remarks == ()
    assert record.plan == plan
    assert record.observation == result.observation
    assert (record.status, record.exit_code) == ("finished", 0)
    assert record.port == bench.url
    assert record.simulated
    assert [(item.kind, item.label) for item in shown if item.kind in ("began", "ended", "plan")] == [
        ("plan", "running"),
        ("ended", "loop 0"),
        ("ended", "listen 1"),
        ("ended", "wait 2"),
        ("ended", "listen 3"),
        ("began", "pulses 4"),
        ("ended", "pulses 4"),
        ("ended", "loop 5"),
        ("plan", "finished"),
    ]
    assert next(item.at_us for item in shown if item.label == "pulses 4") == 1_000_000
    assert any(item.kind == "sensed" and item.label == "loop on" and item.port == 1 for item in shown)


def test_two_calls_over_one_client(bench: Port, make_plan: Make) -> None:
    client = Client(bench)
    plan = make_plan(LIFT, (m.OP_WAIT, 0, 0, 500_000, 0), HANG_UP)
    first, second = perform(plan, client), perform(plan, client)
    assert first.status is second.status is Status.FINISHED
    assert [event.number for event in second.observation.events] == list(range(len(second.observation.events)))


def test_a_bench_faster_than_the_disk_is_held_back(bench: Port, make_plan: Make, tmp_path: Path) -> None:
    """On a free clock sound comes hundreds of times faster than in real time; the record lacks none of it."""
    listen = [(m.OP_LISTEN, 1, 1, 0, 0), (m.OP_WAIT, 0, 0, 10_000_000, 0), (m.OP_LISTEN, 1, 0, 0, 0)]
    path = tmp_path / "call.jsonl"
    result = perform(make_plan(LIFT, *listen, HANG_UP), Client(bench), RecordWriter(path, most_waiting=100))
    assert result.record_trouble is None
    assert len(result.observation.audio) > 600
    assert read_record(path).observation == result.observation


def test_outside_the_main_thread_it_works_without_signals(bench: Port, make_plan: Make) -> None:
    results: list[CallResult] = []
    plan = make_plan(LIFT, HANG_UP)
    thread = threading.Thread(target=lambda: results.append(perform(plan, Client(bench))))
    thread.start()
    thread.join()
    assert results[0].status is Status.FINISHED


class Watching:
    """The bench's port, with an ear on what goes to the board."""

    def __init__(self, port: Port, on_message: Callable[[Any], bool]) -> None:
        self.port, self.url, self.on_message = port, port.url, on_message
        self.deframer = Deframer()
        self.clock_us, self.read, self.close = port.clock_us, port.read, port.close

    def write(self, data: bytes) -> None:
        for payload in self.deframer.feed(data):
            if not self.on_message(decode(payload)[1]):
                return
        self.port.write(data)


def test_the_start_row_is_on_the_disk_before_the_start_is_sent(bench: Port, hold: Plan, tmp_path: Path) -> None:
    path = tmp_path / "call.jsonl"
    at_start: list[str] = []

    def look(message: Any) -> bool:
        if isinstance(message, m.Start):
            at_start.append(read_record(path).plan.script)
        elif at_start:
            raise KeyboardInterrupt  # seen enough
        return True

    perform(hold, Client(Watching(bench, look)), RecordWriter(path))
    assert at_start == ["hand-made"]


def test_a_gate_waits_for_the_persons_word(bench: Port, make_plan: Make) -> None:
    gate = Gate(7, 1, 0, None, "tell them about the line finder", 60_000_000)
    plan = make_plan(LIFT, (m.OP_GATE, 0, 7, 60_000_000, 1), HANG_UP, gates=(gate,))
    asked: list[Gate] = []

    def go_on(which: Gate) -> bool:
        asked.append(which)
        return len(asked) >= 20

    shown: list[Progress] = []
    result = perform(plan, Client(bench), on_progress=shown.append, go_on=go_on)
    assert result.status is Status.FINISHED
    assert asked == [gate] * 20
    assert [item.detail for item in shown if item.kind == "gate"] == ["60 s at most", "go on"]
    ended = [event for event in result.observation.events if event.kind == m.EV_ENDED]
    assert ended[1].value == 1 | m.OPENED << 16
    # Asked after each poll: at least every 100 ms of the port's clock, and whenever something came.
    assert 500_000 < ended[1].at_us - ended[0].at_us <= 20 * POLL_US


def test_a_gate_nobody_opens_ends_the_plan_at_its_limit(bench: Port, make_plan: Make, line_closed: Closed) -> None:
    gate = Gate(7, 1, 0, None, "tell them", 2_000_000)
    plan = make_plan(LIFT, (m.OP_GATE, 0, 7, 2_000_000, 1), HANG_UP, gates=(gate,))
    result = perform(plan, Client(bench))
    assert result.status is Status.ENDED_EARLY
    assert result.reason == "did not come in time: gate 1 (hand.yaml:11)"
    assert result.exit_code == Exit.CHECK_FAILED
    assert plan_ends(result)[-1] == m.ENDED_EARLY | m.R_LIMIT << 8
    assert not line_closed(bench)


def test_a_gate_opens_when_its_tone_is_heard(bench: Port, make_plan: Make, unit: Unit) -> None:
    gate = Gate(1, 2, 1, unit.tones.dial, "dial tone", 10_000_000)
    plan = make_plan(
        LIFT,
        (m.OP_LISTEN, 1, 1, 0, 0),
        (m.OP_GATE, 1, 1, 10_000_000, 1),
        (m.OP_LISTEN, 1, 0, 0, 0),
        HANG_UP,
        gates=(gate,),
    )
    shown: list[Progress] = []
    result = perform(plan, Client(bench), on_progress=shown.append)
    assert result.status is Status.FINISHED
    assert [item.detail for item in shown if item.kind == "tone"] == ["heard"]


def test_a_gate_does_not_open_for_another_tone(bench: Port, make_plan: Make, unit: Unit) -> None:
    gate = Gate(1, 2, 1, unit.tones.busy, "busy tone", 5_000_000)
    plan = make_plan(LIFT, (m.OP_LISTEN, 1, 1, 0, 0), (m.OP_GATE, 1, 1, 5_000_000, 1), HANG_UP, gates=(gate,))
    result = perform(plan, Client(bench))
    assert result.status is Status.ENDED_EARLY
    assert result.exit_code == Exit.CHECK_FAILED


# -- before the start ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("steps", "roles", "says", "line"),
    [
        ([(m.OP_WAIT, 0, 0, 1, 0)] * 301, (1, 2), "301 instructions", 0),
        ([LIFT], (1, 2, 0, 0, 2), "uses port 5", 0),
        ([LIFT, (m.OP_LOOP, 5, 1, 0, 0)], (1, 2), "uses port 5", 11),
        ([(m.OP_RINGING, 2, 1, 90_000_001, 0)], (1, 2), "this board allows 90 s", 10),
    ],
)
def test_a_plan_too_big_for_the_board_is_refused_before_the_upload(
    bench: Port, make_plan: Make, tmp_path: Path, steps: list[Any], roles: Any, says: str, line: int
) -> None:
    sent: list[type] = []
    client = Client(Watching(bench, noting(sent)))
    with pytest.raises(PlanError, match=says) as caught:
        perform(make_plan(*steps, roles=roles), client, RecordWriter(tmp_path / "call.jsonl"), ready=bench_ready)
    assert m.Begin not in sent
    assert (caught.value.where.line if caught.value.where else 0) == line
    assert list(tmp_path.iterdir()) == []  # nothing happened, so there is no record


def test_trunks_are_asked_for_first_and_noted(bench: Port, make_plan: Make, tmp_path: Path) -> None:
    busy = BusyTrunks(1, "5", "", (1, 2, 3), "person", Place("all-trunks-busy.yaml", 7))
    held = BusyTrunks(1, "6", "", (1,), "held calls", Place("all-trunks-busy.yaml", 8))
    plan = make_plan((m.OP_WAIT, 0, 0, 1000, 0), busy=(busy, held))
    for answer in (None, lambda trunks: False):
        with pytest.raises(InputError, match="stage 1, level 5, trunks 1, 2, 3 must be busy") as caught:
            perform(plan, Client(bench), trunks_busied=answer)
        assert caught.value.where == busy.place
    assert bench.clock_us() == 0  # not even a hello was sent
    asked: list[tuple[BusyTrunks, ...]] = []
    path = tmp_path / "call.jsonl"

    def busied(trunks: tuple[BusyTrunks, ...]) -> bool:
        asked.append(trunks)
        return True

    perform(plan, Client(bench), RecordWriter(path), trunks_busied=busied)
    assert asked == [(busy,)]
    assert read_record(path).notes == (
        Note(0, "made busy by hand, as the person said: stage 1, level 5, trunks 1, 2, 3"),
    )


def test_a_gate_that_holds_for_busy_trunks_opens_by_the_answer_given_before(bench: Port, make_plan: Make) -> None:
    busy = BusyTrunks(1, "5", "", (1,), "person", Place("hand.yaml", 10))  # where the plan's first step comes from
    gates = (Gate(1, 0, 0, None, "make busy", 60_000_000), Gate(2, 1, 0, None, "talk to the visitors", 2_000_000))
    plan = make_plan((m.OP_GATE, 0, 1, 60_000_000, 1), (m.OP_GATE, 0, 2, 2_000_000, 0), busy=(busy,), gates=gates)
    asked: list[Gate] = []

    def go_on(gate: Gate) -> bool:
        asked.append(gate)
        return False

    result = perform(plan, Client(bench), go_on=go_on, trunks_busied=lambda trunks: True)
    assert result.status is Status.FINISHED
    assert set(asked) == {gates[1]}
    endings = [event.value >> 16 for event in result.observation.events if event.kind == m.EV_ENDED]
    assert endings == [m.OPENED, m.LIMIT]


def test_no_board_is_a_link_error_and_no_record(hold: Plan, bench: Port, tmp_path: Path) -> None:
    bench._line.unplug()
    with pytest.raises(LinkError):
        perform(hold, Client(bench), RecordWriter(tmp_path / "call.jsonl"))
    assert list(tmp_path.iterdir()) == []


def test_a_disk_full_at_the_start_starts_nothing(bench: Port, hold: Plan, tmp_path: Path) -> None:
    sent: list[type] = []
    recorder = RecordWriter(tmp_path / "call.jsonl")
    os.dup2(os.open("/dev/full", os.O_WRONLY), recorder._file)
    with pytest.raises(InputError, match="No space left"):
        perform(hold, Client(Watching(bench, noting(sent))), recorder)
    assert m.Commit in sent
    assert m.Start not in sent


# -- the stop path -------------------------------------------------------------------------------------------------


class At:
    """A display that does something once, when it is shown an item that `when` holds for."""

    def __init__(self, when: Callable[[Progress], bool], then: Callable[[], object]) -> None:
        self.when, self.then, self.done = when, then, False
        self.shown: list[Progress] = []

    def __call__(self, item: Progress) -> None:
        self.shown.append(item)
        if not self.done and self.when(item):
            self.done = True
            self.then()


def lifted(item: Progress) -> bool:
    return item.kind == "sensed" and item.label == "loop on"


def raise_(error: BaseException) -> Callable[[], object]:
    def raising() -> None:
        raise error

    return raising


def test_a_keyboard_interrupt_from_anywhere_releases_the_line(
    bench: Port, hold: Plan, tmp_path: Path, line_closed: Closed
) -> None:
    path = tmp_path / "call.jsonl"
    seen: list[bool] = []

    def interrupt() -> None:
        seen.append(line_closed(bench))
        raise KeyboardInterrupt

    result = perform(hold, Client(bench), RecordWriter(path), on_progress=At(lifted, interrupt))
    assert seen == [True]
    assert result.status is Status.INTERRUPTED
    assert result.exit_code == Exit.INTERRUPTED
    assert result.released
    assert result.error is None
    assert plan_ends(result)[-1] == m.ENDED_EARLY | m.R_STOP << 8
    assert not line_closed(bench)
    record = read_record(path)
    assert (record.status, record.exit_code, record.remarks) == ("interrupted", Exit.INTERRUPTED, ())
    assert record.observation == result.observation


def test_a_failing_display_releases_the_line_and_is_not_hidden(
    bench: Port, hold: Plan, tmp_path: Path, line_closed: Closed
) -> None:
    path = tmp_path / "call.jsonl"
    with pytest.raises(UnicodeError):
        perform(hold, Client(bench), RecordWriter(path), on_progress=At(lifted, raise_(UnicodeError())))
    assert not line_closed(bench)
    record = read_record(path)
    assert record.complete
    assert record.remarks == ()
    assert record.status == "error"
    assert m.ENDED_EARLY | m.R_STOP << 8 in [e.value for e in record.observation.events if e.kind == m.EV_PLAN]


def test_a_watcher_who_goes_away_is_as_ctrl_c(bench: Port, hold: Plan, tmp_path: Path, line_closed: Closed) -> None:
    path = tmp_path / "call.jsonl"
    result = perform(hold, Client(bench), RecordWriter(path), on_progress=At(lifted, raise_(BrokenPipeError())))
    assert (result.status, result.exit_code, result.released) == (Status.INTERRUPTED, Exit.INTERRUPTED, True)
    assert not line_closed(bench)
    record = read_record(path)
    assert (record.status, record.exit_code, record.remarks) == ("interrupted", Exit.INTERRUPTED, ())


def test_a_watcher_who_goes_when_all_is_over_changes_nothing(bench: Port, make_plan: Make) -> None:
    def go(item: Progress) -> None:
        if item.kind == "plan" and item.label == "finished":
            raise BrokenPipeError

    result = perform(make_plan(LIFT, HANG_UP), Client(bench), on_progress=go)
    assert (result.status, result.released) == (Status.FINISHED, True)


@pytest.mark.parametrize("how", [KeyboardInterrupt, LinkError])
def test_a_display_that_fails_on_the_stop_path_is_passed_over(
    bench: Port, hold: Plan, tmp_path: Path, line_closed: Closed, how: type[BaseException]
) -> None:
    path = tmp_path / "call.jsonl"

    def fail(item: Progress) -> None:
        if item.kind == "stop":
            raise OSError(5, "no terminal")
        if lifted(item):
            raise how("now")

    result = perform(hold, Client(bench), RecordWriter(path), on_progress=fail)
    assert not line_closed(bench)
    assert read_record(path).status == result.status.value


def test_a_display_that_fails_for_ever_cannot_hold_the_line(bench: Port, hold: Plan, line_closed: Closed) -> None:
    def fail(item: Progress) -> None:
        raise RuntimeError("no terminal")

    with pytest.raises(RuntimeError, match="no terminal"):
        perform(hold, Client(bench), on_progress=fail)
    assert not line_closed(bench)


def test_a_pulled_cable_keeps_what_was_seen_and_the_board_lets_go(
    bench: Port, hold: Plan, tmp_path: Path, line_closed: Closed
) -> None:
    path = tmp_path / "call.jsonl"
    result = perform(hold, Client(bench), RecordWriter(path), on_progress=At(lifted, bench._line.unplug))
    assert result.status is Status.LINK_LOST
    assert result.exit_code == Exit.BOARD_TROUBLE
    assert isinstance(result.error, LinkError)
    assert not result.released
    assert any(event.kind == m.EV_EDGE for event in result.observation.events)
    assert read_record(path).observation == result.observation
    assert read_record(path).status == "link lost"
    # The board's own silence limit: 600 ms after the last heartbeat, at the latest.
    world = bench._line.world
    assert line_closed(bench)
    world.advance(world.kernel.now_us + 600_000)
    assert not line_closed(bench)


def test_a_board_reset_in_the_middle(bench: Port, hold: Plan, line_closed: Closed) -> None:
    class Later:
        """Reset the board at its first second."""

        def __init__(self, port: Port) -> None:
            self.port, self.url, self.clock_us, self.close = port, port.url, port.clock_us, port.close
            self.write = port.write
            self.done = False

        def read(self, until_us: int) -> bytes:
            if not self.done and self.port.clock_us() > 1_000_000:
                self.done = True
                assert line_closed(self.port)
                self.port._line.world.reset_board()
                assert not line_closed(self.port)
            return self.port.read(until_us)

    result = perform(hold, Client(Later(bench)))
    assert result.status is Status.LINK_LOST
    assert result.exit_code == Exit.BOARD_TROUBLE
    assert "reset in the middle" in result.reason
    assert not line_closed(bench)


def test_a_host_that_slept_says_what_became_of_the_call(bench: Port, hold: Plan, line_closed: Closed) -> None:
    def sleep() -> None:
        world = bench._line.world
        world.advance(world.kernel.now_us + 5_000_000)
        bench._line.reset_input_buffer()

    result = perform(hold, Client(bench), on_progress=At(lifted, sleep))
    assert result.status is Status.LINK_LOST
    assert "heartbeat lost" in result.reason
    assert result.exit_code == Exit.BOARD_TROUBLE
    assert not line_closed(bench)


def test_a_board_that_never_answers_the_stop_is_said_to_release_by_itself(
    bench: Port, hold: Plan, line_closed: Closed
) -> None:
    client = Client(Watching(bench, lambda message: not isinstance(message, m.Stop)))
    result = perform(hold, client, on_progress=At(lifted, raise_(KeyboardInterrupt())))
    assert result.status is Status.INTERRUPTED
    assert result.error is not None
    assert not result.released
    world = bench._line.world
    world.advance(world.kernel.now_us + 600_000)
    assert not line_closed(bench)


def test_an_open_chain_is_a_trip(bench: Port, make_plan: Make, tmp_path: Path, line_closed: Closed) -> None:
    plan = make_plan(LIFT, (m.OP_RINGING, 2, 1, 30_000_000, 0), (m.OP_WAIT, 0, 0, 20_000_000, 0), HANG_UP)
    hardware = bench._line.world.hardware
    open_chain = At(
        lambda item: (item.kind, item.label) == ("ringing", "ringing allowed"),
        lambda: hardware.set_input(m.IN_CHAIN_A, False),
    )
    path = tmp_path / "call.jsonl"
    result = perform(plan, Client(bench), RecordWriter(path), on_progress=open_chain, ready=bench_ready)
    assert result.status is Status.TRIPPED
    assert result.exit_code == Exit.SAFETY_TRIP
    assert isinstance(result.error, TripError)
    assert "interlock chain open" in result.error.what
    assert "covers" in result.error.next_step
    assert result.released
    assert not line_closed(bench)
    assert read_record(path).status == "tripped"


def test_a_disk_that_fails_in_the_middle_does_not_touch_the_call(bench: Port, make_plan: Make, tmp_path: Path) -> None:
    plan = make_plan(LIFT, (m.OP_WAIT, 0, 0, 5_000_000, 0), HANG_UP)
    path = tmp_path / "call.jsonl"
    recorder = RecordWriter(path)
    fail = At(lifted, lambda: os.dup2(os.open("/dev/full", os.O_WRONLY), recorder._file))
    result = perform(plan, Client(bench), recorder, on_progress=fail)
    assert result.status is Status.FINISHED
    assert plan_ends(result) == [m.RUNNING, m.FINISHED]
    assert result.record_trouble is not None
    assert "No space left" in result.record_trouble
    assert result.exit_code == Exit.BAD_INPUT  # passed, but the record that was asked for is not there
    record = read_record(path)
    assert not record.complete


def test_a_board_that_does_not_keep_to_its_limits_is_given_up(bench: Port, make_plan: Make) -> None:
    short = make_plan(LIFT, (m.OP_WAIT, 0, 0, 60_000_000, 0), HANG_UP, most_us=1_000_000)
    result = perform(short, Client(bench))
    assert result.status is Status.LINK_LOST
    assert "longer than its plan" in result.reason
    assert result.released  # it did answer the stop


def test_another_host_that_says_hello_ends_the_call(bench: Port, hold: Plan, line_closed: Closed) -> None:
    result = perform(hold, Client(bench), on_progress=At(lifted, lambda: Client(bench).hello()))
    assert result.exit_code == Exit.BOARD_TROUBLE
    assert not line_closed(bench)


def test_a_second_ctrl_c_while_the_record_is_closed_leaves_it_whole(
    bench: Port, hold: Plan, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "call.jsonl"
    recorder = RecordWriter(path)
    real = recorder.verdicts

    def verdicts(*arguments: Any) -> None:
        os.kill(os.getpid(), signal.SIGINT)
        os.kill(os.getpid(), signal.SIGTERM)
        real(*arguments)

    monkeypatch.setattr(recorder, "verdicts", verdicts)
    ask = At(lifted, lambda: os.kill(os.getpid(), signal.SIGINT))
    result = perform(hold, Client(bench), recorder, on_progress=ask)
    assert (result.status, result.exit_code) == (Status.INTERRUPTED, Exit.INTERRUPTED)
    record = read_record(path)
    assert (record.complete, record.status) == (True, "interrupted")
