"""A week of an exhibit: the state machine, every minute of it, and the bench with real calls and power cuts."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.bench.people import prove_guard
from demo_ctl.office.load import load_unit
from demo_ctl.run.result import Status
from demo_ctl.script.exhibit_load import parse_exhibit
from demo_ctl.show import exhibit, wear
from demo_ctl.show.exhibit_model import (
    Begin,
    Event,
    How,
    Keep,
    Kept,
    Now,
    Over,
    Phase,
    Press,
    Replay,
    Rules,
    Shown,
    Standing,
    Stands,
    State,
    Tick,
)
from demo_ctl.show.furnish import Furnished, furnish
from demo_ctl.show.wear_store import WearStore
from demo_ctl.terms.errors import DemoError, InputError
from demo_ctl.wire import messages as m
from tests.show.exhibition import (
    MONDAY,
    UNIT,
    Exhibition,
    HostGone,
    dial,
    guard,
    notices,
    rings,
    rung_lifts,
    telephone,
    turn_key,
    visit,
)

CONFIGS = Path(__file__).parents[2] / "configs"
WEEK = timedelta(days=7)


# -- the machine, a whole week of it ------------------------------------------------------------------------------


class Power(Exception):
    """The host's power fails."""


@dataclass
class Report:
    """What came of the week."""

    calls: int = 0
    replays: int = 0
    cuts: int = 0
    cut_in_calls: int = 0
    trips: int = 0
    attract_minutes: int = 0


class Week:
    """The exhibit's machine over a counter on a real disk; the performer is played by dice."""

    def __init__(self, rules: Rules, folder: Path, seed: int) -> None:
        self.rules, self.folder, self.dice = rules, folder, random.Random(seed)
        self.us = 0
        self.report = Report()
        self.standing = Standing(True, "", "")
        self.key_us = -1  # when somebody will turn the key
        self.over_us = -(10**12)
        self.spent: dict[str, int] = {}
        self.store = WearStore(folder, "week")
        self.state = self._start()

    @property
    def now(self) -> Now:
        return Now(self.us, MONDAY + timedelta(microseconds=self.us))

    def _start(self) -> State:
        return exhibit.start(self.store.counters, self.now, self.rules)[0]

    def cut(self) -> None:
        """What was not on the disk is gone; the program starts again."""
        self.report.cuts += 1
        if self.state.phase is Phase.CALLING:
            self.report.cut_in_calls += 1
            self.over_us = self.us
        self.store.close()
        self.us += self.dice.randrange(1, 600) * 1_000_000
        self.store = WearStore(self.folder, "week")
        self.state = self._start()
        assert self.state.phase is Phase.ATTRACT
        self.send(Stands(self.standing))

    def send(self, event: Event) -> None:
        self.state, doings = exhibit.step(self.state, event, self.now, self.rules)
        limits, counters = self.rules.limits, self.state.counters
        assert counters.sum_today <= (limits.a_day or 0)
        assert counters.sum_in_all <= (limits.in_all or 0)
        assert all(count <= (limits.each_a_day or 0) for _, count in counters.today)
        for doing in doings:
            if isinstance(doing, Keep):
                if self.dice.random() < 0.01:
                    raise Power
                self.store.keep(doing.counters)
                if self.dice.random() < 0.01:
                    raise Power
                self.send(Kept(doing.counters.number))
            elif isinstance(doing, Begin):
                self._perform(doing)
            elif isinstance(doing, Replay):
                self.report.replays += 1
                self.us += self.rules.replays[doing.replay]
                self.send(Shown(doing.serial))

    def _perform(self, begin: Begin) -> None:
        offered = self.rules.calls[begin.call]
        now = self.now
        assert self.rules.hours.is_open(now.at)
        assert self.rules.hours.is_open(now.at + timedelta(microseconds=offered.most_us - 1))
        assert now.us - self.over_us >= exhibit.pause_us(self.rules)
        assert self.standing.here
        assert not self.standing.why
        assert not (offered.rings and self.standing.why_ringing)
        self.report.calls += 1
        share = self.dice.uniform(0.3, 1)
        took = {name: int(count * share) for name, count in offered.cost.items()}
        luck = self.dice.random()
        self.us += int(offered.most_us * share)
        for name, count in took.items():
            self.spent[name] = self.spent.get(name, 0) + count
        if luck < 0.03:
            raise Power
        self.over_us = self.us
        if luck < 0.06:
            self._lost()
            self.send(Over(begin.serial, How.LOST, "the board fell silent"))
        elif luck < 0.07:
            self.report.trips += 1
            self.standing = Standing(True, "a cover was opened", tripped=True)
            self._key_later()
            self.send(Over(begin.serial, How.TRIPPED, "a cover was opened"))
        else:
            self.send(Over(begin.serial, How.WELL if luck < 0.9 else How.BADLY, "", took))

    def _lost(self) -> None:
        self.standing = Standing(False, "the board fell silent")
        self._key_later()

    def _key_later(self) -> None:
        self.key_us = self.us + self.dice.randrange(60, 7200) * 1_000_000

    def _board(self) -> None:
        """The board comes back by itself, locked; the key is turned when somebody comes by."""
        if self.key_us >= 0 and self.us >= self.key_us:
            self.key_us, self.standing = -1, Standing(True, "", "")
        elif not self.standing.here:
            self.standing = Standing(True, "the key has not been turned since the board started")
        elif self.key_us < 0 and self.dice.random() < 1 / 3000:
            self._lost()

    def run(self) -> Report:
        while self.now.at < MONDAY + WEEK:
            self.us += self.dice.randrange(1, 60) * 1_000_000
            try:
                self._board()
                self.send(Stands(self.standing))
                if self.dice.random() < 1 / 1500:
                    raise Power
                if self.dice.random() < (0.6 if self.rules.hours.is_open(self.now.at) else 0.02):
                    self.send(Press())
                self.send(Tick())
            except Power:
                self.cut()
            assert self.state.phase is Phase.ATTRACT
            self.report.attract_minutes += 1
        self.store.close()
        return self.report


