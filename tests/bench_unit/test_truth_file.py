"""The truth file: what the bench writes, what the page says, and what the reader reads are one and the same."""

from __future__ import annotations

import json
import os
import re
from contextlib import closing, suppress
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from serial import SerialException

from demo_ctl.bench import truth as bench_truth
from demo_ctl.bench import truth_file as writing
from demo_ctl.bench.fault_text import ailments_of
from demo_ctl.bench.faults import FAULTS, Fault
from demo_ctl.bench.kernel import Kernel
from demo_ctl.bench.people import PROVING_US
from demo_ctl.bench.places import Kind
from demo_ctl.bench.protocol_bench import Options, Serial
from demo_ctl.bench.truth import THINGS, Truth, TruthLog
from demo_ctl.bench.truth_file import TruthFile
from demo_ctl.bench.unit import BenchUnit
from demo_ctl.ledger import read as reading
from demo_ctl.ledger.read import TruthRow, read_record, read_truth
from demo_ctl.ledger.record import RecordWriter
from demo_ctl.link.client import Client
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.plan.build import build
from demo_ctl.run.perform import perform
from demo_ctl.safety.readiness import bench_ready
from demo_ctl.script.load import load_call
from demo_ctl.terms.errors import InputError, LinkError
from demo_ctl.wire import messages as m

ROOT = Path(__file__).resolve().parents[2]
S = 1_000_000
add_url_package("demo_ctl.bench")

#: On the sample unit, on the way of a call from its line counter to its line parlour.
PLACES = {
    Kind.SELECTOR: "selector 1",
    Kind.CONNECTOR: "connector",
    Kind.FINDER: "finders",
    Kind.TRUNK: "trunk 1/5/1",
    Kind.TERMINAL: "terminal 34",
    Kind.LINE: "line counter",
    Kind.TONE: "tone dial",
    Kind.RINGING: "ringing",
    Kind.UNIT: "unit",
}
#: Control characters would reach somebody's terminal: the reader takes them out, and no name in a unit's file has any.
names = st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1, max_size=60)
rows_of_time = st.lists(st.tuples(st.integers(0, 10**9), names, st.sampled_from(sorted(THINGS))), max_size=30)


def _place(url: str, call: str = "answered", unit: str = "mossbrook", record: Path | None = None) -> Any:
    plan = build(
        load_call(ROOT / f"configs/calls/{call}.yaml"),
        load_unit(ROOT / f"configs/units/{unit}.yaml"),
        Fraction(1),
    )
    url += f"&unit={ROOT}/configs/units/{unit}.yaml"
    for busy in plan.busy_trunks:
        url += f"&busy={busy.stage}/{busy.level}/{','.join(map(str, busy.positions))}"
    with closing(Client(open_port(url))) as client:
        told = RecordWriter(record) if record else None
        result = perform(plan, client, told, trunks_busied=lambda _: True, ready=bench_ready)
        line: Any = getattr(client.port, "_line")  # noqa: B009  # the bench behind the port
        return result, list(line.unit.truth)


def test_bench_and_reader_agree_about_the_format() -> None:
    assert (writing.FORMAT, writing.MOST_BYTES) == (reading.TRUTH_FORMAT, reading.MOST_TRUTH_BYTES)


@pytest.mark.parametrize("call", ["answered", "all-trunks-busy"])
def test_a_call_s_truth_is_read_as_it_was_on_the_board_s_clock(tmp_path: Path, call: str) -> None:
    ticks = (1 << 30) - 5 * S  # the board's counter wraps in the middle of it
    file = tmp_path / "truth.jsonl"
    result, kept = _place(f"bench://?seed=7&ticks={ticks}&truth={file}", call)
    assert result.exit_code == 0
    truth = read_truth(file)
    boot = result.observation.welcome.boot
    assert truth.complete
    assert truth.remarks == ()
    assert (truth.seed, truth.boot, truth.unit) == (7, boot, result.plan.unit)
    assert "truth" not in truth.port
    assert len(kept) > 50
    zero = ticks + PROVING_US  # what the board's clock reads when the port's reads 0
    assert list(truth.rows) == [TruthRow(boot, row.at_us + zero, row.what, row.value) for row in kept]
    # The two clocks are one: the line relay answers the loop that the board's own event is stamped with.
    lifted_us = next(event.at_us for event in result.observation.events if event.kind == m.EV_ENDED)
    first = next(row for row in truth.rows if row.what.endswith("/line relay"))
    assert lifted_us < first.at_us < lifted_us + S


