"""The ringing guard: gathers what the interlock needs to know in a pass, and does what it says.

Theory of operation
-------------------
`look` is called in every pass of the firmware, after edges and instructions and before anything the host sent. It
reads the inputs and the bus, asks the watches (budget, bus, lines, window, mode, clock, memory), each of which leaves
its token, and gives facts and the first fault to the interlock. If the interlock says move, the pumps move: here, and
nowhere else. A watch that was left out in a pass leaves its token missing, and that is a fault like any other.

A window is a petition (petition.py). It says who may be rung and for how long; whether ringing follows is the
interlock's affair. It closes in two ways. *In order*: the instruction closes it, the plan ends, the host stops it, an
awaited condition did not come: the guard falls, is seen to fall, and proves itself again. *Out of order* while live
(silence, lateness, overflow, the window's own limit): that trips, and only the key resets a trip.

Nothing here can be told to ignore a condition. The host tightens limits; they stay until the board boots.
"""

from struct import pack

from demo_ctl.board import limits
from demo_ctl.board.budget import Budget
from demo_ctl.board.bus import Bus
from demo_ctl.board.interlock import BEAT, CHAIN, FAR_US, FIT, INPUTS, KEY, MIRRORS, QUIET, RUN, WINDOW, Interlock
from demo_ctl.board.limits import FLOWS_uA
from demo_ctl.board.permit import Permit
from demo_ctl.board.petition import Petition, night_wants
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
    m.R_NIGHT_LOST,
)

_MODE_LIMITS = (  # of each mode: window, burst, call, hour
    (m.L_WINDOW_MS, m.L_BURST_MS, m.L_CALL_MS, m.L_HOUR_MS),
    (m.L_NIGHT_WINDOW_MS, m.L_NIGHT_BURST_MS, m.L_NIGHT_CALL_MS, m.L_NIGHT_HOUR_MS),
    (m.L_VISITORS_WINDOW_MS, m.L_VISITORS_BURST_MS, m.L_VISITORS_CALL_MS, m.L_VISITORS_HOUR_MS),
)
LEAST_MS = 1000  # less ringing than this is not worth opening a window for