@pytest.mark.parametrize("seed", range(4))
def test_a_week_of_the_machine_with_power_cuts_trips_and_a_board_that_comes_and_goes(
    furnished: Furnished, tmp_path: Path, seed: int
) -> None:
    # A budget that is really used up, so that it is put to the test every day.
    limits = furnished.rules.limits.model_copy(update={"a_day": 5000, "each_a_day": 900})
    week = Week(replace(furnished.rules, limits=limits), tmp_path, seed)
    report = week.run()
    assert report.calls > 50
    assert report.replays > report.calls
    assert report.cuts > 3
    counters = WearStore(tmp_path, "week").counters
    # Never fewer than what was really done, whatever was cut off when.
    for name, count in week.spent.items():
        assert dict(counters.in_all)[name] >= count
    assert counters.calls_in_all >= report.calls


# -- the bench, with real calls ------------------------------------------------------------------------------------


def test_a_week_on_the_bench(exhibition: Exhibition) -> None:
    at = exhibition
    # Monday: closed. A press does nothing, the screens are dark, the loop goes on.
    at.skip_to(datetime(2026, 10, 19, 12, 0, tzinfo=UTC))
    at.run(130)
    at.press()
    at.run(1)
    assert at.keeper.state.dark
    assert at.keeper.placed == 0
    at.check()

    # Tuesday: a call that is answered, a busy one, and replays between.
    at.skip_to(datetime(2026, 10, 20, 10, 0, tzinfo=UTC))
    at.run(1)
    assert not at.keeper.state.dark
    for calls in (1, 2):
        at.press()
        at.run(1)
        assert at.keeper.placed == calls
        at.back()
        at.press()
        at.run(1)
        assert at.keeper.state.phase is Phase.REPLAYING  # the switches rest
        at.back()
        at.run(130)
    assert [result.status for _, result in at.keeper.results] == [Status.FINISHED] * 2
    assert notices(at) == ""

    # Wednesday: the host's power fails in the middle of a call, while it dials.
    at.skip_to(datetime(2026, 10, 21, 10, 0, tzinfo=UTC))
    before = at.keeper.state.counters
    at.in_s(6, at.host_dies)
    with pytest.raises(HostGone):
        at.press(60)
    at.host_starts_again()
    # The call was counted before it was begun, at its most: nothing is lost.
    assert at.keeper.state.counters.calls_in_all == before.calls_in_all + 1
    offered = at.furnished.rules.calls[0]
    assert at.keeper.state.counters.sum_in_all == before.sum_in_all + sum(offered.cost.values())
    # And again while nothing is on.
    at.run(3)
    at.host_dies()
    with pytest.raises(HostGone):
        at.run(1)
    at.host_starts_again()
    at.run(130)
    assert notices(at) == ""
    # And while the bell may ring: a host that falls silent then is a trip, and only the key leads out.
    at.in_s(16, at.host_dies)
    with pytest.raises(HostGone):
        at.press(60)
    at.host_starts_again()
    at.run(8)
    assert notices(at).startswith("THE GUARD TRIPPED: replays only")
    hardware = at.world.hardware
    turn_key(at)
    assert notices(at) == ""

    # Thursday: the board's power fails in a call, and comes back; replays only, until the key is turned.
    at.skip_to(datetime(2026, 10, 22, 10, 0, tzinfo=UTC))
    at.run(130)
    at.in_s(6, lambda: hardware.break_part("board-dead"))
    at.in_s(25, lambda: hardware.mend_part("board-dead"))
    at.press()
    at.back()
    assert at.keeper.placed == 1
    assert at.keeper.results[-1][1].status is Status.LINK_LOST
    at.run(200)
    assert at.keeper.state.standing.here
    assert "Replays only: " in notices(at)
    at.press()
    at.run(1)
    assert at.keeper.state.phase is Phase.REPLAYING
    at.back()
    turn_key(at)
    # The key alone: calls that do not ring. Ringing wants a proving.
    assert notices(at).startswith("No calls that ring")
    at.press()
    at.back()
    assert at.keeper.placed == 2
    assert not at.keeper.results[-1][1].plan.ringing
    at.run(130)
    prove_guard(at.world)
    at.run(70)
    assert notices(at) == ""
    at.press()
    at.back()
    assert at.keeper.placed == 3
    assert at.keeper.results[-1][1].plan.ringing
    assert at.keeper.results[-1][1].status is Status.FINISHED

    # Friday: somebody opens a cover while it rings. The guard trips, and it is said, until the key is turned.
    at.skip_to(datetime(2026, 10, 23, 10, 0, tzinfo=UTC))
    at.run(130)
    at.keeper.state = replace(at.keeper.state, turn=0)
    at.in_s(13, hardware.open_cover)
    at.press()
    at.back()
    assert at.keeper.results[-1][1].status is Status.TRIPPED
    at.run(8)
    assert notices(at).startswith("THE GUARD TRIPPED: replays only")
    assert "THE GUARD TRIPPED" in at.keeper.told()["notice"]
    hardware.close_cover()
    at.run(140)
    at.press()
    at.run(1)
    assert at.keeper.state.phase is Phase.REPLAYING
    at.back()
    # A host that starts again does not forget it: the board tells.
    at.host_dies()
    with pytest.raises(HostGone):
        at.run(1)
    at.host_starts_again()
    at.run(8)
    assert notices(at).startswith("THE GUARD TRIPPED")
    turn_key(at)
    at.run(130)
    assert "TRIPPED" not in notices(at)

    # Saturday: the cable is pulled while nothing is on, and put back; then the day's budget is used up.
    at.skip_to(datetime(2026, 10, 24, 12, 0, tzinfo=UTC))
    hardware.break_part("cable-cut")
    at.run(4)
    assert not at.keeper.state.standing.here
    at.press()
    at.run(1)
    assert at.keeper.screens._film is not None
    hardware.mend_part("cable-cut")
    at.back()
    at.run(15)
    assert at.keeper.state.standing.here
    day = at.furnished.rules.hours.day(at.now().at)
    nearly = wear.counted(at.keeper.state.counters, {"connector": 1490}, day, at.now().at)
    at.store.keep(nearly)
    at.keeper.state = replace(at.keeper.state, counters=nearly)
    at.run(130)
    placed = at.keeper.placed
    at.press()
    at.run(1)
    assert at.keeper.placed == placed
    assert at.keeper.state.phase is Phase.REPLAYING
    assert "the connector has worked enough today" in at.keeper.state.because
    at.back()

    # Sunday, the clocks have gone back: it opens at eleven by the wall, and the budget is whole again.
    at.skip_to(datetime(2026, 10, 25, 10, 59, 50, tzinfo=UTC))
    at.run(2)
    assert at.keeper.state.dark
    at.run(15)
    assert not at.keeper.state.dark
    at.press()
    at.back()
    assert at.keeper.placed == placed + 1
    # Presses like mad: one call, and no more before the rest is over.
    for _ in range(20):
        at.press()
        at.run(0.5)
    at.back()
    assert at.keeper.placed == placed + 1