def test_the_page_the_code_and_the_bench_name_the_same_things(tmp_path: Path) -> None:
    """Whoever adds a thing to the truth documents it."""
    page = (ROOT / "demo_ctl/ledger/RECORD.md").read_text().split("# The truth file", 1)[1]
    told = dict.fromkeys(re.findall(r"^\| `([^`]+)` \| (?:line|finder|selector|connector|lamp)", page, re.M))
    assert set(told) == set(THINGS)
    seen = set()
    for call in ("answered", "busy", "all-trunks-busy", "wrong-number"):
        for row in _place("bench://?seed=1", call)[1]:
            part, _, thing = row.what.rpartition("/")
            assert re.fullmatch(r"line [^/]+|line finder \d+|[^/]+ (\d+|\d+-\d+)", part), row
            assert 0 <= row.value <= THINGS[thing], row
            seen.add(thing)
    bench = Serial(None, timeout=0)
    bench.port = f"bench://?unit={ROOT}/configs/units/mossbrook.yaml"
    bench.open()
    bench.world.hardware.lamps(0b101)
    bench.world.hardware.lamps(0b100)
    bench.close()
    lamps = [(row.what, row.value) for row in bench.unit.truth if row.what.startswith("lamp ")]
    assert lamps == [("lamp 1/lit", 1), ("lamp 3/lit", 1), ("lamp 1/lit", 0)]
    seen.add("lit")
    assert seen == set(THINGS)


@pytest.mark.parametrize("fault", FAULTS.values(), ids=lambda fault: fault.name)
def test_what_is_wrong_with_the_unit_is_told_in_the_same_words(fault: Fault) -> None:
    """No fault brings a thing that the page does not know, or a value that it cannot have."""
    unit = load_unit(ROOT / "configs/units/mossbrook.yaml").value
    ailing = ailments_of([f"{fault.name}@{PLACES[kind]}" for kind in fault.places], unit)
    kernel = Kernel()
    bench = BenchUnit(kernel, unit, ailments=ailing)
    bench.set_ringing_feed(True)
    t_us = 0
    for port, number in ((1, "5550134"), (3, "5550134"), (1, "5550134")):
        bench.set_loop(port, True)
        kernel.run_to(t_us := t_us + 3 * S)
        for digit in number:
            for _ in range(int(digit) or 10):
                bench.set_loop(port, False)
                kernel.run_to(t_us := t_us + 60_000)
                bench.set_loop(port, True)
                kernel.run_to(t_us := t_us + 40_000)
            kernel.run_to(t_us := t_us + S)
        kernel.run_to(t_us := t_us + 8 * S)
        bench.set_loop(2, True)
        kernel.run_to(t_us := t_us + 2 * S)
        bench.set_loop(2, False)
        bench.set_loop(port, False)
        kernel.run_to(t_us := t_us + 3 * S)
    assert len(bench.truth) >= 2
    for row in bench.truth:
        assert 0 <= row.value <= THINGS[row.what.rpartition("/")[2]], row


@settings(deadline=None, max_examples=100)
@given(steps=rows_of_time, ticks=st.integers(0, 1 << 30), resets=st.sets(st.integers(0, 29), max_size=3))
def test_what_is_written_is_read(
    tmp_path_factory: pytest.TempPathFactory,
    steps: list[tuple[int, str, str]],
    ticks: int,
    resets: set[int],
) -> None:
    """Any names, any times, resets of the board in between."""
    file = tmp_path_factory.mktemp("truth") / "t.jsonl"
    clock = [1, -ticks]
    out = TruthFile(file, port="bench://", unit="Ünit", seed=4, clock=lambda: (clock[0], clock[1]))
    now_us = 0
    wanted = []
    for index, (wait_us, part, thing) in enumerate(steps):
        now_us += wait_us
        if index in resets:
            clock[0] += 1
            clock[1] = now_us
        out.tell(Truth(now_us, f"{part}/{thing}", index % 2))
        wanted.append(TruthRow(clock[0], now_us - clock[1], f"{part}/{thing}", index % 2))
    out.close()
    out.close()
    assert file.exists() == bool(steps)  # nothing happened: nothing is left
    if steps:
        truth = read_truth(file)
        assert list(truth.rows) == wanted
        assert truth.unit == "Ünit"
        assert truth.complete
        assert all(line.isascii() for line in file.read_bytes().splitlines())


