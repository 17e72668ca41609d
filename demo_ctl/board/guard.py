"""The ringing guard: gathers what the interlock needs to know in a pass, and does what it says.

Theory of operation
-------------------
`look` is called in every pass of the firmware, after edges and instructions and before anything the host sent. It
reads the inputs and the bus, asks the watches (budget, bus, lines, window, mode, clock, memory), each of which leaves
its token, and gives facts and the first fault to the interlock. If the interlock says move, the pumps move: here, and
nowhere else. A watch that was left out in a pass leaves its token missing, and that is a fault like any other.

A window is a petition. It says who may be rung and for how long; whether ringing follows is the interlock's affair.
It closes in two ways. *In order*: the instruction closes it, the plan ends, the host stops it, an awaited condition
did not come: the guard falls, is seen to fall, and proves itself again. *Out of order* while live (silence, lateness,
overflow, the window's own limit): that trips, and only the key resets a trip.

Nothing here can be told to ignore a condition. The host tightens limits; they stay until the board boots.
"""

from struct import pack

from demo_ctl.board import limits
from demo_ctl.board.budget import Budget
from demo_ctl.board.bus import STALE_US, Bus
from demo_ctl.board.interlock import BEAT, CHAIN, FAR_US, FIT, INPUTS, KEY, MIRRORS, QUIET, RUN, WINDOW, Interlock
from demo_ctl.board.limits import ARM_US, UNEXPECTED_GRACE_US, FLOWS_uA
from demo_ctl.board.permit import Permit, alarm_in
from demo_ctl.wire import messages as m

FAR_AWAY_US = limits.FAR_US
CLOCK_US = 1000000  # no pass takes so long and lives: the watchdog, or the clock, has gone wrong
ELAPSED_MOST_US = 1 << 28  # small integers only; far longer than anything counted here
GRID_US = 10000  # the permit's pump
TRIPS_KEPT = 8
RINGING_BITS = 0x8888  # RINGING of each port in the senses' levels

# Watches that must have looked in the pass in which the pump moves.
T_BEAT, T_LINES, T_INPUTS, T_BUS, T_BUDGET, T_WINDOW, T_MODE = 1, 2, 4, 8, 16, 32, 64
T_OUTSIDE = T_BEAT | T_LINES  # left by the firmware
T_ALL = 127

# Ends that are part of how a call goes. Every other end, while live, trips.
IN_ORDER = (
    m.R_NONE,
    m.R_STOP,
    m.R_LIMIT,
    m.R_ENDED,
    m.R_NEW_HELLO,
    m.R_VISITORS,
    m.R_PRESENCE,
    m.R_COVERS,
    m.R_PLACE,
    m.R_SMOKE,
    m.R_FUSE,
    m.R_RELEASE,
    m.R_SUPERVISORY,
)

_MODE_LIMITS = (  # of each mode: window, burst, call, hour
    (m.L_WINDOW_MS, m.L_BURST_MS, m.L_CALL_MS, m.L_HOUR_MS),
    (m.L_NIGHT_WINDOW_MS, m.L_NIGHT_BURST_MS, m.L_NIGHT_CALL_MS, m.L_NIGHT_HOUR_MS),
    (m.L_VISITORS_WINDOW_MS, m.L_VISITORS_BURST_MS, m.L_VISITORS_CALL_MS, m.L_VISITORS_HOUR_MS),
)
NIGHT = m.IN_KEY | m.IN_NIGHT
LEAST_MS = 1000  # less ringing than this is not worth opening a window for


def unexpected(ringing, port):
    """Return whether ringing is sensed on a port other than `port`. ringing: bit (port - 1)."""
    if port:
        ringing &= ~(1 << (port - 1))
    return ringing != 0


