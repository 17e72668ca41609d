"""The night's part of the proving: its rules alone, and walked through on the bench by simulated hands."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from demo_ctl.board.limits import safety_limits
from demo_ctl.board.permit import ALARM_US
from demo_ctl.link.limits import LimitsInForce
from demo_ctl.safety.evidence import look
from demo_ctl.safety.procedure import live_plan
from demo_ctl.safety.proof_counts import day_only
from demo_ctl.safety.proof_store import Proving
from demo_ctl.safety.proving import ALARMS, CHAIN, LATE_US, MIRRORS, PASS_US, Seen
from demo_ctl.safety.proving_night import (
    HEAD,
    NIGHT_EXERCISED,
    NIGHT_OPTIONAL,
    QUIET,
    in_the_way,
    missing_at_night,
    night_steps,
    recover_at_night,
    whole,
)
from demo_ctl.terms.errors import DemoError
from demo_ctl.wire import messages as m

Proven = Callable[..., tuple[Proving, DemoError | None]]
LIMITS = LimitsInForce(dict(zip(m.LIMIT_NAMES, safety_limits(), strict=True)), 0)
NIGHT = CHAIN | MIRRORS | m.IN_KEY | m.IN_NIGHT | m.IN_COVERS | m.IN_ALONE | QUIET
LIMIT_US = ALARM_US + 2 * PASS_US


# -- the rules ----------------------------------------------------------------------------------------------


def test_every_step_of_the_night_belongs_to_it_and_the_key_ends_at_day() -> None:
    steps = night_steps(LIMITS)
    assert [step.name for step in steps if not step.belongs] == [HEAD]
    assert {step.belongs for step in steps[1:]} <= set(NIGHT_OPTIONAL)
    assert [step.name for step in steps if step.optional] == list(NIGHT_OPTIONAL)
    assert whole(["front"], LIMITS)[-2:] == steps[-2:]
    assert [step.name for step in steps[-2:]] == ["key off", "key on"]
    # A latched alarm wants the key before the next supply can be permitted.
    for index, step in enumerate(steps):
        if step.alarm:
            assert "turn the key off" in steps[index + 1].ask
    assert [step.name for step in recover_at_night(LIMITS)] == ["put everything back", "key off", HEAD]


def test_ringing_in_the_proving_keeps_to_the_nights_limits() -> None:
    for window_ms in (30_000, 5_000):
        values = {**LIMITS.values, m.LIMIT_NAMES[m.L_NIGHT_WINDOW_MS]: window_ms}
        instructions, roles = live_plan(2, LimitsInForce(values, 0), night=True)
        assert instructions[1].a <= window_ms * 1000
        assert roles == (m.UNUSED, m.CALLED)  # a port that the board answers


def alarm_seen(bit: int, after_us: int | None, why: int) -> list[Seen]:
    seen = [Seen(1000, inputs=NIGHT, state=m.G_SAFE, permit=True), Seen(5000, inputs=NIGHT & ~bit)]
    return seen if after_us is None else [*seen, Seen(5000 + after_us, permit=False, why=why)]


@pytest.mark.parametrize(
    ("bit", "why"),
    [
        (m.IN_SMOKE, m.R_SMOKE),
        (m.IN_FUSE, m.R_FUSE),
        (m.IN_RELEASE, m.R_RELEASE),
        (m.IN_SUPERVISORY, m.R_SUPERVISORY),
    ],
)
def test_an_alarm_must_drop_the_permit_in_time_and_for_its_own_reason(bit: int, why: int) -> None:
    step = next(each for each in night_steps(LIMITS) if each.alarm == bit)
    for took_us, done in ((ALARM_US, True), (LIMIT_US, True), (LIMIT_US + 1, False)):
        found = look(step, step.marks, alarm_seen(bit, took_us, why), 1000, 5000 + took_us)
        assert (found.done, bool(found.failed)) == (done, not done)
    other = look(step, step.marks, alarm_seen(bit, ALARM_US, m.R_LEASE), 1000, 5000 + ALARM_US)
    assert not other.done
    late_us = 5000 + LIMIT_US + LATE_US + 1
    never = look(step, step.marks, alarm_seen(bit, None, why), 1000, late_us)
    assert "the board drops the supply permit: did not happen" in never.failed
    wrong = next(each for each in ALARMS if each != bit)
    seen = [Seen(1000, inputs=NIGHT, permit=True), Seen(5000, inputs=NIGHT & ~wrong)]
    slip = look(step, step.marks, seen, 1000, 6000)
    assert (slip.failed, slip.slip) == (f"that was the {ALARMS[wrong]} alarm", True)


def test_what_is_in_the_way_of_it_is_said() -> None:
    assert in_the_way(NIGHT, covers_contact=True) == ""
    assert in_the_way(NIGHT & ~m.IN_ALONE, covers_contact=True) == ""  # whoever proves it may stand there
    assert "the covers' second contacts" in in_the_way(NIGHT, covers_contact=False)
    for bit, name in ALARMS.items():
        assert name in in_the_way(NIGHT & ~bit, covers_contact=True)


def test_what_must_have_been_worked_for_the_night() -> None:
    assert missing_at_night(NIGHT_EXERCISED) == ()
    assert len(missing_at_night(0)) == bin(NIGHT_EXERCISED).count("1")


# -- walked through -----------------------------------------------------------------------------------------


def results(proving: Proving, name: str) -> list[str]:
    return [step.result for step in proving.steps if step.name == name]


def test_all_of_it_holds_for_the_night_with_every_reaction_measured(proven: Proven, hardware: Any) -> None:
    proving, trouble = proven()
    assert (proving.verdict, trouble, day_only(proving)) == ("passed", None, "")
    assert "for the day only" not in proving.say
    figures = {(step.name, name): (took, limit) for step in proving.steps for name, took, limit in step.figures}
    for name in ALARMS.values():
        took, limit = figures[f"{name} alarm", "the board drops the supply permit"]
        assert ALARM_US / 1000 <= took <= limit == LIMIT_US / 1000
    assert figures["somebody there while live", "the guard takes ringing off"][0] <= LIMITS.value(m.L_LOOP_US) / 1000
    assert not hardware.permit_held


def test_left_out_it_holds_for_the_day_only(proven: Proven, hands: Any) -> None:
    hands.at = lambda name: setattr(hands, "skips", name == HEAD)
    proving, _ = proven()
    assert proving.verdict == "passed"
    assert "for the day only, without: all of the night" in proving.say
    assert day_only(proving) == "it holds for the day only: left out in it: all of the night"
    assert not {name for name in hands.asked if "alarm" in name}


@pytest.mark.parametrize("name", NIGHT_OPTIONAL[1:])
def test_one_alarm_left_out_and_the_others_done(proven: Proven, hands: Any, name: str) -> None:
    hands.at = lambda asked: setattr(hands, "skips", asked == name)
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    assert results(proving, name) == results(proving, f"{name} over") == ["skipped"]
    assert day_only(proving) == f"it holds for the day only: left out in it: {name}"


@pytest.mark.parametrize("fault", ["covers-wire-broken", "smoke-wire-broken", "fuse-wire-broken"])
def test_what_is_not_wired_is_seen_and_the_night_is_left_out_by_itself(
    proven: Proven, hands: Any, hardware: Any, fault: str
) -> None:
    hardware.break_part(fault)
    proving, _ = proven()
    assert proving.verdict == "passed"
    assert day_only(proving)
    assert any("What the night wants is left out" in text for text in hands.told)
    assert results(proving, HEAD) == ["skipped"]


def test_a_detector_that_never_sees_anybody_does_not_pass(proven: Proven, hands: Any) -> None:
    hands.forgets = {"somebody there while live"}
    proving, _ = proven()
    assert proving.verdict == "failed"
    assert "nothing happened while ringing voltage was on the bus" in proving.say


def test_whoever_stands_before_the_detector_is_asked_aside_before_ringing_comes_on(
    proven: Proven, hands: Any, hardware: Any
) -> None:
    """The terminal may be in its sight."""

    def at(name: str) -> None:
        if name == "somebody there while live, ready":
            hardware.set_input(m.IN_ALONE, False)

    hands.at = at
    hands.hears = {"step out of its sight": lambda: hardware.set_input(m.IN_ALONE, True)}
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    assert sum("step out of its sight" in text for text in hands.told) == 1


def test_the_wrong_alarm_is_a_slip_and_may_be_mended_once(proven: Proven, hands: Any, hardware: Any) -> None:
    done: list[str] = []

    def at(name: str) -> None:
        hands.forgets.discard("smoke alarm")
        if name == "smoke alarm" and not done:
            done.append(name)
            hands.forgets.add(name)
            hardware.set_input(m.IN_FUSE, False)

    hands.at = at
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    assert "the first: that was the fuse alarm" in next(
        step.say for step in proving.steps if step.name == "smoke alarm"
    )
    assert day_only(proving) == ""


@pytest.mark.parametrize(
    ("says", "act"),
    [
        ("that was the stop", lambda at: at.press_stop()),
        ("that was a cover", lambda at: at.open_cover()),
        ("that was the key", lambda at: at.turn_key("off")),
    ],
)
def test_the_wrong_thing_at_the_detectors_step_is_told_and_may_be_done_right(
    says: str, act: Callable[[Any], None], proven: Proven, hands: Any, hardware: Any
) -> None:
    """So late in a proving a slip must not cost all of it; ringing is off at once whatever was touched."""
    done: list[str] = []
    name = "somebody there while live"

    def at(asked: str) -> None:
        hands.forgets.discard(name)
        if asked == f"{name}, live" and not done:
            done.append(asked)
            hands.forgets.add(name)
            act(hardware)

    hands.at = at
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    (step,) = [step for step in proving.steps if step.name == name]
    assert says in step.say
    assert day_only(proving) == ""


def test_a_chain_that_opens_by_one_channel_at_the_detectors_step_is_no_slip(
    proven: Proven, hands: Any, hardware: Any
) -> None:
    def at(asked: str) -> None:
        if asked == "somebody there while live, live":
            hands.forgets.add("somebody there while live")
            hardware.guard.a.work("stop", False)

    hands.at = at
    proving, _ = proven()
    assert proving.verdict == "failed"
    assert proving.steps[-1].name == "somebody there while live"
    assert "the board tripped" in proving.say


@pytest.mark.parametrize("name", [HEAD, "smoke alarm over"])
def test_the_key_turned_too_slowly_at_night_may_be_turned_once_more(
    name: str, proven: Proven, hands: Any, hardware: Any
) -> None:
    def at(asked: str) -> None:
        hands.forgets.discard(name)
        if asked == name and not done:
            done.append(asked)
            hands.forgets.add(name)
            hardware.guard.a.work("key", False)
            hardware.kernel.at(hardware.kernel.now_us + 200_500, hardware.guard.b.work, "key", False)

    done: list[str] = []
    hands.at = at
    proving, _ = proven()
    assert proving.verdict == "passed", proving.say
    assert "at the second try" in next(step.say for step in proving.steps if step.name == name)


def test_a_board_that_does_not_heed_an_alarm_does_not_pass(
    proven: Proven, hands: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    from demo_ctl.board import permit

    monkeypatch.setattr(permit, "ALARM_US", ALARM_US + 30_000)  # firmware that waits for too long
    proving, _ = proven()
    assert proving.verdict == "failed"
    assert "smoke alarm: the board drops the supply permit: 80 ms, at most 70 ms is right" in proving.say
