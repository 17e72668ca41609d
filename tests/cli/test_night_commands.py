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

from demo_ctl.wire import messages as m
from tests.cli import started

ROOT = Path(__file__).resolve().parents[2]
TRAVELLING = "configs/units/travelling.yaml"


@pytest.fixture
def demo(tmp_path: Path) -> Any:
    """Run a command with its provings in a folder of its own."""

    def go(*words: str) -> subprocess.CompletedProcess[str]:
        more = ("--unit", TRAVELLING, "--proving-dir", str(tmp_path / "p"))
        return started.demo(*words, *more, env={"COLUMNS": "300"})

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
    assert still.returncode == 4
    assert "Not recorded as seen to: the fuse alarm still reads ALARM" in " ".join(still.stdout.split())
    assert demo("safety", "permit", "--port", url, "--for", "1 s").returncode == 4
    cleared = demo("safety", "permit", "--port", url, "--for", "1 s", "--alarm-cleared", "--who", "Bo")
    assert cleared.returncode == 0, cleared.stdout
    assert "Recorded as seen to by Bo: fuse alarm, 20" in " ".join(cleared.stdout.split())
    rows = [json.loads(line) for line in (tmp_path / "p" / "permits.jsonl").read_text().splitlines()]
    events = ["given", "ended", "given", "lost", "alarm cleared", "given", "ended"]
    assert [row["event"] for row in rows] == events
    assert {row["who"] for row in rows if row["event"] == "alarm cleared"} == {"Bo"}


@pytest.mark.parametrize(
    ("url", "code", "said"),
    [
        ("bench://", 2, "On this bench: --port 'bench://?key=night'"),
        ("bench://", 2, "by day the key itself holds the unit's supply. For a night"),
        ("bench://?key=off", 2, "the key is off. Turn the key to night"),
        ("bench://?key=night&guard=locked", 2, "no valid proving for the night"),
        ("bench://?key=night&hands=0 s:smoke alarm", 4, "the smoke contact opened"),
        ("bench://?key=night&hands=2 s:key day", 3, "Before anything rings by day: turn the key off, then to day."),
        ("bench://?key=night&hands=2 s:key off", 3, "The key is off"),
        ("bench://?key=night&hands=0 s:stop press&hands=2 s:key off", 3, "Nothing may ring now: the safety chain is"),
        ("bench://?key=night&hands=2 s:break cable-cut", 3, "runs out by itself within 4 s"),
        ("bench://?key=night&hands=2 s:break board-dead", 3, "runs out by itself within 4 s"),
    ],
)
def test_what_ends_or_forbids_a_permit_is_said_with_its_exit_code(demo: Any, url: str, code: int, said: str) -> None:
    run = demo("safety", "permit", "--port", url, "--for", "30 s")
    assert run.returncode == code, run.stdout + run.stderr
    assert said in " ".join(run.stdout.split())
    assert run.stdout.startswith("On the bench (simulated board and unit)")


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
    assert "At night it allows less than by day" in run.stderr


@pytest.mark.parametrize("hands", ["12 s:smoke alarm", "3 s:release alarm"])
def test_an_alarm_in_a_call_ends_it_with_four(demo: Any, one_ring: str, hands: str) -> None:
    run = demo("call", one_ring, "--port", f"bench://?key=night&hands={hands}", "--json")
    assert run.returncode == 4
    assert "the unit's supply was taken off" in run.stderr
    result = json.loads(run.stdout)
    assert (result["status"], result["released"]) == ("tripped", True)


def test_an_alarm_of_a_call_is_remembered_and_one_of_a_permit_stops_a_call(
    demo: Any, one_ring: str, tmp_path: Path
) -> None:
    """Whoever held the supply when it came: both refuse it until a person has said that it was seen to."""
    night, book = "bench://?key=night", tmp_path / "p" / "permits.jsonl"
    for holds in (("call", one_ring, "--fast"), ("safety", "permit", "--for", "30 s")):
        alarmed = demo(*holds, "--port", f"{night}&hands=12 s:smoke alarm")
        assert alarmed.returncode == 4
        assert f"his alarm is remembered in {book}" in " ".join((alarmed.stdout + alarmed.stderr).split())
        kept = book.read_text()
        for refused in (("call", "configs/calls/busy.yaml"), ("safety", "permit")):
            run = demo(*refused, "--port", night)
            assert run.returncode == 4, refused
            assert "nobody has acknowledged yet: smoke, 20" in " ".join((run.stdout + run.stderr).split())
            assert "lifts" not in run.stdout
        assert book.read_text() == kept  # who is refused has asked for nothing
        cleared = demo("safety", "permit", "--port", night, "--for", "1 s", "--alarm-cleared")
        assert "Recorded as seen to: smoke, 20" in " ".join(cleared.stdout.split())
    assert demo("call", one_ring, "--fast", "--port", night).returncode == 0
    rows = [json.loads(line) for line in book.read_text().splitlines()]
    one = [("given", ""), ("lost", "smoke"), ("alarm cleared", "smoke"), ("given", ""), ("ended", "")]
    assert [(row["event"], row["reason"]) for row in rows] == [*one * 2, ("given", ""), ("ended", "")]


