"""Which pin of the chip does what: data, and the check that is made before any pin is touched.

Two boards: four ports on a chip with 48 pins (RP2350B), two ports where 26 pins come out (RP2040, RP2350A). Change a
number here and nowhere else.

What must be seen in every pass has a pin of its own: chain, mirror contacts, key, and the button, which is also the way
in for new firmware. What may take 50 ms comes over the bus of two pins: the expander's inputs (EXPANDED, in this order
from its line 0; line 7 is its echo), its outputs for lamps (LAMPS, likewise), and the converter that measures the
ringing bus.

Every input reads 1 only while current flows in a sound wire, and needs a resistor of 8.2 kohm or less to ground on the
board: the chip's own pull-down is too weak to hold some RP2350 inputs low (its erratum E9; from memory). Every output
is safe at 0, and the same resistor keeps it there while the chip boots: relay not driven, pumps still. The two pins of
the bus rest high, at its own resistors (2.2 to 4.7 kohm).
"""

LOOP_RELAY = "loop relay"
LOOP_SENSE = "loop sense"
NORMAL_SENSE = "normal battery sense"
REVERSED_SENSE = "reversed battery sense"
RINGING_SENSE = "ringing sense"
CHAIN_A = "chain A"
CHAIN_B = "chain B"
MIRROR_A = "mirror A"
MIRROR_B = "mirror B"
KEY = "key"
BUTTON = "button"
NIGHT = "night"
COVERS = "covers"
ALONE = "alone"
FUSE = "fuse alarm"
RELEASE = "release alarm"
SUPERVISORY = "supervisory alarm"
SMOKE = "smoke alarm"
PUMP_A = "pump A"
PUMP_B = "pump B"
PERMIT = "supply permit's pump"
BUS_DATA = "bus, data"
BUS_CLOCK = "bus, clock"
LISTEN_LOW = "listening selector, low bit"
LISTEN_HIGH = "listening selector, high bit"
AUDIO = "audio converter"
RESERVED = "reserved"

# The expander's output lines 0 to 6, in this order; line 7 is the echo. Each drives a lamp's driver, not the lamp.
LAMPS = ("lamp 1", "lamp 2", "lamp 3", "lamp 4", "lamp 5", "lamp 6", "lamp 7")

SENSES = (LOOP_SENSE, NORMAL_SENSE, REVERSED_SENSE, RINGING_SENSE)  # in the order of the signals' numbers
# Both in the order of the IN_ bits: first those with a pin of their own, then the expander's lines 0 to 6.
INPUTS = (CHAIN_A, CHAIN_B, MIRROR_A, MIRROR_B, KEY, BUTTON)
EXPANDED = (NIGHT, COVERS, ALONE, FUSE, RELEASE, SUPERVISORY, SMOKE)
OUTPUTS = (LOOP_RELAY, PUMP_A, PUMP_B, PERMIT, LISTEN_LOW, LISTEN_HIGH)

# Rows: (pin, port or 0, job, value at start, safe value); inputs have None for both.
TWO_PORTS = (
    (0, 0, BUS_DATA, None, None),
    (1, 0, BUS_CLOCK, None, None),
    (2, 1, LOOP_RELAY, 0, 0),
    (3, 1, LOOP_SENSE, None, None),
    (4, 1, NORMAL_SENSE, None, None),
    (5, 1, REVERSED_SENSE, None, None),
    (6, 1, RINGING_SENSE, None, None),
    (7, 2, LOOP_RELAY, 0, 0),
    (8, 2, LOOP_SENSE, None, None),
    (9, 2, NORMAL_SENSE, None, None),
    (10, 2, REVERSED_SENSE, None, None),
    (11, 2, RINGING_SENSE, None, None),
    (12, 0, CHAIN_A, None, None),
    (13, 0, CHAIN_B, None, None),
    (14, 0, MIRROR_A, None, None),
    (15, 0, MIRROR_B, None, None),
    (16, 0, KEY, None, None),
    (17, 0, BUTTON, None, None),
    (18, 0, PUMP_A, 0, 0),
    (19, 0, PUMP_B, 0, 0),
    (20, 0, LISTEN_LOW, 0, 0),
    (21, 0, RESERVED, None, None),  # test tone
    (22, 0, PERMIT, 0, 0),
    (26, 0, AUDIO, None, None),
)

