"""What goes wrong around an exhibit on the bench, and what it does and says then."""

from __future__ import annotations

import errno
import gc
import threading
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.ledger.read import read_record
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.client import Client
from demo_ctl.run.result import Status
from demo_ctl.show import exhibit, exhibit_words, visitors, wear
from demo_ctl.show.acts import Act
from demo_ctl.show.exhibit_choice import choice
from demo_ctl.show.exhibit_model import Now, Phase, Standing, Stands
from demo_ctl.show.exhibit_words import Around, console_state
from demo_ctl.show.furnish import Furnished
from demo_ctl.show.model import Happening
from demo_ctl.wire import messages as m
from tests.show.exhibition import (
    RUNG,
    Exhibition,
    dial,
    guard,
    notices,
    rings,
    telephone,
    turn_key,
    visit,
)

OPEN = datetime(2026, 10, 20, 10, 0, tzinfo=UTC)


@pytest.fixture
def rested(exhibition: Exhibition) -> Exhibition:
    """An exhibition that may place a call at once."""
    exhibition.skip_to(OPEN)
    exhibition.run(125)
    return exhibition


def again(at: Exhibition) -> None:
    """The host starts anew, with what was changed of it."""
    at.keeper.close()
    at.store.close()
    at.start()
    at.run(125)


# -- ringing, as the console tells it ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "words", "live"),
    [
        (m.G_SAFE, "ringing is off", False),
        (m.G_LIVE, "ringing voltage may be on a line", True),
        (m.G_FALLING, "ringing is being taken off", True),
        (-1, "ringing: state not known", False),
    ],
)
def test_the_console_tells_ringing_as_it_is(furnished: Furnished, state: int, words: str, live: bool) -> None:
    rules, now = furnished.rules, Now(0, OPEN)
    machine, _ = exhibit.start(wear.Counters(), now, rules)
    told = console_state(machine, now, rules, Around("", furnished.acts, guard=state))
    assert (told["ringing"], told["ringing_live"]) == (words, live)


def test_while_the_bell_rings_in_a_call_of_the_buttons_the_console_says_so(rested: Exhibition) -> None:
    at, seen = rested, []

    def look() -> None:
        bell = bool(at.world.unit.levels() >> 4 * (RUNG - 1) + m.RINGING & 1)
        seen.append((bell, at.keeper.told()))

    for tenth in range(50, 400):
        at.in_s(tenth / 10, look)
    at.press()
    at.back()
    steady = [told for (before, _), (bell, told) in pairwise(seen) if before and bell]
    assert len(steady) > 5
    assert {told["ringing"] for told in steady} == {"ringing voltage may be on a line"}
    assert all(told["ringing_live"] for told in steady)
    at.world.hardware.break_part("cable-cut")
    at.run(4)
    told = at.keeper.told()
    assert (told["ringing"], told["ringing_live"]) == ("ringing: state not known", False)


# -- stop ----------------------------------------------------------------------------------------------------------


def test_stop_takes_the_bell_from_a_visitor_and_the_next_one_has_it_again(bell: Exhibition) -> None:
    visit(bell)
    assert rings(bell, 5) > 1
    told = bell.keeper.told()
    assert "stop" in told["wishes"]
    assert "a visitor's own telephone is off the hook" in told["line"]
    reply = bell.keeper.wish_words("stop")
    assert reply.done
    assert "no bell rings for the visitor any more" in reply.text
    bell.run(1)
    assert rings(bell, 12) == 0
    assert guard(bell).state != m.G_LIVE
    assert bell.keeper.state.phase is Phase.ATTRACT
    assert bell.keeper.wish_words("stop").text == "There is nothing to stop."
    telephone(bell, 0, False)
    bell.run(15)
    visit(bell)
    assert rings(bell, 5) > 1
    telephone(bell, 0, False)
    bell.run(6)
    assert guard(bell).trips == 0


