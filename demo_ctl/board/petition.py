"""The petition for ringing: who may be rung, for how long and in which mode, and what ends it. Pure: no pins, no clock.

A plan opens a *window*: ringing may follow on one port. It is over when its own time is, when the mode's longest window
is (counted from when it was first opened), or when it is closed; over while the guard lets ringing through is a reason
to trip. A window that has been open for ARM_US without the guard arming ends its plan.

The *mode* follows from the key and from the plan's kind: day, night, visitors. What night wants (nobody near, covers
proven closed, no alarm, only ports that the board answers itself) and what visitors want (a session that is not over)
end the plan where it is missing, in order: the guard falls, and nothing latches. Once it was night, it is night until
the key has been turned off and on: no broken wire, and no expander that reads nothing, makes day of it. A visitors'
session begins when the key is turned on, lasts for so long whatever happens, and has one budget, which its first plan
begins.

*Ringing where none is expected* is any on a port other than the window's while live, and any at all otherwise, once
the guard's own release time is over. Like the interlock's, times are ages that stop just past what they are compared
with.
"""

from demo_ctl.board.permit import alarm_in
from demo_ctl.wire.messages import (
    IN_ALONE,
    IN_COVERS,
    IN_KEY,
    IN_NIGHT,
    MODE_DAY,
    MODE_NIGHT,
    MODE_VISITORS,
    PLAN_CALL,
    PLAN_VISITORS,
    R_COVERS,
    R_NIGHT_LOST,
    R_NONE,
    R_OFF_HOOK,
    R_PLACE,
    R_PRESENCE,
    R_UNEXPECTED_RINGING,
    R_VISITORS,
    R_WINDOW,
)

ARM_US = 400000  # a window that is open for so long, and the guard still not armed, ends its plan
RELEASE_US = 200000  # ringing begun this soon after a window closed is the guard's own release time
SESSION_UNIT_US = 1000  # a session's age is counted in these: half an hour of them is a small number
AGE_MOST_US = 1 << 29  # longer than any window; small enough never to allocate
SESSION_MOST = 1 << 29  # and in these longer than any session
AT_NIGHT = IN_KEY | IN_NIGHT


def night_wants(inputs):
    """Return what keeps an unattended unit from ringing at night, or R_NONE. inputs: IN_... bits."""
    if not inputs & IN_NIGHT:
        return R_NIGHT_LOST
    if not inputs & IN_ALONE:
        return R_PRESENCE
    if not inputs & IN_COVERS:
        return R_COVERS
    return alarm_in(inputs)


