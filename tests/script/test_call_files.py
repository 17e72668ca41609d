"""Call scripts: the samples are sound, what is wrong with one is said with its line, and nothing else can happen."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.office.load import load_unit
from demo_ctl.plan.model import Check
from demo_ctl.script.check import bound_value, check_call
from demo_ctl.script.load import load_call, parse_call
from demo_ctl.script.model import CHECKS, VERBS, Answer, Await, Call, Dial, Flash, HangUp, Rings
from demo_ctl.script.schema import schema_text
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.located import FileError, decode

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
SAMPLES = sorted((CONFIGS / "calls").glob("*.yaml"))
UNITS = sorted((CONFIGS / "units").glob("*.yaml"))
TEXTS = {path.stem: path.read_text(encoding="utf-8") for path in SAMPLES}
NAMES = st.sampled_from(sorted(TEXTS))
SCHEMA = json.loads(schema_text())

HEAD = """\
format: demo_ctl call 1
name: own
title: A call of our own
parties:
  caller: counter
  called: parlour
steps:
"""


def said(text: str) -> list[tuple[int, str]]:
    with pytest.raises(FileError) as caught:
        parse_call(text, "call.yaml")
    assert all(problem.place.file == "call.yaml" for problem in caught.value.problems)
    return [(problem.place.line, problem.text) for problem in caught.value.problems]


def steps(*lines: str, head: str = HEAD, tail: str = "") -> str:
    """Make a script of these steps; the first stands in line 8."""
    return head + "".join(f"  - {line}\n" for line in lines) + tail


# The samples.


def test_all_sample_calls_are_here() -> None:
    assert set(TEXTS) == {
        "answered",
        "no-answer",
        "busy",
        "all-trunks-busy",
        "abandoned",
        "wrong-number",
        "called-clears-first",
        "permanent-off-hook",
        "flash",
    }


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_samples_load(path: Path) -> None:
    found = load_call(path)
    assert found.value.name == path.stem
    assert not check_call(found)


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_samples_say_what_they_show(path: Path) -> None:
    rows = TEXTS[path.stem].splitlines()
    assert rows[0] == "# yaml-language-server: $schema=../schema/call.schema.json"
    head = "\n".join(rows[: rows.index("format: demo_ctl call 1")])
    assert "What it shows:" in head
    assert load_call(path).value.about


@pytest.mark.parametrize("unit", UNITS, ids=lambda path: path.stem)
@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_samples_fit_both_units(path: Path, unit: Path) -> None:
    """Every party hangs on a port of the unit, and everything dialled by a line's name is there."""
    call, units = load_call(path).value, load_unit(unit).value
    for name in call.parties.values():
        line = units.line(name)
        assert line is not None
        assert line.port
    for step in call.steps:
        if isinstance(step, Dial):
            assert step.dial in call.parties or units.line(step.dial) is not None
        if isinstance(step, Flash) and step.shows != "release":
            assert step.open_us < units.adjustment.b_hold.least_us
        if isinstance(step, Flash) and step.shows == "release":
            assert step.open_us > units.adjustment.b_hold.most_us


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_samples_leave_nobody_off_the_hook(path: Path) -> None:
    lifted: set[str] = set()
    for step in load_call(path).value.steps:
        for verb in ("lift", "answer"):
            if hasattr(step, verb):
                lifted.add(getattr(step, verb))
        if isinstance(step, HangUp):
            lifted.remove(step.hang_up)
    assert not lifted


def test_the_calls_that_are_answered_are_answered_both_ways() -> None:
    """Once in silence and once while ringing (facts V11, R16)."""
    how = {
        step.during
        for path in SAMPLES
        for step in load_call(path).value.steps
        if isinstance(step, Answer) and isinstance(step.after, Rings)
    }
    assert how == {"silence", "ringing"}


# Names shared with other rooms.


def test_the_names_of_checks_are_those_of_the_plan() -> None:
    assert list(CHECKS) == [check.value for check in Check]


