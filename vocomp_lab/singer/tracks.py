"""Control tracks: what the singing body does, as curves with one value every 2 ms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

STEP_S = 0.002


@dataclass(frozen=True)
class Tracks:
    """Control tracks, one value every :data:`STEP_S` seconds.

    Attributes
    ----------
    times_s, f0_hz : ndarray, shape (n,)
    voice : ndarray, shape (n,)
        Amplitude of the glottal source.
    shape_rd : ndarray, shape (n,)
        Shape of the glottal pulse.
    muffle_hz : ndarray, shape (n,)
        Corner of the low-pass that a closed mouth puts on the voice.
    formants_hz, bandwidths_hz : ndarray, shape (n, poles)
    nasal : ndarray, shape (n,)
        0 mouth open, 1 closed and sung through the nose.
    zero_hz : ndarray, shape (n,)
        The closed mouth's zero.
    aspiration : ndarray, shape (n,)
        RMS of the breath noise.
    loudness_db : ndarray, shape (n,)
        Loudness that score and phrase call for, without the mouth's own effects.
    """

    times_s: np.ndarray
    f0_hz: np.ndarray
    voice: np.ndarray
    shape_rd: np.ndarray
    muffle_hz: np.ndarray
    formants_hz: np.ndarray
    bandwidths_hz: np.ndarray
    nasal: np.ndarray
    zero_hz: np.ndarray
    aspiration: np.ndarray
    loudness_db: np.ndarray


def smoothed(values: np.ndarray, length_s: float, step_s: float = STEP_S) -> np.ndarray:
    """`values` (n,) or (n, m) under a Hann window of this length, the ends held."""
    half = max(1, int(round(0.5 * length_s / step_s)))
    window = 0.5 - 0.5 * np.cos(2.0 * np.pi * (np.arange(2 * half + 1) + 1.0) / (2 * half + 2))
    window /= window.sum()
    columns = values.reshape(len(values), -1)
    padded = np.concatenate([np.repeat(columns[:1], half, 0), columns, np.repeat(columns[-1:], half, 0)])
    out = np.zeros_like(columns)
    for shift, weight in enumerate(window):
        out += weight * padded[shift : shift + len(columns)]
    return out.reshape(values.shape)


def span(times_s: np.ndarray, start_s: float, end_s: float) -> slice:
    """The part of a track from `start_s` up to `end_s`."""
    return slice(int(np.searchsorted(times_s, start_s)), int(np.searchsorted(times_s, end_s)))


def noise_track(rng, length: int, slowness_s: float) -> np.ndarray:
    """A random curve of standard deviation 1 that changes within about `slowness_s`, shape (length,)."""
    curve = smoothed(rng.standard_normal(length), slowness_s)
    return curve / max(curve.std(), 1e-9)
