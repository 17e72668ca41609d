"""`demo_ctl safety`: how the guard stands."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from demo_ctl.cli.board_port import PORT_HELP, board
from demo_ctl.cli.files import unit_path
from demo_ctl.terms.errors import InputError
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m

if TYPE_CHECKING:
    from demo_ctl.link.client import Client
    from demo_ctl.link.limits import LimitsInForce
    from demo_ctl.office.model import Unit
    from demo_ctl.safety.proof_store import Proving, Unread
    from demo_ctl.safety.proof_words import Account
    from demo_ctl.safety.standing import Standing

FORMAT = "demo_ctl safety 1"
#: `safety` alone shows so many trips; `safety trips` shows all.
_FEW = 2


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell what the command takes."""
    board_arguments(parser)
    proving_arguments(parser)


def proving_arguments(parser: argparse.ArgumentParser) -> None:
    """Tell where provings are looked for."""
    inner = bool(parser.get_default("inner"))
    parser.add_argument(
        "--proving-dir",
        metavar="DIR",
        default=argparse.SUPPRESS if inner else None,
        help="where provings are kept (default: ~/.local/state/demo_ctl/provings)",
    )


def board_arguments(parser: argparse.ArgumentParser) -> None:
    """Tell which board, and in which form to answer: before the action or after it."""
    inner = bool(parser.get_default("inner"))  # then what was said before the action holds

    def default(value: object) -> object:
        return argparse.SUPPRESS if inner else value

    unit_help = "the unit's description (default: configs/units/mossbrook.yaml)"
    parser.add_argument("--port", default=default("auto"), metavar="URL", help=PORT_HELP)
    parser.add_argument("--unit", default=default(None), metavar="FILE", help=unit_help)
    parser.add_argument(
        "--json", action="store_true", default=default(False), help="print one JSON object on standard output"
    )


def run(args: argparse.Namespace) -> int:
    """Ask the board, print; 4 when the guard is tripped."""
    from demo_ctl.safety.standing import standing

    unit = unit_of(args.unit)
    provings, unread = kept_provings(args)
    with board(args.port, args.unit) as client:
        safety, limits, trips = client.safety(), client.limits_in_force(), client.trips()
        url, welcome = client.port.url, client.welcome
        proof = _proof(client, safety, unit, provings, unread)
    assert welcome is not None
    alarm = _alarm(args, unit, safety, simulated=bool(welcome.simulated))
    metered, bars = ("", False) if proof.itself else _metered(args, unit, safety, simulated=bool(welcome.simulated))
    found = standing(safety, trips[0] if trips else None, refused=bars or not proof.counts)
    caused = causes(safety, welcome, trips, provings)
    if args.json:
        from demo_ctl.cli.json_out import print_json

        print_json(
            {
                "format": FORMAT,
                "port": url,
                "simulated": bool(welcome.simulated),
                **safety_json(safety, found),
                "proving": _proof_json(proof),
                "alarm_not_acknowledged": alarm,
                "meter": {"says": metered, "keeps_from_ringing": bars} if metered else None,
                "limits": limits_json(limits),
                "trips": [
                    trip_json(trip, caused=why, who=lines_of(unit)) for trip, why in zip(trips, caused, strict=True)
                ],
            }
        )
    else:
        told = list(zip(trips, caused, strict=True))
        if alarm:
            said = f"AN ALARM HAS TAKEN THE UNIT'S SUPPLY, and nobody has acknowledged it: {alarm}."
            proof = replace(proof, says=(*proof.says, said))
        if metered:
            proof = replace(proof, says=(*proof.says, metered))
        _show(safety, found, limits, told, url, proof, simulated=bool(welcome.simulated), who=lines_of(unit))
    return int(Exit.SAFETY_TRIP if safety.state == m.G_TRIPPED else Exit.OK)


def _alarm(args: argparse.Namespace, unit: Unit | None, safety: m.Safety, *, simulated: bool) -> str:
    """Return the alarms of this unit or board that nobody has acknowledged, in words; "" when there are none."""
    from demo_ctl.safety.permit_book import alarms_in_words, read_rows, standing_alarms
    from demo_ctl.safety.proof_store import board_text, default_folder

    if unit is None:
        return ""
    rows = read_rows(Path(args.proving_dir) if args.proving_dir else default_folder())
    return alarms_in_words(standing_alarms(rows, unit.name, board_text(safety.board), simulated=simulated))


def _metered(args: argparse.Namespace, unit: Unit | None, safety: m.Safety, *, simulated: bool) -> tuple[str, bool]:
    """Say how this board stands with a meter, and whether that keeps calls from ringing."""
    from demo_ctl.safety.meter_book import account
    from demo_ctl.safety.proof_store import board_text, default_folder

    folder = Path(args.proving_dir) if args.proving_dir else default_folder()
    now = datetime.now().astimezone()
    return account(folder, unit.name if unit else "", board_text(safety.board), simulated=simulated, now=now)


def unit_of(given: str | None) -> Unit | None:
    """Return the unit that is meant; None where none was named and there is none here."""
    from demo_ctl.office.load import load_unit

    try:
        path = unit_path(given)
    except InputError:
        if given is not None:
            raise
        return None
    return load_unit(path).value


def lines_of(unit: Unit | None) -> dict[int, str]:
    """Return the names of the lines on the board's ports."""
    return {line.port: line.name for line in unit.lines if line.port} if unit is not None else {}


def kept_provings(args: argparse.Namespace) -> tuple[list[Proving], list[Unread]]:
    """Return the records of provings that are kept, and the files that are none."""
    from demo_ctl.safety.proof_store import default_folder, read_all

    return read_all(Path(args.proving_dir) if args.proving_dir else default_folder())


