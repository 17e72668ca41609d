"""Run sheets: the samples are sound, what is wrong with one is said with its line, and nothing else can happen."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any, get_args

import jsonschema
import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.plan import stops
from demo_ctl.script.schema import sheet_schema_text
from demo_ctl.script.sheet import STOPS, Followed, Sheet, Shown, Stage, words
from demo_ctl.script.sheet_load import load_sheet, parse_sheet
from demo_ctl.script.staged import beside
from demo_ctl.show.model import STAGES
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.located import FileError

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
SAMPLES = sorted((CONFIGS / "shows").glob("*.yaml"))
SCHEMA = json.loads(sheet_schema_text())
HEAD = "format: demo_ctl show 1\nname: own\ntitle: {en: Our show}\ncalls:\n  - call: a.yaml\n"


def said(text: str) -> list[tuple[int, str]]:
    with pytest.raises(FileError) as caught:
        parse_sheet(text, "show.yaml")
    return [(problem.place.line, problem.text) for problem in caught.value.problems]


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_samples_load_and_name_files_that_are_there(path: Path) -> None:
    sheet = load_sheet(path)
    assert sheet.value.name == path.stem
    assert all(beside(sheet, shown.call).is_file() for shown in sheet.value.calls if isinstance(shown, Shown))


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.stem)
def test_editors_find_nothing_wrong_with_the_samples(path: Path) -> None:
    jsonschema.Draft202012Validator(SCHEMA).validate(yaml.safe_load(path.read_text(encoding="utf-8")))


def test_the_schema_in_the_folder_is_this_one() -> None:
    assert (CONFIGS / "schema" / "sheet.schema.json").read_text(encoding="utf-8") == sheet_schema_text()


def test_stages_and_stops_are_those_of_the_other_rooms() -> None:
    assert get_args(Stage) == STAGES
    assert stops.STOPS == STOPS


def test_what_is_left_out_has_its_usual_value() -> None:
    (shown,) = parse_sheet(HEAD + "    repeat: [{}]\n", "show.yaml").value.calls
    assert isinstance(shown, Shown)
    assert (shown.pace, shown.stops, shown.screen) == (Fraction(1), STOPS, "everything")
    assert (shown.repeat[0].pace, shown.repeat[0].stops) == (Fraction(1), ())
    assert not shown.if_it_fails.try_once_more


@pytest.mark.parametrize(
    ("line", "text"),
    [
        ("pace: 9", "pace: a pace lies between 1/50 and 4, found '9'"),
        ("pace:", "pace: expected a pace such as 1/4, 1 or 2, found nothing"),
        ("stops: [dail tone]", "did you mean 'dial tone'?"),
        ("stops: dial tone", "stops: expected all, none, or a list of"),
        ("stops: [tone, tone]", "a stop stands here twice"),
        ("repeat: [{stops: [tone, tone]}]", "a stop stands here twice"),
        ("screen: wiper", "did you mean 'wipers'?"),
        ("captions: {ringin: {en: x}}", "did you mean 'ringing'?"),
        ("captions: {ringing: {}}", "ringing: words are missing for 'en' (`languages` has them)"),
        ("title: {en: x, fr: y}", "'fr' is none of this show's `languages`"),
        ("if it fails: {try twice: yes}", "unknown key 'try twice'"),
        ("lamp: follow", "unknown key 'lamp'; did you mean 'lamps'?"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(line: str, text: str) -> None:
    ((where, found),) = said(HEAD + f"    {line}\n")
    assert where == 6
    assert text in found


def test_a_call_script_is_no_run_sheet() -> None:
    ((line, text),) = said((CONFIGS / "calls" / "busy.yaml").read_text(encoding="utf-8"))
    assert line > 1
    assert "which says that this is a run sheet" in text


def test_sheets_are_bounded() -> None:
    assert "at most 40 entries" in said(HEAD + "  - call: a.yaml\n" * 40)[0][1]
    assert "at most 5 entries" in said(HEAD + "    repeat: [" + "{}," * 6 + "]\n")[0][1]
    long = "x" * 161
    assert "at most 160 characters" in said(HEAD + f"    captions: {{tone: {{en: {long}}}}}\n")[0][1]
    late = HEAD.replace("calls:", "unfolded at most: 2 h\ncalls:")
    assert said(late) == [(4, "unfolded at most: expected more than nothing and at most 30 min")]


def test_files_that_are_missing_are_named_with_their_lines(tmp_path: Path) -> None:
    path = tmp_path / "own.yaml"
    path.write_text(HEAD + "    if it fails: {replay: gone.jsonl}\n", encoding="utf-8")
    with pytest.raises(FileError) as caught:
        load_sheet(path)
    assert [(p.place.line, p.text.partition(":")[0]) for p in caught.value.problems] == [(5, "call"), (6, "replay")]


def test_words_fall_back_to_the_first_language() -> None:
    assert words({"en": "bell", "de": "Glocke"}, "de") == "Glocke"
    assert words({"de": "Glocke"}, "fr") == "Glocke"
    assert words({}, "fr") == ""


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=4),
    max_leaves=12,
)


def sheet_or_error(text: str) -> bool:
    try:
        return isinstance(parse_sheet(text, "show.yaml").value, Sheet)
    except InputError as error:
        return str(error).startswith("show.yaml")


@settings(deadline=None, max_examples=200)
@given(key=st.sampled_from(sorted(SCHEMA["properties"])), value=JSON)
def test_any_value_anywhere_is_a_sheet_or_an_error_with_its_line(key: str, value: Any) -> None:
    data: dict[str, Any] = {"format": "demo_ctl show 1", "name": "own", "title": {"en": "x"}, "calls": [{"call": "a"}]}
    data[key] = value
    text = yaml.safe_dump(data, sort_keys=False)
    assert sheet_or_error(text)


@settings(deadline=None, max_examples=200)
@given(key=st.sampled_from(sorted(SCHEMA["$defs"]["Shown"]["properties"])), value=JSON)
def test_the_same_for_any_value_of_a_call(key: str, value: Any) -> None:
    data = {"format": "demo_ctl show 1", "name": "own", "title": {"en": "x"}, "calls": [{"call": "a", key: value}]}
    assert sheet_or_error(yaml.safe_dump(data, sort_keys=False))


def test_a_telephone_that_is_followed() -> None:
    text = HEAD + "  - follow: stage\n    at most: 30 s\n  - follow: counter\n    goes on by itself: yes\n"
    first, stage, counter = parse_sheet(text, "show.yaml").value.calls
    assert isinstance(first, Shown)
    assert isinstance(stage, Followed)
    assert isinstance(counter, Followed)
    assert (stage.follow, stage.most_us, stage.goes_on) == ("stage", 30_000_000, False)
    assert (counter.most_us, counter.goes_on) == (120_000_000, True)
    jsonschema.Draft202012Validator(SCHEMA).validate(yaml.safe_load(text))


@pytest.mark.parametrize(
    ("more", "line", "what"),
    [
        ("  - follow: stage\n    at most: 0 s\n", 7, "at most"),
        ("  - follow: stage\n    stops: all\n", 7, "stops"),
        ("  - follow: stage\n    call: b.yaml\n", 7, "call"),
        ("  - {}\n", 6, "call"),
        ("    repeat: [{unfold: the first pulse}]\n", 6, "unfold"),
        ("    repeat:\n      - unfold: first pulse\n        stops: all\n", 8, "has no stops"),
        ("    if it fails: {unfold: everything}\n", 6, "no `replay` to unfold"),
    ],
)
def test_what_cannot_be_followed_or_unfolded_is_said_with_its_line(more: str, line: int, what: str) -> None:
    assert any(at == line and what in text for at, text in said(HEAD + more)), said(HEAD + more)
