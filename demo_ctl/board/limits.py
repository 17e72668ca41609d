"""What this board does at most. The host may tighten the safety limits before L_PAUSE_MS, never loosen any."""

from demo_ctl.board.interlock import Times

HEARTBEAT_LEAST_MS = 250  # a host beats every 200 ms: a tighter limit would end every session
BEAT_LEAST_US = 150000  # and never faster than this in the long run: what comes faster had been waiting
BEATS_AHEAD_US = 450000  # so far ahead they may come when the way was held up: four together


def safety_limits():
    """Return the limits of ringing as this board begins with them: a new list, in the order of messages.L_...

    Choices of our own where nothing is said; all of them are for a competent person to judge (wiring/README.md).
    """
    times = Times()
    return [
        600,  # heartbeat ms
        90000,  # window ms
        5000,  # burst ms. From memory: IEC 60950-1 annex M.3.1.3, pauses no more than 5 s apart
        90000,  # call ms: ringing allowed in one plan
        900000,  # hour ms: a quarter of every hour
        180,  # current mA: seven old bells in step are 90, a short behind 400 ohm of lamp is 225
        100,  # ceiling V rms. From memory: annex M, method A, single fault: 20 mA through 5000 ohm
        850,  # pause ms: annex M.3.1.3 wants 1 s, and our sensing may see it so much shorter
        30000,  # night: window ms
        3000,  # burst ms
        30000,  # call ms
        300000,  # hour ms
        30000,  # visitors: window ms
        3000,  # burst ms
        180000,  # call ms: of the whole session
        300000,  # hour ms
        1800000,  # a visitors' session ends this long after the key was turned on
        times.pump_us,
        times.loop_us,
        times.pull_us,
        times.hold_us,
        times.drop_us,
        times.prove_us,
        times.apart_us,
        times.odd_us,
        times.key_us,
    ]


FLOWS_uA = 2000  # ringing current on the bus: half of what one bell of the usual kind takes

INSTRUCTIONS_MOST = 300
PULSES_MOST = 20  # the longest digit has 10; 20 leaves room for margin trials
PULSE_LEAST_US = 5000  # break or make
PULSE_MOST_US = 2000000
WAIT_MOST_US = 600000000  # WAIT and WAIT_FOR: 10 minutes
GATE_MOST_US = 3600000000  # a presenter talks: 1 hour

LATE_US = 20000  # an instruction later than this ends the plan

EDGES_PER_S = 400  # raw edges reported a port, sustained
EDGE_BURST = 128
LOSS_REPORT_US = 250000  # losses of one kind are reported at most this often

# One pass: bounded, so that it stays under 10 ms on the chip. Estimated by counting calls and opcodes (a plain call
# 15 us, a method's 28, measured; an opcode about 1 us): the live pass with nothing to do 2 to 3 ms, an edge or an
# instruction with its event about 2 ms more, a command about as many, the chip's own pins up to 4 ms. A test counts the
# calls of the worst pass. So all ports together can report some 350 edges a second; more fill the capture queue, which
# is declared too.
WORK_MOST = 2  # edges, timers and instructions
COMMANDS_MOST = 2
READ_MOST = 16  # bytes: on the chip each costs 81 us. No more than COMMANDS_MOST frames end in so many
WRITE_MOST = 256  # one audio frame, or eight events
LAST_WORDS = 4  # writes of WRITE_MOST at most, when a host falls silent
LAMPS_US = 40000  # lamps change this often at most: as often as the chip sends the expander a byte anyway
BLINK_US = 500000  # a lamp that blinks is lit and dark for so long: far slower than what may harm (3 flashes a second)
BLOCKED_US = 2000  # a way to the host that is too full for a frame is tried again this often

FAR_US = 1 << 62  # later than any deadline
