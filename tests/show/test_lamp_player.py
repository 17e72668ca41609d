"""A recorded call on a board's lamps: at any pace, unfolded, forward and back, with the firmware of the bench."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.ledger.read import read_record
from demo_ctl.link.client import Client
from demo_ctl.link.port import add_url_package, open_port
from demo_ctl.office.load import load_unit
from demo_ctl.show.lamp_player import HELP, Player, play
from demo_ctl.show.lamps import CHANGE_US, Lights, Real, lamp_table, lamps_of
from demo_ctl.show.replay import Replay, replay_record
from demo_ctl.show.unfold import Unfolding, Which
from demo_ctl.terms.errors import LinkError
from demo_ctl.terms.lamps import Lamp
from demo_ctl.wire import messages as m

CONFIGS = Path(__file__).parents[2] / "configs"
UNIT = load_unit(CONFIGS / "units" / "mossbrook.yaml")
RECORDED = CONFIGS / "exhibits" / "recorded"
TABLE = lamp_table(UNIT)
WHICH: tuple[Which, ...] = ("nothing", "first pulse", "first of each stage")


@cache
def made(name: str = "busy", pace: Fraction = Fraction(1), which: Which = "nothing") -> Replay:
    record = read_record(RECORDED / f"{name}.jsonl")
    return replay_record(record, UNIT.value, pace=pace, unfolding=Unfolding(which=which))


@contextmanager
def board(options: str = "") -> Iterator[Client]:
    add_url_package("demo_ctl.bench")
    client = Client(open_port(f"bench://?unit={CONFIGS}/units/mossbrook.yaml{options}"))
    try:
        client.hello()
        yield client
    finally:
        client.close()


def hardware(client: Client) -> Any:
    line: Any = getattr(client.port, "_line")  # noqa: B009  # the bench behind the port
    return line.world.hardware


class Typist:
    """Types at instants of a clock, and looks at the lamps before each line."""

    def __init__(self, client: Client, lines: list[tuple[int, str]], look: Callable[[], object] | None = None) -> None:
        self.client, self.lines, self.look = client, deque(lines), look
        self.seen: list[object] = []
        self.next_us = client.now_us()

    def __call__(self) -> str | None:
        if not self.lines or self.client.now_us() < self.next_us + self.lines[0][0]:
            return None
        after_us, line = self.lines.popleft()
        self.next_us += after_us
        if self.look is not None:
            self.seen.append(self.look())
        return line


def run(
    client: Client, replay: Replay, typed: Typist | None = None, table: tuple[Lamp, ...] = TABLE, **how: Any
) -> Any:
    lights = Lights(table, client.now_us)
    player = Player(replay, client.now_us(), **how)
    told: list[int] = []
    said: list[str] = []
    play(client, lights, player, typed=typed or (lambda: None), told=told.append, say=said.append)
    return told, said


def lit(client: Client, number: int) -> list[tuple[int, int]]:
    return [(row.at_us, row.value) for row in hardware(client).unit.truth if row.what == f"lamp {number}/lit"]


@pytest.mark.parametrize("kind", ["python", "micropython"])
def test_a_whole_replay_and_nothing_of_the_unit_moves(kind: str) -> None:
    replay = made("answered")
    with board(f"&board={kind}") as client:
        began_us = client.now_us()
        told, said = run(client, replay)
        assert told == list(range(len(replay.frames)))  # every frame, in order
        assert said == []
        assert replay.total_us <= client.now_us() - began_us <= replay.total_us + 1_500_000
        # Each lamp was lit as often as its word came true for longer than an eye wants, and about then.
        for row in TABLE:
            wanted = [lamps_of([row], scene, Real(-1, False, True)).lit != 0 for scene in replay.scenes]
            changes = [
                frame.show_us
                for frame, now, before in zip(replay.frames, wanted, [False, *wanted], strict=False)
                if now != before
            ]
            seen = [at_us - began_us for at_us, _ in lit(client, row.lamp)]
            if row.shows == "moves":
                assert 4 <= len(seen) <= len(changes)
            else:
                assert len(seen) == len(changes), row
                assert all(0 <= b - a <= 300_000 for a, b in zip(changes, seen, strict=True)), row
        assert hardware(client).lit == 0
        others = [row.what for row in hardware(client).unit.truth if row.at_us >= began_us and row.what[:5] != "lamp "]
        assert others == []  # no loop closed, no switch moved
        assert client.guard == m.G_SAFE  # and the guard never so much as proved itself
        assert client.status().plan_state == m.IDLE
        assert client.longest_silence_us <= 250_000


@settings(deadline=None, max_examples=12)
@given(
    pace=st.sampled_from([Fraction(1, 10), Fraction(1, 2), Fraction(1), Fraction(4)]),
    which=st.sampled_from(WHICH),
    steps=st.lists(st.sampled_from(["next", "next", "next", "back", "to 3 s", "to 9 s", "to 0 s"]), max_size=25),
)
def test_stepping_shows_the_scene_it_stands_at(pace: Fraction, which: Which, steps: list[str]) -> None:
    """Whatever was typed before: once it stands still, the lamps are those of the picture it stands at."""
    replay = made("answered", pace, which)
    with board() as client:
        lights = Lights(TABLE, client.now_us)
        player = Player(replay, client.now_us())
        told: list[int] = []
        looks: list[tuple[int, int]] = []  # what was lit, and at which frame it stood

        def look() -> None:
            looks.append((hardware(client).lit, told[-1]))

        typist = Typist(client, [(500_000, each) for each in ["hold", *steps, "quit"]], look)
        play(client, lights, player, typed=typist, told=told.append, say=lambda _text: None)
        for mask, index in looks[1:]:
            assert mask == lamps_of(TABLE, replay.scenes[index], Real(m.G_SAFE, False, True)).lit
        assert hardware(client).lit == 0


def test_forward_and_back_again_end_where_they_began() -> None:
    replay = made("busy", which="first pulse")
    player = Player(replay, 0)
    player.frames(0)
    player.jump(4_000_000, 0)
    player.hold(0)
    start = player.frames(0)[-1]
    there = [start]
    for _ in range(10):
        player.step(0)
        there += player.frames(0)
    back = []
    for _ in range(10):
        player.step(0, back=True)
        back += player.frames(0)
    assert back == there[-2::-1]
    assert player.at_us(10**9) == replay.frames[start].show_us  # held


@settings(deadline=None, max_examples=60)
@given(st.lists(st.integers(0, 3_000_000), max_size=60), st.booleans())
def test_no_frame_is_left_out_however_seldom_one_asks(waits: list[int], again: bool) -> None:
    replay, now_us = made("busy", which="first pulse"), 0
    shown: list[int] = []
    player = Player(replay, 0, again=again)
    for wait_us in [0, *waits]:
        now_us += wait_us
        before = player.at_us(now_us)
        found = player.frames(now_us)
        if again and before >= replay.total_us:
            shown = []
        assert found == list(range(len(shown), len(shown) + len(found)))
        shown += found
        assert not again or not player.over(now_us)
    if now_us >= replay.total_us and not again:
        assert shown == list(range(len(replay.frames)))
        assert player.over(now_us)


def test_over_and_over_until_somebody_quits() -> None:
    replay = made("busy", Fraction(4))
    with board() as client:
        typist = Typist(client, [(3 * replay.total_us, "quit")])
        told, _ = run(client, replay, typist, again=True)
        assert told.count(0) == 3
        assert hardware(client).lit == 0


def test_words_are_answered() -> None:
    player = Player(made(), 0)
    assert player.obey("", 1_500_000) == "Held at 1.5 s."
    assert player.obey("", 9_000_000) == ""
    assert player.at_us(9_000_000) == 1_500_000
    assert player.at_us(9_250_000) == 1_750_000
    assert player.obey("go", 9_200_000) == ""  # it goes already
    assert player.at_us(9_250_000) == 1_750_000
    assert player.obey("hold", 9_250_000) == "Held at 1.75 s."
    assert player.obey("hold", 99_000_000) == "Held at 1.75 s."
    assert player.obey("to nowhere", 0).startswith("to: ")
    assert player.obey("faster", 0) == HELP
    assert player.obey("again", 100_000_000) == ""
    assert player.at_us(100_000_001) == 1


def test_a_board_without_lamps_is_told_in_words() -> None:
    with board("&lamps=0") as client:
        with pytest.raises(LinkError, match="has no lamps") as caught:
            run(client, made())
        assert "Leave --lamps away" in caught.value.next_step


def test_a_board_with_too_few_lamps_shows_what_it_can() -> None:
    with board("&lamps=2") as client:
        typist = Typist(client, [(3_000_000, "quit")], lambda: hardware(client).lit)
        _, said = run(client, made(), typist)
        assert said[0].startswith("Lamps: the board on bench://")
        assert said[0].endswith("has lamps 1 to 2, and no lamp 3, 4, 5, 6, 7.")
        assert typist.seen == [3]  # the caller, and the called, who is busy


def test_a_computer_that_was_held_up_lights_them_again() -> None:
    with board() as client:
        held: list[int] = []

        def hold_up() -> int:
            client.say_nothing(3_000_000)
            held.append(hardware(client).lit)
            return 0

        typist = Typist(client, [(2_000_000, "go"), (6_000_000, "quit")], lambda: held or hold_up())
        run(client, made(), typist)
        assert held == [0]  # dark in the silence
        assert [value for _, value in lit(client, 1)] == [1, 0, 1, 0]


def test_a_trip_while_a_replay_is_on_is_seen_and_not_masked() -> None:
    """Somebody opens a cover in the middle: no ringing is on, so nothing trips; a guard that trips is shown at once."""
    table = (
        Lamp(lamp=1, shows="off the hook", of="caller"),
        Lamp(lamp=7, shows="tripped"),
    )
    with board() as client:

        def short() -> object:
            hardware(client).break_part("mirror-a-broken")  # a relay that is not where it should be: trips at rest, too
            return 0

        typist = Typist(client, [(2_000_000, "go")], short)
        run(client, made(), typist, table)
        assert client.guard == m.G_TRIPPED
        ((on_us, one), (off_us, zero)) = lit(client, 7)
        assert (one, zero) == (1, 0)  # until the replay is over
        assert off_us - on_us > 10_000_000
        assert off_us - on_us > CHANGE_US
