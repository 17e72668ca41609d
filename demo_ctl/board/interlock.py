"""The interlock: whether the pump moves in this pass. Pure: no pins, no clock, nothing allocated.

Theory of operation
-------------------
Facts and elapsed time go in, one word comes out: move the pump now, or not. Every fact is a bit that reads 1 when it
speaks for ringing, so that what is missing, broken or unknown reads 0 and speaks against it. `fault` is the word of
the watches around this module (over-current, ringing where none should be, a budget spent, a clock gone wrong...):
any reason other than R_NONE trips.

    LOCKED   --key off--> KEY_OFF --key on, both channels open before, complete now--> SAFE     (boot begins in LOCKED)
    KEY_OFF  --key on, the chain not complete--> LOCKED
    SAFE     --everything ready--> PROVING --ready all the while--> ARMED --window--> LIVE
    PROVING, ARMED  --anything not ready--> SAFE                                        (withdrawn; proves itself again)
    LIVE     --window closed--> FALLING --relays down, bus quiet--> SAFE                (withdrawn)
    SAFE, PROVING, ARMED  --key off--> KEY_OFF
    any      --a reason to trip--> TRIPPED --key off, by a person, after it--> KEY_OFF

LIVE is the only state in which the pump moves, and it moves only in a pass in which every condition of LIVE was looked
at and held. What trips is the table in `_reason`. Time is counted in ages that stop one tick past the last
limit they are compared with: small integers, and a finite number of states, so that `demo_ctl safety explore` can
visit every one of them.

Two laws for whoever calls: `step` may be called at any instant, more often changes nothing; and it must be called
again after `wait_us` at the latest (FAR_US: only when a fact changes).
"""

from demo_ctl.wire.messages import (
    G_ARMED,
    G_FALLING,
    G_KEY_OFF,
    G_LIVE,
    G_LOCKED,
    G_PROVING,
    G_SAFE,
    G_TRIPPED,
    IN_CHAIN_A,
    IN_CHAIN_B,
    IN_KEY,
    IN_MIRROR_A,
    IN_MIRROR_B,
    R_BUS,
    R_CHAIN,
    R_DISCREPANCY,
    R_ENDED,
    R_KEY,
    R_LOCKED,
    R_LOOP,
    R_MIRROR,
    R_NO_SILENCE,
    R_NONE,
    R_SILENCE,
    R_STUCK_CHAIN,
    R_SUPPLY,
)

# Facts. The first five are the board's own inputs, as they are read; the others come from the watches.
CHAIN = IN_CHAIN_A | IN_CHAIN_B  # 1: complete
MIRRORS = IN_MIRROR_A | IN_MIRROR_B  # 1: this relay is down
KEY = IN_KEY  # 1: on
INPUTS = CHAIN | MIRRORS | KEY
QUIET = 32  # no ringing voltage on the bus, by a fresh reading
FIT = 64  # generator and battery measured, and sane
BEAT = 128  # the host's heartbeat is fresh
RUN = 256  # a plan that needs ringing is running
WINDOW = 512  # and it is inside its ringing window
FACTS = 1023

READY = CHAIN | MIRRORS | KEY | QUIET | FIT | BEAT | RUN
DOWN = MIRRORS | QUIET  # both relays have fallen, and the bus says so

FAR_US = 1 << 29  # "only when a fact changes"; small enough never to allocate


class Times:
    """The interlock's own times, microseconds. They are constants of the board; tests and exploration set others."""

    def __init__(
        self,
        pump_us=10000,  # between moves
        loop_us=20000,  # longest time between two passes while live
        pull_us=50000,  # the relays have pulled up by then
        hold_us=60000,  # and have not fallen before (the pump's own time constant holds them 40..60 ms)
        drop_us=250000,  # relays down and bus quiet by then: falling, and three readings of the bus
        prove_us=150000,  # three readings of the bus
        apart_us=200000,  # the chain's channels may disagree for so long: common practice, facts of actuators
        odd_us=300000,  # a mirror contact or the bus may be wrong for so long while the pump stands
        key_us=100000,  # the key has been turned when it has read the same for so long
    ):
        self.pump_us = pump_us
        self.loop_us = loop_us
        self.pull_us = pull_us
        self.hold_us = hold_us
        self.drop_us = drop_us
        self.prove_us = prove_us
        self.apart_us = apart_us
        self.odd_us = odd_us
        self.key_us = key_us
        self.age_us = max(pull_us, hold_us, drop_us, prove_us)  # nothing compares the age of a state with more


