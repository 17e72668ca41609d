"""The one table of messages and codes. Numbers are only ever added; codes are compared by equality.

A payload is `type u8, sequence u8, body`; little-endian throughout. WIRE.md beside this file is the page from
which a stranger could write the other side. `table_hash()` goes into the hello; sides that differ refuse.

Ports count from 1; port 0 means "none" or "the board itself".
"""

from binascii import crc32
from collections import namedtuple

PROTOCOL = 1

# Signals of a port, as sensed. A level is 0 or 1.
LOOP = 0  # loop current present: calling port, current in our loop; called port, current once answered
NORMAL = 1  # battery of normal polarity across the line (isolated comparator, more than 5 Mohm)
REVERSED = 2  # battery of reversed polarity
RINGING = 3  # ringing voltage present: envelope, with the attack and hold that WELCOME declares
SIGNALS = ("loop", "normal", "reversed", "ringing")

# Roles of a port.
UNUSED, CALLING, CALLED, MONITORED, DIAL_BENCH = 0, 1, 2, 3, 4

# Instructions of a timeline. x is 16 bits, a and b are 32.
OP_WAIT = 1  # a: microseconds after the instant the instruction before ended
OP_LOOP = 2  # x: 1 close the port's loop, 0 open it
OP_PULSES = 3  # x: how many, a: break in us, b: make in us; ends with the last make
OP_WAIT_FOR = 4  # x: signal << 1 | level | count << 8; a: limit in us; b: 0 go on at the limit, 1 end the plan
OP_GATE = 5  # x: gate number; a: limit in us; b: 0 go on at the limit, 1 end the plan
OP_LISTEN = 6  # x: 1 stream the port's audio, 0 stop
OP_RINGING = 7  # x: 1 ringing may run from here, for at most a us; 0 window closed. port: who may be rung
OPS = ("", "wait", "loop", "pulses", "wait for", "gate", "listen", "ringing")

# How an instruction ended (in ENDED).
DONE, MET, LIMIT, STOPPED, OPENED = 0, 1, 2, 3, 4
ENDINGS = ("done", "met", "limit", "stopped", "opened")

# Kinds of event. `value` is 32 bits.
EV_EDGE = 1  # raw edge. value: signal << 1 | level
EV_STATE = 2  # debounced. value: signal << 1 | level; the stamp is when the level began
EV_BEGAN = 3  # PULSES, WAIT_FOR or GATE began. value: index
EV_ENDED = 4  # any instruction ended. value: index | ending << 16
EV_PLAN = 5  # value: plan state | reason << 8
EV_GUARD = 6  # value: ringing guard state | reason << 8
EV_EDGES_LOST = 7  # value: raw edges of this port not reported (rate limit) since the last such event
EV_AUDIO_LOST = 8  # value: audio blocks dropped since the last such event
EV_OVERFLOW = 9  # the event queue was full: lines released, plan ended. value: events not queued
EV_BOOT = 10  # first event after a boot. value: 0
EVENTS = (
    "",
    "edge",
    "state",
    "began",
    "ended",
    "plan",
    "guard",
    "edges lost",
    "audio lost",
    "overflow",
    "boot",
)

# Plan states (EV_PLAN, BEAT, STATUS).
IDLE, LOADING, READY, RUNNING, FINISHED, ENDED_EARLY = 0, 1, 2, 3, 4, 5
PLAN_STATES = ("idle", "loading", "ready", "running", "finished", "ended early")

# Why a plan ended early, and why ringing was withdrawn.
R_NONE = 0
R_STOP = 1  # the host said stop
R_SILENCE = 2  # no heartbeat
R_LIMIT = 3  # an instruction reached its limit and asked to end the plan
R_OVERFLOW = 4  # the event queue was full
R_LATE = 5  # an instruction could not be performed on time
R_WINDOW = 6  # the ringing window's limit
R_CHAIN = 7  # the interlock chain is open
R_ENDED = 8  # the plan ended
R_UNEXPECTED_RINGING = 9  # ringing on a port where none is expected
R_NEW_HELLO = 10  # another hello arrived while a plan ran
R_NAMES = (
    "",
    "stopped by the host",
    "heartbeat lost",
    "an awaited condition did not come",
    "event queue full",
    "instruction late",
    "ringing window over",
    "interlock chain open",
    "plan ended",
    "ringing where none is expected",
    "another host said hello",
)

# Guard states (EV_GUARD, BEAT, STATUS).
G_OFF, G_ALLOWED = 0, 1
GUARD_STATES = ("off", "ringing allowed")

