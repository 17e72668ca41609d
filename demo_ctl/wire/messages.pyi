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
G_OFF: int
G_ALLOWED: int
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

class Limits(NamedTuple):
    heartbeat_ms: int
    ring_window_ms: int

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

class Instruction(NamedTuple):
    op: int
    port: int
    x: int
    a: int
    b: int