class Petition:
    """port: who may be rung, 0: nobody. mode: MODE_..., which limits hold. Times are microseconds."""

    def __init__(self):
        self.port = 0
        self.kind = PLAN_CALL  # of the plan that runs, or ran
        self.mode = MODE_DAY
        self._ours = False  # the board itself answers there
        self._age_us = 0  # of the window
        self._ends_us = 0  # the age at which it is over
        self._release_us = RELEASE_US  # left of the guard's own release time
        self._session = SESSION_MOST  # age of the visitors' session, in units: none was begun
        self._part_us = 0  # of a unit
        self._begun = False  # a plan of this session has begun its budget
        self._night = False  # the key has stood at night since it was turned on

    # What a plan does.

    def begin(self, kind):
        """A plan of this kind starts. Return whether it has a call's budget of its own."""
        self.kind = kind
        if kind != PLAN_VISITORS:
            return True
        if self._begun:
            return False
        self._begun = True
        return True

    def open(self, port, for_us, longest_us, is_ours):
        """Open a window, or point the one that is open to another port or end. Return R_NONE, or why not.

        is_ours: a port that the board answers. longest_us: of the mode that holds.
        """
        if self.mode == MODE_NIGHT and not is_ours:
            return R_PLACE
        self.port = port
        self._ours = is_ours
        self._ends_us = min(self._age_us + for_us, longest_us)
        return R_NONE

    def shorten(self, longest_us):
        """The mode's longest window is now this."""
        if longest_us < self._ends_us:
            self._ends_us = longest_us

    def close(self):
        """Close the window. Nothing of it is left."""
        self.port = 0
        self._ours = False
        self._age_us = 0
        self._ends_us = 0

    # What happens at the unit.

    def turned_on(self):
        """The key was turned on: a visitors' session may begin, and the night is over."""
        self._session = 0
        self._part_us = 0
        self._begun = False
        self._night = False

    def mode_of(self, kind):
        """Return the mode that a plan of this kind runs in now."""
        if self._night:
            return MODE_NIGHT
        return MODE_VISITORS if kind == PLAN_VISITORS else MODE_DAY

    def turn(self, inputs):
        """Take the key's position. Return whether the mode is another now.

        Night stays until the key was turned off and on: its contact's wire may break while nobody is there.
        """
        if inputs & AT_NIGHT == AT_NIGHT:
            self._night = True
        mode = self.mode_of(self.kind)
        if mode == self.mode:
            return False
        self.mode = mode
        return True

    def session_left(self, inputs, session_most):
        """Return for how long a visitors' session may run from now; 0: not at all. In units, like session_most."""
        if not inputs & IN_KEY or self._session >= session_most:
            return 0
        return session_most - self._session

    # The pass.

    def step(self, elapsed_us, live):
        """Time passed. live: the guard lets ringing through."""
        if self._session < SESSION_MOST:
            self._part_us += elapsed_us
            self._session = min(self._session + self._part_us // SESSION_UNIT_US, SESSION_MOST)
            self._part_us %= SESSION_UNIT_US
        if live:
            self._release_us = RELEASE_US
        else:
            self._release_us = self._release_us - elapsed_us if elapsed_us < self._release_us else 0
        if self.port:
            self._age_us = min(self._age_us + elapsed_us, AGE_MOST_US)
            if self._age_us >= self._ends_us and not live:
                self.close()  # it was over before it came to ringing

    def withdraws(self, inputs, session_most):
        """Return what ends the running plan in order, or R_NONE."""
        if self.mode == MODE_NIGHT:
            reason = night_wants(inputs)
            if reason:
                return reason
            if self.port and not self._ours:
                return R_PLACE
        if self.kind == PLAN_VISITORS and not self.session_left(inputs, session_most):
            return R_VISITORS
        return R_NONE

    def trips(self, live, ringing, off_hook):
        """Return what must not be, or R_NONE.

        ringing: on which ports it is sensed, bit (port - 1). off_hook: somebody is, on a port that takes no part.
        """
        if live:
            if ringing & ~(1 << self.port >> 1):
                return R_UNEXPECTED_RINGING
            if off_hook:
                return R_OFF_HOOK
            if self._age_us >= self._ends_us:
                return R_WINDOW
        elif ringing and not self._release_us:
            return R_UNEXPECTED_RINGING
        return R_NONE

    def late(self, live):
        """Return whether the guard should have armed by now."""
        return self.port != 0 and not live and self._age_us >= ARM_US

    def wait_us(self, live, ringing, session_most):
        """Return when time alone may change an answer, or -1: not by itself. session_most: 0 if no plan runs."""
        wait_us = -1
        if self.port:
            wait_us = max(0, self._ends_us - self._age_us)
            if not live and self._age_us < ARM_US:
                wait_us = min(wait_us, ARM_US - self._age_us)
        if ringing and not live and self._release_us:
            wait_us = self._release_us if wait_us < 0 else min(wait_us, self._release_us)
        if self.kind == PLAN_VISITORS and self._session < session_most:
            left_us = min((session_most - self._session) * SESSION_UNIT_US - self._part_us, AGE_MOST_US)
            wait_us = left_us if wait_us < 0 else min(wait_us, left_us)
        return wait_us
