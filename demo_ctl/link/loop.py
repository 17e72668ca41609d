"""The one loop of the host's session with a board.

Theory of operation. One thread, one loop: whatever the caller waits for, `_turn` reads the port, feeds the
session, sends what is due (retries, acknowledgements, the heartbeat) and keeps what arrived in the inbox. So the
heartbeat vouches for the very loop that handles events; a hung caller sends none, and the board lets go. The lease of
the unit's supply (`lease.Lease`) is asked for again there, too, and the lamps are lit, between two commands
(`errands`).

Every wait is on the port's clock and has a deadline. Once something has broken the session, every later call
raises the same LinkError again: nobody works on with half a link.
"""

from __future__ import annotations

from collections import deque
from typing import TypeVar

from demo_ctl.link import trouble
from demo_ctl.link.errands import Errands
from demo_ctl.link.heartbeat import HEARTBEAT_US, Heartbeats
from demo_ctl.link.port_like import PortLike
from demo_ctl.link.silence import meaning_of_silence
from demo_ctl.terms.errors import DemoError
from demo_ctl.wire import messages as m
from demo_ctl.wire.host_session import HostLost, HostSession

#: A board that has sent nothing at all for so long has gone. Five heartbeats unanswered.
SILENCE_US = 1_000_000

Heard = m.Event | m.Audio | m.Beat
Reply = m.Answer | m.Welcome | m.Status | m.Safety | m.InForce | m.Trip

_Kind = TypeVar("_Kind", m.Answer, m.Status, m.Safety, m.InForce, m.Trip)


