"""Which port a command means, and the board behind it."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from typing import TYPE_CHECKING
from urllib.parse import parse_qsl, urlencode, urlsplit

from demo_ctl.cli.files import unit_path

if TYPE_CHECKING:
    from demo_ctl.link.client import Client

BENCH = "bench://"
PORT_HELP = (
    "serial port of the board, such as /dev/ttyACM0, socket://HOST:PORT or bench:// "
    "(default: the one board that is plugged in; with none, the bench)"
)


def chosen(url: str, what: str) -> str:
    """Return the port to open: the one asked for, or the only board, or else the bench, which is said. what: `this`."""
    if url != "auto":
        return url
    from demo_ctl.link.port import choose

    board = choose()
    if board:
        return board.url
    print(f"No board is plugged in: {what} the bench (simulated board and unit).", file=sys.stderr)
    return BENCH


def with_options(url: str, known: tuple[tuple[str, str], ...], more: tuple[tuple[str, str], ...] = ()) -> str:
    """Complete a bench URL with what the command line knows; what the URL says itself wins over `known`."""
    try:
        parts = urlsplit(url)
    except ValueError:
        return url  # not even a URL: whoever opens it says so
    query = parse_qsl(parts.query, keep_blank_values=True)
    said = {key for key, _ in query}
    query += [(key, value) for key, value in known if key not in said]
    query += more
    # Not urlunsplit: it writes `bench:?` where there is no host.
    return f"{parts.scheme}://{parts.netloc}{parts.path}?{urlencode(query, safe='/:')}"


@contextmanager
def board(given: str, unit: str | None) -> Iterator[Client]:
    """Open the port, say hello, and hand the client over; close it afterwards."""
    from demo_ctl.link.client import Client
    from demo_ctl.link.port import add_url_package, open_port

    url = chosen(given, "this is about")
    if url.startswith(BENCH):
        from demo_ctl.office.load import load_unit

        add_url_package("demo_ctl.bench")
        path = unit_path(unit)
        if "unit=" not in url:
            load_unit(path)  # what is wrong with a person's file is said as that, and not as trouble with a bench
        url = with_options(url, (("unit", str(path)),))
    with closing(Client(open_port(url))) as client:
        client.hello()
        yield client
