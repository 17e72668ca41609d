"""The board's end of the session: bytes in, commands out; answers, events and sound in, bytes out. No clock, no I/O.

Theory of operation. The host has one command outstanding at a time and repeats it, byte for byte, until it is
answered. So the board keeps the last command and its answer: the same command again gets the same answer again and
is not performed twice.

Events are numbered and kept until the host says that it has them (`next_event` of HEARTBEAT and EVENT_ACK: every
event below that number). Three marks run through the numbers: `_kept` (oldest not acknowledged) <= `_sent` (next to
be sent) <= `_next` (next to be posted). When the host sees a gap it asks, and `_sent` goes back to `_kept`; when
nothing was acknowledged for RESEND_US, it goes back by itself.

Sound is sent only when nothing else waits, one block at a time; a block that finds no room is dropped by the caller
and never repeated.
"""

from demo_ctl.wire.codec import WireError, decode, encode
from demo_ctl.wire.framing import Deframer, frame
from demo_ctl.wire.messages import (
    E_UNKNOWN,
    REPLIES,
    Answer,
    Audio,
    Beat,
    Event,
    EventAck,
    Heartbeat,
    Welcome,
)

QUEUE = 256  # events kept; a power of two
RESEND_US = 300000
AUDIO_YIELDS = 8  # with more events than these waiting to be sent the line is behind, and sound is dropped
_INBOX = 16  # messages that wait to be taken
_REPLIES = 8  # answers that wait to be sent
_HOST_TYPES = 0x80  # types below come from the host