class Interlock:
    """The machine. `state` G_..., `reason` R_... (why it is there), `wait_us` until time alone may change something."""

    def __init__(self, times=None):
        self.times = times or Times()
        self.state = G_LOCKED
        self.reason = R_LOCKED
        self.wait_us = 0
        self.age_us = 0  # in this state
        self.apart_us = -1  # the channels disagree since; -1: they agree
        self.odd_us = -1  # a mirror or the bus is wrong since, the pump standing; -1: they are not
        self.key = 0  # KEY as last seen; off only with both relays seen down, which shows that the inputs have a supply
        self.key_us = 0  # for so long, since the last trip at most; -1: it cannot be told
        self.pumped_us = 0  # since the last move
        self.seen = False  # KEY_OFF: both channels were seen open. TRIPPED: the key was seen on

    def step(self, elapsed_us, facts, fault):
        """One pass. elapsed_us: since the last one, 0 or more; facts: bits; fault: R_NONE or a watch's reason.

        Return whether the pump moves now.
        """
        times = self.times
        state = self.state
        self.age_us = self._older(self.age_us, elapsed_us, times.age_us)
        key = facts & KEY
        if not key and facts & MIRRORS != MIRRORS:
            self.key_us = -1  # inputs without a supply all read 0: that is nobody's hand
        elif key == self.key:
            self.key_us = self._older(self.key_us, elapsed_us, times.key_us)
        else:
            self.key = key
            self.key_us = 0
        if state == G_TRIPPED:
            self._tripped(facts, fault)
        else:
            self._watch(state, elapsed_us, facts)
            reason = self._reason(state, elapsed_us, facts, fault)
            if reason:
                self._trip(state, reason)
            else:
                self._move(state, facts)
        if self.state == G_LIVE:
            self.pumped_us += elapsed_us
            moves = state != G_LIVE or self.pumped_us >= times.pump_us
            if moves:
                self.pumped_us = 0
            self.wait_us = times.pump_us - self.pumped_us
            if facts & MIRRORS:
                self._wake(times.pull_us - self.age_us)
            return moves
        self.pumped_us = 0
        self._set_wait(facts)
        return False

    def _older(self, age_us, elapsed_us, most_us):
        """Return an age, counted on until just past the most that it is compared with; -1 begins it."""
        if age_us < 0:
            return 0
        age_us += elapsed_us
        return age_us if age_us <= most_us else most_us + 1

    def _watch(self, state, elapsed_us, facts):
        """Count for how long the chain's channels disagree, and a mirror contact or the bus is wrong at rest.

        A key that is off holds both channels open: one that is complete then disagrees with it. (It is the key's wire
        that is open, and a cover that was closed.)
        """
        chain = facts & CHAIN
        if chain and (chain != CHAIN or (state == G_KEY_OFF and not facts & KEY)):
            self.apart_us = self._older(self.apart_us, elapsed_us, self.times.apart_us)
        else:
            self.apart_us = -1
        if state != G_LIVE and state != G_FALLING and facts & DOWN != DOWN:
            self.odd_us = self._older(self.odd_us, elapsed_us, self.times.odd_us)
        else:
            self.odd_us = -1

    def _reason(self, state, elapsed_us, facts, fault):
        """Why to trip now, or R_NONE."""
        times = self.times
        if fault:
            return fault
        if self.apart_us >= times.apart_us:
            return R_STUCK_CHAIN if facts & CHAIN == CHAIN else R_DISCREPANCY
        if state == G_LIVE:
            if facts & CHAIN != CHAIN:
                return R_CHAIN
            if not facts & KEY:
                return R_KEY
            if not facts & BEAT:
                return R_SILENCE
            if not facts & RUN:
                return R_ENDED
            if not facts & FIT:
                return R_SUPPLY
            if elapsed_us > times.loop_us:
                return R_LOOP
            if facts & MIRRORS and self.age_us >= times.pull_us:
                return R_MIRROR
        elif state == G_FALLING:
            if self.age_us >= times.drop_us and facts & DOWN != DOWN:
                return R_NO_SILENCE
        elif self.odd_us >= times.odd_us:
            return R_MIRROR if facts & MIRRORS != MIRRORS else R_BUS
        return R_NONE

    def _move(self, state, facts):
        """Change state where nothing trips."""
        times = self.times
        turned = self.key_us >= times.key_us
        if state == G_LIVE:
            if not facts & WINDOW:
                self._go(G_FALLING)
        elif state == G_FALLING:
            if self.age_us >= times.hold_us and facts & DOWN == DOWN:
                self._go(G_SAFE)
        elif state == G_KEY_OFF:
            if facts & (CHAIN | KEY | MIRRORS) == MIRRORS:
                self.seen = True
            if turned and self.key:
                if self.seen and facts & CHAIN == CHAIN:
                    self.reason = R_NONE
                    self._go(G_SAFE)
                elif self.seen:
                    # Turned on with something open, or it was the key's wire and not the key: once more, all closed.
                    self.reason = R_CHAIN
                    self._go(G_LOCKED)
                else:
                    # A channel that the key does not open is welded or bridged: its stop would not open it either.
                    self._trip(state, R_STUCK_CHAIN)
        elif turned and not self.key:
            self._key_off(facts)
        elif state == G_LOCKED:
            pass
        elif facts & READY != READY:
            self._go(G_SAFE)
        elif state == G_SAFE:
            self._go(G_PROVING)
        elif state == G_PROVING:
            if self.age_us >= times.prove_us:
                self._go(G_ARMED)
        elif facts & WINDOW:
            self._go(G_LIVE)

    def _tripped(self, facts, fault):
        """Latched. Only the key, off for its time after the trip, leads out; what is worse than the trip is told."""
        if self.age_us >= self.times.drop_us and facts & DOWN != DOWN:
            self.reason = R_NO_SILENCE
        elif fault and self.reason != R_NO_SILENCE:  # nothing is worse
            self.reason = fault
        if self.key_us >= self.times.key_us:
            if self.key:
                self.seen = True
            elif self.seen:
                self._watch(G_TRIPPED, 0, facts)
                self._key_off(facts)

    def _trip(self, state, reason):
        self.reason = reason
        # Tripped with the key off already, by nobody's hand: it must go on and off again.
        self.seen = state != G_LOCKED and state != G_KEY_OFF
        self.key_us = min(self.key_us, 0)
        self.apart_us = -1
        self.odd_us = -1
        self._go(G_TRIPPED)

    def _key_off(self, facts):
        self.reason = R_KEY
        self.seen = not facts & CHAIN
        if not self.seen and self.apart_us < 0:
            self.apart_us = 0  # as _watch has it from here on
        self._go(G_KEY_OFF)

    def _go(self, state):
        if state != self.state:
            self.state = state
            self.age_us = 0

    def _set_wait(self, facts):
        """How long until time alone may change something: the nearest limit of those that run."""
        times = self.times
        state = self.state
        self.wait_us = FAR_US
        if self.apart_us >= 0:
            self._wake(times.apart_us - self.apart_us)
        if self.odd_us >= 0:
            self._wake(times.odd_us - self.odd_us)
        if 0 <= self.key_us < times.key_us:
            self._wake(times.key_us - self.key_us)
        if state == G_FALLING:
            self._wake((times.hold_us if facts & DOWN == DOWN else times.drop_us) - self.age_us)
        elif state == G_TRIPPED:
            if facts & DOWN != DOWN and self.age_us < times.drop_us:
                self._wake(times.drop_us - self.age_us)
        elif state == G_SAFE:
            if facts & READY == READY or (not self.key and self.key_us >= times.key_us):
                self._wake(0)
        elif state == G_PROVING:
            self._wake(times.prove_us - self.age_us)
        elif state == G_ARMED and facts & WINDOW:
            self._wake(0)

    def _wake(self, wait_us):
        if wait_us < self.wait_us:
            self.wait_us = wait_us