class Guard:
    """post(at_us, kind, port, value): how events are told."""

    def __init__(self, pins, post):
        self.limits = limits.safety_limits()
        self.interlock = Interlock()
        self.budget = Budget()
        self.bus = Bus()
        self.permit = Permit()
        self.petition = Petition()
        self.inputs = pins.inputs()
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
        self._aged_us = -1  # and when the petition was last told of time
        self._was_live = False
        self._was_ringing = False
        self._told_state = self.interlock.state
        self._told_reason = self.interlock.reason
        self._told_permit = False
        self._permitted_us = -FAR_AWAY_US
        self.petition.turn(self.inputs)
        self._set_limits()

    @property
    def state(self):
        """The interlock's state, G_..."""
        return self.interlock.state

    @property
    def live(self):
        """Whether the pumps are being moved."""
        return self.interlock.state == m.G_LIVE

    @property
    def mode(self):
        """Which limits hold, MODE_..."""
        return self.petition.mode

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
        self._set_limits()
        self.petition.shorten(self.window_us)
        self.next_us = self._now_us
        return m.OK

    def in_force(self):
        """Return the limits, 32 bits each, in order."""
        return pack("<%dI" % len(self.limits), *self.limits)

    def _set_limits(self):
        mode = self.petition.mode
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
        mode = self.petition.mode_of(kind)
        return min(values[m.L_WINDOW_MS], values[_MODE_LIMITS[mode][0]]) * 1000

    def left_ms(self):
        """Return how long ringing may still be allowed: in this call, in this hour (milliseconds)."""
        _, _, call_us, hour_us = self._budget_limits
        budget = self.budget
        return max(0, call_us - budget.call_us) // 1000, max(0, hour_us // 2 - budget.spent_us) // 1000

    # Plans and windows.

    def begin_plan(self, kind):
        """A plan starts."""
        self.budget.new_call(kind == m.PLAN_VISITORS, self.petition.begin(kind))
        self.petition.turn(self.inputs)
        self._set_limits()

    def may_begin(self, kind):
        """Return whether a plan of this kind may start: a visitors' session is opened at the key, and ends."""
        return kind != m.PLAN_VISITORS or self.petition.session_left(self.inputs, self.limits[m.L_VISITORS_MS]) > 0

    def open(self, now_us, port, for_us, is_ours):
        """Open a window: ringing may follow on `port`, for at most for_us. is_ours: a port that the board answers.

        Return R_NONE, or why not.
        """
        reason = self.obstacle()
        if reason:
            return reason
        call_ms, hour_ms = self.left_ms()
        if call_ms < LEAST_MS:
            return m.R_CALL
        if hour_ms < LEAST_MS:
            return m.R_HOUR
        self._age(now_us, self.live)
        return self.petition.open(port, for_us, self.window_us, is_ours)

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
        return night_wants(inputs) if self.petition.mode == m.MODE_NIGHT else m.R_NONE

    def close(self, now_us, reason):
        """Close the window; no move from here on. Out of order while live, this trips."""
        petition = self.petition
        if petition.port or self.live:
            port = petition.port
            fault = m.R_NONE if reason in IN_ORDER else reason
            self._age(now_us, self.live)
            petition.close()
            if self.live:
                self.interlock.step(0, self._facts & ~WINDOW, fault)
                self._tell(now_us, port, reason)
            self.next_us = now_us

    def _age(self, now_us, live):
        """Bring the petition's ages up to now. live: since it was last told."""
        elapsed_us = now_us - self._aged_us if self._aged_us >= 0 else 0
        self._aged_us = now_us
        self.petition.step(elapsed_us if elapsed_us < ELAPSED_MOST_US else ELAPSED_MOST_US, live)

    # The pass.

    def look(self, now_us, beat, run, sense, step, plan):
        """Look at everything, and move the pumps if all of it holds.

        beat: the heartbeat is fresh; run: a plan that needs ringing is running; step, plan: for a trip's snapshot.
        Return R_NONE, or why the running plan must end.
        """
        elapsed_us = now_us - self._now_us if self._now_us >= 0 else 0
        if elapsed_us > ELAPSED_MOST_US:
            elapsed_us = ELAPSED_MOST_US
        self._now_us = now_us
        pins = self._pins
        interlock = self.interlock
        petition = self.petition
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
            if petition.turn(inputs):
                self._set_limits()
                petition.shorten(self.window_us)
        self.tokens |= T_INPUTS

        self._age(now_us, live)
        if run or live:
            ends = petition.withdraws(inputs, self.limits[m.L_VISITORS_MS])
        self.tokens |= T_MODE

        bus = self.bus
        is_open = inputs & CHAIN != CHAIN
        found = bus.step(elapsed_us, pins.bus(), live, is_open, self._current_uA, self._ceiling_mV, FLOWS_uA)
        if live and bus.quiet and interlock.age_us >= interlock.times.drop_us:
            found = m.R_DEAD_BUS  # the generator is let through, and the bus reads as if it were not
        # Nobody rings with the key off: then only a generator that does not go with it is worth a trip.
        rests = interlock.state == m.G_LOCKED or interlock.state == m.G_KEY_OFF
        if found and not fault and (found == m.R_ISOLATOR or not rests):
            fault = found
        self.tokens |= T_BUS

        found = self.budget.step(elapsed_us, self._was_live, self._was_ringing, self._budget_limits)
        ringing = sense.ringing() if sense.levels & RINGING_BITS else 0
        self._was_ringing = ringing != 0 or bus.flows
        if found and not fault and live:
            fault = found
        self.tokens |= T_BUDGET

        if (live or ringing) and not fault:
            fault = petition.trips(live, ringing, live and self._off_hook(sense))
        if live and not fault and pins.memory_low():
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
            if petition.port and not ends:
                facts |= WINDOW
        self._facts = facts
        if interlock.step(elapsed_us, facts, fault):
            pins.pump()
        port = petition.port
        self._levels = sense.levels
        self._plan = plan
        self._step = step
        if interlock.state == m.G_TRIPPED and self._told_state != m.G_TRIPPED:
            ends = interlock.reason
            petition.close()
        elif petition.port and not ends and petition.late(interlock.state == m.G_LIVE):
            ends = self.obstacle() or m.R_NOT_ARMED
        self._was_live = interlock.state == m.G_LIVE
        changed = interlock.state != self._told_state or interlock.reason != self._told_reason
        if changed:
            self._tell(now_us, port, ends)
        # The key counts as the interlock has it, not as a loose wire of it reads.
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
            self._set_next(now_us, ringing, run)
        return ends

    def _off_hook(self, sense):
        """Return whether somebody is off the hook on a port that takes no part."""
        roles = sense.roles
        levels = sense.levels
        port = 1
        while levels:
            if levels & 1 and roles[port] == m.UNUSED:  # bit 0 of each port is LOOP
                return True
            levels >>= 4
            port += 1
        return False

    def _set_next(self, now_us, ringing, run):
        wait_us = self.interlock.wait_us
        state = self.interlock.state
        live = state == m.G_LIVE
        if live:
            budget = self.budget
            wait_us = min(wait_us, budget.left_us(self._budget_limits))
            if self._was_ringing:
                wait_us = min(wait_us, self._budget_limits[0] - budget.burst_us - budget.still_us)
        if state != m.G_LOCKED and state != m.G_KEY_OFF and state != m.G_TRIPPED:
            left_us = self.bus.left_us()
            if left_us < wait_us:
                wait_us = left_us
        if self.bus.fed and self.inputs & CHAIN != CHAIN:
            left_us = self.bus.stays_us()
            if 0 <= left_us < wait_us:
                wait_us = left_us
        petition = self.petition
        if petition.port or ringing or petition.kind != m.PLAN_CALL:
            left_us = petition.wait_us(live, ringing, self.limits[m.L_VISITORS_MS] if run or live else 0)
            if 0 <= left_us < wait_us:
                wait_us = left_us
        next_us = now_us + (wait_us if wait_us > 0 else 0) if wait_us < FAR_US else FAR_AWAY_US
        left_us = self.permit.left_us()
        if left_us >= 0:
            next_us = min(next_us, now_us + left_us)
            if self.permit.held:
                next_us = min(next_us, self._permitted_us + GRID_US)
        self.next_us = next_us

    def _turned_on(self):
        """The key was turned off and on: what waits for that begins anew."""
        self.permit.turned_on()
        self.petition.turned_on()
        if self.petition.turn(self.inputs):
            self._set_limits()

    # What is told.

    def _tell(self, now_us, port, reason):
        """The guard's state or its reason changed: say so, and keep a trip."""
        interlock = self.interlock
        state = interlock.state
        was = self._told_state
        if was == m.G_KEY_OFF and state == m.G_SAFE:
            self._turned_on()
        if state == m.G_TRIPPED:
            reason = interlock.reason
            if was != m.G_TRIPPED:
                self._keep(now_us, reason, was, port)
            elif self._trips and reason != self._trips[0][0]:
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
