"""A plain reverb, for hearing and measuring what a compressor does to one: noise that dies away."""

from __future__ import annotations

import numpy as np
from scipy.signal import fftconvolve

from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import check_number
from vocomp_lab.sound.levels import db_to_amplitude
from vocomp_lab.sound.seeded import stream


def reverb(clip: Clip, decay_s: float = 1.5, seed: int = 1) -> Clip:
    """What comes back from a reverb that is fed a clip: the reverb alone, without the clip.

    Parameters
    ----------
    clip : Clip
    decay_s : float
        Reverberation time: what is left is 60 dB down after so long; 0.1 to 10 s.
    seed : int
        Draws the noise, for each channel its own; 0 up.

    Returns
    -------
    Clip
        As long as the clip, so the tail ends with it. A steady noise comes back at its own level.

    Raises
    ------
    ValueError
        If a setting is out of its range.

    Notes
    -----
    White noise with an exponential decay, convolved with the clip: the usual model of late reverberation (common
    practice, no source). Reverberation time by its definition, 60 dB (ISO 3382; value from memory). A tool for
    measuring, not for mixing.
    """
    decay_s = check_number("decay_s", decay_s, 0.1, 10, "s")
    noise = stream(seed, "reverb")
    t = np.arange(round(decay_s * clip.rate)) / clip.rate
    response = noise.standard_normal((len(t), clip.channels)) * db_to_amplitude(-60.0 * t / decay_s)[:, None]
    response /= np.sqrt(np.sum(response**2, axis=0))
    wet = fftconvolve(clip.columns, response, axes=0)[: clip.frames]
    return clip.with_samples(wet.reshape(clip.samples.shape))
