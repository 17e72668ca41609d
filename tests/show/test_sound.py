"""The sound of a replay: as long as the replay, every pitch in its place, clicks where things move.

Pitches are measured by scipy's spectra, an outside reference; nothing of this program is used for it.
"""

from __future__ import annotations

import io
import wave
from collections.abc import Callable
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.io import wavfile
from scipy.signal import find_peaks, welch

from demo_ctl.show.sound import MOST_S, Click, click_of, clicks, recorded, sound, stretched, wav
from demo_ctl.show.unfold import FASTEST, SLOWEST, Unfolding, timeline
from demo_ctl.wire.messages import AUDIO_HZ

Make = Callable[..., Any]
#: A spectrum of 2048 samples parts pitches 4 Hz apart; a stretched tone may lie half a bin off.
NEAR_Hz = 4.0


def tone(parts_Hz: tuple[float, ...], seconds: float) -> Any:
    t_s = np.arange(round(seconds * AUDIO_HZ)) / AUDIO_HZ
    return 250.0 * sum(np.sin(2 * np.pi * part * t_s + place) for place, part in enumerate(parts_Hz))


def peaks_Hz(samples: Any, many: int) -> list[float]:
    """The strongest pitches, by scipy."""
    f_Hz, power = welch(samples, AUDIO_HZ, nperseg=2048, nfft=16384)
    found, _ = find_peaks(power)
    strongest = sorted(found, key=lambda place: -power[place])[:many]
    return sorted(float(f_Hz[place]) for place in strongest)


