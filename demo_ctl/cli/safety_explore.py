"""`demo_ctl safety explore`."""

from __future__ import annotations

import argparse
from contextlib import suppress
from typing import TYPE_CHECKING

from demo_ctl.terms.outcome import Exit

if TYPE_CHECKING:
    from demo_ctl.safety.explore import Result
    from demo_ctl.safety.probe import WatchResult


#: What the laws say in short.
WORDS = {
    "LOCKED": "since the board started, or since the key was turned on with the chain open; only the key leads out",
    "KEY_OFF": "the key is off",
    "SAFE": "ringing is off, nothing is wrong, and something that ringing needs is not there",
    "PROVING": "everything stands as it must for ringing, and has to stay so for a while",
    "ARMED": "it stayed so; the plan's ringing window is waited for",
    "LIVE": "the pump moves, and ringing voltage is let onto the bus",
    "FALLING": "ringing was taken off in order; relays and bus have yet to be seen at rest",
    "TRIPPED": "ringing was taken off because something was wrong; only the key leads out",
    "a pass": "one round of the board's loop: inputs and the time since the last pass in, pump, state and reason out",
    "fact": "what the interlock is told in a pass, each true or false: chain, key, mirrors, bus, heartbeat, window...",
    "wait_us, left_us, stays_us": "microseconds until time alone changes what a machine shows, inputs unchanged; "
    "-1: time alone does not",
    "FAR_US": "2**29 microseconds, nine minutes: wait_us when time alone changes nothing",
}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Tell what the command takes."""
    parser.add_argument("--quick", action="store_true", help="a few sets of limits instead of all")
    parser.add_argument("--laws", action="store_true", help="only print the laws, explore nothing")
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output")


def run(args: argparse.Namespace) -> int:
    """Explore, print what was found; 0: every law held everywhere, and each was exercised; 1: not; 130: stopped."""
    from demo_ctl.cli.headway import headway
    from demo_ctl.cli.json_out import print_json
    from demo_ctl.safety.explore import NAMES, QUICK, explore_all, full, idle_laws
    from demo_ctl.safety.laws import LAWS, WHOLE
    from demo_ctl.safety.probe import SHARED
    from demo_ctl.safety.watches import WATCHES, explore_watches

    sentences = {law.name: law.says for law in LAWS} | WHOLE
    if args.laws:
        _print_laws(args.json, sentences, {watch.name: watch.laws | SHARED for watch in WATCHES})
        return int(Exit.OK)
    assignments = QUICK if args.quick else full()
    done: dict[tuple[int, ...], Result] = {}
    watches: list[WatchResult] = []
    with suppress(KeyboardInterrupt), headway("Sets of limits and watches", len(assignments) + len(WATCHES)) as step:
        for result in explore_all(assignments):
            done[result.limits] = result
            step("")
        for watch in explore_watches():
            watches.append(watch)
            step("")
    whole = len(done) == len(assignments) and len(watches) == len(WATCHES)
    results = [done[limits] for limits in assignments if limits in done]
    idle = idle_laws(results) + [f"{each.name}: {law}" for each in watches for law in each.idle()]
    violations = sum(each.violations for each in results) + sum(each.violations for each in watches)
    states = sum(each.states for each in results)
    transitions = sum(each.transitions for each in results)
    exercised = {name: sum(each.exercised[name] for each in results) for name in sentences}
    fine = whole and not violations and not idle
    code = int(Exit.OK if fine else Exit.CHECK_FAILED if whole or violations else Exit.INTERRUPTED)
    if args.json:
        print_json(
            {
                "fine": fine,
                "whole": whole,
                "states": states,
                "transitions": transitions,
                "violations": violations,
                "never_exercised": idle,
                "limits": list(NAMES),
                "assignments": [
                    {
                        "ticks": list(each.limits),
                        "states": each.states,
                        "transitions": each.transitions,
                        "violations": each.violations,
                        "told": each.told,
                        "seconds": round(each.seconds, 2),
                    }
                    for each in results
                ],
                "laws": [{"name": n, "says": sentences[n], "exercised": exercised[n]} for n in sentences],
                "watches": [each.as_dict() for each in watches],
            }
        )
        return code
    if results:
        _print(results, sentences, exercised)
    _print_watches(watches)
    for name in idle if whole else ():
        print(f"Never exercised: {name}. The exploration says nothing about it.")
    print(
        f"Interlock: {len(results)} sets of limits, {states:,} states, {transitions:,} transitions, "
        f"{sum(each.violations for each in results):,} violations of {len(sentences)} laws."
    )
    if not whole:
        of = len(assignments) + len(WATCHES)
        print(f"STOPPED after {len(done) + len(watches)} of {of} explorations: of the others this says nothing.")
    elif fine:
        print("Every law held wherever it says anything.")
    else:
        print("NOT FINE: see above.")
    return code


def _print(results: list[Result], sentences: dict[str, str], exercised: dict[str, int]) -> None:
    from rich.table import Table

    from demo_ctl.cli.screen import console
    from demo_ctl.safety.explore import NAMES

    table = Table(title="The interlock: every state, every input, every time step", title_justify="left")
    table.add_column("Limits in ticks: " + ", ".join(NAMES))
    for heading in ("States", "Transitions", "Violations"):
        table.add_column(heading, justify="right", no_wrap=True)
    for each in results:
        ticks = " ".join(str(limit) for limit in each.limits)
        table.add_row(ticks, f"{each.states:,}", f"{each.transitions:,}", f"{each.violations:,}")
    console().print(table)
    _print_exercised("Its laws", sentences, exercised)
    _tell([line for each in results for line in each.told])


def _print_watches(watches: list[WatchResult]) -> None:
    for each in watches:
        title = f"{each.name}: {each.states:,} states, {each.transitions:,} transitions, {each.violations:,} violations"
        _print_exercised(title, each.laws, each.exercised)
        _tell(each.told)


def _print_exercised(title: str, sentences: dict[str, str], exercised: dict[str, int]) -> None:
    from rich.table import Table

    from demo_ctl.cli.screen import console

    table = Table(title=title, title_justify="left")
    table.add_column("Law", no_wrap=True)
    table.add_column("What it says", ratio=1)
    table.add_column("Exercised", justify="right", no_wrap=True)
    for name, says in sentences.items():
        table.add_row(name, says, f"{exercised.get(name, 0):,}")
    console().print(table)


def _tell(lines: list[str]) -> None:
    for line in lines:
        print(f"VIOLATED: {line}")


def _print_laws(as_json: bool, sentences: dict[str, str], watches: dict[str, dict[str, str]]) -> None:
    from demo_ctl.cli.json_out import print_json

    everything = {"interlock": sentences} | watches
    words = WORDS | {"MAY_FOLLOW": _ways()}
    if as_json:
        print_json({"laws": everything, "words": words})
        return
    for what, laws in {**everything, "Words in them": words}.items():
        print(what)
        for name, says in laws.items():
            _print_law(name, says)


def _print_law(name: str, says: str) -> None:
    """Print a law, no wider than the terminal, its second line and further ones further in."""
    from demo_ctl.cli.screen import console, folded

    first, *more = folded(f"{name}: {says}", console().width - 4)
    print(f"  {first}")
    for line in more:
        print(f"    {line}")


def _ways() -> str:
    """Write the table of ways, from its own rows."""
    from demo_ctl.safety.laws import MAY_FOLLOW
    from demo_ctl.wire import messages as m

    names = {
        getattr(m, name): name.removeprefix("G_")
        for name in dir(m)
        if name.startswith("G_") and isinstance(getattr(m, name), int)
    }
    rows = (
        f"{names[state]} by {', '.join(names[each] for each in after if each != state)}"
        for state, after in MAY_FOLLOW.items()
    )
    return f"which state may be followed by which, other than itself: {'; '.join(rows)}"
