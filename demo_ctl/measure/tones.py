"""Hear tones in the board's audio: which, from when to when, and how surely.

Method (all plain and published). A Hann-windowed discrete Fourier transform every 20 ms says whether a tone is
there: each of its parts must be a peak of the spectrum inside the tone's tolerance, the parts must not differ by more
than 10 dB, and together they must hold most of the energy. The window is 100 ms, or longer where a tone's parts lie
closer than 40 Hz: a Hann window parts two sines that are four bins apart. So 440 + 480 is not taken for 350 + 440.

Edges are found much finer than the window. A steady piece beside the edge is fitted (least squares, sines at the
tone's parts), the fit is drawn on beyond the edge, and the edge is put where "nothing before, tone after" explains
the samples best: the maximum-likelihood change point, a cumulated sum. Its uncertainty is the stretch of instants
that explain them nearly as well.

A gap in the audio is unknown, never silence: tones that run into a gap have no seen edge there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import pairwise
from math import ceil, sqrt
from statistics import median
from typing import Any

import numpy as np

from demo_ctl.measure.dft import Complexes, Samples, waves
from demo_ctl.office.model import Tone
from demo_ctl.wire.messages import AUDIO_HZ, AUDIO_REST, Audio

#: What the converter reads in silence.
STEP_US = 1e6 / AUDIO_HZ
HOP = 160
HOP_US = HOP * STEP_US
#: Shortest window, and how many of its bins must lie between two parts of a tone.
WINDOW = 800
BINS_APART = 4
LONGEST_WINDOW = 2400
#: A part may be so much weaker than the strongest, as a ratio of powers (10 dB).
TWIST = 0.1
#: The parts' share of all energy.
SHARE = 0.7
#: Weakest tone, in counts RMS: far above the noise of 12 bits, about -38 dBm in the bench's scale.
FLOOR = 8.0
#: Frames weaker than this share of the strongest within 150 ms belong to the window's skirts.
SKIRT = 0.15
NEAR_HOPS = 8
#: Pieces of audio shorter than this say nothing.
LEAST_PIECE_US = 60_000.0
#: Gaps shorter than this inside a tone are not told as gaps, and shorter tones are not told at all.
LEAST_GAP_US = 40_000.0
LEAST_TONE_US = 40_000.0
#: A steady tone heard so long is surely there (ToneWatch).
SURE_US = 150_000.0
#: Two log-likelihood units: 95 % of one unknown instant.
_NEARLY = 4.0
#: Samples of steady tone that an edge is judged by.
_FIT = 1000

Floats = np.ndarray[Any, np.dtype[np.float32]]
Flags = np.ndarray[Any, np.dtype[np.bool_]]


@dataclass(frozen=True)
class Piece:
    """Audio without a gap: samples less the resting value, the time of the first, and the stamps' spread."""

    start_us: float
    samples: Samples
    stamp_u_us: float = 0.0
    _frames: dict[int, Frames] = field(default_factory=dict, compare=False, repr=False)

    def frames(self, window: int) -> Frames:
        """The piece's spectra, reckoned once for all tones."""
        if window not in self._frames:
            self._frames[window] = spectra(self.samples, window)
        return self._frames[window]

    @property
    def end_us(self) -> float:
        """The time just after the last sample."""
        return self.start_us + len(self.samples) * STEP_US


@dataclass(frozen=True)
class Heard:
    """One stretch of a tone. An edge that was not seen is where the audio begins or ends: the tone may go further.

    begin_u_us, end_u_us: standard uncertainties.
    """

    begin_us: float
    end_us: float
    begin_u_us: float
    end_u_us: float
    begin_seen: bool
    end_seen: bool


