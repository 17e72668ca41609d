"""`demo_ctl safety`: how the guard stands."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from demo_ctl.cli.board_port import PORT_HELP, board
from demo_ctl.terms.outcome import Exit
from demo_ctl.wire import messages as m

if TYPE_CHECKING:
    from demo_ctl.link.client import LimitsInForce
    from demo_ctl.safety.standing import Standing

FORMAT = "demo_ctl safety 1"
#: `safety` alone shows so many trips; `safety trips` shows all.
_FEW = 2


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell what the command takes."""
    board_arguments(parser)


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

    with board(args.port, args.unit) as client:
        safety, limits, trips = client.safety(), client.limits_in_force(), client.trips()
        url, welcome = client.port.url, client.welcome
    assert welcome is not None
    found = standing(safety)
    if args.json:
        from demo_ctl.cli.json_out import print_json

        print_json(
            {
                "format": FORMAT,
                "port": url,
                "simulated": bool(welcome.simulated),
                **safety_json(safety, found),
                "limits": limits_json(limits),
                "trips": [trip_json(trip) for trip in trips],
            }
        )
    else:
        _show(safety, found, limits, trips, url, simulated=bool(welcome.simulated))
    return int(Exit.SAFETY_TRIP if safety.state == m.G_TRIPPED else Exit.OK)


def _show(
    safety: m.Safety, found: Standing, limits: LimitsInForce, trips: list[m.Trip], url: str, *, simulated: bool
) -> None:
    from demo_ctl.cli.screen import console, reader_may_go
    from demo_ctl.report.safety import standing_parts, trips_parts
    from demo_ctl.safety.proof_store import board_text, digest_text
    from demo_ctl.safety.standing import trip_in_words

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
        for part in standing_parts(found.headline, found.why, found.obstacle, found.next_step, groups, danger=danger):
            screen.print(part)
        screen.print()
        for part in trips_parts([trip_in_words(trip) for trip in trips[:_FEW]]):
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
        "permit_reason": _word(m.R_NAMES, safety.permit_reason),
    }


def limits_json(limits: LimitsInForce) -> dict[str, Any]:
    """The limits in force."""
    from demo_ctl.safety.proof_store import digest_text

    return {"digest": digest_text(limits.digest), "values": dict(limits.values)}


def trip_json(trip: m.Trip) -> dict[str, Any]:
    """One trip, with its words."""
    from demo_ctl.safety.standing import trip_in_words

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
        "says": list(trip_in_words(trip)),
    }


def _bits(value: int) -> dict[str, bool]:
    return {name: bool(value >> bit & 1) for bit, name in enumerate(m.INPUTS)}


def _word(words: tuple[str, ...], code: int) -> str:
    return words[code] if code < len(words) else f"code {code}"
