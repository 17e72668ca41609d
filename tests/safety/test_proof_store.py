"""Records of provings: whole or none, never written over; and which of them counts."""

from __future__ import annotations

import dataclasses
import json
import struct
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.board.limits import safety_limits
from demo_ctl.link.limits import LimitsInForce
from demo_ctl.safety import proof_store, readiness
from demo_ctl.safety.proof_counts import AHEAD, Wanted, age_text, best, limits_ms, objection
from demo_ctl.safety.proof_store import (
    FAILED,
    PASSED,
    SKIPPED,
    UNFINISHED,
    CausedTrip,
    Proving,
    StepResult,
    Unread,
    default_folder,
    keep,
    parse,
    prepare,
    read_all,
    stamp_of,
    text_of,
)
from demo_ctl.safety.proving import EXERCISED, OPTIONAL
from demo_ctl.safety.proving_night import HEAD, NIGHT_EXERCISED, NIGHT_OPTIONAL, whole
from demo_ctl.safety.readiness import bench_ready, check_ready
from demo_ctl.terms.errors import DemoError, InputError
from demo_ctl.wire import messages as m

NOON = datetime.fromisoformat("2026-11-25T12:00:00+00:00")
DAY = timedelta(hours=24)
FIRMWARE = 0x0100


def in_force(*values: int) -> LimitsInForce:
    data = struct.pack(f"<{len(values)}I", *values)
    return LimitsInForce(dict(zip(m.LIMIT_NAMES, values, strict=True)), m.limits_digest(data, FIRMWARE))


LIMITS = in_force(*safety_limits())
COVERS = ("front", "back")


def steps_without(*names: str) -> tuple[StepResult, ...]:
    """Every step of a proving, passed; but those of these names, and what belongs to them, left out."""
    out, found = set(names), []
    for step in whole(COVERS, LIMITS):
        if step.belongs in out:
            out.add(step.name)
        result = SKIPPED if step.name in names or step.belongs in out else PASSED
        figures = tuple((name, most_ms / 2, most_ms) for name, most_ms in limits_ms(step, LIMITS).items())
        found.append(StepResult(step.name, step.ask, result, "", figures if result == PASSED else ()))
    return tuple(found)


def changed_step(name: str, **change: Any) -> tuple[StepResult, ...]:
    steps = steps_without()
    return tuple(dataclasses.replace(step, **change) if step.name == name else step for step in steps)


GOOD = Proving(
    began="2026-11-25T08:00:00+01:00",
    ended="2026-11-25T08:10:00+01:00",
    board="00000000000000aa",
    simulated=False,
    firmware=f"{FIRMWARE:04x}",
    port="/dev/ttyACM0",
    unit="Mossbrook",
    who="Ada",
    digest=f"{LIMITS.digest:08x}",
    limits=LIMITS.values,
    covers=COVERS,
    steps=steps_without(),
    exercised=EXERCISED | NIGHT_EXERCISED,
    verdict="passed",
    say="every reaction was as it must be",
    trips=(CausedTrip(7, 123_456, "interlock chain open"),),
)
WANTED = Wanted(
    board=GOOD.board, digest=GOOD.digest, unit=GOOD.unit, age=DAY, now=NOON, firmware=GOOD.firmware, covers=COVERS
)


def ended(days_ago: float, **change: Any) -> Proving:
    """A proving that ended so many days before noon."""
    at = NOON - timedelta(days=days_ago)
    began = at - timedelta(minutes=10)
    return dataclasses.replace(GOOD, **{"began": began.isoformat(), "ended": at.isoformat(), **change})


