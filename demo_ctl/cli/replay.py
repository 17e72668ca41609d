"""`demo_ctl replay`: a recorded call again, at any pace: as a list, as one page that plays by itself, as sound."""

from __future__ import annotations

import argparse
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from demo_ctl.cli.files import existing, unit_path, write_whole
from demo_ctl.cli.plan import pace_of
from demo_ctl.terms.errors import InputError, Place
from demo_ctl.terms.outcome import Exit

if TYPE_CHECKING:
    from demo_ctl.ledger.read import Record
    from demo_ctl.office.model import Unit
    from demo_ctl.show.replay import Replay
    from demo_ctl.terms.lamps import Lamp
    from demo_ctl.terms.located import Located

_WHICH = ("first-pulse", "first-of-each-stage", "everything")


def options(replay: argparse.ArgumentParser) -> None:
    """Add the options of `replay`."""
    replay.add_argument("record", metavar="RECORD", help="a file that `call --record` or `show --records` wrote")
    replay.add_argument("--unit", metavar="FILE", help="the unit's description (default: the one it was recorded on)")
    replay.add_argument("--truth", metavar="FILE", help="a bench's truth of the same call: true switches, not inferred")
    replay.add_argument("--pace", default="1", metavar="PACE", help="1 is normal speed; from 1/50 to 4")
    replay.add_argument(
        "--unfold",
        nargs="?",
        const="first-pulse",
        choices=_WHICH,
        help="show what happens together one after the other (without a word: the first pulse of the first digit)",
    )
    replay.add_argument("--at-most", metavar="TIME", help="longest time that the replay may take, such as 45s")
    replay.add_argument("--page", metavar="FILE.html", help="make one page that plays it without server or network")
    replay.add_argument("--again", action="store_true", help="with --page or --lamps: over and over")
    replay.add_argument(
        "--lamps", nargs="?", const="auto", metavar="PORT", help="play it on the lamps of the board at this port"
    )
    replay.add_argument(
        "--lamps-of", metavar="FILE", help="with --lamps: a run sheet or exhibit with a list of lamps (else the unit's)"
    )
    replay.add_argument("--sound", metavar="FILE.wav", help="make its sound: the recorded line, and clicks")
    replay.add_argument(
        "--language", choices=("en", "de", "fr"), default="en", help="of the list, and the page's first"
    )
    replay.add_argument("--json", action="store_true", help="print one JSON object on standard output")


def run(args: argparse.Namespace) -> int:
    """Read the record; make what is asked for, else list what is shown when."""
    from demo_ctl.ledger.read import read_record, read_truth
    from demo_ctl.show.replay import replay_record
    from demo_ctl.show.unfold import Unfolding

    pace = pace_of(args.pace)
    for wanted in (args.page, args.sound):
        if wanted is not None and Path(wanted).exists():
            raise InputError(
                "this file is there already", where=Place(wanted), next_step="Give another name, or move the old file."
            )
    record = read_record(existing(args.record))
    truth = read_truth(existing(args.truth)) if args.truth else None
    located = _unit_of(args, record)
    unit = located.value
    table = _lamp_table(args, located)
    cap_us = _cap_us(args)
    folded = Unfolding(which="nothing", cap_us=cap_us)
    which: Any = (args.unfold or "nothing").replace("-", " ")
    shown = replay_record(record, unit, truth, pace=pace, unfolding=Unfolding(which=which, cap_us=cap_us))
    if args.page is not None:
        plain = replay_record(record, unit, truth, unfolding=folded)
        other: Any = (args.unfold or "first-pulse").replace("-", " ")
        unfolded = replay_record(record, unit, truth, unfolding=Unfolding(which=other, cap_us=cap_us))
        write_whole(args.page, _page(args, pace, record, unit, plain, unfolded).encode())
    if args.sound is not None:
        _sound(args, record, shown)
    if args.json:
        from demo_ctl.cli.json_out import print_json

        print_json({"record": args.record, "title": record.plan.title, **shown.as_json()})
    elif args.lamps is None:
        _list(args, record, shown)
    if args.lamps is not None:
        from demo_ctl.cli.replay_lamps import play_lamps

        play_lamps(args, shown, table, located.file)
    return int(Exit.OK)


