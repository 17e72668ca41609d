"""The discrete Fourier transform at chosen frequencies: the number that Goertzel's recurrence gives as well.

Here it is one matrix product, because numpy does that faster than any recurrence in Python.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

Samples = np.ndarray[Any, np.dtype[np.float64]]
Complexes = np.ndarray[Any, np.dtype[np.complex128]]


def dft(samples: Samples, frequencies_Hz: Sequence[float] | Samples, rate_Hz: float) -> Complexes:
    """Return sum(x[n] exp(-2 pi i f n / rate)) for each frequency f; n counts from 0. Any frequency, not only bins."""
    n = np.arange(len(samples))
    turns = np.outer(np.asarray(frequencies_Hz, dtype=float) / rate_Hz, n)
    result: Complexes = np.exp(-2j * np.pi * turns) @ samples
    return result


def powers(samples: Samples, frequencies_Hz: Sequence[float] | Samples, rate_Hz: float) -> Samples:
    """Return the squared magnitudes of `dft`: (N/2)^2 for a unit sine of whole periods in N samples (facts Q26)."""
    found = dft(samples, frequencies_Hz, rate_Hz)
    result: Samples = found.real**2 + found.imag**2
    return result
