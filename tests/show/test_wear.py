"""Wear: what a call takes at most, what it really took, and counters that survive kill -9 and power cuts anywhere."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.office.load import load_unit
from demo_ctl.plan.build import build
from demo_ctl.script.exhibit import WearLimits
from demo_ctl.script.load import load_call
from demo_ctl.show import wear
from demo_ctl.show.wear import Counters
from demo_ctl.show.wear_store import WearStore, default_folder, file_stem, parse, text_of
from demo_ctl.terms.errors import InputError

CONFIGS = Path(__file__).parents[2] / "configs"
SCRIPTS = sorted(path.stem for path in (CONFIGS / "calls").glob("*.yaml"))
DAY = date(2026, 8, 3)
AT = datetime(2026, 8, 3, 10, 0, tzinfo=UTC)


@pytest.mark.parametrize("script", SCRIPTS)
@pytest.mark.parametrize("unit", ["travelling", "mossbrook"])
def test_a_call_never_takes_more_than_was_counted_before_it(
    script: str, unit: str, bench_call: Callable[..., Any]
) -> None:
    call = bench_call(script, unit)
    most = wear.planned(call.plan, call.unit)
    told = wear.worked(call.happenings(), call.unit)
    true = wear.worked(call.happenings(truth=True), call.unit)
    assert set(told) == set(most)
    for name, count in most.items():
        assert true[name] <= told[name] <= count
    assert sum(told.values()) > 0


def test_the_figures_of_one_call_reckoned_by_hand() -> None:
    unit = load_unit(CONFIGS / "units" / "travelling.yaml").value
    plan = build(load_call(CONFIGS / "calls" / "answered.yaml"), unit)
    most = wear.planned(plan, unit)
    # Two lifts: the caller's, and the answer, which later becomes a call of its own.
    assert most["line finder"] == 2 * 21
    selectors = {stage.name for stage in unit.selectors}
    for name, count in most.items():
        if name in selectors:
            # Up, round, release; perhaps a digit absorbed before; and two each time a handset may go down.
            assert 12 < count <= 10 + 11 + 1 + 10 + 1 + 2 * 4


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 99), st.integers(0, 99)), max_size=30))
@settings(deadline=None)
def test_counters_are_sums_and_a_day_begins_anew_only_forward(calls: list[tuple[int, int, int]]) -> None:
    counters, total, today, day = Counters(), 0, 0, DAY
    for ahead, planned, really in calls:
        really = min(planned, really)
        day += timedelta(days=ahead)
        if ahead:
            today = 0
        counters = wear.counted(counters, {"A": planned}, day, AT)
        assert counters.sum_today == today + planned
        counters = wear.settled(counters, {"A": planned}, {"A": really})
        total, today = total + really, today + really
        assert (counters.sum_in_all, counters.sum_today) == (total, today)
        assert parse(text_of(counters)) == counters
    back = wear.counted(counters, {"A": 5}, DAY - timedelta(days=9), AT)
    assert back.day == counters.day or counters.day == date.min


def test_a_clock_that_was_set_back_places_no_calls_until_it_is_forgiven() -> None:
    counters = wear.counted(Counters(), {"A": 5}, DAY, AT)
    limits = WearLimits()
    assert wear.refusal(counters, limits, {"A": 1}, DAY, AT - timedelta(minutes=4)) == ""
    assert "clock is wrong" in wear.refusal(counters, limits, {"A": 1}, DAY, AT - timedelta(minutes=6))
    assert "clock is wrong" in wear.refusal(counters, limits, {"A": 1}, DAY - timedelta(days=1), AT)
    now = wear.forgiven(counters, DAY - timedelta(days=1), AT - timedelta(days=1))
    assert wear.refusal(now, limits, {"A": 1}, DAY - timedelta(days=1), AT - timedelta(days=1)) == ""
    assert now.sum_today == 5


# -- on the disk ------------------------------------------------------------------------------------------------


class Cut(Exception):
    """The power fails here."""


STEPS = ("write", "half", "whole", "sync", "before", "rename", "folder", "done")


@settings(deadline=None, max_examples=60)
@given(st.lists(st.tuples(st.integers(1, 50), st.sampled_from(("", *STEPS))), min_size=1, max_size=12))
def test_a_power_cut_at_any_step_loses_no_more_than_the_running_call(
    tmp_path_factory: pytest.TempPathFactory, calls: list[tuple[int, str]]
) -> None:
    folder = tmp_path_factory.mktemp("wear")
    least = 0  # what was kept for sure
    for cost, cut in calls:

        def step(what: str, cut: str = cut) -> None:
            if what == cut:
                raise Cut

        store = WearStore(folder, "unit", step=step)
        assert store.counters.sum_in_all >= least
        found = store.counters.sum_in_all
        wanted = wear.counted(store.counters, {"A": cost}, DAY, AT)
        try:
            store.keep(wanted)
            least = wanted.sum_in_all
        except Cut:
            least = wanted.sum_in_all if cut in ("folder", "done") else found
        finally:
            store.close()
        again = WearStore(folder, "unit")
        assert again.counters.sum_in_all in (found, wanted.sum_in_all)
        again.close()


@pytest.mark.parametrize("damage", [b"", b"{", b'{"format": "demo_ctl wear 1"}', b"\x00" * 300, b"x" * 70_000])
def test_a_damaged_file_is_never_taken_for_nothing_counted(tmp_path: Path, damage: bytes) -> None:
    store = WearStore(tmp_path, "unit")
    first = wear.counted(store.counters, {"A": 7}, DAY, AT)
    second = wear.counted(first, {"A": 5}, DAY, AT)
    store.keep(first)
    store.keep(second)
    store.close()
    store.path.write_bytes(damage)
    again = WearStore(tmp_path, "unit")
    assert again.counters == first  # the one before it
    # The damaged file does not take the good one's place when the next is kept, even if that is cut short.
    steps: list[str] = []
    again._step = steps.append
    again.keep(wear.counted(again.counters, {"A": 1}, DAY, AT))
    assert "before" not in steps
    again.close()
    store.path.write_bytes(damage)
    store.before.write_bytes(damage)
    with pytest.raises(InputError, match="cannot be read"):
        WearStore(tmp_path, "unit")
    store.path.unlink()
    with pytest.raises(InputError, match="cannot be read"):
        WearStore(tmp_path, "unit")


def test_one_bit_anywhere_is_noticed() -> None:
    text = text_of(wear.counted(Counters(), {"line finder": 31}, DAY, AT))
    body = json.loads(text)
    body["in_all"]["line finder"] = 30
    with pytest.raises(ValueError, match="check does not fit"):
        parse(json.dumps(body))
    for place in range(len(text)):
        changed = text[:place] + chr(ord(text[place]) ^ 1) + text[place + 1 :]
        try:
            assert parse(changed) == parse(text)  # a space that became another
        except ValueError:
            continue


def test_only_one_program_counts(tmp_path: Path) -> None:
    store = WearStore(tmp_path, "unit")
    with pytest.raises(InputError, match="another program counts"):
        WearStore(tmp_path, "unit")
    store.close()
    WearStore(tmp_path, "unit").close()


def test_a_folder_that_cannot_be_written_is_told(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(InputError, match="cannot be counted here"):
        WearStore(tmp_path / "file" / "deeper", "unit")
    store = WearStore(tmp_path / "gone", "unit")
    for path in (tmp_path / "gone").iterdir():
        path.unlink()
    (tmp_path / "gone").rmdir()
    with pytest.raises(InputError, match="cannot be counted here"):
        store.keep(wear.counted(Counters(), {"A": 1}, DAY, AT))
    store.close()


def test_the_bench_s_counters_are_not_the_unit_s(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    assert file_stem("Mossbrook seven-digit unit", simulated=True) != file_stem(
        "Mossbrook seven-digit unit", simulated=False
    )
    assert file_stem("Ä", simulated=False) != file_stem("Ö", simulated=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    assert default_folder() == tmp_path / "demo_ctl" / "wear"


KILLED = """
import sys
from datetime import UTC, date, datetime
from pathlib import Path
from demo_ctl.show import wear
from demo_ctl.show.wear_store import WearStore
store = WearStore(Path(sys.argv[1]), "unit")
while True:
    store.keep(wear.counted(store.counters, {"A": 1}, date(2026, 8, 3), datetime(2026, 8, 3, tzinfo=UTC)))
    print(store.counters.sum_in_all, flush=True)
"""


@pytest.mark.parametrize("lines", [1, 7, 40])
def test_kill_minus_nine_loses_nothing_that_was_told(tmp_path: Path, lines: int) -> None:
    with subprocess.Popen([sys.executable, "-c", KILLED, str(tmp_path)], stdout=subprocess.PIPE, text=True) as running:
        assert running.stdout is not None
        told = 0
        for _ in range(lines):
            told = int(running.stdout.readline())
        os.kill(running.pid, signal.SIGKILL)
        rest = [int(line) for line in running.stdout.read().split("\n")[:-1]]
        told = max([told, *rest])
    store = WearStore(tmp_path, "unit")  # and the lock went with it
    assert told <= store.counters.sum_in_all <= told + 1
    store.close()