def _lamp_table(args: argparse.Namespace, unit: Located[Unit]) -> tuple[Lamp, ...]:
    """Which lamp shows what; known to be something before anything else is made."""
    from demo_ctl.script.exhibit_load import load_exhibit
    from demo_ctl.script.sheet_load import load_sheet
    from demo_ctl.show.lamps import lamp_table
    from demo_ctl.terms.located import read_text

    if args.lamps is None:
        if args.lamps_of is not None:
            raise InputError("--lamps-of is for --lamps", next_step="Say on which board: --lamps PORT.")
        return ()
    own: Located[Any] | None = None
    if args.lamps_of is not None:
        path = existing(args.lamps_of)
        own = load_exhibit(path) if "format: demo_ctl exhibit" in read_text(path) else load_sheet(path)
    table = lamp_table(unit, own)
    if not table:
        raise InputError(
            "nothing says what any lamp shows: there is no list `lamps` with anything in it",
            where=Place(own.file if own is not None else unit.file),
            next_step="Write one (wiring/README.md, Lamps), or name a sheet or exhibit that has one: --lamps-of FILE.",
        )
    return table


def _unit_of(args: argparse.Namespace, record: Record) -> Located[Unit]:
    """The unit named, or the one among the usual files that the call was recorded on."""
    from demo_ctl.office.load import load_unit

    if args.unit is not None:
        return load_unit(unit_path(args.unit))
    usual = unit_path(None)
    for path in (usual, *sorted(usual.parent.glob("*.yaml"))):
        try:
            unit = load_unit(path)
        except InputError:
            continue
        if unit.value.name == record.unit:
            return unit
    raise InputError(
        f"this call was recorded on {record.unit}, which is none of the units in {usual.parent}",
        where=Place(args.record),
        next_step="Name its file: --unit FILE.",
    )


def _cap_us(args: argparse.Namespace) -> int | None:
    from demo_ctl.terms.quantity import parse_us

    if args.at_most is None:
        return None
    try:
        cap_us = parse_us(args.at_most)
    except ValueError as error:
        raise InputError(f"--at-most: {error}") from None
    if not cap_us:
        raise InputError("--at-most: expected a time, such as 45 s, found none")
    return cap_us


def _page(args: argparse.Namespace, pace: Fraction, record: Record, unit: Unit, plain: Replay, unfolded: Replay) -> str:
    from demo_ctl.office.numbers import pulses_of
    from demo_ctl.show.captions import LANGUAGES
    from demo_ctl.show.selfpage import PACES, self_page

    if str(pace) not in PACES:
        raise InputError(f"--pace: a page has the paces {', '.join(PACES)}, found {pace}")
    languages = (args.language, *(each for each in LANGUAGES if each != args.language))
    return self_page(
        _frames(plain, languages),
        record.plan.title,
        languages,
        unfolded=_frames(unfolded, languages),
        begin_unfolded=args.unfold is not None,
        pace=str(pace),
        playing=args.again,
        again=args.again,
        pulses=[pulses_of(digit, unit.numbering.pulses) for digit in record.plan.digits],
    )


def _frames(shown: Replay, languages: tuple[str, ...]) -> list[tuple[int, dict[str, Any], dict[str, str]]]:
    from demo_ctl.show.captions import captions
    from demo_ctl.show.scene import as_json

    found = []
    told: dict[str, str] = {}
    for frame, scene in zip(shown.frames, shown.scenes, strict=True):
        if frame.caption_key:
            told = captions(frame.caption_key, scene, languages)
        found.append((frame.show_us, as_json(scene), told))
    return found


def _sound(args: argparse.Namespace, record: Record, shown: Replay) -> None:
    from demo_ctl.show.sound import sound

    made = sound(shown.timeline, shown.happenings, record.observation.audio, record.plan.caller_port)
    if made is None:
        raise InputError("the replay is too long for a sound", next_step="Choose a faster pace, or --at-most.")
    write_whole(args.sound, made)


def _list(args: argparse.Namespace, record: Record, shown: Replay) -> None:
    from demo_ctl.cli.screen import console
    from demo_ctl.report.words import plain_table, time_words
    from demo_ctl.show.captions import captions

    known = "the bench's own truth" if args.truth else "inferred from what was sensed"
    table = plain_table(f"{record.plan.title}, recorded {record.wall_utc}", "at", "what is shown")
    for frame, scene in zip(shown.frames, shown.scenes, strict=True):
        if frame.caption_key:
            text = captions(frame.caption_key, scene, (args.language,))[args.language]
            table.add_row(f"{frame.show_us / 1e6:.2f} s", text)
    console().print(table)
    length = time_words(shown.total_us)
    pace = shown.timeline.pace
    words = str(pace) if pace.denominator <= 50 else f"{float(pace):.2f}"
    console().print(f"It takes {length} at pace {words}. The switches' moves are {known}.")
    for note in (*shown.timeline.notes, *record.remarks):
        console().print(f"Note: {note}")
    for made in (args.page, args.sound):
        if made is not None:
            console().print(f"Made {made}")