def words_of(data: bytes) -> Samples:
    """Return 16-bit little-endian words as samples around zero."""
    words: Samples = np.frombuffer(data, dtype="<u2", count=len(data) // 2).astype(np.float64)
    words -= AUDIO_REST
    return words


def pieces(audio: Iterable[Audio], port: int) -> tuple[Piece, ...]:
    """Join the blocks of one port into pieces without gaps, in order."""
    runs: list[list[Audio]] = []
    expected = -1
    for block in audio:
        if block.port != port:
            continue
        # A new listening counts from zero again.
        if block.first != expected or block.at_us - runs[-1][-1].at_us > len(block.data) * STEP_US + 50_000:
            runs.append([])
        runs[-1].append(block)
        expected = block.first + len(block.data) // 2
    return tuple(_piece(run) for run in runs)


def _piece(run: Sequence[Audio]) -> Piece:
    base = run[0].at_us
    offsets = [block.at_us - base - (block.first - run[0].first) * STEP_US for block in run]
    samples = words_of(b"".join(bytes(block.data) for block in run))
    # Stamps of one stream follow one clock: their middle is better than any of them, their spread is its doubt.
    return Piece(base + float(median(offsets)), samples, float(np.std(offsets)) / sqrt(len(run)))


def window_of(tone: Tone) -> int:
    """Return the window that parts this tone's parts, in samples (a multiple of HOP)."""
    parts = sorted(tone.parts_Hz)
    near = min((high - low for low, high in pairwise(parts)), default=float(AUDIO_HZ))
    wanted = max(WINDOW, ceil(BINS_APART * AUDIO_HZ / max(near, 1.0)))
    return min(LONGEST_WINDOW, HOP * ceil(wanted / HOP))


@dataclass(frozen=True)
class Frames:
    """Spectra of a piece: one row each HOP samples, centred on sample HOP * row; the bin's width in hertz."""

    power: Floats
    bin_Hz: float


@lru_cache(maxsize=16)
def _hann(window: int) -> Floats:
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(window) / window)).astype(np.float32)


