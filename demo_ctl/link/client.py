"""The host's session with a board: hello, upload, start, events, stop.

Theory of operation. One thread, one loop: whatever the caller waits for, `_turn` reads the port, feeds the
session, sends what is due (retries, acknowledgements, the heartbeat) and keeps what arrived in the inbox. So the
heartbeat vouches for the very loop that handles events; a hung caller sends none, and the board lets go. The lease of
the unit's supply (`lease.Lease`) is asked for again there, too, between two commands.

Every wait is on the port's clock and has a deadline. Once something has broken the session, every later call
raises the same LinkError again: nobody works on with half a link.
"""

from __future__ import annotations

import secrets
import struct
from binascii import crc32
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Protocol

from demo_ctl.link.advice import LOAD_FIRMWARE, of_answer, of_reason
from demo_ctl.link.lamps import LampWishes
from demo_ctl.link.lease import Lease
from demo_ctl.terms.errors import DemoError, InputError, LinkError
from demo_ctl.wire import messages as m
from demo_ctl.wire.host_session import HostLost, HostSession

HEARTBEAT_US = 200_000
#: A board that has sent nothing at all for so long has gone. Five heartbeats unanswered.
SILENCE_US = 1_000_000
#: How long hello is tried: a board that just booted is on USB after about 110 ms, an adapter may take longer.
HELLO_US = 4_000_000
#: How long a board that fell silent is asked whether it has booted anew.
_ASK_AGAIN_US = 600_000
#: More trips than any board keeps.
_TRIPS_MOST = 32

Heard = m.Event | m.Audio | m.Beat
Reply = m.Answer | m.Welcome | m.Status | m.Safety | m.InForce | m.Trip

_SILENT_NEXT = (
    "Check the cable and the board's power, then run the command again. "
    "The board releases the line by itself when it hears nothing."
)


@dataclass(frozen=True)
class LimitsInForce:
    """The limits that hold on the board now. values: by their names (messages.LIMIT_NAMES); digest: of all of them.

    The digest has been worked out anew from the values, so it stands for exactly these, this table and this firmware.
    """

    values: Mapping[str, int]
    digest: int

    def value(self, which: int) -> int:
        """Return one limit by its index (L_...)."""
        return self.values[m.LIMIT_NAMES[which]]


class PortLike(Protocol):
    """What a client needs of a port (link.port.Port)."""

    url: str

    def clock_us(self) -> int:
        """Return the port's clock."""
        ...

    def read(self, until_us: int) -> bytes:
        """Return bytes as soon as there are any, b"" at `until_us`."""
        ...

    def write(self, data: bytes) -> None:
        """Write all."""
        ...

    def close(self) -> None:
        """Close."""
        ...


