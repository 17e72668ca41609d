"""Read a run sheet and check what can be checked without planning its calls."""

from __future__ import annotations

from pathlib import Path

from demo_ctl.script.sheet import Followed, Sheet
from demo_ctl.script.staged import check_languages, check_texts, must_be_there
from demo_ctl.terms.lamps import check_lamps
from demo_ctl.terms.located import Findings, Located, parse_model, read_text

#: An unfolded replay longer than this holds nobody.
LONGEST_UNFOLDED_US = 1_800_000_000


def load_sheet(path: str | Path) -> Located[Sheet]:
    """Read a run sheet, and see that the files it names are there.

    Raises InputError with file and line of everything that is wrong with it.
    """
    sheet = parse_sheet(read_text(path), str(path))
    findings = Findings(sheet)
    must_be_there(sheet, sheet.value.unit, findings, "unit")
    for index, shown in enumerate(sheet.value.calls):
        if isinstance(shown, Followed):
            continue
        must_be_there(sheet, shown.call, findings, "calls", index, "call")
        must_be_there(sheet, shown.if_it_fails.replay, findings, "calls", index, "if it fails", "replay")
    findings.raise_any("Names of files are seen from the folder that the sheet is in.")
    return sheet


def parse_sheet(text: str, file: str) -> Located[Sheet]:
    """Read a run sheet's text; `file` names it in messages. Raises InputError."""
    sheet = parse_model(text, file, Sheet, kind="run sheet")
    _check(sheet).raise_any()
    return sheet


def _check(sheet: Located[Sheet]) -> Findings:
    value, findings = sheet.value, Findings(sheet)
    check_languages(value.languages, findings)
    if not 0 < value.unfolded_us <= LONGEST_UNFOLDED_US:
        findings.add(
            "unfolded at most: expected more than nothing and at most 30 min",
            "unfolded at most",
        )
    check_texts(value.languages, value.title, "show", findings, "title")
    check_lamps(value.lamps or (), findings, "lamps")
    for index, shown in enumerate(value.calls):
        where = ("calls", index)
        if shown.title is not None:
            check_texts(value.languages, shown.title, "show", findings, *where, "title")
        for stage, texts in shown.captions.items():
            check_texts(value.languages, texts, "show", findings, *where, "captions", stage)
        if isinstance(shown, Followed):
            if not shown.most_us:
                findings.add("at most: expected more than nothing", *where, "at most")
            continue
        for n, again in enumerate(shown.repeat):
            if again.unfold is not None and again.stops:
                findings.add("stops: what is shown again with `unfold` has no stops", *where, "repeat", n, "stops")
        if shown.if_it_fails.replay is None and shown.if_it_fails.unfold != "nothing":
            findings.add("unfold: there is no `replay` to unfold", *where, "if it fails", "unfold")
        for key, stops in (("stops", shown.stops), *((f"repeat {n}", a.stops) for n, a in enumerate(shown.repeat))):
            if len(set(stops)) != len(stops):
                path = (*where, "stops") if key == "stops" else (*where, "repeat", int(key[7:]), "stops")
                findings.add("a stop stands here twice", *path)
    return findings
