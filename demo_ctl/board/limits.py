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

# One pass: bounded, so that it stays under 10 ms on the chip. Estimated by counting calls, at 15 us for a plain and
# 28 us for a method call (measured), say 22 us: the idle pass 21 calls, 0.5 ms; an edge or an instruction with its
# event 80 calls, 1.8 ms (most of it making the frame); a command about as many. A test counts the calls of the worst
# pass. So all ports together can report some 500 edges a second; more fill the capture queue, which is declared too.
WORK_MOST = 3  # edges, timers and instructions
COMMANDS_MOST = 2
READ_MOST = 64  # bytes asked for; the chip's pins hand over 16 at most
WRITE_MOST = 256  # one audio frame, or eight events
LAST_WORDS = 4  # writes of WRITE_MOST at most, when a host falls silent
BLOCKED_US = 2000  # a way to the host that is too full for a frame is tried again this often

FAR_US = 1 << 62  # later than any deadline
