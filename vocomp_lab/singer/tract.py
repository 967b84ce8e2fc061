"""The vocal tract as a filter: formants, the nose's zero, and the muffling of a closed mouth."""

from __future__ import annotations

import numpy as np

from vocomp_lab.singer.tracks import Tracks

_NASAL_BANDWIDTHS_HZ = (90.0, 700.0)


def tract(freqs_hz: np.ndarray, formants_hz: np.ndarray, bandwidths_hz: np.ndarray) -> np.ndarray:
    """Transfer function of a cascade of resonators, each of gain 1 at 0 Hz.

    Shapes: `freqs_hz` (n, k), the poles (n, p); result (n, k) complex. A resonator at f with bandwidth b has the poles
    −πb ± i·2πf (Klatt 1980, in its analogue form, so that the result doesn't depend on the sample rate).
    """
    below = np.ones(freqs_hz.shape, complex)
    square = freqs_hz**2
    for f, b in zip(formants_hz.T[:, :, None], bandwidths_hz.T[:, :, None]):
        centre = f**2 + 0.25 * b**2
        factor = np.empty(freqs_hz.shape, complex)
        factor.real = 1.0 - square / centre
        factor.imag = freqs_hz * (b / centre)
        below *= factor
    return 1.0 / below


def mouth(freqs_hz: np.ndarray, tracks: Tracks, at) -> np.ndarray:
    """Tract, nasal zero and muffling together at the control points `at`; shape of `freqs_hz`."""
    gain = tract(freqs_hz, tracks.formants_hz[at], tracks.bandwidths_hz[at])
    nasal = tracks.nasal[at][:, None]
    if nasal.any():
        zero = tracks.zero_hz[at][:, None]
        narrow, wide = _NASAL_BANDWIDTHS_HZ
        notch = (zero**2 - freqs_hz**2 + 1j * narrow * freqs_hz) / (zero**2 - freqs_hz**2 + 1j * wide * freqs_hz)
        gain = gain * (1.0 - nasal + nasal * notch)
    muffle = tracks.muffle_hz[at][:, None]
    if (muffle < 19_000.0).any():
        gain = gain / (1.0 + 1j * freqs_hz / muffle) ** 2
    return gain