def test_a_call_that_somebody_in_charge_stops(exhibition: Exhibition) -> None:
    at = exhibition
    at.skip_to(datetime(2026, 10, 20, 10, 0, tzinfo=UTC))
    at.run(125)
    at.in_s(8, lambda: at.keeper.wish_words("stop"))
    at.press()
    at.back()
    ((_, result),) = at.keeper.results
    assert result.status is Status.INTERRUPTED
    assert result.released
    assert not at.keeper.closing
    assert at.keeper.told()["wishes"] == ["next", "blank"]


def test_the_page_says_what_is_recorded_and_what_is_not(exhibition: Exhibition) -> None:
    at = exhibition
    seen: list[dict[str, Any]] = []
    publish = at.hub.publish

    def watched(value: Any) -> int:
        seen.append(dict(value))
        return publish(value)

    at.hub.publish = watched  # type: ignore[method-assign]
    at.skip_to(datetime(2026, 10, 20, 10, 0, tzinfo=UTC))
    at.run(125)
    assert all(each["replay"] for each in seen)
    assert {each["scene"]["stage"] for each in seen} >= {0, 1, 3, 4, 7, 8}
    assert {each["pace"] for each in seen} >= {"", "1/2"} or {each["pace"] for each in seen} > {""}
    assert all(set(each["caption"]) == {"en", "de", "fr"} for each in seen)
    seen.clear()
    at.press()
    at.back()
    live = [each for each in seen if not each["replay"]]
    assert {each["scene"]["stage"] for each in live} >= {1, 3, 4, 7, 8, 10, 11}
    assert live[0]["caption"]["de"] != ""