def test_what_is_kept_is_read_back_whole(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "folder"
    path = keep(GOOD, folder)
    kept = dataclasses.replace(GOOD, number=1)
    assert parse(path.read_bytes()) == kept
    found, unread = read_all(folder)
    assert (found, unread) == ([kept], [])
    assert found[0].file == str(path)
    assert [each.name for each in folder.iterdir()] == [path.name]  # nothing is left beside it


def test_a_record_is_never_written_over(tmp_path: Path) -> None:
    paths = [keep(GOOD, tmp_path) for _ in range(3)]
    assert len(set(paths)) == 3
    assert len(read_all(tmp_path)[0]) == 3


def test_a_file_that_was_cut_anywhere_is_no_proving() -> None:
    text = text_of(GOOD)
    for length in range(0, len(text) - 1, 7):  # without the last newline it is still whole
        with pytest.raises(ValueError, match=r"torn|format|check"):
            parse(text[:length])


@settings(deadline=None)
@given(st.integers(0, len(text_of(GOOD)) - 2), st.characters(min_codepoint=33, max_codepoint=126))
def test_a_character_changed_anywhere_is_noticed_or_changes_nothing(at: int, letter: str) -> None:
    text = text_of(GOOD)
    changed = text[:at] + letter + text[at + 1 :]
    with suppress(ValueError):
        assert parse(changed) == GOOD


@settings(deadline=None)
@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
        max_leaves=8,
    ),
    st.sampled_from(sorted(json.loads(text_of(GOOD)))),
)
def test_whatever_stands_in_a_file_reading_it_is_a_proving_or_a_value_error(value: Any, key: str) -> None:
    body = {**json.loads(text_of(GOOD)), key: value}
    body["check"] = proof_store._check(body)
    with suppress(ValueError):
        assert isinstance(parse(json.dumps(body)), Proving)


def test_a_folder_that_cannot_be_written_is_found_before_anybody_works(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match="cannot be kept"):
        prepare(tmp_path / "file")
    with pytest.raises(InputError, match="cannot be kept"):
        keep(GOOD, tmp_path / "file")
    prepare(tmp_path / "a" / "b")
    assert list((tmp_path / "a" / "b").iterdir()) == []


def test_where_provings_are_kept(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert default_folder() == tmp_path / "demo_ctl" / "provings"
    monkeypatch.setenv("XDG_STATE_HOME", "not/absolute")
    monkeypatch.setenv("HOME", str(tmp_path))
    assert default_folder() == tmp_path / ".local" / "state" / "demo_ctl" / "provings"


# -- what counts --------------------------------------------------------------------------------------------


def test_a_good_one_counts() -> None:
    assert objection(GOOD, WANTED) == ""


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"board": "00000000000000ab"}, "another board"),
        ({"unit": "Elsewhere"}, "another unit"),
        ({"simulated": True}, "simulated"),
        ({"digest": "0badcafe"}, "limits have changed"),
        ({"verdict": "failed"}, "failed"),
        ({"verdict": "not finished"}, "not finished"),
        ({"verdict": "splendid"}, "no verdict known"),
        ({"firmware": "0101"}, "firmware has changed"),
        ({"firmware": "1.0"}, "firmware has changed"),
        ({"covers": ("front", "side")}, "names other covers"),
        ({"exercised": 31 & ~m.IN_MIRROR_A}, "guard relay A was never seen to pull up"),
        ({"limits": {"heartbeat ms": 600}}, "does not tell the limits"),
        ({"limits": {**LIMITS.values, "current mA": 1}}, "limits in it are not those of its digest"),
        ({"limits": {**LIMITS.values, "apart us": 2**40}}, "limits in it are not those of its digest"),
        ({"steps": ()}, "it has 0 steps"),
        ({"steps": GOOD.steps[:-1]}, "steps, a proving of 2 covers has"),
        ({"steps": (*GOOD.steps[:-1], StepResult("tea", "", "passed"))}, "'tea' where 'key on' belongs"),
        ({"steps": changed_step("press the stop while live", result="skipped")}, "while live' is 'skipped'"),
        ({"steps": changed_step("open back", result="failed")}, "'open back' is 'failed'"),
        ({"steps": changed_step("open back", result="not finished")}, "'open back' is 'not finished'"),
        ({"steps": changed_step("channel A alone", result="failed")}, "'channel A alone' is 'failed'"),
        ({"steps": changed_step("channel A alone", result="skipped")}, "'channel A back' is 'passed'"),
        ({"ended": "2026-11-25T12:06:00+00:00"}, "in the future"),
        ({"began": "2026-11-25T08:11:00+01:00"}, "in the future"),
        ({"ended": "2026-11-24T11:59:59+00:00", "began": "2026-11-24T11:00:00+00:00"}, "too old"),
    ],
)
def test_each_thing_that_is_wrong_is_said(change: dict[str, Any], said: str) -> None:
    assert said in objection(dataclasses.replace(GOOD, **change), WANTED)


