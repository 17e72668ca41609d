"""The host's end of the session: bytes in, messages out; commands in, bytes out. No clock, no I/O.

One command is outstanding at a time. It is sent again, byte for byte, every RETRY_US until it is answered or
TRIES are used up; the board performs it once. Events are taken in order of their numbers: one that was seen is
dropped, a gap is asked for again, and what was taken is acknowledged after ACK_EVENTS or ACK_US, or by the next
heartbeat, whichever comes first.
"""

from demo_ctl.wire.codec import WireError, decode, encode
from demo_ctl.wire.framing import Deframer, frame
from demo_ctl.wire.messages import (
    OK,
    REPLIES,
    Answer,
    Audio,
    Event,
    EventAck,
    Heartbeat,
    Hello,
    Welcome,
)

RETRY_US = 200000
TRIES = 5
ACK_EVENTS = 16
ACK_US = 50000
ASK_US = 100000  # the same gap is asked for at most so often
_BOARD_TYPES = 0x80  # types from here on come from the board


class HostLost(Exception):
    """A command was sent TRIES times and never answered: the board cannot be reached."""


class HostSession:
    """What the host's client holds.

    answered: what answered the last request (Answer, or the reply of its own), None while it is outstanding.
    bad_frames: how many frames were refused, the board's greeting text included.
    """

    def __init__(self):
        self._deframer = Deframer()
        self._odd = 0
        self._sequence = 0
        self._request = None  # the message that is outstanding
        self._frame = b""  # and its bytes
        self._tries = 0
        self._retry_us = 0
        self._due = False  # _frame is to be sent now
        self.answered = None
        self._welcomed = False
        self._expected = 0  # number of the next event
        self._fresh = 0  # events taken and not acknowledged
        self._ack_us = None  # when they will be
        self._asked = -1  # the gap (first missing number) last asked for
        self._asked_us = 0
        self._beat = False  # to be sent now
        self._ack = False
        self._resend = 0

    @property
    def bad_frames(self):
        """How many frames were refused since this session began."""
        return self._deframer.bad + self._odd

    # -- from the board -----------------------------------------------------------------------------------

    def feed(self, data, now_us):
        """Take in bytes; return what they say: Welcome, Answer, Beat, Status, Audio, Event.

        Events come in order, each once. Events and sound before this session's own Welcome belong to another.
        """
        heard = []
        for payload in self._deframer.feed(data):
            try:
                message = decode(payload)[1]
            except WireError:
                self._odd += 1
                continue
            if payload[0] < _BOARD_TYPES:
                self._odd += 1  # a host's message: our own echo
                continue
            kind = type(message)
            if kind is Event:
                if self._welcomed and self._next_event(message, now_us):
                    heard.append(message)
                continue
            if kind is Audio and not self._welcomed:
                continue
            if self._request is not None and self._answers(kind, message, self._request):
                self.answered = message
                if kind is Welcome:
                    self._begin()
                self._request = None
                self._due = False
            heard.append(message)
        return heard

    def _answers(self, kind, message, request):
        """Return whether `message` is what `request`, the one outstanding, waits for."""
        asked = type(request)
        if asked in REPLIES and kind is REPLIES[asked]:
            return message.nonce == request.nonce
        if kind is not Answer or message.to != self._sequence:
            return False
        # Those with replies of their own are only ever refused by an answer: an OK is a late one of another session.
        return message.code != OK or asked not in REPLIES

    def _begin(self):
        self._welcomed = True
        self._expected = 0
        self._fresh = 0
        self._ack_us = None
        self._asked = -1
        self._ack = False
        self._resend = 0

    def _next_event(self, event, now_us):
        if event.number == self._expected:
            self._expected += 1
            self._fresh += 1
            if self._fresh >= ACK_EVENTS:
                self._ack = True
            elif self._ack_us is None:
                self._ack_us = now_us + ACK_US
            return True
        if event.number < self._expected:
            # Sent again, so the board lacks our acknowledgement.
            if self._ack_us is None:
                self._ack_us = now_us + ACK_US
        elif self._asked != self._expected or now_us - self._asked_us >= ASK_US:
            self._asked = self._expected
            self._asked_us = now_us
            self._ack = True
            self._resend = 1
        return False

    # -- to the board -------------------------------------------------------------------------------------

    def request(self, message, now_us):
        """Send a command. ValueError if the one before is still outstanding (a new Hello may cut it off)."""
        if type(message) is Hello:
            # Begin each session elsewhere, so that nothing late from the one before is taken for an answer.
            self._sequence = message.nonce & 0xFF
            self._welcomed = False
        elif self._request is not None:
            raise ValueError("a command is still waiting for its answer")
        else:
            self._sequence = (self._sequence + 1) & 0xFF
        self._frame = frame(encode(self._sequence, message))
        self._request = message
        self.answered = None
        self._due = True
        self._tries = 1
        self._retry_us = now_us + RETRY_US

    def heartbeat(self, now_us):  # noqa: ARG002 (like all the rest, it is told the time)
        """Send a heartbeat; it acknowledges events too."""
        self._beat = True

    def outgoing(self):
        """Return the bytes to write now."""
        frames = []
        if self._due:
            self._due = False
            frames.append(self._frame)
        if self._beat:
            self._beat = False
            frames.append(frame(encode(0, Heartbeat(self._expected))))
            if not self._resend:
                self._acknowledged()
        if self._ack:
            frames.append(frame(encode(0, EventAck(self._expected, self._resend))))
            self._acknowledged()
        return b"".join(frames)

    def _acknowledged(self):
        self._ack = False
        self._resend = 0
        self._fresh = 0
        self._ack_us = None

    def next_deadline(self):
        """Return the instant at which `tick` has something to do, or None."""
        if self._request is None:
            return self._ack_us
        if self._ack_us is None or self._retry_us < self._ack_us:
            return self._retry_us
        return self._ack_us

    def tick(self, now_us):
        """Queue what is due. HostLost when the last try of a command went unanswered, and at every tick after it."""
        if self._ack_us is not None and now_us >= self._ack_us:
            self._ack = True
            self._ack_us = None
        if self._request is not None and now_us >= self._retry_us:
            if self._tries >= TRIES:
                raise HostLost("no answer to %s after %d tries" % (type(self._request).__name__, TRIES))
            self._tries += 1
            self._due = True
            self._retry_us = now_us + RETRY_US
