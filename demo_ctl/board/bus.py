"""The ringing bus and its supply, as measured: quiet, fit, or at fault. Pure: no pins, no clock.

The board's converter gives one reading a ringing cycle (50 ms at 20 Hz): mean squares, as root mean squares. *Bus* is
behind the guard's contacts, *supply* is the generator in front of them (and behind the isolating contactor: absent
while the chain is open), *battery* the direct voltage that ringing rides on. Time without a new reading is counted; a
converter that stops is a fault, not silence. A supply that stays with the chain open is a fault too: the isolating
contactor is welded or passed by, and would not take the generator off when somebody opens a cover.

The ceiling is the lower of the limit in force and (200 V - battery) / sqrt 2: ringing must stay below 200 V peak to
earth with the battery under it (from memory: IEC 60950-1 annex M.3.1.2, IEC 62368-1 annex H).
"""

from demo_ctl.wire.messages import R_ISOLATOR, R_NONE, R_OVERCURRENT, R_OVERVOLTAGE, R_STALE

STALE_US = 160000  # three readings
ISOLATED_US = 300000  # the isolating contactor has dropped, and readings have shown it
QUIET_MV = 10000  # rms. 40 V peak, which is 28 V rms, is not generally dangerous (IEC 950, as published)
LEAST_SUPPLY_MV = 60000  # less than this is no ringing generator: 75 V and its tolerance
LEAST_BATTERY_MV = 42000
MOST_BATTERY_MV = 56500
PEAK_MOST_MV = 200000
OVER_MOST = 2  # readings in a row: the first may hold the jerk of a capacitor being charged


def ceiling_mV(limit_mV, battery_mV):
    """Return the highest rms voltage that ringing may have now."""
    # 1.415 is above sqrt 2: what is left out by whole numbers is on the safe side.
    by_peak_mV = (PEAK_MOST_MV - battery_mV) * 1000 // 1415 if battery_mV < PEAK_MOST_MV else 0
    return by_peak_mV if by_peak_mV < limit_mV else limit_mV


class Bus:
    """What the readings say. quiet: no ringing voltage behind the guard. fit: generator and battery are sane."""

    def __init__(self):
        self.quiet = False
        self.fit = False
        self.flows = False  # ringing current flows
        self.fed = False  # the generator's voltage is there, in front of the guard
        self.reading = (0, 0, 0, 0, 0)  # count, bus_mV, bus_uA, supply_mV, battery_mV
        self.stale_us = 0  # since the last new reading
        self._fed_us = -1  # there with the chain open since; -1: not so
        self._over = 0
        self._seen = 0  # readings count from 1; before the first, nothing is known

    def step(self, elapsed_us, reading, live, is_open, current_uA, limit_mV, flows_uA):
        """Take the newest reading. live: the guard lets the generator through. is_open: the chain is not complete.

        Return R_NONE or a fault.
        """
        fault = R_NONE
        self.reading = reading
        if reading[0] == self._seen:
            self.stale_us = min(self.stale_us + elapsed_us, STALE_US)
            if self.stale_us == STALE_US:
                self.quiet = self.fit = self.flows = self.fed = False
                fault = R_STALE
        else:
            self._seen = reading[0]
            self.stale_us = 0
            most_mV = ceiling_mV(limit_mV, reading[4])
            self.quiet = reading[1] < QUIET_MV
            self.flows = reading[2] >= flows_uA
            self.fed = reading[3] >= QUIET_MV
            self.fit = LEAST_SUPPLY_MV <= reading[3] <= most_mV and LEAST_BATTERY_MV <= reading[4] <= MOST_BATTERY_MV
            if not live or reading[2] <= current_uA:
                self._over = 0
            elif self._over < OVER_MOST:
                self._over += 1
            if self._over == OVER_MOST:
                fault = R_OVERCURRENT
            elif live and reading[1] > most_mV:
                fault = R_OVERVOLTAGE
        if not is_open or not self.fed:
            self._fed_us = -1
        elif self._fed_us < 0:
            self._fed_us = 0
        else:
            self._fed_us = min(self._fed_us + elapsed_us, ISOLATED_US)
            if self._fed_us == ISOLATED_US:
                fault = R_ISOLATOR  # the worst of them: no open cover takes this generator off
        return fault

    def left_us(self):
        """Return how long it may take until the next reading."""
        return STALE_US - self.stale_us

    def stays_us(self):
        """Return when a supply that is there with the chain open will be a fault; -1: it is not there, or is one."""
        return ISOLATED_US - self._fed_us if 0 <= self._fed_us < ISOLATED_US else -1
