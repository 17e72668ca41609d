"""What the commands that serve pages have in common."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from typing import TYPE_CHECKING

from demo_ctl.terms.errors import InputError

if TYPE_CHECKING:
    from demo_ctl.show.hub import Hub
    from demo_ctl.show.wishes import Reply

EVERYWHERE = ("0.0.0.0", "::")
NEEDS = "Install what shows need: pip install 'demo_ctl[show]'."


def web_options(parser: argparse.ArgumentParser, whose: str) -> None:
    """Add --web, --listen and --name. whose: page is served."""
    parser.add_argument(
        "--web", nargs="?", type=int, const=8050, metavar="PORT", help=f"serve the {whose} page and a console page"
    )
    parser.add_argument(
        "--listen", default="127.0.0.1", metavar="ADDRESS", help="where --web listens (default: this computer only)"
    )
    parser.add_argument(
        "--name", action="append", default=[], metavar="NAME", help="with --listen: a name that screens ask for"
    )


def check_web(args: argparse.Namespace) -> None:
    """Find fault with --web and --listen. Raises InputError."""
    if args.listen != "127.0.0.1" and args.web is None:
        raise InputError("--listen goes with --web", next_step="Add --web, or leave --listen away.")
    if args.web is not None and not 0 <= args.web <= 65_535:
        raise InputError(f"--web: found {args.web}, expected a port from 0 to 65535")


def serve_pages(
    args: argparse.Namespace,
    stack: ExitStack,
    hub: Hub,
    states: Hub,
    wish: Callable[[str, str], Reply | None],
    *,
    who: str,
    sounds: Sequence[bytes] = (),
) -> tuple[str, ...]:
    """Serve the screens' page and the console's as --web, --listen and --name say, until the stack unwinds.

    Prints both addresses and returns those lines; who: looks at the screens. Raises InputError when a package is
    missing, DemoError when nobody can be served there.
    """
    try:
        from demo_ctl.show.desk import Console
        from demo_ctl.show.door import new_token
        from demo_ctl.show.server import serve
    except ModuleNotFoundError as error:
        raise InputError(f"--web needs a package that is not installed ({error.name})", next_step=NEEDS) from None
    token = new_token()
    served = serve(
        hub,
        Console(states, wish),
        token,
        host=args.listen,
        port=args.web,
        sounds=sounds,
        allowed_hosts=allowed_hosts(args.listen, args.name),
    )
    stack.callback(served.stop)
    lines = (f"{who}: {served.url}", f"Console:  {served.url.rstrip('/')}/console   token {token}")
    for line in lines:
        print(line, file=sys.stderr)
    return lines


def allowed_hosts(listen: str, names: Sequence[str]) -> tuple[str, ...]:
    """Return by which names pages may be asked for: those given, and the one address that is listened at."""
    return (*names, *(() if listen in EVERYWHERE else (listen,)))
