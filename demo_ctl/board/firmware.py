"""The firmware: one `step(now_us)` that does everything due by now and returns when it wants to be called next.

Law: extra calls at any instant change no event and no output. It holds because nothing depends on when a call happens
to come: edges carry their own stamps, timers have exact instants, inputs without edges are read in every pass (the
bench makes one whenever they change), and what is queued for the host is only ever limited by room.

Order of a pass: silence first (safety never waits for a backlog), then edges and timers in the order of their
instants, then the ringing guard (guard.py), which moves the pumps or not, then bytes from the host, audio, and bytes to
the host. Lamps come after all of it, and only when nothing is left over (lamps.py). Every part is bounded (limits.py);
what is left over makes the next deadline *now*.

Limits that a host tightened stay until the board boots again: a new hello must not be a way to loosen them. WELCOME
declares what holds now.

After a silence only HELLO, STOP and what asks for a report are performed; heartbeats are answered, so that the host can
see what became of its plan.
"""

from demo_ctl.board import limits
from demo_ctl.board.guard import T_BEAT, T_LINES, T_OUTSIDE, Guard
from demo_ctl.board.identity import VERSION
from demo_ctl.board.lamps import Lamps
from demo_ctl.board.limits import FAR_US
from demo_ctl.board.pins import TICKS
from demo_ctl.board.rates import Bucket, Losses
from demo_ctl.board.sense import Sense
from demo_ctl.board.sequencer import Sequencer
from demo_ctl.board.upload import Upload
from demo_ctl.wire import messages as m
from demo_ctl.wire.board_session import BoardSession

_MASK = TICKS - 1
_HALF = TICKS >> 1