# JSON Schema.


class Core(yaml.SafeLoader):
    """Plain scalars of YAML 1.2's core schema, as far as scripts use them."""


Core.yaml_implicit_resolvers = {}
Core.add_implicit_resolver("tag:yaml.org,2002:null", re.compile(r"^(~|null|)$"), ["~", "n", ""])
Core.add_implicit_resolver("tag:yaml.org,2002:int", re.compile(r"^[-+]?[0-9]+$"), list("-+0123456789"))


def as_editors_see(text: str) -> Any:
    """Read as editors do: YAML 1.2, so that `on` is a word; keys are texts."""
    return json.loads(json.dumps(yaml.load(text, Loader=Core)))


def editors_accept(text: str) -> bool:
    return not list(jsonschema.Draft202012Validator(SCHEMA).iter_errors(as_editors_see(text)))


def test_the_schema_file_is_the_one_made_from_the_types() -> None:
    assert (CONFIGS / "schema" / "call.schema.json").read_text(encoding="utf-8") == schema_text()


def test_the_schema_is_a_schema() -> None:
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("name", sorted(TEXTS))
def test_samples_agree_with_the_schema(name: str) -> None:
    jsonschema.Draft202012Validator(SCHEMA).validate(as_editors_see(TEXTS[name]))


def test_the_schema_offers_every_verb_and_every_check() -> None:
    choices = [
        SCHEMA["$defs"][choice["$ref"].rsplit("/", 1)[1]] for choice in SCHEMA["properties"]["steps"]["items"]["oneOf"]
    ]
    assert {verb for verb in VERBS for choice in choices if verb in choice["required"]} == set(VERBS)
    assert set(SCHEMA["properties"]["expect"]["properties"]) == set(CHECKS)


@pytest.mark.parametrize(
    "step",
    [
        "flesh: caller",
        "{ lift: caller, dial: called }",
        "{ await: dial tone, whithin: 3 s }",
        "{ await: dial ton }",
        "{ talk: 3 }",
        "{ talk: 3 furlongs }",
        "{ flash: caller, open: 1 s }",
        "{ dial: called, only: 0 }",
        "{ gate: go on }",
        "lift",
    ],
)
def test_editors_mark_what_the_loader_refuses(step: str) -> None:
    text = steps(step)
    assert not editors_accept(text)
    assert said(text)[0][0] == 8


# What is wrong whatever the unit.

UP = ("lift: caller", "dial: called")