class Guard:
    """post(at_us, kind, port, value): how events are told."""

    def __init__(self, pins, post):
        self.limits = limits.safety_limits()
        self.interlock = Interlock()
        self.budget = Budget()
        self.bus = Bus()
        self.permit = Permit()
        self.port = 0  # who may be rung; 0: no window
        self._ours = False  # and whether the board itself answers there
        self.kind = m.PLAN_CALL
        self.inputs = pins.inputs()
        self.mode = m.MODE_DAY
        self.window_us = 0  # longest window, of the mode that holds
        self.tokens = 0
        self.next_us = 0  # when to look again at the latest
        self.trip_count = 0
        self._pins = pins
        self._post = post
        self._trips = []  # the latest TRIPS_KEPT, newest first
        self._high = self.inputs
        self._low = ~self.inputs
        self._facts = 0
        self._levels = self._plan = self._step = 0  # as of the last look, for a trip's snapshot
        self._now_us = -1  # last look
        self._was_live = False
        self._was_ringing = False
        self._told_state = self.interlock.state
        self._told_reason = self.interlock.reason
        self._told_permit = False
        self._quiet_from_us = 0  # the guard's own release time is over
        self._opened_us = 0  # the window was opened
        self._ends_us = FAR_AWAY_US
        self._key_on_us = -FAR_AWAY_US
        self._session_us = 0  # which turning on of the key the visitors' budget belongs to
        self._permitted_us = -FAR_AWAY_US
        self._set_mode(m.MODE_DAY)

    @property
    def state(self):
        """The interlock's state, G_..."""
        return self.interlock.state

    @property
    def live(self):
        """Whether the pumps are being moved."""
        return self.interlock.state == m.G_LIVE

    def exercised(self):
        """Return which inputs were seen in both positions since the board started."""
        return self._high & self._low

    # Limits.

    def tighten(self, which, value):
        """Make one limit smaller. Return an answer code."""
        if which >= m.L_PAUSE_MS:
            return m.E_RANGE
        if value > self.limits[which]:
            return m.E_LOOSER
        if value < 1 or (which == m.L_HEARTBEAT_MS and value < limits.HEARTBEAT_LEAST_MS):
            return m.E_RANGE
        self.limits[which] = value
        self._set_mode(self.mode)
        if self.port:
            self._ends_us = min(self._ends_us, self._opened_us + self.window_us)
            self.next_us = self._now_us
        return m.OK

    def in_force(self):
        """Return the limits, 32 bits each, in order."""
        return pack("<%dI" % len(self.limits), *self.limits)

    def _set_mode(self, mode):
        self.mode = mode
        values = self.limits
        day = _MODE_LIMITS[0]
        own = _MODE_LIMITS[mode]
        first = limits.safety_limits()
        four = []
        for i in range(4):
            value = values[own[i]]
            if values[day[i]] < first[day[i]]:  # what the host tightened holds in every mode
                value = min(value, values[day[i]])
            four.append(value)
        window_ms, burst_ms, call_ms, hour_ms = four
        self.window_us = window_ms * 1000
        self._budget_limits = (burst_ms * 1000, values[m.L_PAUSE_MS] * 1000, call_ms * 1000, hour_ms * 1000)
        self._current_uA = values[m.L_CURRENT_mA] * 1000
        self._ceiling_mV = values[m.L_CEILING_V] * 1000

    def window_for_us(self, kind):
        """Return the longest window of a plan of this kind now."""
        values = self.limits
        return min(values[m.L_WINDOW_MS], values[_MODE_LIMITS[self.mode_of(kind)][0]]) * 1000

    def mode_of(self, kind):
        """Return the mode that a plan of this kind runs in now."""
        if self.inputs & NIGHT == NIGHT:
            return m.MODE_NIGHT
        return m.MODE_VISITORS if kind == m.PLAN_VISITORS else m.MODE_DAY

    def left_ms(self):
        """Return how long ringing may still be allowed: in this call, in this hour (milliseconds)."""
        _, _, call_us, hour_us = self._budget_limits
        budget = self.budget
        return max(0, call_us - budget.call_us) // 1000, max(0, hour_us // 2 - budget.spent_us) // 1000

    # Plans and windows.

    def begin_plan(self, kind):
        """A plan starts."""
        self.kind = kind
        if kind != m.PLAN_VISITORS:
            self.budget.new_call()
        elif self._session_us != self._key_on_us:
            self._session_us = self._key_on_us  # the key opened a new session: its plans share one budget
            self.budget.new_call()
        self._set_mode(self.mode_of(kind))

    def visitors_left_us(self, now_us):
        """Return for how long a visitors' session may run from now; 0 or less: not at all."""
        if not self.inputs & KEY:
            return 0
        return self._key_on_us + self.limits[m.L_VISITORS_MS] * 1000 - now_us

    def open(self, now_us, port, for_us, is_ours):
        """Open a window: ringing may follow on `port`, for at most for_us. is_ours: a port that the board answers.

        Return R_NONE, or why not.
        """
        reason = self.obstacle()
        if reason:
            return reason
        if self.mode == m.MODE_NIGHT and not is_ours:
            return m.R_PLACE
        call_ms, hour_ms = self.left_ms()
        if call_ms < LEAST_MS:
            return m.R_CALL
        if hour_ms < LEAST_MS:
            return m.R_HOUR
        if not self.port:
            self._opened_us = now_us
        self.port = port
        self._ours = is_ours
        self._ends_us = min(now_us + for_us, self._opened_us + self.window_us)
        return m.R_NONE

    def obstacle(self):
        """Return what keeps ringing from being allowed, whatever the host does; R_NONE: nothing."""
        state = self.interlock.state
        inputs = self.inputs
        if state == m.G_TRIPPED or state == m.G_LOCKED:
            return self.interlock.reason
        if state == m.G_KEY_OFF or not inputs & KEY:
            return m.R_KEY
        if inputs & CHAIN != CHAIN:
            return m.R_CHAIN
        if state == m.G_LIVE or state == m.G_FALLING:
            return m.R_NONE
        if inputs & MIRRORS != MIRRORS:
            return m.R_MIRROR
        if not self.bus.quiet:
            return m.R_BUS
        if not self.bus.fit:
            return m.R_SUPPLY
        if self._pins.memory_low():
            return m.R_MEMORY
        return self._night()

    def _night(self):
        if self.inputs & NIGHT == NIGHT:
            if not self.inputs & m.IN_ALONE:
                return m.R_PRESENCE
            if not self.inputs & m.IN_COVERS:
                return m.R_COVERS
            return alarm_in(self.inputs)
        return m.R_NONE

    def close(self, now_us, reason):
        """Close the window; no move from here on. Out of order while live, this trips."""
        if self.port or self.live:
            port = self.port
            fault = m.R_NONE if reason in IN_ORDER else reason
            self.port = 0
            self._ends_us = FAR_AWAY_US
            if self.live:
                self.interlock.step(0, self._facts & ~WINDOW, fault)
                self._tell(now_us, port, reason)
            self.next_us = now_us

    # The pass.

    def look(self, now_us, beat, run, sense, step, plan):
        """Look at everything, and move the pumps if all of it holds.

        beat: the heartbeat is fresh; run: a plan that needs ringing is running; step, plan: for a trip's snapshot.
        Return R_NONE, or why the running plan must end.
        """
        first = self._now_us < 0
        if first:
            self._quiet_from_us = now_us + UNEXPECTED_GRACE_US
        elapsed_us = 0 if first else now_us - self._now_us
        if elapsed_us > ELAPSED_MOST_US:
            elapsed_us = ELAPSED_MOST_US
        self._now_us = now_us
        pins = self._pins
        interlock = self.interlock
        live = interlock.state == m.G_LIVE
        fault = m.R_NONE
        ends = m.R_NONE
        if live and elapsed_us >= CLOCK_US:
            fault = m.R_CLOCK

        inputs = pins.inputs()
        if inputs != self.inputs:
            self.inputs = inputs
            self._high |= inputs
            self._low |= ~inputs
            self._post(now_us, m.EV_INPUTS, 0, inputs)
            mode = self.mode_of(self.kind)
            if mode != self.mode:
                self._set_mode(mode)
                self._ends_us = min(self._ends_us, self._opened_us + self.window_us)
        self.tokens |= T_INPUTS

        if self.port and not live and now_us >= self._ends_us:
            self.port = 0  # it was over before it came to ringing
        if run or live:
            ends = self._night()
            if self.port and not self._ours and not ends and self.mode == m.MODE_NIGHT:
                ends = m.R_PLACE
            if not ends and self.kind == m.PLAN_VISITORS and self.visitors_left_us(now_us) <= 0:
                ends = m.R_VISITORS
        self.tokens |= T_MODE

        bus = self.bus
        found = bus.step(elapsed_us, pins.bus(), live, self._current_uA, self._ceiling_mV, FLOWS_uA)
        if live and bus.quiet and interlock.age_us >= interlock.times.drop_us:
            found = m.R_STALE  # the generator is let through, and the bus reads as if it were not: no reading to trust
        if found and not fault and interlock.state != m.G_LOCKED and interlock.state != m.G_KEY_OFF:
            fault = found
        self.tokens |= T_BUS

        found = self.budget.step(elapsed_us, self._was_live, self._was_ringing, self._budget_limits)
        ringing = sense.ringing() if sense.levels & RINGING_BITS else 0
        self._was_ringing = ringing != 0 or bus.flows
        if found and not fault and live:
            fault = found
        self.tokens |= T_BUDGET

        if (live or ringing) and not fault:
            fault = self._lines(now_us, live, ringing, sense)

        if live:
            if now_us >= self._ends_us and not fault:
                fault = m.R_WINDOW
            if not fault and pins.memory_low():
                fault = m.R_MEMORY
        self.tokens |= T_WINDOW
        if self.tokens != T_ALL and live and not fault:
            fault = m.R_TOKEN
        self.tokens = 0

        facts = inputs & INPUTS
        if bus.quiet:
            facts |= QUIET
        if bus.fit:
            facts |= FIT
        if beat:
            facts |= BEAT
        if run:
            facts |= RUN
            if self.port and not ends:
                facts |= WINDOW
        self._facts = facts
        if interlock.step(elapsed_us, facts, fault):
            pins.pump()
        port = self.port
        self._levels = sense.levels
        self._plan = plan
        self._step = step
        if interlock.state == m.G_TRIPPED and self._told_state != m.G_TRIPPED:
            ends = interlock.reason
            self.port = 0
            self._ends_us = FAR_AWAY_US
        elif self.port and not ends and now_us - self._opened_us >= ARM_US and interlock.state != m.G_LIVE:
            ends = self.obstacle() or m.R_NOT_ARMED
        self._was_live = interlock.state == m.G_LIVE
        changed = interlock.state != self._told_state or interlock.reason != self._told_reason
        if changed:
            self._tell(now_us, port, ends)
        # An alarm's latch ends with a key that was turned off, as the interlock saw it, not with a loose wire of it.
        key = inputs & ~KEY if interlock.state == m.G_KEY_OFF else inputs | KEY
        if self.permit.step(elapsed_us, key) and now_us - self._permitted_us >= GRID_US:
            self._permitted_us = now_us
            pins.permit()
        if self.permit.held != self._told_permit:
            self._told_permit = self.permit.held
            self._post(now_us, m.EV_PERMIT, 0, self.permit.held | self.permit.reason << 8)
        if changed:
            self.next_us = now_us  # what was at fault before may be at fault in the new state, too
        else:
            self._set_next(now_us, ringing)
        return ends

    def _lines(self, now_us, live, ringing, sense):
        """Ringing where none is expected, or a telephone off the hook where none should be, while one rings."""
        if ringing:
            if live:
                if unexpected(ringing, self.port):
                    return m.R_UNEXPECTED_RINGING
            elif now_us >= self._quiet_from_us:
                return m.R_UNEXPECTED_RINGING
        if live:
            roles = sense.roles
            levels = sense.levels
            port = 1
            while levels:
                if levels & 1 and roles[port] == m.UNUSED:  # bit 0 of each port is LOOP
                    return m.R_OFF_HOOK
                levels >>= 4
                port += 1
        return m.R_NONE

    def _set_next(self, now_us, ringing):
        wait_us = self.interlock.wait_us
        state = self.interlock.state
        if state == m.G_LIVE:
            budget = self.budget
            burst_us, _pause_us, call_us, hour_us = self._budget_limits
            wait_us = min(wait_us, call_us - budget.call_us, hour_us // 2 - budget.spent_us)
            if self._was_ringing:
                wait_us = min(wait_us, burst_us - budget.burst_us - budget.still_us)
            wait_us = min(wait_us, self._ends_us - now_us)
        if state != m.G_LOCKED and state != m.G_KEY_OFF and state != m.G_TRIPPED:
            left_us = STALE_US - self.bus.stale_us
            if left_us < wait_us:
                wait_us = left_us
        next_us = now_us + (wait_us if wait_us > 0 else 0) if wait_us < FAR_US else FAR_AWAY_US
        if self.port and state != m.G_LIVE:
            next_us = min(next_us, self._opened_us + ARM_US)
        if ringing and now_us < self._quiet_from_us and state != m.G_LIVE:
            next_us = min(next_us, self._quiet_from_us)
        left_us = self.permit.left_us()
        if left_us >= 0:
            next_us = min(next_us, now_us + left_us)
            if self.permit.held:
                next_us = min(next_us, self._permitted_us + GRID_US)
        self.next_us = next_us

    # What is told.

    def _tell(self, now_us, port, reason):
        """The guard's state or its reason changed: say so, and keep a trip."""
        interlock = self.interlock
        state = interlock.state
        was = self._told_state
        if was == m.G_LIVE:
            self._quiet_from_us = now_us + UNEXPECTED_GRACE_US
        if was == m.G_KEY_OFF and state == m.G_SAFE:
            self._key_on_us = now_us
        if state == m.G_TRIPPED:
            reason = interlock.reason
            if was != m.G_TRIPPED:
                self._keep(now_us, reason, was, port)
            elif self._trips:
                self._trips[0][1] = reason  # worse
        elif state != m.G_FALLING:
            reason = interlock.reason if state == m.G_KEY_OFF or state == m.G_LOCKED else m.R_NONE
        self._told_state = state
        self._told_reason = interlock.reason
        self._post(now_us, m.EV_GUARD, port, state | reason << 8)

    def _keep(self, now_us, reason, was, port):
        reading = self.bus.reading
        if self.trip_count < 255:
            self.trip_count += 1
        trip = [reason, m.R_NONE, now_us, was, port, self.inputs]
        trip += [reading[1], reading[2], reading[3], reading[4], self._levels, self._plan, self._step]
        self._trips.insert(0, trip)
        if len(self._trips) > TRIPS_KEPT:
            self._trips.pop()

    def trip(self, back):
        """Return the trip so many before the latest, or None.

        [reason, worse, at_us, state before, port, inputs, bus mV, bus uA, supply mV, battery mV, levels, plan, step]
        """
        return self._trips[back] if back < len(self._trips) else None
