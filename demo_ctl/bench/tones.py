"""What a line hears, made with numpy when somebody asks for a block and never before.

The converter's scale: 12 bits resting at AUDIO_REST, 1000 counts a volt at the line, so that 0 dBm in 600 ohm
(0.7746 V RMS, facts L15) swings 1095 counts either way, and the range ends near +5.4 dBm.

Silent while no current flows. A tone's parts are summed, each at the tone's level, keyed by its cadence from the
free-running interrupter; ringing comes through the isolating transformer as a limited hum at its frequency; the
current's start is a click of a millisecond; and a little noise lies under everything.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from math import cos, pi, sin, sqrt
from typing import Any
from zlib import crc32

import numpy as np

from demo_ctl.bench.ailments import SOUND, Ailments
from demo_ctl.bench.cadence import Cadence, ailing
from demo_ctl.bench.lines import Heard, Wave
from demo_ctl.office.model import Tone, Tones
from demo_ctl.wire.messages import AUDIO_BLOCK, AUDIO_BLOCK_US, AUDIO_HZ, AUDIO_REST

COUNTS_A_VOLT = 1000.0
NOISE_dBm = -65.0
CLICK_V = 0.4
CLICK_US = 1000.0
HUM_V = 0.5
#: Of a charger's hum: twice the mains and four times it, in Europe (common practice, no source).
MAINS_Hz = (100.0, 200.0)
#: Crackle comes in bursts of so many samples; this part of the stretches has one.
CRACKLE_SAMPLES = 40
CRACKLING = 0.3

#: A block of nothing.
SILENCE = AUDIO_REST.to_bytes(2, "little") * AUDIO_BLOCK

_STEP_US = 1_000_000 // AUDIO_HZ
_FIELDS = ("dial", "ringback", "busy", "overflow", "vacant")
_NOISE_SAMPLES = 1 << 14

Samples = np.ndarray[Any, np.dtype[np.float64]]
Times = np.ndarray[Any, np.dtype[np.int64]]


def counts(level_dBm: float) -> float:
    """Return the RMS of `level_dBm` across 600 ohm, in counts of the converter."""
    return COUNTS_A_VOLT * sqrt(0.6 * 10 ** (level_dBm / 10))


class _Sum:
    """Sines of one level, keyed by a cadence: a block from its first instant by one small product."""

    def __init__(self, parts_Hz: Sequence[float], peak: float, cadence: Cadence, turns: float = 0.0) -> None:
        """`turns`: the waves' phase at time zero."""
        self._cadence = cadence
        self._turns = turns
        #: The highest the sum can reach.
        self.peak = peak * len(parts_Hz)
        self._turns_a_us = [part_Hz / 1e6 for part_Hz in parts_Hz]
        angles = 2 * pi / AUDIO_HZ * np.outer(parts_Hz, np.arange(AUDIO_BLOCK))
        self._basis: Samples = peak * np.concatenate((np.cos(angles), np.sin(angles)))

    def block(self, begin_us: int, times_us: Times) -> Samples | None:
        """Return AUDIO_BLOCK samples from `begin_us` on; None: all of them are 0."""
        cadence = self._cadence
        change_us = cadence.next_change_us(begin_us)
        changes = change_us is not None and change_us < begin_us + AUDIO_BLOCK_US
        if not changes and not cadence.on_at(begin_us):
            return None
        angles = [2 * pi * ((begin_us * turns + self._turns) % 1.0) for turns in self._turns_a_us]
        block: Samples = np.array([*map(sin, angles), *map(cos, angles)]) @ self._basis
        return block * cadence.mask(times_us) if changes else block


