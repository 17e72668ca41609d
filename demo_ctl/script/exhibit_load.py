"""Read an exhibit's file and check what can be checked without planning its calls."""

from __future__ import annotations

from pathlib import Path
from zoneinfo import ZoneInfo, available_timezones

from demo_ctl.script.exhibit import Exhibit, OpeningHours
from demo_ctl.script.staged import check_languages, check_texts, must_be_there
from demo_ctl.terms.lamps import check_lamps
from demo_ctl.terms.located import Findings, Located, parse_model, read_text

#: Less lets the switches never rest; the unit's own rest is kept besides.
LEAST_COOL_US = 5_000_000
LONGEST_REPLAY_US = 1_800_000_000


def load_exhibit(path: str | Path) -> Located[Exhibit]:
    """Read an exhibit's file, and see that the files it names are there.

    Raises InputError with file and line of everything that is wrong with it.
    """
    exhibit = parse_exhibit(read_text(path), str(path))
    findings = Findings(exhibit)
    must_be_there(exhibit, exhibit.value.unit, findings, "unit")
    for index, recorded in enumerate(exhibit.value.attract):
        must_be_there(exhibit, recorded.record, findings, "attract", index, "record")
    for index, placed in enumerate(exhibit.value.calls):
        must_be_there(exhibit, placed.call, findings, "calls", index, "call")
    findings.raise_any("Names of files are seen from the folder that the exhibit's file is in.")
    return exhibit


def parse_exhibit(text: str, file: str) -> Located[Exhibit]:
    """Read an exhibit's text; `file` names it in messages. Raises InputError."""
    exhibit = parse_model(text, file, Exhibit, kind="exhibit")
    _check(exhibit).raise_any()
    return exhibit


def _check(exhibit: Located[Exhibit]) -> Findings:
    value, findings = exhibit.value, Findings(exhibit)
    check_languages(value.languages, findings)
    if value.cool_down_us < LEAST_COOL_US:
        findings.add("cool down: expected at least 5 s: switches want a rest", "cool down")
    check_texts(value.languages, value.title, "exhibit", findings, "title")
    check_lamps(value.lamps or (), findings, "lamps")
    for index, recorded in enumerate(value.attract):
        if not 0 < recorded.most_us <= LONGEST_REPLAY_US:
            findings.add("at most: expected more than nothing and at most 30 min", "attract", index, "at most")
        for stage, texts in recorded.captions.items():
            check_texts(value.languages, texts, "exhibit", findings, "attract", index, "captions", stage)
    for index, placed in enumerate(value.calls):
        if placed.title is not None:
            check_texts(value.languages, placed.title, "exhibit", findings, "calls", index, "title")
        for stage, texts in placed.captions.items():
            check_texts(value.languages, texts, "exhibit", findings, "calls", index, "captions", stage)
    if value.visitors_dial is not None and value.visitors_dial.title is not None:
        check_texts(value.languages, value.visitors_dial.title, "exhibit", findings, "visitors dial", "title")
    if value.hours is not None:
        _hours(value.hours, findings)
    return findings


def _hours(hours: OpeningHours, findings: Findings) -> None:
    try:
        ZoneInfo(hours.zone)
    except (OSError, ValueError, LookupError):  # unknown, or a folder of zones, or this computer has no list of them
        text = f"zone: this computer knows no time zone {hours.zone!r}"
        if not available_timezones():
            text += ", for it has no list of time zones at all: apt install tzdata, or pip install 'demo_ctl[show]'"
        findings.add(text, "hours", "zone")
    for index, span in enumerate(hours.open):
        if span.begin >= span.end:
            text = "to: expected a later time of day than `from` (over midnight: two lines, `to: 24:00`, `from: 00:00`)"
            findings.add(text, "hours", "open", index, "to")
        if len(set(span.days)) != len(span.days) or not span.days:
            findings.add("days: each weekday once, and at least one", "hours", "open", index, "days")