class Firmware:
    """Everything the board does, over one `Pins`."""

    def __init__(self, pins):
        self.pins = pins
        self.session = BoardSession()
        self.upload = Upload(pins.ports)
        self.sequencer = Sequencer(self, self.upload)
        self.sense = Sense(pins.ports, pins.levels())
        self.now_us = 0
        self.guard = Guard(pins, self.post)
        self.heartbeat_us = self.guard.limits[m.L_HEARTBEAT_MS] * 1000
        self._lost = False  # and the levels have not been looked at since
        self._astray = False  # edges were lost, or wait for too long: what is known of the lines is not of now
        self._work = 0  # edges, timers and instructions that this pass may still do
        self._host = False  # a host said hello and has not gone silent
        self._nonce = None
        self._heard_us = 0  # when the host lived last, for all that is known: see _lives
        self._beats_us = 0  # so far would all heartbeats of this session last
        self._since_us = 0  # what is read in this pass came at this instant at the earliest (or a pass before)
        self._booted_us = None  # until EV_BOOT has been posted
        self._told_boot = False
        self._edge = -1  # bit << 1 | level of an edge taken from pins, perhaps later than now; -1: none
        self._edge_us = 0
        self._buckets = [Bucket() for _ in range(pins.ports + 1)]
        self._losses = Losses()
        self._unqueued = 0  # events that found the queue full
        self._owed = None  # EV_PLAN's (instant, value) among them
        self._owed_guard = None  # and the last EV_GUARD's (instant, port, value)
        self._listening = 0
        self._audio_us = FAR_US  # when the next block is complete
        self._unheard = False  # commands may be waiting to be performed
        self._backlog = False  # bytes may be waiting to be read
        self._blocked = False  # the way to the host was too full for a frame
        self.lamps = Lamps(pins)
        self._tripped = False  # as the lamps know it
        self._commands = {
            m.Begin: self._on_begin,
            m.Load: self._on_load,
            m.Commit: self._on_commit,
            m.Start: self._on_start,
            m.Go: self._on_go,
            m.Tighten: self._on_tighten,
            m.Permit: self._on_permit,
            m.Lamps: self._on_lamps,
        }
        # These change nothing, and are answered whoever asks: what became of a plan is seen after a silence, too.
        self._reports = {
            m.StatusRequest: self._on_status,
            m.SafetyRequest: self._on_safety,
            m.LimitsRequest: self._on_limits_in_force,
            m.TripRequest: self._on_trip,
        }
        for port in range(1, pins.ports + 1):
            pins.set_loop(port, 0)
        pins.listen(0)

    # One pass.

    def step(self, now_us):
        """Do what is due. now_us: the 64-bit clock, equal to pins.ticks_us() modulo 2**30. Return the next deadline."""
        self.now_us = now_us
        if self._booted_us is None:
            self._booted_us = now_us
        if self._host and now_us - self._heard_us >= self.heartbeat_us:
            self.guard.tokens |= T_OUTSIDE
            self._look(False)
            self._silence()
        self.guard.tokens |= T_BEAT
        self._work = limits.WORK_MOST
        again = self._in_order()
        if not self._astray:
            self.guard.tokens |= T_LINES
        self._look(self._host)
        if self._hear():
            again = True
        if self.sequencer.next_us <= now_us and self._in_order():
            again = True
        if self.guard.next_us <= now_us:
            again = True
        if self._listening:
            self._take_audio()
        if self._unqueued and self._host:
            self._tell_overflow()
        if self._speak():
            again = True
        if self._tripped != (self.guard.state == m.G_TRIPPED):
            self._tripped = not self._tripped
            if self._tripped:  # whatever they told is over; the host may light them again
                self.lamps.dark(now_us)
        if not again and self.lamps.next_us <= now_us:
            self.lamps.step(now_us)
        return now_us if again else self._deadline()

    def _deadline(self):
        # Comparisons, not min(): a call costs five of them on the chip.
        next_us = self.sense.next_us
        other_us = self.sequencer.next_us
        if other_us < next_us:
            next_us = other_us
        other_us = self.guard.next_us
        if other_us < next_us:
            next_us = other_us
        other_us = self._losses.next_us
        if other_us < next_us:
            next_us = other_us
        if self._audio_us < next_us:
            next_us = self._audio_us
        if self.lamps.next_us < next_us:
            next_us = self.lamps.next_us
        if self._edge >= 0 and self._edge_us < next_us:
            next_us = self._edge_us
        if self._host:
            other_us = self._heard_us + self.heartbeat_us
            if other_us < next_us:
                next_us = other_us
            resend_us = self.session.next_deadline()
            if resend_us is not None and resend_us < next_us:
                next_us = resend_us
            if self._blocked:
                next_us = min(next_us, self.now_us + limits.BLOCKED_US)
        return next_us if next_us > self.now_us else self.now_us

    def _in_order(self):
        """Edges, levels, loss reports and instructions up to now, in the order of their instants.

        Return whether some are left over.
        """
        pins = self.pins
        now_us = self.now_us
        sense = self.sense
        losses = self._losses
        sequencer = self.sequencer
        while self._work:
            if self._edge < 0:
                got = pins.next_edge()
                if got:
                    self._edge = got[1]
                    self._edge_us = self._widen(got[0])
            edge_us = FAR_US if self._edge < 0 else self._edge_us
            timer_us = sense.next_us
            if losses.next_us < timer_us:
                timer_us = losses.next_us
            if sequencer.next_us < timer_us:
                timer_us = sequencer.next_us
            if timer_us <= edge_us:
                if timer_us > now_us:
                    break
                if timer_us == sense.next_us:
                    self._settle()
                elif timer_us == losses.next_us:
                    kind, port, count = losses.pop()
                    self.post(timer_us, kind, port, count)
                else:
                    sequencer.run(now_us)
            elif edge_us <= now_us:
                edge, self._edge = self._edge, -1
                self._take_edge(edge_us, edge >> 1, edge & 1)
            else:
                break
            self._work -= 1
        else:
            # Not all was done: is what waits old?
            if self._edge < 0:
                got = pins.next_edge()
                if got:
                    self._edge = got[1]
                    self._edge_us = self._widen(got[0])
            late_us = now_us - limits.LATE_US
            self._astray = (self._edge >= 0 and self._edge_us < late_us) or sense.next_us < late_us
            lost = pins.edges_lost()
            if lost:
                self._note_lost(lost)
                self._lost = True
            self._astray = self._astray or self._lost
            return True
        lost = pins.edges_lost()
        if lost:
            self._note_lost(lost)
        if lost or self._lost:
            self._look_at_levels()
            self._lost = False
        self._astray = False
        return False

    def _widen(self, ticks):
        """The 64-bit instant of ticks taken within nine minutes of now, before or after (interrupts do not wait)."""
        at_us = self.now_us + ((ticks - self.now_us + _HALF) & _MASK) - _HALF
        return at_us if at_us > 0 else 0

    # Sensing.

    def _take_edge(self, at_us, bit, level):
        port = (bit >> 2) + 1
        if self._host:
            if self._buckets[port].allow(at_us):
                self.post(at_us, m.EV_EDGE, port, (bit & 3) << 1 | level)
            else:
                self._losses.note(at_us, m.EV_EDGES_LOST, port, 1)
        self.sense.edge(at_us, bit, level)

    def _settle(self):
        known_us = self.sense.next_us
        bit, level, began_us = self.sense.pop()
        port = (bit >> 2) + 1
        self.post(began_us, m.EV_STATE, port, (bit & 3) << 1 | level)
        self.sequencer.settled(bit, level, began_us, known_us)

    def _note_lost(self, lost):
        if self._host:
            self._losses.note(self.now_us, m.EV_EDGES_LOST, 0, lost)

    def _look_at_levels(self):
        # The capture queue was full: the levels known here may be old. Look once; nothing better is left.
        levels = self.pins.levels()
        differ = levels ^ self.sense.raw
        bit = 0
        while differ:
            if differ & 1:
                self.sense.edge(self.now_us, bit, levels >> bit & 1)
            differ >>= 1
            bit += 1

    # What the sequencer asks for.

    def post(self, at_us, kind, port, value):
        """Queue an event. A full queue ends the plan and with it releases the lines."""
        if not self._host:
            return
        if not self._unqueued and self.session.post(at_us, kind, port, value):
            return
        first = not self._unqueued
        self._unqueued += 1
        if kind == m.EV_PLAN:
            self._owed = (at_us, value)
        elif kind == m.EV_GUARD:
            self._owed_guard = (at_us, port, value)
        if first:
            self.sequencer.end_early(at_us, m.R_OVERFLOW)

    def _tell_overflow(self):
        """Once there is room: how many events are missing, and what became of guard and plan."""
        if self.session.post(self.now_us, m.EV_OVERFLOW, 0, self._unqueued):
            self._unqueued = 0
            if self._owed_guard:
                at_us, port, value = self._owed_guard
                self._owed_guard = None
                self.post(at_us, m.EV_GUARD, port, value)
            if self._owed:
                at_us, value = self._owed
                self._owed = None
                self.post(at_us, m.EV_PLAN, 0, value)

    def _moved_us(self):
        return self._widen(self.pins.ticks_us())

    def move_loop(self, port, closed):
        """Close or open a loop; return when the pin moved."""
        self.pins.set_loop(port, closed)
        self.sense.closed[port] = closed
        return self._moved_us()

    def start_train(self, port, count, break_us, make_us):
        """Begin a pulse train; return when it began."""
        at_us = self._widen(self.pins.start_pulses(port, count, break_us, make_us))
        self.sense.closed[port] = 1
        self.sense.train(port, at_us + count * (break_us + make_us))
        return at_us

    def listen(self, port):
        """Stream a port's audio (0: none); return when it began."""
        self.pins.listen(port)
        at_us = self._moved_us()
        self._listening = port
        self._audio_us = at_us + m.AUDIO_BLOCK_US if port else FAR_US
        return at_us

    def allow_ringing(self, port, for_us):
        """Open the ringing window from now; return R_NONE or why not."""
        return self.guard.open(self.now_us, port, for_us, self.sense.roles[port] == m.CALLED)

    def end_ringing(self, at_us, reason):
        """No pump move from here on."""
        self.guard.close(at_us, reason)

    def release(self, at_us, reason):
        """Ringing off, every loop open, listening off."""
        pins = self.pins
        self.guard.close(at_us, reason)  # before anything that could fail
        for each in range(1, pins.ports + 1):
            pins.set_loop(each, 0)
            self.sense.closed[each] = 0
            self.sense.train(each, at_us)
        if self._listening:
            self.listen(0)

    # Ringing and audio.

    def _look(self, beat):
        """The guard's part of a pass."""
        sequencer = self.sequencer
        run = sequencer.state == m.RUNNING and self.upload.rings
        reason = self.guard.look(self.now_us, beat, run, self.sense, sequencer.index, self.upload.plan)
        if reason:
            sequencer.end_early(self.now_us, reason)

    def _take_audio(self):
        block = self.pins.audio_block()
        if block:
            first, ticks, data = block
            at_us = self._widen(ticks)
            if not self._host or not self.session.offer_audio(first, at_us, self._listening, data):
                self._losses.note(self.now_us, m.EV_AUDIO_LOST, self._listening, 1)
            self._audio_us = at_us + 2 * m.AUDIO_BLOCK_US
        if self._audio_us <= self.now_us:
            self._audio_us = self.now_us + 1000  # the converter's clock is a little slower than ours

    # The host.

    def _silence(self):
        self.sequencer.end_early(self.now_us, m.R_SILENCE)
        self.release(self.now_us, m.R_SILENCE)  # nothing is on without a plan; said again all the same
        if self.sequencer.state != m.FINISHED and self.sequencer.state != m.ENDED_EARLY:
            self.sequencer.state = m.IDLE
        for _ in range(limits.LAST_WORDS):
            if not self._speak():
                break
        self._host = False
        self.lamps.dark(self.now_us)
        self.session.close()
        self._losses.clear()

    def _hear(self):
        """Read and perform what the host sent. Return whether more may be waiting."""
        if not self._backlog:
            self._since_us = self.now_us
        data = self.pins.read_bytes(limits.READ_MOST)
        self._backlog = len(data) == limits.READ_MOST
        if data:
            self.session.feed(data, self.now_us)
        elif not self._unheard:
            return False
        for _ in range(limits.COMMANDS_MOST):
            got = self.session.take()
            if got is None:
                self._unheard = False
                return self._backlog
            self._perform(got[0], got[1])
        self._unheard = True
        return True

    def _lives(self):
        """A heartbeat came: note when the host lived. A backlog must not make a host that has died look alive.

        Two rules. It is as old as the backlog it came out of: bytes that wait may be as old as the first pass that left
        some behind. And heartbeats that come faster than a live host sends them had been waiting somewhere: here, or on
        a slow way. A few may come together when the way was held up; for all of them time must have gone by.
        """
        ahead_us = self._beats_us - self.now_us
        if ahead_us < 0:
            ahead_us = 0
        self._beats_us = self.now_us + ahead_us + limits.BEAT_LEAST_US
        if ahead_us <= limits.BEATS_AHEAD_US and self._since_us > self._heard_us:
            self._heard_us = self._since_us

    def _speak(self):
        """Write what there is room for. Return whether to come back at once."""
        session = self.session
        if not session.tick(self.now_us):
            self._blocked = False
            return False
        space = self.pins.write_space()
        data = session.outgoing(min(space, limits.WRITE_MOST))
        if data:
            self.pins.write_bytes(data)
            space -= len(data)
            if space >= limits.WRITE_MOST:
                self._blocked = False
                return session.waiting()
        self._blocked = space < limits.WRITE_MOST and session.waiting()
        return False

    def _perform(self, sequence, message):
        kind = type(message)
        if kind is m.Heartbeat:
            self._lives()
            self.session.send(m.Beat(self.now_us, self.sequencer.state, self.guard.state, self.guard.inputs))
        elif kind is m.EventAck:
            pass
        elif kind is m.Hello:
            self._on_hello(sequence, message)
        elif kind in self._reports:
            self._reports[kind](message)
        elif kind is m.Stop:
            self._on_stop(message)
            self.session.answer(sequence, m.OK)
        elif kind in self._commands:
            if self._host:
                code, detail = self._commands[kind](message)
            else:
                code, detail = self._refuse()
            self.session.answer(sequence, code, detail)
        else:
            self.session.answer(sequence, m.E_UNKNOWN)

    def _refuse(self):
        return m.E_STATE, self.sequencer.state

    def _on_hello(self, sequence, hello):
        if hello.protocol != m.PROTOCOL or hello.table != m.TABLE_HASH:
            self.session.answer(sequence, m.E_VERSION, m.PROTOCOL)
            return
        if not self._host or hello.nonce != self._nonce:
            self.sequencer.end_early(self.now_us, m.R_NEW_HELLO)
            self.release(self.now_us, m.R_NEW_HELLO)
            self.lamps.dark(self.now_us)
            if self.sequencer.state != m.ENDED_EARLY:
                self.sequencer.state = m.IDLE
            self._host = True
            self._nonce = hello.nonce
            self._losses.clear()
            self._unqueued = 0
            self._owed = None
            self._owed_guard = None
            self.session.open(0)
            if not self._told_boot:
                self._told_boot = True
                self.post(self._booted_us, m.EV_BOOT, 0, 0)
            self._heard_us = self._beats_us = self.now_us
        else:
            self._lives()
        pins = self.pins
        self.session.send(
            m.Welcome(
                m.PROTOCOL,
                m.TABLE_HASH,
                hello.nonce,
                pins.firmware_boot,
                self.now_us,
                VERSION,
                pins.ports,
                pins.simulated,
                limits.INSTRUCTIONS_MOST,
                self.heartbeat_us // 1000,
                self.guard.window_for_us(m.PLAN_CALL) // 1000,
                limits.EDGES_PER_S,
                limits.EDGE_BURST,
                pins.stamp_blur_us,
                pins.loop_blur_us,
                pins.battery_blur_us,
                pins.ring_attack_us,
                pins.ring_hold_us,
                m.AUDIO_HZ,
                m.AUDIO_BLOCK,
            )
        )

    def _on_begin(self, begin):
        if self.sequencer.state == m.RUNNING:
            return self._refuse()
        self.sequencer.state = m.IDLE
        if begin.kind > m.PLAN_VISITORS:
            return m.E_RANGE, 0
        roles = (begin.role1, begin.role2, begin.role3, begin.role4)
        code, detail = self.upload.begin(begin.plan, begin.total, roles, begin.kind)
        if code == m.OK:
            self.sequencer.state = m.LOADING
        return code, detail

    def _on_load(self, load):
        if self.sequencer.state != m.LOADING:
            return self._refuse()
        code, detail = self.upload.load(load.first, load.many, load.data, self.guard.window_for_us(self.upload.kind))
        if code != m.OK:
            self.sequencer.state = m.IDLE
        return code, detail

    def _on_commit(self, commit):
        if self.sequencer.state != m.LOADING:
            return self._refuse()
        code, detail = self.upload.commit(commit.plan, commit.crc)
        if code == m.OK:
            self.sequencer.state = m.READY
            self.sequencer.index = 0
            self.sense.roles[:] = self.upload.roles
        else:
            self.sequencer.state = m.IDLE
        return code, detail

    def _on_start(self, start):
        # The heartbeat is fresh, or the host's silence had closed the session in this very pass.
        # Nor does a plan begin while events are missing that the host has not been told of: it could not be told more.
        if self.sequencer.state != m.READY or start.plan != self.upload.plan or self._unqueued:
            return self._refuse()
        if not self.guard.may_begin(self.upload.kind):
            return self._refuse()
        self.guard.begin_plan(self.upload.kind)
        self.guard.next_us = self.now_us
        self.sequencer.start(self.now_us)
        return m.OK, 0

    def _on_go(self, go):
        return (m.OK, 0) if self.sequencer.go(go.gate, self.now_us) else self._refuse()

    def _on_stop(self, stop):
        reason = stop.reason if 0 < stop.reason < len(m.R_NAMES) else m.R_STOP
        self.sequencer.end_early(self.now_us, reason)
        self.release(self.now_us, reason)
        if self.sequencer.state == m.LOADING or self.sequencer.state == m.READY:
            self.sequencer.state = m.IDLE

    def _on_tighten(self, wanted):
        code = self.guard.tighten(wanted.which, wanted.value)
        self.heartbeat_us = self.guard.limits[m.L_HEARTBEAT_MS] * 1000
        return code, 0

    def _on_permit(self, wanted):
        permit = self.guard.permit
        if wanted.lease_ms:
            reason = permit.ask(wanted.lease_ms, self.guard.inputs)
            self.guard.next_us = self.now_us
            return (m.OK, 0) if reason == m.R_NONE else (m.E_STATE, reason)
        permit.give_up(m.R_NOT_HOME if wanted.reason == m.R_NOT_HOME else m.R_LEASE)
        self.guard.next_us = self.now_us
        return m.OK, 0

    def _on_lamps(self, wanted):
        """Answered with how many lamps this board has, whether or not these are some of them."""
        lamps = self.lamps
        return m.OK if lamps.ask(self.now_us, wanted.lit, wanted.blink) else m.E_RANGE, lamps.count

    def _on_safety(self, request):
        guard = self.guard
        reading = guard.bus.reading
        call_ms, hour_ms = guard.left_ms()
        self.session.send(
            m.Safety(
                request.nonce,
                self.now_us,
                self.pins.board,
                guard.state,
                guard.interlock.reason,
                guard.obstacle(),
                guard.mode,
                guard.inputs,
                guard.exercised(),
                reading[1],
                reading[2],
                reading[3],
                reading[4],
                call_ms,
                hour_ms,
                guard.trip_count,
                guard.permit.held,
                guard.permit.reason,
            )
        )

    def _on_limits_in_force(self, request):
        data = self.guard.in_force()
        self.session.send(m.InForce(request.nonce, m.limits_digest(data, VERSION), data))

    def _on_trip(self, request):
        trip = self.guard.trip(request.back)
        if trip is None:
            trip = [m.R_NONE] * 13
        reason, worse, at_us, state, port, inputs, bus_mV, bus_uA, supply_mV, battery_mV, levels, plan, step = trip
        self.session.send(
            m.Trip(
                request.nonce,
                request.back,
                at_us,
                reason,
                worse,
                state,
                port,
                inputs,
                levels,
                bus_mV,
                bus_uA,
                supply_mV,
                battery_mV,
                plan,
                step,
            )
        )

    def _on_status(self, request):
        sequencer = self.sequencer
        self.session.send(
            m.Status(
                request.nonce,
                self.now_us,
                sequencer.state,
                sequencer.reason,
                sequencer.index,
                self.guard.state,
                self.sense.levels,
                self.pins.inputs(),
                self.session.bad_frames,
            )
        )