def test_stop_reaches_the_bell_of_a_visitor_who_keeps_the_screens_no_more(bell: Exhibition) -> None:
    telephone(bell, 0.1, True)
    bell.run(exhibit.VISIT_US / 1e6 + 2)
    assert bell.keeper.state.phase is Phase.ATTRACT
    bell.run(dial(bell, "5550134"))
    assert rings(bell, 5) > 1
    assert bell.keeper.wish_words("stop").done
    bell.run(1)
    assert rings(bell, 6) == 0
    assert guard(bell).trips == 0


# -- the disk ------------------------------------------------------------------------------------------------------


class Stalled:
    """A store on a disk that does not answer until it is let go."""

    def __init__(self, at: Exhibition, monkeypatch: pytest.MonkeyPatch) -> None:
        self.asked, self.go = threading.Event(), threading.Event()
        self.keep = at.store.keep
        monkeypatch.setattr(at.store, "keep", self)

    def __call__(self, counters: wear.Counters) -> None:
        self.asked.set()
        assert self.go.wait(60)
        self.keep(counters)


def test_a_disk_that_stalls_holds_up_neither_heartbeat_nor_screen(
    rested: Exhibition, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = rested
    at.disk_wait_s = 0
    again(at)
    disk = Stalled(at, monkeypatch)
    client = at.keeper._client
    assert client is not None
    shown = at.published
    at.press(1)
    assert disk.asked.wait(60)
    at.run(5)
    assert at.keeper.state.phase is Phase.COUNTING
    assert at.keeper._client is client
    assert client.session_holds()
    assert client.longest_silence_us < 600_000
    assert at.published > shown  # the attract loop goes on
    disk.go.set()
    assert at.keeper._books.settle(60)
    at.back()
    assert at.keeper.placed == 1
    assert at.keeper.results[-1][1].status is Status.FINISHED


def test_a_disk_that_hangs_is_told_and_a_recorded_call_is_shown(
    rested: Exhibition, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = rested
    at.disk_wait_s = 0
    again(at)
    disk = Stalled(at, monkeypatch)
    at.press()
    at.run(exhibit.KEEP_US / 1e6 + 1)
    assert at.keeper.placed == 0
    assert at.keeper.state.phase is Phase.REPLAYING
    assert "Counting failed: the disk does not answer." in notices(at)
    disk.go.set()
    assert at.keeper._books.settle(60)
    at.back()
    assert "Counting failed" not in notices(at)  # it was kept in the end
    at.press()
    at.run(1)
    assert at.keeper._books.settle(60)
    at.back()
    assert at.keeper.placed == 1


class FullDisk(RecordWriter):
    """A record on a disk without space."""

    def _write(self, line: bytes) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")


def test_a_records_folder_that_fails_keeps_no_call_from_being_placed(rested: Exhibition, tmp_path: Path) -> None:
    at = rested
    kinds = [FullDisk, RecordWriter]
    paths: list[Path] = []

    def recorder(act: Act, number: int) -> RecordWriter:
        paths.append(tmp_path / f"{number}.jsonl")
        return kinds.pop(0)(paths[-1])

    at.recorder = recorder
    again(at)
    at.press()
    at.back()
    ((_, result),) = at.keeper.results
    assert result.status is Status.FINISHED
    assert at.keeper.placed == 1
    assert "Calls are not recorded: the record could not be kept: No space left" in at.keeper.told()["notice"]
    at.run(130)
    at.press()
    at.back()
    assert "recorded" not in at.keeper.told()["notice"]  # there is space again
    assert read_record(paths[-1]).plan.script == at.furnished.acts[1].plan.script


# -- faults --------------------------------------------------------------------------------------------------------


def test_a_fault_of_our_own_lets_the_board_go_and_the_exhibit_goes_on(
    rested: Exhibition, monkeypatch: pytest.MonkeyPatch
) -> None:
    at, client = rested, rested.keeper._client

    def broken(_now_us: int) -> bool:
        raise KeyError("frame")

    with monkeypatch.context() as patched:
        patched.setattr(at.keeper.screens, "tick", broken)
        passes = 0
        until_us = at.now().us + 10_000_000
        while at.now().us < until_us:
            at.keeper.run_once()
            passes += 1
        assert passes <= 10  # it does not spin
        assert at.keeper.state.phase is Phase.ATTRACT
    assert "This program failed, and goes on: KeyError: 'frame'." in at.keeper.told()["notice"]
    at.run(8)
    assert at.keeper._client is not client
    assert at.keeper.state.standing.here
    at.check()
    at.run(130)
    at.press()
    at.back()
    assert at.keeper.placed == 1
    assert "failed" not in at.keeper.told()["notice"]


def test_ctrl_c_is_no_fault(rested: Exhibition, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupted(_now_us: int) -> bool:
        raise KeyboardInterrupt

    monkeypatch.setattr(rested.keeper.screens, "tick", interrupted)
    with pytest.raises(KeyboardInterrupt):
        rested.keeper.run_once()


# -- visitors ------------------------------------------------------------------------------------------------------


def alive() -> int:
    gc.collect()
    return sum(isinstance(each, Happening) for each in gc.get_objects())


def test_somebody_who_plays_with_the_dial_all_day_fills_no_memory(rested: Exhibition) -> None:
    at = rested
    telephone(at, 0.1, True)
    at.run(dial(at, "5550134"))
    before = alive()
    for _ in range(6):
        at.run(dial(at, "0000"))
    telephone(at, 0, False)
    at.run(0.5)
    assert alive() < before + 100  # 240 pulses are more than 400 happenings


def test_a_visit_that_a_lost_board_cuts_counts_the_rest_at_its_worst(rested: Exhibition) -> None:
    at = rested
    before = at.keeper.state.counters
    telephone(at, 0.1, True)
    at.run(dial(at, "555"))
    assert at.keeper.state.phase is Phase.VISITING
    at.world.hardware.break_part("cable-cut")
    at.run(dial(at, "0134"))  # nobody sees it
    telephone(at, 0, False)
    at.run(5)
    counters = at.keeper.state.counters
    assert counters.calls_in_all == before.calls_in_all + 1
    more = {name: count - dict(before.in_all).get(name, 0) for name, count in counters.in_all}
    whole = wear.whole_call(at.furnished.unit)
    assert all(more[name] >= count for name, count in whole.items())
    assert more["connector"] >= 10 + 10 + 1


@pytest.mark.parametrize("script", ["answered", "busy"])
def test_no_call_takes_more_than_a_whole_call_at_its_worst(bench_call: Any, script: str) -> None:
    call = bench_call(script)
    whole = wear.whole_call(call.unit)
    assert all(count <= whole[name] for name, count in wear.worked(call.happenings(), call.unit).items())
    assert all(count <= whole[name] for name, count in wear.worked(call.happenings(truth=True), call.unit).items())


# -- another board -------------------------------------------------------------------------------------------------


def test_calls_that_the_board_has_no_ports_for_are_named_when_it_is_found(
    exhibition: Exhibition, monkeypatch: pytest.MonkeyPatch
) -> None:
    at = exhibition
    hello = Client.hello

    def one_port(client: Client) -> m.Welcome:
        client.welcome = hello(client)._replace(ports=1)
        return client.welcome

    monkeypatch.setattr(Client, "hello", one_port)
    at.skip_to(OPEN)
    at.run(125)
    for offered in at.furnished.rules.calls:
        assert f"'{offered.title}' cannot be placed with this board: the plan uses port 2, the board has 1" in notices(
            at
        )
    at.press()
    at.run(1)
    assert at.keeper.state.phase is Phase.REPLAYING
    assert at.keeper.placed == 0


def test_a_call_that_this_board_cannot_perform_is_left_out_and_the_next_one_placed(furnished: Furnished) -> None:
    now = Now(10**12, OPEN)
    state, _ = exhibit.start(wear.Counters(), Now(0, OPEN), furnished.rules)
    unfit = Standing(True, "", unfit=((0, "the plan uses port 2, the board has 1 ports"),))
    state, _ = exhibit.step(state, Stands(unfit), now, furnished.rules)
    assert choice(state, now, furnished.rules) == (1, "")
    assert exhibit_words.notices(state, now, furnished.rules) == [
        f"'{furnished.rules.calls[0].title}' cannot be placed with this board: the plan uses port 2, the board has 1 "
        "ports."
    ]


# -- a bell for visitors that could not be at the key's turn --------------------------------------------------------


@pytest.mark.parametrize("late_s", [4, 30])
def test_a_supply_that_comes_after_the_key_s_turn_gives_the_bell_all_the_same(bell: Exhibition, late_s: float) -> None:
    bell.world.hardware.break_part("generator-dead")
    turn_key(bell)
    bell.run(late_s)
    assert "No bell rings for visitors: " in bell.keeper.told()["notice"]
    bell.world.hardware.mend_part("generator-dead")
    bell.run(12)  # it is looked again every five seconds, and then the board watches anew
    assert "No bell rings" not in bell.keeper.told()["notice"]
    visit(bell)
    assert rings(bell, 5) > 1
    assert guard(bell).trips == 0
    telephone(bell, 0, False)
    bell.run(6)


def test_who_dials_is_not_disturbed_by_a_bell_that_may_ring_from_now_on(bell: Exhibition) -> None:
    bell.world.hardware.break_part("generator-dead")
    turn_key(bell)
    telephone(bell, 0.1, True)
    bell.run(2)
    bell.world.hardware.mend_part("generator-dead")
    bell.run(20)
    assert bell.keeper.state.lifted
    assert bell.keeper.state.phase is Phase.VISITING
    assert "No bell rings for visitors: " in bell.keeper.told()["notice"]
    telephone(bell, 0, False)
    bell.run(15)
    visit(bell)
    assert rings(bell, 5) > 1


def test_a_bell_that_may_not_ring_is_asked_after_no_longer_than_a_session(
    bell: Exhibition, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(visitors, "SESSION_US", 20_000_000)
    bell.world.hardware.break_part("generator-dead")
    turn_key(bell)
    bell.run(20)
    bell.world.hardware.mend_part("generator-dead")
    bell.run(20)
    assert "No bell rings for visitors: " in bell.keeper.told()["notice"]
    turn_key(bell)
    assert "No bell rings" not in bell.keeper.told()["notice"]


# -- several wishes at once ------------------------------------------------------------------------------------------


def test_blank_three_times_is_answered_with_what_will_be(rested: Exhibition) -> None:
    told = [rested.keeper.wish_words("blank").text for _ in range(3)]
    assert told == ["The screens are dark.", "The screens are on.", "The screens are dark."]
    rested.run(0.2)
    assert rested.keeper.told()["blank"]
    assert rested.keeper.wish_words("blank").text == "The screens are on."
    rested.run(0.2)
    assert not rested.keeper.told()["blank"]


def test_blank_tells_that_a_closed_exhibit_stays_dark(rested: Exhibition) -> None:
    rested.keeper.rules = replace(rested.keeper.rules, dark_when_closed=True)
    rested.skip_to(datetime(2026, 10, 20, 2, 0, tzinfo=UTC))
    rested.run(0.2)
    assert rested.keeper.wish_words("blank").text == "The screens are dark."
    assert rested.keeper.wish_words("blank").text == "The screens stay dark until it opens."
    rested.run(0.2)
    assert rested.keeper.told()["blank"]


def test_a_guard_that_stands_wrong_at_rest_is_not_said_to_have_rung(rested: Exhibition) -> None:
    """Nothing rang before it tripped; so nothing was taken off, and the exhibit does not say so."""
    rested.world.hardware.break_part("mirror-a-broken")
    rested.run(3)
    standing = rested.keeper.state.standing
    assert standing.tripped
    assert "a guard relay reads up, or the ringing bus carries voltage, while nothing rings" in standing.why
    assert "taken off" not in standing.why
