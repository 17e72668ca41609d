"""A complete show in real time: slowly with gates, then at normal speed; and the same on real MicroPython."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from demo_ctl.bench.serve import serve_pty
from demo_ctl.link.client import Client
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.plan.model import Plan
from demo_ctl.safety.readiness import check_exercised, check_guard
from demo_ctl.script.sheet_load import parse_sheet
from demo_ctl.show.engine import Phase
from demo_ctl.show.hub import ConsoleState, Hub
from demo_ctl.show.pictures import Pictures
from demo_ctl.show.programme import prepare
from demo_ctl.show.show_house import House
from demo_ctl.show.stagehand import Stagehand
from demo_ctl.show.wishes import Kind, Wish
from demo_ctl.terms.outcome import Exit

UNIT = Path(__file__).parents[2] / "configs" / "units" / "travelling.yaml"
#: One ring, a word, and down again: as short as a whole call can be.
CALL = """\
format: demo_ctl call 1
name: short
title: A short call
parties: {caller: counter, called: parlour}
steps:
  - lift: caller
  - await: dial tone
  - dial: called
  - await: ringback
  - answer: called
    after: 1 ring
    during: silence
  - talk: 500 ms
  - hang up: caller
  - hang up: called
"""
SHEET = """\
format: demo_ctl show 1
name: short
title: {en: A short show}
calls:
  - call: short.yaml
    pace: 1/2
    repeat: [{pace: 1, screen: wipers}]
"""


def may_ring(client: Client, _plan: Plan) -> None:
    """As for every call: a proven guard that has not tripped; on the bench, one whose contacts were all worked."""
    safety = client.safety()
    check_guard(safety, simulated=True)
    check_exercised(safety)


@contextmanager
def pseudo_terminal(board: str) -> Iterator[str]:
    path: list[str] = []
    there, stop = threading.Event(), threading.Event()

    def announce(where: str) -> None:
        path.append(where)
        there.set()

    thread = threading.Thread(
        target=serve_pty, args=([("unit", str(UNIT)), ("board", board)],), kwargs={"announce": announce, "stop": stop}
    )
    thread.start()
    try:
        assert there.wait(30)
        yield path[0]
    finally:
        stop.set()
        thread.join(30)


@contextmanager
def paced(_board: str) -> Iterator[str]:
    add_url_package("demo_ctl.bench")
    yield f"bench://?unit={UNIT}&clock=paced"


@pytest.mark.realtime
@pytest.mark.parametrize(
    ("how", "board"), [(paced, "python"), (pseudo_terminal, "micropython")], ids=["bench", "micropython-pty"]
)
def test_a_complete_show_slowly_with_gates_and_then_at_normal_speed(how: type, board: str, tmp_path: Path) -> None:
    (tmp_path / "short.yaml").write_text(CALL, encoding="utf-8")
    show = prepare(parse_sheet(SHEET, str(tmp_path / "show.yaml")), load_unit(UNIT))
    held: list[tuple[str, str]] = []
    over = threading.Event()
    press = threading.Event()

    def on_state(state: ConsoleState) -> None:
        if state["waiting"]:
            held.append((state["place"], state["happening"].split(",")[0]))
        if state["waiting"] or not state["running"]:
            press.set()
        if state["happening"].startswith("The show is over"):
            over.set()
            press.set()

    with how(board) as url:
        hub = Hub()
        pictures = Pictures(hub, show.unit.value, ("en",))
        hand = Stagehand(
            show,
            House(lambda where: Client(open_port(where)), lambda _plan: url, may_ring),
            audience=pictures,
            on_state=on_state,
        )
        pictures.on_stage = hand.stage
        hand.start()
        # A presenter in a thread of its own: sees that the show waits, says a word, presses Next.
        while not over.is_set():
            assert press.wait(120)
            press.clear()
            over.wait(0.3)
            state = hand.state()
            if state.gate is not None or state.phase is Phase.READY:
                reply = hand.wish(Wish(Kind.NEXT))
                assert reply.done
                assert reply.text
        hand.close()
    assert [(part, result.exit_code, result.reason) for part, result in hand.results] == [
        (0, Exit.OK, "the timeline ran to its end"),
        (1, Exit.OK, "the timeline ran to its end"),
    ]
    assert hand.trouble == ""
    slow = list(dict.fromkeys(what for place, what in held if place == "1 of 2"))
    assert slow == [
        "Holding on dial tone at caller (counter)",
        "Holding after the 1st digit",
        "Holding while the bell rings",
        "Holding while they talk",
    ]
    assert not [what for place, what in held if place == "2 of 2"]
    assert hub.latest() is not None
