"""Runs an uploaded timeline, one instruction after the other.

Theory of operation
-------------------
Two instants are kept. The *anchor* is where the instruction before ended, exactly: everything is timed from it, so
nothing drifts. What is *known* can be later: a level is known to have begun only when its filter has passed. The next
instruction is due when it is known, and timed from the anchor.

    IDLE -> LOADING -> READY -> RUNNING -> FINISHED | ENDED_EARLY        (and back to LOADING with a new upload)

Of the running instruction there are two instants to act on, and `next_us` is always the next of them: when it is to
begin (`_begun` false) and when it ends by itself or reaches its limit (`_begun` true). Events in between (a level, a
go) can end it earlier. An instruction that begins more than LATE_US after it was due ends the plan: never "as soon as
possible".

On every end of a plan the outputs are released first and the events are posted after.
"""

from demo_ctl.board.limits import FAR_US, LATE_US
from demo_ctl.wire.messages import (
    DONE,
    ENDED_EARLY,
    EV_BEGAN,
    EV_ENDED,
    EV_PLAN,
    FINISHED,
    IDLE,
    LIMIT,
    MET,
    OP_GATE,
    OP_LISTEN,
    OP_LOOP,
    OP_PULSES,
    OP_RINGING,
    OP_WAIT,
    OP_WAIT_FOR,
    OPENED,
    R_ENDED,
    R_LATE,
    R_LIMIT,
    R_NONE,
    RUNNING,
    STOPPED,
)


class Sequencer:
    """The plan's state and the running instruction.

    board: who performs (`firmware.Firmware`): post, move_loop, start_train, allow_ringing, end_ringing, listen,
    release, and `sense`.
    """

    def __init__(self, board, upload):
        self.state = IDLE
        self.reason = R_NONE
        self.index = 0
        self.next_us = FAR_US
        self._board = board
        self._upload = upload
        self._anchor_us = 0
        self._begun = False
        self._end_us = 0  # the running instruction's own end or limit
        self._op = self._port = self._x = self._a = self._b = 0
        self._left = 0  # occurrences still to wait for
        self._bit = 0

    def start(self, now_us):
        """Run the plan that is READY from now."""
        self.state = RUNNING
        self.reason = R_NONE
        self.index = 0
        self._board.post(now_us, EV_PLAN, 0, RUNNING)
        if self.state == RUNNING:  # else the event queue was full, and that was the end of it
            self._fetch(now_us, now_us)

    def run(self, now_us):
        """Do what is due at next_us; it is now_us already."""
        if self._begun:
            self._elapsed()
        elif now_us - self.next_us > LATE_US:
            self.end_early(now_us, R_LATE)
        else:
            self._begin(self.next_us)

    def settled(self, bit, level, began_us, known_us):
        """Hear of a debounced level."""
        if self._begun and self._op == OP_WAIT_FOR and bit == self._bit and level == self._x & 1:
            self._occurred(began_us, known_us)

    def go(self, gate, now_us):
        """The host says go. Return whether the plan was waiting at this gate."""
        if not self._begun or self._op != OP_GATE or self._x != gate:
            return False
        self._end(OPENED, now_us, now_us, now_us)
        return True

    def end_early(self, now_us, reason, ending=STOPPED):
        """Release everything and end the plan, if one runs. The running instruction ends with `ending`."""
        if self.state != RUNNING:
            return
        self.state = ENDED_EARLY
        self.reason = reason
        self.next_us = FAR_US
        self._begun = False
        self._board.release(now_us, reason)
        self._board.post(now_us, EV_ENDED, self._port, self.index | ending << 16)
        self._board.post(now_us, EV_PLAN, 0, ENDED_EARLY | reason << 8)

    def _fetch(self, anchor_us, known_us):
        self._begun = False
        self._anchor_us = anchor_us
        self.next_us = known_us
        self._op, self._port, self._x, self._a, self._b = self._upload.instruction(self.index)

    def _end(self, ending, at_us, anchor_us, known_us):
        """Post how the instruction ended and go on to the next, timed from anchor_us, due at known_us."""
        if self.state != RUNNING:
            return
        board = self._board
        board.post(at_us, EV_ENDED, self._port, self.index | ending << 16)
        if self.state != RUNNING:
            return  # the event queue was full
        if self.index + 1 < self._upload.total:
            self.index += 1
            self._fetch(anchor_us, known_us)
        else:
            self.state = FINISHED
            self.next_us = FAR_US
            self._begun = False
            board.release(known_us, R_ENDED)
            board.post(known_us, EV_PLAN, 0, FINISHED)

    def _begin(self, known_us):
        board = self._board
        op = self._op
        anchor_us = self._anchor_us
        if op == OP_LOOP:
            self._end(DONE, board.move_loop(self._port, self._x), anchor_us, known_us)
        elif op == OP_LISTEN:
            self._end(DONE, board.listen(self._port if self._x else 0), anchor_us, known_us)
        elif op == OP_RINGING:
            at_us = max(known_us, board.now_us)
            reason = R_NONE
            if self._x:
                reason = board.allow_ringing(self._port, self._a)
            else:
                board.end_ringing(at_us, R_ENDED)
            if reason:
                self.end_early(at_us, reason)
            else:
                self._end(DONE, at_us, anchor_us, known_us)
        elif op == OP_PULSES:
            at_us = board.start_train(self._port, self._x, self._a, self._b)
            self._begun = True
            self.next_us = self._end_us = at_us + self._x * (self._a + self._b)
            board.post(at_us, EV_BEGAN, self._port, self.index)
        else:
            self._begun = True
            self._end_us = anchor_us + self._a
            self.next_us = max(self._end_us, known_us)
            if op != OP_WAIT:
                board.post(anchor_us, EV_BEGAN, self._port, self.index)
            if op == OP_WAIT_FOR:
                self._bit = 4 * (self._port - 1) + (self._x >> 1 & 3)
                self._left = self._x >> 8
                if board.sense.levels >> self._bit & 1 == self._x & 1:
                    self._occurred(board.sense.since_us[self._bit], known_us)

    def _occurred(self, began_us, known_us):
        self._left -= 1
        if not self._left:
            at_us = max(began_us, self._anchor_us)
            self._end(MET, at_us, at_us, known_us)

    def _elapsed(self):
        end_us = self._end_us
        if self._op == OP_WAIT or self._op == OP_PULSES:
            self._end(DONE, end_us, end_us, self.next_us)
        elif self._b:
            self.end_early(self.next_us, R_LIMIT, LIMIT)
        else:
            self._end(LIMIT, end_us, end_us, self.next_us)
