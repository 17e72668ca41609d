"""The sound of a replay, as WAV: the recorded line where the board listened, clicks made from happenings elsewhere.

Slowed or hastened, with pitch kept: short pieces of the samples are laid over each other at new distances, each taken
from where it goes on best from the piece before it (overlap-add with a search for the best likeness). Where a stretch
is unfolded the line is silent and only the clicks sound, one for each thing that moves.

Clicks are ours: short damped sines, lower for what is heavier. They are sounds for the picture, not a record of the
unit's own noise, which no port of the board hears.
"""

from __future__ import annotations

import io
import wave
from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np

from demo_ctl.measure.tones import pieces
from demo_ctl.show.model import Happening
from demo_ctl.show.unfold import Timeline
from demo_ctl.wire.messages import AUDIO_HZ, Audio

Samples = np.ndarray[Any, np.dtype[np.float64]]

#: A piece of 32 ms holds several waves of every tone of a telephone line; half of it overlaps the next.
PIECE = 256
_HOP = PIECE // 2
#: How far the search goes either way: more than one wave of the lowest tone part (350 Hz), and of the beat of two.
_SEARCH = 120
#: The converter's 12 bits, at most.
_FULL = 2048.0
#: The longest sound that is made: half an hour, 29 MB. Slower replays of longer calls are told to have none.
MOST_S = 1800


class Click(NamedTuple):
    """A damped sine: its pitch, how soon it dies, and how loud it is, 1 at most."""

    pitch_Hz: float
    decay_s: float
    loud: float


_RELAY_ON, _RELAY_OFF = Click(2100.0, 0.004, 0.30), Click(1700.0, 0.003, 0.20)
_CONTACT = Click(2900.0, 0.002, 0.25)
_HOOK = Click(900.0, 0.012, 0.45)
_MAGNET = Click(420.0, 0.018, 0.80)
_MAGNET_BACK = Click(640.0, 0.008, 0.30)
_HOME = Click(240.0, 0.040, 0.90)
_BELL = Click(1320.0, 0.350, 0.50)


def click_of(happening: Happening) -> Click | None:
    """Return how a happening sounds; None for what makes no noise."""
    thing, on = happening.thing, bool(happening.value)
    if thing in ("A", "B", "C", "D", "F", "cut-through", "line relay", "cut-off relay"):
        return _RELAY_ON if on else _RELAY_OFF
    if thing in ("vertical magnet", "rotary magnet"):
        return _MAGNET if on else _MAGNET_BACK
    if thing == "release magnet":
        return _MAGNET if on else _HOME
    if happening.part in ("caller", "called"):
        if thing == "pulse":
            return _CONTACT
        if thing == "hook":
            return _HOOK
        if thing == "ringing" and on:
            return _BELL
    return None


def stretched(samples: Samples, wanted: int) -> Samples:
    """Return `samples` as `wanted` samples, slower or faster, with every pitch in its place."""
    if wanted <= 0 or not len(samples):
        return np.zeros(max(0, wanted))
    if wanted == len(samples):
        return samples.astype(np.float64)
    if len(samples) < 2 * PIECE:
        # Too short to have a pitch: it stands once, and silence fills the rest.
        out = np.zeros(wanted)
        part = samples[:wanted]
        out[: len(part)] = part
        return out
    window = 0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(PIECE) + 0.5) / PIECE)
    padded = np.concatenate([np.zeros(PIECE + _SEARCH), samples, np.zeros(PIECE + _SEARCH + _HOP)])
    offset = PIECE + _SEARCH
    many = wanted // _HOP + 2
    out = np.zeros((many + 1) * _HOP)
    ratio = len(samples) / wanted
    latest = len(padded) - PIECE - _HOP - _SEARCH
    taken = -1
    for place in range(many):
        ideal = min(max(offset + round((place * _HOP - _HOP) * ratio), _SEARCH), latest)
        begin = ideal
        if taken >= 0:
            goes_on = padded[taken + _HOP : taken + _HOP + PIECE]
            near = padded[ideal - _SEARCH : ideal + _SEARCH + PIECE]
            begin = ideal - _SEARCH + _best(near, goes_on)
        piece = padded[begin : begin + PIECE] * window
        out[place * _HOP : place * _HOP + PIECE] += piece
        taken = begin
    return out[_HOP : _HOP + wanted]


def _best(near: Samples, wanted: Samples) -> int:
    """Where in `near` a piece is most like `wanted`."""
    likeness = np.correlate(near, wanted, mode="valid")
    squares = np.concatenate([[0.0], np.cumsum(near * near)])
    energy = squares[len(wanted) :] - squares[: len(squares) - len(wanted)]
    return int(np.argmax(likeness / np.sqrt(energy + 1.0)))


