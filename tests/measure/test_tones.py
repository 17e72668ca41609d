"""Tones in noise: never mistaken, edges as good as stated, gaps unknown."""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from demo_ctl.measure.cadence import Answer, identify
from demo_ctl.measure.tones import Piece, ToneWatch, hear, hear_piece, pieces
from demo_ctl.wire import messages as m

Make = Callable[..., Any]

NorthAmerican: dict[str, tuple[list[float], list[float]]] = {
    "dial": ([350, 440], []),
    "ringback": ([440, 480], [2, 4]),
    "busy": ([480, 620], [0.5, 0.5]),
    "overflow": ([480, 620], [0.25, 0.25]),
    "vacant": ([400], []),
}


def by(carrier: float, modulator: float) -> list[float]:
    """The lines of one tone modulated by another (facts N18)."""
    return [carrier - modulator, carrier, carrier + modulator]


#: Facts 4.2 and 4.3, by Id: dial, ringing tone, busy, congestion (parts, cadence in seconds). Left out: rows whose
#: busy and congestion tones are the same, or differ in level only (N32, N35), then only one of them; N45's purr.
PLANS: dict[str, dict[str, tuple[list[float], list[float]]]] = {
    "N10-N13": {name: NorthAmerican[name] for name in ("dial", "ringback", "busy", "overflow")},
    "N13 toll": {"busy": ([480, 620], [0.5, 0.5]), "overflow": ([480, 620], [0.2, 0.3])},
    "N17": {
        "dial": (by(600, 120), []),
        "ringback": (by(420, 40), [2, 4]),
        "busy": (by(500, 100), [0.5, 0.5]),
        "overflow": (by(500, 100), [0.25, 0.25]),
    },
    "N31": {
        "dial": ([350, 440], []),
        "ringback": ([400, 450], [0.4, 0.2, 0.4, 2]),
        "busy": ([400], [0.375, 0.375]),
        "overflow": ([400], [0.4, 0.35, 0.225, 0.525]),
        "vacant": ([400], []),
    },
    "N32": {"dial": ([413, 438], []), "ringback": ([413, 438], [0.4, 0.2, 0.4, 2]), "busy": ([425], [0.375, 0.375])},
    "N33": {
        "dial": ([400], []),
        "ringback": ([400, 450], [0.4, 0.2, 0.4, 2]),
        "busy": ([400], [0.5, 0.5]),
        "overflow": ([400], [0.25, 0.25]),
    },
    "N34": {
        "dial": ([425], []),
        "ringback": ([425], [1, 4]),
        "busy": ([425], [0.48, 0.48]),
        "overflow": ([425], [0.24, 0.24]),
    },
    "N37": {
        "dial": ([420], []),
        "ringback": ([420], [1, 5]),
        "busy": ([420], [0.4, 0.4]),
        "overflow": ([420], [0.2, 0.2]),
    },
    "N39": {
        "dial": ([425], []),
        "ringback": ([425], [1, 5]),
        "busy": ([425], [0.25, 0.25]),
        "overflow": ([425], [0.25, 0.75]),
    },
    "N40": {"dial": ([400], []), "ringback": (by(400, 15), [1, 2]), "busy": ([400], [0.5, 0.5])},
    "N41": {
        "dial": (by(400, 25), []),
        "ringback": (by(400, 25), [0.4, 0.2, 0.4, 2]),
        "busy": ([400], [0.75, 0.75]),
        "overflow": ([400], [0.25, 0.25]),
    },
    "N43": {
        "dial": ([450], []),
        "ringback": ([450], [1, 4]),
        "busy": ([450], [0.35, 0.35]),
        "overflow": ([450], [0.7, 0.7]),
    },
    "N44": {
        "dial": ([425], []),
        "ringback": ([425], [1, 4]),
        "busy": ([425], [0.25, 0.25]),
        "overflow": ([425], [0.25, 0.25, 0.75, 0.25]),
    },
}


def stretches(cadence: Sequence[float], begun: float, long_s: float) -> list[tuple[float, float]]:
    """When an interrupted tone sounds, its cycle begun `begun` seconds before; a steady one from 0.3 s on."""
    if not cadence:
        return [(0.3, long_s)]
    found, at = [], -begun
    while at < long_s:
        for place, part in enumerate(cadence):
            if place % 2 == 0:
                found.append((at, at + part))
            at += part
    return found


def weights(parts: Sequence[float]) -> list[float]:
    """Side lines of a modulated tone are half as strong."""
    return [0.5, 1.0, 0.5] if len(parts) == 3 else [1.0] * len(parts)


