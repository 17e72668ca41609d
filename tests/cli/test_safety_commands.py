"""`demo_ctl safety` and calls that ring, as a person uses them: real processes, exit codes, what is said."""

from __future__ import annotations

import fcntl
import json
import os
import pty
import re
import signal
import struct
import subprocess
import sys
import termios
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from demo_ctl.office.load import load_unit
from tests.cli.started import demo

ROOT = Path(__file__).resolve().parents[2]
ANSWERED = "configs/calls/answered.yaml"
TRAVELLING = "configs/units/travelling.yaml"
LOCKED = "bench://?guard=locked"
GIVE_UP_S = 90  # nothing is asserted about it: a hung test should end


def _environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": "1"}


def _run(*words: str, typed: str | None = None) -> subprocess.CompletedProcess[str]:
    return demo(*words, typed=typed)


def test_how_the_guard_stands_in_words_and_for_programs() -> None:
    run = _run("safety", "--port", "bench://")
    assert run.returncode == 0, run.stderr
    for words in (
        "nothing is in the way",
        "Proven: a simulated person",
        "ringing generator",
        "safety chain, channel A  closed",
        "none since",
    ):
        assert words in run.stdout
    run = _run("safety", "--port", LOCKED, "--json")
    assert run.returncode == 0
    found = json.loads(run.stdout)
    assert (found["state"], found["obstacle"]) == ("locked", "locked since the board started")
    assert "turn the key off and on" in found["what_to_do"]
    assert found["inputs"]["key"] is True
    assert found["simulated"] is True
    assert found["trips"] == []


@pytest.mark.parametrize("words", [("show", "--port", "bench://"), ("--port", "bench://", "show")])
def test_options_stand_before_the_action_or_after_it(words: tuple[str, ...]) -> None:
    run = _run("safety", *words, "--json")
    assert run.returncode == 0, run.stderr
    assert "No board is plugged in" not in run.stderr
    assert json.loads(run.stdout)["state"] == "safe"


def test_limits_are_shown_with_their_digest_and_tightened_only() -> None:
    before = json.loads(_run("safety", "limits", "--port", "bench://", "--json").stdout)
    run = _run("safety", "limits", "--port", "bench://", "--tighten", "window_ms=30000", "--json")
    after = json.loads(run.stdout)
    assert after["values"] == {**before["values"], "window ms": 30000}
    assert after["digest"] != before["digest"]
    assert "is lost with it" in run.stderr  # this bench has ended
    assert "lost" not in _run("safety", "limits", "--port", "bench://").stderr


@pytest.mark.parametrize("burst", ["burst=4000 ms", "burst=4 s", "burst ms=4000", "burst_ms=4000ms"])
def test_a_limit_is_tightened_by_the_name_and_the_figure_that_are_printed(burst: str) -> None:
    run = _run("safety", "limits", "--port", "bench://", "--tighten", burst)
    assert run.returncode == 0, run.stderr
    assert re.search(r"^burst +4 s +Longest ringing without a pause", run.stdout, re.MULTILINE)
    assert "night burst" in run.stdout
    assert not re.search(r" $", run.stdout, re.MULTILINE)


def test_how_the_guard_is_proven_is_said_and_what_is_missing(tmp_path: Path) -> None:
    run = _run("safety", "--port", "bench://", "--json")
    assert json.loads(run.stdout)["proving"]["counts"] is True
    run = _run("safety", "--port", LOCKED, "--proving-dir", str(tmp_path), "--json")
    proving = json.loads(run.stdout)["proving"]
    assert (proving["counts"], proving["until"]) == (False, None)
    said = " ".join(proving["says"])
    assert "no proving on this computer" in said
    assert "guard relay A was never seen to pull up" in said
    assert "demo_ctl safety prove" in said


def test_the_permit_is_told_alike_to_people_and_to_programs() -> None:
    found = json.loads(_run("safety", "--port", "bench://", "--json").stdout)
    assert found["permit_says"] in _run("safety", "--port", "bench://").stdout