FOUR_PORTS = (
    (0, 0, BUS_DATA, None, None),
    (1, 0, BUS_CLOCK, None, None),
    (2, 1, LOOP_RELAY, 0, 0),
    (3, 1, LOOP_SENSE, None, None),
    (4, 1, NORMAL_SENSE, None, None),
    (5, 1, REVERSED_SENSE, None, None),
    (6, 1, RINGING_SENSE, None, None),
    (7, 2, LOOP_RELAY, 0, 0),
    (8, 2, LOOP_SENSE, None, None),
    (9, 2, NORMAL_SENSE, None, None),
    (10, 2, REVERSED_SENSE, None, None),
    (11, 2, RINGING_SENSE, None, None),
    (12, 3, LOOP_RELAY, 0, 0),
    (13, 3, LOOP_SENSE, None, None),
    (14, 3, NORMAL_SENSE, None, None),
    (15, 3, REVERSED_SENSE, None, None),
    (16, 3, RINGING_SENSE, None, None),
    (17, 4, LOOP_RELAY, 0, 0),
    (18, 4, LOOP_SENSE, None, None),
    (19, 4, NORMAL_SENSE, None, None),
    (20, 4, REVERSED_SENSE, None, None),
    (21, 4, RINGING_SENSE, None, None),
    (22, 0, CHAIN_A, None, None),
    (23, 0, CHAIN_B, None, None),
    (24, 0, MIRROR_A, None, None),
    (25, 0, MIRROR_B, None, None),
    (26, 0, KEY, None, None),
    (27, 0, BUTTON, None, None),
    (28, 0, PUMP_A, 0, 0),
    (29, 0, PUMP_B, 0, 0),
    (30, 0, LISTEN_LOW, 0, 0),
    (31, 0, LISTEN_HIGH, 0, 0),
    (32, 0, RESERVED, None, None),  # test tone
    (33, 0, PERMIT, 0, 0),
    (40, 0, AUDIO, None, None),
)

TWO_PORT_PINS = tuple(range(23)) + (26, 27, 28)  # what comes out of the usual small boards
FOUR_PORT_PINS = tuple(range(48))
PULSE_PINS_BELOW = 32  # one programmable-I/O block reaches 32 pins
# The chip's first bus block: every fourth pin can be its data, the one after each its clock (data sheets, from memory).
BUS_EVERY = 4
BUS_PLACES = {BUS_DATA: 0, BUS_CLOCK: 1}


def faults(rows, ports, pins):
    """Return what is wrong with a table, one sentence each; nothing wrong: an empty list. pins: usable ones."""
    found = []
    jobs = {}
    for index, (pin, port, job, start, safe) in enumerate(rows):
        for other in rows[:index]:
            if other[0] == pin:
                found.append("pin %d is used twice: %s and %s" % (pin, other[2], job))
        if pin not in pins:
            found.append("pin %d (%s) does not come out of this board" % (pin, job))
        if job in OUTPUTS:
            if start is None or start != safe:
                found.append("pin %d (%s) starts at %s, which is not its safe value %s" % (pin, job, start, safe))
        elif start is not None:
            found.append("pin %d (%s) is no output and cannot start at %s" % (pin, job, start))
        if job == LOOP_RELAY and pin >= PULSE_PINS_BELOW:
            found.append("pin %d cannot dial: pulse generators reach pins below %d" % (pin, PULSE_PINS_BELOW))
        if job in BUS_PLACES and pin % BUS_EVERY != BUS_PLACES[job]:
            found.append("pin %d cannot be %s" % (pin, job))
        if job != RESERVED:
            if (port, job) in jobs:
                found.append("%s of port %d is there twice" % (job, port))
            jobs[(port, job)] = pin
    wanted = [(0, job) for job in INPUTS + (PUMP_A, PUMP_B, PERMIT, LISTEN_LOW, AUDIO, BUS_DATA, BUS_CLOCK)]
    if ports > 2:
        wanted.append((0, LISTEN_HIGH))
    for port in range(1, ports + 1):
        wanted += [(port, job) for job in SENSES + (LOOP_RELAY,)]
    for port, job in wanted:
        if (port, job) not in jobs:
            found.append("%s of port %d has no pin" % (job, port))
    return found


def pin_of(rows, port, job):
    """Return the pin of a job, or None."""
    for row in rows:
        if row[1] == port and row[2] == job:
            return row[0]
    return None