@pytest.mark.parametrize(
    ("lines", "at", "what"),
    [
        (("lift: caler",), 8, r"'caler', which is no party of this script; did you mean 'caller'\?"),
        (("lift: xyzzy",), 8, r"no party of this script; expected 'caller' or 'called'"),
        (("lift: caller", "lift: caller"), 9, r"is off the hook since line 8"),
        (("dial: called",), 8, r"'caller' dials, but has not lifted"),
        (("dial: called", "lift: caller"), 8, r"'caller' dials, but has not lifted"),
        (("lift: called", "{dial: 5, party: caller}"), 9, r"'caller' dials, but has not lifted"),
        ((*UP, "dial: called"), 10, r"has dialled already"),
        ((*UP, "answer: caller"), 10, r"answers its own call"),
        ((*UP, "answer: nobody"), 10, r"no party"),
        (("lift: caller", "answer: called"), 9, r"nobody has dialled yet"),
        (("lift: called", *UP, "answer: called"), 11, r"'called' answers, but is off the hook since line 8"),
        ((*UP, "answer: called", "hang up: called", "answer: called"), 12, r"'called' has answered this call"),
        ((*UP, "talk: 2 s"), 10, r"nobody has answered yet"),
        ((*UP, "answer: called", "talk: 0 s"), 11, r"no time at all"),
        ((*UP, "pause: 61 min"), 10, r"more than an hour"),
        ((*UP, "{answer: called, after: 2 hours}"), 10, r"expected a number of rings or a time"),
        ((*UP, "{answer: called, after: 99 rings}"), 10, r"at most 30"),
        ((*UP, "{answer: called, after: 61 min}"), 10, r"more than an hour"),
        (("hang up: caller",), 8, r"'caller' hangs up, but has not lifted"),
        ((*UP, "hang up: caller", "hang up: caller"), 11, r"has not lifted \(or has hung up\)"),
        ((*UP, "hang up: called"), 10, r"'called' hangs up, but has not lifted"),
        (("{flash: caller, open: 100 ms, shows: digit 1}",), 8, r"'caller' flashes, but has not lifted"),
        (("lift: caller", "{flash: caller, open: 100 ms, shows: break}"), 9, r"counts as a digit"),
        ((*UP, "{flash: caller, open: 100 ms, shows: digit 1}"), 10, r"expected 'break' or 'release'"),
        (("await: dial tone",), 8, r"is to notice 'dial tone', but has not lifted"),
        (("lift: caller", "{await: dial tone, at: called}"), 9, r"'called' is to notice"),
        (("lift: caller", "await: busy tone"), 9, r"nothing has been dialled"),
        ((*UP, "await: reversal"), 10, r"nobody has answered"),
        ((*UP, "{await: ringing, at: caller}"), 10, r"which is off the hook"),
        ((*UP, "{await: ringback, rings: 2}"), 10, r"rings: goes with 'ringing'"),
        ((*UP, "{await: ringing, for: 2 s}"), 10, r"'ringing' is no tone"),
        ((*UP, "{await: ringback, within: 0 s}"), 10, r"within: found no time at all"),
        ((*UP, "{gate: ready, limit: 2 days}"), 10, r"'days' is not a unit of time"),
        ((*UP, "{gate: ready, limit: 0 s}"), 10, r"limit: found no time at all"),
        ((*UP, "{talk: 2 s, pause: 3 s}"), 10, r"found 'talk' and 'pause' in one step"),
        ((*UP, "{}"), 10, r"a step begins with one of: lift, await"),
        ((*UP, "hangup: caller"), 10, r"did you mean 'hang up'\?"),
    ],
)
def test_steps_out_of_order_are_told_in_their_line(lines: tuple[str, ...], at: int, what: str) -> None:
    found = said(steps(*lines))
    assert any(line == at and re.search(what, text) for line, text in found), found


@pytest.mark.parametrize(
    "lines",
    [
        (*UP, "answer: called", "hang up: called", "lift: called", "talk: 2 s", "hang up: caller"),
        (*UP, "hang up: caller", *UP),
        ("lift: caller", "{dial: called, only: 1}", "{flash: caller, open: 100 ms, shows: digit 1}"),
        ("lift: caller", "{flash: caller, open: 1 s, shows: release}", "await: dial tone", "dial: called"),
        (*UP, "{flash: caller, open: 100 ms, shows: break}", "hang up: caller"),
        ("lift: called", "{dial: 555-0123, party: called}", "{await: busy tone, at: called}"),
        (*UP, "{await: ringing, rings: 2}", "{answer: called, after: 3 s}", "await: reversal"),
    ],
)
def test_unusual_but_sound_orders_are_taken(lines: tuple[str, ...]) -> None:
    assert parse_call(steps(*lines), "call.yaml").value.steps


