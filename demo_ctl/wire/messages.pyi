"""Types of messages.py, for mypy: the module itself must run in MicroPython, which has no typing."""

from typing import Any, NamedTuple

PROTOCOL: int
LOOP: int
NORMAL: int
REVERSED: int
RINGING: int
SIGNALS: tuple[str, ...]
UNUSED: int
CALLING: int
CALLED: int
MONITORED: int
DIAL_BENCH: int
OP_WAIT: int
OP_LOOP: int
OP_PULSES: int
OP_WAIT_FOR: int
OP_GATE: int
OP_LISTEN: int
OP_RINGING: int
OPS: tuple[str, ...]
DONE: int
MET: int
LIMIT: int
STOPPED: int
OPENED: int
ENDINGS: tuple[str, ...]
EV_EDGE: int
EV_STATE: int
EV_BEGAN: int
EV_ENDED: int
EV_PLAN: int
EV_GUARD: int
EV_EDGES_LOST: int
EV_AUDIO_LOST: int
EV_OVERFLOW: int
EV_BOOT: int
EV_INPUTS: int
EV_PERMIT: int
EVENTS: tuple[str, ...]
IDLE: int
LOADING: int
READY: int
RUNNING: int
FINISHED: int
ENDED_EARLY: int
PLAN_STATES: tuple[str, ...]
R_NONE: int
R_STOP: int
R_SILENCE: int
R_LIMIT: int
R_OVERFLOW: int
R_LATE: int
R_WINDOW: int
R_CHAIN: int
R_ENDED: int
R_UNEXPECTED_RINGING: int
R_NEW_HELLO: int
R_NAMES: tuple[str, ...]
GUARD_STATES: tuple[str, ...]
OK: int
E_UNKNOWN: int
E_STATE: int
E_RANGE: int
E_ROLE: int
E_CHECK: int
E_VERSION: int
E_FULL: int
E_LOOSER: int
ANSWERS: tuple[str, ...]
IN_CHAIN_A: int
IN_CHAIN_B: int
IN_MIRROR_A: int
IN_MIRROR_B: int
IN_KEY: int
IN_BUTTON: int
R_LOCKED: int
R_KEY: int
R_DISCREPANCY: int
R_STUCK_CHAIN: int
R_MIRROR: int
R_NO_SILENCE: int
R_BUS: int
R_OVERCURRENT: int
R_OVERVOLTAGE: int
R_SUPPLY: int
R_STALE: int
R_BURST: int
R_CALL: int
R_HOUR: int
R_LOOP: int
R_CLOCK: int
R_MEMORY: int
R_TOKEN: int
R_OFF_HOOK: int
R_PRESENCE: int
R_COVERS: int
R_PLACE: int
R_VISITORS: int
R_NOT_ARMED: int
R_FUSE: int
R_RELEASE: int
R_SUPERVISORY: int
R_SMOKE: int
R_LEASE: int
R_NOT_HOME: int
R_DEAD_BUS: int
R_ISOLATOR: int
R_NIGHT_LOST: int
G_SAFE: int
G_LIVE: int
G_LOCKED: int
G_KEY_OFF: int
G_PROVING: int
G_ARMED: int
G_FALLING: int
G_TRIPPED: int
PLAN_CALL: int
PLAN_VISITORS: int
MODE_DAY: int
MODE_NIGHT: int
MODE_VISITORS: int
L_HEARTBEAT_MS: int
L_WINDOW_MS: int
L_BURST_MS: int
L_CALL_MS: int
L_HOUR_MS: int
L_CURRENT_mA: int
L_CEILING_V: int
L_PAUSE_MS: int
L_NIGHT_WINDOW_MS: int
L_NIGHT_BURST_MS: int
L_NIGHT_CALL_MS: int
L_NIGHT_HOUR_MS: int
L_VISITORS_WINDOW_MS: int
L_VISITORS_BURST_MS: int
L_VISITORS_CALL_MS: int
L_VISITORS_HOUR_MS: int
L_VISITORS_MS: int
L_PUMP_US: int
L_LOOP_US: int
L_PULL_US: int
L_HOLD_US: int
L_DROP_US: int
L_PROVE_US: int
L_APART_US: int
L_ODD_US: int
L_KEY_US: int
IN_NIGHT: int
IN_COVERS: int
IN_ALONE: int
IN_FUSE: int
IN_RELEASE: int
IN_SUPERVISORY: int
IN_SMOKE: int
MODES: tuple[str, ...]
LIMIT_NAMES: tuple[str, ...]
INPUTS: tuple[str, ...]
REPLIES: dict[Any, Any]
INSTRUCTION: str
INSTRUCTION_BYTES: int
LOAD_MOST: int
AUDIO_HZ: int
AUDIO_BLOCK: int
AUDIO_BLOCK_US: int
AUDIO_REST: int
TABLE_HASH: int
TABLE: dict[int, tuple[Any, str, bool]]
CODES: dict[Any, int]

