"""`demo_ctl safety`: the ringing guard. Each action is a module of its own, `safety_<action>`."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from importlib import import_module
from types import ModuleType

#: Actions, and what each is for.
ACTIONS = {
    "show": "how the guard stands, what is in the way of ringing, what to do (no action named: this one)",
    "prove": "walk through the proving of the guard, and keep a dated record of it",
    "permit": "at night: hold the unit's supply while this runs, tell what happens, remember alarms",
    "limits": "the board's limits in force; make one tighter",
    "trips": "the last trips: what happened, what was seen, what to do",
    "budget": "the reaction budget of every way to trip, worked out and checked against its limit",
    "meter": "compare what the board measures with a meter, and keep the comparison (once a year)",
    "criteria": "the ringing voltage checked against the published safety criteria",
    "explore": "visit every state of the interlock, check every safety law in each (minutes; --quick: seconds)",
    "mutate": "change the interlock's rules one at a time, and see that the laws notice (long; --count: only some)",
    "failures": "the failure table: each single fault, what happens, who notices, how soon",
}


def module_of(action: str) -> ModuleType:
    """Return the module of an action."""
    return import_module(f"demo_ctl.cli.safety_{action}")


def options(parser: argparse.ArgumentParser) -> None:
    """Add the actions and their options. Only called when somebody wants them: it loads all of their modules."""
    module_of("show").arguments(parser)
    actions = parser.add_subparsers(dest="action", metavar="ACTION")
    for action, purpose in ACTIONS.items():
        sub = actions.add_parser(
            action,
            help=purpose,
            description=purpose,
            epilog=parser.epilog,
            formatter_class=parser.formatter_class,
        )
        sub.set_defaults(inner=True)
        module_of(action).arguments(sub)


def run(args: argparse.Namespace) -> int:
    """Do the action."""
    act: Callable[[argparse.Namespace], int] = module_of(args.action or "show").run
    return act(args)