@settings(deadline=None, max_examples=25)
@given(
    parts=st.sampled_from([(400.0,), (350.0, 440.0), (440.0, 480.0), (480.0, 620.0), (1000.0,), (350.0, 1633.0)]),
    ratio=st.floats(0.25, 20.0),
)
def test_pitch_is_kept_and_length_is_right(parts: tuple[float, ...], ratio: float) -> None:
    """Every tone of a telephone line, at any pace: so many samples, the same pitches, as loud as before."""
    samples = tone(parts, 3.0)
    wanted = round(len(samples) * ratio)
    made = stretched(samples, wanted)
    assert len(made) == wanted
    middle = made[len(made) // 8 : -len(made) // 8]
    for found, part in zip(peaks_Hz(middle, len(parts)), parts, strict=True):
        assert abs(found - part) <= NEAR_Hz, (ratio, found, part)
    f_Hz, power = welch(middle, AUDIO_HZ, nperseg=2048)
    near = sum(abs(f_Hz - part) < 25 for part in parts) > 0
    assert power[near].sum() > 0.97 * power.sum()
    assert np.std(middle) == pytest.approx(np.std(samples), rel=0.1)


def test_a_plain_change_of_speed_would_be_noticed() -> None:
    """What a tape does: the check above would not pass it."""
    samples = tone((350.0, 440.0), 3.0)
    slowed = np.interp(np.arange(2 * len(samples)) / 2, np.arange(len(samples)), samples)
    assert abs(peaks_Hz(slowed, 2)[0] - 350.0) > 100


@pytest.mark.parametrize("slow", [50, 25])
def test_the_slowest_pace(slow: int) -> None:
    samples = tone((350.0, 440.0), 1.0)
    made = stretched(samples, slow * len(samples))
    assert len(made) == slow * len(samples)
    low, high = peaks_Hz(made, 2)
    assert abs(low - 350.0) <= NEAR_Hz
    assert abs(high - 440.0) <= NEAR_Hz


@settings(deadline=None, max_examples=60)
@given(many=st.integers(0, 3000), wanted=st.integers(0, 9000), data=st.data())
def test_any_samples_give_as_many_as_wanted(many: int, wanted: int, data: st.DataObject) -> None:
    samples = np.random.default_rng(data.draw(st.integers(0, 99))).normal(0, 300, many)
    made = stretched(samples, wanted)
    assert len(made) == wanted
    assert np.all(np.isfinite(made))
    if many == wanted:
        assert np.array_equal(made, samples)


def test_silence_stays_silent() -> None:
    assert not np.any(stretched(np.zeros(4000), 20_000))


@settings(deadline=None, max_examples=8)
@given(
    pace=st.fractions(min_value=Fraction(1, 8), max_value=FASTEST, max_denominator=20),
    which=st.sampled_from(["nothing", "first pulse", "first of each stage"]),
)
def test_the_sound_is_as_long_as_the_replay(bench_call: Make, pace: Fraction, which: Any) -> None:
    call = bench_call()
    found = call.happenings()
    made = timeline(found, call.unit, pace, Unfolding(which))
    given_ = sound(made, found, call.observation.audio, 1)
    assert given_ is not None
    with wave.open(io.BytesIO(given_)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, AUDIO_HZ)
        assert abs(file.getnframes() / AUDIO_HZ - made.total_us / 1e6) < 1 / AUDIO_HZ
    rate, _ = wavfile.read(io.BytesIO(given_))
    assert rate == AUDIO_HZ


@pytest.mark.parametrize("pace", ["1/4", "1", "2"])
def test_the_recorded_dial_tone_sounds_where_it_was(bench_call: Make, pace: str) -> None:
    """While dial tone is on the picture the sound has its two pitches; while a digit comes, it has them no more."""
    call = bench_call()
    found = call.happenings()
    made = timeline(found, call.unit, Fraction(pace), Unfolding("nothing"))
    line = recorded(call.observation.audio, 1, made, found)
    begun = next(each for each in found if each.thing == "tone" and each.value == 1)
    over = next(each for each in found if each.thing == "tone" and not each.value)
    show = {frame.number: frame.show_us for frame in made.frames}
    first, last = (round(show[each.number] * AUDIO_HZ / 1e6) for each in (begun, over))
    heard = line[first:last]
    for found_Hz, part_Hz in zip(peaks_Hz(heard, 2), call.unit.tones.dial.parts_Hz, strict=True):
        assert abs(found_Hz - part_Hz) <= NEAR_Hz
    digit = line[last : last + round(0.25 * AUDIO_HZ / float(Fraction(pace)))]  # its own clicks are on the line
    assert tone_power(digit, call) < 0.05 * tone_power(heard, call)


def tone_power(samples: Any, call: Any) -> float:
    f_Hz, power = welch(samples, AUDIO_HZ, nperseg=512)
    return float(sum(power[np.argmin(abs(f_Hz - part))] for part in call.unit.tones.dial.parts_Hz))


def test_an_unfolded_stretch_is_silent_but_for_its_clicks(bench_call: Make) -> None:
    call = bench_call()
    found = call.happenings()
    made = timeline(found, call.unit)
    line = recorded(call.observation.audio, 1, made, found)
    apart = [frame for frame in made.frames if frame.mode in ("apart", "back")]
    begin, end = apart[0].show_us, apart[-1].show_us + apart[-1].hold_us
    inside = line[round(begin * AUDIO_HZ / 1e6) + 1 : round(end * AUDIO_HZ / 1e6) - 1]
    assert len(inside) > 10 * AUDIO_HZ
    assert not np.any(inside)
    heard = clicks(made, found)
    for frame in apart:
        at = round(frame.show_us * AUDIO_HZ / 1e6)
        if frame.mode == "apart" and click_of(found[frame.number - 1]) is not None:
            assert np.max(np.abs(heard[at : at + 40])) > 0.05, frame
    quiet = [frame for frame in apart if frame.mode == "apart" and frame.caption_key.endswith("loop 0")]
    at = round(quiet[0].show_us * AUDIO_HZ / 1e6)
    assert np.max(np.abs(heard[at : at + 4000])) < 0.02


def test_clicks_are_heard_as_often_as_things_move(bench_call: Make) -> None:
    """One attack for each happening that makes a noise, at its instant: slow enough that no two run together."""
    call = bench_call("abandoned")
    found = call.happenings()
    made = timeline(found, call.unit, SLOWEST, Unfolding("nothing"))
    noisy = [frame for frame in made.frames if frame.number and click_of(found[frame.number - 1]) is not None]
    heard = clicks(made, found)
    assert len({frame.show_us for frame in noisy}) > 50
    for frame in noisy:
        at = round(frame.show_us * AUDIO_HZ / 1e6)
        assert np.max(np.abs(heard[at : at + 30])) > 0.05
    loud = np.flatnonzero(np.abs(heard) > 0.05)
    starts = np.array(sorted({round(frame.show_us * AUDIO_HZ / 1e6) for frame in noisy}))
    nearest = starts[np.searchsorted(starts, loud, side="right") - 1]
    assert np.max(loud - nearest) < AUDIO_HZ  # nothing sounds that nothing began within a second before


def test_heavier_parts_sound_lower(bench_call: Make) -> None:
    found = bench_call().happenings(truth=True)
    by_thing: dict[str, Click | None] = {each.thing: click_of(each) for each in found if each.value}
    magnet, relay, contact = by_thing["vertical magnet"], by_thing["A"], by_thing["pulse"]
    assert magnet is not None
    assert relay is not None
    assert contact is not None
    assert magnet.pitch_Hz < relay.pitch_Hz < contact.pitch_Hz
    assert by_thing["loop"] is by_thing["tone"] is by_thing["battery"] is None


def test_without_audio_there_are_clicks_alone(bench_call: Make) -> None:
    call = bench_call()
    found = call.happenings()
    made = timeline(found, call.unit)
    alone = sound(made, found)
    assert alone == wav(clicks(made, found))
    assert alone == sound(made, found, call.observation.audio, 4)  # a port that nobody listened to


def test_a_sound_that_would_be_too_long_is_none(bench_call: Make) -> None:
    call = bench_call("answered", "mossbrook")
    found = call.happenings()
    made = timeline(found, call.unit, SLOWEST)
    assert (sound(made, found) is None) == (made.total_us > MOST_S * 1_000_000)
    assert made.total_us > MOST_S * 1_000_000


def test_what_is_too_loud_is_limited() -> None:
    _, words = wavfile.read(io.BytesIO(wav(np.array([0.0, 3.0, -3.0, 0.5]))))
    assert words.tolist() == [0, 32767, -32767, 16384]