def test_a_reset_board_begins_to_count_again(tmp_path: Path) -> None:
    port = Serial(None, timeout=0)
    port.port = f"bench://?ticks=1000&guard=locked&truth={tmp_path}/t.jsonl"
    port.open()
    world = port.world
    world.advance(S)
    world.unit.set_loop(1, True)
    world.advance(5 * S)
    world.unit.set_loop(1, False)
    world.reset_board()
    world.advance(10 * S)
    port.close()
    truth = read_truth(tmp_path / "t.jsonl")
    first = [row for row in truth.rows if row.boot == truth.boot]
    second = [row for row in truth.rows if row.boot == truth.boot + 1]
    assert first
    assert second
    assert len(first) + len(second) == len(truth.rows) == len(world.unit.truth)
    assert [row.at_us - 1000 for row in first] == [row.at_us for row in world.unit.truth[: len(first)]]
    assert [row.at_us + 5 * S for row in second] == [row.at_us for row in world.unit.truth[len(first) :]]


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(tmp_path: Path) -> None:
    for name, seed in (("a", 5), ("b", 5), ("c", 6)):
        _place(f"bench://?seed={seed}&truth={tmp_path}/{name}")
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()
    assert (tmp_path / "a").read_bytes() != (tmp_path / "c").read_bytes()


def test_micropython_s_truth_is_the_same_bytes(tmp_path: Path) -> None:
    for board in ("python", "micropython"):
        _place(f"bench://?seed=5&board={board}&truth={tmp_path}/{board}")
    here, there = ((tmp_path / board).read_text().split("\n", 1) for board in ("python", "micropython"))
    assert here[1] == there[1]


