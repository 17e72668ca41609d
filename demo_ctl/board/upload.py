"""An uploaded timeline: kept as the bytes that came, each instruction checked before it is kept."""

import struct
from binascii import crc32

from demo_ctl.board.limits import (
    GATE_MOST_US,
    INSTRUCTIONS_MOST,
    PULSE_LEAST_US,
    PULSE_MOST_US,
    PULSES_MOST,
    WAIT_MOST_US,
)
from demo_ctl.wire.messages import (
    CALLED,
    CALLING,
    DIAL_BENCH,
    E_CHECK,
    E_FULL,
    E_RANGE,
    E_ROLE,
    INSTRUCTION,
    INSTRUCTION_BYTES,
    MONITORED,
    OK,
    OP_GATE,
    OP_LISTEN,
    OP_LOOP,
    OP_PULSES,
    OP_RINGING,
    OP_WAIT,
    OP_WAIT_FOR,
    PLAN_CALL,
    UNUSED,
)


def check(instruction, roles, ring_window_us):
    """Return OK, E_RANGE or E_ROLE for one (op, port, x, a, b). roles: one byte a port, [0] unused."""
    op, port, x, a, b = instruction
    if port >= len(roles):
        return E_RANGE
    role = roles[port]  # of port 0: UNUSED
    if op == OP_WAIT:
        return OK if a <= WAIT_MOST_US else E_RANGE
    if op == OP_GATE:
        return OK if a <= GATE_MOST_US and b <= 1 else E_RANGE
    if op == OP_LISTEN:
        if x > 1:
            return E_RANGE
        return OK if role != UNUSED or not x else E_ROLE
    if op == OP_LOOP:
        if x > 1:
            return E_RANGE
        return OK if role in (CALLING, CALLED) else E_ROLE
    if op == OP_PULSES:
        if not (
            1 <= x <= PULSES_MOST and PULSE_LEAST_US <= a <= PULSE_MOST_US and PULSE_LEAST_US <= b <= PULSE_MOST_US
        ):
            return E_RANGE
        return OK if role == CALLING else E_ROLE
    if op == OP_WAIT_FOR:
        if x & 0xF8 or not x >> 8 or a > WAIT_MOST_US or b > 1:  # a count of 0 waits for nothing
            return E_RANGE
        return OK if role != UNUSED else E_ROLE
    if op == OP_RINGING:
        if x > 1 or (x and not 0 < a <= ring_window_us):
            return E_RANGE
        return OK if role in (CALLED, MONITORED) or not x else E_ROLE
    return E_RANGE


class Upload:
    """BEGIN, LOADs in order, COMMIT. Every method returns (answer code, detail)."""

    def __init__(self, ports):
        self.plan = 0
        self.total = 0
        self.kind = PLAN_CALL
        self.rings = False  # some instruction opens a ringing window
        self.roles = bytearray(ports + 1)
        self._bytes = bytearray(INSTRUCTIONS_MOST * INSTRUCTION_BYTES)
        self._have = 0
        self._crc = 0

    def begin(self, plan, total, roles, kind=PLAN_CALL):
        """Start anew. roles: one number for each of four ports, UNUSED for a port this board does not have."""
        if total > INSTRUCTIONS_MOST:
            return E_FULL, INSTRUCTIONS_MOST
        if not total:
            return E_RANGE, 0
        ports = len(self.roles) - 1
        for i, role in enumerate(roles):
            if role > DIAL_BENCH or (i >= ports and role != UNUSED):
                return E_RANGE, 0
        self.plan = plan
        self.total = total
        self.kind = kind
        self.rings = False
        for i in range(ports):
            self.roles[i + 1] = roles[i]
        self._have = self._crc = 0
        return OK, 0

    def load(self, first, many, data, ring_window_us):
        """Take `many` instructions, the first of them with index `first`; the detail is the index of a bad one."""
        if first != self._have or not many or len(data) != many * INSTRUCTION_BYTES or first + many > self.total:
            return E_CHECK, self._have
        for i in range(many):
            instruction = struct.unpack_from(INSTRUCTION, data, i * INSTRUCTION_BYTES)
            code = check(instruction, self.roles, ring_window_us)
            if code != OK:
                return code, first + i
            if instruction[0] == OP_RINGING and instruction[2]:
                self.rings = True
        self._bytes[first * INSTRUCTION_BYTES : (first + many) * INSTRUCTION_BYTES] = data
        self._have += many
        self._crc = crc32(data, self._crc)
        return OK, 0

    def commit(self, plan, crc):
        """Everything here, and undamaged?"""
        if plan != self.plan or self._have != self.total or crc != self._crc:
            return E_CHECK, self._have
        return OK, 0

    def instruction(self, index):
        """Return (op, port, x, a, b)."""
        return struct.unpack_from(INSTRUCTION, self._bytes, index * INSTRUCTION_BYTES)
