"""What this board does at most. The host may tighten the first two, never loosen any (see firmware.Firmware)."""

HEARTBEAT_MS = 600  # a silence as long as this releases everything
RING_WINDOW_MS = 90000  # longest ringing window, rests of less than RING_REST_US included

HEARTBEAT_LEAST_MS = 250  # a host beats every 200 ms: a tighter limit would end every session
RING_REST_US = 1000000  # a window opened sooner than this after the last one closed goes on counting from that one

INSTRUCTIONS_MOST = 300
PULSES_MOST = 20  # the longest digit has 10; 20 leaves room for margin trials
PULSE_LEAST_US = 5000  # break or make
PULSE_MOST_US = 2000000
WAIT_MOST_US = 600000000  # WAIT and WAIT_FOR: 10 minutes
GATE_MOST_US = 3600000000  # a presenter talks: 1 hour

LATE_US = 20000  # an instruction later than this ends the plan
PUMP_US = 10000  # the pump's grid; the guard's relays fall 40..60 ms after its last move
UNEXPECTED_GRACE_US = 200000  # ringing begun this soon after a window closed is the guard's own release time

EDGES_PER_S = 400  # raw edges reported a port, sustained
EDGE_BURST = 128
LOSS_REPORT_US = 250000  # losses of one kind are reported at most this often

# One pass: bounded, so that it stays under 10 ms on the chip. Costs estimated from measured ones (a call about 15 us, a
# method and attribute about 28 us, a byte read singly 81 us): an edge or an instruction 0.5 ms, a command 1.5 ms, a
# frame out 0.5 ms. The worst pass: 8 x 0.5 + 2 x 1.5 + 8 x 0.3 (small events) = 9.4 ms; the idle pass about 0.5 ms.
WORK_MOST = 8  # edges, timers and instructions
COMMANDS_MOST = 2
READ_MOST = 64  # bytes asked for; the chip's pins hand over 16 at most
WRITE_MOST = 256  # one audio frame, or eight events
LAST_WORDS = 4  # writes of WRITE_MOST at most, when a host falls silent
BLOCKED_US = 2000  # a way to the host that is too full for a frame is tried again this often

FAR_US = 1 << 62  # later than any deadline