@pytest.mark.parametrize(
    ("tail", "at", "what"),
    [
        ("expect:\n  relase: {to: 1 s}\n", 11, r"no kind of check; did you mean 'release'\?"),
        ("expect:\n  xyzzy: {to: 1 s}\n", 11, r"expected one of: dial tone delay, "),
        ("expect:\n  release: {}\n", 11, r"needs 'from', 'to' or both"),
        ("expect:\n  release:\n    from: 2 s\n    to: 1 s\n", 11, r"holds nothing"),
        ("expect:\n  release:\n    from: 1 V\n", 12, r"'V' is not a unit of time"),
        ("expect:\n  release:\n    from: 0 s\n    to: 900\n", 13, r"expected a time with its unit"),
        ("expect:\n  rang: {from: 2 rings, to: many}\n", 11, r"expected a whole number"),
        ("expect:\n  pulse speed: {upto: 3 pps}\n", 11, r"unknown key 'upto'"),
        ("must not: [any ringng]\n", 10, r"did you mean 'any ringing'\?"),
        ("must not:\n  - reversal\n  - reversal\n", 12, r"stands here twice"),
        ("dial as: {speed: 300 pps}\n", 10, r"expected 1 to 30 pps"),
        ("dial as: {break: 99 %}\n", 10, r"expected 5 to 95 %"),
        ("dial as: {pause: 0 s}\n", 10, r"more than nothing"),
        ("trunks busy:\n  - {stage: 1}\n  - {stage: 1}\n", 12, r"stated twice"),
        ("trunks busy:\n  - {stage: 9}\n", 11, r"found '9', expected at most 5"),
        ("trunks busy:\n  - {stage: 1, level: x}\n", 11, r"expected a level, 0 to 9, or 'dialled'"),
    ],
)
def test_the_rest_of_a_script_is_checked_too(tail: str, at: int, what: str) -> None:
    found = said(steps(*UP, tail=tail))
    assert any(line == at and re.search(what, text) for line, text in found), found


def test_what_must_not_happen_cannot_be_waited_for() -> None:
    for lines, tail in (
        ((*UP, "await: ringback"), "must not: [any ringing]\n"),
        ((*UP, "answer: called"), "must not: [any ringing]\n"),
        ((*UP, "answer: called", "await: reversal"), "must not: [reversal]\n"),
        ((*UP, "await: overflow tone"), "must not: [overflow tone]\n"),
    ):
        assert "but the steps wait for it" in said(steps(*lines, tail=tail))[-1][1]


def test_two_parties_need_two_lines() -> None:
    text = steps(*UP).replace("called: parlour", "called: counter")
    assert said(text) == [(6, "called: the line 'counter' is already the line of 'caller' (line 5)")]


def test_one_mistake_is_told_once() -> None:
    text = TEXTS["flash"].replace("  - lift: caller\n", "", 1)
    assert len(said(text)) == 1
    text = TEXTS["flash"].replace("  caller: counter\n", "", 1)
    assert len(said(text)) == 1


def test_a_unit_is_no_call() -> None:
    with pytest.raises(InputError, match="expected 'demo_ctl call 1', which says that this is a call script"):
        load_call(UNITS[0])


@given(st.sampled_from(sorted(CHECKS)), st.text(max_size=12))
@settings(deadline=None)
def test_a_windows_edge_is_a_number_or_a_value_error(name: str, text: str) -> None:
    told = ""
    value = 0.0
    try:
        value = bound_value(text, CHECKS[name])
    except ValueError as error:
        told = str(error)
    assert abs(value) < 1e15
    assert not told or "expected" in told or "is not a unit of" in told


def test_an_unmarked_number_is_a_count_and_nothing_else() -> None:
    for name, dimension in CHECKS.items():
        text = steps(*UP, tail=f"expect:\n  {name}: {{to: 3}}\n")
        if dimension == "count":
            assert parse_call(text, "call.yaml").value.expect[name].high == "3"
        else:
            assert "with its unit" in said(text)[0][1]


# Laws of broken files.


@given(data=st.data(), name=NAMES)
@settings(deadline=None, max_examples=80)
def test_a_misspelt_verb_is_told_in_its_own_line(data: st.DataObject, name: str) -> None:
    rows = TEXTS[name].split("\n")
    verbs = [n for n, row in enumerate(rows) if re.match(r"  - [a-z ]+:", row) and "stage" not in row]
    at = data.draw(st.sampled_from(verbs))
    rows[at] = re.sub(r"  - ([a-z ]+):", r"  - \1x:", rows[at])
    verb = re.findall(r"- ([a-z ]+)x:", rows[at])[0]
    found = said("\n".join(rows))
    assert [line for line, _ in found] == [at + 1]
    assert f"did you mean '{verb}'?" in found[0][1]