def test_the_record_of_an_alarm_says_when_what_was_seen_and_what_to_do(
    demo: Any, one_ring: str, tmp_path: Path
) -> None:
    record, port = str(tmp_path / "r.jsonl"), "bench://?key=night&hands=12 s:smoke alarm"
    run = demo("call", one_ring, "--fast", "--port", port, "--record", record)
    assert run.stderr.count("the unit's supply was taken off") == 1
    for said in (run.stdout, _record(record)):
        for words in (
            "An alarm took the unit's supply, and ended the call, on the bench",
            "12.05 s after the call began the unit's supply was taken off: the smoke contact opened.",
            "smoke contact ALARM",
            "Look at the unit, from outside. Look after people first",
        ):
            assert words in said
        assert "safety guard tripped" not in said
    taken = json.loads(_record(record, "--json"))["supply_taken"]
    assert (taken["reason"], taken["inputs"]["smoke contact"]) == ("smoke", False)
    assert 12_000_000 < taken["at_us"] < 12_200_000
    refused = str(tmp_path / "refused.jsonl")
    assert demo("call", one_ring, "--port", "bench://?key=night", "--record", refused).returncode == 4
    said = _record(refused)
    assert "The call was not begun, on the bench" in said
    assert "NOT BEGUN: " in said


def _record(path: str, *more: str) -> str:
    """Read a record as a person does; it always ends as its call did."""
    code, said = _plain("record", path, *more)
    assert code == 4
    return said


def _plain(*words: str) -> tuple[int, str]:
    """Run a command with its own unit; return its exit code, and all it said."""
    run = started.demo(*words, env={"COLUMNS": "300"}, together=True)
    return run.returncode, run.stdout


def test_a_call_that_does_not_ring_says_what_an_open_chain_leaves_on(demo: Any) -> None:
    for key in ("day", "night"):
        run = demo("call", "configs/calls/busy.yaml", "--fast", "--port", f"bench://?key={key}&hands=0 s:stop press")
        assert run.returncode == 0
        assert "the chain takes ringing, not the switches' battery" in run.stderr
    assert "chain" not in demo("call", "configs/calls/busy.yaml", "--fast").stderr


@pytest.mark.parametrize("call", ["answered", "no-answer", "called-clears-first"])
def test_which_calls_that_come_with_it_a_night_allows(tmp_path: Path, call: str) -> None:
    """README says which, and why not the others: of the seven-digit unit."""
    words = ("call", f"configs/calls/{call}.yaml", "--fast", "--port", "bench://?key=night")
    code, said = _plain(*words, "--proving-dir", str(tmp_path))
    assert code == (0 if call == "called-clears-first" else 2)
    assert ("this board allows 30 s at most" in said) is (code == 2)


def test_shows_take_no_supply_at_night(tmp_path: Path) -> None:
    """They run by day, as exhibits do: no alarm can take from them what they never held."""
    words = ("show", "configs/shows/first-visit.yaml", "--fast", "--port", "bench://?key=night")
    code, said = _plain(*words, "--proving-dir", str(tmp_path))
    assert code == 2
    assert "Turn the key off, and then to day: shows and exhibits run by day." in said
    assert not list(tmp_path.iterdir())


def test_a_switch_that_is_not_home_takes_the_supply_and_is_named(demo: Any) -> None:
    run = demo(
        "call", "configs/calls/abandoned.yaml", "--port", "bench://?key=night", "--fault", "sticking-shaft@finders"
    )
    assert run.returncode == 4
    assert "port 1" in run.stderr
    assert "Bring the switch home by hand" in run.stderr
    assert "Not at rest then: the line of caller (counter)." in run.stdout


@pytest.mark.parametrize("hands", ["soon:key off", "1 s:dance", "1 s:break nothing", "1 s"])
def test_hands_that_can_do_no_such_thing_are_refused(demo: Any, hands: str) -> None:
    run = demo("call", "configs/calls/busy.yaml", "--port", f"bench://?hands={hands}")
    assert run.returncode == 2
    assert "the bench's option hands" in run.stderr


@pytest.mark.realtime
def test_an_alarm_of_a_call_is_remembered_by_a_bench_that_is_served_when_its_board_has_forgotten_it(
    demo: Any, one_ring: str, tmp_path: Path
) -> None:
    """One unit all along, as a real one: the smoke goes, the key is turned, and nobody has said that it was seen to."""
    bench = subprocess.Popen(
        [sys.executable, "-m", "demo_ctl", "bench", "--pty", "--unit", TRAVELLING],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert bench.stdin is not None
    assert bench.stdout is not None

    def hands(do: str, done: str) -> None:
        assert bench.stdin is not None
        assert bench.stdout is not None
        bench.stdin.write(do + "\n")
        bench.stdin.flush()
        while done not in bench.stdout.readline():
            assert bench.poll() is None

    try:
        path = bench.stdout.readline().partition(" at ")[2].partition(". ")[0]
        hands("key off", "key is off")
        hands("key night", "key is at night")
        call = [sys.executable, "-m", "demo_ctl", "call", one_ring, "--port", path, "--unit", TRAVELLING]
        with subprocess.Popen(
            [*call, "--proving-dir", str(tmp_path / "p")], stdout=subprocess.PIPE, text=True, cwd=ROOT
        ) as running:
            assert running.stdout is not None
            while "lifts" not in running.stdout.readline():
                assert running.poll() is None
            hands("smoke alarm", "contact is open")
            assert "An alarm took the unit's supply" in running.stdout.read()
        assert running.returncode == 4
        hands("smoke clear", "closed again")
        hands("key off", "key is off")
        while json.loads(demo("safety", "--port", path, "--json").stdout)["state"] != m.GUARD_STATES[m.G_KEY_OFF]:
            pass
        hands("key night", "at night")
        refused = demo("safety", "permit", "--port", path, "--for", "1 s")
        assert (refused.returncode, "nobody has acknowledged yet: smoke" in refused.stdout) == (4, True)
        assert demo("call", one_ring, "--port", path).returncode == 4
        cleared = demo("safety", "permit", "--port", path, "--for", "1 s", "--alarm-cleared")
        assert (cleared.returncode, "Recorded as seen to: smoke" in cleared.stdout) == (0, True), cleared.stdout
    finally:
        bench.terminate()
        bench.wait()
        bench.stdin.close()
        bench.stdout.close()