class BoardSession:
    """What the firmware holds. Feed, tick and take each pass; then send what `outgoing` gives.

    Values posted and sent must fit their fields: MicroPython cuts what does not.
    """

    def __init__(self):
        self._deframer = Deframer()
        self._odd = 0  # whole frames that were no message for us
        self._now_us = 0
        self._inbox = []
        self._command = b""  # payload of the last command
        self._reply = None  # what answered it, a message, or None so far
        self._replies = []  # [(sequence, message)] to be sent
        self._open = False
        self._ring = [b""] * QUEUE  # frames of events
        self._kept = self._sent = self._next = self._high = 0  # _high: highest _sent ever was
        self._progress_us = 0
        self._audio = b""

    @property
    def bad_frames(self):
        """How many frames were refused since boot."""
        return self._deframer.bad + self._odd

    # -- from the host ------------------------------------------------------------------------------------

    def feed(self, data, now_us):
        """Take in bytes from the host."""
        self._now_us = now_us
        for payload in self._deframer.feed(data):
            try:
                sequence, message = decode(payload)
            except WireError:
                self._odd += 1
                if len(payload) >= 2 and payload[0] < _HOST_TYPES:
                    # Arrived whole, so it was meant: another version's message. Say so instead of being silent.
                    self._queue(payload[1], Answer(payload[1], E_UNKNOWN, payload[0]))
                continue
            if payload[0] >= _HOST_TYPES:
                self._odd += 1  # a board's message: our own echo, or two boards on one line
                continue
            kind = type(message)
            if kind is Heartbeat or kind is EventAck:
                self._acknowledged(message.next_event)
                if kind is EventAck and message.resend:
                    self._sent = self._kept
            elif payload == self._command:
                self._answer_again()
                continue
            if len(self._inbox) < _INBOX:  # else it is lost here instead of on the line; the host repeats it
                self._inbox.append((sequence, message))
                if kind is not Heartbeat and kind is not EventAck:
                    self._command = payload
                    self._reply = None

    def take(self):
        """Return the next message from the host as (sequence, message), or None.

        A repeated command is answered again here and does not come out twice. Acknowledgements in HEARTBEAT and
        EVENT_ACK have been applied already. A HELLO repeated under another sequence does come out: the same
        nonce means the same session.
        """
        return self._inbox.pop(0) if self._inbox else None

    def _acknowledged(self, number):
        if self._kept < number <= self._high:
            ring = self._ring
            for kept in range(self._kept, number):
                ring[kept & (QUEUE - 1)] = b""  # a full ring of old frames would make every collection longer
            self._kept = number
            if self._sent < number:
                self._sent = number
            self._progress_us = self._now_us

    # -- answers ------------------------------------------------------------------------------------------

    def answer(self, sequence, code, detail=0):
        """Answer the command that came with `sequence`."""
        message = Answer(sequence, code, detail)
        if self._command and self._reply is None and self._command[1] == sequence:
            self._reply = message
        self._queue(sequence, message)

    def send(self, message):
        """Send a reply (messages.REPLIES) or BEAT.

        Few wait at a time; one that finds no room is dropped, and the host asks again.
        """
        sequence = 0
        kind = type(message)
        if kind is Beat:
            for index, waiting in enumerate(self._replies):
                if type(waiting[1]) is Beat:
                    self._replies[index] = (0, message)  # the newest is enough
                    return
        elif self._command and self._reply is None:
            asked = type(decode(self._command)[1])
            if asked in REPLIES and kind is REPLIES[asked]:
                self._reply = message
                sequence = self._command[1]
        self._queue(sequence, message)

    def _answer_again(self):
        message = self._reply
        if message is None:
            return  # not answered yet; it will be
        if type(message) is Welcome:
            # The same session, but the clock has moved on, and the host may set its own by it.
            fields = tuple(message)
            message = Welcome(*(fields[:4] + (self._now_us,) + fields[5:]))
        self._queue(self._command[1], message)

    def _queue(self, sequence, message):
        entry = (sequence, message)
        if len(self._replies) < _REPLIES and entry not in self._replies:
            self._replies.append(entry)

    # -- events and sound ---------------------------------------------------------------------------------

    def open(self, next_number=0):
        """Begin a new host's events: forget all that wait; the next gets `next_number`."""
        self._kept = self._sent = self._next = self._high = next_number
        self._audio = b""
        self._open = True

    def close(self):
        """The host has gone: forget events and sound, and keep none until `open`.

        Should it say the same hello again, it has not heard the welcome: that hello comes out of `take` once more.
        """
        if type(self._reply) is Welcome:
            self._command = b""
            self._reply = None
        self._kept = self._sent = self._high = self._next
        self._audio = b""
        self._open = False

    def post(self, at_us, kind, port, value):
        """Queue an event. False: the queue is full and the event is not in it. True and nothing done when closed."""
        if not self._open:
            return True
        number = self._next
        if number - self._kept >= QUEUE:
            return False
        self._ring[number & (QUEUE - 1)] = frame(encode(0, Event(number, at_us, kind, port, value)))
        self._next = number + 1
        return True

    def offer_audio(self, first, at_us, port, data):
        """Queue a block of sound: index and instant of its first sample, 16-bit words. False: it is dropped."""
        if not self._open or self._audio or self._next - self._sent > AUDIO_YIELDS:
            return False
        self._audio = frame(encode(0, Audio(first, at_us, port, data)))
        return True

    # -- to the host --------------------------------------------------------------------------------------

    def outgoing(self, space):
        """Return whole frames to write now, at most `space` bytes: answers, then events, then sound.

        A block of sound is up to 249 bytes, so it goes out only when there is room for so many at once.
        """
        if self._sent == self._next and not self._audio and not self._replies:
            return b""
        frames = [b""]
        while self._replies:
            sequence, message = self._replies[0]
            one = frame(encode(sequence, message))
            if len(one) > space:
                return b"".join(frames)
            space -= len(one)
            frames.append(one)
            self._replies.pop(0)
        while self._sent != self._next:
            one = self._ring[self._sent & (QUEUE - 1)]
            if len(one) > space:
                return b"".join(frames)
            if self._sent == self._kept:
                self._progress_us = self._now_us
            space -= len(one)
            frames.append(one)
            self._sent += 1
            if self._sent > self._high:
                self._high = self._sent
        if self._audio and len(self._audio) <= space:
            frames.append(self._audio)
            self._audio = b""
        return b"".join(frames)

    def waiting(self):
        """Return whether `outgoing` had not room for all."""
        return bool(self._replies or self._audio or self._sent != self._next)

    def next_deadline(self):
        """Return the instant at which `tick` has something to do, or None."""
        if self._sent == self._kept:
            return None
        return self._progress_us + RESEND_US

    def tick(self, now_us):
        """Note the time; send events again that went unacknowledged for too long. Return `waiting()`."""
        self._now_us = now_us
        if self._sent != self._kept and now_us - self._progress_us >= RESEND_US:
            self._sent = self._kept
        return self.waiting()
