"""The short way to a block of sound gives the same block as the long one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.bench.cadence import Cadence
from demo_ctl.bench.lines import Heard, Wave
from demo_ctl.bench.tones import ToneBank
from demo_ctl.office.load import load_unit

UNIT = load_unit(Path(__file__).resolve().parents[2] / "configs/units/mossbrook.yaml").value


def _bank(*, short: bool) -> ToneBank:
    ringing = UNIT.ringing
    bank = ToneBank(UNIT.tones, Cadence((ringing.on_us, ringing.off_us), 0), Wave(20.0, 86.0, 0.25), seed=3)
    if not short:
        bank._loud = {"", *bank._sums}  # every tone counts as loud: always the long way
    return bank


SHORT, LONG = _bank(short=True), _bank(short=False)


@settings(deadline=None, max_examples=200)
@given(
    tone=st.sampled_from(["", "dial", "busy", "overflow", "ringback", "vacant"]),
    first=st.integers(0, 100_000),
    start_us=st.integers(0, 50_000),
    changes=st.lists(st.tuples(st.integers(1, 200_000), st.booleans(), st.booleans()), max_size=6),
)
def test_both_ways_give_the_same_block(
    tone: str, first: int, start_us: int, changes: list[tuple[int, bool, bool]]
) -> None:
    at_us = start_us + first * 125 - 150_000
    history = [Heard(0, "", False, False)]
    for after_us, flowing, ringing in changes:
        at_us += after_us
        history.append(Heard(max(at_us, history[-1].at_us), tone, flowing, ringing))
    blocks = [bank.block(history, 1, first, start_us) for bank in (SHORT, LONG)]
    assert blocks[0] == blocks[1]


def test_a_tone_too_loud_for_the_converter_is_cut_off_at_its_ends() -> None:
    loud = UNIT.tones.model_copy(update={"dial": UNIT.tones.dial.model_copy(update={"level_dBm": 10.0})})
    bank = ToneBank(loud, Cadence(()), Wave(20.0, 86.0, 0.25), seed=3)
    words = np.frombuffer(bank.block([Heard(0, "dial", True, False)], 1, 8000, 0), dtype="<u2")
    assert words.max() == 4095
    assert words.min() == 0
