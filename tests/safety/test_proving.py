"""The guided proving: its rules alone, and walked through on the bench by simulated hands."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.board_faults import HARDWARE_FAULTS
from demo_ctl.board.limits import safety_limits
from demo_ctl.link.client import Client
from demo_ctl.link.limits import LimitsInForce
from demo_ctl.link.port import Port
from demo_ctl.safety import proving as times
from demo_ctl.safety.evidence import check_trip, look, missing, reached, thinned
from demo_ctl.safety.procedure import live_plan, procedure
from demo_ctl.safety.proof_store import Proving
from demo_ctl.safety.prove import prove
from demo_ctl.safety.proving import CHAIN, EXERCISED, ISOLATED_US, LATE_US, MIRRORS, Mark, Seen, Step
from demo_ctl.safety.standing import standing
from demo_ctl.terms.errors import DemoError
from demo_ctl.wire import messages as m

Proven = Callable[..., tuple[Proving, DemoError | None]]
LIMITS = LimitsInForce(dict(zip(m.LIMIT_NAMES, safety_limits(), strict=True)), 0)
ALL = CHAIN | MIRRORS | m.IN_KEY
OPENS = Mark("opens", any_off=CHAIN)
BOTH = Mark("both", off=CHAIN, after="opens", limit_us=200_000)
STEP = Step("open", "Open it.", (OPENS, BOTH))
BEGIN = Seen(1000, inputs=ALL, state=m.G_SAFE, bus=(0, 80_000, 50_000))


# -- the rules ----------------------------------------------------------------------------------------------


def test_a_step_waits_then_is_done_with_its_time() -> None:
    seen = [BEGIN]
    assert look(STEP, STEP.marks, seen, 1000, 5000).waits == "opens"
    seen.append(Seen(7000, inputs=ALL & ~m.IN_CHAIN_A))
    assert look(STEP, STEP.marks, seen, 1000, 8000).waits == "both"
    seen.append(Seen(9500, inputs=ALL & ~CHAIN))
    found = look(STEP, STEP.marks, seen, 1000, 9600)
    assert found.done
    assert [(each.name, each.took_us) for each in found.figures] == [("both", 2500)]


@pytest.mark.parametrize(("took_us", "fails"), [(199_999, False), (200_000, False), (200_001, True)])
def test_a_reaction_that_takes_too_long_fails_at_exactly_its_limit(took_us: int, fails: bool) -> None:
    seen = [BEGIN, Seen(7000, inputs=ALL & ~m.IN_CHAIN_A), Seen(7000 + took_us, inputs=ALL & ~CHAIN)]
    found = look(STEP, STEP.marks, seen, 1000, 7000 + took_us)
    assert bool(found.failed) is fails
    assert found.done is not fails


def test_a_reaction_that_never_comes_fails_once_no_event_can_be_late_any_more() -> None:
    seen = [BEGIN, Seen(7000, inputs=ALL & ~m.IN_CHAIN_A)]
    last_us = 7000 + 200_000 + LATE_US
    assert not look(STEP, STEP.marks, seen, 1000, last_us).failed
    assert "did not happen" in look(STEP, STEP.marks, seen, 1000, last_us + 1).failed


def test_the_key_turned_instead_of_the_cover_opened_is_not_the_cover() -> None:
    step = next(each for each in procedure(["front"], LIMITS) if each.name == "open front")
    off = ALL & ~CHAIN & ~m.IN_KEY
    seen = [BEGIN, Seen(7000, inputs=off)]
    assert not look(step, step.marks, seen, 1000, 8000).done
    opened = [BEGIN, Seen(7000, inputs=ALL & ~CHAIN), Seen(60_000, bus=(0, 9_999, 50_000))]
    assert look(step, step.marks, opened, 1000, 70_000).done
    opened[-1] = Seen(60_000, bus=(0, 10_000, 50_000))  # the generator is still there
    assert look(step, step.marks, opened, 1000, 70_000).waits == "the isolating contactor takes the generator off"
    late_us = 7000 + ISOLATED_US + LATE_US + 1
    assert look(step, step.marks, opened, 1000, late_us).failed


def test_a_trip_that_is_not_wanted_fails_the_step_and_one_from_before_does_not() -> None:
    tripped = Seen(7500, state=m.G_TRIPPED, reason=m.R_MIRROR)
    assert "guard relay" in look(STEP, STEP.marks, [BEGIN, tripped], 1000, 8000).failed
    before = Seen(1000, inputs=ALL, state=m.G_TRIPPED, reason=m.R_CHAIN)
    seen = [before, Seen(7000, inputs=ALL & ~CHAIN), Seen(7500, bus=(0, 0, 50_000))]
    assert look(STEP, STEP.marks, seen, 1000, 8000).done


def test_an_old_reading_of_the_bus_proves_nothing() -> None:
    quiet = Mark("quiet", bus="quiet", after="opens", limit_us=300_000)
    seen = [BEGIN, Seen(7000, inputs=0)]
    assert "quiet" not in reached((OPENS, quiet), seen, 1000)  # BEGIN's reading is of before
    seen.append(Seen(57_000, bus=(9_999, 0, 0)))
    assert reached((OPENS, quiet), seen, 1000)["quiet"] == 57_000
    seen[-1] = Seen(57_000, bus=(10_000, 0, 0))
    assert "quiet" not in reached((OPENS, quiet), seen, 1000)


_SEEN = st.builds(
    Seen,
    at_us=st.integers(0, 20),
    inputs=st.none() | st.integers(0, 31),
    state=st.none() | st.sampled_from((m.G_SAFE, m.G_LIVE, m.G_TRIPPED)),
    bus=st.none() | st.sampled_from(((0, 80_000, 50_000), (80_000, 80_000, 50_000))),
)
_MARKS = (
    Mark("a", any_off=CHAIN),
    Mark("b", off=CHAIN, after="a", limit_us=5),
    Mark("c", states=(m.G_TRIPPED,), after="a"),
    Mark("d", on=MIRRORS, bus="quiet", after="c"),
)


@settings(deadline=None)
@given(st.lists(_SEEN, max_size=12, unique_by=lambda each: each.at_us), st.randoms())
def test_what_is_found_depends_on_the_instants_and_not_on_the_order_of_arrival(seen: list[Seen], random: Any) -> None:
    """Laws: any order gives the same; no mark before the one it is timed from; what is seen later moves none."""
    found = reached(_MARKS, seen, 3)
    mixed = list(seen)
    random.shuffle(mixed)
    assert reached(_MARKS, mixed, 3) == found
    for mark in _MARKS:
        if mark.name in found:
            assert found[mark.name] >= (found[mark.after] if mark.after else 3)
    later = [*seen, Seen(1000, 0, m.G_SAFE, 0, (0, 0, 0))]
    assert all(reached(_MARKS, later, 3).get(name) == at_us for name, at_us in found.items())


_READINGS = st.lists(
    st.tuples(st.booleans(), st.sampled_from(((0, 80_000, 50_000), (80_000, 80_000, 50_000), (0, 5_000, 50_000)))),
    min_size=3,
    max_size=40,
)


@settings(deadline=None)
@given(_READINGS, st.integers(0, 45))
def test_what_is_left_out_of_what_was_seen_changes_no_mark(readings: list[Any], before: int) -> None:
    seen = [
        Seen(at, bus=bus) if not event else Seen(at, inputs=0 if at % 3 else ALL)
        for at, (event, bus) in enumerate(readings)
    ]
    thin = thinned(seen, before)
    assert set(thin) <= set(seen)
    assert [each for each in seen if each.at_us >= before or each.bus is None] == [
        each for each in thin if each.at_us >= before or each.bus is None
    ]
    marks = (OPENS, Mark("quiet", bus="quiet"), Mark("live", bus="live"), Mark("isolated", isolated=True))
    assert reached(marks, thin, 0) == reached(marks, seen, 0)


def test_the_procedure_names_every_cover_and_ends_with_the_key_on() -> None:
    steps = procedure(["front", "side", "back"], LIMITS, covers_contact=True)
    asked = [step.ask for step in steps]
    for cover in ("front", "side", "back"):
        assert f"Open the cover '{cover}'." in asked
    assert [step.trip for step in steps if step.live] == [m.R_NONE, m.R_CHAIN, m.R_CHAIN, m.R_SILENCE]
    assert steps[-1].name == "key on"
    # After every step that trips, the key is turned before anything else wants it reset.
    for index, step in enumerate(steps):
        if step.trip != m.R_NONE:
            names = [each.name for each in steps[index + 1 : index + 4]]
            assert "key off" in names
            assert "key on" in names


def test_the_live_plan_rings_no_line_and_keeps_to_the_boards_limits() -> None:
    for window_ms in (90_000, 20_000, 3_000):
        values = {**LIMITS.values, m.LIMIT_NAMES[m.L_WINDOW_MS]: window_ms}
        instructions, roles = live_plan(2, LimitsInForce(values, 0))
        assert roles == (m.UNUSED, m.CALLED)
        assert {each.op for each in instructions} == {m.OP_WAIT, m.OP_RINGING}  # nothing lifts, nothing dials
        assert instructions[1].a <= window_ms * 1000
        assert instructions[2].a < instructions[1].a  # closed in order, before the window's own end


def test_what_must_have_been_worked() -> None:
    assert missing(EXERCISED) == ()
    assert missing(EXERCISED & ~m.IN_MIRROR_B) == ("guard relay B was never seen to pull up",)
    assert len(missing(0)) == 5


def test_the_boards_own_record_of_a_trip_must_fit() -> None:
    live = Step("x", "", (), live=True, trip=m.R_CHAIN)
    trip = m.Trip(1, 0, 5, m.R_CHAIN, m.R_NONE, m.G_LIVE, 1, 0, 0, 0, 0, 0, 0, 1, 2)
    assert check_trip(live, trip) == ""
    assert check_trip(live, None)
    assert check_trip(live, trip._replace(reason=m.R_MIRROR))
    assert check_trip(live, trip._replace(worse=m.R_NO_SILENCE))
    held = Step("x", "", (), held=True, trip=m.R_MIRROR)  # a relay is held up on purpose
    assert check_trip(held, trip._replace(reason=m.R_MIRROR, worse=m.R_NO_SILENCE)) == ""
    assert check_trip(live, trip._replace(state=m.G_ARMED))


# -- walked through -----------------------------------------------------------------------------------------


def ringing_off(bench: Port) -> bool:
    return not bench._line.world.hardware.ringing_fed


def test_hands_that_do_all_of_it_pass_with_every_reaction_measured(proven: Proven, hands: Any, bench: Port) -> None:
    proving, trouble = proven()
    assert trouble is None
    assert proving.verdict == "passed"
    assert {step.result for step in proving.steps} == {"passed"}
    assert proving.exercised & EXERCISED == EXERCISED
    figures = {(step.name, name): took for step in proving.steps for name, took, _ in step.figures}
    # The bench's own constants: relays drop 8 ms after their chain; B's contact follows A's by 3 ms.
    assert figures["press the stop while live", "both guard relays are down"] == pytest.approx(11, abs=0.5)
    assert figures["no heartbeat while live", "the board trips"] == pytest.approx(600, abs=20)
    assert all(took <= limit for step in proving.steps for _, took, limit in step.figures)
    client = Client(bench)
    welcome = client.hello()
    safety = client.safety()
    assert (safety.state, safety.obstacle) == (m.G_SAFE, m.R_NONE)
    caused = [(trip.at_us, m.R_NAMES[trip.reason]) for trip in client.trips()]
    assert [(each.at_us, each.reason) for each in reversed(proving.trips)] == caused
    assert {each.boot for each in proving.trips} == {welcome.boot}
    assert "the person's word" in proving.say
    assert [trip.reason for trip in client.trips()] == [
        m.R_SILENCE,
        m.R_CHAIN,
        m.R_CHAIN,
        m.R_MIRROR,
        m.R_MIRROR,
        m.R_DISCREPANCY,
        m.R_DISCREPANCY,
    ]


def test_no_bell_rings_in_a_proving(proven: Proven, bench: Port) -> None:
    proving, _ = proven()
    assert proving.verdict == "passed"
    lines = [truth for truth in bench._line.world.unit.truth if truth.what.endswith("/ringing") and truth.value]
    assert lines == []


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("isolator-welded", "open the cover 'front': the board tripped: the generator is not isolated"),
        ("isolator-dead", "close the cover 'front': generator and battery are right"),
        ("follower-welded", "channel B alone: the board tripped: the generator is not isolated"),
        ("contact-a-bridged", "guard relay B alone: no voltage on the ringing bus"),
        ("contact-b-bridged", "guard relay A alone: no voltage on the ringing bus"),
    ],
)
def test_faults_of_isolator_and_contacts_are_found_where_the_table_says(
    fault: str, says: str, proven: Proven, hands: Any, hardware: Any
) -> None:
    hands.at = lambda name: hardware.break_part(fault) if name == "open front" else None
    proving, _ = proven()
    assert proving.verdict == "failed"
    assert says in proving.say


def test_the_test_plug_may_be_left_out(proven: Proven, hands: Any) -> None:
    hands.skips = True
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    assert sum(step.result == "skipped" for step in proving.steps) == 14 + 13
    assert "for the day only, without: all of the night" in proving.say
    assert "without: channel A alone, channel B alone, guard relay A alone, guard relay B alone" in proving.say
    assert not [name for name in hands.asked if name.endswith(" back") and name.startswith("channel")]


#: What a proving by day, that rings no line, cannot see: the night's inputs, the unit's interrupter, a port's sensing.
#: Nor what needs a meter, a button that the guard does not ask, and what is over.
UNSEEN = {
    "converter-reads-low",
    "button-wire-broken",
    "button-contact-welded",
    "expander-missed",
    "night-wire-broken",
    "presence-blind",
    *(f"{alarm}-contact-welded" for alarm in ("smoke", "fuse", "release", "supervisory")),
    "release-wire-broken",
    "supervisory-wire-broken",
    "permit-dead",
    "permit-pump-stuck",
    "permit-pump-bypassed",
    "ringing-sense-dead",
    "interrupter-stuck",
    "covers-wire-broken",
    "presence-wire-broken",
    "smoke-wire-broken",
    "fuse-wire-broken",
    "permit-welded",
}
#: With these there is nobody to talk to, or not for long.
GONE = {"loop-hung", "board-dead", "cable-cut", "host-killed", "brown-out"}


@pytest.mark.parametrize("fault", sorted(set(HARDWARE_FAULTS) - UNSEEN - GONE))
def test_a_guard_with_any_single_fault_does_not_pass(
    fault: str, proven: Proven, hands: Any, hardware: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Some faults only keep a step from ever coming; a person gets five minutes for it, these hands need none.
    monkeypatch.setattr(times, "PATIENCE_US", 35_000_000)
    broken: set[str] = set()

    def at(name: str) -> None:
        if name == "open front" and not broken:
            broken.add(fault)
            hardware.break_part(fault)

    hands.at = at
    proving, _ = proven()
    assert proving.verdict == "failed", proving.say
    assert proving.steps[-1].result == "failed"


@pytest.mark.parametrize("fault", sorted(GONE))
def test_a_board_that_goes_leaves_the_proving_unfinished(fault: str, proven: Proven, hands: Any, hardware: Any) -> None:
    def at(name: str) -> None:
        if name == "press the stop while live, live":
            hardware.break_part(fault)

    hands.at = at
    proving, trouble = proven()
    assert proving.verdict == "not finished"
    assert trouble is not None
    assert proving.steps[-1].result == "not finished"


def test_unseen_by_day_is_only_what_no_day_rings_with(proven: Proven, hardware: Any) -> None:
    hardware.break_part("covers-wire-broken")
    proving, _ = proven()
    assert proving.verdict == "passed"
    assert "nothing can ring by night" in proving.say


@pytest.mark.parametrize("when", ["open front", "open front while live, live", "no heartbeat while live"])
@pytest.mark.parametrize("how", [KeyboardInterrupt, EOFError])
def test_stopped_at_any_time_takes_ringing_off_and_says_not_finished(
    when: str, how: type[BaseException], proven: Proven, hands: Any, bench: Port
) -> None:
    def at(name: str) -> None:
        if name == when:
            raise how

    hands.at = at
    proving, trouble = proven()
    assert proving.verdict == "not finished"
    assert trouble is None
    assert proving.steps[-1].result == "not finished"
    client = Client(bench)
    client.hello()
    assert client.status().plan_state != m.RUNNING
    until_us = client.now_us() + 300_000
    while client.now_us() < until_us:
        client.poll(50_000)
    assert ringing_off(bench)


def test_hands_that_do_nothing_while_live_are_asked_three_times_and_then_it_fails(proven: Proven, hands: Any) -> None:
    hands.forgets = {"press the stop while live"}
    proving, _ = proven()
    assert proving.verdict == "failed"
    assert "nothing happened" in proving.say
    assert sum("Once more" in text for text in hands.told) == 2


# -- what is typed ------------------------------------------------------------------------------------------


@pytest.fixture
def fed(hardware: Any, monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """Every time the generator is let onto the bus."""
    found: list[bool] = []
    set_feed = hardware.unit.set_ringing_feed

    def note(on: bool) -> None:
        found.append(on)
        set_feed(on)

    monkeypatch.setattr(hardware.unit, "set_ringing_feed", note)
    return found


@pytest.mark.parametrize("word", ["no", "n", "q", " No ", "STOP", "quit"])
def test_no_means_no_whenever_it_is_typed(word: str, proven: Proven, hands: Any, fed: list[bool]) -> None:
    hands.says = [word]
    hands.skips = True
    proving, trouble = proven()
    assert (proving.verdict, proving.say, trouble) == ("not finished", "stopped by the person", None)
    assert proving.steps[-1].name == "live, and off again"
    assert True not in fed


def test_no_ends_any_other_step_too(proven: Proven, hands: Any) -> None:
    hands.at = lambda name: hands.typed.append("no") if name == "open back" else None
    hands.forgets = {"open back"}
    proving, _ = proven()
    assert (proving.verdict, proving.steps[-1].name) == ("not finished", "open back")


def test_only_enter_or_yes_lets_ringing_on_and_every_other_word_gets_an_answer(
    proven: Proven, hands: Any, fed: list[bool]
) -> None:
    at: list[tuple[int, int]] = []
    hands.says = ["maybe", "s", "ye", "yes"]
    hands.hears = {"Nothing was done": lambda: at.append((sum(fed), len(at)))}
    hands.skips = True
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    assert len(at) == 3 * 4
    assert at[:3] == [(0, 0), (0, 1), (0, 2)]  # three answers, and ringing not on yet


def test_what_was_typed_before_the_question_is_no_answer_to_it(proven: Proven, hands: Any, fed: list[bool]) -> None:
    hands.at = lambda name: hands.typed.extend(["", "yes", ""]) if name == "live, and off again" else None
    hands.says = ["no"]
    hands.skips = True
    proving, _ = proven()
    assert proving.verdict == "not finished"
    assert True not in fed


def test_an_unknown_word_in_a_step_gets_an_answer_and_changes_nothing(proven: Proven, hands: Any) -> None:
    def at(name: str) -> None:
        hands.typed += {"open front": ["done"], "channel A alone": ["later", "s"], "open back": ["s"]}.get(name, [])
        hands.skips = (name != "channel A alone" and "relay" in name) or "channel B" in name

    hands.at = at
    hands.forgets = {"open front", "open back", "channel A alone"}
    hardware = hands.hardware
    hands.hears = {
        "no word known here: no to stop": hardware.open_cover,
        "cannot be left out": hardware.open_cover,
    }
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    assert any("type s to leave this step out" in text for text in hands.told)
    assert next(step.name for step in proving.steps if step.result == "skipped") == "channel A alone"


# -- slips of the hand --------------------------------------------------------------------------------------


#: Later than the channels may be apart; and earlier than hands that put everything back at once move it again.
SLOW_US = 200_500


def once(hands: Any, name: str, act: Callable[[], None]) -> None:
    """Have something else done than what is asked, the first time."""
    done: list[str] = []

    def at(asked: str) -> None:
        hands.forgets.discard(name)
        if asked == name and not done:
            done.append(asked)
            hands.forgets.add(name)
            act()

    hands.at = at


def test_a_cover_opened_too_slowly_may_be_opened_once_more(proven: Proven, hands: Any, hardware: Any) -> None:
    def slowly() -> None:
        hardware.guard.a.work("cover", False)
        hardware.kernel.at(hardware.kernel.now_us + SLOW_US, hardware.guard.b.work, "cover", False)
        hardware.set_input(m.IN_COVERS, False)

    once(hands, "open front", slowly)
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    (opened,) = [step for step in proving.steps if step.name == "open front"]
    assert opened.result == "passed"
    assert "at the second try; the first:" in opened.say


def test_a_cover_closed_too_slowly_is_opened_and_closed_once_more(proven: Proven, hands: Any, hardware: Any) -> None:
    def slowly() -> None:
        hardware.guard.a.work("cover", True)
        hardware.kernel.at(hardware.kernel.now_us + SLOW_US, hardware.guard.b.work, "cover", True)
        hardware.set_input(m.IN_COVERS, True)

    once(hands, "close front", slowly)
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    (closed,) = [step for step in proving.steps if step.name == "close front"]
    assert "at the second try" in closed.say
    assert {name for name, _, _ in closed.figures} >= {"both channels close"}


@pytest.mark.parametrize(
    ("asked", "says", "act"),
    [
        ("open front", "that was the stop", lambda at: at.press_stop()),
        ("press the stop", "that was a cover, not the stop", lambda at: at.open_cover()),
        ("channel A alone", "that was 'channel B alone'", lambda at: at.pull_plug("b", True)),
        ("guard relay B alone", "that was 'guard relay A alone'", lambda at: at.press_relay_button("a", True)),
    ],
)
def test_the_wrong_thing_is_told_and_may_be_done_right(
    asked: str, says: str, act: Callable[[Any], None], proven: Proven, hands: Any, hardware: Any
) -> None:
    once(hands, asked, lambda: act(hardware))
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    (done,) = [step for step in proving.steps if step.name == asked]
    assert says in done.say


@pytest.mark.parametrize(
    ("asked", "says", "act"),
    [
        ("open front while live", "that was the stop", lambda at: at.press_stop()),
        ("press the stop while live", "that was a cover, not the stop", lambda at: at.open_cover()),
    ],
)
def test_the_wrong_thing_while_live_is_told_and_may_be_done_right(
    asked: str, says: str, act: Callable[[Any], None], proven: Proven, hands: Any, hardware: Any
) -> None:
    done: list[str] = []

    def at(name: str) -> None:
        hands.forgets.discard(asked)
        if name == f"{asked}, live" and not done:
            done.append(name)
            hands.forgets.add(asked)
            act(hardware)

    hands.at = at
    hands.skips = True
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    (step,) = [step for step in proving.steps if step.name == asked]
    assert says in step.say


def test_the_wrong_thing_twice_is_a_failure(proven: Proven, hands: Any, hardware: Any) -> None:
    hands.at = lambda name: hardware.press_stop() if name == "open front" else None
    hands.forgets = {"open front"}
    proving, _ = proven()
    assert proving.verdict == "failed"
    assert "that was the stop" in proving.say


def test_a_stop_that_is_still_pressed_is_guessed_where_a_cover_should_close(
    proven: Proven, hands: Any, hardware: Any
) -> None:
    hands.at = lambda name: hardware.press_stop() if name == "close front" else None
    hands.hears = {"is the stop still pressed?": hardware.release_stop}
    proving, _ = proven()
    assert sum("is the stop still pressed?" in text for text in hands.told) == 1
    assert proving.verdict == "passed", proving.say


@pytest.mark.parametrize(
    ("asked", "says", "act"),
    [
        ("key off", "that was the stop, or the key's own contact", lambda at: at.press_stop()),
        ("key off", "that was a cover, or the key's own contact", lambda at: at.open_cover()),
        ("open front", "that was the key", lambda at: at.turn_key("off")),
        ("press the stop", "that was the key", lambda at: at.turn_key("off")),
        ("channel B alone", "that was the key", lambda at: at.turn_key("off")),
        ("channel B alone", "that was the stop", lambda at: at.press_stop()),
        ("guard relay A alone", "both channels of the chain opened: that was a cover", lambda at: at.open_cover()),
    ],
)
def test_the_key_and_what_is_not_the_key_are_told_apart_and_may_be_done_right(
    asked: str, says: str, act: Callable[[Any], None], proven: Proven, hands: Any, hardware: Any
) -> None:
    once(hands, asked, lambda: act(hardware))
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    done = next(step for step in proving.steps if step.name == asked)
    assert done.say.startswith("at the second try; the first: ")
    assert says in done.say


def test_the_key_turned_on_while_the_stop_is_pressed_is_a_slip(proven: Proven, hands: Any, hardware: Any) -> None:
    def act() -> None:
        hardware.press_stop()
        hardware.turn_key("day")

    once(hands, "key on", act)
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    assert "the chain stayed open" not in proving.say
    done = next(step for step in proving.steps if step.name == "key on")
    assert "a cover is open or the stop is pressed, or the chain is at fault" in done.say


def test_a_key_turned_to_night_where_day_is_asked_is_a_slip(proven: Proven, hands: Any, hardware: Any) -> None:
    once(hands, "key on", lambda: hardware.turn_key("night"))
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    done = next(step for step in proving.steps if step.name == "key on")
    assert "the first: the key went to night" in done.say


def test_a_key_that_comes_back_from_night_to_day_is_turned_off_and_on(
    proven: Proven, hands: Any, hardware: Any
) -> None:
    """It was turned instead of the cover, and back to the wrong place first: the board is at night until it was off."""
    once(hands, "open front", lambda: hardware.turn_key("off"))
    first = hands.at

    def at(asked: str) -> None:
        first(asked)
        if asked == "put everything back":
            hardware.turn_key("night")
            hardware.kernel.at(hardware.kernel.now_us + 400_000, hardware.turn_key, "day")
            hands.forgets.add(asked)

    hands.at = at
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    asked = hands.asked
    assert asked[asked.index("put everything back") + 1] == "key off"


def test_a_key_turned_too_slowly_may_be_turned_once_more(proven: Proven, hands: Any, hardware: Any) -> None:
    def slowly() -> None:
        hardware.guard.a.work("key", False)
        hardware.set_input(m.IN_KEY, False)
        hardware.kernel.at(hardware.kernel.now_us + SLOW_US, hardware.guard.b.work, "key", False)

    once(hands, "key off", slowly)
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    assert "at the second try" in proving.steps[0].say


@pytest.mark.parametrize("fault", ["key-wire-broken", "chain-a-bridged"])
def test_a_key_step_that_goes_wrong_twice_is_a_failure(fault: str, proven: Proven, hands: Any, hardware: Any) -> None:
    """A second try is for hands: what is broken fails again."""
    hands.forgets = {"key off"}

    def at(name: str) -> None:
        off = name == "key off"
        hardware.guard.b.work("key", not off)
        if fault == "chain-a-bridged":
            hardware.set_input(m.IN_KEY, not off)
        else:
            hardware.guard.a.work("key", not off)

    hands.at = at
    proving, _ = proven()
    assert proving.verdict == "failed"
    assert [step.result for step in proving.steps] == ["failed"]


def test_a_slip_and_something_worse_is_no_slip(proven: Proven, hands: Any, hardware: Any) -> None:
    """The wrong thing was worked, and the isolator stayed: whoever tries again must not get past that."""

    def act() -> None:
        hardware.break_part("isolator-welded")
        hardware.press_stop()

    once(hands, "open front", act)
    proving, _ = proven()
    assert proving.verdict == "failed"
    assert proving.steps[-1].result == "failed"
    assert "the generator is not isolated" in proving.say


def test_what_is_worse_than_the_trip_that_a_step_wants_fails_it() -> None:
    """A welded isolator, ringing on a line: told after the trip, as its worse, in the step or between two steps."""
    step = next(each for each in procedure(["front"], LIMITS) if each.name == "open front while live")
    trip = Seen(5000, inputs=ALL & ~CHAIN, state=m.G_TRIPPED, reason=m.R_CHAIN)
    live = Seen(1000, inputs=ALL, state=m.G_LIVE)
    assert not look(step, step.marks, [live, trip], 1000, 6000).failed
    for worse in (m.R_ISOLATOR, m.R_BUS, m.R_NO_SILENCE):
        after = Seen(6000, state=m.G_TRIPPED, reason=worse)
        found = look(step, step.marks, [live, trip, after], 1000, 7000)
        assert (bool(found.failed), found.slip) == (True, False), worse
        close = next(each for each in procedure(["front"], LIMITS) if each.name == "close front after the trip")
        assert look(close, close.marks, [trip, after], 5500, 7000).failed
    held = next(each for each in procedure(["front"], LIMITS) if each.held)
    up = [live, Seen(5000, state=m.G_TRIPPED, reason=m.R_MIRROR)]
    assert not look(held, held.marks, [*up, Seen(6000, state=m.G_TRIPPED, reason=m.R_NO_SILENCE)], 1000, 7000).failed
    assert look(held, held.marks, [*up, Seen(6000, state=m.G_TRIPPED, reason=m.R_ISOLATOR)], 1000, 7000).failed


@pytest.mark.parametrize(
    ("act", "mend"),
    [
        (lambda at: at.press_stop(), lambda at: at.release_stop()),
        (lambda at: at.open_cover(), lambda at: at.close_cover()),
        (lambda at: (at.open_cover(), at.turn_key("off")), lambda at: at.close_cover()),
    ],
    ids=["stop", "cover", "cover and key"],
)
def test_what_stands_open_as_it_starts_is_put_right_first(
    act: Callable[[Any], None], mend: Callable[[Any], None], proven: Proven, hands: Any, hardware: Any
) -> None:
    act(hardware)
    asked: list[str] = []

    def at(name: str) -> None:
        asked.append(name)
        if name == "chain closed first":
            mend(hardware)

    hands.at = at
    proving, _ = proven()
    assert "chain closed first" in asked[:2]
    assert proving.verdict == "passed", proving.say
    assert proving.steps[0].name == "key off"
    assert "second contacts read open" not in proving.say  # that was asked when the cover was closed
    assert not [step for step in proving.steps if step.result == "skipped"]


def test_leaving_out_what_costs_the_proving_is_said_at_the_first_word_for_it(bench: Port, hands: Any) -> None:
    client = Client(bench)
    client.hello()
    hands.skips = True
    asked: list[str] = []

    def costs(step: Step) -> str:
        asked.append(step.name)
        return "It will not count."

    hands.hears = {"type s and Enter once more": lambda: hands.typed.append("s")}
    now = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
    proving, _ = prove(
        client, hands, covers=("front",), unit="Travelling", who="Ada", port=1, now=lambda: now, cost=costs
    )
    assert proving.verdict == "passed", proving.say
    assert asked == ["channel A alone"]
    assert sum("It will not count.\nDo what is asked" in text for text in hands.told) == 1


def test_a_step_is_named_for_people() -> None:
    titles = {step.name: step.title for step in procedure(["line finder bay"], LIMITS)}
    assert titles["open line finder bay"] == "open the cover 'line finder bay'"
    name = "open line finder bay while live"
    assert titles[name] == "open the cover 'line finder bay' while ringing voltage is on"
    assert titles["close line finder bay after the trip"] == "close the cover 'line finder bay' after the trip"
    assert titles["press the stop while live"] == "press the stop while ringing voltage is on"


def test_whoever_keeps_a_button_pressed_is_told_to_let_it_go(proven: Proven, hands: Any, hardware: Any) -> None:
    hands.forgets = {"guard relay A alone"}
    hands.at = lambda name: hardware.press_relay_button("a", True) if name == "guard relay A alone" else None
    hands.hears = {"Let the test button go.": lambda: hardware.press_relay_button("a", False)}
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    assert sum(text.startswith("Let the test button go. (Still waiting for: both") for text in hands.told) == 1


def test_a_key_that_is_off_already_is_turned_on_first(proven: Proven, hands: Any, hardware: Any) -> None:
    hardware.turn_key("off")
    hands.skips = True
    proving, _ = proven()
    assert hands.asked[:3] == ["key on first", "key off", "key on"]
    assert proving.verdict == "passed", proving.say
    assert proving.steps[0].name == "key off"


def test_a_computer_held_up_for_too_long_is_told_as_that(proven: Proven, hands: Any, bench: Port) -> None:
    def sleep() -> None:
        until_us = bench.clock_us() + 2_000_000
        while bench.clock_us() < until_us:
            bench.read(until_us)

    for name, code in (("open back", 3), ("press the stop while live, live", 4)):
        hands.at = lambda asked, name=name: sleep() if asked == name else None
        hands.forgets = {"open back"} if name == "open back" else {"press the stop while live"}
        hands.skips = True
        proving, trouble = proven()
        assert proving.verdict == "not finished"
        assert trouble is not None
        assert "this computer said nothing for 2.0 s" in trouble.what
        assert int(trouble.exit_code) == code
        hands.hardware.release_stop()
        hands.hardware.close_cover()


def test_hands_that_do_nothing_at_all_are_not_waited_for_for_ever(
    proven: Proven, hands: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert times.PATIENCE_US == 10 * times.REMIND_US
    monkeypatch.setattr(times, "PATIENCE_US", 7 * times.REMIND_US // 2)
    hands.forgets = {"release the stop"}
    proving, _ = proven()
    assert proving.verdict == "failed"
    assert "nothing came of it in time" in proving.say
    waits = [text for text in hands.told if "Still waiting for: the first channel closes" in text]
    assert [text.split("(In ")[1][:11] for text in waits] == ["1.2 minutes", "0.2 minutes"]  # rarer each time


def test_a_stop_that_opens_one_channel_only_is_found(proven: Proven, hands: Any, hardware: Any) -> None:
    def at(name: str) -> None:
        if name == "press the stop":
            hands.forgets.add(name)
            hardware.guard.a.work("stop", False)

    hands.at = at
    proving, _ = proven()
    assert proving.verdict == "failed"
    assert "press the stop" in proving.say
    assert "disagree" in proving.say
    assert any("The guard is tripped" in text and "Mend what disagrees" in text for text in hands.told)


def test_a_relay_that_stands_up_at_rest_is_told_as_that_and_not_as_ringing_that_stayed(
    bench: Port, hardware: Any
) -> None:
    client = Client(bench)
    client.hello()

    def wait(us: int) -> None:
        until_us = client.now_us() + us
        while client.now_us() < until_us:
            client.poll(50_000)

    for position in ("off", "day"):
        hardware.turn_key(position)
        wait(500_000)
    hardware.break_part("relay-a-welded")
    hardware.press_relay_button("a", True)
    wait(2_000_000)
    safety, trip = client.safety(), client.trips()[0]
    assert (safety.state, trip.reason, trip.state) == (m.G_TRIPPED, m.R_MIRROR, m.G_SAFE)
    assert trip.worse == safety.reason == m.R_NO_SILENCE
    found = standing(safety, trip)
    assert "the relay is welded, or its mirror contact's wire is broken" in found.obstacle
    assert "ringing was taken off" not in found.obstacle + found.why
    assert found.why.startswith("a guard relay is not where it should be")
