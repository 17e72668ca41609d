"""Lists of lamps in unit files, run sheets and exhibits: what is wrong with one is said with its line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import pytest

from demo_ctl.office.load import load_unit, parse_unit
from demo_ctl.script.exhibit_load import load_exhibit, parse_exhibit
from demo_ctl.script.sheet_load import load_sheet, parse_sheet
from demo_ctl.show.lamps import lamp_table
from demo_ctl.show.model import STAGES
from demo_ctl.terms.lamps import SWITCH, TELEPHONE, Lamp
from demo_ctl.terms.located import FileError

CONFIGS = Path(__file__).resolve().parents[2] / "configs"
MOSSBROOK = CONFIGS / "units" / "mossbrook.yaml"
SHEET = "format: demo_ctl show 1\nname: own\ntitle: {en: x}\ncalls: [{call: a.yaml}]\nlamps:\n"
EXHIBIT = "format: demo_ctl exhibit 1\nname: own\ntitle: {en: x}\nattract: [{record: a.jsonl}]\nlamps:\n"


def _unit_around(rows: str) -> str:
    """The sample unit with these rows of lamps, and nothing behind them."""
    whole = MOSSBROOK.read_text(encoding="utf-8")
    return whole[whole.index("longest gate:") :] + whole[: whole.index("lamps:\n")] + "lamps:\n" + rows


def said(kind: str, rows: list[str]) -> list[tuple[int, str]]:
    """What is wrong with these rows, by the line of the list they stand in, from 1."""
    text = "".join(f"  - {row}\n" for row in rows)
    whole = {"sheet": SHEET + text, "exhibit": EXHIBIT + text}.get(kind) or _unit_around(text)
    parse: dict[str, Callable[[str, str], object]] = {"sheet": parse_sheet, "exhibit": parse_exhibit}
    with pytest.raises(FileError) as caught:
        parse.get(kind, parse_unit)(whole, "x.yaml")
    before = whole.removesuffix(text).count("\n")
    return [(problem.place.line - before, problem.text) for problem in caught.value.problems]


@pytest.mark.parametrize("kind", ["sheet", "exhibit", "unit"])
@pytest.mark.parametrize(
    ("rows", "line", "text"),
    [
        (["{ lamp: 1, shows: talking }", "{ lamp: 1, shows: tone }"], 2, "lamp 1 stands here twice"),
        (["{ lamp: 17, shows: talking }"], 1, "16"),
        (["{ lamp: 0, shows: talking }"], 1, "1"),
        (["{ lamp: 2, shows: talks }"], 1, "did you mean 'talking'?"),
        (["{ lamp: 2, shows: moves }"], 1, "'moves' wants to know of what: `of:` a stage of the train"),
        (["{ lamp: 2, shows: ringing }"], 1, "'ringing' wants to know of what: `of:` caller, called, or a line"),
        (["{ lamp: 2, shows: tripped, of: caller }"], 1, "'tripped' is of nothing in particular: leave `of` out"),
        (["{ lamp: 2, shows: tone, how: blink }"], 1, "did you mean 'blinking'?"),
        (["{ lamps: 2, shows: tone }"], 1, "did you mean 'lamp'?"),
        (["{ lamp: 2 }"], 1, "shows"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(kind: str, rows: list[str], line: int, text: str) -> None:
    found = said(kind, rows)
    assert any(where == line and text in words for where, words in found), found


@pytest.mark.parametrize(
    ("row", "text"),
    [
        ("{ lamp: 2, shows: moves, of: third selecter }", "did you mean 'third selector'?"),
        ("{ lamp: 2, shows: moves, of: workshop }", "this unit has no 'workshop' that 'moves' could be of; expected"),
        ("{ lamp: 2, shows: ringing, of: parlor }", "did you mean 'parlour'?"),
        ("{ lamp: 2, shows: ringing, of: connector }", "no 'connector' that 'ringing' could be of"),
    ],
)
def test_names_are_the_unit_s(row: str, text: str) -> None:
    ((line, found),) = said("unit", [row])
    assert line == 1
    assert text in found
    unit = load_unit(MOSSBROOK)
    wrong: list[Any] = [
        parse_sheet(SHEET + f"  - {row}\n", "x.yaml"),
        parse_exhibit(EXHIBIT + f"  - {row}\n", "x.yaml"),
    ]
    for own in wrong:
        with pytest.raises(FileError) as caught:
            lamp_table(unit, own)
        (problem,) = caught.value.problems
        assert (problem.place.file, problem.place.line) == ("x.yaml", 6)
        assert text in problem.text
        assert "mossbrook.yaml" in str(caught.value)


def test_the_samples_have_lamps_and_a_list_of_their_own_counts() -> None:
    unit = load_unit(MOSSBROOK)
    sheet = load_sheet(CONFIGS / "shows" / "first-visit.yaml")
    exhibit = load_exhibit(CONFIGS / "exhibits" / "corner.yaml")
    assert len(lamp_table(unit)) == len(lamp_table(unit, sheet)) == len(lamp_table(unit, exhibit)) == 7
    assert lamp_table(unit, sheet) == sheet.value.lamps != unit.value.lamps
    assert lamp_table(unit, parse_sheet(SHEET.removesuffix("lamps:\n"), "x.yaml")) == unit.value.lamps
    assert lamp_table(unit, parse_sheet(SHEET.replace("lamps:", "lamps: []"), "x.yaml")) == ()


def test_the_words_are_those_of_the_scene_and_of_the_wiring_page() -> None:
    words = set(get_args(Lamp.model_fields["shows"].annotation))
    assert {"dial tone", "talking", "tone"} <= set(STAGES)
    assert set(TELEPHONE + SWITCH) < words
    page = (CONFIGS.parent / "wiring" / "README.md").read_text(encoding="utf-8").split("## Lamps", 1)[1]
    for word in words:
        assert f"| {word} |" in page, word
