"""`demo_ctl show` and `demo_ctl replay` as they are typed."""

from __future__ import annotations

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import httpx
import pytest

from demo_ctl.cli.main import main
from demo_ctl.cli.signals import end_on_signals
from demo_ctl.terms.outcome import Exit

ROOT = Path(__file__).resolve().parents[2]
SHEET = str(ROOT / "configs" / "shows" / "first-visit.yaml")
SHORT = """\
format: demo_ctl show 1
name: short
title: {en: A short show}
unit: UNIT
calls:
  - call: CALL
    stops: [dial tone]
"""


@pytest.fixture
def short(tmp_path: Path) -> Path:
    unit = ROOT / "configs" / "units" / "travelling.yaml"
    call = ROOT / "configs" / "calls" / "permanent-off-hook.yaml"
    path = tmp_path / "short.yaml"
    path.write_text(SHORT.replace("UNIT", str(unit)).replace("CALL", str(call)), encoding="utf-8")
    return path


def test_check_says_what_each_call_gets(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["show", SHEET, "--port", "bench://", "--check"]) == Exit.OK
    said = " ".join(capsys.readouterr().out.split())
    assert "1/3 A call, step by step 1/4 1/2.2 8 1 min 1 s 16 min 6 s" in said
    assert "1/3 pulse speed 2.5 pps 8.32 pps" in said
    assert "ringing may be allowed" in said


def test_check_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["show", SHEET, "--port", "bench://", "--check", "--json"]) == Exit.OK
    found = json.loads(capsys.readouterr().out)
    assert [(part["asked"], part["holds"]) for part in found["parts"]] == [("1/4", 8), ("1", 0), ("1", 1)]
    assert found["least_us"] == sum(part["least_us"] for part in found["parts"]) < found["most_us"]


def test_check_tells_that_nothing_may_ring(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["show", SHEET, "--port", "bench://?guard=locked", "--check"]) != Exit.OK
    assert "ringing is not allowed now" in capsys.readouterr().err
    assert main(["show", SHEET, "--port", "bench://?guard=locked", "--check", "--rehearse"]) == Exit.OK