@pytest.mark.parametrize("took_ms", [99_999.0, float("nan"), float("inf"), -1.0])
def test_no_figure_may_be_above_its_limit_nor_the_limit_above_the_right_one(took_ms: float) -> None:
    for step in GOOD.steps:
        for at, (name, _, most_ms) in enumerate(step.figures):
            for limit_ms in (most_ms, 1e9):
                figures = [*step.figures]
                figures[at] = name, took_ms, limit_ms
                proving = dataclasses.replace(GOOD, steps=changed_step(step.name, figures=tuple(figures)))
                assert f"passed, and '{name}' took" in objection(proving, WANTED)


def test_a_figure_of_its_own_counts_by_its_own_limit() -> None:
    """A unit whose covers have second contacts has more of them than the least."""
    for took_ms, counts in ((199.0, True), (201.0, False)):
        more = (*next(step.figures for step in GOOD.steps if step.name == "open front"), ("contact", took_ms, 200.0))
        proving = dataclasses.replace(GOOD, steps=changed_step("open front", figures=more))
        assert (objection(proving, WANTED) == "") is counts


def test_no_step_may_be_without_a_figure_that_it_must_have() -> None:
    figured = {step.name for step in GOOD.steps if step.figures}
    live = {"live, and off again", "open front while live", "press the stop while live", "no heartbeat while live"}
    for step in GOOD.steps:
        on = {"both guard relays pull up", "ringing voltage is on the bus"} <= {name for name, _, _ in step.figures}
        assert on is (step.name in live | {"somebody there while live"})
    assert live | {"key off", "key on", "open back", "press the stop", "channel A alone", "smoke alarm"} <= figured
    for step in GOOD.steps:
        for at, (name, _, _) in enumerate(step.figures):
            short = step.figures[:at] + step.figures[at + 1 :]
            proving = dataclasses.replace(GOOD, steps=changed_step(step.name, figures=short))
            assert f"'{step.name}' has no figure for '{name}'" in objection(proving, WANTED)


def test_sources_that_are_not_those_of_their_number_are_an_objection() -> None:
    assert objection(GOOD, dataclasses.replace(WANTED, doubt="nobody can tell")) == "nobody can tell"


@settings(deadline=None)
@given(st.integers(-3 * 86400, 3 * 86400), st.integers(1, 2 * 86400), st.integers(-12, 12))
def test_exactly_those_no_older_than_the_age_and_not_from_the_future_count(ago_s: int, age_s: int, zone_h: int) -> None:
    """Law, whatever zone the time was written in."""
    at = (NOON - timedelta(seconds=ago_s)).astimezone(_zone(zone_h))
    began = at - timedelta(minutes=5)
    proving = dataclasses.replace(GOOD, began=began.isoformat(), ended=at.isoformat())
    wanted = dataclasses.replace(WANTED, age=timedelta(seconds=age_s))
    assert (objection(proving, wanted) == "") == (-AHEAD.total_seconds() <= ago_s <= age_s)


def _zone(hours: int) -> Any:
    return NOON.astimezone().tzinfo if hours == 0 else datetime.strptime(f"{hours:+03d}00", "%z").tzinfo


