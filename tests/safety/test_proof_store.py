"""Records of provings: whole or none, never written over; and which of them counts."""

from __future__ import annotations

import dataclasses
import json
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.safety.proof_store import (
    AHEAD,
    Proving,
    StepResult,
    Wanted,
    age_text,
    best,
    default_folder,
    keep,
    objection,
    parse,
    prepare,
    read_all,
    text_of,
)
from demo_ctl.terms.errors import DemoError, InputError

NOON = datetime.fromisoformat("2026-11-25T12:00:00+00:00")
DAY = timedelta(hours=24)
GOOD = Proving(
    began="2026-11-25T08:00:00+01:00",
    ended="2026-11-25T08:10:00+01:00",
    board="00000000000000aa",
    simulated=False,
    firmware="1.0",
    port="/dev/ttyACM0",
    unit="Mossbrook",
    who="Ada",
    digest="0badcafe",
    limits={"heartbeat ms": 600},
    covers=("front", "back"),
    steps=(
        StepResult("key off", "Turn the key off.", "passed", "", (("both channels open", 3.0, 200.0),)),
        StepResult("channel A alone", "Open channel A alone.", "skipped"),
    ),
    exercised=31,
    verdict="passed",
    say="every reaction was as it must be",
)
WANTED = Wanted(board=GOOD.board, digest=GOOD.digest, unit=GOOD.unit, age=DAY, now=NOON)


def test_what_is_kept_is_read_back_whole(tmp_path: Path) -> None:
    folder = tmp_path / "new" / "folder"
    path = keep(GOOD, folder)
    assert parse(path.read_bytes()) == GOOD
    found, remarks = read_all(folder)
    assert (found, remarks) == ([GOOD], [])
    assert found[0].file == str(path)
    assert [each.name for each in folder.iterdir()] == [path.name]  # nothing is left beside it


def test_a_record_is_never_written_over(tmp_path: Path) -> None:
    paths = [keep(GOOD, tmp_path) for _ in range(3)]
    assert len(set(paths)) == 3
    assert len(read_all(tmp_path)[0]) == 3


def test_a_file_that_was_cut_anywhere_is_no_proving() -> None:
    text = text_of(GOOD)
    for length in range(len(text) - 1):  # without the last newline it is still whole
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
    from demo_ctl.safety import proof_store

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
        ({"digest": "0badcaff"}, "limits have changed"),
        ({"verdict": "failed"}, "failed"),
        ({"verdict": "not finished"}, "not finished"),
        ({"steps": ()}, "no steps"),
        ({"steps": (*GOOD.steps, StepResult("stop", "", "failed"))}, "own verdict"),
        ({"steps": (*GOOD.steps, StepResult("stop", "", "not finished"))}, "own verdict"),
        ({"ended": "2026-11-25T12:06:00+00:00"}, "in the future"),
        ({"began": "2026-11-25T08:11:00+01:00"}, "in the future"),
        ({"ended": "2026-11-24T11:59:59+00:00", "began": "2026-11-24T11:00:00+00:00"}, "too old"),
    ],
)
def test_each_thing_that_is_wrong_is_said(change: dict[str, Any], said: str) -> None:
    assert said in objection(dataclasses.replace(GOOD, **change), WANTED)


@settings(deadline=None)
@given(st.integers(-3 * 86400, 3 * 86400), st.integers(1, 2 * 86400), st.integers(-12, 12))
def test_exactly_those_no_older_than_the_age_and_not_from_the_future_count(ago_s: int, age_s: int, zone_h: int) -> None:
    """Law, whatever zone the time was written in."""
    ended = (NOON - timedelta(seconds=ago_s)).astimezone(_zone(zone_h))
    began = ended - timedelta(minutes=5)
    proving = dataclasses.replace(GOOD, began=began.isoformat(), ended=ended.isoformat())
    wanted = dataclasses.replace(WANTED, age=timedelta(seconds=age_s))
    assert (objection(proving, wanted) == "") == (-AHEAD.total_seconds() <= ago_s <= age_s)