def spectra(samples: Samples, window: int, *, padded: bool = True) -> Frames:
    """Return Hann-windowed power spectra each HOP samples, scaled to mean squares of a full window."""
    exact = samples.astype(np.float32)  # 12 bits need no more
    if padded:
        edge = np.zeros(window // 2, dtype=np.float32)
        exact = np.concatenate((edge, exact, edge))
    views = np.lib.stride_tricks.sliding_window_view(exact, window)[::HOP]
    # Windows too quiet for any tone (Parseval: their parts cannot reach FLOOR) need no transform.
    sums = np.concatenate(([0.0], np.cumsum(exact * exact, dtype=np.float64)))
    starts = HOP * np.arange(len(views))
    loud = sums[starts + window] - sums[starts] >= 0.375 * window * FLOOR * FLOOR
    found = np.fft.rfft(views[loud] * _hann(window), axis=1)
    # A sine of mean square 1/2 has 1/2 in its three bins together: sum of hann^2 is 3/8 of the window.
    power = np.zeros((len(views), window // 2 + 1), dtype=np.float32)
    power[loud] = (found.real**2 + found.imag**2) * (2 / (window * window * 0.375))
    return Frames(power, AUDIO_HZ / window)


def fits(frames: Frames, tone: Tone) -> tuple[Flags, Samples]:
    """Say for each frame whether its spectrum has the tone's shape, and the mean square of the tone's parts."""
    power, bin_Hz = frames.power, frames.bin_Hz
    rows = np.arange(len(power))
    shape = np.ones(len(power), dtype=bool)
    strengths = []
    for part_Hz in tone.parts_Hz:
        slack_Hz = part_Hz * tone.tolerance_pct / 100
        low = max(1, int((part_Hz - slack_Hz) / bin_Hz))
        high = min(power.shape[1] - 2, ceil((part_Hz + slack_Hz) / bin_Hz))
        if low > high:
            return np.zeros(len(power), dtype=bool), np.zeros(len(power))
        peak = low + np.argmax(power[:, low : high + 1], axis=1)
        left, middle, right = (power[rows, peak + step] for step in (-1, 0, 1))
        shape &= (middle >= left) & (middle >= right) & (middle > 0)
        # Between bins a Hann peak's place follows from the ratio of its two highest bins, exactly for a lone sine.
        ratio = np.sqrt(np.maximum(left, right) / np.where(middle > 0, middle, 1.0))
        delta = np.where(right >= left, 1.0, -1.0) * (2 * ratio - 1) / (1 + ratio)
        found_Hz = (peak + delta) * bin_Hz
        shape &= np.abs(found_Hz - part_Hz) <= slack_Hz + 0.15 * bin_Hz
        strengths.append(left + middle + right)
    parts = np.stack(strengths)
    low_bin = max(2, int(min(200.0, 0.6 * min(tone.parts_Hz)) / bin_Hz))
    everything = power[:, low_bin:].sum(axis=1)
    together: Samples = parts.sum(axis=0)
    shape &= parts.min(axis=0) >= TWIST * parts.max(axis=0)
    shape &= (together >= SHARE * everything) & (together >= FLOOR * FLOOR)
    return shape, together


def _runs(flags: Flags) -> Iterator[tuple[int, int]]:
    """Yield (first, one past the last) of each run of true values."""
    steps = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    yield from zip(steps[::2].tolist(), steps[1::2].tolist(), strict=True)


def present(frames: Frames, tone: Tone) -> Flags:
    """Say for each frame whether the tone sounds at its middle."""
    shape, strength = fits(frames, tone)
    if not shape.any():
        return shape
    near = np.lib.stride_tricks.sliding_window_view(np.pad(strength, NEAR_HOPS), 2 * NEAR_HOPS + 1).max(axis=1)
    flags: Flags = shape & (strength >= SKIRT * near)
    return flags


@dataclass(frozen=True)
class _Model:
    """Sines fitted to a steady piece: complex amplitudes at `origin` (a sample), and the noise left over."""

    frequencies_Hz: tuple[float, ...]
    amplitudes: Complexes
    origin: int
    noise: float

    def draw(self, low: int, high: int) -> Samples:
        cosines, sines = waves(self.frequencies_Hz, low - self.origin, high - self.origin, AUDIO_HZ)
        amplitudes = self.amplitudes
        wave: Samples = np.einsum("p,pn->n", amplitudes.real, cosines) - np.einsum("p,pn->n", amplitudes.imag, sines)
        return wave


def _solve(samples: Samples, frequencies_Hz: Sequence[float] | Samples) -> Complexes:
    """Least squares of sines: transforms at their frequencies, freed of what they leak into each other."""
    cosines, sines = waves(frequencies_Hz, 0, len(samples), AUDIO_HZ)
    both = np.concatenate((cosines, -sines))
    many = len(frequencies_Hz)
    products = np.einsum("pn,qn->pq", both, both)
    solved = np.linalg.lstsq(products, np.einsum("pn,n->p", both, samples), rcond=1e-9)[0]
    amplitudes: Complexes = solved[:many] + 1j * solved[many:]
    return amplitudes


def _fit(samples: Samples, tone: Tone, low: int, high: int) -> _Model:
    """Fit the tone's parts to samples low..high: frequencies by the phase they gain from one half to the other."""
    frequencies = np.asarray(tone.parts_Hz, dtype=float)
    slack = frequencies * tone.tolerance_pct / 100
    half = (high - low) // 2
    # Coarse to fine: a short baseline first, so that a phase is never a whole turn off.
    spectrum = np.abs(np.fft.rfft(samples[low:high] * np.hanning(high - low), 4 * (high - low))) ** 2
    bin_Hz = AUDIO_HZ / (4 * (high - low))
    for place, frequency in enumerate(frequencies):
        first = max(0, int((frequency - slack[place]) / bin_Hz))
        last = min(len(spectrum) - 1, ceil((frequency + slack[place]) / bin_Hz))
        frequencies[place] = (first + int(np.argmax(spectrum[first : last + 1]))) * bin_Hz
    for _ in range(2):
        one = _solve(samples[low : low + half], frequencies)
        two = _solve(samples[low + half : low + 2 * half], frequencies)
        gained = np.angle(two * np.conj(one) * np.exp(-2j * np.pi * frequencies * half / AUDIO_HZ))
        frequencies = frequencies + gained / (2 * np.pi * half) * AUDIO_HZ
    amplitudes = _solve(samples[low:high], frequencies)
    model = _Model(tuple(frequencies.tolist()), amplitudes, low, 0.0)
    rest = samples[low:high] - model.draw(low, high)
    return _Model(model.frequencies_Hz, amplitudes, low, float(np.mean(rest * rest)))


def _change(samples: Samples, model: _Model, low: int, high: int) -> tuple[float, float]:
    """Find the sample in low..high from which on the model explains the samples better than nothing does.

    Returns the sample and the width of the stretch that explains them nearly as well.
    """
    wave = model.draw(low, high)
    gain = wave * (2 * samples[low:high] - wave)
    score = np.concatenate((np.cumsum(gain[::-1])[::-1], [0.0]))
    best = score.max()
    # Noise as left over by the fit, and never below a twentieth of the tone: no real tone is a perfect sum of sines.
    doubt = _NEARLY * max(model.noise, 0.0025 * float(np.mean(wave * wave)), 0.1)
    nearly = np.flatnonzero(score >= best - doubt)
    nearly = nearly[np.abs(nearly - int(np.argmax(score))) <= 400]
    first, last = int(nearly[0]), int(nearly[-1])
    return low + (first + last) / 2, float(last - first + 1)


def _edge(samples: Samples, tone: Tone, coarse: int, far: int, reach: int) -> tuple[float, float]:
    """Refine where a tone begins: `coarse` is about there, `far` is the run's other end (samples)."""
    steady = min(len(samples), coarse + 160)
    end = min(far, steady + _FIT)
    if end - steady < 400:
        steady, end = max(0, min(coarse, far - 400)), far
    model = _fit(samples, tone, steady, min(len(samples), max(end, steady + 160)))
    low, high = max(0, coarse - reach), min(len(samples), end)
    place, width = _change(samples, model, low, high)
    # A quarter period of the lowest part: nobody knows in which phase a contact closed.
    quarter = AUDIO_HZ / (4 * min(model.frequencies_Hz))
    return place, sqrt(width**2 / 12 + quarter**2 / 12)


def hear_piece(piece: Piece, tone: Tone) -> tuple[Heard, ...]:
    """Find every stretch of `tone` in one piece of audio, in order."""
    samples = piece.samples
    if len(samples) * STEP_US < LEAST_PIECE_US:
        return ()
    window = window_of(tone)
    flags = present(piece.frames(window), tone)
    least_gap = int(LEAST_GAP_US / HOP_US)
    for first, last in _runs(~flags):
        if first > 0 and last < len(flags) and last - first < least_gap:
            flags[first:last] = True
    found = []
    for first, last in _runs(flags):
        if (last - first) * HOP_US < LEAST_TONE_US:
            continue
        found.append(_refined(piece, tone, first * HOP, min(len(samples), (last - 1) * HOP), window // 2))
    return tuple(found)


def _refined(piece: Piece, tone: Tone, low: int, high: int, reach: int) -> Heard:
    samples = piece.samples
    many = len(samples)
    begin, begin_u = _edge(samples, tone, low, high, reach)
    # The end is the beginning of the piece played backwards.
    end, end_u = _edge(samples[::-1], tone, many - high, many - low, reach)
    end = many - end
    margin = 24
    return Heard(
        begin_us=piece.start_us + begin * STEP_US,
        end_us=piece.start_us + end * STEP_US,
        begin_u_us=sqrt((begin_u * STEP_US) ** 2 + piece.stamp_u_us**2),
        end_u_us=sqrt((end_u * STEP_US) ** 2 + piece.stamp_u_us**2),
        begin_seen=begin > margin + begin_u,
        end_seen=end < many - margin - end_u,
    )


def hear(found: Iterable[Piece], tone: Tone) -> tuple[Heard, ...]:
    """Find every stretch of `tone` in pieces of audio, in order."""
    return tuple(heard for piece in found for heard in hear_piece(piece, tone))


def right_on_time(heard: Heard, tone: Tone) -> bool:
    """Whether a wholly seen stretch is as long as one of the tone's on times, within the cadence's tolerance."""
    if not (heard.begin_seen and heard.end_seen):
        return False
    slack = tone.cadence_tolerance_pct / 100
    long_us = heard.end_us - heard.begin_us
    doubt_us = 2 * sqrt(heard.begin_u_us**2 + heard.end_u_us**2)
    return any(abs(long_us - on_us) <= slack * on_us + doubt_us for on_us in tone.cadence_us[0::2])


class ToneWatch:
    """Live: says when a tone is surely heard, while its audio comes in.

    A steady tone must have sounded for 150 ms; of an interrupted tone one whole on time must have been heard, and be
    of the right length, because only that tells busy from overflow.
    """

    def __init__(self, tone: Tone) -> None:
        self.tone = tone
        self.heard = False
        self._window = window_of(tone)
        self._samples: Samples = np.zeros(0)
        self._kept = self._window - HOP if not tone.cadence_us else self._long()
        self._run_us = 0.0
        self._unseen = 0

    def _long(self) -> int:
        """Samples enough for a whole on time with silence either side, wherever listening begins."""
        return int((2 * sum(self.tone.cadence_us) + 500_000) / STEP_US)

    def add(self, words: bytes) -> bool:
        """Take the next words (little-endian, no gap to those before); return whether the tone was surely heard."""
        if self.heard:
            return True
        new = words_of(words)
        self._samples = np.concatenate((self._samples, new))
        self.heard = self._interrupted(len(new)) if self.tone.cadence_us else self._steady()
        return self.heard

    def gap(self) -> None:
        """Audio is missing here: begin anew."""
        self._samples = np.zeros(0)
        self._run_us = 0.0
        self._unseen = 0

    def _steady(self) -> bool:
        if len(self._samples) < self._window:
            return False
        frames = spectra(self._samples, self._window, padded=False)
        shape, _ = fits(frames, self.tone)
        for fits_here in shape.tolist():
            self._run_us = self._run_us + HOP_US if fits_here else 0.0
        self._samples = self._samples[len(shape) * HOP :]
        # The first window of a row that fits may hold the tone in its second half only.
        return self._run_us - HOP_US + self._window / 2 * STEP_US >= SURE_US and self._run_us > 0

    def _interrupted(self, many: int) -> bool:
        self._samples = self._samples[-self._kept :]
        self._unseen += many
        if self._unseen < 400:
            return False
        self._unseen = 0
        return any(right_on_time(heard, self.tone) for heard in hear_piece(Piece(0.0, self._samples), self.tone))
