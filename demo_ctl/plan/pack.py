"""A plan as the board gets it."""

from __future__ import annotations

import struct
from binascii import crc32

from demo_ctl.plan.model import Plan
from demo_ctl.wire.messages import INSTRUCTION, Instruction


def to_instructions(plan: Plan) -> list[Instruction]:
    """Return the timeline as wire instructions, in order."""
    return [Instruction(step.op, step.port, step.x, step.a, step.b) for step in plan.timeline.steps]


def plan_number(plan: Plan) -> int:
    """Return the number by which a plan is known: CRC-32 of its packed instructions."""
    return crc32(b"".join(struct.pack(INSTRUCTION, *instruction) for instruction in to_instructions(plan)))
