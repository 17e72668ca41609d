"""`demo_ctl safety permit` and calls at night on a bench of the command's own: its key and hands by its URL."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
TRAVELLING = "configs/units/travelling.yaml"


@pytest.fixture
def demo(tmp_path: Path) -> Any:
    """Run a command with its provings in a folder of its own."""

    def go(*words: str) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "demo_ctl", *words, "--unit", TRAVELLING, "--proving-dir", str(tmp_path / "p")]
        env = {**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "300"}
        run = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, env=env, stdin=subprocess.DEVNULL)
        assert "Traceback" not in run.stderr + run.stdout, run.stderr
        return run

    return go


@pytest.fixture
def one_ring(tmp_path: Path) -> str:
    """A call that rings no longer than a night allows."""
    text = (ROOT / "configs/calls/answered.yaml").read_text().replace("after: 2 rings", "after: 1 rings")
    (tmp_path / "one.yaml").write_text(text)
    return str(tmp_path / "one.yaml")


@pytest.mark.parametrize("board", ["python", "micropython"])
def test_a_permit_for_hours_then_an_alarm_told_to_people_and_programs(demo: Any, tmp_path: Path, board: str) -> None:
    """The same story with real MicroPython, in lockstep."""
    url = f"bench://?key=night&board={board}"
    run = demo("safety", "permit", "--port", url, "--for", "20 s", "--json")
    assert run.returncode == 0, run.stderr
    events = [json.loads(line) for line in run.stdout.splitlines()]
    assert [each["event"] for each in events] == ["given", "stands", "ended"]
    assert 18 <= events[-1]["renewed"] <= 22
    assert "smoke detection" in run.stderr
    run = demo("safety", "permit", "--port", f"{url}&hands=4 s:fuse alarm&hands=2 s:somebody there", "--json")
    assert run.returncode == 4
    events = [json.loads(line) for line in run.stdout.splitlines()]
    assert [each["event"] for each in events] == ["given", "stands", "input", "input", "lost", "ended"]
    assert events[2]["say"] == "presence detector: somebody there"
    assert events[4]["reason"] == "fuse alarm"
    assert "Find why it blew" in events[4]["what_to_do"]
    again = demo("safety", "permit", "--port", url, "--for", "1 s")
    assert again.returncode == 4
    assert "fuse alarm, 20" in " ".join(again.stdout.split())
    shown = json.loads(demo("safety", "--port", url, "--json").stdout)
    assert shown["alarm_not_acknowledged"].startswith("fuse alarm, 20")
    assert "AN ALARM HAS TAKEN THE UNIT'S SUPPLY" in demo("safety", "--port", url).stdout
    still = demo("safety", "permit", "--port", f"{url}&hands=0 s:fuse alarm", "--alarm-cleared", "--who", "Bo")
    assert still.returncode == 4  # said to be seen to, and it is there
    assert demo("safety", "permit", "--port", url, "--for", "1 s").returncode == 4
    cleared = demo("safety", "permit", "--port", url, "--for", "1 s", "--alarm-cleared", "--who", "Bo")
    assert cleared.returncode == 0, cleared.stdout
    assert "Recorded as seen to by Bo: fuse alarm, 20" in " ".join(cleared.stdout.split())
    rows = [json.loads(line) for line in (tmp_path / "p" / "permits.jsonl").read_text().splitlines()]
    events = ["given", "ended", "given", "lost", "alarm cleared", "given", "refused", "alarm cleared", "given", "ended"]
    assert [row["event"] for row in rows] == events
    assert {row["who"] for row in rows if row["event"] == "alarm cleared"} == {"Bo"}


@pytest.mark.parametrize(
    ("url", "code", "said"),
    [
        ("bench://", 2, "On this bench: --port 'bench://?key=night'"),
        ("bench://?key=off", 2, "the key does not stand at night"),
        ("bench://?key=night&guard=locked", 2, "no valid proving for the night"),
        ("bench://?key=night&hands=0 s:smoke alarm", 4, "the smoke contact opened"),
        ("bench://?key=night&hands=2 s:key day", 130, "no longer stands at night"),
        ("bench://?key=night&hands=2 s:break cable-cut", 3, "runs out by itself within 4 s"),
        ("bench://?key=night&hands=2 s:break board-dead", 3, "runs out by itself within 4 s"),
    ],
)
def test_what_ends_or_forbids_a_permit_is_said_with_its_exit_code(demo: Any, url: str, code: int, said: str) -> None:
    run = demo("safety", "permit", "--port", url, "--for", "30 s")
    assert run.returncode == code, run.stdout + run.stderr
    assert said in " ".join(run.stdout.split())


@pytest.mark.parametrize("option", [("--for", "soon"), ("--for", "0 s"), ("--proving-age", "-1 h")])
def test_a_time_that_is_none_is_bad_input(demo: Any, option: tuple[str, str]) -> None:
    run = demo("safety", "permit", "--port", "bench://?key=night", f"{option[0]}={option[1]}")
    assert run.returncode == 2
    assert option[0] in run.stderr


def test_a_place_where_nothing_can_be_kept_is_found_before_anything_is_asked_for(demo: Any, tmp_path: Path) -> None:
    (tmp_path / "p").write_text("")
    run = demo("safety", "permit", "--port", "bench://?key=night", "--for", "1 s")
    assert run.returncode == 2
    assert "cannot be kept here" in run.stderr


def test_a_pipe_in_place_of_the_book_is_refused_and_holds_nobody_up(demo: Any, tmp_path: Path) -> None:
    (tmp_path / "p").mkdir()
    os.mkfifo(tmp_path / "p" / "permits.jsonl")
    run = demo("safety", "permit", "--port", "bench://?key=night", "--for", "1 s")
    assert run.returncode == 2
    assert "no regular file" in " ".join(run.stdout.split())


def test_an_alarm_is_kept_though_the_terminal_stands_still_and_takes_no_word(tmp_path: Path) -> None:
    """A pipe that is full, and that nobody reads."""
    ours, theirs = os.pipe()
    os.set_blocking(theirs, False)
    with suppress(BlockingIOError):
        while True:
            os.write(theirs, b"x" * 4096)
    os.set_blocking(theirs, True)
    words = ("safety", "permit", "--port", "bench://?key=night&hands=2 s:smoke alarm", "--unit", TRAVELLING)
    command = [sys.executable, "-m", "demo_ctl", *words, "--proving-dir", str(tmp_path)]
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    try:
        run = subprocess.run(
            command, stdout=theirs, stderr=theirs, stdin=subprocess.DEVNULL, cwd=ROOT, env=env, timeout=30
        )
    finally:
        os.close(ours)
        os.close(theirs)
    assert run.returncode == 4
    rows = [json.loads(line) for line in (tmp_path / "permits.jsonl").read_text().splitlines()]
    assert [(row["event"], row["reason"]) for row in rows] == [("given", ""), ("lost", "smoke")]


def test_no_call_gets_the_supply_without_a_proving_of_the_night(demo: Any) -> None:
    """Not even one that does not ring: it would run with nobody there."""
    run = demo("call", "configs/calls/busy.yaml", "--fast", "--port", "bench://?key=night&guard=locked")
    assert run.returncode == 2
    assert "running with nobody there wants a proven guard" in run.stderr


def test_a_call_rings_at_night_and_one_that_does_not_runs_too(demo: Any, one_ring: str) -> None:
    for call in (one_ring, "configs/calls/busy.yaml"):
        run = demo("call", call, "--port", "bench://?key=night", "--json")
        assert run.returncode == 0, run.stderr
        assert json.loads(run.stdout)["status"] == "finished"


@pytest.mark.parametrize(
    ("hands", "code", "said"),
    [
        ("0 s:somebody there", 2, "somebody is near the unit"),
        ("0 s:cover open", 2, "the safety chain opened"),
        ("0 s:break covers-wire-broken", 2, "the covers are not proven closed"),
        ("0 s:smoke alarm", 4, "the smoke contact opened"),
        ("0 s:supervisory alarm", 4, "the supervisory alarm came in"),
    ],
)
def test_what_the_board_would_refuse_at_night_is_refused_before_and_in_words(
    demo: Any, one_ring: str, hands: str, code: int, said: str
) -> None:
    run = demo("call", one_ring, "--port", f"bench://?key=night&hands={hands}")
    assert run.returncode == code
    assert said in run.stderr
    assert "guard=locked" not in run.stderr
    assert "lifts" not in run.stdout


def test_more_ringing_than_a_night_allows_is_refused_before(demo: Any, one_ring: str) -> None:
    Path(one_ring).write_text(Path(one_ring).read_text().replace("after: 1 rings", "after: 5 rings"))
    run = demo("call", one_ring, "--port", "bench://?key=night")
    assert run.returncode == 2
    assert "at night the board allows less than by day" in run.stderr


@pytest.mark.parametrize("hands", ["12 s:smoke alarm", "3 s:release alarm"])
def test_an_alarm_in_a_call_ends_it_with_four(demo: Any, one_ring: str, hands: str) -> None:
    run = demo("call", one_ring, "--port", f"bench://?key=night&hands={hands}", "--json")
    assert run.returncode == 4
    assert "the unit's supply was taken off" in run.stderr
    result = json.loads(run.stdout)
    assert (result["status"], result["released"]) == ("tripped", True)


def test_a_switch_that_is_not_home_takes_the_supply_and_is_named(demo: Any) -> None:
    run = demo(
        "call", "configs/calls/abandoned.yaml", "--port", "bench://?key=night", "--fault", "sticking-shaft@finders"
    )
    assert run.returncode == 4
    assert "port 1" in run.stderr
    assert "Bring the switch home by hand" in run.stderr


@pytest.mark.parametrize("hands", ["soon:key off", "1 s:dance", "1 s:break nothing", "1 s"])
def test_hands_that_can_do_no_such_thing_are_refused(demo: Any, hands: str) -> None:
    run = demo("call", "configs/calls/busy.yaml", "--port", f"bench://?hands={hands}")
    assert run.returncode == 2
    assert "the bench's option hands" in run.stderr