def causes(safety: m.Safety, welcome: m.Welcome, trips: list[m.Trip], provings: list[Proving]) -> list[str]:
    """Say of each trip which proving caused it on purpose, "" when none did."""
    from demo_ctl.safety.proof_store import board_text
    from demo_ctl.safety.proof_words import caused_by

    return [caused_by(trip, welcome.boot, provings, board_text(safety.board)) for trip in trips]


def _proof(
    client: Client, safety: m.Safety, unit: Unit | None, provings: list[Proving], unread: list[Unread]
) -> Account:
    from demo_ctl.safety.proof_words import Account, by_itself, by_records
    from demo_ctl.safety.readiness import proven_at_opening, wanted_of

    if proven_at_opening(client, safety):
        return by_itself()
    if unit is None:
        return Account(False, ("Whether it is proven is not known here: say which unit it is at, --unit FILE.",))
    wanted = wanted_of(client, safety, unit=unit, age=None, now=datetime.now().astimezone())
    return by_records(provings, wanted, unread, safety.exercised)


def _proof_json(proof: Account) -> dict[str, Any]:
    record = proof.proving
    return {
        "counts": proof.counts,
        "says": list(proof.says),
        "until": proof.until or None,
        "without": list(proof.without),
        "ended": record.ended if record else None,
        "who": record.who if record else None,
        "file": record.file if record else None,
    }


def _show(
    safety: m.Safety,
    found: Standing,
    limits: LimitsInForce,
    trips: list[tuple[m.Trip, str]],
    url: str,
    proof: Account,
    *,
    simulated: bool,
    who: Mapping[int, str],
) -> None:
    from demo_ctl.cli.screen import console, reader_may_go
    from demo_ctl.report.safety import standing_parts, trips_parts
    from demo_ctl.safety.proof_store import board_text, digest_text
    from demo_ctl.safety.trip_words import trip_in_words

    groups = [
        ("Measured", [(row.name, row.value) for row in found.measured]),
        ("Inputs of the board", [(row.name, row.value) for row in found.inputs]),
        (
            "Allowed, and counted",
            [
                *((row.name, row.value) for row in found.allowance),
                ("digest of the limits in force", f"{digest_text(limits.digest)} (demo_ctl safety limits shows them)"),
            ],
        ),
    ]
    kind = "simulated board" if simulated else "board"
    with reader_may_go():
        screen = console()
        screen.print(f"Ringing guard of the {kind} {board_text(safety.board)} at {url}")
        screen.print()
        danger = safety.state in (m.G_TRIPPED, m.G_LIVE)
        told = found.headline, found.why, found.obstacle, found.next_step
        for part in standing_parts(*told, proof.says, groups, danger=danger):
            screen.print(part)
        screen.print()
        for part in trips_parts([trip_in_words(*trip, who=who) for trip in trips[:_FEW]]):
            screen.print(part)
        if len(trips) > _FEW:
            screen.print(f"  and {len(trips) - _FEW} more: demo_ctl safety trips")


# -- for other programs -------------------------------------------------------------------------------------


def safety_json(safety: m.Safety, found: Standing) -> dict[str, Any]:
    """The board's own account, with its words."""
    from demo_ctl.safety.proof_store import board_text

    return {
        "board": board_text(safety.board),
        "now_us": safety.now_us,
        "state": _word(m.GUARD_STATES, safety.state),
        "reason": _word(m.R_NAMES, safety.reason),
        "obstacle": _word(m.R_NAMES, safety.obstacle),
        "mode": _word(m.MODES, safety.mode),
        "says": found.headline,
        "what_is_in_the_way": found.obstacle,
        "what_to_do": found.next_step,
        "inputs": _bits(safety.inputs),
        "exercised": _bits(safety.exercised),
        "bus_mV": safety.bus_mV,
        "bus_uA": safety.bus_uA,
        "supply_mV": safety.supply_mV,
        "battery_mV": safety.battery_mV,
        "call_left_ms": safety.call_left_ms,
        "hour_left_ms": safety.hour_left_ms,
        "trip_count": safety.trips,
        "permit": bool(safety.permit),
        "permit_says": found.permit,
    }


def limits_json(limits: LimitsInForce) -> dict[str, Any]:
    """The limits in force."""
    from demo_ctl.safety.proof_store import digest_text

    return {"digest": digest_text(limits.digest), "values": dict(limits.values)}


def trip_json(trip: m.Trip, caused: str = "", **known: Any) -> dict[str, Any]:
    """One trip, with its words. caused, known: as `trip_in_words` takes them."""
    from demo_ctl.safety.trip_words import trip_in_words

    return {
        "at_us": trip.at_us,
        "reason": _word(m.R_NAMES, trip.reason),
        "worse": _word(m.R_NAMES, trip.worse),
        "state": _word(m.GUARD_STATES, trip.state),
        "port": trip.port,
        "inputs": _bits(trip.inputs),
        "levels": trip.levels,
        "bus_mV": trip.bus_mV,
        "bus_uA": trip.bus_uA,
        "supply_mV": trip.supply_mV,
        "battery_mV": trip.battery_mV,
        "plan": trip.plan,
        "step": trip.step,
        "caused_on_purpose": caused,
        "says": list(trip_in_words(trip, caused, **known)),
    }


def _bits(value: int) -> dict[str, bool]:
    return {name: bool(value >> bit & 1) for bit, name in enumerate(m.INPUTS)}


def _word(words: tuple[str, ...], code: int) -> str:
    return words[code] if code < len(words) else f"code {code}"
