"""`demo_ctl exhibit` as it is typed, killed, and started again."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import jsonschema
import pytest
import yaml

from demo_ctl.cli.main import main
from demo_ctl.ledger.read import read_record
from demo_ctl.link import port as ports
from demo_ctl.link.port import FoundBoard
from demo_ctl.script.exhibit_load import load_exhibit, parse_exhibit
from demo_ctl.script.schema import exhibit_schema_text
from demo_ctl.script.staged import beside
from demo_ctl.show import keeper
from demo_ctl.terms.errors import InputError, LinkError
from demo_ctl.terms.located import FileError
from demo_ctl.terms.outcome import Exit
from tests.cli import started

ROOT = Path(__file__).resolve().parents[2]
CORNER = ROOT / "configs" / "exhibits" / "corner.yaml"
OPEN = "2026-08-04T11:00+01:00"  # a Tuesday
HEAD = """\
format: demo_ctl exhibit 1
name: own
title: {en: Our corner}
attract: [{record: a.jsonl}]
"""


def demo(*words: str, typed: str = "", state: Path) -> subprocess.CompletedProcess[str]:
    return started.demo("exhibit", str(CORNER), "--port", "bench://", "--state", str(state), *words, typed=typed)


def test_presses_and_waits_in_simulated_time_and_counting_goes_on(tmp_path: Path) -> None:
    typed = "wait 2 min\npress\npress\nwait 3 min\n\n"
    done = demo("--fast", "--json", "--at", OPEN, typed=typed, state=tmp_path)
    assert done.returncode == Exit.OK, done.stderr
    told: dict[str, Any] = json.loads(done.stdout)
    assert (told["placed"], told["calls_today"], told["state"]) == (2, 2, "showing recorded calls")
    assert "the switches rest for" in done.stderr
    again = json.loads(demo("--fast", "--json", "--at", "2026-08-05T11:00+01:00", state=tmp_path).stdout)
    assert (again["placed"], again["calls_in_all"]) == (0, 2)
    assert again["operations_in_all"] == told["operations_in_all"]


def test_when_it_is_closed_nothing_is_placed(tmp_path: Path) -> None:
    done = demo("--fast", "--json", "--at", "2026-08-04T17:30+01:00", typed="wait 3 min\npress\n", state=tmp_path)
    told = json.loads(done.stdout)
    assert told["placed"] == 0
    assert told["notice"] == "Replays only: it is closed."


def test_a_board_whose_key_was_not_turned_shows_replays_only(tmp_path: Path) -> None:
    words = ("--fast", "--json", "--at", OPEN, "--port", "bench://?guard=locked")
    done = demo(*words, typed="wait 3 min\npress\n", state=tmp_path)
    told = json.loads(done.stdout)
    assert told["placed"] == 0
    assert told["notice"].startswith("Replays only: ")
    assert "the key" in told["notice"]


def test_a_clock_that_was_wrong_is_told_and_forgiven(tmp_path: Path) -> None:
    assert json.loads(demo("--fast", "--json", "--at", OPEN, typed="wait 3 min\n\n", state=tmp_path).stdout)["placed"]
    back = ("--fast", "--json", "--at", "2026-08-01T12:00+01:00")
    told = json.loads(demo(*back, typed="wait 3 min\n\n", state=tmp_path).stdout)
    assert told["placed"] == 0
    assert "clock is wrong" in told["notice"]
    told = json.loads(demo(*back, "--clock-is-right", typed="wait 3 min\n\n", state=tmp_path).stdout)
    assert (told["placed"], told["calls_in_all"]) == (1, 2)


class Running:
    """An exhibit in a process of its own, with its page."""

    words = (sys.executable, *f"-m demo_ctl exhibit {CORNER} --port bench:// --web 0 --at {OPEN}".split())

    def __init__(self, state: Path) -> None:
        self.process = subprocess.Popen(
            [*self.words, "--state", str(state)],
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        assert self.process.stderr is not None
        self.url = ""
        for line in self.process.stderr:
            found = re.match(r"Visitors: (\S+)", line)
            if found:
                self.url = found[1]
                break
        assert self.url

    def seen(self) -> dict[str, Any]:
        """What a screen that comes now is shown."""
        with urlopen(self.url + "events", timeout=20) as stream:
            value = False
            for raw in stream:
                line = raw.decode().rstrip("\n")
                value = value or line == "event: value"
                if value and line.startswith("data:"):
                    found: dict[str, Any] = json.loads(line[5:])
                    return found
        raise AssertionError("the stream ended")

    def end(self, number: int) -> int:
        self.process.send_signal(number)
        code = self.process.wait(30)
        for stream in (self.process.stdin, self.process.stderr):
            if stream is not None:
                stream.close()
        return code


def test_killed_at_any_moment_it_starts_again_in_the_attract_loop(tmp_path: Path) -> None:
    for number, code in ((signal.SIGKILL, -signal.SIGKILL), (signal.SIGTERM, Exit.INTERRUPTED)):
        running = Running(tmp_path)
        try:
            first = running.seen()
            assert first["replay"]
            assert not first["blank"]
            # A browser that fell over comes back, and sees what everybody sees.
            assert running.seen()["replay"]
        finally:
            assert running.end(number) == code
    assert not [path for path in tmp_path.iterdir() if path.suffix == ".new"]


def test_typed_words_end_it_in_order(tmp_path: Path) -> None:
    running = Running(tmp_path)
    assert running.process.stdin is not None
    running.process.stdin.write("?\nblank\nnonsense\n\nquit\n")
    running.process.stdin.flush()
    deadline = time.monotonic() + 60
    while running.process.poll() is None and time.monotonic() < deadline:
        time.sleep(0.05)
    assert running.process.poll() == Exit.OK
    for stream in (running.process.stdin, running.process.stderr):
        if stream is not None:
            stream.close()


# -- in this process --------------------------------------------------------------------------------------------------


class Typist:
    """A keyboard: types `?` and `quit` when it is told that it is time."""

    def __init__(self) -> None:
        self.time = threading.Event()

    def __iter__(self) -> Iterator[str]:
        assert self.time.wait(60)
        yield "?\n"
        yield "quit\n"


@pytest.fixture
def typist(monkeypatch: pytest.MonkeyPatch) -> Typist:
    made = Typist()
    monkeypatch.setattr(sys, "stdin", made)
    return made


def test_without_a_board_it_looks_for_one_again_and_again_and_never_takes_the_bench(
    typist: Typist, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    looked: list[int] = []
    opened: list[str] = []

    def boards() -> list[FoundBoard]:
        looked.append(1)
        return [FoundBoard("/dev/no-such-board", "E66", "a board")] if len(looked) > 2 else []

    def no_port(url: str) -> Any:
        opened.append(url)
        typist.time.set()
        raise LinkError(f"there is no port {url}")

    monkeypatch.setattr(ports, "find_boards", boards)
    monkeypatch.setattr(ports, "open_port", no_port)
    monkeypatch.setattr(keeper, "LOOK_US", 50_000)
    assert main(["exhibit", str(CORNER), "--state", str(tmp_path)]) == Exit.OK
    said = capsys.readouterr().out
    assert "NOTE: Replays only: no board is plugged in." in said
    assert "ringing: state not known" in said
    assert set(opened) == {"/dev/no-such-board"}
    assert not [path for path in os.listdir(tmp_path) if "bench" in path]


def test_it_listens_at_an_address_that_needs_no_name(
    typist: Typist, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    typist.time.set()
    words = ["--port", "bench://", "--web", "0", "--state", str(tmp_path)]
    assert main(["exhibit", str(CORNER), *words, "--listen", "127.0.0.2"]) == Exit.OK
    assert "Visitors: http://127.0.0.2:" in capsys.readouterr().err
    assert main(["exhibit", str(CORNER), *words, "--listen", "0.0.0.0"]) == Exit.BAD_INPUT
    assert "--name NAME" in capsys.readouterr().err


def test_records_of_real_calls_are_kept_whole(tmp_path: Path) -> None:
    kept = tmp_path / "records"
    words = ("--fast", "--json", "--at", OPEN, "--records", str(kept))
    done = demo(*words, typed="wait 3 min\npress\n", state=tmp_path)
    assert json.loads(done.stdout)["placed"] == 1, done.stderr
    (path,) = kept.iterdir()
    assert path.name.startswith("exhibit-")
    assert read_record(path).status == "finished"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--fast"], "--fast is for the bench only"),
        (["--port", "socket://127.0.0.1:1", "--fast"], "--fast is for the bench only"),
        (["--port", "socket://127.0.0.1:1", "--at", OPEN], "--at is for the bench only"),
        (["--port", "bench://", "--at", "tomorrow"], "--at: expected a moment"),
        (["--port", "bench://", "--at", "2026-08-04T11:00"], "--at: expected a moment"),
        (["--port", "bench://", "--listen", "0.0.0.0"], "--listen goes with --web"),
        (["--port", "bench://", "--web", "70000"], "--web: found 70000"),
    ],
)
def test_what_cannot_be_is_refused_in_words(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert main(["exhibit", str(CORNER), "--state", str(tmp_path), *words]) == Exit.BAD_INPUT
    assert said in capsys.readouterr().err
    assert os.listdir(tmp_path) == []


def test_a_line_that_is_neither_press_nor_wait(tmp_path: Path) -> None:
    for typed, said in (("dance\n", "expected press"), ("wait a while\n", "wait: expected a time")):
        done = demo("--fast", "--at", OPEN, typed=typed, state=tmp_path)
        assert done.returncode == Exit.BAD_INPUT
        assert said in done.stderr


# -- the file -----------------------------------------------------------------------------------------------------


def test_the_sample_loads_and_editors_find_nothing_wrong() -> None:
    exhibit = load_exhibit(CORNER)
    assert exhibit.value.name == CORNER.stem
    assert all(beside(exhibit, each.record).is_file() for each in exhibit.value.attract)
    jsonschema.Draft202012Validator.check_schema(json.loads(exhibit_schema_text()))
    validator = jsonschema.Draft202012Validator(json.loads(exhibit_schema_text()))
    validator.validate(yaml.safe_load(CORNER.read_text(encoding="utf-8")))


def test_the_schema_in_the_folder_is_this_one(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema", "exhibit"]) == Exit.OK
    kept = (ROOT / "configs" / "schema" / "exhibit.schema.json").read_text(encoding="utf-8")
    assert capsys.readouterr().out == kept == exhibit_schema_text()


@pytest.mark.parametrize(
    ("more", "line", "said"),
    [
        ("cool down: 1 s\n", 5, "cool down: expected at least 5 s"),
        ("wear: {a day: 0}\n", 5, "a day"),
        ("wear: {a year: 10}\n", 5, "a year"),
        ("hours: {zone: Europe/Mossbrook, open: [{from: '10:00', to: '17:00'}]}\n", 5, "knows no time zone"),
        ("hours: {zone: ../../etc/passwd, open: [{from: '10:00', to: '17:00'}]}\n", 5, "time zone"),
        ("hours: {zone: UTC, open: [{from: '17:00', to: '10:00'}]}\n", 5, "a later time of day"),
        ("hours: {zone: UTC, open: [{days: [mon, mon], from: '10:00', to: '17:00'}]}\n", 5, "each weekday once"),
        ("hours: {zone: UTC, open: [{from: '10:00', to: '17:00'}], closed: [Christmas]}\n", 5, "2026-12-25"),
        ("languages: [en, de]\n", 3, "words are missing for 'de'"),
        ("calls: [{call: b.yaml, title: {fr: Appel}}]\n", 5, "words are missing for 'en'"),
        ("atract: []\n", 5, "attract"),
        ("visitors dial: {line: stage, title: {de: Sie}}\n", 5, "words are missing for 'en'"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(more: str, line: int, said: str) -> None:
    with pytest.raises(FileError) as caught:
        parse_exhibit(HEAD + more, "own.yaml")
    assert any(problem.place.line == line and said in problem.text for problem in caught.value.problems), str(
        caught.value
    )


def test_files_that_are_not_there_are_named(tmp_path: Path) -> None:
    path = tmp_path / "own.yaml"
    path.write_text(HEAD + "calls: [{call: b.yaml}]\n", encoding="utf-8")
    with pytest.raises(InputError, match=r"there is no file .*a\.jsonl") as caught:
        load_exhibit(path)
    assert "b.yaml" in str(caught.value)


@pytest.mark.parametrize(
    ("script", "said"),
    [("all-trunks-busy", "a person must make trunks busy"), ("gate", "waits for a presenter")],
)
def test_calls_that_want_a_person_are_refused(
    script: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = ROOT / "configs" / "exhibits" / "recorded" / "busy.jsonl"
    call = ROOT / "configs" / "calls" / f"{script}.yaml"
    if script == "gate":
        call = tmp_path / "gate.yaml"
        text = (ROOT / "configs" / "calls" / "permanent-off-hook.yaml").read_text(encoding="utf-8")
        call.write_text(text.replace("steps:\n", "steps:\n  - gate: wait for me\n    limit: 5 s\n"), encoding="utf-8")
    path = tmp_path / "own.yaml"
    path.write_text(HEAD.replace("a.jsonl", str(record)) + f"calls: [{{call: {call}}}]\n", encoding="utf-8")
    assert main(["exhibit", str(path), "--port", "bench://", "--state", str(tmp_path / "s")]) == Exit.BAD_INPUT
    assert said in capsys.readouterr().err


def test_a_line_without_a_port_cannot_be_watched(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = ROOT / "configs" / "exhibits" / "recorded" / "busy.jsonl"
    path = tmp_path / "own.yaml"
    path.write_text(HEAD.replace("a.jsonl", str(record)) + "visitors dial: {line: gallery}\n", encoding="utf-8")
    assert main(["exhibit", str(path), "--port", "bench://", "--state", str(tmp_path / "s")]) == Exit.BAD_INPUT
    said = capsys.readouterr().err
    assert "has no line 'gallery' with a port" in said
    assert "counter, parlour, workshop, stage" in said


def test_the_exhibit_on_real_micropython_in_lockstep(tmp_path: Path) -> None:
    """The same firmware in the board's own Python: a press places a call, and the attract loop comes back."""
    record = ROOT / "configs" / "exhibits" / "recorded" / "busy.jsonl"
    call = ROOT / "configs" / "calls" / "permanent-off-hook.yaml"
    path = tmp_path / "own.yaml"
    text = HEAD.replace("a.jsonl", str(record)) + f"calls: [{{call: {call}}}]\ncool down: 5 s\n"
    path.write_text(text, encoding="utf-8")
    done = subprocess.run(
        [
            *(sys.executable, "-m", "demo_ctl", "exhibit", str(path), "--port", "bench://?board=micropython"),
            *("--fast", "--state", str(tmp_path / "state"), "--json"),
        ],
        input="wait 12 s\npress\nwait 2 s\n",
        capture_output=True,
        text=True,
        cwd=ROOT,
        check=False,
    )
    assert done.returncode == Exit.OK, done.stderr
    told: dict[str, Any] = json.loads(done.stdout)
    assert (told["placed"], told["state"], told["notice"]) == (1, "showing recorded calls", "")
    assert "A call is on." in done.stderr