CHARACTERS = st.sampled_from([*"\t\n :-[]{}#&*!|>'\"%@,0x\0\x1b\x85\u2028é", "- ", ": ", "\n\n", "  "])


@st.composite
def edited(draw: st.DrawFn) -> bytes:
    """A sample with a few careless edits."""
    text = TEXTS[draw(NAMES)]
    for _ in range(draw(st.integers(1, 4))):
        rows = text.split("\n")
        at, other = draw(st.integers(0, len(rows) - 1)), draw(st.integers(0, len(rows) - 1))
        cut = draw(st.integers(0, len(rows[at])))
        match draw(st.integers(0, 4)):
            case 0:
                del rows[at]
            case 1:
                rows.insert(other, rows[at])
            case 2:
                rows[at] = rows[at][draw(st.integers(0, 4)) :]
            case 3:
                rows[at] = rows[at][:cut] + draw(CHARACTERS) + rows[at][cut:]
            case _:
                rows[at], rows[other] = rows[other], rows[at]
        text = "\n".join(rows)
    data = text.encode()
    return data if draw(st.booleans()) else data[: draw(st.integers(0, len(data)))]


@given(data=edited())
@settings(deadline=None, max_examples=400)
def test_whatever_is_done_to_a_script_it_is_a_call_or_an_error_with_a_line(data: bytes) -> None:
    found: Call | InputError
    try:
        found = parse_call(decode(data, "call.yaml"), "call.yaml").value
    except InputError as error:
        found = error
    if isinstance(found, FileError):
        lines = len(re.split(rb"\r\n|\n|\r|\xc2\x85|\xe2\x80\xa8|\xe2\x80\xa9", data))
        assert found.problems
        for problem in found.problems:
            assert problem.place.file == "call.yaml"
            assert 1 <= problem.place.line <= lines
    else:
        assert isinstance(found, Call)


STEPS = st.one_of(
    st.builds("lift: {}".format, st.sampled_from(["caller", "called", "third"])),
    st.builds("hang up: {}".format, st.sampled_from(["caller", "called", "third"])),
    st.builds("answer: {}".format, st.sampled_from(["caller", "called", "third"])),
    st.builds("{{await: {}}}".format, st.sampled_from(["dial tone", "ringing", "ringback", "reversal"])),
    st.builds("{{dial: called, party: {}}}".format, st.sampled_from(["caller", "called"])),
    st.sampled_from(["talk: 1 s", "pause: 1 s", "{flash: caller, open: 1 s, shows: release}"]),
)


@given(lines=st.lists(STEPS, min_size=1, max_size=12))
@settings(deadline=None, max_examples=200)
def test_any_order_of_steps_is_sound_or_told_step_by_step(lines: list[str]) -> None:
    """Law: in a script that is taken, only who is off the hook dials, talks, notices or hangs up."""
    found: Call | FileError
    try:
        found = parse_call(steps(*lines), "call.yaml").value
    except FileError as error:
        found = error
    if isinstance(found, FileError):
        assert all(8 <= problem.place.line < 8 + len(lines) for problem in found.problems)
        return
    off: set[str] = set()
    for step in found.steps:
        for verb in ("lift", "answer"):
            if hasattr(step, verb):
                assert getattr(step, verb) not in off
                off.add(getattr(step, verb))
        if isinstance(step, Dial):
            assert step.party in off
        if isinstance(step, Await) and step.awaited in ("dial tone", "ringback"):
            assert off
        if isinstance(step, Flash):
            assert step.flash in off
        if isinstance(step, HangUp):
            off.remove(step.hang_up)
