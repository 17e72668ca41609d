"""What a line hears, made with numpy when somebody asks for a block and never before.

The converter's scale: 12 bits resting at 2048, 1000 counts a volt at the line, so that 0 dBm in 600 ohm
(0.7746 V RMS, facts L15) swings 1095 counts either way, and the range ends near +5.4 dBm.

Silent while no current flows. A tone's parts are summed, each at the tone's level, keyed by its cadence from the
free-running interrupter; ringing comes through the isolating transformer as a limited hum at its frequency; the
current's start is a click of a millisecond; and a little noise lies under everything.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from math import cos, exp, pi, sin, sqrt
from typing import Any
from zlib import crc32

import numpy as np

from demo_ctl.bench.cadence import Cadence
from demo_ctl.bench.lines import Heard, Wave
from demo_ctl.office.model import Tone, Tones
from demo_ctl.wire.messages import AUDIO_BLOCK, AUDIO_HZ

RESTING = 2048
COUNTS_A_VOLT = 1000.0
NOISE_dBm = -65.0
CLICK_V = 0.4
CLICK_US = 1000.0
HUM_V = 0.5

_STEP_US = 1_000_000 // AUDIO_HZ
_FIELDS = ("dial", "ringback", "busy", "overflow", "vacant")
_NOISE_SAMPLES = 1 << 14

Samples = np.ndarray[Any, np.dtype[np.float64]]


def counts(level_dBm: float) -> float:
    """Return the RMS of `level_dBm` across 600 ohm, in counts of the converter."""
    return COUNTS_A_VOLT * sqrt(0.6 * 10 ** (level_dBm / 10))


class _Sine:
    """One frequency at one level: a block from its first instant by two multiplications."""

    def __init__(self, frequency_Hz: float, peak: float) -> None:
        self._turns_a_us = frequency_Hz / 1e6
        angles = 2 * pi * frequency_Hz / AUDIO_HZ * np.arange(AUDIO_BLOCK)
        self._sines = peak * np.sin(angles)
        self._cosines = peak * np.cos(angles)

    def block(self, t_us: int, turns: float = 0.0) -> Samples:
        """Return AUDIO_BLOCK samples from `t_us` on; the wave was at `turns` at time zero."""
        angle = 2 * pi * ((t_us * self._turns_a_us + turns) % 1.0)
        block: Samples = sin(angle) * self._cosines + cos(angle) * self._sines
        return block


class ToneBank:
    """The unit's tone supply."""

    def __init__(self, tones: Tones, interrupter: Cadence, wave: Wave, seed: int) -> None:
        self._cadences: dict[str, Cadence] = {}
        self._sines: dict[str, tuple[_Sine, ...]] = {}
        for field in _FIELDS:
            tone: Tone = getattr(tones, field)
            peak = sqrt(2) * counts(tone.level_dBm)
            self._sines[field] = tuple(_Sine(frequency_Hz, peak) for frequency_Hz in tone.parts_Hz)
            # All cams sit on one shaft: ringing tone is in step with the bell (facts R20).
            self._cadences[field] = Cadence(tone.cadence_us, interrupter.offset_us)
        self._hum = _Sine(wave.frequency_Hz, COUNTS_A_VOLT * HUM_V)
        self._hum_turns = wave.turns(0)
        self._seed = seed
        noise = np.random.default_rng(seed).normal(0.0, counts(NOISE_dBm), _NOISE_SAMPLES)
        self._noise: Samples = np.concatenate((noise, noise[:AUDIO_BLOCK]))
        self._ticks = _STEP_US * np.arange(AUDIO_BLOCK, dtype=np.int64)

    def block(self, history: Sequence[Heard], port: int, first: int, start_us: int) -> bytes:
        """Return samples `first`.. of a stream begun at `start_us`, as a board's converter would leave them.

        AUDIO_BLOCK little-endian 16-bit words. `history` is the line's, in order of time.
        """
        begin_us = start_us + first * _STEP_US
        end_us = begin_us + AUDIO_BLOCK * _STEP_US
        times_us = begin_us + self._ticks
        heard: Samples = np.zeros(AUDIO_BLOCK)
        index = max(bisect_right(history, begin_us, key=lambda row: row.at_us) - 1, 0)
        while index < len(history) and history[index].at_us < end_us:
            row = history[index]
            until_us = history[index + 1].at_us if index + 1 < len(history) else end_us
            low = max(0, -((begin_us - row.at_us) // _STEP_US)) if row.at_us > begin_us else 0
            high = min(AUDIO_BLOCK, -((begin_us - until_us) // _STEP_US))
            if low < high:
                self._add(heard, row, port, begin_us, times_us, low, high)
                if row.flowing and (index == 0 or not history[index - 1].flowing):
                    self._click(heard, row.at_us, times_us, low, high)
            index += 1
        words = np.rint(heard).astype(np.int64) + RESTING
        return np.clip(words, 0, 4095).astype("<u2").tobytes()

    def _add(
        self,
        heard: Samples,
        row: Heard,
        port: int,
        begin_us: int,
        times_us: np.ndarray[Any, np.dtype[np.int64]],
        low: int,
        high: int,
    ) -> None:
        if row.ringing:
            heard[low:high] += self._hum.block(begin_us, self._hum_turns)[low:high]
        if not row.flowing:
            return
        place = crc32(b"%d %d %d" % (self._seed, port, begin_us)) % _NOISE_SAMPLES
        heard[low:high] += self._noise[place + low : place + high]
        if row.tone:
            tone: Samples = np.zeros(AUDIO_BLOCK)
            for sine in self._sines[row.tone]:
                tone += sine.block(begin_us)
            cadence = self._cadences[row.tone]
            if cadence.cycle_us:
                tone *= cadence.mask(times_us)
            heard[low:high] += tone[low:high]

    def _click(
        self, heard: Samples, at_us: int, times_us: np.ndarray[Any, np.dtype[np.int64]], low: int, high: int
    ) -> None:
        since_us = times_us[low:high] - at_us
        if since_us[0] < 20 * CLICK_US and exp(-since_us[0] / CLICK_US) * CLICK_V * COUNTS_A_VOLT > 0.1:
            heard[low:high] += COUNTS_A_VOLT * CLICK_V * np.exp(-since_us / CLICK_US)