def test_a_count_that_cannot_be_kept_places_no_call(exhibition: Exhibition, monkeypatch: pytest.MonkeyPatch) -> None:
    at = exhibition
    at.skip_to(datetime(2026, 10, 20, 10, 0, tzinfo=UTC))
    at.run(125)

    def full(_counters: wear.Counters) -> None:
        raise DemoError("the wear of the switches cannot be counted here: no space left")

    with monkeypatch.context() as patched:
        patched.setattr(at.store, "keep", full)
        at.press()
        at.run(1)
        assert at.keeper.placed == 0
        assert "cannot be counted" in notices(at)
        at.run(95)
        at.check()
    at.press()
    at.back()
    assert at.keeper.placed == 1
    assert "Counting failed" not in notices(at)


# -- visitors who dial for themselves --------------------------------------------------------------------------------


def test_a_visitor_dials_is_followed_and_told_how_their_dial_ran(exhibition: Exhibition) -> None:
    at = exhibition
    seen: list[dict[str, Any]] = []
    publish = at.hub.publish

    def watched(value: Any) -> int:
        seen.append(dict(value))
        return publish(value)

    at.hub.publish = watched  # type: ignore[method-assign]
    at.skip_to(datetime(2026, 10, 20, 10, 0, tzinfo=UTC))
    at.run(125)
    before = at.keeper.state.counters
    seen.clear()
    telephone(at, 0.1, True)
    done_s = dial(at, "5550134", pps=8)
    at.run(1)
    assert at.keeper.state.phase is Phase.VISITING
    assert seen[-1]["replay"] is False
    at.press()  # somebody else's press, meanwhile
    at.run(done_s)
    assert at.keeper.placed == 0
    assert seen[-1]["scene"]["digits"] == "5550134"
    assert {each["scene"]["stage"] for each in seen} >= {1, 3, 4, 5}
    assert seen[-1]["pulses"] == [5, 5, 5, 10, 1, 3, 4]
    telephone(at, 0, False)
    at.run(2)
    assert seen[-1]["caption"]["en"].startswith("Your dial ran at 8.0 pulses a second (10 is right)")
    assert set(seen[-1]["caption"]) == {"en", "de", "fr"}
    assert "A visitor dialled 5550134: 8.0" in at.keeper.told()["notice"]
    at.run(2)
    at.back()
    assert seen[-1]["replay"]
    assert seen[-1]["caption"]["en"].startswith("Your dial ran")  # for a while
    at.run(25)
    assert not seen[-1]["caption"]["en"].startswith("Your dial ran")
    # What it took is counted, and the switches rest before a call.
    counters = at.keeper.state.counters
    assert counters.calls_in_all == before.calls_in_all + 1
    assert dict(counters.in_all)["connector"] == dict(before.in_all).get("connector", 0) + 3 + 4 + 1
    at.press()
    at.run(1)
    assert at.keeper.placed == 0
    at.back()
    at.run(130)
    at.press()
    at.back()
    assert at.keeper.placed == 1
    # After a call the telephone is watched again, and so it is after the host's power failed while they dial.
    at.run(10)
    telephone(at, 0.1, True)
    done_s = dial(at, "55")
    at.run(3)
    assert at.keeper.state.phase is Phase.VISITING
    at.host_dies()
    with pytest.raises(HostGone):
        at.run(1)
    at.collect()
    at.store.close()
    at._wait(round(done_s * 1e6))
    at.start()
    at.run(12)
    # Nobody saw it being lifted: there is nothing to follow, and no call while it is off its hook.
    assert at.keeper.state.phase is Phase.ATTRACT
    assert at.keeper.state.lifted
    at.run(120)
    at.press()
    at.run(1)
    assert at.keeper.placed == 0
    assert "a visitor's telephone is off its hook" in at.keeper.state.because
    telephone(at, 0, False)
    at.run(110)
    at.back()
    assert not at.keeper.state.lifted


