"""The reaction budget and the guard's hardware: sums, agreement with firmware and bench, and what is refused."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench import bus_readings, guard_circuit
from demo_ctl.board import bus, chip_parts, interlock, limits, permit, sense
from demo_ctl.board.pins import Pins
from demo_ctl.cli import safety_budget
from demo_ctl.link.advice import REASONS
from demo_ctl.safety import proving
from demo_ctl.safety.guard_data import Guard, load_guard, parse_guard
from demo_ctl.safety.reaction import BATTERY_OFF, NOTICED, RINGING_OFF, budget, paths
from demo_ctl.safety.reaction import Path as Way
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.located import Located
from demo_ctl.wire import messages as m

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "wiring" / "guard.yaml").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def guard() -> Located[Guard]:
    return load_guard(ROOT / "wiring" / "guard.yaml")


@pytest.fixture(scope="module")
def ways(guard: Located[Guard]) -> dict[str, Way]:
    return {line.path.name: line.path for line in budget(guard)}


def changed(text: str, old: str, new: str) -> str:
    assert text.count(old) == 1, old
    return text.replace(old, new)


# Sums.


def test_every_path_is_within_its_limit(guard: Located[Guard]) -> None:
    lines = budget(guard)
    assert not [line.path.name for line in lines if line.left_us < 0]
    assert {line.path.ends for line in lines} == {RINGING_OFF, NOTICED, BATTERY_OFF}


def test_the_paths_worked_out_by_hand(ways: dict[str, Way]) -> None:
    """From guard.yaml, in ms. Release: hold 60, flight 5, last current 25; pass 20; a whole reading 2 * 50 + 5."""
    expected = {
        "chain opens": 5 + 15 + 25,
        "isolator opens": 5 + 15 + 25 + 25,
        "chain seen open": 5 + 20 + 90,
        "heartbeat lost": 600 + 20 + 90,
        "over-current": 3 * 50 + 5 + 20 + 90,
        "over-voltage": 105 + 20 + 90,
        "bus not measured": 160 + 20 + 90,
        "bus reads dead": 250 + 20 + 90,
        "loop hung": 90,
        "window over": 110,
        "burst without pause": 105 + 5000 + 20 + 90,
        "relay stays up": 250 + 20,
        "mirror wrong at rest": 300 + 20,
        "bus live at rest": 105 + 300 + 20,
        "channels disagree": 200 + 20,
        "ringing elsewhere": 13 + 82 + 20 + 90,
        "somebody there": 500 + 50 + 20 + 90,
        "night lost": 2 * 50 + 20 + 90,
        "key contradicted": 5 + 100 + 200 + 20,
        "supply alarm": 50 + 50 + 20 + 60 + 60,
    }
    assert {name: ways[name].total_us for name in expected} == {name: ms * 1000 for name, ms in expected.items()}


def test_where_wires_act_no_software_is_in_the_sum(ways: dict[str, Way]) -> None:
    for name in ("chain opens", "key off", "isolator opens"):
        assert {part.source for part in ways[name].parts} == {"wiring/guard.yaml"}
    for name in ("loop hung", "clock stands", "clock races", "reset", "brown-out", "pump stands", "loop late"):
        assert not [part for part in ways[name].parts if part.source.startswith("board")]


def test_every_reason_that_trips_has_a_path(ways: dict[str, Way]) -> None:
    told = {reason for way in ways.values() for reason in way.reasons}
    trips = {code for code, advice in REASONS.items() if advice.trip}
    assert not trips - told
    assert {m.R_PRESENCE, m.R_COVERS, m.R_VISITORS, m.R_NIGHT_LOST} <= told  # these take ringing off without a latch
    assert {m.R_SILENCE, m.R_LATE, m.R_OVERFLOW, m.R_ENDED} <= told


def test_the_isolator_has_dropped_and_been_read_before_it_counts_as_welded(guard: Located[Guard]) -> None:
    """In good order it opens, and two readings show it, well before the board takes it for welded."""
    isolator, converter = guard.value.isolator, guard.value.converter
    opens_us = guard.value.contacts.bounce_us + isolator.follower.most_us + isolator.drop.most_us
    assert opens_us + 2 * converter.period_us + converter.latency_us < bus.ISOLATED_US


PARTS: dict[str, Callable[[interlock.Times], None]] = {
    name: lambda times, name=name: setattr(times, name, getattr(times, name) + 7000)  # type: ignore[misc]
    for name in ("loop_us", "pull_us", "drop_us", "apart_us", "odd_us", "key_us")
}


@pytest.mark.parametrize("name", list(PARTS))
def test_the_firmwares_own_times_are_what_is_added(guard: Located[Guard], name: str) -> None:
    times = interlock.Times()
    PARTS[name](times)
    grown = {way.name: way.total_us for way in paths(guard.value, times)}
    moved = {way.name: grown[way.name] - way.total_us for way in paths(guard.value)}
    assert set(moved.values()) == {0, 7000}


@pytest.mark.parametrize(
    ("which", "name"),
    [
        (m.L_HEARTBEAT_MS, "heartbeat lost"),
        (m.L_BURST_MS, "burst without pause"),
        (m.L_CALL_MS, "call budget"),
        (m.L_HOUR_MS, "hour budget"),
    ],
)
def test_the_limits_in_force_are_what_is_added(guard: Located[Guard], which: int, name: str) -> None:
    values = limits.safety_limits()
    values[which] -= 50
    tighter = {way.name: way.total_us for way in paths(guard.value, None, values)}
    assert {way.name: way.total_us - tighter[way.name] for way in paths(guard.value)} == {
        way.name: 50_000 if way.name == name else 0 for way in paths(guard.value)
    }


def test_constants_of_the_firmware_stand_in_the_sums(ways: dict[str, Way]) -> None:
    def parts(name: str) -> dict[str, int]:
        return {part.name: part.us for part in ways[name].parts}

    assert parts("bus not measured")["no new reading"] == bus.STALE_US
    assert parts("ringing elsewhere")["ringing detector"] == Pins.ring_attack_us
    assert parts("ringing elsewhere")["ringing filter"] >= sense.RINGING_ON_US
    assert parts("telephone off the hook")["loop filter"] >= sense.STEADY_US
    assert parts("supply alarm")["alarm contact's filter"] == permit.ALARM_US
    assert parts("supply lease over")["longest lease"] == permit.LEASE_MOST_MS * 1000
    assert parts("instruction late")["an instruction may be late"] == limits.LATE_US


@settings(deadline=None, max_examples=40)
@given(st.sampled_from(["bounce: ", "pull: { least: 6 ms, typical: 12 ms, most: ", "period: "]), st.integers(30, 200))
def test_a_slower_part_never_makes_a_path_shorter(key: str, ms: int) -> None:
    text = re.sub(re.escape(key) + r"\d+ ms", f"{key}{ms} ms", TEXT)
    found = {way.name: way.total_us for way in paths(parse_guard(text, "guard.yaml").value)}
    before = {way.name: way.total_us for way in paths(parse_guard(TEXT, "guard.yaml").value)}
    slower = [name for name in before if found[name] > before[name]]
    faster = [name for name in before if found[name] < before[name]]
    assert not (slower and faster) or key == "period: "
    if ms >= 50:
        assert not faster


# Agreement.


def test_the_bench_is_inside_the_hardwares_spans(guard: Located[Guard]) -> None:
    hardware = guard.value
    hold, pull, drop = hardware.pump.hold, hardware.relay.pull, hardware.relay.drop
    assert hold.typical_us == guard_circuit.GUARD_HOLD_US
    assert hardware.pump.drifted_us == guard_circuit.SLOW_HOLD_US
    assert hardware.pump.shortest_us == guard_circuit.PUMP_LEAST_US
    assert hardware.pump.longest_us == guard_circuit.PUMP_MOST_US
    assert pull.typical_us == guard_circuit.GUARD_PULL_US
    assert drop.typical_us == guard_circuit.GUARD_DROP_US
    isolator = hardware.isolator
    assert isolator.pull.typical_us == guard_circuit.ISOLATOR_PULL_US
    assert isolator.drop.typical_us == guard_circuit.ISOLATOR_DROP_US
    assert isolator.follower.typical_us == guard_circuit.FOLLOWER_DROP_US
    assert hardware.converter.period_us == bus_readings.CYCLE_US


def test_the_interlock_gives_the_hardware_the_time_it_needs(guard: Located[Guard]) -> None:
    hardware, times = guard.value, interlock.Times()
    assert times.pump_us > hardware.pump.shortest_us
    assert times.loop_us < hardware.pump.longest_us
    assert 4 * times.pump_us <= hardware.pump.hold.least_us  # a missed pass or two drops nothing
    assert times.pull_us > hardware.relay.pull.most_us + times.pump_us  # the first move counts for nothing
    assert times.hold_us >= hardware.pump.hold.most_us
    release_us = hardware.pump.hold.most_us + hardware.relay.flight.most_us + hardware.relay.last_current_us
    reading_us = 2 * hardware.converter.period_us + hardware.converter.latency_us
    assert times.drop_us >= release_us + reading_us
    assert times.prove_us >= reading_us
    assert hardware.converter.period_us + hardware.converter.latency_us < bus.STALE_US
    assert times.apart_us > hardware.contacts.bounce_us
    assert hardware.relay.drop.most_us <= proving.RELAY_DROP_US
    isolated_us = {way.name: way.total_us for way in paths(hardware)}["isolator opens"]
    assert isolated_us + reading_us + 2 * proving.LOOK_US <= proving.ISOLATED_US


def test_a_short_is_more_than_bells_take_and_the_lamp_carries_it(guard: Located[Guard]) -> None:
    feed, values = guard.value.feed, limits.safety_limits()
    most_mA = values[m.L_CEILING_V] / feed.lamp_ohm * 1000
    assert most_mA <= feed.lamp_carries_mA
    assert values[m.L_CURRENT_mA] < 75 / feed.lamp_ohm * 1000  # the lowest ringing of the facts
    assert values[m.L_CURRENT_mA] / 1000 * feed.lamp_ohm == pytest.approx(72)  # as README.md says


def test_memory_is_looked_at_as_often_as_the_data_says(guard: Located[Guard]) -> None:
    assert guard.value.chip.memory_us >= chip_parts.LOOK_US


def test_the_readme_says_what_the_budget_says(ways: dict[str, Way]) -> None:
    text = (ROOT / "wiring" / "README.md").read_text(encoding="utf-8")
    part = text.split("## What the hardware does without any software")[1].split("## ")[0]
    said = [int(number) for number in re.findall(r"\| (\d+) ms \|", part)]
    names = ["chain opens", "isolator opens", "loop hung", "reset", "heartbeat lost", "chain opens"]
    assert said == [ways[name].total_us // 1000 for name in names]
    least_ms, most_ms = (us / 1000 for us in parse_guard(TEXT, "guard.yaml").value.pump.hold_range_us())
    assert f"give {least_ms:.0f} to {most_ms:.0f} ms" in text


# What is refused.


@pytest.mark.parametrize(
    ("old", "new", "line_of", "says"),
    [
        ("34.2 uF", "20 uF", "hold:", "not within 40 to 60 ms"),
        ("5.6 V", "3 V", "hold:", "not within 40 to 60 ms"),
        (
            "lets go: { least: 5.6 V, typical: 6 V, most: 6.6 V }",
            "lets go: { least: 5 V, typical: 6 V, most: 24 V }",
            "lets go:",
            "below the supply",
        ),
        ("longest: 40 ms", "longest: 41 ms", "longest: 41", "would chatter"),
        ("shortest: 3 ms", "shortest: 40 ms", "shortest:", "less than longest"),
        ("drifted: 180 ms", "drifted: 60 ms", "drifted:", "longer than the longest hold"),
        ("pull: { least: 6 ms", "pull: { least: 13 ms", "pull:", "least <= typical <= most"),
        ("resistor: 15 kohm", "resistor: 25 kohm", "resistor: 25", "takes 1."),
        ("fuse: 500 mA", "fuse: 200 mA", "fuse:", "carry what the lamp carries"),
        ("lamp: 400 ohm", "lamp: 0 ohm", "lamp: 0", "more than nothing"),
        ("pull: { least: 8 ms", "pull: { least: 21 ms", "pull: { least: 21", "least <= typical <= most"),
        ("bounce: 5 ms", "bounce: 5", "bounce:", "time with its unit"),
        ("latency: 5 ms", "lateness: 5 ms", "lateness:", "lateness"),
    ],
)
def test_a_guard_that_makes_no_sense_is_refused_with_its_line(old: str, new: str, line_of: str, says: str) -> None:
    text = changed(TEXT, old, new)
    with pytest.raises(InputError) as caught:
        parse_guard(text, "guard.yaml")
    line = next(n for n, row in enumerate(text.splitlines(), 1) if row.lstrip().startswith(line_of))
    said = str(caught.value)
    assert says in said
    assert f"guard.yaml:{line}:" in said


def test_limits_and_paths_are_the_same_names() -> None:
    with pytest.raises(InputError, match=r"guard\.yaml:\d+: limits: there is no path 'chain opened'") as caught:
        budget(parse_guard(changed(TEXT, "\n  chain opens:", "\n  chain opened:"), "guard.yaml"))
    assert "the path 'chain opens' has no limit" in str(caught.value)


# The command.


def _run(*words: str) -> int:
    parser = argparse.ArgumentParser()
    safety_budget.arguments(parser)
    return safety_budget.run(parser.parse_args([*words]))


def test_the_command_prints_every_path_and_its_parts(capsys: pytest.CaptureFixture[str], ways: dict[str, Way]) -> None:
    assert _run("--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["format"] == "demo_ctl safety budget 1"
    assert {row["name"]: row["total_us"] for row in told["paths"]} == {way.name: way.total_us for way in ways.values()}
    assert all(sum(part["us"] for part in row["parts"]) == row["total_us"] for row in told["paths"])
    assert _run() == 0
    text = " ".join(capsys.readouterr().out.split())
    assert "heartbeat: the limit in force" in text
    assert f"All {len(ways)} within their limits." in text


def test_a_path_that_is_over_its_limit_is_exit_code_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "guard.yaml"
    file.write_text(changed(TEXT, "last current: 25 ms", "last current: 31 ms"), encoding="utf-8")
    assert _run("--guard", str(file)) == 1
    assert "OVER: chain opens, key off" in capsys.readouterr().out