def recorded(audio: Iterable[Audio], port: int, timeline: Timeline, happenings: Sequence[Happening]) -> Samples:
    """Return the line of a port as a replay plays it, -1 to 1: silence where nothing was listened to or is unfolded."""
    out = np.zeros(_length(timeline))
    spans = _real_spans(timeline, happenings)
    for piece in pieces(audio, port):
        for span in spans:
            begin_us, end_us = max(piece.start_us, span.at_us), min(piece.end_us, span.end_us)
            if end_us <= begin_us:
                continue
            first = round((begin_us - piece.start_us) * AUDIO_HZ / 1e6)
            last = min(round((end_us - piece.start_us) * AUDIO_HZ / 1e6), len(piece.samples))
            place = round((span.show_us + (begin_us - span.at_us) / float(timeline.pace)) * AUDIO_HZ / 1e6)
            wanted = min(round((last - first) / float(timeline.pace)), len(out) - place)
            if wanted > 0 and last > first:
                out[place : place + wanted] += stretched(piece.samples[first:last], wanted) / _FULL
    return out


class _Span(NamedTuple):
    """From at_us to end_us of the record the replay runs through, beginning at show_us of the show."""

    at_us: int
    end_us: int
    show_us: int


def _real_spans(timeline: Timeline, happenings: Sequence[Happening]) -> list[_Span]:
    """The stretches of a replay in which the record's time goes on."""
    at_us = {each.number: each.at_us for each in happenings}
    spans: list[_Span] = []
    begin: tuple[int, int] | None = None
    last_us = 0
    for frame in timeline.frames:
        known = at_us.get(frame.number)
        if frame.mode != "real":
            if begin is not None:
                spans.append(_Span(begin[0], last_us + _until(timeline, begin, last_us, frame.show_us), begin[1]))
            begin = None
        elif known is not None:
            if begin is None or known < begin[0]:
                begin = (known, frame.show_us)
            last_us = known
    if begin is not None:
        spans.append(_Span(begin[0], last_us, begin[1]))
    return spans


def _until(timeline: Timeline, begin: tuple[int, int], last_us: int, show_us: int) -> int:
    """How much of the record still runs between the last happening shown and the moment things are unfolded."""
    return max(0, int((show_us - begin[1]) * timeline.pace) - (last_us - begin[0]))


def clicks(timeline: Timeline, happenings: Sequence[Happening]) -> Samples:
    """Return the clicks of a replay, -1 to 1: one for each thing that moves, when it is shown to move."""
    out = np.zeros(_length(timeline))
    by_number = {each.number: each for each in happenings}
    made: dict[Click, Samples] = {}
    for frame in timeline.frames:
        happening = by_number.get(frame.number)
        click = click_of(happening) if happening is not None and frame.mode != "back" else None
        if click is None:
            continue
        if click not in made:
            made[click] = _click(click)
        place = round(frame.show_us * AUDIO_HZ / 1e6)
        part = made[click][: max(0, len(out) - place)]
        out[place : place + len(part)] += part
    return out


def _click(click: Click) -> Samples:
    t_s = np.arange(round(6 * click.decay_s * AUDIO_HZ)) / AUDIO_HZ
    made: Samples = click.loud * np.exp(-t_s / click.decay_s) * np.sin(2 * np.pi * click.pitch_Hz * t_s)
    return made


def sound(
    timeline: Timeline, happenings: Sequence[Happening], audio: Iterable[Audio] = (), port: int = 0
) -> bytes | None:
    """Return the sound of a replay as a WAV file's bytes (8 kHz, 16 bits, one channel), as long as the replay.

    With audio of the port, the line and, softer, the clicks; else the clicks alone. None: it would be too long.
    """
    if timeline.total_us > MOST_S * 1_000_000:
        return None
    made = clicks(timeline, happenings)
    blocks = [block for block in audio if block.port == port]
    if blocks:
        made = 0.5 * made + 2.0 * recorded(blocks, port, timeline, happenings)
    return wav(made)


def wav(samples: Samples) -> bytes:
    """Return samples of -1 to 1 as a WAV file; what goes beyond is limited."""
    words = np.clip(np.round(samples * 32767), -32767, 32767).astype("<i2")
    out = io.BytesIO()
    with wave.open(out, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(AUDIO_HZ)
        file.writeframes(words.tobytes())
    return out.getvalue()


def _length(timeline: Timeline) -> int:
    return int(Fraction(timeline.total_us * AUDIO_HZ, 1_000_000))