def test_what_is_wrong_with_a_file_or_a_port_is_said_as_that(tmp_path: Path) -> None:
    wrong = tmp_path / "unit.yaml"
    wrong.write_text("format: [")
    for path in (wrong, tmp_path / "none.yaml"):
        run = _run("safety", "--port", "bench://", "--unit", str(path))
        assert run.returncode == 2
        assert str(path) in run.stderr
        assert "bench://?" not in run.stderr
    run = _run("safety", "--port", "/dev/null")
    assert run.returncode == 3
    assert "/dev/null is no serial port" in run.stderr
    assert "ioctl" not in run.stderr


def test_a_hint_fits_how_the_bench_was_started() -> None:
    run = _run("call", ANSWERED, "--port", LOCKED)
    assert "leave guard=locked away from its URL" in run.stderr
    assert "type: key off" not in run.stderr


def test_an_age_of_provings_is_said_to_mean_nothing_where_no_record_counts() -> None:
    run = _run("call", ANSWERED, "--proving-age", "1 h", "--json", "--port", "bench://")
    assert run.returncode == 0, run.stderr
    assert "--proving-age has no meaning here" in run.stderr


@pytest.mark.parametrize(
    ("tighten", "said"),
    [
        ("window ms=90001", "looser"),
        ("pump us=1", "is a constant of the board"),
        ("windwo ms=1", "is no limit of the board"),
        ("window=2 min", "window is 90 s now, and 2 min would be looser"),
        ("window ms", "expected a figure with its unit"),
        ("window ms=-5", "expected a figure with its unit"),
        ("window ms=99999999999", "expected a figure with its unit"),
        ("burst=4 V", "Such as 'burst=4 s'"),
        ("burst=4", "expected a figure with its unit after 'burst='"),
        ("ceiling=80", "expected a figure with its unit after 'ceiling='"),
    ],
)
def test_a_limit_that_cannot_be_had_is_bad_input(tighten: str, said: str) -> None:
    run = _run("safety", "limits", "--port", "bench://", "--tighten", tighten)
    assert run.returncode == 2
    assert said in run.stderr
    assert run.stdout == ""


def test_no_board_there_is_link_trouble() -> None:
    for action in ("show", "limits", "trips"):
        assert _run("safety", action, "--port", "/dev/not-there").returncode == 3


def test_a_call_that_rings_is_refused_while_nobody_has_turned_the_key(tmp_path: Path) -> None:
    record = tmp_path / "call.jsonl"
    run = _run("call", ANSWERED, "--port", LOCKED, "--record", str(record))
    assert run.returncode == 2
    assert "this call rings, and ringing is not allowed now" in run.stderr
    assert "turn the key off and on" in run.stderr
    again = _run("record", str(record))
    assert again.returncode == 2
    assert "The call was not begun" in again.stdout
    assert "NOT BEGUN" in again.stdout


def test_a_call_that_does_not_ring_needs_no_guard() -> None:
    run = _run("call", "configs/calls/permanent-off-hook.yaml", "--port", LOCKED, "--json")
    assert run.returncode == 0, run.stderr


@pytest.mark.parametrize("age", ["24", "soon", "-1 h", "0 s"])
def test_a_proving_age_that_is_none_is_bad_input(age: str) -> None:
    run = _run("call", ANSWERED, f"--proving-age={age}")
    assert run.returncode == 2
    assert "--proving-age" in run.stderr


def test_a_proving_wants_a_person_and_equipment_with_hands(tmp_path: Path) -> None:
    run = _run("safety", "prove", "--port", "bench://", "--record-dir", str(tmp_path))
    assert run.returncode == 2
    assert "demo_ctl bench --pty --guard locked" in run.stderr
    run = _run("safety", "prove", "--port", "/dev/not-there", "--record-dir", str(tmp_path))
    assert run.returncode == 2
    assert "needs a person" in run.stderr
    assert list(tmp_path.iterdir()) == []


# -- at a bench that is served ------------------------------------------------------------------------------


