"""The discrete Fourier transform at chosen frequencies: the number that Goertzel's recurrence gives as well.

Here it is a sum over whole arrays, because numpy does that faster than any recurrence in Python. Never by a matrix
product: on arrays this small, the threads that numpy starts for one cost more than they give.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

Samples = np.ndarray[Any, np.dtype[np.float64]]
Complexes = np.ndarray[Any, np.dtype[np.complex128]]


def dft(samples: Samples, frequencies_Hz: Sequence[float] | Samples, rate_Hz: float) -> Complexes:
    """Return sum(x[n] exp(-2 pi i f n / rate)) for each frequency f; n counts from 0. Any frequency, not only bins."""
    cosines, sines = waves(frequencies_Hz, 0, len(samples), rate_Hz)
    found: Complexes = np.einsum("pn,n->p", cosines, samples) - 1j * np.einsum("pn,n->p", sines, samples)
    return found


def waves(frequencies_Hz: Sequence[float] | Samples, low: int, high: int, rate_Hz: float) -> tuple[Samples, Samples]:
    """Return cosines and sines of unit peak for samples low..high; one row a frequency, phase 0 at sample 0."""
    angles = np.multiply.outer(np.asarray(frequencies_Hz, dtype=float) * (2 * np.pi / rate_Hz), np.arange(low, high))
    return np.cos(angles), np.sin(angles)


def powers(samples: Samples, frequencies_Hz: Sequence[float] | Samples, rate_Hz: float) -> Samples:
    """Return the squared magnitudes of `dft`: (N/2)^2 for a unit sine of whole periods in N samples (facts Q26)."""
    found = dft(samples, frequencies_Hz, rate_Hz)
    result: Samples = found.real**2 + found.imag**2
    return result