class ToneBank:
    """The unit's tone supply."""

    def __init__(self, tones: Tones, interrupter: Cadence, wave: Wave, seed: int, ailments: Ailments = SOUND) -> None:
        self._sums: dict[str, _Sum] = {}
        for field in _FIELDS:
            tone: Tone = getattr(tones, field)
            # All cams sit on one shaft: ringing tone is in step with the bell (facts R20).
            part = f"tone {field}"
            cadence = ailing(Cadence(tone.cadence_us, interrupter.offset_us), ailments, part)
            parts_Hz = [part_Hz * ailments.scale("tone frequency", part) for part_Hz in tone.parts_Hz]
            level_dBm = tone.level_dBm + ailments.amount("tone level", part)
            self._sums[field] = _Sum(parts_Hz, sqrt(2) * counts(level_dBm), cadence)
        self._hum = _Sum((wave.frequency_Hz,), COUNTS_A_VOLT * HUM_V, Cadence(()), wave.turns(0))
        self._mains = _Sum(MAINS_Hz, sqrt(2 / len(MAINS_Hz)) * COUNTS_A_VOLT, Cadence(()))
        self._seed = seed
        noise = np.random.default_rng(seed).normal(0.0, counts(NOISE_dBm), _NOISE_SAMPLES)
        self._noise: Samples = np.concatenate((noise, noise[:AUDIO_BLOCK]))
        self._resting_noise: Samples = AUDIO_REST + 0.5 + self._noise
        # Tones that could reach the converter's ends are not taken the short way.
        room = 4095.0 - float(self._resting_noise.max())
        self._loud = {name for name, tone_sum in self._sums.items() if tone_sum.peak >= room}
        self._ticks: Times = _STEP_US * np.arange(AUDIO_BLOCK, dtype=np.int64)

    def block(
        self,
        history: Sequence[Heard],
        port: int,
        first: int,
        start_us: int,
        hum_V: float = 0.0,
        crackle_V: float = 0.0,
    ) -> bytes:
        """Return samples `first`.. of a stream begun at `start_us`, as a board's converter would leave them.

        AUDIO_BLOCK little-endian 16-bit words. `history` is the line's, in order of time. hum_V, crackle_V: V RMS of
        a charger's hum, and of the bursts of a dirty contact's crackle, while current flows.
        """
        begin_us = start_us + first * _STEP_US
        end_us = begin_us + AUDIO_BLOCK_US
        times_us: Times = begin_us + self._ticks
        index = max(bisect_right(history, begin_us, key=_at) - 1, 0)
        if index + 1 == len(history) and not history[index].flowing and not history[index].ringing:
            return SILENCE
        if self._steady(history, index, begin_us, end_us) and not hum_V and not crackle_V:
            return self._steady_block(history[index].tone, port, begin_us, times_us)
        heard: Samples = np.full(AUDIO_BLOCK, AUDIO_REST + 0.5)
        while index < len(history) and history[index].at_us < end_us:
            row = history[index]
            until_us = history[index + 1].at_us if index + 1 < len(history) else end_us
            low = max(0, -((begin_us - row.at_us) // _STEP_US)) if index else 0
            high = min(AUDIO_BLOCK, -((begin_us - until_us) // _STEP_US))
            if low < high and (row.flowing or row.ringing):
                self._add(heard, row, port, begin_us, times_us, slice(low, high))
            if low < high and row.flowing:
                self._click(heard, history, index, times_us, slice(low, high))
                if hum_V or crackle_V:
                    heard[low:high] += self._dirt(port, begin_us, times_us, hum_V, crackle_V)[low:high]
            index += 1
        return np.minimum(np.maximum(heard, 0.0), 4095.0).astype("<u2").tobytes()

    def _steady(self, history: Sequence[Heard], index: int, begin_us: int, end_us: int) -> bool:
        """Whether nothing happens on the line from `begin_us` to `end_us` but one tone, or none: nearly every block."""
        row = history[index]
        if not row.flowing or row.ringing or row.tone in self._loud:
            return False
        if index + 1 < len(history) and history[index + 1].at_us < end_us:
            return False
        return not index or begin_us - row.at_us > 10 * CLICK_US

    def _steady_block(self, tone: str, port: int, begin_us: int, times_us: Times) -> bytes:
        """What `block` comes to then, in fewer steps and with the same sums."""
        place = crc32(b"%d %d %d" % (self._seed, port, begin_us)) % _NOISE_SAMPLES
        heard = self._resting_noise[place : place + AUDIO_BLOCK]
        wave = self._sums[tone].block(begin_us, times_us) if tone else None
        return (heard if wave is None else heard + wave).astype("<u2").tobytes()

    def _add(self, heard: Samples, row: Heard, port: int, begin_us: int, times_us: Times, here: slice) -> None:
        if row.ringing:
            hum = self._hum.block(begin_us, times_us)
            if hum is not None:
                heard[here] += hum[here]
        if not row.flowing:
            return
        place = crc32(b"%d %d %d" % (self._seed, port, begin_us)) % _NOISE_SAMPLES
        heard[here] += self._noise[place : place + AUDIO_BLOCK][here]
        if row.tone:
            tone = self._sums[row.tone].block(begin_us, times_us)
            if tone is not None:
                heard[here] += tone[here]

    def _dirt(self, port: int, begin_us: int, times_us: Times, hum_V: float, crackle_V: float) -> Samples:
        dirt: Samples = np.zeros(AUDIO_BLOCK)
        if hum_V and (hum := self._mains.block(begin_us, times_us)) is not None:
            dirt += hum_V * hum
        if crackle_V:
            chance = np.random.default_rng((self._seed, port, begin_us))
            bursts = chance.random(-(-AUDIO_BLOCK // CRACKLE_SAMPLES)) < CRACKLING
            keyed = np.repeat(bursts, CRACKLE_SAMPLES)[:AUDIO_BLOCK]
            dirt += COUNTS_A_VOLT * crackle_V * chance.normal(size=AUDIO_BLOCK) * keyed
        return dirt

    def _click(self, heard: Samples, history: Sequence[Heard], index: int, times_us: Times, here: slice) -> None:
        """Add what is left of the click with which this stretch of current began."""
        while index and history[index - 1].flowing:
            index -= 1
            if times_us[0] - history[index].at_us > 10 * CLICK_US:
                return
        since_us = times_us[here] - history[index].at_us
        if since_us[0] < 10 * CLICK_US:
            heard[here] += COUNTS_A_VOLT * CLICK_V * np.exp(-since_us / CLICK_US)


def _at(row: Heard) -> int:
    return row.at_us