def test_no_step_but_an_optional_one_may_be_missing_whichever_it_is() -> None:
    optional = {"channel A alone", "channel B alone", "guard relay A alone", "guard relay B alone", *NIGHT_OPTIONAL}
    assert {*OPTIONAL, *NIGHT_OPTIONAL} == optional == {step.name for step in whole(COVERS, LIMITS) if step.optional}
    for index, step in enumerate(whole(COVERS, LIMITS)):
        for result in (SKIPPED, "failed", "not finished", "well"):
            steps = list(GOOD.steps)
            steps[index] = dataclasses.replace(steps[index], result=result)
            assert objection(dataclasses.replace(GOOD, steps=tuple(steps)), WANTED), (step.name, result)
    for name in optional:
        assert objection(dataclasses.replace(GOOD, steps=steps_without(name)), WANTED) == ""


@pytest.mark.parametrize("name", NIGHT_OPTIONAL)
def test_without_any_of_the_nights_steps_it_holds_for_the_day_only(name: str) -> None:
    day, night = WANTED, dataclasses.replace(WANTED, night=True)
    assert objection(GOOD, night) == ""
    short = dataclasses.replace(GOOD, steps=steps_without(name))
    assert objection(short, day) == ""
    told = "all of the night" if name == HEAD else name
    assert objection(short, night) == f"it holds for the day only: left out in it: {told}"
    # It is no 31 days' grace: a contact that nobody has worked lately is one that nobody notices at night.
    found, why = best([ended(0.2), ended(0.1, steps=steps_without(name))], night)
    assert found is None
    assert "for the day only" in why
    assert best([ended(0.2), ended(0.1, steps=steps_without(name))], day)[0] is not None


@pytest.mark.parametrize("bit", [1 << bit for bit in range(16) if NIGHT_EXERCISED >> bit & 1])
def test_an_input_of_the_night_that_never_moved_makes_it_one_for_the_day(bit: int) -> None:
    proving = dataclasses.replace(GOOD, exercised=GOOD.exercised & ~bit)
    assert objection(proving, WANTED) == ""
    assert "for the day only" in objection(proving, dataclasses.replace(WANTED, night=True))


def test_the_newest_of_this_board_and_unit_decides() -> None:
    """Law of the house: a guard that failed is not made good by having passed before."""
    found, why = best([ended(0.5), ended(0.1), ended(0.3)], WANTED)
    assert (found and found.proving, why) == (ended(0.1), "")
    assert found is not None
    assert found.until == NOON - timedelta(days=0.1) + DAY
    for change, says in (
        ({"verdict": "failed", "say": "the stop"}, "it failed: the stop"),
        ({"verdict": "not finished", "say": "stopped by the person"}, "was not finished: stopped"),
        ({"digest": "0badcafe"}, "limits have changed"),
    ):
        found, why = best([ended(0.5), ended(0.1, **change)], WANTED)
        assert found is None
        assert says in why
        assert ended(0.1).ended in why


def test_one_made_while_the_clock_was_wrong_does_not_shut_out_one_made_since() -> None:
    future = ended(-0.5, number=4)
    found, why = best([future], WANTED)
    assert found is None
    assert "dated in the future" in why
    assert future.ended in why
    assert "set the clock right; if it is right now, it was wrong then: move that file away" in why
    found, _ = best([future, ended(0.1, number=5)], WANTED)
    assert found is not None
    assert found.proving == ended(0.1, number=5)
    # It helps nobody either: what was made since decides.
    assert best([future, ended(0.1, number=5, verdict="failed", say="the stop")], WANTED)[0] is None
    assert best([future, ended(1.5, number=5)], WANTED)[0] is None
    # One that did not pass may have been the last, whatever its date says: a person must see to it.
    for verdict in ("failed", "not finished"):
        bad = dataclasses.replace(ended(-0.5, verdict=verdict), file="provings/bad.json")
        found, why = best([bad, ended(0.1, number=1)], WANTED)
        assert found is None
        assert "did not pass (provings/bad.json) may be the last" in why
        assert "move that file away" in why


