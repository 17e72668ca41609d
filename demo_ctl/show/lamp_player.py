"""A recorded call on the board's lamps: played, held, stepped forward and back, from any instant, over and over.

`Player` is pure: the clock in, which frames are to be shown out. `play` is its hands: it holds a board's session while
it lasts, so that heartbeats go on and the lamps stay lit; it uploads no plan and starts nothing, so that no line is
seized, and nothing can ring by it.
"""

from __future__ import annotations

from collections.abc import Callable

from demo_ctl.link.client import Client
from demo_ctl.link.lamps import SEND_US, lacking_words
from demo_ctl.show.lamps import CHANGE_US, Lights
from demo_ctl.show.replay import Replay
from demo_ctl.terms.errors import LinkError
from demo_ctl.terms.quantity import parse_us
from demo_ctl.terms.words import time_text

SLICE_US = 20_000
#: The board has answered by then how many lamps it has.
ASK_US = 2_000_000

HELP = (
    "Enter holds and goes on; next and back step by what happened; to 12 s goes to that instant of the replay; "
    "again begins anew; quit ends it."
)


class Player:
    """Where a replay stands. now_us: of any clock that goes on; `at_us`: of the replay, 0 to its length."""

    def __init__(self, replay: Replay, now_us: int, *, again: bool = False) -> None:
        self.replay = replay
        self.again = again
        self.running = True
        self._at_us = 0
        self._since_us = now_us
        self._shown = -1  # the frame that was shown last
        self._stands = 0  # the frame it stands at while it is held

    def at_us(self, now_us: int) -> int:
        """Return which instant of the replay it is."""
        gone_us = max(0, now_us - self._since_us) if self.running else 0
        return min(self._at_us + gone_us, self.replay.total_us)

    def over(self, now_us: int) -> bool:
        """Whether it has come to its end, and goes no further."""
        return self.running and not self.again and self.at_us(now_us) >= self.replay.total_us

    def frames(self, now_us: int) -> list[int]:
        """Return the frames to be shown now, in order: none is left out, however long nobody asked."""
        at_us = self.at_us(now_us)
        if self.running and self.again and at_us >= self.replay.total_us:
            self.jump(0, now_us)
            self._shown = -1
            at_us = 0
        if not self.replay.frames or self.replay.frames[0].show_us > at_us:
            return []
        if not self.running:
            found = [] if self._stands == self._shown else [self._stands]
            self._shown = self._stands
            return found
        first, self._shown = self._shown + 1, self.replay.index_at(at_us)
        return list(range(first, self._shown + 1))

    def hold(self, now_us: int) -> None:
        """Stand still."""
        if self.running:
            self._at_us, self.running = self.at_us(now_us), False
            self._stands = self.replay.index_at(self._at_us)

    def go(self, now_us: int) -> None:
        """Go on from here; from the end, begin anew."""
        if self.running:
            return
        if self._at_us >= self.replay.total_us:
            self.jump(0, now_us)
        self._since_us, self.running = now_us, True

    def step(self, now_us: int, *, back: bool = False) -> None:
        """Stand still at the next thing that is seen, or at the one before."""
        self.hold(now_us)
        if self.replay.frames:
            self._stands = self.replay.back(self._stands) if back else self.replay.forward(self._stands)
            self._at_us = self.replay.frames[self._stands].show_us

    def jump(self, at_us: int, now_us: int) -> None:
        """Go to an instant of the replay, and run on or stand still as before."""
        self._at_us, self._since_us = max(0, min(at_us, self.replay.total_us)), now_us
        self._stands = self.replay.index_at(self._at_us) if self.replay.frames else 0
        self._shown = self._stands - 1

    def obey(self, line: str, now_us: int) -> str:
        """Do what a typed line says; return what to answer, "" if there is nothing to say."""
        word, _, rest = line.strip().lower().partition(" ")
        if word in ("", "hold", "go"):
            if word == "hold" or (not word and self.running):
                self.hold(now_us)
                return f"Held at {time_text(self.at_us(now_us))}."
            self.go(now_us)
        elif word in ("next", "n", "back", "b"):
            self.step(now_us, back=word[0] == "b")
        elif word == "again":
            self.jump(0, now_us)
            self.go(now_us)
        elif word == "to":
            try:
                self.jump(parse_us(rest), now_us)
            except ValueError as error:
                return f"to: {error}"
        else:
            return HELP
        return ""


def play(
    client: Client,
    lights: Lights,
    player: Player,
    *,
    typed: Callable[[], str | None],
    told: Callable[[int], None],
    say: Callable[[str], None],
) -> None:
    """Play until its end, or until `quit` is typed. The client has said hello; player and lights go by its clock.

    typed: returns the next typed line, none: there is none now. told: gets each frame that is shown. Lamps are dark
    afterwards, however it ends. Raises LinkError: the board is lost, or has none of these lamps.
    """
    try:
        lights.put(client)
        _know_lamps(client, lights, say)
        while not player.over(client.now_us()):
            while (line := typed()) is not None:
                if line.strip().lower() in ("quit", "q", "exit"):
                    return
                answer = player.obey(line, client.now_us())
                if answer:
                    say(answer)
            for index in player.frames(client.now_us()):
                lights.show(player.replay.scenes[index], True)
                told(index)
            lights.put(client)
            client.poll(SLICE_US)
            _keep_session(client)
        _settle(client, lights)
    finally:
        _go_dark(client)


def _know_lamps(client: Client, lights: Lights, say: Callable[[str], None]) -> None:
    until_us = client.now_us() + ASK_US
    while client.lamps.count < 0 and client.now_us() < until_us:
        client.poll(SLICE_US)
    lacks = lights.lacking(client)
    if client.lamps.count < min((row.lamp for row in lights.table), default=0):
        raise LinkError(
            lacking_words(client.port.url, max(client.lamps.count, 0), [row.lamp for row in lights.table]),
            next_step="Leave --lamps away to see the replay as a list, or use a board with lamps (wiring/README.md).",
        )
    if lacks:
        say(lacks)


def _keep_session(client: Client) -> None:
    """A computer that was held up has lost its session, and the lamps went dark: begin another."""
    welcome = client.welcome
    if welcome is not None and client.longest_silence_us > welcome.heartbeat_ms * 1000:
        client.hello()


def _settle(client: Client, lights: Lights) -> None:
    """Let the last picture be seen."""
    until_us = client.now_us() + 2 * CHANGE_US
    while client.now_us() < until_us:
        lights.put(client)
        client.poll(SLICE_US)


def _go_dark(client: Client) -> None:
    """Put the lamps out. A board that does not answer does it by itself."""
    client.lamps.show(0)
    try:
        until_us = client.now_us() + ASK_US // 4
        while not client.lamps.shown and client.now_us() < until_us:
            client.poll(SLICE_US)
        until_us = client.now_us() + SEND_US  # the board takes 40 ms from one change to the next
        while client.now_us() < until_us:
            client.poll(SLICE_US)
    except LinkError:
        pass
