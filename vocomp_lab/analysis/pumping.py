"""When you hear the gain itself: how much it moves, and how it lifts room noise and hiss."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.signal import butter, sosfilt

from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.analysis.meters import checked_active, noise_floor_dbfs
from vocomp_lab.sound.audio import Clip, check_rate
from vocomp_lab.sound.checks import check_below_nyquist, check_number
from vocomp_lab.sound.levels import power_to_db

SMOOTH_MS = 50.0


def smoothed_db(reduction_db, rate: int, smooth_ms: float = SMOOTH_MS) -> np.ndarray:
    """A gain reduction as the ear follows it: averaged over a few of the voice's cycles.

    Parameters
    ----------
    reduction_db : array_like, shape (frames,)
    rate : int
    smooth_ms : float
        Length of the centred running mean, 1 to 1,000 ms.

    Returns
    -------
    ndarray, shape (frames,)

    Notes
    -----
    Movement faster than about 50 ms is heard as roughness, not as a change of level;
    :func:`vocomp_lab.analysis.distortion.harmonic_distortion_percent` measures it (common practice, no source).
    """
    smooth_ms = check_number("smooth_ms", smooth_ms, 1, 1_000, "ms")
    reduction_db = np.asarray(reduction_db, dtype=float)
    if reduction_db.ndim != 1:
        raise ValueError(f"reduction_db: shape {reduction_db.shape} is not allowed; give (frames,).")
    return uniform_filter1d(reduction_db, max(round(smooth_ms * check_rate(rate) / 1000), 1), mode="nearest")


def gain_travel_db_per_s(reduction_db, rate: int, active, smooth_ms: float = SMOOTH_MS) -> float:
    """How many decibels the gain travels, up and down, in each second of singing.

    Parameters
    ----------
    reduction_db : array_like, shape (frames,)
    rate : int
    active : array_like of bool, shape (frames,)
        Where the singer sings.
    smooth_ms : float
        See :func:`smoothed_db`.

    Returns
    -------
    float
        dB/s; 0 where nothing is sung. A gain that goes down by 3 dB and comes back once a second travels 6 dB/s.

    Raises
    ------
    ValueError
        If the shapes don't fit each other.

    Notes
    -----
    Whatever levels a voice has to travel; so compare settings that leave the voice *equally even*, where the one that
    travels less has moved the gain only where it was needed. Common practice, no source.
    """
    moved = np.abs(np.diff(smoothed_db(reduction_db, rate, smooth_ms), prepend=np.nan))
    active = checked_active(active, moved.shape)
    moved[:1] = 0.0
    return float(moved[active].mean() * rate) if active.any() else 0.0


def floor_lift_db(before: Clip, after: Clip, active) -> float:
    """How far the room, the breaths' surroundings and the hiss come up, once the result is as loud as what went in.

    Parameters
    ----------
    before, after : Clip
        Of the same length and rate.
    active : array_like of bool, shape (frames,)
        Where the singer sings.

    Returns
    -------
    float
        dB; NaN where there is no pause, or digital silence in it.

    Notes
    -----
    In a pause a compressor lets go, and make-up gain lifts what it doesn't hold down: any compressor brings the floor
    up by about as much as it takes off the voice.
    """
    matched, _ = match_loudness(after, before)
    floors = noise_floor_dbfs(matched, active), noise_floor_dbfs(before, active)
    return floors[0] - floors[1] if np.isfinite(floors).all() else float("nan")


def hiss_lift_db(before: Clip, after: Clip, from_hz: float = 6_000.0) -> float:
    """How far the hisses (s, sh, the breath of a t) come up against the tone of the voice.

    Parameters
    ----------
    before, after : Clip
        Of the same length and rate.
    from_hz : float
        Where hiss begins; the tone is what lies below 2,000 Hz.

    Returns
    -------
    float
        Change of the power above `from_hz` against that of the tone, in dB, whatever the loudness; NaN where either
        is silent.

    Raises
    ------
    ValueError
        If the rate of the clips can't hold hisses.

    Notes
    -----
    Where the vowels move the compressor and an s stays below its threshold, the vowels come down and the s doesn't: the
    hiss comes up. An s that is loud enough to move it is turned down itself: the figure falls, and may be negative.
    Fourth-order Butterworth filters; common practice, no source.
    """
    check_below_nyquist("from_hz", check_number("from_hz", from_hz, 2_000, 20_000, "Hz"), before.rate)
    if not (np.any(before.samples) and np.any(after.samples)):
        return float("nan")
    hiss = butter(4, from_hz, "highpass", fs=before.rate, output="sos")
    tone = butter(4, 2_000, fs=before.rate, output="sos")

    def change_db(band):
        powers = (np.mean(np.square(sosfilt(band, clip.samples, axis=0))) for clip in (after, before))
        return np.subtract(*(power_to_db(float(power), floor_db=-250.0) for power in powers))

    return float(change_db(hiss) - change_db(tone))