class Loop:
    """guard: the guard's state (G_...) as last heard, or -1. board_us: the board's clock, as last heard.

    bytes_in: how many bytes ever came. heartbeats, errands: what is sent here by itself.
    """

    def __init__(self, port: PortLike) -> None:
        self.port = port
        self.guard = -1
        self.heartbeats = Heartbeats()
        self.errands = Errands()
        self.bytes_in = 0
        self.board_us = 0
        self._session = HostSession()
        self._inbox: deque[Heard] = deque()
        self._broken: DemoError | None = None
        self._asked = False  # a command is outstanding, the caller's or an errand
        self._heard_us = 0
        self._boot: int | None = None  # the number of the boot that the session began with

    def now_us(self) -> int:
        """Return the port's clock."""
        return self.port.clock_us()

    # -- a session's beginning ----------------------------------------------------------------------------

    def forget(self) -> None:
        """Forget the session before: another is to begin, perhaps with a board that has booted meanwhile."""
        self._check()
        self._session, self._boot, self._asked = HostSession(), None, False
        self.heartbeats.rest()
        self.errands.forget()
        self._inbox.clear()
        self.board_us = 0

    def end_half_frame(self) -> None:
        """End whatever half frame a former program left in the board."""
        self._write(b"\0")

    def begin(self, welcome: m.Welcome) -> None:
        """The board has greeted back: heartbeats and errands begin."""
        self._boot = welcome.boot
        self.board_us = welcome.now_us
        self._heard_us = self.now_us()
        self.heartbeats.begin(self.now_us())

    # -- waiting ------------------------------------------------------------------------------------------

    def poll(self, wait_us: int) -> list[Heard]:
        """Return what the board reports, in order, as soon as there is something; [] after `wait_us`."""
        self._check()
        until_us = self.now_us() + wait_us
        while not self._inbox and self.now_us() < until_us:
            self._whole_turn(until_us)
        return self._emptied()

    def keep_alive(self) -> None:
        """Send what is due, and take in what is there, without waiting."""
        self._check()
        self._whole_turn(self.now_us())

    def say_nothing(self, wait_us: int) -> list[Heard]:
        """Send nothing at all for so long, and return what the board said meanwhile."""
        self._check()
        until_us = self.now_us() + wait_us
        while (now_us := self.now_us()) < until_us:
            data = self._read(until_us)
            if data:
                self._heard_us = now_us
                for message in self._session.feed(data, self.now_us()):
                    self._take(message)
        return self._emptied()

    def _emptied(self) -> list[Heard]:
        found = list(self._inbox)
        self._inbox.clear()
        return found

    # -- commands -----------------------------------------------------------------------------------------

    def ask(self, message: object, give_up_us: int | None = None) -> Reply | None:
        """Send a command and wait for what answers it. None: the retries ran out (only with `give_up_us`)."""
        self._check()
        try:
            self._wait_answered()  # of a command that an exception cut short; the session has one at a time
            self._session.request(message, self.now_us())
            self._asked = True
            self._wait_answered()
        except HostLost:
            self._asked = False
            if give_up_us is None:
                raise self._fell_silent() from None
            self._session = HostSession()
            return None
        return self._session.answered

    def ask_for(self, message: object, kind: type[_Kind]) -> _Kind:
        """Send a command that `kind` answers, and return that. Anything else breaks the session."""
        answer = self.ask(message)
        if not isinstance(answer, kind):
            raise self.break_off(trouble.odd(self.port.url, answer))
        return answer

    def send_unheard(self, message: object) -> None:
        """Send a command and wait for nothing. Nothing works afterwards."""
        session = HostSession()
        session.request(message, self.now_us())
        self._write(b"\0" + bytes(session.outgoing()))
        self.break_off(trouble.given_up())

    def _wait_answered(self) -> None:
        while self._asked and self._session.answered is None:
            self._turn(self.now_us() + HEARTBEAT_US)
        self._asked = False

    # -- a turn -------------------------------------------------------------------------------------------

    def _whole_turn(self, until_us: int) -> None:
        try:
            self._turn(until_us)
        except HostLost:
            raise self._fell_silent() from None

    def _turn(self, until_us: int) -> None:
        """Send what is due, wait for bytes until the next deadline, and take in what came."""
        self._send_due()
        beat_us = self.heartbeats.due_us
        lamps_us = None if self._asked or beat_us is None else self.errands.lamps.due_us()
        wake_us = until_us
        for deadline in (beat_us, self._session.next_deadline(), lamps_us):
            if deadline is not None and deadline < wake_us:
                wake_us = deadline
        data = self._read(wake_us)
        now_us = self.now_us()
        if data:
            self.bytes_in += len(data)
            for message in self._session.feed(data, now_us):
                self._heard_us = now_us
                self._take(message)
        if self.errands.out and self._session.answered is not None:
            self._asked = False
            self.errands.answered(self._session.answered, now_us)
        if self.heartbeats.due_us is not None and now_us - self._heard_us > SILENCE_US:
            raise self._fell_silent()

    def _send_due(self) -> None:
        now_us = self.now_us()
        if self.heartbeats.take(now_us):
            self._session.heartbeat(now_us)
            if not self._asked:
                self._send_errand(self.errands.renewal(now_us), now_us)
        if self.heartbeats.due_us is not None and not self._asked:
            self._send_errand(self.errands.lighting(now_us), now_us)
        self._session.tick(now_us)
        data = self._session.outgoing()
        if data:
            self._write(bytes(data))

    def _send_errand(self, wanted: m.Permit | m.Lamps | None, now_us: int) -> None:
        if wanted is not None:
            self._session.request(wanted, now_us)
            self._asked = True

    def _take(self, message: object) -> None:
        if isinstance(message, m.Welcome):
            if self._boot is not None and message.boot != self._boot:
                raise self.break_off(trouble.was_reset(self.port.url))
        elif isinstance(message, m.Event):
            self._inbox.append(message)
            self.errands.hear(message)
            if message.kind == m.EV_GUARD:
                self.guard = message.value & 0xFF
            # The first EV_BOOT of a session tells of the boot before it; another means a boot within it.
            if message.kind == m.EV_BOOT and message.number > 0:
                raise self.break_off(trouble.was_reset(self.port.url))
        elif isinstance(message, m.Beat):
            self.goes_on(message.now_us, self.board_us)
            self.guard = message.guard
            self._inbox.append(message)
        elif isinstance(message, m.Audio):
            self._inbox.append(message)

    def goes_on(self, board_us: int, since_us: int) -> None:
        """Take what the board's clock says. A board that booted anew answers, but its clock has begun again.

        since_us: what its clock must have passed by now.
        """
        if board_us < since_us:
            raise self.break_off(trouble.was_reset(self.port.url))
        self.board_us = max(self.board_us, board_us)

    # -- trouble ------------------------------------------------------------------------------------------

    def break_off(self, error: DemoError) -> DemoError:
        """Nothing works from now on. Return what to raise: the first error that broke this session."""
        if self._broken is None:
            self._broken = error
        return self._broken

    def _fell_silent(self) -> DemoError:
        return self.break_off(meaning_of_silence(self.port, self._boot))

    def _check(self) -> None:
        if self._broken is not None:
            raise self._broken

    def _read(self, until_us: int) -> bytes:
        try:
            return self.port.read(until_us)
        except DemoError as error:
            raise self.break_off(error) from None

    def _write(self, data: bytes) -> None:
        try:
            self.port.write(data)
        except DemoError as error:
            raise self.break_off(error) from None