class Served:
    """`demo_ctl bench --pty`, and hands at it."""

    def __init__(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "demo_ctl", "bench", "--pty", "--unit", TRAVELLING, "--guard", "locked"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
            env=_environment(),
        )
        assert self.process.stdout is not None
        found = re.search(r"at (\S+)\. ", self.process.stdout.readline())
        assert found is not None
        self.path = found[1]
        self.greeting = [self.process.stdout.readline() for _ in range(3)]
        self._reader = threading.Thread(target=self.process.stdout.read, daemon=True)
        self._reader.start()

    def do(self, line: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{line}\n")
        self.process.stdin.flush()

    def close(self) -> None:
        self.process.terminate()
        self.process.wait(GIVE_UP_S)
        self._reader.join(GIVE_UP_S)
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()


@pytest.fixture
def served() -> Iterator[Served]:
    bench = Served()
    yield bench
    bench.close()


#: What is asked (a pattern of a line), and what hands do then.
HANDS = (
    (r"Turn the key off", "key off"),
    (r"Turn the key on", "key day"),
    (r"\d\. Open the cover|BUS\. Open the cover", "cover open"),
    (r"\d\. Close the cover", "cover close"),
    (r"\d\. Press the emergency stop|BUS\. Press the emergency stop", "stop press"),
    (r"\d\. Release the emergency stop", "stop release"),
    (r"\d\. Open channel A", "plug a out"),
    (r"\d\. Open channel B", "plug b out"),
    (r"\d\. Put the test plug back", "plug a in; plug b in"),
    (r"\d\. Press the test button of guard relay A", "relay a press"),
    (r"\d\. Press the test button of guard relay B", "relay b press"),
    (r"\d\. Turn the key to night", "key night; nobody there"),
    (r"BUS\. Step before the presence detector", "somebody there"),
    (r"\d\. Step out of the presence detector", "nobody there"),
    (r"\d\. Let the smoke detector alarm", "smoke alarm"),
    (r"\d\. Let the fuse alarm come in", "fuse alarm"),
    (r"\d\. Let the release alarm come in", "release alarm"),
    (r"\d\. Let the supervisory alarm come in", "supervisory alarm"),
    (r"\d\. End that alarm", "smoke clear; fuse clear; release clear; supervisory clear; key off"),
)


def _follow(words: tuple[str, ...], at: Callable[[str, subprocess.Popen[str]], None]) -> tuple[int, str]:
    """Run a command, and do something at each line that it prints. Return its exit code, and all it said."""
    process = subprocess.Popen(
        [sys.executable, "-m", "demo_ctl", *words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        cwd=ROOT,
        env={**_environment(), "COLUMNS": "200"},
    )
    timer = threading.Timer(GIVE_UP_S, process.kill)
    timer.start()
    said: list[str] = []
    assert process.stdout is not None
    with process.stdout:
        for line in process.stdout:
            said.append(line)
            at(line, process)
    assert process.stdin is not None
    process.stdin.close()
    code = process.wait()
    timer.cancel()
    text = "".join(said)
    assert "Traceback" not in text, text
    return code, text


def _type(process: subprocess.Popen[str], text: str) -> None:
    assert process.stdin is not None
    process.stdin.write(f"{text}\n")
    process.stdin.flush()


def _prover(served: Served, *, skips: bool = False) -> Callable[[str, subprocess.Popen[str]], None]:
    def at(line: str, process: subprocess.Popen[str]) -> None:
        if skips and "type s and Enter" in line:
            _type(process, "s")
            return
        for pattern, does in HANDS:
            if re.search(pattern, line):
                for each in does.split("; "):
                    served.do(each)
                if does.endswith("clear; key off"):
                    threading.Timer(1.0, served.do, ["key night"]).start()
                if "relay" in does:
                    threading.Timer(2.0, served.do, [does.replace("press", "release")]).start()
                return
        if "Press Enter" in line:
            _type(process, "")

    return at


def _one_record(folder: Path) -> dict[str, Any]:
    (path,) = folder.iterdir()
    found: dict[str, Any] = json.loads(path.read_text())
    return found


def _unit_volts() -> tuple[float, float]:
    """What a meter reads at the travelling unit: generator and battery."""
    unit = load_unit(ROOT / TRAVELLING).value
    return unit.ringing.voltage_V, unit.supply.battery_V


@pytest.mark.realtime
def test_a_morning_at_the_unit(served: Served, tmp_path: Path) -> None:
    """Prove it, place a call, press the stop while it rings, see the trip, be refused, turn the key."""
    provings = tmp_path / "provings"
    assert "safety prove" in "".join(served.greeting)
    prove = ("safety", "prove", "--port", served.path, "--unit", TRAVELLING, "--record-dir", str(provings))
    code, said = _follow((*prove, "--who", "Ada"), _prover(served))
    assert code == 0, said
    assert "The proving of the guard: PASSED" in said
    kept = _one_record(provings)
    assert (kept["verdict"], kept["who"], kept["covers"]) == ("passed", "Ada", ["front", "back"])

    show = _run("safety", "--port", served.path, "--unit", TRAVELLING, "--proving-dir", str(provings), "--json")
    found = json.loads(show.stdout)
    assert (found["proving"]["counts"], found["proving"]["who"]) == (True, "Ada")
    assert found["trips"]
    assert all("made it trip, to see that it does" in trip["caused_on_purpose"] for trip in found["trips"])
    call = ("call", ANSWERED, "--unit", TRAVELLING, "--port", served.path, "--proving-dir", str(provings))
    refused = _run(*call, "--proving-age", "1 ms")
    assert refused.returncode == 2
    assert "too old" in refused.stderr
    short = tmp_path / "short"
    code, said = _follow((*prove[:-1], str(short), "--who", "Bo"), _prover(served, skips=True))
    assert code == 1, said  # it passed, and is not enough to count
    without = "PASSED, WITHOUT: channel A alone, channel B alone, guard relay A alone, guard relay B alone"
    assert f"{without}; FOR THE DAY ONLY" in " ".join(said.split())
    assert said.count("Then this proving will not count") == 1  # as the first step was to be left out
    assert "THE GUARD DOES NOT COUNT AS PROVEN YET" in said
    refused = _run(*call[:-1], str(short))
    assert refused.returncode == 2
    assert "left out 'channel A alone', and that was never done" in refused.stderr

    meter = ("safety", "meter", "--port", served.path, "--unit", TRAVELLING, "--proving-dir", str(provings))
    true = _unit_volts()
    assert _run(*meter, "--generator", str(true[0] * 1.1), "--battery", str(true[1]), "--doubt", "1").returncode == 1
    refused = _run(*call)
    assert refused.returncode == 2
    assert "does not measure what a meter measures" in refused.stderr
    assert _run(*meter, "--generator", str(true[0]), "--battery", str(true[1]), "--doubt", "1").returncode == 0

    def stop(line: str, _process: subprocess.Popen[str]) -> None:
        if "the bell of" in line:
            served.do("stop press")

    record = tmp_path / "call.jsonl"
    code, said = _follow((*call, "--record", str(record)), stop)
    assert code == 4, said
    assert "the guard trips" in said
    assert "The guard tripped" in said
    again = _run("record", str(record))
    assert again.returncode == 4
    assert "interlock chain open" in again.stdout
    assert "channel A open" in again.stdout
    assert [trip["reason"] for trip in json.loads(_run("record", str(record), "--json").stdout)["trips"]] == [
        "interlock chain open"
    ]

    show = _run("safety", "--port", served.path)
    assert show.returncode == 4
    assert "TRIPPED" in show.stdout
    trips = _run("safety", "trips", "--port", served.path, "--json")
    assert trips.returncode == 4
    assert json.loads(trips.stdout)["trips"][0]["reason"] == "interlock chain open"

    refused = _run(*call, "--record", str(tmp_path / "refused.jsonl"))
    assert refused.returncode == 4
    assert "the guard is tripped" in refused.stderr
    kept = json.loads(_run("record", str(tmp_path / "refused.jsonl"), "--json").stdout)
    assert kept["status"] == "tripped"
    assert len(kept["trips"]) == 1

    for line in ("stop release", "key off"):
        served.do(line)
    while json.loads(_run("safety", "--port", served.path, "--json").stdout)["state"] != "key off":
        pass
    served.do("key day")
    while (found := json.loads(_run("safety", "--port", served.path, "--json").stdout))["state"] != "safe":
        pass
    assert found["obstacle"] == ""
    assert found["what_is_in_the_way"] == ""


@pytest.mark.realtime
def test_a_night_at_the_unit(served: Served, tmp_path: Path) -> None:
    """Prove it, let it run by itself, kill the program, have an alarm, a board that forgets it, and a person."""
    folder = tmp_path / "provings"
    where = ("--port", served.path, "--unit", TRAVELLING)
    code, said = _follow(("safety", "prove", *where, "--record-dir", str(folder), "--who", "Ada"), _prover(served))
    assert code == 0, said
    assert "FOR THE DAY ONLY" not in said
    permit = ("safety", "permit", *where, "--proving-dir", str(folder))
    run = _run(*permit, "--for", "1 s")
    assert run.returncode == 2
    assert "the key stands at day" in run.stdout
    served.do("key night")
    while not json.loads(_run("safety", *where, "--json").stdout)["inputs"]["key at night"]:
        pass

    def kill(line: str, process: subprocess.Popen[str]) -> None:
        if "Now: key at night yes" in line:
            process.kill()

    code, said = _follow(permit, kill)
    assert code == -signal.SIGKILL
    # Nobody gave it back, and the board holds it yet; then the lease runs out by itself.
    held = [json.loads(_run("safety", *where, "--json").stdout)["permit"]]
    while held[-1]:
        held.append(json.loads(_run("safety", *where, "--json").stdout)["permit"])
        assert len(held) < 100
    found = json.loads(_run("safety", *where, "--json").stdout)
    assert found["permit_says"].startswith("not given: nobody asks for it now")

    code, said = _follow((*permit, "--for", "1500 ms"), lambda line, process: None)
    assert code == 0, said
    assert "The time is over; the unit's supply is given back" in said

    def interrupt(line: str, process: subprocess.Popen[str]) -> None:
        if "Now: key at night yes" in line:
            process.send_signal(signal.SIGINT)

    code, said = _follow(permit, interrupt)
    assert code == 130, said

    def smoke(line: str, process: subprocess.Popen[str]) -> None:
        if "Now: key at night yes" in line:
            served.do("smoke alarm")

    code, said = _follow(permit, smoke)
    assert code == 4, said
    told = " ".join(said.split())
    assert "Look after people first" in told
    assert "this alarm is remembered in" in told.lower()
    for each in ("smoke clear", "break brown-out"):  # the board starts anew, and has forgotten it
        served.do(each)
    while json.loads(_run("safety", *where, "--json").stdout)["state"] != "locked":
        pass
    rows = [json.loads(line) for line in (folder / "permits.jsonl").read_text().splitlines()]
    assert [row["event"] for row in rows] == ["given", "given", "ended", "given", "ended", "given", "lost"]
    run = _run(*permit, "--for", "1 s")
    assert run.returncode == 4
    assert rows[-1]["at"] in " ".join(run.stdout.split())
    assert "smoke" in run.stdout
    assert "--alarm-cleared" in run.stdout
    call = ("call", "configs/calls/abandoned.yaml", *where, "--proving-dir", str(folder))
    refused = _run(*call)
    assert refused.returncode == 4
    assert "nobody has acknowledged" in refused.stderr
    run = _run(*permit, "--for", "1 s", "--alarm-cleared", "--who", "Bo", "--json")
    assert run.returncode == 0, run.stderr
    events = [json.loads(line) for line in run.stdout.splitlines()]
    assert [event["event"] for event in events] == ["alarm cleared", "given", "stands", "ended"]
    assert _run(*call).returncode == 0  # it does not ring: a board that is locked lets it
    ringing = _run("call", ANSWERED, *where, "--proving-dir", str(folder))
    assert ringing.returncode == 2
    row = next(
        each for line in (folder / "permits.jsonl").read_text().splitlines() if (each := json.loads(line))["who"]
    )
    assert (row["event"], row["who"], row["reason"]) == ("alarm cleared", "Bo", "smoke")


@pytest.mark.realtime
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_proving_stopped_while_ringing_voltage_is_on_the_bus(
    served: Served, tmp_path: Path, number: signal.Signals
) -> None:
    prover = _prover(served, skips=True)

    def at(line: str, process: subprocess.Popen[str]) -> None:
        if "RINGING VOLTAGE IS ON THE BUS. Open" in line:
            process.send_signal(number)
        else:
            prover(line, process)

    prove = ("safety", "prove", "--port", served.path, "--unit", TRAVELLING, "--record-dir", str(tmp_path), "--who", "")
    code, said = _follow(prove, at)
    assert code == 130, said
    kept = _one_record(tmp_path)
    assert (kept["verdict"], kept["say"]) == ("not finished", "stopped by the person")
    found = json.loads(_run("safety", "--port", served.path, "--json").stdout)
    assert (found["state"], found["trip_count"]) == ("safe", 0)  # taken off in order
    assert found["bus_mV"] < 1000


@pytest.mark.parametrize("words", [("safety",), ("safety", "limits"), ("safety", "trips")])
def test_at_eighty_columns_nothing_is_cut_wider_or_ends_in_blanks(words: tuple[str, ...]) -> None:
    """At a real terminal, with colours."""
    shown = _at_a_terminal(80, *words, "--port", LOCKED)
    lines = re.sub(r"\x1b\[[0-9;]*m", "", shown).replace("\r", "").split("\n")
    assert "\x1b[" in shown
    assert max(len(line) for line in lines) <= 80
    assert [line for line in lines if line != line.rstrip()] == []
    assert "…" not in shown
    wide = _run(*words, "--port", LOCKED).stdout
    for name in ("safety chain, channel A", "visitors session", "none since the board started"):
        if name in wide:
            assert name in "\n".join(lines)


def _at_a_terminal(columns: int, *words: str) -> str:
    """Run a command at a terminal of so many columns; return what it shows."""
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    process = subprocess.Popen(
        [sys.executable, "-m", "demo_ctl", *words],
        stdin=subprocess.DEVNULL,
        stdout=theirs,
        stderr=theirs,
        cwd=ROOT,
        env={**{k: v for k, v in _environment().items() if k not in ("COLUMNS", "NO_COLOR")}, "TERM": "xterm"},
    )
    os.close(theirs)
    shown = b""
    while True:
        try:
            data = os.read(ours, 4096)
        except OSError:  # the terminal's other end is closed
            break
        if not data:
            break
        shown += data
    os.close(ours)
    assert process.wait(GIVE_UP_S) == 0
    return shown.decode()


@pytest.mark.parametrize(
    ("part", "first"),
    [
        ("bus-sense-dead", "the ringing bus is not measured"),
        ("mirror-a-broken", "a guard relay is not where it should be"),
    ],
)
def test_a_trip_before_anything_rang_is_told_as_that_in_every_place(tmp_path: Path, part: str, first: str) -> None:
    """The call, its JSON, its record and that one's JSON: the first reason, and then what stands wrong at rest."""
    record = str(tmp_path / "call.jsonl")
    reason = f"{first}; and then: a relay or the bus reads as if it rang"
    call = _run("call", ANSWERED, "--port", f"bench://?hands=2 s:break {part}", "--json", "--record", record)
    again = _run("record", record, "--json")
    assert (call.returncode, again.returncode) == (4, 4)
    for each in (call, again):
        assert json.loads(each.stdout)["reason"] == reason
    printed = _run("record", record).stdout
    assert reason in " ".join(printed.split())
    for said in (call.stderr, call.stdout, printed):
        assert "no silence after" not in re.sub(r'"worse": "[^"]*"', "", said)
        assert "ringing was taken off" not in re.sub(r'"worse": "[^"]*"', "", said)
    error = " ".join(call.stderr.split())
    assert f"demo_ctl: the board stopped the call to keep people safe ({reason}): " in error
    assert "the guard stays tripped, and then: a relay or the bus reads as if it rang. KEEP HANDS OFF" in error
    assert "and prove the guard. For what came first, look at" in error
