"""The host's session with a board: hello, upload, start, events, stop, and every question a board answers.

How a session is kept up, while somebody waits for whatever it is, stands in `loop.py`; the words of its troubles in
`trouble.py`. Every wait is on the port's clock and has a deadline.
"""

from __future__ import annotations

import secrets
import struct
from binascii import crc32
from collections.abc import Sequence

from demo_ctl.link import trouble
from demo_ctl.link.lamps import LampWishes
from demo_ctl.link.lease import Lease
from demo_ctl.link.limits import LimitsInForce, limit_name, unpacked
from demo_ctl.link.loop import Heard, Loop
from demo_ctl.link.port_like import PortLike
from demo_ctl.terms.errors import LinkError
from demo_ctl.wire import messages as m

#: How long hello is tried: a board that just booted is on USB after about 110 ms, an adapter may take longer.
HELLO_US = 4_000_000
#: More trips than any board keeps.
_TRIPS_MOST = 32


class Client:
    """A session with the board on `port`. Every method may raise LinkError, and then raises it for ever.

    welcome: what the board declared at hello; None: no session has begun.
    A command that the board refuses is a LinkError, too, and breaks nothing: the link is sound, the board only said no.
    """

    def __init__(self, port: PortLike) -> None:
        self.port = port
        self.welcome: m.Welcome | None = None
        self._loop = Loop(port)

    # -- what is known without asking ---------------------------------------------------------------------

    @property
    def guard(self) -> int:
        """The guard's state (G_...) as last heard; -1: not yet."""
        return self._loop.guard

    @property
    def longest_silence_us(self) -> int:
        """The longest time between two heartbeats of ours in this session.

        Longer than the board allows, and it may have let go and closed the session.
        """
        return self._loop.heartbeats.longest_silence_us

    @property
    def lease(self) -> Lease | None:
        """The unit's supply, while this client asks for it again and again (`hold_supply`)."""
        return self._loop.errands.lease

    @property
    def lamps(self) -> LampWishes:
        """What the board's lamps shall show: wishes that the loop sends."""
        return self._loop.errands.lamps

    def now_us(self) -> int:
        """Return the port's clock."""
        return self._loop.now_us()

    # -- a session ----------------------------------------------------------------------------------------

    def hello(self) -> m.Welcome:
        """Begin a session; return what the board declares. Old text on the line is passed over."""
        loop, url = self._loop, self.port.url
        loop.forget()
        self.welcome = None
        loop.end_half_frame()
        give_up_us = loop.now_us() + HELLO_US
        nonce = secrets.randbits(32)
        while True:
            answer = loop.ask(m.Hello(m.PROTOCOL, m.TABLE_HASH, nonce), give_up_us)
            if isinstance(answer, m.Answer):
                raise loop.break_off(trouble.wrong_firmware(url, f"it answers: {trouble.say(answer)}"))
            if isinstance(answer, m.Welcome):
                break
            if loop.now_us() >= give_up_us:
                raise loop.break_off(trouble.no_answer(url, loop.bytes_in))
        if (answer.protocol, answer.table) != (m.PROTOCOL, m.TABLE_HASH):
            what = f"its message table is {answer.table:08x}, ours {m.TABLE_HASH:08x}"
            raise loop.break_off(trouble.wrong_firmware(url, what))
        self.welcome = answer
        loop.begin(answer)
        return answer

    def poll(self, wait_us: int) -> list[Heard]:
        """Return what the board reports, in order, as soon as there is something; [] after `wait_us`.

        Heartbeats, retries and acknowledgements are kept going meanwhile.
        """
        return self._loop.poll(wait_us)

    def keep_alive(self) -> None:
        """Send what is due, and take in what is there, without waiting: for a caller that waits for something else."""
        self._loop.keep_alive()

    def say_nothing(self, wait_us: int) -> list[Heard]:
        """Send nothing at all for so long, on purpose, and return what the board said meanwhile.

        No heartbeat, no acknowledgement: this proves that the board lets go by itself. It closes the session as it
        does so; go on with `hello`.
        """
        return self._loop.say_nothing(wait_us)

    def session_holds(self) -> bool:
        """Ask whether the board still keeps this session: one that heard nothing for too long has closed it.

        It has no message for that; a limit tightened to what it is already changes nothing, and is refused without a
        session.
        """
        now_ms = self.limits_in_force().value(m.L_HEARTBEAT_MS)
        return self._answer(m.Tighten(m.L_HEARTBEAT_MS, now_ms)).code != m.E_STATE

    def held_up(self) -> LinkError | None:
        """Return what to say when this computer fell silent for longer than the board allows, and lost its session."""
        welcome, silent_us = self.welcome, self.longest_silence_us
        if welcome is None or silent_us <= welcome.heartbeat_ms * 1000 or self.session_holds():
            return None
        return trouble.held_up(silent_us, welcome.heartbeat_ms)

    def close(self) -> None:
        """Close the port. The board notices by the silence, at the latest."""
        self.port.close()

    # -- a plan -------------------------------------------------------------------------------------------

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
        answer = self._answer(m.Go(gate))
        if answer.code == m.E_STATE:
            return False
        self._accept(answer, "the word to go on")
        return True

    def stop(self, reason: int = m.R_STOP) -> None:
        """End the plan: every loop opens, ringing goes off. Returns when the board has said so."""
        answer = self._answer(m.Stop(reason))
        if answer.code != m.E_STATE:  # nothing was running: that is what was wanted
            self._accept(answer, "the stop")

    def stop_unheard(self, reason: int = m.R_STOP) -> None:
        """Send a stop and wait for nothing: for somebody who has no more patience. Nothing works afterwards."""
        self._loop.send_unheard(m.Stop(reason))

    # -- the unit's supply --------------------------------------------------------------------------------

    def permit(self, lease_ms: int, reason: int = m.R_LEASE) -> None:
        """Ask for the unit's supply for so long; 0 ms: it is not needed any more, or something is wrong (reason)."""
        answer = self._answer(m.Permit(lease_ms, reason))
        if answer.code == m.E_STATE:
            raise trouble.no_permit(answer.detail)
        self._accept(answer, "the supply permit")

    def hold_supply(self, lease: Lease) -> None:
        """Ask for the unit's supply now, and from now on again and again; whether it is given is told by `lease`."""
        self._loop.errands.lease = lease
        now_us = self.now_us()
        wanted = lease.request(now_us)
        if wanted is not None:
            lease.answered(self._answer(wanted), now_us)

    def give_supply_back(self, reason: int = m.R_LEASE) -> None:
        """Ask no more, and tell the board. reason: R_LEASE, or R_NOT_HOME, which the board latches."""
        lease, self._loop.errands.lease = self.lease, None
        if lease is not None:
            lease.end()
            if reason != m.R_LEASE:
                lease.reason = reason
            self._answer(m.Permit(0, reason))

    # -- questions ----------------------------------------------------------------------------------------

    def status(self) -> m.Status:
        """Ask how the board stands."""
        return self._loop.ask_for(m.StatusRequest(_nonce()), m.Status)

    def safety(self) -> m.Safety:
        """Ask how the guard stands."""
        # A beat that the board sent after this answer may be read together with it, and is then the later word: the
        # answer is only later than what had been heard when it was asked for.
        asked_us = self._loop.board_us
        answer = self._loop.ask_for(m.SafetyRequest(_nonce()), m.Safety)
        self._loop.goes_on(answer.now_us, asked_us)
        return answer

    def trips(self) -> list[m.Trip]:
        """Ask for the trips that the board remembers since it started, the newest first."""
        found: list[m.Trip] = []
        for back in range(_TRIPS_MOST):
            answer = self._loop.ask_for(m.TripRequest(_nonce(), back), m.Trip)
            if answer.reason == m.R_NONE:
                break
            found.append(answer)
        return found

    def limits_in_force(self) -> LimitsInForce:
        """Ask for the board's limits, and see that their digest is theirs."""
        answer = self._loop.ask_for(m.LimitsRequest(_nonce()), m.InForce)
        welcome = self.welcome
        limits = unpacked(answer, welcome.firmware, self.port.url) if welcome is not None else None
        if limits is None:
            raise self._loop.break_off(trouble.odd(self.port.url, answer))
        return limits

    def tighten(self, which: int, value: int) -> None:
        """Make one of the board's limits (L_...) smaller. The board refuses a looser one (LinkError).

        InputError for a constant, and for one that is too small to work with.
        """
        name = limit_name(which)
        answer = self._answer(m.Tighten(which, value))
        if answer.code == m.E_RANGE:
            raise trouble.useless_limit(self.port.url, name, value)
        self._accept(answer, f"{value} as its limit of {name}")

    # -- commands, and what the board says to them --------------------------------------------------------

    def _answer(self, message: object) -> m.Answer:
        return self._loop.ask_for(message, m.Answer)

    def _command(self, message: object, what: str) -> None:
        self._accept(self._answer(message), what)

    def _accept(self, answer: m.Answer, what: str) -> None:
        if answer.code != m.OK:
            raise trouble.refused(self.port.url, what, answer)


def _nonce() -> int:
    return secrets.randbits(32)