class Client:
    """A session with the board on `port`. Every method may raise LinkError, and then raises it for ever."""

    def __init__(self, port: PortLike) -> None:
        self.port = port
        self.welcome: m.Welcome | None = None
        self._session = HostSession()
        self._inbox: deque[Heard] = deque()
        self._broken: DemoError | None = None
        self._bytes_in = 0
        self._asked = False
        self._heard_us = 0
        self._board_us = 0
        self._beat_due_us: int | None = None
        self._spoke_us: int | None = None
        #: The longest time between two heartbeats of ours in this session: longer than the board allows, and it may
        #: have let go and closed the session.
        self.longest_silence_us = 0
        #: The unit's supply, while this client asks for it again and again (`hold_supply`).
        self.lease: Lease | None = None
        self._renewing = False  # the command that is outstanding is the lease's
        #: What the board's lamps shall show: wishes that the loop here sends.
        self.lamps = LampWishes()
        self._lighting = False  # the command that is outstanding is the lamps'
        #: The guard's state (G_...) as last heard; -1: not yet.
        self.guard = -1

    # -- the conversation ---------------------------------------------------------------------------------

    def hello(self) -> m.Welcome:
        """Begin a session; return what the board declares. Old text on the line is passed over."""
        self._check()
        self._session, self.welcome, self._beat_due_us, self._asked = HostSession(), None, None, False
        self._renewing = self._lighting = False
        self.lamps.forget()
        self._inbox.clear()
        self._board_us = 0  # it may have booted meanwhile
        self._spoke_us, self.longest_silence_us = None, 0
        self._write(b"\0")  # ends whatever half frame a former program left in the board
        give_up_us = self._now() + HELLO_US
        nonce = secrets.randbits(32)
        while True:
            answer = self._ask(m.Hello(m.PROTOCOL, m.TABLE_HASH, nonce), give_up_us)
            if isinstance(answer, m.Answer):
                raise self._break(_wrong_firmware(self.port.url, f"it answers: {_say(answer)}"))
            if isinstance(answer, m.Welcome):
                break
            if self._now() >= give_up_us:
                raise self._break(self._no_answer())
        if (answer.protocol, answer.table) != (m.PROTOCOL, m.TABLE_HASH):
            what = f"its message table is {answer.table:08x}, ours {m.TABLE_HASH:08x}"
            raise self._break(_wrong_firmware(self.port.url, what))
        self.welcome = answer
        self._board_us = answer.now_us
        self._heard_us = self._now()
        self._beat_due_us = self._now()
        return answer

    def upload(
        self,
        plan_number: int,
        instructions: Sequence[m.Instruction],
        roles: Sequence[int],
        kind: int = m.PLAN_CALL,
    ) -> None:
        """Load a timeline whole. instructions: in order; roles: of port 1, port 2...; kind: PLAN_..."""
        packed = b"".join(struct.pack(m.INSTRUCTION, *instruction) for instruction in instructions)
        one, two, three, four = (*roles, m.UNUSED, m.UNUSED, m.UNUSED, m.UNUSED)[:4]
        begin = m.Begin(plan_number, len(instructions), one, two, three, four, kind)
        self._command(begin, "the upload's beginning")
        for first in range(0, len(instructions), m.LOAD_MOST):
            many = min(m.LOAD_MOST, len(instructions) - first)
            data = packed[first * m.INSTRUCTION_BYTES : (first + many) * m.INSTRUCTION_BYTES]
            self._command(m.Load(first, many, data), f"instructions {first} to {first + many - 1}")
        self._command(m.Commit(plan_number, crc32(packed)), "the uploaded timeline")

    def start(self, plan_number: int) -> None:
        """Start the uploaded timeline."""
        self._command(m.Start(plan_number), "the start")

    def go(self, gate: int) -> bool:
        """Let the timeline through a gate. False: the gate was no longer (or not yet) waiting."""
        answer = self._request(m.Go(gate))
        if answer.code == m.E_STATE:
            return False
        self._accept(answer, "the word to go on")
        return True

    def stop(self, reason: int = m.R_STOP) -> None:
        """End the plan: every loop opens, ringing goes off. Returns when the board has said so."""
        answer = self._request(m.Stop(reason))
        if answer.code != m.E_STATE:  # nothing was running: that is what was wanted
            self._accept(answer, "the stop")

    def stop_unheard(self, reason: int = m.R_STOP) -> None:
        """Send a stop and wait for nothing: for somebody who has no more patience. Nothing works afterwards."""
        session = HostSession()
        session.request(m.Stop(reason), self._now())
        self._write(b"\0" + bytes(session.outgoing()))
        self._break(LinkError("the session was given up", next_step="Run the command again."))

    def safety(self) -> m.Safety:
        """Ask how the guard stands."""
        # A beat that the board sent after this answer may be read together with it, and is then the later word: the
        # answer is only later than what had been heard when it was asked for.
        asked_us = self._board_us
        answer = self._ask(m.SafetyRequest(secrets.randbits(32)), None)
        if not isinstance(answer, m.Safety):
            raise self._break(self._odd(answer))
        if answer.now_us < asked_us:
            raise self._break(_reset(self.port.url))
        self._board_us = max(self._board_us, answer.now_us)
        return answer

    def limits_in_force(self) -> LimitsInForce:
        """Ask for the board's limits, and see that their digest is theirs."""
        answer = self._ask(m.LimitsRequest(secrets.randbits(32)), None)
        if not isinstance(answer, m.InForce):
            raise self._break(self._odd(answer))
        welcome = self.welcome
        if welcome is None or len(answer.data) != 4 * len(m.LIMIT_NAMES):
            raise self._break(self._odd(answer))
        digest = m.limits_digest(bytes(answer.data), welcome.firmware)
        if digest != answer.digest:
            raise LinkError(
                f"the limits that the board on {self.port.url} tells do not belong to the digest it gives for them",
                next_step="Do not ring with this board. " + LOAD_FIRMWARE,
            )
        values = struct.unpack(f"<{len(m.LIMIT_NAMES)}I", answer.data)
        return LimitsInForce(MappingProxyType(dict(zip(m.LIMIT_NAMES, values, strict=True))), digest)

    def tighten(self, which: int, value: int) -> None:
        """Make one of the board's limits (L_...) smaller. The board refuses a looser one (LinkError).

        InputError for a constant, and for one that is too small to work with.
        """
        name = m.LIMIT_NAMES[which] if which < len(m.LIMIT_NAMES) else f"limit {which}"
        answer = self._request(m.Tighten(which, value))
        if answer.code == m.E_RANGE:
            raise InputError(
                f"the board on {self.port.url} takes no {value} as its limit of {name}: nothing could work with it",
                next_step="Ask for a larger figure. (demo_ctl safety limits shows those in force.)",
            )
        self._accept(answer, f"{value} as its limit of {name}")

    def session_holds(self) -> bool:
        """Ask whether the board still keeps this session: one that heard nothing for too long has closed it.

        It has no message for that; a limit tightened to what it is already changes nothing, and is refused without a
        session.
        """
        now_ms = self.limits_in_force().value(m.L_HEARTBEAT_MS)
        return self._request(m.Tighten(m.L_HEARTBEAT_MS, now_ms)).code != m.E_STATE

    def held_up(self) -> LinkError | None:
        """Return what to say when this computer fell silent for longer than the board allows, and lost its session."""
        welcome = self.welcome
        if welcome is None or self.longest_silence_us <= welcome.heartbeat_ms * 1000 or self.session_holds():
            return None
        return LinkError(
            f"this computer said nothing for {self.longest_silence_us / 1e6:.1f} s, the board waits no longer than "
            f"{welcome.heartbeat_ms} ms: it took ringing off and released every line",
            next_step="Close other heavy programs, keep the computer from going to sleep, and begin again.",
        )

    def trips(self) -> list[m.Trip]:
        """Ask for the trips that the board remembers since it started, the newest first."""
        found: list[m.Trip] = []
        for back in range(_TRIPS_MOST):
            answer = self._ask(m.TripRequest(secrets.randbits(32), back), None)
            if not isinstance(answer, m.Trip):
                raise self._break(self._odd(answer))
            if answer.reason == m.R_NONE:
                break
            found.append(answer)
        return found

    def permit(self, lease_ms: int, reason: int = m.R_LEASE) -> None:
        """Ask for the unit's supply for so long; 0 ms: it is not needed any more, or something is wrong (reason)."""
        answer = self._request(m.Permit(lease_ms, reason))
        if answer.code == m.E_STATE:
            known = of_reason(answer.detail)
            raise LinkError(f"the board gives no supply permit: {known.what}", next_step=known.advice)
        self._accept(answer, "the supply permit")

    def hold_supply(self, lease: Lease) -> None:
        """Ask for the unit's supply now, and from now on again and again; whether it is given is told by `lease`."""
        self.lease = lease
        now_us = self._now()
        wanted = lease.request(now_us)
        if wanted is not None:
            lease.answered(self._request(wanted), now_us)

    def give_supply_back(self, reason: int = m.R_LEASE) -> None:
        """Ask no more, and tell the board. reason: R_LEASE, or R_NOT_HOME, which the board latches."""
        lease, self.lease = self.lease, None
        if lease is not None:
            lease.end()
            if reason != m.R_LEASE:
                lease.reason = reason
            self._request(m.Permit(0, reason))

    def status(self) -> m.Status:
        """Ask how the board stands."""
        nonce = secrets.randbits(32)
        answer = self._ask(m.StatusRequest(nonce), None)
        if not isinstance(answer, m.Status):
            raise self._break(self._odd(answer))
        return answer

    def poll(self, wait_us: int) -> list[Heard]:
        """Return what the board reports, in order, as soon as there is something; [] after `wait_us`.

        Heartbeats, retries and acknowledgements are kept going meanwhile.
        """
        self._check()
        until_us = self._now() + wait_us
        while True:
            if self._inbox:
                found = list(self._inbox)
                self._inbox.clear()
                return found
            if self._now() >= until_us:
                return []
            try:
                self._turn(until_us)
            except HostLost:
                raise self._break(self._silent()) from None

    def now_us(self) -> int:
        """Return the port's clock."""
        return self._now()

    def say_nothing(self, wait_us: int) -> list[Heard]:
        """Send nothing at all for so long, on purpose, and return what the board said meanwhile.

        No heartbeat, no acknowledgement: this proves that the board lets go by itself. It closes the session as it
        does so; go on with `hello`.
        """
        self._check()
        until_us = self._now() + wait_us
        while (now_us := self._now()) < until_us:
            data = self._read(until_us)
            if data:
                self._heard_us = now_us
                for message in self._session.feed(data, self._now()):
                    self._take(message)
        found = list(self._inbox)
        self._inbox.clear()
        return found

    def keep_alive(self) -> None:
        """Send what is due, and take in what is there, without waiting: for a caller that waits for something else."""
        self._check()
        try:
            self._turn(self._now())
        except HostLost:
            raise self._break(self._silent()) from None

    def close(self) -> None:
        """Close the port. The board notices by the silence, at the latest."""
        self.port.close()

    # -- the loop -----------------------------------------------------------------------------------------

    def _now(self) -> int:
        return self.port.clock_us()

    def _turn(self, until_us: int) -> None:
        """Send what is due, wait for bytes until the next deadline, and take in what came."""
        self._send_due()
        wake_us = until_us
        lamps_us = None if self._asked or self._beat_due_us is None else self.lamps.due_us()
        for deadline in (self._beat_due_us, self._session.next_deadline(), lamps_us):
            if deadline is not None and deadline < wake_us:
                wake_us = deadline
        data = self._read(wake_us)
        now_us = self._now()
        if data:
            self._bytes_in += len(data)
            for message in self._session.feed(data, now_us):
                self._heard_us = now_us
                self._take(message)
        if self._renewing and self._session.answered is not None:
            self._asked = self._renewing = False
            if self.lease is not None and isinstance(self._session.answered, m.Answer):
                self.lease.answered(self._session.answered, now_us)
        elif self._lighting and self._session.answered is not None:
            self._asked = self._lighting = False
            if isinstance(self._session.answered, m.Answer):
                self.lamps.answered(self._session.answered)
        if self._beat_due_us is not None and now_us - self._heard_us > SILENCE_US:
            raise self._break(self._silent())

    def _send_due(self) -> None:
        now_us = self._now()
        if self._beat_due_us is not None and now_us >= self._beat_due_us:
            self._session.heartbeat(now_us)
            # Counted from now, not from the deadline: after a pause one heartbeat is enough.
            self._beat_due_us = now_us + HEARTBEAT_US
            if self._spoke_us is not None:
                self.longest_silence_us = max(self.longest_silence_us, now_us - self._spoke_us)
            self._spoke_us = now_us
            if self.lease is not None and not self._asked:
                self._renew(self.lease, now_us)
        if self._beat_due_us is not None and not self._asked:
            lamps = self.lamps.request(now_us)
            if lamps is not None:
                self._session.request(lamps, now_us)
                self._asked = self._lighting = True
        self._session.tick(now_us)
        data = self._session.outgoing()
        if data:
            self._write(bytes(data))

    def _renew(self, lease: Lease, now_us: int) -> None:
        wanted = lease.request(now_us)
        if wanted is not None:
            self._session.request(wanted, now_us)
            self._asked = self._renewing = True

    def _take(self, message: object) -> None:
        if isinstance(message, m.Welcome):
            known = self.welcome
            if known is not None and message.boot != known.boot:
                raise self._break(_reset(self.port.url))
        elif isinstance(message, m.Event):
            # The first EV_BOOT of a session tells of the boot before it; another means a boot within it.
            self._inbox.append(message)
            self.lamps.hear(message)
            if message.kind == m.EV_GUARD:
                self.guard = message.value & 0xFF
            if self.lease is not None:
                self.lease.hear(message)
            if message.kind == m.EV_BOOT and message.number > 0:
                raise self._break(_reset(self.port.url))
        elif isinstance(message, m.Beat):
            self._on_with(message.now_us)
            self.guard = message.guard
            self._inbox.append(message)
        elif isinstance(message, m.Audio):
            self._inbox.append(message)

    def _on_with(self, board_us: int) -> None:
        """A board that booted anew answers, but its clock has begun again."""
        if board_us < self._board_us:
            raise self._break(_reset(self.port.url))
        self._board_us = board_us

    # -- commands -----------------------------------------------------------------------------------------

    def _ask(self, message: object, give_up_us: int | None) -> Reply | None:
        """Send a command and wait for what answers it. None: the retries ran out (only with `give_up_us`)."""
        self._check()
        try:
            self._wait_answered()  # of a command that an exception cut short; the session has one at a time
            self._session.request(message, self._now())
            self._asked = True
            self._wait_answered()
        except HostLost:
            self._asked = False
            if give_up_us is None:
                raise self._break(self._silent()) from None
            self._session = HostSession()
            return None
        return self._session.answered

    def _wait_answered(self) -> None:
        while self._asked and self._session.answered is None:
            self._turn(self._now() + HEARTBEAT_US)
        self._asked = False

    def _request(self, message: object) -> m.Answer:
        answer = self._ask(message, None)
        if not isinstance(answer, m.Answer):
            raise self._break(self._odd(answer))
        return answer

    def _command(self, message: object, what: str) -> None:
        self._accept(self._request(message), what)

    def _accept(self, answer: m.Answer, what: str) -> None:
        if answer.code == m.OK:
            return
        # A refusal breaks nothing: the link is sound, the board only said no.
        raise LinkError(
            f"the board on {self.port.url} refuses {what}: {_say(answer)}",
            next_step=of_answer(answer.code).advice,
        )

    # -- trouble ------------------------------------------------------------------------------------------

    def _check(self) -> None:
        if self._broken is not None:
            raise self._broken

    def _break(self, error: DemoError) -> DemoError:
        if self._broken is None:
            self._broken = error
        return self._broken

    def _read(self, until_us: int) -> bytes:
        try:
            return self.port.read(until_us)
        except DemoError as error:
            raise self._break(error) from None

    def _write(self, data: bytes) -> None:
        try:
            self.port.write(data)
        except DemoError as error:
            raise self._break(error) from None

    def _no_answer(self) -> LinkError:
        url = self.port.url
        if self._bytes_in:
            return LinkError(
                f"something talks on {url}, but not as our board does ({self._bytes_in} bytes, none understood)",
                next_step="Is it the right port (demo_ctl boards)? If it is the board, its program has stopped or is "
                "another one. " + LOAD_FIRMWARE,
            )
        return LinkError(
            f"nothing answers on {url}",
            next_step="Check the board's power and that this is its port (demo_ctl boards). "
            "If the board is new: " + LOAD_FIRMWARE[0].lower() + LOAD_FIRMWARE[1:],
        )

    def _silent(self) -> LinkError:
        """The board fell silent: ask once more, to tell a board that booted anew from a lost one."""
        known = self.welcome
        if known is not None:
            session = HostSession()
            try:
                session.request(m.Hello(m.PROTOCOL, m.TABLE_HASH, secrets.randbits(32)), self._now())
                until_us = self._now() + _ASK_AGAIN_US
                while self._now() < until_us:
                    data = session.outgoing()
                    if data:
                        self.port.write(b"\0" + bytes(data))
                    wake_us = session.next_deadline()
                    session.feed(self.port.read(until_us if wake_us is None else min(until_us, wake_us)), self._now())
                    answered = session.answered
                    if isinstance(answered, m.Welcome):
                        if answered.boot != known.boot:
                            return _reset(self.port.url)
                        break
                    session.tick(self._now())
            except DemoError as error:
                if isinstance(error, LinkError):
                    return error
            except HostLost:
                pass
        return LinkError(f"the board on {self.port.url} fell silent", next_step=_SILENT_NEXT)

    def _odd(self, answer: object) -> LinkError:
        return LinkError(
            f"the board on {self.port.url} answers out of turn ({type(answer).__name__})",
            next_step="Reset the board and try again. " + LOAD_FIRMWARE,
        )


def _say(answer: m.Answer) -> str:
    known = m.ANSWERS[answer.code] if answer.code < len(m.ANSWERS) else f"code {answer.code}"
    return f"{known} (detail {answer.detail})" if answer.detail else known


def _wrong_firmware(url: str, what: str) -> LinkError:
    return LinkError(f"the firmware on {url} does not belong to this program: {what}", next_step=LOAD_FIRMWARE)


def _reset(url: str) -> LinkError:
    return LinkError(
        f"the board on {url} was reset in the middle: its lines were released by that",
        next_step="Check the board's power supply and the cable, then run the command again.",
    )