def test_a_whole_show_without_waiting_and_its_records(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    folder = tmp_path / "records"
    assert main(["show", SHEET, "--port", "bench://", "--fast", "--json", "--records", str(folder)]) == Exit.OK
    found = json.loads(capsys.readouterr().out)
    assert [call["status"] for call in found["calls"]] == ["finished"] * 3
    assert all(call["passed"] and call["simulated"] for call in found["calls"])
    first, _, busy = sorted(folder.glob("*.jsonl"))

    page, wav = tmp_path / "call.html", tmp_path / "call.wav"
    assert main(["replay", str(first), "--unfold", "--page", str(page), "--sound", str(wav)]) == Exit.OK
    said = capsys.readouterr().out
    assert "And now as it really is: all at once." in said
    assert "inferred from what was sensed" in said
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>")
    assert wav.read_bytes()[:4] == b"RIFF"
    assert main(["replay", str(first), "--page", str(page)]) == Exit.BAD_INPUT
    assert "this file is there already" in capsys.readouterr().err

    assert main(["replay", str(busy), "--pace", "4", "--json", "--language", "de"]) == Exit.OK
    shown = json.loads(capsys.readouterr().out)
    assert shown["pace"] == "4"
    assert shown["frames"][-1]["show_us"] < shown["total_us"]


def test_calls_that_are_not_begun_are_told_and_count_for_the_exit_code(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    words = ["show", SHEET, "--port", "bench://?guard=locked", "--fast"]
    assert main([*words, "--json"]) == Exit.BAD_INPUT
    found = json.loads(capsys.readouterr().out)
    assert [each["part"] for each in found["calls"]] == [3]
    assert [(each["part"], each["exit_code"]) for each in found["refused"]] == [(1, 2), (2, 2)]
    assert all("ringing is not allowed now" in each["why"] for each in found["refused"])
    assert main(words) == Exit.BAD_INPUT
    said = capsys.readouterr().out
    assert "1/3  A call, step by step: not begun: this call rings, and ringing is not allowed now" in said


FOLLOW = """\
format: demo_ctl show 1
name: follow
title: {en: You dial}
unit: UNIT
calls:
  - follow: parlour
    at most: 60 s
"""


@pytest.fixture
def follow(tmp_path: Path) -> Path:
    path = tmp_path / "follow.yaml"
    path.write_text(FOLLOW.replace("UNIT", str(ROOT / "configs" / "units" / "travelling.yaml")), encoding="utf-8")
    return path


def test_a_telephone_is_followed_in_simulated_time(follow: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["show", str(follow), "--port", "bench://", "--fast"]
    assert main([*words, "--visitor", "3-99 at 8 pps", "--json"]) == Exit.OK
    found = json.loads(capsys.readouterr().out)
    (dial,) = found["dials"]
    assert (dial["part"], dial["line"], dial["digits"]) == (1, "parlour", "399")
    assert dial["speed_pps"] == pytest.approx(8.0, abs=3 * dial["speed_u_pps"] + 0.02)
    assert dial["break_pct"] == pytest.approx(61, abs=1)
    assert main([*words, "--visitor", "399"]) == Exit.OK
    said = capsys.readouterr().out
    assert "A visitor dialled 399: 10.00 pps" in said
    assert "nothing to check" in said
    assert main([*words, "--visitor", "rubbish"]) == Exit.BAD_INPUT
    assert "--visitor: expected 1 to 20 digits" in capsys.readouterr().err
    assert main(["show", str(follow), "--port", "bench://", "--check"]) == Exit.OK
    assert "needs a real telephone on port 2" in " ".join(capsys.readouterr().out.split())


def test_a_rehearsal_tells_what_is_not_run(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["show", SHEET, "--port", "bench://?guard=locked", "--fast", "--rehearse"]) == Exit.OK
    said = " ".join(capsys.readouterr().out.split())
    assert "not run, for nothing rings in a rehearsal: first ring at called (parlour), rings at" in said


@pytest.mark.parametrize(
    ("more", "text"),
    [
        (["--port", "/dev/null", "--fast"], "--fast is for the bench only"),
        (["--port", "bench://", "--listen", "0.0.0.0"], "--listen goes with --web"),
        (["--port", "bench://", "--web", "70000"], "expected a port from 0 to 65535"),
        (["--port", "bench://", "--unit", "nowhere.yaml"], "there is no such file"),
    ],
)
def test_wrong_options_are_told_before_anything_is_opened(
    more: list[str], text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["show", SHEET, *more]) == Exit.BAD_INPUT
    assert text in capsys.readouterr().err


def test_a_sheet_with_a_mistake_is_told_with_its_line(short: Path, capsys: pytest.CaptureFixture[str]) -> None:
    short.write_text(short.read_text(encoding="utf-8").replace("dial tone", "dail tone"), encoding="utf-8")
    assert main(["show", str(short), "--port", "bench://", "--check"]) == Exit.BAD_INPUT
    assert "short.yaml:7" in capsys.readouterr().err


def test_without_textual_it_is_said_what_to_install(
    short: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "demo_ctl.show.console", None)
    monkeypatch.setattr("demo_ctl.show.line_console.is_plain", lambda _term: False)
    assert main(["show", str(short), "--port", "bench://?clock=free"]) == Exit.BAD_INPUT
    said = capsys.readouterr().err
    assert "demo_ctl[show]" in said
    assert "--plain" in said


def test_typed_words_and_the_end_of_the_input(short: Path) -> None:
    command = [sys.executable, "-m", "demo_ctl", "show", str(short), "--port", "bench://", "--plain"]
    found = subprocess.run(
        command, input="?\nnonsense\n", capture_output=True, text=True, cwd=ROOT, timeout=60, check=False
    )
    assert found.returncode == Exit.OK
    assert "Next begins:" in found.stdout
    assert "found 'nonsense'" in found.stdout
    assert "No call was placed." in found.stdout
    assert "Traceback" not in found.stderr


class Terminal:
    """A presenter's terminal: what is on it, and keys."""

    def __init__(self, *arguments: str, term: str = "xterm-256color") -> None:
        self.master, slave = pty.openpty()
        environment = {**os.environ, "TERM": term, "COLUMNS": "100", "LINES": "30"}
        self.process: Any = subprocess.Popen(
            [sys.executable, "-m", "demo_ctl", *arguments],
            stdin=slave,
            stdout=slave,
            stderr=slave,
            cwd=ROOT,
            env=environment,
            start_new_session=True,
        )
        os.close(slave)
        self.seen = ""

    def until(self, text: str, seconds: float = 60) -> None:
        """Read until a text stands there, or give up."""
        give_up = time.monotonic() + seconds
        while text not in self.seen and time.monotonic() < give_up:
            if select.select([self.master], [], [], 0.2)[0]:
                try:
                    self.seen += os.read(self.master, 65536).decode("utf-8", "replace")
                except OSError:
                    break
        assert text in self.seen, self.seen[-2000:]

    def press(self, keys: bytes) -> None:
        os.write(self.master, keys)

    def end(self) -> int:
        give_up = time.monotonic() + 60
        while self.process.poll() is None and time.monotonic() < give_up:
            if select.select([self.master], [], [], 0.2)[0]:
                try:
                    self.seen += os.read(self.master, 65536).decode("utf-8", "replace")
                except OSError:
                    break
        code: int = self.process.wait(10)
        os.close(self.master)
        return code


@pytest.mark.realtime
def test_a_presenter_with_a_clicker_at_a_real_terminal(short: Path) -> None:
    terminal = Terminal("show", str(short), "--port", "bench://")
    terminal.until("Nothing is on the line")
    terminal.press(b"\x1b[6~")  # Page Down
    terminal.until("Holding on dial tone")
    terminal.press(b"s")
    terminal.until("Restoring")
    terminal.press(b"q")
    assert terminal.end() == Exit.OK
    assert "interrupted" in terminal.seen
    assert "Traceback" not in terminal.seen


@pytest.mark.realtime
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_show_that_is_ended_from_outside_releases_the_line(short: Path, number: int, tmp_path: Path) -> None:
    terminal = Terminal(
        "show", str(short), "--port", "bench://", "--plain", "--records", str(tmp_path / "kept"), term="dumb"
    )
    terminal.until("Type next")
    terminal.press(b"\n")
    terminal.until("Holding on dial tone")
    os.kill(terminal.process.pid, number)
    assert terminal.end() == Exit.INTERRUPTED
    assert "Traceback" not in terminal.seen
    from demo_ctl.ledger.read import read_record

    (kept,) = (tmp_path / "kept").glob("*.jsonl")
    record = read_record(kept)
    assert record.complete
    assert record.status == "interrupted"


@pytest.mark.realtime
def test_screens_and_the_console_page_are_served_beside_the_terminal(short: Path) -> None:
    terminal = Terminal("show", str(short), "--port", "bench://", "--plain", "--web", "0", term="dumb")
    terminal.until("Type next")
    found = re.search(r"Audience: (http://\S+?)/?\s.*Console:\s+(\S+)\s+token (\S+)", terminal.seen, re.DOTALL)
    assert found is not None, terminal.seen
    audience, desk, token = found.groups()
    assert audience.startswith("http://127.0.0.1:")
    with httpx.Client(headers={"origin": audience}, timeout=20) as client:
        assert client.get(audience).status_code == 200
        assert client.get(desk).status_code == 200
        wish = {"wish": "next"}
        assert client.post(f"{desk}/wish", json=wish).status_code == 401
        assert client.post(f"{desk}/wish", json=wish, headers={"x-console-token": "x" * 19}).status_code == 401
        mine = {"x-console-token": token}
        said = client.post(f"{desk}/wish", json=wish, headers=mine)
        assert said.status_code == 200
        assert "The call is being loaded" in said.json()["text"]
        terminal.until("Holding on dial tone")
        assert client.post(f"{desk}/wish", json={"wish": "arm"}, headers=mine).status_code == 400
        assert client.post(f"{desk}/wish", json={"wish": "stop"}, headers=mine).json()["done"]
    terminal.until("Restoring")
    terminal.press(b"quit\n")
    assert terminal.end() == Exit.OK
    assert "Traceback" not in terminal.seen


def test_a_hang_up_that_is_ignored_stays_so_and_a_second_one_changes_nothing() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with end_on_signals():
            assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
        signal.signal(signal.SIGHUP, signal.SIG_DFL)
        with end_on_signals():
            with pytest.raises(KeyboardInterrupt):
                signal.raise_signal(signal.SIGHUP)
            signal.raise_signal(signal.SIGHUP)
    finally:
        signal.signal(signal.SIGHUP, before)


def test_under_nohup_a_show_goes_on_at_the_console_page_until_it_is_ended(short: Path) -> None:
    def ignore() -> None:
        signal.signal(signal.SIGHUP, signal.SIG_IGN)

    with subprocess.Popen(
        [sys.executable, "-m", "demo_ctl", "show", str(short), "--port", "bench://", "--plain", "--web", "0"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        preexec_fn=ignore,
    ) as show:
        assert show.stderr is not None
        assert show.stdout is not None
        said = ""
        while "token" not in said:
            line = show.stderr.readline()
            assert line, "it has ended"
            said += line
        while (line := show.stdout.readline()) and not line.startswith("Type next"):
            pass
        show.send_signal(signal.SIGHUP)  # the terminal is closed
        console = re.search(r"Audience: (\S+)", said)
        assert console is not None
        assert httpx.get(console[1], timeout=20).status_code == 200
        assert show.poll() is None
        show.send_signal(signal.SIGTERM)
        assert show.wait(60) == Exit.INTERRUPTED


@pytest.mark.realtime
def test_typed_hands_at_a_bench_are_followed_over_a_pseudo_terminal(follow: Path) -> None:
    """Both programs as people start them: one is the exchange and somebody's hands, the other the show."""
    unit = str(ROOT / "configs" / "units" / "travelling.yaml")
    with subprocess.Popen(
        [sys.executable, "-m", "demo_ctl", "bench", "--pty", "--unit", unit],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        bufsize=1,
    ) as bench:
        assert bench.stdin is not None
        assert bench.stdout is not None
        port = re.search(r"served at (/dev/\S+)\.", bench.stdout.readline())
        assert port is not None
        show = Terminal("show", str(follow), "--port", port[1], "--plain", term="dumb")
        show.until("Type next")
        show.press(b"\n")
        show.until("Holding while the telephone on line parlour is used")
        bench.stdin.write("lift parlour\n")
        show.until("somebody is off the hook")
        time.sleep(1.5)  # they wait for dial tone, as people do
        bench.stdin.write("dial parlour 39 at 9 pps\n")
        show.until("has dialled 39")
        bench.stdin.write("hang up parlour\n")
        show.until("A visitor dialled 39: ")
        assert re.search(r"A visitor dialled 39: (8\.9|9\.0)", show.seen)
        show.press(b"\n")
        show.until("The show is over")
        show.press(b"quit\n")
        assert show.end() == Exit.OK
        bench.send_signal(signal.SIGTERM)
        assert bench.wait(30) == Exit.OK
    assert "Traceback" not in show.seen
