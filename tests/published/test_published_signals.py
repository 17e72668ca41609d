"""Signals against published and recomputable figures (facts 8.2).

Goertzel's recurrence is written out here, from its definition, with the coefficients of row Q25: an independent way to
the numbers that `measure.dft` gives. Rows Q20 and Q24-Q27 are arithmetic (COMPUTED in the facts).
"""

from __future__ import annotations

from math import cos, pi, sqrt
from typing import Any

import numpy as np
import pytest

from demo_ctl.measure.dft import dft, powers
from demo_ctl.measure.tones import FLOOR, fits, spectra, window_of
from demo_ctl.office.model import Tone

FS = 8000

Q25 = {
    350: 1.924910,
    400: 1.902113,
    425: 1.889612,
    440: 1.881762,
    480: 1.859553,
    620: 1.767531,
    697: 1.707738,
    770: 1.645281,
    852: 1.568687,
    941: 1.478205,
    1209: 1.164104,
    1336: 0.996370,
    1477: 0.798618,
    1633: 0.568533,
}


def sine(f_Hz: float, many: int = 800, peak: float = 1.0, phase: float = 0.0) -> Any:
    return peak * np.sin(2 * pi * f_Hz * np.arange(many) / FS + phase)


def goertzel(samples: Any, coefficient: float) -> float:
    """The recurrence s[n] = x[n] + c s[n-1] - s[n-2]; the power of its last two values."""
    one = two = 0.0
    for sample in samples:
        one, two = float(sample) + coefficient * one - two, one
    return one * one + two * two - coefficient * one * two


def tone(*parts_Hz: float) -> Tone:
    fields = {
        "parts": [f"{part:g} Hz" for part in parts_Hz],
        "level": "-13 dBm",
        "tolerance": "1 %",
        "source": "a test",
    }
    return Tone.model_validate(fields)


def test_q20_sine_power() -> None:
    """A sine of peak A has mean square A^2/2 (rms 0.70711 A), which is how the detector scales a tone's strength."""
    assert sqrt(np.mean(sine(400) ** 2)) == pytest.approx(0.70711, abs=5e-6)
    _, strength = fits(spectra(sine(400, 8000, peak=100), 800), tone(400))
    assert sqrt(float(strength[len(strength) // 2])) == pytest.approx(70.711, rel=1e-4)


def test_q24_short_transforms() -> None:
    """1,2,3,4 and two eight-point signals."""
    found = dft(np.array([1.0, 2, 3, 4]), [0, 1, 2, 3], 4)
    assert found == pytest.approx(np.array([10, -2 + 2j, -2, -2 - 2j]))
    assert powers(np.array([1.0, 2, 3, 4]), [0, 1, 2, 3], 4) == pytest.approx([100, 8, 4, 8])
    square = np.array([1.0, 1, 0, 0, -1, -1, 0, 0])
    assert powers(square, [0, 1, 2, 3, 4], 8) == pytest.approx([0, 13.656854, 0, 2.343146, 0], abs=1e-6)
    one_cycle = np.sin(2 * pi * np.arange(8) / 8)
    assert powers(one_cycle, list(range(8)), 8) == pytest.approx([0, 16, 0, 0, 0, 0, 0, 16], abs=1e-9)


@pytest.mark.parametrize("f_Hz", Q25)
def test_q25_goertzel_gives_what_our_transform_gives(f_Hz: int) -> None:
    """With the published coefficient, the recurrence finds the same power at each frequency."""
    assert 2 * cos(2 * pi * f_Hz / FS) == pytest.approx(Q25[f_Hz], abs=5e-7)
    rng = np.random.default_rng(f_Hz)
    samples = sine(f_Hz, phase=1.1) + 0.5 * sine(1000) + rng.normal(0, 0.3, 800)
    assert goertzel(samples, Q25[f_Hz]) == pytest.approx(float(powers(samples, [f_Hz], FS)[0]), rel=2e-3)


def test_q26_powers_of_unit_sines() -> None:
    """(N/2)^2 = 160000 at the frequency, 0 at the other parts; two sines give it at both; off by 5 Hz: -3.875 dB."""
    frequencies = [440, 350, 450, 480, 620]
    assert powers(sine(440), frequencies, FS) == pytest.approx([160000, 0, 0, 0, 0], abs=1e-3)
    assert powers(sine(350) + sine(440), [350, 440], FS) == pytest.approx([160000, 160000])
    off = float(powers(sine(445), [440], FS)[0])
    assert off == pytest.approx(65550.27, abs=0.01)
    assert 10 * np.log10(off / 160000) == pytest.approx(-3.875, abs=5e-4)


def test_q27_bins() -> None:
    """N 800: 10 Hz bins hold 350..620 but not 413, 425, 438; N 205 has 39.02 Hz and cannot part 440 from 480 well."""
    assert FS / window_of(tone(350, 440)) == 10
    whole = [f for f in (350, 400, 413, 420, 425, 438, 440, 450, 480, 500, 600, 620) if f % 10 == 0]
    assert whole == [350, 400, 420, 440, 450, 480, 500, 600, 620]
    assert round(FS / 205, 2) == 39.02
    # Both at once: is there a dip between them, whatever their phases? With 800 samples always, with 205 not.
    dips = {
        many: max(
            float(between / min(one, two))
            for phase in np.linspace(0, 2 * pi, 16)
            for one, between, two in [powers(sine(440, many) + sine(480, many, phase=phase), [440, 460, 480], FS)]
        )
        for many in (800, 205)
    }
    assert dips[800] < 1e-9
    assert dips[205] > 1


def test_close_parts_get_a_longer_window() -> None:
    """Parts 25 Hz apart (N32: 413 + 438) get four bins between them; a single tone the shortest window."""
    assert window_of(tone(413, 438)) * 25 / FS >= 4
    assert window_of(tone(425)) == 800
    assert window_of(tone(440, 480)) == 800


def test_levels_of_published_tones_are_far_above_the_floor() -> None:
    """The weakest published tone is -24 dBm (N12), 49 mV in 600 ohm (L15): 49 counts on a converter of 1 mV a step."""
    volts = sqrt(0.6 * 10 ** (-24 / 10))
    assert volts == pytest.approx(0.0489, abs=5e-5)
    assert volts * 1000 > 5 * FLOOR