@pytest.mark.parametrize("row", PLANS)
@pytest.mark.parametrize("noise", [0.5, 6.0])
def test_tones_of_a_plan_are_never_taken_for_each_other(tone_of: Make, sing: Make, row: str, noise: float) -> None:
    """Each tone, heard for two and a half cycles begun anywhere, is itself and none of the others of its plan."""
    plan = PLANS[row]
    for name, (parts, cadence) in plan.items():
        rng = np.random.default_rng([len(name), int(noise * 10), *map(ord, row)])
        long_s = 2.5 * sum(cadence) if cadence else 2.5
        begun = float(rng.uniform(0, sum(cadence))) if cadence else 0.0
        samples = sing(rng, parts, stretches(cadence, begun, long_s), long_s, noise=noise, weights=weights(parts))
        piece = Piece(0.0, samples)
        answers = {}
        for other, (other_parts, other_cadence) in plan.items():
            tone = tone_of(other_parts, other_cadence, 1.0)
            answers[other] = identify(hear_piece(piece, tone), tone)
        assert [other for other, answer in answers.items() if answer is Answer.YES] == [name], answers


@pytest.mark.parametrize("name", NorthAmerican)
def test_edges_lie_within_their_uncertainty(tone_of: Make, sing: Make, name: str) -> None:
    """At least 95 % of beginnings and ends within 2u, none far off, off-frequency and in noise."""
    parts, _ = NorthAmerican[name]
    tone = tone_of(parts, (), 2.0)
    rng = np.random.default_rng([7, *map(ord, name)])
    hits, worst_ms = [], 0.0
    for _ in range(60):
        begin, long_s = float(rng.uniform(0.2, 0.5)), float(rng.uniform(0.22, 0.9))
        off = 1 + float(rng.uniform(-0.015, 0.015))
        noise = float(rng.choice([0.5, 4.0, 12.0]))
        samples = sing(rng, [part * off for part in parts], [(begin, begin + long_s)], 1.7, noise=noise)
        (heard,) = hear_piece(Piece(1e6, samples), tone)
        assert heard.begin_seen
        assert heard.end_seen
        for found_us, u_us, truth_s in (
            (heard.begin_us, heard.begin_u_us, begin),
            (heard.end_us, heard.end_u_us, begin + long_s),
        ):
            # The first sample that sounds is at or after the instant: half a sample late on average.
            error_ms = abs(found_us - 1e6 - truth_s * 1e6 - 62.5) / 1000
            hits.append(error_ms <= 2 * u_us / 1000)
            worst_ms = max(worst_ms, error_ms)
    assert np.mean(hits) >= 0.95
    assert worst_ms < 8


def test_frequency_outside_the_tolerance_is_another_tone(tone_of: Make, sing: Make) -> None:
    rng = np.random.default_rng(3)
    tone = tone_of([350, 440], (), 1.5)
    for off, heard in ((0.97, 0), (0.99, 1), (1.01, 1), (1.03, 0)):
        samples = sing(rng, [350 * off, 440 * off], [(0.3, 1.3)], 1.6)
        assert len(hear_piece(Piece(0.0, samples), tone)) == heard, off


def test_one_part_alone_or_much_weaker_is_not_the_tone(tone_of: Make, sing: Make) -> None:
    rng = np.random.default_rng(4)
    tone = tone_of([350, 440])
    for first, second, heard in ((1, 0, 0), (0, 1, 0), (1, 0.2, 0), (1, 0.5, 1), (1, 1, 1)):
        samples = sing(rng, [350, 440], [(0.3, 1.3)], 1.6, weights=[first, second])
        assert len(hear_piece(Piece(0.0, samples), tone)) == heard, (first, second)


@settings(deadline=None, max_examples=40)
@given(seed=st.integers(0, 2**32 - 1), loud=st.floats(0, 600), long=st.integers(0, 9000))
def test_noise_speech_like_and_clipped_sound_is_no_tone(tone_of: Make, seed: int, loud: float, long: int) -> None:
    """Law: noise of any loudness and length, also through a low pass and clipped, is never heard as a tone."""
    rng = np.random.default_rng(seed)
    white = rng.normal(0, 1, long + 64)
    low = np.convolve(white, np.hanning(8), mode="same")[:long] * loud
    for samples in (white[:long] * loud, low, np.clip(low * 4, -m.AUDIO_REST, 4095 - m.AUDIO_REST)):
        for parts, _ in NorthAmerican.values():
            found = hear_piece(Piece(0.0, np.rint(samples)), tone_of(parts, (), 2.0))
            assert sum(one.end_us - one.begin_us for one in found) < 150_000


@settings(deadline=None, max_examples=80)
@given(
    first=st.integers(0, 400),
    second=st.integers(0, 2400),
    parts=st.sampled_from([[350.0, 440.0], [400.0], [440.0, 480.0]]),
    seed=st.integers(0, 999),
)
def test_any_cut_of_a_tone_is_survived(
    tone_of: Make, sing: Make, first: int, second: int, parts: list[float], seed: int
) -> None:
    """Law: whatever piece of audio comes, edges lie inside it, in order, and nothing is raised."""
    rng = np.random.default_rng(seed)
    samples = sing(rng, parts, [(first / 1000, (first + second) / 1000)], 1.2)[: 200 + 5 * second]
    piece = Piece(5e6, samples)
    last = 5e6
    for one in hear_piece(piece, tone_of(parts)):
        assert last <= one.begin_us < one.end_us <= piece.end_us + 1
        last = one.end_us


