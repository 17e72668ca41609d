"""The ringing bus and its supply, as measured: quiet, fit, or at fault. Pure: no pins, no clock.

The board's converter gives one reading a ringing cycle (50 ms at 20 Hz): mean squares, as root mean squares. *Bus* is
behind the guard's contacts, *supply* is the generator in front of them (and behind the isolating contactor: absent
while the chain is open), *battery* the direct voltage that ringing rides on. Time without a new reading is counted; a
converter that stops is a fault, not silence.

The ceiling is the lower of the limit in force and (200 V - battery) / sqrt 2: ringing must stay below 200 V peak to
earth with the battery under it (from memory: IEC 60950-1 annex M.3.1.2, IEC 62368-1 annex H).
"""

from demo_ctl.wire.messages import R_NONE, R_OVERCURRENT, R_OVERVOLTAGE, R_STALE

STALE_US = 160000  # three readings
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
        self.reading = (0, 0, 0, 0, 0)  # count, bus_mV, bus_uA, supply_mV, battery_mV
        self.stale_us = 0  # since the last new reading
        self._over = 0
        self._seen = 0  # readings count from 1; before the first, nothing is known

    def step(self, elapsed_us, reading, live, current_uA, limit_mV, flows_uA):
        """Take the newest reading. live: the guard lets the generator through. Return R_NONE or a fault."""
        self.reading = reading
        if reading[0] == self._seen:
            self.stale_us = min(self.stale_us + elapsed_us, STALE_US)
            if self.stale_us == STALE_US:
                self.quiet = self.fit = self.flows = False
                return R_STALE
            return R_NONE
        self._seen = reading[0]
        self.stale_us = 0
        bus_mV = reading[1]
        most_mV = ceiling_mV(limit_mV, reading[4])
        self.quiet = bus_mV < QUIET_MV
        self.flows = reading[2] >= flows_uA
        self.fit = LEAST_SUPPLY_MV <= reading[3] <= most_mV and LEAST_BATTERY_MV <= reading[4] <= MOST_BATTERY_MV
        if not live or reading[2] <= current_uA:
            self._over = 0
        elif self._over < OVER_MOST:
            self._over += 1
        if self._over == OVER_MOST:
            return R_OVERCURRENT
        if live and bus_mV > most_mV:
            return R_OVERVOLTAGE
        return R_NONE

    def left_us(self):
        """Return how long it may take until the next reading."""
        return STALE_US - self.stale_us
