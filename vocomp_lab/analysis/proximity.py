"""What a directional microphone makes of a voice that is near: the lows come up."""

from __future__ import annotations

import numpy as np
from scipy.signal import bilinear, lfilter

from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import Numbers, asks, check_number
from vocomp_lab.sound.levels import amplitude_to_db

SPEED_OF_SOUND_M_PER_S = 343.0
"""In air of 20 °C (value from memory)."""
CARDIOID = 0.5
"""Share of the pressure gradient in what a cardioid picks up; the other half is pressure."""
_FLOOR_HZ = 5.0  # Down here the filter stops rising, so that it stays stable; no microphone goes on for ever either.


@asks(freq_hz=Numbers(0.001, 192_000, "Hz"))
def proximity_db(freq_hz, distance_cm: float, gradient: float = CARDIOID):
    """How far a directional microphone lifts a frequency of a near voice, compared with a distant one.

    Parameters
    ----------
    freq_hz : float or array_like
        0.001 to 192,000 Hz.
    distance_cm : float
        From the mouth to the microphone, 1 to 1,000 cm.
    gradient : float
        Share of the pressure gradient, 0 to 1: 0 for an omnidirectional microphone, 0.5 for a cardioid, 1 for a
        figure of eight.

    Returns
    -------
    float or ndarray of the same shape
        dB, ≥ 0; 0 far away, at high frequencies, and at any distance for an omnidirectional microphone.

    Raises
    ------
    ValueError
        If a setting or a frequency is out of its range.

    Notes
    -----
    Derived from the definition. The pressure of a point source is exp(−jkr)/r, with k = 2π·frequency/speed of sound.
    Its gradient along r, divided by −jk so that both are equal in a plane wave, is 1 + 1/(jkr) times that. With a share
    g of gradient and 1 − g of pressure the sum is 1 + g/(jkr) times the pressure, for sound from straight ahead. A
    mouth is no point and a microphone has a size, so real ones do somewhat less.

    Examples
    --------
    >>> from vocomp_lab.analysis.proximity import proximity_db
    >>> proximity_db([100, 1000], 5).round(1).tolist()
    [14.9, 1.1]
    """
    zero_hz = _zero_hz(distance_cm, gradient)
    lifted_db = amplitude_to_db(np.hypot(1.0, zero_hz / freq_hz))
    return float(lifted_db) if freq_hz.ndim == 0 else lifted_db


@asks(clip=A_CLIP)
def add_proximity(clip: Clip, distance_cm: float, gradient: float = CARDIOID) -> Clip:
    """A voice without proximity effect as a directional microphone near the mouth would pick it up.

    Parameters
    ----------
    clip : Clip
    distance_cm, gradient : float
        As for :func:`proximity_db`.

    Returns
    -------
    Clip
        With the lows up. The level is not changed otherwise: where the highs were, they stay.

    Raises
    ------
    ValueError
        If a setting is out of its range.

    Notes
    -----
    One pole and one zero, by the bilinear transform: the gain of :func:`proximity_db` within 0.1 dB from 40 Hz to
    1 kHz. All of the clip is taken to come from the mouth, noise of the room as well.
    """
    zero, pole = 2.0 * np.pi * _zero_hz(distance_cm, gradient), 2.0 * np.pi * _FLOOR_HZ
    lifted = lfilter(*bilinear([1.0, max(zero, pole)], [1.0, pole], clip.rate), clip.columns, axis=0)
    return clip.with_samples(lifted.reshape(clip.samples.shape))


def _zero_hz(distance_cm: float, gradient: float) -> float:
    """Frequency at which the near part is as large as the distant one."""
    distance_m = check_number("distance_cm", distance_cm, 1, 1_000, "cm") / 100.0
    return check_number("gradient", gradient, 0, 1) * SPEED_OF_SOUND_M_PER_S / (2.0 * np.pi * distance_m)
