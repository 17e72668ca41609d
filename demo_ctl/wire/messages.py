"""The one table of messages and codes. Numbers are only ever added; codes are compared by equality.

A payload is `type u8, sequence u8, body`; little-endian throughout. WIRE.md beside this file is the page from
which a stranger could write the other side. `table_hash()` goes into the hello; sides that differ refuse.

Ports count from 1; port 0 means "none" or "the board itself".
"""

from binascii import crc32
from collections import namedtuple
from struct import pack

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
EV_INPUTS = 11  # the board's own inputs changed. value: IN_... bits
EV_PERMIT = 12  # the unit's supply permit was given or dropped. value: given | reason << 8
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
    "inputs",
    "permit",
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
R_LOCKED = 11  # booted: the key has not been turned off and on yet
R_KEY = 12  # the key is off, or not where it must be
R_DISCREPANCY = 13  # the chain's two channels disagreed for too long
R_STUCK_CHAIN = 14  # the key went off and a channel of the chain did not open
R_MIRROR = 15  # a guard relay is not where its mirror contact should say
R_NO_SILENCE = 16  # the pump stopped, and relays or bus voltage did not follow
R_BUS = 17  # ringing voltage on the bus while the guard is open
R_OVERCURRENT = 18
R_OVERVOLTAGE = 19
R_SUPPLY = 20  # generator or battery voltage is not sane
R_STALE = 21  # the bus is not measured any more
R_BURST = 22  # one burst without a pause
R_CALL = 23  # ringing allowed for too long in one call
R_HOUR = 24  # ringing allowed for too long in one hour
R_LOOP = 25  # the firmware's loop took too long
R_CLOCK = 26  # the board's clock jumped
R_MEMORY = 27  # the board's memory runs out
R_TOKEN = 28  # a check was not made in a pass
R_OFF_HOOK = 29  # a telephone off the hook where none should be
R_PRESENCE = 30  # somebody is there, at night
R_COVERS = 31  # covers not proven closed, at night
R_PLACE = 32  # this end may not be rung in this mode
R_VISITORS = 33  # the visitors' session is over: the key opens another
R_NOT_ARMED = 34  # the guard could not prove itself in time
R_FUSE = 35
R_RELEASE = 36
R_SUPERVISORY = 37
R_SMOKE = 38
R_LEASE = 39  # the supply permit was not asked for again
R_NOT_HOME = 40  # a switch did not come home in time
R_DEAD_BUS = 41  # ringing is let through, and the bus reads as if it were not
R_ISOLATOR = 42  # the chain is open, and the generator still reaches the guard
R_NIGHT_LOST = 43  # the key stood at night, and its night contact opened without the key having been turned off
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
    "locked since the board started",
    "key off",
    "the chain's two channels disagree",
    "a channel of the chain does not open",
    "a guard relay is not where it should be",
    "no silence after ringing was taken off",
    "voltage on the ringing bus with the guard open",
    "too much ringing current",
    "ringing voltage too high",
    "generator or battery voltage not right",
    "the ringing bus is not measured",
    "a burst without its pause",
    "too much ringing in one call",
    "too much ringing in one hour",
    "the board's loop took too long",
    "the board's clock jumped",
    "the board's memory runs out",
    "a check was left out",
    "a telephone off the hook where none should be",
    "somebody is there",
    "covers not proven closed",
    "this line may not be rung now",
    "the visitors' session is over",
    "the guard did not prove itself in time",
    "fuse alarm",
    "release alarm",
    "supervisory alarm",
    "smoke",
    "the supply permit ran out",
    "a switch did not come home",
    "the ringing bus reads dead while ringing is let through",
    "the generator is not isolated with the chain open",
    "the night contact opened, and the key was not turned off",
)

# Guard states (EV_GUARD, BEAT, STATUS).
G_SAFE, G_LIVE, G_LOCKED, G_KEY_OFF, G_PROVING, G_ARMED, G_FALLING, G_TRIPPED = 0, 1, 2, 3, 4, 5, 6, 7
GUARD_STATES = ("safe", "ringing allowed", "locked", "key off", "proving", "armed", "ringing taken off", "tripped")

# What kind of plan (BEGIN): a call, or a visitors' session on monitored ports with limits of its own.
PLAN_CALL, PLAN_VISITORS = 0, 1

# Which limits hold (SAFETY): the key's position and the plan decide.
MODE_DAY, MODE_NIGHT, MODE_VISITORS = 0, 1, 2
MODES = ("day", "night", "visitors")

