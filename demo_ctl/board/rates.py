"""How many raw edges are reported, and how what is left out is declared. Pure: no pins, no clock of its own."""

from demo_ctl.board.limits import EDGE_BURST, EDGES_PER_S, FAR_US, LOSS_REPORT_US

EDGE_US = 1000000 // EDGES_PER_S  # what an edge costs
FULL_US = EDGE_BURST * EDGE_US


class Bucket:
    """A bucket of time: it fills as time passes, and every reported edge takes its share out."""

    def __init__(self):
        self._has_us = FULL_US
        self._at_us = 0

    def allow(self, at_us):
        """Return whether an edge at this instant is reported. Instants never go back."""
        has_us = self._has_us + at_us - self._at_us
        if has_us > FULL_US:
            has_us = FULL_US
        self._at_us = at_us
        if has_us < EDGE_US:
            self._has_us = has_us
            return False
        self._has_us = has_us - EDGE_US
        return True


class Losses:
    """Counts of what was lost, by kind and port, each told at most every LOSS_REPORT_US."""

    def __init__(self):
        self.next_us = FAR_US
        self._open = {}  # (kind, port) -> [due_us, count]

    def note(self, at_us, kind, port, count):
        """Count a loss at this instant."""
        key = (kind, port)
        entry = self._open.get(key)
        if entry:
            entry[1] += count
            return
        due_us = at_us + LOSS_REPORT_US  # the report before was not later than now
        self._open[key] = [due_us, count]
        if due_us < self.next_us:
            self.next_us = due_us

    def pop(self):
        """Return (kind, port, count) of the report due at next_us."""
        due_us = self.next_us
        keys = [key for key, entry in self._open.items() if entry[0] == due_us]
        key = min(keys)  # dictionaries keep no order on the chip
        count = self._open.pop(key)[1]
        self.next_us = FAR_US
        for entry in self._open.values():
            self.next_us = min(self.next_us, entry[0])
        return key[0], key[1], count

    def clear(self):
        """Forget everything: another host is here."""
        self._open.clear()
        self.next_us = FAR_US