def test_no_call_looks_at_the_truth(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With or without a truth file, and with a truth that cannot be read, all that is seen and judged is the same."""
    plain, _ = _place("bench://?seed=2", record=tmp_path / "plain")
    told, _ = _place(f"bench://?seed=2&truth={tmp_path}/t.jsonl", record=tmp_path / "told")

    def forbidden(_: BenchUnit) -> list[Truth]:
        raise AssertionError("somebody looked")

    plan = plain.plan
    monkeypatch.setattr(BenchUnit, "truth", property(forbidden))
    monkeypatch.setattr("demo_ctl.ledger.read.read_truth", forbidden)
    url = f"bench://?seed=2&unit={ROOT}/configs/units/mossbrook.yaml"
    with closing(Client(open_port(url))) as client:
        blind = perform(plan, client, RecordWriter(tmp_path / "blind"), trunks_busied=lambda _: True, ready=bench_ready)
    for other in (told, blind):
        assert other.observation.events == plain.observation.events
        assert other.judgement == plain.judgement
    records = [read_record(tmp_path / name) for name in ("plain", "told", "blind")]
    assert len({record.verdicts for record in records}) == 1
    # No word of it in what is kept, but for the file's name in the URL that a person typed.
    for name in ("plain", "told", "blind"):
        text = (tmp_path / name).read_text()
        assert "selector 2/" not in text
        assert text.count("truth") == text.count("truth=") == (1 if name == "told" else 0)


def test_memory_is_bounded_and_the_file_has_everything(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bench_truth, "MOST_KEPT", 100)
    out = TruthFile(tmp_path / "t", port="bench://", unit="u", seed=0, clock=lambda: (1, 0))
    log = TruthLog()
    log.tell = out.tell
    for at_us in range(1000):
        log.append(Truth(at_us, "line 1/line relay", at_us % 2))
        assert min(at_us + 1, 50) <= len(log) <= 100
    out.close()
    assert log[-1].at_us == 999
    assert [row.at_us for row in read_truth(tmp_path / "t").rows] == list(range(1000))


def test_a_full_file_ends_and_says_so(tmp_path: Path) -> None:
    out = TruthFile(tmp_path / "t", port="bench://", unit="u", seed=0, clock=lambda: (1, 0), most_bytes=2000)
    for at_us in range(1000):
        out.tell(Truth(at_us, "line 1/line relay", at_us % 2))
    out.close()
    truth = read_truth(tmp_path / "t")
    assert (tmp_path / "t").stat().st_size <= 2000
    assert not truth.complete
    assert "stopped writing" in truth.remarks[0]
    assert 15 < len(truth.rows) < 1000


def test_a_disk_that_fails_ends_the_bench_with_a_sentence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.write
    room = [300]

    def write(fd: int, data: bytes) -> int:
        if room[0] <= 0:
            raise OSError(28, "No space left on device")
        done = real(fd, data[: max(1, min(room[0], len(data)))])
        room[0] -= done
        return done

    port = Serial(None, timeout=5)
    port.port = f"bench://?truth={tmp_path}/t.jsonl"
    port.open()
    port.world.advance(S)
    port.world.unit.set_loop(1, True)
    with monkeypatch.context() as patch:
        patch.setattr(os, "write", write)
        with pytest.raises(SerialException, match=r"the truth cannot be written to .*t.jsonl: No space left"):
            port.read(4096)
    port.close()
    truth = read_truth(tmp_path / "t.jsonl")
    assert not truth.complete
    assert len(truth.rows) > 2
    assert any("torn" in remark for remark in truth.remarks)


def test_options_are_checked(tmp_path: Path) -> None:
    assert Options(f"bench://?truth={tmp_path}/x").truth == f"{tmp_path}/x"
    assert Options(f"bench://?seed=3&truth={tmp_path}/x&busy=1/5/1").run_url == "bench://?seed=3&busy=1/5/1"
    with pytest.raises(SerialException, match="name of a file"):
        Options("bench://?truth=")
    there = tmp_path / "there"
    there.write_text("mine")
    for file, said in ((there, "there already"), (tmp_path / "no" / "way", "cannot be written")):
        with pytest.raises(LinkError, match=said):
            open_port(f"bench://?truth={file}")
    assert there.read_text() == "mine"


START = {"row": "start", "format": "demo_ctl truth 1", "port": "bench://", "unit": "u", "seed": 0, "boot": 1}
ROW = {"row": "truth", "at_us": 5, "what": "line 1/line relay", "value": 1}
END = {"row": "end", "status": "finished", "rows": 1}


def _file(tmp_path: Path, *rows: object, tail: str = "") -> Path:
    file = tmp_path / "t.jsonl"
    file.write_text("".join(json.dumps(row) + "\n" for row in rows) + tail)
    return file


@pytest.mark.parametrize(
    ("rows", "line", "said"),
    [
        ([], 0, "empty"),
        ([ROW], 1, "expected a start row"),
        ([{**START, "format": "demo_ctl record 1"}], 1, "'demo_ctl truth 1', found 'demo_ctl record 1'"),
        ([{**START, "boot": -1}], 1, "boot"),
        ([{**START, "unit": 5}], 1, "unit: expected text"),
        ([START, {**ROW, "what": "nothing"}], 2, "a slash"),
        ([START, {**ROW, "what": "/A"}], 2, "a slash"),
        ([START, {**ROW, "what": "a/" + "A" * 300}], 2, "a slash"),
        ([START, {**ROW, "value": True}], 2, "value"),
        ([START, {**ROW, "value": 1 << 20}], 2, "value"),
        ([START, {**ROW, "at_us": 1.5}], 2, "at_us"),
        ([START, ROW, {**ROW, "at_us": 4}], 3, "before the row above"),
        ([START, ROW, {"row": "boot"}], 3, "boot"),
        ([START, ROW, {**END, "rows": 2}], 3, "counts 2 rows"),
        ([START, ROW, {"row": "end", "rows": 1}], 3, "status"),
        ([START, ROW, END, ROW], 4, "nothing may follow"),
        ([START, START], 2, "second start"),
        ([START, [1]], 2, "JSON object"),
        ([START, {"what": "a/A"}], 2, '"row"'),
    ],
)
def test_damage_has_a_file_and_a_line(tmp_path: Path, rows: list[object], line: int, said: str) -> None:
    file = _file(tmp_path, *rows)
    with pytest.raises(InputError) as caught:
        read_truth(file)
    assert said in str(caught.value)
    assert caught.value.where is not None
    assert (caught.value.where.file, caught.value.where.line) == (str(file), line)


def test_what_a_reader_passes_over_it_remarks(tmp_path: Path) -> None:
    truth = read_truth(_file(tmp_path, START, ROW, {"row": "later"}, tail='{"row":"tru'))
    assert [row.what for row in truth.rows] == ["line 1/line relay"]
    assert not truth.complete
    assert len(truth.remarks) == 3
    assert "torn" in truth.remarks[0]
    assert "no end row" in truth.remarks[1]
    assert "later" in truth.remarks[2]


def test_bounds_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reading, "MOST_TRUTH_BYTES", 300)
    with pytest.raises(InputError, match="larger than the 300 bytes a truth may have"):
        read_truth(_file(tmp_path, START, *[ROW] * 10))
    with pytest.raises(InputError, match="cannot be read"):
        read_truth(tmp_path)


@settings(deadline=None, max_examples=200)
@given(cut=st.integers(0, 400), flip=st.integers(0, 400), to=st.integers(0, 255))
def test_no_damage_gives_a_traceback(tmp_path_factory: pytest.TempPathFactory, cut: int, flip: int, to: int) -> None:
    good = "".join(json.dumps(row) + "\n" for row in (START, ROW, {"row": "boot", "boot": 2}, ROW, {**END, "rows": 2}))
    data = bytearray(good.encode())
    data[flip % len(data)] = to
    file = tmp_path_factory.mktemp("hurt") / "t"
    file.write_bytes(bytes(data[: len(data) - cut]) if cut < len(data) else b"")
    with suppress(InputError):
        read_truth(file)