# The board's limits, in the order of IN_FORCE; TIGHTEN names one by its index. The host may make the first ones
# (before L_PAUSE_MS) smaller, never larger; the rest are constants, told so that a host can prove what is in force.
L_HEARTBEAT_MS = 0  # a silence as long as this releases everything
L_WINDOW_MS = 1  # longest ringing window
L_BURST_MS = 2  # longest ringing without a pause
L_CALL_MS = 3  # longest time that ringing is allowed in one plan
L_HOUR_MS = 4  # and in any one hour
L_CURRENT_mA = 5  # ringing bus, rms
L_CEILING_V = 6  # ringing voltage, rms; a high battery makes it lower by itself
L_PAUSE_MS = 7  # shorter gaps do not end a burst
L_NIGHT_WINDOW_MS, L_NIGHT_BURST_MS, L_NIGHT_CALL_MS, L_NIGHT_HOUR_MS = 8, 9, 10, 11
L_VISITORS_WINDOW_MS, L_VISITORS_BURST_MS, L_VISITORS_CALL_MS, L_VISITORS_HOUR_MS = 12, 13, 14, 15
L_VISITORS_MS = 16  # how long after the key was turned on a visitors' session may run
L_PUMP_US, L_LOOP_US, L_PULL_US, L_HOLD_US, L_DROP_US, L_PROVE_US, L_APART_US, L_ODD_US, L_KEY_US = tuple(range(17, 26))
LIMIT_NAMES = (
    "heartbeat ms",
    "window ms",
    "burst ms",
    "call ms",
    "hour ms",
    "current mA",
    "ceiling V",
    "pause ms",
    "night window ms",
    "night burst ms",
    "night call ms",
    "night hour ms",
    "visitors window ms",
    "visitors burst ms",
    "visitors call ms",
    "visitors hour ms",
    "visitors session ms",
    "pump us",
    "loop us",
    "pull us",
    "hold us",
    "drop us",
    "prove us",
    "apart us",
    "odd us",
    "key us",
)

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
IN_NIGHT = 64  # the key stands at night (IN_KEY reads 1 too)
IN_COVERS = 128  # the covers' second contacts: proven closed
IN_ALONE = 256  # the presence detector sees nobody
IN_FUSE, IN_RELEASE, IN_SUPERVISORY, IN_SMOKE = 512, 1024, 2048, 4096  # alarm contacts: open is alarm
INPUTS = (
    "chain A",
    "chain B",
    "mirror A",
    "mirror B",
    "key",
    "button",
    "key at night",
    "covers",
    "nobody there",
    "fuse alarm contact",
    "release alarm contact",
    "supervisory alarm contact",
    "smoke contact",
)

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
Begin = _message(0x04, "Begin", "<IHBBBBB", ("plan", "total", "role1", "role2", "role3", "role4", "kind"))
Load = _message(0x05, "Load", "<HB", ("first", "many", "data"), True)  # data: so many instructions of 12 bytes
Commit = _message(0x06, "Commit", "<II", ("plan", "crc"))  # crc: CRC-32 of all instructions, in order
Start = _message(0x07, "Start", "<I", ("plan",))
Go = _message(0x08, "Go", "<H", ("gate",))
Stop = _message(0x09, "Stop", "<B", ("reason",))
StatusRequest = _message(0x0A, "StatusRequest", "<I", ("nonce",))  # answered by STATUS
# 0x0B was a message of two limits; its number is not used again.
Tighten = _message(0x0C, "Tighten", "<BI", ("which", "value"))  # which: L_...
SafetyRequest = _message(0x0D, "SafetyRequest", "<I", ("nonce",))  # answered by SAFETY
LimitsRequest = _message(0x0E, "LimitsRequest", "<I", ("nonce",))  # answered by IN_FORCE
TripRequest = _message(0x0F, "TripRequest", "<IB", ("nonce", "back"))  # answered by TRIP; back: 0 is the newest
Permit = _message(0x10, "Permit", "<HB", ("lease_ms", "reason"))  # 0 ms: given up, reason R_LEASE or R_NOT_HOME
Lamps = _message(0x11, "Lamps", "<HH", ("lit", "blink"))  # bit 0: lamp 1; blink: those of the lit ones that blink

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
        "firmware",  # a number worked out from its sources: other sources, another number
        "ports",
        "simulated",  # 1 on a bench whose guard was proven as it was opened, 2 on one where it was not
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
Beat = _message(0x83, "Beat", "<QBBH", ("now_us", "plan_state", "guard", "inputs"))
Event = _message(0x84, "Event", "<IQBBI", ("number", "at_us", "kind", "port", "value"))
Status = _message(
    0x85,
    "Status",
    "<IQBBHBHHI",
    ("nonce", "now_us", "plan_state", "reason", "step", "guard", "levels", "inputs", "bad_frames"),
)  # levels: bit (port - 1) * 4 + signal, debounced
Audio = _message(0x86, "Audio", "<QQB", ("first", "at_us", "port", "data"), True)  # data: 16-bit words

Safety = _message(
    0x87,
    "Safety",
    "<IQQBBBBHHIIIIIIBBB",
    (
        "nonce",
        "now_us",
        "board",  # the chip's own number
        "state",  # G_...
        "reason",  # why it is there
        "obstacle",  # what would keep ringing from being allowed now (R_...); R_NONE: nothing
        "mode",  # MODE_...
        "inputs",
        "exercised",  # IN_... bits that were seen in both positions since the board started
        "bus_mV",  # ringing bus behind the guard, rms
        "bus_uA",
        "supply_mV",  # generator in front of the guard, rms
        "battery_mV",
        "call_left_ms",  # how long ringing may still be allowed in this call
        "hour_left_ms",  # and in this hour
        "trips",  # since the board started, 255 at most
        "permit",  # 1: the unit's supply is permitted
        "permit_reason",  # R_...: why not
    ),
)
InForce = _message(0x88, "InForce", "<II", ("nonce", "digest", "data"), True)  # data: LIMIT_NAMES values, 32 bits each
Trip = _message(
    0x89,
    "Trip",
    "<IBQBBBBHHIIIIII",
    (
        "nonce",
        "back",
        "at_us",
        "reason",  # R_NONE: there was no such trip
        "worse",  # R_NO_SILENCE when silence did not follow; else R_NONE
        "state",  # the guard's state before
        "port",  # who was being rung
        "inputs",
        "levels",
        "bus_mV",
        "bus_uA",
        "supply_mV",
        "battery_mV",
        "plan",
        "step",
    ),
)

# Requests that are answered by a message of their own, which carries the request's nonce; all others by ANSWER.
REPLIES = {
    Hello: Welcome,
    StatusRequest: Status,
    SafetyRequest: Safety,
    LimitsRequest: InForce,
    TripRequest: Trip,
}

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


def limits_digest(data, firmware):
    """Return the digest of IN_FORCE: of the limits' bytes, this table and the firmware's number together."""
    return crc32(pack("<IH", TABLE_HASH, firmware), crc32(data))
