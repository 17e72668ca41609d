"""The exhibit's state machine, held against its laws: any events, in any order, at any time, with power cuts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.script.exhibit import WearLimits
from demo_ctl.show import exhibit, wear
from demo_ctl.show.exhibit_choice import choice, refusal
from demo_ctl.show.exhibit_model import (
    Attract,
    Begin,
    Blank,
    Button,
    Doing,
    Down,
    EndCall,
    Engaged,
    Event,
    Follow,
    How,
    Keep,
    Kept,
    LetGo,
    Lifted,
    Next,
    NotKept,
    Now,
    Offered,
    Over,
    Phase,
    Press,
    Replay,
    Rules,
    Shown,
    Standing,
    Stands,
    State,
    Stop,
    Tick,
)
from demo_ctl.show.exhibit_words import STUCK_US, notices
from demo_ctl.show.hours import Hours
from demo_ctl.show.wear import Counters

LONDON = ZoneInfo("Europe/London")
WEEKDAYS = Hours(LONDON, frozenset((day, 600, 1020) for day in range(5)))
BEGIN = datetime(2026, 3, 27, 15, 30, tzinfo=UTC)  # a Friday; the clocks go forward on Sunday
COST = {"line finder": 20, "connector": 30}
RULES = Rules(
    calls=(Offered("one", True, 40_000_000, COST), Offered("two", False, 20_000_000, {"connector": 12})),
    replays=(20_000_000, 30_000_000),
    cool_down_us=60_000_000,
    limits=WearLimits(**{"a day": 400, "each in all": 900}),
    hours=WEEKDAYS,
    dark_when_closed=True,
    restore_us=5_000_000,
)
GOOD = Standing(True, "", "")
STANDINGS = (
    GOOD,
    Standing(),
    Standing(True, "", "the guard is not proven"),
    Standing(True, "the key has not been turned", ""),
    Standing(True, "somebody opened a cover", "", tripped=True),
)


class Desk:
    """Drives the machine, and keeps what the laws are about. The disk holds what was last kept."""

    def __init__(self, rules: Rules = RULES, at: datetime = BEGIN, disk: Counters | None = None) -> None:
        self.rules = rules
        self.began_at = at
        self.us = 0
        self.disk = disk or Counters()
        self.calls: list[tuple[Now, int]] = []
        self.over_us: list[int] = []
        self.done: list[Doing] = []
        self.state = self._take(exhibit.start(self.disk, self.now, rules))

    @property
    def now(self) -> Now:
        return Now(self.us, self.began_at + timedelta(microseconds=self.us))

    def send(self, event: Event) -> Sequence[Doing]:
        before = self.state
        found = exhibit.step(before, event, self.now, self.rules)
        self._check(before, event, *found)
        self.state = self._take(found)
        return found[1]

    def cut(self) -> None:
        """The power fails; later it comes back."""
        if self.state.phase is Phase.CALLING:
            self.over_us.append(self.us)
        self.us += 30_000_000
        self.state = self._take(exhibit.start(self.disk, self.now, self.rules))

    def _take(self, found: Next) -> State:
        self.done += found[1]
        return found[0]

    def _check(self, before: State, event: Event, after: State, doings: Sequence[Doing]) -> None:
        now = self.now
        for doing in doings:
            if isinstance(doing, Begin):
                offered = self.rules.calls[doing.call]
                # Counted first, and kept.
                assert isinstance(event, Kept)
                assert self.disk == before.counters
                # Never outside opening hours, from its beginning to its latest end.
                for minute in range(offered.most_us // 60_000_000 + 2):
                    at = now.at + timedelta(microseconds=min(offered.most_us - 1, minute * 60_000_000))
                    assert self.rules.hours.is_open(at)
                # No call during the cool-down, and none while another is on.
                assert before.phase is Phase.COUNTING
                if self.over_us:
                    assert now.us >= self.over_us[-1] + exhibit.pause_us(self.rules)
                assert len(self.calls) <= len(self.over_us)
                # Never when the board may not.
                standing = before.standing
                assert standing.here
                assert not standing.why
                assert not (offered.rings and standing.why_ringing)
                assert not before.lifted
                self.calls.append((now, doing.call))
            if isinstance(doing, LetGo):
                self.over_us.append(now.us)
        # Never over the budget, whatever is counted.
        limits, counters = self.rules.limits, after.counters
        assert limits.a_day is None or counters.sum_today <= limits.a_day
        assert limits.each_in_all is None or all(count <= limits.each_in_all for _, count in counters.in_all)
        # The attract loop is on exactly when it was the last thing asked for.
        shows = [each for each in doings if isinstance(each, Attract | Replay)]
        if after.phase is Phase.ATTRACT and before.phase is not Phase.ATTRACT:
            assert [type(each) for each in shows] == [Attract]
        if after.phase is not before.phase:
            assert exhibit.limit_us(after, self.rules) is not None or after.phase is Phase.ATTRACT

    # -- a performer, honest or not -------------------------------------------------------------------------------

    def perform(self, doings: Sequence[Doing], how: How, share: float, *, keeps: bool = True) -> None:
        for doing in doings:
            if isinstance(doing, Keep):
                if keeps:
                    self.disk = doing.counters
                    self.perform(self.send(Kept(doing.counters.number)), how, share)
                else:
                    self.perform(self.send(NotKept(doing.counters.number, "the disk is full")), how, share)
            elif isinstance(doing, Begin):
                offered = self.rules.calls[doing.call]
                if how is How.NOT_BEGUN:
                    self.calls.pop()
                else:
                    self.us += int(offered.most_us * share)
                    self.over_us.append(self.us)
                took = {name: int(count * share) for name, count in offered.cost.items()}
                worked = None if how is How.LOST else {} if how is How.NOT_BEGUN else took
                self.perform(self.send(Over(doing.serial, how, "so it was", worked)), how, share)
            elif isinstance(doing, Replay):
                self.us += self.rules.replays[doing.replay]
                self.send(Shown(doing.serial))


ANY_EVENT = st.one_of(
    st.just(Press()),
    st.just(Tick()),
    st.booleans().map(Button),
    st.sampled_from(STANDINGS).map(Stands),
    st.integers(0, 12).map(Kept),
    st.builds(NotKept, st.integers(0, 12), st.just("full")),
    st.builds(
        Over,
        st.integers(0, 12),
        st.sampled_from(How),
        st.just("why"),
        st.sampled_from([None, {}, {"connector": 12}]),
    ),
    st.integers(0, 12).map(Shown),
    st.just(Stop()),
    st.builds(Blank, st.booleans()),
    st.just(Lifted()),
    st.just(Down()),
    st.booleans().map(Engaged),
)
WAITS = st.sampled_from([0, 1, 999_999, 5_000_000, 61_000_000, 600_000_000, 3_600_000_000, 40_000_000_000])


@settings(deadline=None, max_examples=200)
@given(st.lists(st.tuples(ANY_EVENT, WAITS, st.booleans()), max_size=40))
def test_any_events_in_any_order_break_no_law_and_it_always_comes_back_to_the_attract_loop(
    story: list[tuple[Event, int, bool]],
) -> None:
    desk = Desk()
    for event, wait_us, cut in story:
        desk.us += wait_us
        before = desk.state
        if cut and wait_us == 1:
            desk.cut()
            continue
        if isinstance(event, Kept) and event.number == before.counters.number:
            desk.disk = before.counters
        if isinstance(event, Over) and before.phase is Phase.CALLING and event.serial == before.serial:
            if event.how is How.NOT_BEGUN:
                desk.calls.pop()
            else:
                desk.over_us.append(desk.us)
        desk.send(event)
    # Whatever happened, and if nothing answers any more: time alone leads back, and soon.
    for _ in range(4):
        limit = exhibit.limit_us(desk.state, desk.rules)
        if limit is None:
            break
        desk.us = max(desk.us, limit)
        desk.send(Tick())
    assert desk.state.phase is Phase.ATTRACT
    # No dead end: with a board that may, an open day, and a rest, a press places a call.
    free = replace(RULES, hours=Hours(LONDON, None), limits=WearLimits())
    desk.rules = free
    if desk.state.blank:
        desk.send(Blank(False))
    desk.send(Stands(GOOD))
    desk.send(Engaged(False))
    desk.us = max(desk.us, desk.state.ready_us) + 86_400_000_000
    desk.disk = desk.state.counters
    desk.perform(desk.send(Press()), How.WELL, 0.5)
    assert desk.calls
    assert desk.state.phase is Phase.ATTRACT


@settings(deadline=None, max_examples=100)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["press", "press", "press", "cut", "night", "stands"]),
            st.integers(0, 400).map(lambda s: s * 1_000_000),
            st.sampled_from(How),
            st.floats(0, 1),
            st.booleans(),
            st.sampled_from(STANDINGS),
        ),
        max_size=60,
    )
)
def test_an_honest_performer_and_presses_all_day_break_no_law(
    story: list[tuple[str, int, How, float, bool, Standing]],
) -> None:
    desk = Desk()
    desk.send(Stands(GOOD))
    for what, wait_us, how, share, keeps, standing in story:
        desk.us += wait_us
        if what == "press":
            desk.perform(desk.send(Press()), how, share, keeps=keeps)
            assert desk.state.phase is Phase.ATTRACT
            desk.send(Stands(GOOD))
        elif what == "cut":
            desk.cut()
            desk.send(Stands(GOOD))
        elif what == "night":
            desk.us += 60_000_000_000
            desk.send(Tick())
        else:
            desk.send(Stands(standing))


def ready(rules: Rules = RULES, at: datetime = BEGIN) -> Desk:
    desk = Desk(rules, at)
    desk.send(Stands(GOOD))
    desk.us += exhibit.pause_us(rules)
    return desk


def test_a_press_is_counted_then_placed_then_corrected() -> None:
    desk = ready()
    (keep,) = desk.send(Press())
    assert isinstance(keep, Keep)
    assert keep.counters.sum_today == 50
    assert desk.send(Press()) == ()  # one visitor at a time
    desk.disk = keep.counters
    (begin,) = desk.send(Kept(keep.counters.number))
    assert begin == Begin(1, 0)
    desk.us += 30_000_000
    (again,) = desk.send(Over(1, How.WELL, "", {"line finder": 9, "connector": 10}))
    assert isinstance(again, Keep)
    assert again.counters.sum_in_all == 19
    assert again.counters.calls_today == 1
    assert desk.send(Kept(again.counters.number)) == (Attract(),)
    assert notices(desk.state, desk.now, desk.rules) == []
    # In the cool-down a press shows a recorded call.
    (replay,) = desk.send(Press())
    assert replay == Replay(2, 1)
    assert "rest for 60 s more" in desk.state.because


def test_no_call_when_it_would_not_be_over_at_closing_time() -> None:
    # Five o'clock is closing time; 16:59:30 is too late for 40 s, early enough for 20 s.
    desk = ready(at=datetime(2026, 3, 27, 16, 58, 30, tzinfo=UTC))
    desk.perform(desk.send(Press()), How.WELL, 0.5)
    assert [call for _, call in desk.calls] == [1]
    desk = ready(at=datetime(2026, 3, 27, 16, 59, 0, tzinfo=UTC))
    desk.send(Press())
    assert desk.state.phase is Phase.ATTRACT  # it is closed and dark by now
    assert desk.state.dark


def test_a_trip_is_replays_only_and_it_is_said_until_the_key_is_turned() -> None:
    desk = ready()
    desk.perform(desk.send(Press()), How.TRIPPED, 0.3)
    assert "THE GUARD TRIPPED: replays only" in notices(desk.state, desk.now, desk.rules)[0]
    desk.us += 3_600_000_000
    desk.us -= desk.us % 1_000_000
    desk.began_at -= timedelta(hours=1)
    (replay,) = desk.send(Press())
    assert isinstance(replay, Replay)
    desk.send(Shown(replay.serial))
    desk.send(Stands(GOOD))
    assert isinstance(desk.send(Press())[0], Keep)


def test_without_a_proving_the_next_call_that_does_not_ring_is_placed() -> None:
    desk = ready()
    desk.send(Stands(Standing(True, "", "the guard has no valid proving")))
    desk.perform(desk.send(Press()), How.WELL, 0.5)
    assert [call for _, call in desk.calls] == [1]
    assert notices(desk.state, desk.now, desk.rules)[0].startswith("No calls that ring")
    only = replace(RULES, calls=RULES.calls[:1])
    desk = ready(only)
    desk.send(Stands(Standing(True, "", "the guard has no valid proving")))
    assert isinstance(desk.send(Press())[0], Replay)


def test_a_broken_wire_is_one_press_at_most_and_is_told() -> None:
    desk = ready()
    assert desk.send(Button(True)) == ()  # pressed when we came: nobody has pressed it since
    desk.us += STUCK_US + 1
    assert any("stuck" in each for each in notices(desk.state, desk.now, desk.rules))
    assert desk.send(Button(False)) == ()
    assert isinstance(desk.send(Button(True))[0], Keep)
    assert desk.send(Button(True)) == ()


def test_what_cannot_be_counted_is_not_placed() -> None:
    desk = ready()
    desk.perform(desk.send(Press()), How.WELL, 0.5, keeps=False)
    assert desk.calls == []
    assert desk.state.uncounted == "the disk is full"
    # The disk may hold it or not: the higher count goes on.
    assert desk.state.counters.sum_today == 50


def test_a_call_that_never_ends_is_let_go() -> None:
    desk = ready()
    keep = desk.send(Press())[0]
    assert isinstance(keep, Keep)
    desk.disk = keep.counters
    desk.send(Kept(keep.counters.number))
    assert desk.send(Stop()) == (EndCall(),)
    desk.us += RULES.calls[0].most_us + exhibit.SPARE_US
    assert desk.send(Tick()) == (LetGo(), Attract())
    assert not desk.state.standing.here


def test_a_call_that_may_not_begin_gives_its_count_back_and_shows_a_replay() -> None:
    desk = ready()
    keep = desk.send(Press())[0]
    assert isinstance(keep, Keep)
    desk.disk = keep.counters
    desk.send(Kept(keep.counters.number))
    (again,) = desk.send(Over(1, How.NOT_BEGUN, "the guard is not proven", {}))
    assert isinstance(again, Keep)
    assert (again.counters.sum_in_all, again.counters.calls_in_all) == (0, 0)
    assert isinstance(desk.send(Kept(again.counters.number))[0], Replay)


def test_the_budget_of_a_day_is_whole_again_the_next_day_and_that_of_all_is_not() -> None:
    desk = ready()
    placed = 0
    for _ in range(30):
        desk.perform(desk.send(Press()), How.BADLY, 1.0)
        desk.us += 120_000_000
        placed = len(desk.calls)
    assert 400 - 50 < desk.state.counters.sum_today <= 400
    why = choice(desk.state, desk.now, desk.rules)[1]
    assert "worked enough today" in why
    desk.began_at += timedelta(days=3, hours=-3)  # Monday
    desk.perform(desk.send(Press()), How.WELL, 1.0)
    assert len(desk.calls) == placed + 1
    spent = replace(
        desk.state, counters=wear.counted(desk.state.counters, {"connector": 500}, desk.now.at.date(), desk.now.at)
    )
    limits = WearLimits(**{"each in all": 900})
    assert "the connector has worked enough in all" in wear.refusal(
        spent.counters, limits, {"connector": 200}, desk.now.at.date(), desk.now.at
    )


def test_a_visitors_own_call_is_followed_counted_afterwards_and_no_call_is_placed_meanwhile() -> None:
    desk = ready()
    assert desk.send(Lifted()) == (Follow(),)
    assert desk.send(Press()) == ()
    desk.us += 30_000_000
    (keep,) = desk.send(Down({"connector": 8}))
    assert isinstance(keep, Keep)
    assert keep.counters.sum_in_all == 8
    desk.disk = keep.counters
    assert desk.send(Kept(keep.counters.number)) == (Attract(),)
    # The switches rest first.
    (replay,) = desk.send(Press())
    assert isinstance(replay, Replay)
    # A visitor who lifts while a recorded call is shown is followed at once; left off, the screens go on without them.
    assert desk.send(Lifted()) == (Follow(),)
    desk.us += exhibit.VISIT_US
    assert desk.send(Tick()) == (Attract(),)
    assert refusal(desk.state, 0, desk.now, desk.rules) == "a visitor's telephone is off its hook"
    # And what they took is counted whenever they hang up.
    (late,) = desk.send(Down({"connector": 2}))
    assert isinstance(late, Keep)
    assert late.counters.sum_in_all == 10


def test_what_visitors_dialled_counts_against_the_budget() -> None:
    desk = ready()
    desk.rules = replace(RULES, limits=WearLimits(**{"in all": 400}))
    desk.send(Lifted())
    keep = desk.send(Down({"connector": 380}))[0]
    assert isinstance(keep, Keep)
    desk.disk = keep.counters
    desk.send(Kept(keep.counters.number))
    desk.us += exhibit.pause_us(RULES)
    assert "worked enough in all" in refusal(desk.state, 0, desk.now, desk.rules)