def test_a_handset_that_is_left_off_keeps_the_screens_no_longer_than_its_limit(exhibition: Exhibition) -> None:
    at = exhibition
    at.skip_to(datetime(2026, 10, 20, 10, 0, tzinfo=UTC))
    at.run(10)
    telephone(at, 0.1, True)
    at.run(exhibit.VISIT_US / 1e6 + 2)
    assert at.keeper.state.phase is Phase.ATTRACT
    assert at.keeper.screens.attracting
    assert at.keeper.state.lifted
    telephone(at, 0, False)
    at.run(10)
    assert not at.keeper.state.lifted
    at.check()


def test_visitors_are_followed_all_day_not_only_in_the_half_hour_after_the_key(exhibition: Exhibition) -> None:
    at = exhibition
    at.skip_to(datetime(2026, 10, 20, 10, 0, tzinfo=UTC))
    at.run(10)
    at._wait(1_900_000_000)  # this computer was asleep
    at.run(15)
    client = at.keeper._client
    assert client is not None
    assert client.status().plan_state == m.RUNNING
    telephone(at, 0.1, True)
    done_s = dial(at, "55")
    at.run(done_s)
    assert at.keeper.state.phase is Phase.VISITING
    telephone(at, 0, False)
    at.run(4)
    assert "A visitor dialled 55: 10.0" in at.keeper.told()["notice"]
    at.back()


# -- and a bell that rings for them ----------------------------------------------------------------------------------


def test_the_bell_rings_for_a_visitor_until_somebody_answers(bell: Exhibition) -> None:
    visit(bell)
    assert rings(bell, 10) > 2
    assert guard(bell).state == m.G_LIVE
    rung_lifts(bell, True)
    bell.run(1)
    assert rings(bell, 6) == 0
    assert guard(bell).state == m.G_ARMED  # the window was closed in order
    telephone(bell, 0, False)
    rung_lifts(bell, False)
    bell.run(6)
    assert bell.keeper.state.phase is Phase.ATTRACT
    assert guard(bell).trips == 0