@pytest.mark.parametrize("now", [NOON, NOON - timedelta(days=5), NOON + timedelta(days=5)])
def test_the_clock_set_back_makes_no_older_proving_count(now: datetime) -> None:
    """Law: what was kept later is dated ahead, so it is not known when the older one was; nor is it without numbers."""
    wanted = dataclasses.replace(WANTED, now=now)
    for first, second in ((1, 2), (7, 1000), (0, 0)):
        older, later = (
            dataclasses.replace(GOOD, began=at.isoformat(), ended=at.isoformat(), number=number, file=f"{number}.json")
            for at, number in ((now - timedelta(hours=4), first), (now + timedelta(days=7), second))
        )
        found, why = best([older, later], wanted)
        assert found is None
        assert f"kept later ({second}.json) may be the last: it is dated in the future" in why
    assert best([dataclasses.replace(later, number=6), dataclasses.replace(older, number=7)], wanted)[0] is not None


def test_what_others_did_neither_helps_nor_harms() -> None:
    assert best([], WANTED)[1] == "this board and unit have no proving on this computer"
    for other in ({"board": "ff"}, {"unit": "Elsewhere"}, {"simulated": True}):
        assert "no proving on this computer" in best([ended(0.1, **other)], WANTED)[1]
        for verdict in (PASSED, UNFINISHED, *((FAILED,) if "unit" not in other else ())):
            found, _ = best([GOOD, ended(0.1, **other, verdict=verdict)], WANTED)
            assert found is not None


@pytest.mark.parametrize("verdict", [FAILED, "splendid"])
@pytest.mark.parametrize("days_ago", [0.1, 30, -30])
def test_a_board_that_failed_since_under_another_units_name_has_failed(verdict: str, days_ago: float) -> None:
    """Whatever its date: the number says that it was kept later."""
    failed = ended(days_ago, number=5, unit="Elsewhere", verdict=verdict, say="the stop", file="5.json")
    found, why = best([ended(0.2, number=4), failed], WANTED)
    assert found is None
    assert why == "this board failed a later proving, as one of 'Elsewhere' (5.json): the stop"
    assert best([ended(0.2, number=6), failed], WANTED)[0] is not None  # what was kept after it counts


def test_a_newer_file_that_cannot_be_read_speaks_against_an_older_pass(tmp_path: Path) -> None:
    older, _, newer = (keep(ended(days), tmp_path) for days in (0.4, 0.2, 0.01))
    newer.unlink()
    older.write_text("torn")
    assert best(*_read(tmp_path))[0] is not None
    # Newer is what was kept later, though a clock that was set back gave it a name of long ago.
    torn = keep(ended(9000, verdict="failed"), tmp_path)
    torn.write_text(torn.read_text()[:500])
    found, why = best(*_read(tmp_path))
    assert found is None
    assert "may be newer" in why
    assert f"cannot be read: {torn}: it is torn" in why
    assert "move that file away" in why
    # What has no number in its name is older than what has one; what has no name of a proving may be anything.
    old = torn.rename(tmp_path / f"proving-20991123T100000Z-board-{GOOD.board}.json")
    assert best(*_read(tmp_path))[0] is not None
    odd = old.rename(tmp_path / f"a proving-board-{GOOD.board}.json")
    assert best(*_read(tmp_path))[0] is None
    odd.rename(tmp_path / "a proving-board-00000000000000ab.json")
    assert best(*_read(tmp_path))[0] is not None


def test_among_files_from_before_names_had_numbers_nobody_knows_which_torn_one_was_last(tmp_path: Path) -> None:
    (tmp_path / f"proving-20261125T070000Z-board-{GOOD.board}.json").write_text(text_of(GOOD))
    assert best(*_read(tmp_path))[0] is not None
    (tmp_path / f"proving-20001125T070000Z-board-{GOOD.board}.json").write_text("torn")
    assert best(*_read(tmp_path))[0] is None
    keep(ended(0.1), tmp_path)
    assert best(*_read(tmp_path))[0] is not None