# Answer codes (ANSWER).
OK = 0
E_UNKNOWN = 1  # no such message
E_STATE = 2  # not now (detail: plan state)
E_RANGE = 3  # a value is outside what this board does (detail: instruction index or 0)
E_ROLE = 4  # that port's role does not allow it (detail: instruction index)
E_CHECK = 5  # upload incomplete or its check sum is wrong
E_VERSION = 6  # protocol or table differs
E_FULL = 7  # more instructions than fit
E_LOOSER = 8  # a limit may be tightened, never loosened
ANSWERS = (
    "ok",
    "unknown message",
    "not possible in this state",
    "value out of range",
    "the port's role does not allow it",
    "upload incomplete or damaged",
    "protocol version or message table differs",
    "too many instructions",
    "a limit may be tightened, never loosened",
)

# Inputs of the board (BEAT, STATUS): 1 is the safe-to-run reading; a broken wire reads 0.
IN_CHAIN_A, IN_CHAIN_B, IN_MIRROR_A, IN_MIRROR_B, IN_KEY, IN_BUTTON = 1, 2, 4, 8, 16, 32

TABLE = {}  # type code -> (constructor, struct of the fixed part, whether bytes follow it)
CODES = {}  # constructor -> type code
_TEXT = []


def _message(code, name, layout, fields, tail=False):
    kind = namedtuple(name, fields)
    TABLE[code] = (kind, layout, tail)
    CODES[kind] = code
    _TEXT.append("%d %s %s %s %d" % (code, name, layout, ",".join(fields), tail))
    return kind


# Host to board.
Hello = _message(0x01, "Hello", "<BII", ("protocol", "table", "nonce"))
Heartbeat = _message(0x02, "Heartbeat", "<I", ("next_event",))  # answered by BEAT, never retried
EventAck = _message(0x03, "EventAck", "<IB", ("next_event", "resend"))  # not answered
Begin = _message(0x04, "Begin", "<IHBBBB", ("plan", "total", "role1", "role2", "role3", "role4"))
Load = _message(0x05, "Load", "<HB", ("first", "many", "data"), True)  # data: so many instructions of 12 bytes
Commit = _message(0x06, "Commit", "<II", ("plan", "crc"))  # crc: CRC-32 of all instructions, in order
Start = _message(0x07, "Start", "<I", ("plan",))
Go = _message(0x08, "Go", "<H", ("gate",))
Stop = _message(0x09, "Stop", "<B", ("reason",))
StatusRequest = _message(0x0A, "StatusRequest", "<I", ("nonce",))  # answered by STATUS
Limits = _message(0x0B, "Limits", "<HI", ("heartbeat_ms", "ring_window_ms"))  # 0: leave as it is

# Board to host.
Welcome = _message(
    0x81,
    "Welcome",
    "<BIIIQHBBHHIHHHHHHHHH",
    (
        "protocol",
        "table",
        "nonce",  # of the hello it answers
        "boot",  # a number that differs from boot to boot
        "now_us",
        "firmware",  # major << 8 | minor
        "ports",
        "simulated",  # 1 on the bench
        "max_instructions",
        "heartbeat_ms",  # a silence longer than this releases everything
        "ring_window_ms",  # longest ringing window
        "edges_per_s",  # raw edges reported a port, sustained
        "edge_burst",  # and in one burst
        "stamp_blur_us",  # full width of the uncertainty of an output's stamp
        "loop_blur_us",  # full width, stamp of a LOOP edge
        "battery_blur_us",  # full width, stamp of a NORMAL or REVERSED edge
        "ring_attack_us",  # RINGING reads 1 at most this long after ringing began
        "ring_hold_us",  # RINGING reads 0 this long after the last peak above threshold
        "audio_hz",
        "audio_block",  # samples a block
    ),
)
Answer = _message(0x82, "Answer", "<BBI", ("to", "code", "detail"))  # to: sequence of the command
Beat = _message(0x83, "Beat", "<QBBB", ("now_us", "plan_state", "guard", "inputs"))
Event = _message(0x84, "Event", "<IQBBI", ("number", "at_us", "kind", "port", "value"))
Status = _message(
    0x85,
    "Status",
    "<IQBBHBHBI",
    ("nonce", "now_us", "plan_state", "reason", "step", "guard", "levels", "inputs", "bad_frames"),
)  # levels: bit (port - 1) * 4 + signal, debounced
Audio = _message(0x86, "Audio", "<QQB", ("first", "at_us", "port", "data"), True)  # data: 16-bit words

# One instruction of a timeline.
Instruction = namedtuple("Instruction", ("op", "port", "x", "a", "b"))
INSTRUCTION = "<BBHII"
INSTRUCTION_BYTES = 12
LOAD_MOST = 16  # instructions a LOAD frame

AUDIO_HZ = 8000
AUDIO_BLOCK = 112  # samples a block: 14 ms, 224 bytes
AUDIO_BLOCK_US = 14000
# Where the converter's 12 bits rest in silence. The bias is set a little above the middle on purpose: at 0x0880 neither
# byte is zero within 128 counts, so that a quiet line makes short work for the framing.
AUDIO_REST = 2176

TABLE_HASH = crc32("\n".join(_TEXT).encode())  # both sides must have been built from the same table