def test_a_visitor_who_hangs_up_takes_the_window_with_them(bell: Exhibition) -> None:
    visit(bell)
    assert rings(bell, 5) > 1
    telephone(bell, 0, False)
    bell.run(1)
    assert guard(bell).state == m.G_ARMED
    # The next one dials another number: nothing may ring there, and nothing trips.
    bell.run(5)
    visit(bell, "5550101")
    assert rings(bell, 8, port=1) == 0
    assert guard(bell).trips == 0


def test_nobody_answers_and_the_window_ends_in_order_once(bell: Exhibition) -> None:
    visit(bell)
    assert rings(bell, 18) > 4
    bell.run(4)
    assert rings(bell, 12) == 0
    assert (guard(bell).trips, guard(bell).state) == (0, m.G_ARMED)


def test_a_session_rings_for_as_long_as_the_board_lets_it_and_never_trips(bell: Exhibition) -> None:
    """Three minutes in all: then visitors' calls go on without a bell."""
    rang = []
    for _ in range(12):
        visit(bell)
        rang.append(rings(bell, 22) > 2)
        telephone(bell, 0, False)
        bell.run(5)
    assert rang[0]
    assert not rang[-1]
    assert rang.count(True) <= 180 // 20
    assert guard(bell).trips == 0
    assert "No bell rings for visitors: " in bell.keeper.told()["notice"]


def test_after_the_session_visitors_call_without_a_bell_until_the_key_opens_another(bell: Exhibition) -> None:
    bell.run(10)
    bell._wait(1_900_000_000)
    bell.run(15)
    visit(bell)
    assert rings(bell, 10) == 0
    assert bell.keeper.state.phase is Phase.VISITING
    telephone(bell, 0, False)
    bell.run(6)
    for position in ("off", "day"):
        bell.world.hardware.turn_key(position)
        bell.run(2)
    bell.run(10)
    visit(bell)
    assert rings(bell, 10) > 2
    telephone(bell, 0, False)
    bell.run(6)
    assert guard(bell).trips == 0


def test_after_a_board_reset_or_a_trip_nothing_rings_until_the_key_was_turned(bell: Exhibition) -> None:
    for what in ("trip", "reset"):
        if what == "reset":
            bell.world.reset_board()
        else:
            visit(bell)
            bell.run(4)
            bell.world.hardware.press_stop()
            bell.run(1)
            assert guard(bell).state == m.G_TRIPPED
            bell.world.hardware.release_stop()
            telephone(bell, 0, False)
        bell.run(20)
        visit(bell)
        assert rings(bell, 10) == 0, what
        assert "No bell rings for visitors: " in bell.keeper.told()["notice"]
        telephone(bell, 0, False)
        bell.run(6)
        for position in ("off", "day"):
            bell.world.hardware.turn_key(position)
            bell.run(2)
        bell.run(10)


def test_at_night_no_bell_rings_for_anybody(bell: Exhibition) -> None:
    bell.world.hardware.turn_key("night")
    bell.run(10)
    visit(bell)
    assert rings(bell, 10) == 0
    assert guard(bell).trips == 0


def test_an_exhibit_says_which_line_may_ring_and_what_is_wrong_is_said(tmp_path: Path) -> None:
    text = (CONFIGS / "exhibits" / "corner.yaml").read_text()
    for rung, said in (
        ("parlour", ""),
        ("stage", "cannot ring the telephone that they dial with"),
        ("attic", "no line"),
    ):
        path = CONFIGS / "exhibits" / "corner.yaml"
        changed = text.replace("  line: stage\n", f"  line: stage\n  rings: {rung}\n  rings for: 12 s\n")
        loaded = parse_exhibit(changed, str(path))
        if said:
            with pytest.raises(InputError, match=said):
                furnish(loaded, load_unit(UNIT))
            continue
        watch = furnish(loaded, load_unit(UNIT)).watch
        assert watch is not None
        assert watch.ringing is not None
        assert watch.ringing.ringing
        assert {step.a for step in watch.ringing.timeline.steps if step.op == m.OP_RINGING} == {12_000_000, 0}
        assert watch.plan.ringing is False
