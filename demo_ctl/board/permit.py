"""The unit's supply permit: whether the contactor in the battery feed is held for unattended running. Pure.

A lease: the host asks again and again, and a host that falls silent lets it run out. An alarm (fuse, release,
supervisory, smoke; open contact = alarm) drops it and latches until the key has been turned off and on, as the
interlock sees it (no loose wire of the key does that), and so does a switch that did not come home, which the host
reports. By day the key's own contact holds the contactor, and this permit is not needed; it is given only while the key
stands at night.
"""

from demo_ctl.wire.messages import (
    IN_FUSE,
    IN_KEY,
    IN_NIGHT,
    IN_RELEASE,
    IN_SMOKE,
    IN_SUPERVISORY,
    R_FUSE,
    R_KEY,
    R_LEASE,
    R_NONE,
    R_RELEASE,
    R_SMOKE,
    R_SUPERVISORY,
)

LEASE_MOST_MS = 10000
ALARM_US = 50000  # contacts bounce
_ALARMS = ((IN_SMOKE, R_SMOKE), (IN_FUSE, R_FUSE), (IN_RELEASE, R_RELEASE), (IN_SUPERVISORY, R_SUPERVISORY))
ALARMS = IN_SMOKE | IN_FUSE | IN_RELEASE | IN_SUPERVISORY
AT_NIGHT = IN_KEY | IN_NIGHT


def alarm_in(inputs):
    """Return the reason of the first alarm contact that is open, or R_NONE."""
    for bit, reason in _ALARMS:
        if not inputs & bit:
            return reason
    return R_NONE


class Permit:
    """held: the contactor's pump moves. reason: why it is not held, or will not be."""

    def __init__(self):
        self.held = False
        self.reason = R_LEASE
        self.latched = False
        self._left_us = 0  # of the lease, while held
        self._alarm_us = -1  # an alarm contact is open since; -1: none is

    def ask(self, lease_ms, inputs):
        """The host asks for a lease. Return R_NONE, or why not."""
        if self.latched:
            return self.reason
        if inputs & AT_NIGHT != AT_NIGHT:
            return R_KEY
        reason = alarm_in(inputs)
        if reason:
            return reason
        self._left_us = min(lease_ms, LEASE_MOST_MS) * 1000
        self.held = True
        self.reason = R_NONE
        return R_NONE

    def give_up(self, reason):
        """The host needs it no longer (R_LEASE), or found something wrong (latches)."""
        self._drop(reason, reason != R_LEASE)

    def turned_on(self):
        """The key was turned off and on. An alarm that is still there latches anew."""
        self.latched = False

    def step(self, elapsed_us, inputs):
        """Time passed with these inputs. Return whether the contactor is held."""
        if inputs & ALARMS != ALARMS:
            self._alarm_us = self._alarm_us + elapsed_us if self._alarm_us >= 0 else 0
            if self._alarm_us >= ALARM_US:
                self._alarm_us = ALARM_US
                if inputs & IN_KEY:
                    self._drop(alarm_in(inputs), True)
        else:
            self._alarm_us = -1
        if self.held:
            if inputs & AT_NIGHT != AT_NIGHT:
                self._drop(R_KEY, False)
            else:
                self._left_us -= elapsed_us
                if self._left_us <= 0:
                    self._drop(R_LEASE, False)
        return self.held

    def left_us(self):
        """Return when time alone drops it or latches it, or -1."""
        left_us = self._left_us if self.held else -1
        if 0 <= self._alarm_us < ALARM_US:
            alarm_us = ALARM_US - self._alarm_us
            left_us = alarm_us if left_us < 0 else min(left_us, alarm_us)
        return left_us

    def _drop(self, reason, latch):
        if not self.latched:
            self.reason = reason
        self.held = False
        self._left_us = 0
        if latch:
            self.latched = True
