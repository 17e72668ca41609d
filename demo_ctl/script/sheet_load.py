"""Read a run sheet and check what can be checked without planning its calls."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from demo_ctl.script.sheet import Sheet
from demo_ctl.terms.located import Findings, Located, listed, parse_model, read_text

#: An unfolded replay longer than this holds nobody.
LONGEST_UNFOLDED_US = 1_800_000_000


def load_sheet(path: str | Path) -> Located[Sheet]:
    """Read a run sheet, and see that the files it names are there.

    Raises InputError with file and line of everything that is wrong with it.
    """
    sheet = parse_sheet(read_text(path), str(path))
    findings = Findings(sheet)
    folder = Path(path).parent
    _there(sheet.value.unit, folder, findings, "unit")
    for index, shown in enumerate(sheet.value.calls):
        _there(shown.call, folder, findings, "calls", index, "call")
        _there(shown.if_it_fails.replay, folder, findings, "calls", index, "if it fails", "replay")
    findings.raise_any("Names of files are seen from the folder that the sheet is in.")
    return sheet


def parse_sheet(text: str, file: str) -> Located[Sheet]:
    """Read a run sheet's text; `file` names it in messages. Raises InputError."""
    sheet = parse_model(text, file, Sheet, kind="run sheet")
    _check(sheet).raise_any()
    return sheet


def beside(sheet: Located[Sheet], name: str) -> Path:
    """Return the path of a file that a sheet names."""
    return Path(sheet.file).parent / name


def _there(name: str | None, folder: Path, findings: Findings, *path: str | int) -> None:
    if name is None:
        return
    there = folder / name
    try:
        found = there.is_file()
    except (OSError, ValueError):
        found = False
    if not found:
        findings.add(f"{path[-1]}: there is no file {there}", *path)


def _check(sheet: Located[Sheet]) -> Findings:
    value, findings = sheet.value, Findings(sheet)
    for position, language in enumerate(value.languages):
        if language in value.languages[:position]:
            findings.add(f"'{language}' stands here twice", "languages", position)
    if not 0 < value.unfolded_us <= LONGEST_UNFOLDED_US:
        findings.add(
            "unfolded at most: expected more than nothing and at most 30 min",
            "unfolded at most",
        )
    _texts(value.languages, value.title, findings, "title")
    for index, shown in enumerate(value.calls):
        where = ("calls", index)
        if shown.title is not None:
            _texts(value.languages, shown.title, findings, *where, "title")
        for stage, texts in shown.captions.items():
            _texts(value.languages, texts, findings, *where, "captions", stage)
        for key, stops in (("stops", shown.stops), *((f"repeat {n}", a.stops) for n, a in enumerate(shown.repeat))):
            if len(set(stops)) != len(stops):
                path = (*where, "stops") if key == "stops" else (*where, "repeat", int(key[7:]), "stops")
                findings.add("a stop stands here twice", *path)
    return findings


def _texts(languages: tuple[str, ...], texts: Mapping[Any, str], findings: Findings, *path: str | int) -> None:
    """Every language of the show has its words, and no other has: a screen never falls silent by a slip."""
    lacking = [language for language in languages if language not in texts]
    if lacking:
        findings.add(f"{path[-1]}: words are missing for {listed(lacking)} (`languages` has them)", *path)
    for language in texts:
        if language not in languages:
            findings.add(f"{path[-1]}: '{language}' is none of this show's `languages`", *path, language)
