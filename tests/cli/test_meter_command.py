"""`demo_ctl safety meter` at the bench, whose people and whose meter know what is really there."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import pytest

from demo_ctl.bench.people import obey
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.safety.meter_book import read_rows
from demo_ctl.safety.readiness import NotReady, check_meter
from tests.cli.started import demo

ROOT = Path(__file__).resolve().parents[2]
#: What the sample unit has (configs/units/mossbrook.yaml).
TRUE = ("--generator", "86", "--battery", "50", "--doubt", "1")
LOW = "bench://?guard=locked&hands=0 s:break converter-reads-low"
BOARD = 0x4D6F737300000000


def _run(folder: Path, *words: str, typed: str | None = None) -> subprocess.CompletedProcess[str]:
    return demo("safety", *words, "--proving-dir", str(folder), typed=typed)


def _ring(folder: Path) -> None:
    check_meter(cast(Any, SimpleNamespace(board=BOARD)), folder, unit="Mossbrook seven-digit unit", simulated=True)


def test_a_converter_that_has_drifted_is_found_and_nothing_rings_until_it_is_right_again(tmp_path: Path) -> None:
    run = _run(tmp_path, "show", "--port", "bench://?guard=locked")
    assert "Not compared with a meter" in run.stdout
    _ring(tmp_path)

    run = _run(tmp_path, "meter", "--port", LOW, *TRUE, "--who", "Ada", "--json")
    assert run.returncode == 1
    found = json.loads(run.stdout)
    assert (found["outcome"], found["who"], found["generator_meter_V"]) == ("fail", "Ada", 86)
    assert found["generator_V"] < 80
    assert [check["outcome"] for check in found["checks"]] == ["fail"] * 3
    assert found["checks"][2]["value"] > 200
    assert "only a competent person" in run.stderr.replace("\n", " ")
    assert json.loads(_run(tmp_path, "show", "--port", LOW, "--json").stdout)["meter"]["keeps_from_ringing"]
    with pytest.raises(NotReady, match="does not measure what a meter measures") as refused:
        _ring(tmp_path)
    assert "safety meter" in refused.value.next_step

    run = _run(tmp_path, "meter", "--port", "bench://?guard=locked", *TRUE)
    assert run.returncode == 0
    assert "Board and meter agree" in run.stdout
    _ring(tmp_path)
    assert [row.outcome for row in read_rows(tmp_path) if row] == ["fail", "pass"]


def test_figures_are_asked_for_until_they_are_some(tmp_path: Path) -> None:
    run = _run(tmp_path, "meter", "--port", "bench://", typed="lots\n86.1 V\n0\n50\n7\n0.5 %\n")
    assert run.returncode == 0
    assert run.stdout.count("By the meter") == 4
    assert run.stdout.count("How far may the meter be off") == 2
    assert "a meter that may be off by more cannot tell" in run.stdout
    assert "is a number from 1 to 300" in run.stdout
    assert "asks for no comparison" in run.stdout
    run = _run(tmp_path, "meter", "--port", "bench://", typed="")
    assert run.returncode == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--generator", "eighty"), "--generator is a number"),
        (("--battery", "nan"), "--battery is a number"),
        (("--doubt", "0"), "--doubt is a number from 0.01"),
        (("--doubt", "1e9"), "--doubt is a number from 0.01"),
    ],
)
def test_what_is_no_figure_is_refused_and_nothing_kept(tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    run = _run(tmp_path, "meter", "--port", "bench://", *TRUE, *words)
    assert run.returncode == 2
    assert said in run.stderr
    assert read_rows(tmp_path) == []


@pytest.mark.parametrize("key", ["day", "off"])
@pytest.mark.parametrize("fault", ["bus-sense-dead", "converter-reads-far-too-low"])
def test_the_last_figures_of_a_converter_that_gives_none_are_not_compared(tmp_path: Path, key: str, fault: str) -> None:
    run = _run(tmp_path, "meter", "--port", f"bench://?key={key}&hands=0 s:break {fault}", *TRUE)
    assert run.returncode == 2
    assert "no readings from its converter" in run.stderr
    assert read_rows(tmp_path) == []


def test_with_the_chain_open_there_is_nothing_to_compare(tmp_path: Path) -> None:
    run = _run(tmp_path, "meter", "--port", "bench://?key=off", *TRUE)
    assert run.returncode == 2
    assert "no voltage of the generator" in run.stderr
    assert "every cover closed" in " ".join(run.stderr.split())


def test_the_bench_s_own_meter_reads_what_is_there_whatever_the_converter_says() -> None:
    add_url_package("demo_ctl.bench")
    port: Any = open_port("bench://")
    try:
        hardware = port._line.world.hardware
        obey(hardware, "break converter-reads-low")
        said = obey(hardware, "meter")
        assert "86.0 V at the generator" in said
        assert "50.0 V at the battery" in said
        assert hardware.metered_V() == (86, 50)
    finally:
        port.close()
