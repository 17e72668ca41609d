"""`demo_ctl replay --lamps`: a recorded call on the lamps of a board, with its captions in the terminal."""

from __future__ import annotations

import argparse
import queue
import sys
import threading
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from typing import TYPE_CHECKING, TextIO

from demo_ctl.cli.board_port import BENCH, chosen, with_options
from demo_ctl.terms.errors import InputError

if TYPE_CHECKING:
    from demo_ctl.show.replay import Replay
    from demo_ctl.terms.lamps import Lamp


def play_lamps(args: argparse.Namespace, shown: Replay, table: Sequence[Lamp], unit_file: str) -> None:
    """Play until the end, `quit` or Ctrl-C. Raises LinkError."""
    from demo_ctl.link.client import Client
    from demo_ctl.link.port import add_url_package, open_port
    from demo_ctl.show.lamp_player import HELP, Player, play
    from demo_ctl.show.lamps import Lights

    if not shown.total_us:
        raise InputError("nothing happens in this record: there is nothing to play")
    url = chosen(args.lamps, "the lamps are those of")
    if url.startswith(BENCH):
        add_url_package("demo_ctl.bench")
        url = with_options(url, (("unit", unit_file), ("clock", "paced")))
    out = sys.stderr if args.json else sys.stdout

    def say(text: str) -> None:
        with suppress(OSError, ValueError):  # a terminal that has gone keeps no lamp from following
            print(text, file=out, flush=True)

    with closing(Client(open_port(url))) as client:
        client.hello()
        say(f"On the lamps of {client.port.url}. {HELP}")
        lights = Lights(table, client.now_us)
        player = Player(shown, client.now_us(), again=args.again)
        play(client, lights, player, typed=_typed(sys.stdin), told=_teller(args, shown, say), say=say)


def _teller(args: argparse.Namespace, shown: Replay, say: Callable[[str], None]) -> Callable[[int], None]:
    """Say the caption of a frame when it is another than before."""
    from demo_ctl.show.captions import captions

    before = ""

    def told(index: int) -> None:
        nonlocal before
        key = shown.caption(index)
        words = captions(key, shown.scenes[index], (args.language,))[args.language] if key else ""
        if words and words != before:
            before = words
            say(f"{shown.frames[index].show_us / 1e6:7.2f} s  {words}")

    return told


def _typed(source: TextIO) -> Callable[[], str | None]:
    """Read lines in a thread of its own; no more lines are no reason to end: an exhibit has no keyboard."""
    lines: queue.SimpleQueue[str] = queue.SimpleQueue()

    def read() -> None:
        with suppress(OSError, ValueError):
            for line in source:
                lines.put(line)

    threading.Thread(target=read, name="typed", daemon=True).start()

    def next_line() -> str | None:
        try:
            return lines.get_nowait()
        except queue.Empty:
            return None

    return next_line