def blocks(samples: Any, start_us: int, missing: Sequence[int] = (), port: int = 1) -> list[m.Audio]:
    words = (np.asarray(samples) + m.AUDIO_REST).astype("<u2")
    return [
        m.Audio(
            number * m.AUDIO_BLOCK,
            start_us + number * m.AUDIO_BLOCK_US,
            port,
            words[number * m.AUDIO_BLOCK : (number + 1) * m.AUDIO_BLOCK].tobytes(),
        )
        for number in range(len(words) // m.AUDIO_BLOCK)
        if number not in missing
    ]


def test_a_gap_is_unknown_and_not_silence(tone_of: Make, sing: Make) -> None:
    """Blocks dropped in the middle of a steady tone: two pieces, and no edge was seen at the gap."""
    samples = sing(np.random.default_rng(1), [350, 440], [(0.3, 2.0)], 2.0)
    found = hear(pieces(blocks(samples, 1000, missing=range(60, 80)), 1), tone_of([350, 440]))
    assert [(one.begin_seen, one.end_seen) for one in found] == [(True, False), (False, False)]
    assert abs(found[0].begin_us - 301_000) < 1000
    assert abs(found[0].end_us - (1000 + 60 * m.AUDIO_BLOCK_US)) < 1000
    assert abs(found[1].begin_us - (1000 + 80 * m.AUDIO_BLOCK_US)) < 1000


def test_a_new_listening_is_another_piece(sing: Make) -> None:
    samples = sing(np.random.default_rng(1), [350, 440], [(0, 2.0)], 0.5)
    stream = [*blocks(samples, 1000), *blocks(samples, 9_000_000), *blocks(samples, 9_800_000, port=2)]
    assert [round(piece.start_us) for piece in pieces(stream, 1)] == [1000, 9_000_000]
    assert [round(piece.start_us) for piece in pieces(stream, 2)] == [9_800_000]


def test_stamps_that_jitter_are_averaged(tone_of: Make, sing: Make) -> None:
    rng = np.random.default_rng(12)
    samples = sing(rng, [350, 440], [(0.5, 2.0)], 2.0)
    stream = [block._replace(at_us=block.at_us + int(rng.integers(-900, 900))) for block in blocks(samples, 10_000)]
    (piece,) = pieces(stream, 1)
    assert abs(piece.start_us - 10_000) < 4 * 900 / len(stream) ** 0.5
    assert 0 < piece.stamp_u_us < 200


def fed(watch: ToneWatch, samples: Any) -> float | None:
    """Feed a watch block by block; return when it was sure, in seconds, or None."""
    for block in blocks(samples, 0):
        if watch.add(bytes(block.data)):
            return (block.at_us + m.AUDIO_BLOCK_US) / 1e6
    return None


@pytest.mark.parametrize("name", NorthAmerican)
def test_watch_hears_its_tone_and_no_other(tone_of: Make, sing: Make, name: str) -> None:
    """Steady tones are sure 150 ms after they began and little later; interrupted ones after one whole on time."""
    parts, cadence = NorthAmerican[name]
    rng = np.random.default_rng([5, *map(ord, name)])
    begin = 0.7
    long_s = 2.2 * sum(cadence) + 2.5
    if cadence:
        sounding = [(begin + on, begin + off) for on, off in stretches(cadence, 0, long_s)]
    else:
        sounding = [(begin, long_s)]
    samples = sing(rng, parts, sounding, long_s, noise=2.0)
    for other, (other_parts, other_cadence) in NorthAmerican.items():
        sure = fed(ToneWatch(tone_of(other_parts, other_cadence, 2.0)), samples)
        if other != name:
            assert sure is None, other
        elif cadence:
            assert sure is not None
            assert begin + cadence[0] < sure < begin + cadence[0] + 0.3
        else:
            assert sure is not None
            assert begin + 0.13 <= sure <= begin + 0.25


def test_watch_does_not_care_how_words_come(tone_of: Make, sing: Make) -> None:
    """Law: any cutting of the stream into words gives the same answer, if not at the same word."""
    samples = sing(np.random.default_rng(2), [350, 440], [(0.2, 0.9)], 1.0)
    data = (samples + m.AUDIO_REST).astype("<u2").tobytes()
    chance = random.Random(3)
    for _ in range(5):
        watch, at = ToneWatch(tone_of([350, 440])), 0
        while at < len(data):
            size = 2 * chance.randint(1, 700)
            watch.add(data[at : at + size])
            at += size
        assert watch.heard
    short = ToneWatch(tone_of([350, 440]))
    assert not short.add(data[: 2 * int(0.31 * 8000)])


def test_watch_forgets_over_a_gap(tone_of: Make, sing: Make) -> None:
    samples = sing(np.random.default_rng(2), [350, 440], [(0, 0.9)], 0.12)
    watch = ToneWatch(tone_of([350, 440]))
    for _ in range(6):
        data = (samples + m.AUDIO_REST).astype("<u2").tobytes()
        assert not watch.add(data)
        watch.gap()