def test_the_folders_own_name_does_not_hide_a_torn_file(tmp_path: Path) -> None:
    folder = tmp_path / "provings: ours"
    keep(GOOD, folder)
    keep(GOOD, folder).write_text("torn")
    assert best(*_read(folder))[0] is None


def test_a_name_that_says_another_number_is_not_believed(tmp_path: Path) -> None:
    """A failed one that was renamed must not pass for an old one."""
    keep(ended(0.3), tmp_path)
    keep(ended(0.2), tmp_path)
    failed = keep(ended(0.1, verdict="failed", say="the stop"), tmp_path)
    failed.rename(tmp_path / failed.name.replace("000003", "000001"))
    assert [path.name[8:14] for path in sorted(tmp_path.iterdir())] == ["000001", "000001", "000002"]
    found, why = best(*_read(tmp_path))
    assert found is None
    assert "its name says that it is number 1, it says itself 3" in why


def test_however_many_files_there_are_the_last_kept_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The last one failed, dated in the year 2000; the others, named by the old rule, are more than are looked at."""
    assert proof_store._MOST_FILES == 1000
    monkeypatch.setattr(proof_store, "_MOST_FILES", 50)
    for number in range(1, 52):
        old = ended(0.1 + 51 - number, number=number)
        (tmp_path / f"proving-{stamp_of(old.began)}-board-{old.board}.json").write_text(text_of(old))
    assert best(*_read(tmp_path))[0] is not None
    failed = ended(9400, verdict="failed", say="cover B did not open the chain")
    path = keep(failed, tmp_path)
    assert path.name.startswith("proving-000052-2001")
    found, why = best(*_read(tmp_path))
    assert found is None
    assert "it failed: cover B did not open the chain" in why
    odd = path.rename(tmp_path / "0.json")  # whatever it is called
    assert "it failed: cover B" in best(*_read(tmp_path))[1]
    odd.rename(path)
    path.write_text("torn")  # nor is its number given away again
    assert best(*_read(tmp_path))[0] is None
    assert keep(ended(0.05), tmp_path).name.startswith("proving-000053-")
    assert best(*_read(tmp_path))[0] is not None


def test_when_there_is_no_higher_number_a_proving_is_not_kept_with_another(tmp_path: Path) -> None:
    (tmp_path / f"proving-999999999-20261125T070000Z-board-{GOOD.board}.json").write_text("torn")
    with pytest.raises(InputError, match="has the number 999999999"):
        keep(GOOD, tmp_path)


def test_the_last_that_was_kept_decides_even_when_the_clock_was_set_back_before_it(tmp_path: Path) -> None:
    """Passed at ten; the clock fell back; failed at what it said was seven; the clock is right again at noon."""
    old = tmp_path / "proving-20261123T100000Z-board-00000000000000aa.json"
    text = text_of(ended(2))
    assert '"number": 0' in text
    old.write_text(text)
    passed = keep(ended(0.1), tmp_path)
    failed = keep(ended(0.2, verdict="failed", say="the stop"), tmp_path)
    assert [parse(path.read_text()).number for path in (passed, failed)] == [1, 2]
    found, why = best(*_read(tmp_path))
    assert found is None
    assert "it failed: the stop" in why
    keep(ended(0.15), tmp_path)
    found, _ = best(*_read(tmp_path))
    assert found is not None
    assert found.proving.number == 3


def test_a_record_from_before_there_were_numbers_is_read(tmp_path: Path) -> None:
    body = json.loads(text_of(GOOD))
    del body["number"]
    body["check"] = proof_store._check(body)
    assert parse(json.dumps(body)) == GOOD


def _read(folder: Path) -> tuple[list[Proving], Wanted, list[Unread]]:
    found, unread = read_all(folder)
    return found, WANTED, unread


def test_optional_steps_may_be_left_out_for_a_month_and_no_longer() -> None:
    short = steps_without("channel A alone", "guard relay B alone")
    found, why = best([ended(0.1, steps=short)], WANTED)
    assert found is None
    assert "'channel A alone', and that was never done" in why
    for days, counts in ((1, True), (31, True), (31.01, False)):
        found, why = best([ended(days), ended(0.1, steps=short)], WANTED)
        assert (found is not None) is counts, (days, why)
    assert "31 days at most" in why
    found, _ = best([ended(30.5), ended(0.1, steps=short)], WANTED)
    assert found is not None
    assert found.without == ("channel A alone", "guard relay B alone")
    assert found.until == NOON - timedelta(days=30.5) + timedelta(days=31)
    # Each by itself: the one in one proving, the other in another. A failed one, or another unit's, shows nothing.
    parts = [ended(20, steps=steps_without("channel A alone")), ended(10, steps=steps_without("guard relay B alone"))]
    assert best([*parts, ended(0.1, steps=short)], WANTED)[0] is not None
    for change in ({"verdict": "failed"}, {"unit": "Elsewhere"}, {"board": "ff"}, {"firmware": "0099"}):
        assert best([ended(3, **change), ended(0.1, steps=short)], WANTED)[0] is None


def test_ages_in_words() -> None:
    assert age_text(timedelta(minutes=5)) == "5 min"
    assert age_text(timedelta(hours=25)) == "25 h"
    assert age_text(timedelta(days=9)) == "9 days"


# -- and what is asked of it --------------------------------------------------------------------------------


class Board:
    """A client as far as readiness asks one."""

    def __init__(
        self, *, simulated: int = 0, state: int = 0, reason: int = 0, obstacle: int = 0, exercised: int = 0
    ) -> None:
        self.welcome = SimpleNamespace(simulated=simulated, firmware=FIRMWARE)
        self.port = SimpleNamespace(url="/dev/ttyACM0")
        told = {"board": 0xAA, "state": state, "reason": reason, "obstacle": obstacle, "exercised": exercised}
        self._safety = m.Safety(**{**dict.fromkeys(m.Safety._fields, 0), **told})

    def safety(self) -> Any:
        return self._safety

    def trips(self) -> list[m.Trip]:
        return []

    def limits_in_force(self) -> Any:
        return LIMITS


@pytest.fixture
def ready(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., bool]:
    monkeypatch.setattr(readiness, "doubt", lambda: "")  # whoever changes the firmware sees the house's test fail

    def go(board: Any, *, now: datetime = NOON, unit: str = "Mossbrook", age: timedelta | None = DAY) -> bool:
        described: Any = SimpleNamespace(
            name=unit, safety=SimpleNamespace(covers=COVERS, proving_age_us=DAY // timedelta(microseconds=1))
        )
        return check_ready(board, unit=described, age=age, folder=tmp_path, now=now)

    return go


def test_a_real_board_wants_its_dated_proving(ready: Callable[..., bool], tmp_path: Path) -> None:
    with pytest.raises(DemoError, match="no valid proving") as caught:
        ready(Board(exercised=31))
    assert int(caught.value.exit_code) == 2
    assert "safety prove --port /dev/ttyACM0" in caught.value.next_step
    keep(GOOD, tmp_path)
    assert ready(Board())
    for age in (None, DAY):
        with pytest.raises(DemoError, match="too old"):
            ready(Board(), now=NOON + DAY, age=age)
    assert ready(Board(), now=NOON + DAY, age=3 * DAY)
    with pytest.raises(DemoError, match="no valid proving"):
        ready(Board(), unit="Travelling")


def test_a_real_boards_number_says_nothing_once_the_sources_here_are_others(
    ready: Callable[..., bool], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for simulated in (False, True):
        keep(dataclasses.replace(GOOD, simulated=simulated), tmp_path)
    monkeypatch.setattr(readiness, "doubt", lambda: "the sources are others")
    with pytest.raises(DemoError, match="does not count: the sources are others"):
        ready(Board())
    assert ready(Board(simulated=2))  # a bench runs them as they are


def test_a_bench_that_proved_itself_wants_no_record_unless_it_has_booted_since(
    ready: Callable[..., bool], tmp_path: Path
) -> None:
    assert not ready(Board(simulated=1, exercised=31))
    with pytest.raises(DemoError, match="no proving on this computer"):
        ready(Board(simulated=1, exercised=30))
    keep(dataclasses.replace(GOOD, simulated=True), tmp_path)
    assert ready(Board(simulated=1, exercised=30))


def test_a_bench_that_nobody_has_proved_is_asked_as_a_real_board_is(ready: Callable[..., bool], tmp_path: Path) -> None:
    """Whatever was worked at it: that somebody turned a key and opened a cover is no proving."""
    with pytest.raises(DemoError, match="no valid proving"):
        ready(Board(simulated=2, exercised=31))
    keep(GOOD, tmp_path)  # of a real board with the same number
    with pytest.raises(DemoError, match="no valid proving"):
        ready(Board(simulated=2, exercised=31))
    keep(dataclasses.replace(GOOD, simulated=True), tmp_path)
    assert ready(Board(simulated=2, exercised=31))
    with pytest.raises(DemoError, match="no valid proving"):
        ready(Board(simulated=2, exercised=31), now=NOON + DAY)


def test_only_a_bench_of_this_process_is_ready_without_a_record() -> None:
    bench_ready(cast("Any", Board(simulated=1, exercised=31)), None)
    for board in (Board(exercised=31), Board(simulated=2, exercised=31), Board(simulated=1, exercised=15)):
        with pytest.raises(DemoError):
            bench_ready(cast("Any", board), None)


def test_a_tripped_guard_is_a_trip_and_what_is_in_the_way_is_said(ready: Callable[..., bool], tmp_path: Path) -> None:
    keep(GOOD, tmp_path)
    with pytest.raises(DemoError, match="tripped") as caught:
        ready(Board(state=m.G_TRIPPED, reason=m.R_SILENCE, obstacle=m.R_SILENCE))
    assert int(caught.value.exit_code) == 4
    assert "turn the key off and on" in caught.value.next_step
    for obstacle in (m.R_LOCKED, m.R_KEY, m.R_CHAIN, m.R_MIRROR, m.R_BUS, m.R_SUPPLY):
        with pytest.raises(DemoError, match="not allowed now") as caught:
            ready(Board(state=m.G_SAFE, obstacle=obstacle))
        assert int(caught.value.exit_code) == 2


@pytest.mark.parametrize("contact", [True, False])
def test_what_is_proven_on_the_bench_counts_and_has_a_figure_of_every_reaction(
    proven: Callable[..., tuple[Proving, DemoError | None]], hardware: Any, hands: Any, contact: bool
) -> None:
    """With the covers' second contacts wired and without: they bring figures of their own."""
    if not contact:
        hardware.set_input(m.IN_COVERS, False)
    proving, broken = proven()
    assert (broken, proving.verdict) == (None, PASSED), proving.say
    wanted = dataclasses.replace(
        WANTED,
        board=proving.board,
        digest=proving.digest,
        unit=proving.unit,
        firmware=proving.firmware,
        simulated=True,
        now=datetime.fromisoformat(proving.ended),
    )
    assert objection(parse(text_of(proving)), wanted) == ""
    assert ("for the day only" in objection(proving, dataclasses.replace(wanted, night=True))) is not contact
    own = {name for step in proving.steps for name, _, _ in step.figures}
    assert ("the covers' second contacts open" in own) is contact
    for step in proving.steps:
        for at in range(len(step.figures)):
            short = dataclasses.replace(step, figures=step.figures[:at] + step.figures[at + 1 :])
            steps = tuple(short if each is step else each for each in proving.steps)
            optional = "second contacts" in step.figures[at][0]
            assert bool(objection(dataclasses.replace(proving, steps=steps), wanted)) is not optional