def _zone(hours: int) -> Any:
    return NOON.astimezone().tzinfo if hours == 0 else datetime.strptime(f"{hours:+03d}00", "%z").tzinfo


def test_the_newest_that_counts_is_taken_and_else_the_newest_is_explained() -> None:
    old = dataclasses.replace(GOOD, ended="2026-11-25T06:00:00+00:00", began="2026-11-25T05:00:00+00:00", who="old")
    failed = dataclasses.replace(GOOD, ended="2026-11-25T11:00:00+00:00", verdict="failed", say="the stop")
    assert best([old, GOOD, failed], WANTED) == (GOOD, "")
    assert best([], WANTED)[1] == "this board and unit have no proving on this computer"
    other = dataclasses.replace(GOOD, board="ff")
    assert "no proving on this computer" in best([other], WANTED)[1]
    found, why = best([failed], WANTED)
    assert found is None
    assert "the stop" in why


def test_ages_in_words() -> None:
    assert age_text(timedelta(minutes=5)) == "5 min"
    assert age_text(timedelta(hours=25)) == "25 h"
    assert age_text(timedelta(days=9)) == "9 days"


# -- and what is asked of it --------------------------------------------------------------------------------


class Board:
    """A client as far as readiness asks one."""

    def __init__(self, *, simulated: int = 0, state: int = 0, reason: int = 0, obstacle: int = 0) -> None:
        from types import SimpleNamespace

        from demo_ctl.wire import messages as m

        self.welcome = SimpleNamespace(simulated=simulated)
        self.port = SimpleNamespace(url="/dev/ttyACM0")
        fields = dict.fromkeys(m.Safety._fields, 0)
        self._safety = m.Safety(**{**fields, "board": 0xAA, "state": state, "reason": reason, "obstacle": obstacle})

    def safety(self) -> Any:
        return self._safety

    def limits_in_force(self) -> Any:
        from demo_ctl.link.client import LimitsInForce

        return LimitsInForce({}, 0x0BADCAFE)


@pytest.fixture
def ready(tmp_path: Path) -> Callable[..., None]:
    from demo_ctl.safety.readiness import check_ready

    def go(board: Any, *, now: datetime = NOON, unit: str = "Mossbrook") -> None:
        check_ready(board, unit=unit, age=DAY, folder=tmp_path, now=now)

    return go


def test_a_real_board_wants_its_dated_proving(ready: Callable[..., None], tmp_path: Path) -> None:
    with pytest.raises(DemoError, match="no valid proving") as caught:
        ready(Board())
    assert int(caught.value.exit_code) == 2
    assert "safety prove --port /dev/ttyACM0" in caught.value.next_step
    keep(GOOD, tmp_path)
    ready(Board())
    with pytest.raises(DemoError, match="too old"):
        ready(Board(), now=NOON + DAY)
    with pytest.raises(DemoError, match="no valid proving"):
        ready(Board(), unit="Travelling")


def test_a_simulated_board_wants_its_guard_worked(ready: Callable[..., None]) -> None:
    with pytest.raises(DemoError, match=r"not proven.*mirror A") as caught:
        ready(Board(simulated=1))
    assert int(caught.value.exit_code) == 2


def test_a_tripped_guard_is_a_trip_and_what_is_in_the_way_is_said(ready: Callable[..., None], tmp_path: Path) -> None:
    from demo_ctl.wire import messages as m

    keep(GOOD, tmp_path)
    with pytest.raises(DemoError, match="tripped") as caught:
        ready(Board(state=m.G_TRIPPED, reason=m.R_SILENCE, obstacle=m.R_SILENCE))
    assert int(caught.value.exit_code) == 4
    assert "turn the key off and on" in caught.value.next_step
    for obstacle in (m.R_LOCKED, m.R_KEY, m.R_CHAIN, m.R_MIRROR, m.R_BUS, m.R_SUPPLY):
        with pytest.raises(DemoError, match="not allowed now") as caught:
            ready(Board(state=m.G_SAFE, obstacle=obstacle))
        assert int(caught.value.exit_code) == 2
