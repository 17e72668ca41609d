"""The pulse generator: a program for the chip's programmable I/O, 1 us a cycle. Written in its assembler.

`pins_rp2` assembles it. It is a file of its own because the assembler lends a function its words while it runs; and so
that a test can count its cycles on any computer.

Three words start a train: break - BREAK_CYCLES, pulses - 1, make - MAKE_CYCLES. Then one break and one make a pulse, to
the microsecond, and the line stays closed. Nobody feeds it meanwhile. Stopping the state machine and setting the
pin ends a train at any instant.
"""
# mypy: disable-error-code="name-defined,call-overload"
# ruff: noqa: F821

BREAK_CYCLES = 3  # set, mov, and the last turn of the counting loop
MAKE_CYCLES = 4  # and the jump back
LEAD_US = 5  # cycles from the start to the first break


def train():
    """Wait for three words, then pulse one pin. 1: closed."""
    pull(block)
    mov(isr, osr)  # length of a break
    pull(block)
    mov(y, osr)  # pulses
    pull(block)  # osr keeps the length of a make
    label("pulse")
    set(pins, 0)
    mov(x, isr)
    label("break")
    jmp(x_dec, "break")
    set(pins, 1)
    mov(x, osr)
    label("make")
    jmp(x_dec, "make")
    jmp(y_dec, "pulse")
