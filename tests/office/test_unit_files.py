"""Unit files: the samples are sound, what is wrong with one is said with its line, and nothing else can happen."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.office.check import check_unit, ringing_ceiling_V
from demo_ctl.office.load import load_unit, parse_unit
from demo_ctl.office.model import Unit
from demo_ctl.office.schema import schema_text
from demo_ctl.office.timing import hunting_need_us
from demo_ctl.terms.errors import InputError, Place
from demo_ctl.terms.located import FileError, decode, read_yaml

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
SAMPLES = sorted((CONFIGS / "units").glob("*.yaml"))
TEXTS = [path.read_text(encoding="utf-8") for path in SAMPLES]
WHICH = st.sampled_from(range(len(SAMPLES)))
Said = Callable[[str], list[tuple[int, str]]]


def line_of(text: str, part: str) -> int:
    """Return the line `part` begins in (the whitespace before it left out)."""
    at = text.index(part) + len(part) - len(part.lstrip())
    return text.count("\n", 0, at) + 1


# The samples.


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_samples_load(path: Path) -> None:
    found = load_unit(path)
    assert found.file == str(path)
    assert not check_unit(found)


def test_samples_are_what_the_scripts_count_on() -> None:
    units = [load_unit(path).value for path in SAMPLES]
    assert [len(unit.selectors) for unit in units] == [5, 1]
    for unit in units:
        ports = {line.name: line.port for line in unit.lines if line.port}
        assert ports == {"counter": 1, "parlour": 2, "workshop": 3, "stage": 4}
        assert {line.attached for line in unit.lines} >= {"public telephone", "staff", "nothing"}
        assert [line.name for line in unit.lines if line.vacant] == ["empty terminal"]
        assert any(re.sub(r"\D", "", line.number).endswith("00") for line in unit.lines)
        # Two held calls and the caller need a finder each.
        assert unit.finders.count >= 3


def test_the_travelling_units_trunks_can_all_be_held_by_two_ports() -> None:
    (level,) = load_unit(CONFIGS / "units" / "travelling.yaml").value.selectors[0].levels.values()
    assert level.trunks == (1, 2)


def test_the_samples_differ_in_their_figures() -> None:
    one, two = (load_unit(path).value for path in SAMPLES)
    assert one.ringing.on_us != two.ringing.on_us
    assert one.adjustment != two.adjustment
    assert one.dial != two.dial


@pytest.mark.parametrize("text", TEXTS, ids=[path.stem for path in SAMPLES])
def test_every_group_of_figures_says_where_it_comes_from(text: str) -> None:
    sources = re.findall(r"^\s*source: (.+)$", text, re.M)
    assert len(sources) >= 20
    for source in sources:
        assert re.search(r"CFR|Specification|second-hand|from memory|no source|table|ITU|BSTJ|guide|unit", source), (
            source
        )


# JSON Schema.


class Core(yaml.SafeLoader):
    """Reads plain scalars as editors do (YAML 1.2 core): `on` is a word, 1:30 is no number."""


Core.yaml_implicit_resolvers = {}
Core.add_implicit_resolver("tag:yaml.org,2002:null", re.compile(r"^(~|null|Null|NULL|)$"), ["~", "n", "N", ""])
Core.add_implicit_resolver("tag:yaml.org,2002:bool", re.compile(r"^(true|false)$"), list("tf"))
Core.add_implicit_resolver("tag:yaml.org,2002:int", re.compile(r"^[-+]?[0-9]+$"), list("-+0123456789"))


def as_editors_see(text: str) -> Any:
    """Keys are always texts in JSON."""

    def keyed(node: Any) -> Any:
        if isinstance(node, dict):
            return {str(key): keyed(value) for key, value in node.items()}
        return [keyed(item) for item in node] if isinstance(node, list) else node

    return keyed(yaml.load(text, Loader=Core))


def test_the_schema_file_is_the_one_made_from_the_types() -> None:
    assert (CONFIGS / "schema" / "unit.schema.json").read_text(encoding="utf-8") == schema_text()


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(json.loads(schema_text()))


@pytest.mark.parametrize("text", TEXTS, ids=[path.stem for path in SAMPLES])
def test_samples_agree_with_the_schema(text: str) -> None:
    jsonschema.Draft202012Validator(json.loads(schema_text())).validate(as_editors_see(text))
    assert text.startswith("# yaml-language-server: $schema=../schema/unit.schema.json\n")


@pytest.mark.parametrize(
    ("old", "new"),
    [("speed: 10 pps", "speed: 10"), ("speed: 10 pps", "spede: 10 pps"), ("kind: selector", "kind: selektor")],
)
def test_editors_mark_what_the_loader_refuses(old: str, new: str, said_of_unit: Said) -> None:
    text = TEXTS[0].replace(old, new, 1)
    assert said_of_unit(text)
    assert list(jsonschema.Draft202012Validator(json.loads(schema_text())).iter_errors(as_editors_see(text)))


# Contradictions, each in its line.


@pytest.mark.parametrize(
    ("old", "new", "at", "said"),
    [
        ("digits: 7", "digits: 8", "digits: 8", "5 selectors and a connector take 7 and no stage absorbs digits"),
        ("digits: 7", "digits: 6", "digits: 6", "5 selectors and a connector take 7"),
        ("5-0134", "5-01345", "number: KLondike 5-01345", "is 8 digits .*, expected 7"),
        ("KLondike 5-0134", "KLondike 6-0134", "number: KLondike 6", "digit 3 leads to level 6 of 'third selector'"),
        ("KLondike 5-0134", "QUeen 5-0134", "number: QUeen", "'Q' is on no hole"),
        ("KLondike 5-0134", "KLondike 5-0123", "number: KLondike 5-0123\n    finder level: 3", "used twice .*line 74"),
        ("attached: port 3", "attached: port 1", "attached: port 1\n    loop: 400", "port '1' is used twice"),
        ("attached: port 3", "attached: port 5", "attached: port 5", "expected 'port 1' to 'port 4'"),
        (
            "name: parlour",
            "name: counter",
            "name: counter\n    number: KLondike 5-0134",
            "name 'counter' is used twice",
        ),
        ("finder level: 3", "finder level: 2", None, None),  # another terminal of that level: nothing wrong
        ("finder terminal: 8", "finder terminal: 11", "finder terminal: 11", "expected at most 10"),
        ("    kind: connector", "    kind: conector", None, None),
        ("trunks: 1-10", "trunks: []", "5: { trunks: []", "level 5 lists no trunks"),
        ("trunks: 1-10", "trunks: 0-3", "5: { trunks: 0", "expected trunk positions 1 to 10"),
        ("battery: 50 V", "battery: 60 V", "battery: 60", "expected them in that order"),
        ("most: 54 V", "most: 64 V", "most: 64", "expected at most 60 V"),
        ("feed: 400 ohm", "feed: 0 ohm", "feed: 0", "expected 50 to 5000 ohm"),
        ("voltage: 86 V", "voltage: 100.5 V", "voltage: 100.5", "expected at most 100 V"),
        ("voltage: 86 V", "voltage: 12 V", "voltage: 12", "a bell needs at least 40 V"),
        ("frequency: 20 Hz", "frequency: 200 Hz", "frequency: 200", "expected 15 to 70 Hz"),
        ("on: 2 s\n  off", "on: 6 s\n  off", "on: 6 s", "expected 200 ms to 5 s"),
        ("off: 4 s", "off: 900 ms", "off: 900 ms", "expected 1 s to 30 s"),
        ("longest: 60 s", "longest: 91 s", "longest: 91 s", "at most 90 s"),
        ("longest: 60 s", "longest: 5 s", "longest: 5 s", "at least one ring and its pause"),
        ("least: 200 ms, most: 320 ms", "least: 270 ms, most: 320 ms", "b hold:", "expected them in that order"),
        (
            "least: 200 ms, most: 320 ms",
            "least: 80 ms, most: 320 ms",
            "speed: { from: 8",
            "outlast relay B's hold of 80",
        ),
        (
            "least: 120 ms, most: 200 ms",
            "least: 56 ms, most: 200 ms",
            "speed: { from: 8",
            "outlast relay C's hold of 56",
        ),
        ("most: 32 ms", "most: 52 ms", "speed: { from: 8", "too short for a magnet of 52 ms"),
        ("most: 18 ms", "most: 33 ms", "speed: { from: 8", "falls back in 33 ms"),
        ("least: 200 ms, most: 320 ms", "least: 40 ms, most: 320 ms", "b hold:", "calls would be lost"),
        ("hunting: 33 sps", "hunting: 0 sps", "hunting: 0", "expected 1 to 200 sps"),
        ("hunting: 33 sps", "hunting: 20 sps", "least pause", "a selector may need 812 ms"),
        (
            "from: 8 pps, to: 11 pps }",
            "from: 10 pps, to: 10.5 pps }",
            "speed: { from: 10",
            "nothing is left of 10 to 10.5",
        ),
        ("from: 8 pps, to: 11 pps }", "from: 12 pps, to: 11 pps }", "speed: { from: 12", "expected a range"),
        ("from: 55 %, to: 65 % }", "from: 62 %, to: 70 % }", "break: 61 %", "expected 62 to 70 %"),
        ("speed: 10 pps", "speed: 12 pps", "speed: 12", "expected 8 to 11 pps"),
        ("pause: 800 ms", "pause: 590 ms", "pause: 590 ms", "may need .*C's longest hold"),
        ("pause: 800 ms", "pause: 650 ms", "pause: 650 ms", "expected at least 700 ms"),
        (
            "least pause: 700 ms",
            "least pause: 700 ms\n  most pause: 750 ms",
            "most pause: 750",
            "at least the dial's pause",
        ),
        ("cadence: [2 s, 4 s]", "cadence: [2 s, 4 s, 1 s]", "cadence: [2 s, 4 s, 1 s]", "as many on as off"),
        ("parts: [350 Hz, 440 Hz]", "parts: [350 Hz, 350 Hz]", "parts: [350 Hz, 350 Hz]", "stands here twice"),
        (
            "parts: [350 Hz, 440 Hz]",
            "parts: [350 Hz, 4400 Hz]",
            "parts: [350 Hz, 4400 Hz]",
            "which a telephone carries",
        ),
        ("level: -13 dBm", "level: 30 dBm", "level: 30", "expected -60 to 10 dBm"),
        ("from: 1.8 s\n    to: 2.2 s", "from: 2.8 s\n    to: 2.2 s", "ring on:", "'from' lies above 'to'"),
        ("from: 1.8 s\n    to: 2.2 s", "from: 1.1 s\n    to: 1.4 s", "ring on:", "does not hold the unit's own figure"),
        ("  interdigital:\n    from: 600 ms\n", "  interdigital:\n", "interdigital:", "needs 'from', 'to' or both"),
        ("rest: 2 s", "rest: 500 ms", "rest: 500", "expected at least 860 ms"),
        ("longest gate: 2 min", "longest gate: 0 s", "longest gate", "more than nothing"),
        ("loop: 350 ohm", "loop: 9 kohm", "loop: 9 kohm", "from 10 mA"),
    ],
)
def test_a_contradiction_is_said_in_its_line(
    old: str, new: str, at: str | None, said: str | None, said_of_unit: Said
) -> None:
    text = TEXTS[0].replace(old, new, 1)
    if at is None or said is None:
        parse_unit(text, "unit.yaml")
        return
    assert text != TEXTS[0]
    found = said_of_unit(text)
    assert any(line == line_of(text, at) and re.search(said, what) for line, what in found), found


def test_a_train_ends_with_its_only_connector(said_of_unit: Said) -> None:
    text = TEXTS[1]
    connector = "  - kind: connector\n    name: connector\n    vacant: vacant tone\n"
    assert connector in text
    assert "last stage of the train is expected to be a connector" in said_of_unit(text.replace(connector, ""))[0][1]
    first = text.replace("train:\n", "train:\n" + connector.replace("name: connector", "name: early"))
    assert "expected only as the last stage" in said_of_unit(first)[0][1]


def test_absorbing_numbers_are_checked_along_the_train(said_of_unit: Said) -> None:
    absorbing = (
        TEXTS[1]
        .replace("digits: 3", "digits: 4")
        .replace(
            "      3: { trunks: 1-2 }\n",
            "      3: { trunks: 1-2 }\n    absorbs: { digits: [7], until: another digit }\n",
        )
    )
    good = re.sub(r"number: 3(\d\d)", r"number: 73\1", absorbing)
    assert [leg for leg in parse_unit(good, "x").value.lines if leg.number == "7342"]
    assert all("expected 4" in what for _, what in said_of_unit(absorbing))
    found = said_of_unit(good.replace("number: 7342", "number: 7773"))
    assert found == [(line_of(good, "number: 7342"), found[0][1])]
    assert "3 of its digits are absorbed, and too few are left" in found[0][1]
    found = said_of_unit(good.replace("number: 7342", "number: 3342"))
    assert "its digit 4 comes when the connector already has both" in found[0][1]
    found = said_of_unit(good.replace("digits: [7], until", "digits: [7, 3, 7], until"))
    assert any("its level 3 can never be reached" in what for _, what in found)
    assert any("digit 7 is listed twice" in what for _, what in found)


def test_hunting_groups_go_upwards_over_lines_that_are_there(said_of_unit: Said) -> None:
    def grouped(*numbers: str) -> str:
        return TEXTS[1].replace(
            "vacant: vacant tone\n", f"vacant: vacant tone\n    hunting: [[{', '.join(numbers)}]]\n"
        )

    sound = grouped("342", "347").replace("number: 357", "number: 347")
    assert parse_unit(sound, "x").value.connector.hunting == (("342", "347"),)
    for text, said in (
        (grouped("342"), "at least two numbers"),
        (grouped("342", "349"), "is the number of no line"),
        (grouped("342", "357"), "does not come after"),
        (sound.replace("[342, 347]", "[347, 342]"), "does not come after"),
        (sound.replace("[342, 347]", "[342, 3x7]"), "the letters that are dialled come first"),
        (sound.replace("[[342, 347]]", "[[342, 347], [342, 347]]"), "begins another group"),
    ):
        assert any(said in what for _, what in said_of_unit(text)), (text, said)


@given(most=st.integers(440, 600), volts=st.integers(700, 1100))
@settings(deadline=None, max_examples=60)
def test_ringing_above_its_ceiling_is_refused_and_below_is_not(most: int, volts: int) -> None:
    """Law (facts H23, H24): at most 100 V rms, and (200 V - battery) / sqrt 2."""
    text = TEXTS[0].replace("most: 54 V", f"most: {most / 10} V").replace("voltage: 86 V", f"voltage: {volts / 10} V")
    text = text.replace("battery: 50 V", "battery: 44 V").replace("least: 46 V", "least: 44 V")
    ceiling = min(100.0, (200 - most / 10) / math.sqrt(2))
    if volts / 10 > ceiling:
        with pytest.raises(FileError, match="voltage: found"):
            parse_unit(text, "unit.yaml")
    else:
        assert volts / 10 <= ringing_ceiling_V(parse_unit(text, "unit.yaml").value)


def test_the_samples_pauses_leave_time_to_hunt() -> None:
    for path in SAMPLES:
        unit = load_unit(path).value
        assert hunting_need_us(unit) <= unit.follows.least_pause_us <= unit.dial.pause_us


# Laws of broken files.


def leaves(text: str) -> list[tuple[tuple[str | int, ...], int, str]]:
    """Return every text of a sample with its path and line."""
    data, lines = read_yaml(text, "x")
    found: list[tuple[tuple[str | int, ...], int, str]] = []

    def walk(node: Any, path: tuple[str | int, ...]) -> None:
        if isinstance(node, dict):
            for key, value in node.items():
                walk(value, (*path, key))
        elif isinstance(node, list):
            for index, value in enumerate(node):
                walk(value, (*path, index))
        else:
            found.append((path, lines[path], str(node)))

    walk(data, ())
    return found


@given(data=st.data(), which=WHICH)
@settings(deadline=None, max_examples=120)
def test_a_quantity_in_a_wrong_unit_is_told_in_its_own_line(data: st.DataObject, which: int) -> None:
    text = TEXTS[which]
    quantities = [leaf for leaf in leaves(text) if re.fullmatch(r"-?[\d.]+ (ms|s|min|V|Hz|pps|sps|%|ohm|dBm)", leaf[2])]
    _, line, value = data.draw(st.sampled_from(quantities))
    rows = text.split("\n")
    assert value in rows[line - 1]
    rows[line - 1] = rows[line - 1].replace(value, "12 furlongs", 1)
    with pytest.raises(FileError) as caught:
        parse_unit("\n".join(rows), "unit.yaml")
    assert [problem.place for problem in caught.value.problems] == [Place("unit.yaml", line)]
    assert "'furlongs' is not a unit of" in caught.value.what


@given(data=st.data(), which=WHICH)
@settings(deadline=None, max_examples=120)
def test_a_misspelt_key_is_told_in_its_own_line_with_the_right_one(data: st.DataObject, which: int) -> None:
    text = TEXTS[which]
    rows = text.split("\n")
    keyed = [n for n, row in enumerate(rows) if re.match(r"\s*(- )?[a-z][a-z ]*:", row) and "format" not in row]
    at = data.draw(st.sampled_from(keyed))
    key = re.findall(r"[a-z][a-z ]*(?=:)", rows[at])[0]
    rows[at] = rows[at].replace(key + ":", key + "x:", 1)
    with pytest.raises(FileError) as caught:
        parse_unit("\n".join(rows), "unit.yaml")
    mine = [problem.text for problem in caught.value.problems if problem.place.line == at + 1]
    assert mine
    if key != "kind":  # without it nobody knows whether a selector or a connector is meant
        assert any(f"'{key}x'; did you mean '{key}'?" in said for said in mine), caught.value.what


CHARACTERS = st.sampled_from([*"\t\n :-[]{}#&*!|>'\"%@,0x\0\x1b\x85\u2028é", "- ", ": ", "\n\n", "  "])


@st.composite
def edited(draw: st.DrawFn) -> bytes:
    """A sample with a few careless edits."""
    text = TEXTS[draw(WHICH)]
    for _ in range(draw(st.integers(1, 4))):
        rows = text.split("\n")
        at = draw(st.integers(0, len(rows) - 1))
        match draw(st.integers(0, 5)):
            case 0:
                del rows[at]
            case 1:
                rows.insert(at, rows[at])
            case 2:
                rows[at] = rows[at][draw(st.integers(0, 4)) :]
            case 3:
                cut = draw(st.integers(0, len(rows[at])))
                rows[at] = rows[at][:cut] + draw(CHARACTERS) + rows[at][cut:]
            case 4:
                other = draw(st.integers(0, len(rows) - 1))
                rows[at], rows[other] = rows[other], rows[at]
            case _:
                rows[at] = re.sub(
                    r"[\d.]+",
                    draw(st.sampled_from(["0", "-1", "1e999", "99999999999999", "0x1F", "1:30", ""])),
                    rows[at],
                )
        text = "\n".join(rows)
    data = text.encode()
    return data if draw(st.booleans()) else data[: draw(st.integers(0, len(data)))]


@given(data=edited())
@settings(deadline=None, max_examples=300)
def test_whatever_is_done_to_a_unit_file_it_is_a_unit_or_an_error_with_a_line(data: bytes) -> None:
    try:
        text = decode(data, "unit.yaml")
        found: Unit | InputError = parse_unit(text, "unit.yaml").value
    except InputError as error:
        found = error
    if isinstance(found, FileError):
        lines = len(re.split(rb"\r\n|\n|\r|\xc2\x85|\xe2\x80\xa8|\xe2\x80\xa9", data))
        assert found.problems
        for problem in found.problems:
            assert problem.place.file == "unit.yaml"
            assert 1 <= problem.place.line <= lines
            assert problem.text
    else:
        assert isinstance(found, Unit)