class Hello(NamedTuple):
    protocol: int
    table: int
    nonce: int

class Heartbeat(NamedTuple):
    next_event: int

class EventAck(NamedTuple):
    next_event: int
    resend: int

class Begin(NamedTuple):
    plan: int
    total: int
    role1: int
    role2: int
    role3: int
    role4: int
    kind: int

class Load(NamedTuple):
    first: int
    many: int
    data: bytes

class Commit(NamedTuple):
    plan: int
    crc: int

class Start(NamedTuple):
    plan: int

class Go(NamedTuple):
    gate: int

class Stop(NamedTuple):
    reason: int

class StatusRequest(NamedTuple):
    nonce: int

class Tighten(NamedTuple):
    which: int
    value: int

class SafetyRequest(NamedTuple):
    nonce: int

class LimitsRequest(NamedTuple):
    nonce: int

class TripRequest(NamedTuple):
    nonce: int
    back: int

class Permit(NamedTuple):
    lease_ms: int
    reason: int

class Lamps(NamedTuple):
    lit: int
    blink: int

class Welcome(NamedTuple):
    protocol: int
    table: int
    nonce: int
    boot: int
    now_us: int
    firmware: int
    ports: int
    simulated: int
    max_instructions: int
    heartbeat_ms: int
    ring_window_ms: int
    edges_per_s: int
    edge_burst: int
    stamp_blur_us: int
    loop_blur_us: int
    battery_blur_us: int
    ring_attack_us: int
    ring_hold_us: int
    audio_hz: int
    audio_block: int

class Answer(NamedTuple):
    to: int
    code: int
    detail: int

class Beat(NamedTuple):
    now_us: int
    plan_state: int
    guard: int
    inputs: int

class Event(NamedTuple):
    number: int
    at_us: int
    kind: int
    port: int
    value: int

class Status(NamedTuple):
    nonce: int
    now_us: int
    plan_state: int
    reason: int
    step: int
    guard: int
    levels: int
    inputs: int
    bad_frames: int

class Audio(NamedTuple):
    first: int
    at_us: int
    port: int
    data: bytes

class Safety(NamedTuple):
    nonce: int
    now_us: int
    board: int
    state: int
    reason: int
    obstacle: int
    mode: int
    inputs: int
    exercised: int
    bus_mV: int
    bus_uA: int
    supply_mV: int
    battery_mV: int
    call_left_ms: int
    hour_left_ms: int
    trips: int
    permit: int
    permit_reason: int

class InForce(NamedTuple):
    nonce: int
    digest: int
    data: bytes

class Trip(NamedTuple):
    nonce: int
    back: int
    at_us: int
    reason: int
    worse: int
    state: int
    port: int
    inputs: int
    levels: int
    bus_mV: int
    bus_uA: int
    supply_mV: int
    battery_mV: int
    plan: int
    step: int

def limits_digest(data: bytes, firmware: int) -> int: ...

class Instruction(NamedTuple):
    op: int
    port: int
    x: int
    a: int
    b: int
