"""When you hear the gain itself: how far it moves within a word, and how it lifts room, breaths and hiss."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.signal import butter, sosfilt

from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.analysis.meters import PAUSE_STEP_MS, pause_level_dbfs
from vocomp_lab.analysis.stretches import checked_words, edges_s
from vocomp_lab.sound.audio import A_CLIP, Clip, check_as_long, check_rate
from vocomp_lab.sound.checks import Numbers, asks, check_below_nyquist, check_number, checked_active
from vocomp_lab.sound.levels import db_to_power, power_to_db, step_powers

SMOOTH_MS = 50.0
_EDGE_S = 0.04
_OVER_ROOM_DB = 6.0
_HIGHEST_LIFTS = 90


@asks(reduction_db=Numbers(-1_000, 1_000, "dB", dims=1))
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
    return uniform_filter1d(reduction_db, max(round(smooth_ms * check_rate(rate) / 1000), 1), mode="nearest")


def gain_swing_db(reduction_db, rate: int, words) -> float:
    """How far a gain moves *within* a word, which is where one hears it move.

    Parameters
    ----------
    reduction_db : array_like, shape (frames,)
    rate : int
    words : sequence with ``start_s`` and ``end_s``
        Where the words are: :func:`vocomp_lab.analysis.words.voiced_words` of what went in. Where they have parts
        (``parts_s``: syllables), those count, and not the gaps between them, in which nobody hears a gain move.

    Returns
    -------
    float
        dB: the range of the reduction, as the ear follows it (:func:`smoothed_db`), in the middle one of the words, or
        of their parts (the median); 0 without words.

    Notes
    -----
    A gain that differs from word to word and stays put within each is what a fader does, and nobody hears it pump: it
    swings by 0 dB. A compressor that grips and lets go again within each word swings by most of its depth. The first and
    last 40 ms of a part don't count, since a gain that changes *between* two words is still changing there once it is
    smoothed. What the gain does in the pauses is told by :func:`pause_lift`. Common practice, no source.
    """
    smooth = smoothed_db(reduction_db, rate)
    swings = []
    words = checked_words(words)
    for word, edges in zip(words, edges_s(words)):
        for start_s, end_s in getattr(word, "parts_s", ()) or (edges,):
            first, last = (round(at_s * rate) for at_s in (start_s + _EDGE_S, end_s - _EDGE_S))
            if last > first and first < len(smooth):
                swings.append(np.ptp(smooth[first:last]))
    return float(np.median(swings)) if swings else 0.0


@dataclass(frozen=True)
class PauseLift:
    """How far the pauses come up against the voice. Made by :func:`pause_lift`.

    Attributes
    ----------
    room_db : float
        The noise floor; NaN where there is no pause, or digital silence in it.
    breaths_db : float
        What is louder than the room: breaths and the ends of notes. NaN where there is nothing of the kind.
    """

    room_db: float
    breaths_db: float


@asks(before=A_CLIP, after=A_CLIP)
def pause_lift(before: Clip, after: Clip, active) -> PauseLift:
    """How far the room, and the breaths in it, come up, once the result is as loud as what went in.

    Parameters
    ----------
    before, after : Clip
        Of the same length and rate.
    active : array_like of bool, shape (frames,)
        Where the singer sings.

    Returns
    -------
    PauseLift

    Notes
    -----
    In a pause a compressor lets go, and make-up gain lifts what it doesn't hold down: any compressor brings the floor
    up by about as much as it takes off the voice. *Room* is the change of
    :func:`vocomp_lab.analysis.meters.noise_floor_dbfs`, the quietest quarter of the pauses, which leaves breaths out.
    *Breaths* is the lift that one in ten of the louder steps exceeds: of those 50 ms in which a pause is more than 6 dB
    over its noise floor. Common practice, no source.
    """
    check_as_long("after", after, "before", before)
    active = checked_active(active, (before.frames,))
    matched, _ = match_loudness(after, before)
    edges, powers = step_powers(before, PAUSE_STEP_MS)
    paused = ~np.logical_or.reduceat(active, edges[:-1])
    lifted = step_powers(matched, PAUSE_STEP_MS)[1]
    floor_dbfs = pause_level_dbfs(powers[paused])
    room_db = pause_level_dbfs(lifted[paused]) - floor_dbfs if math.isfinite(floor_dbfs) else math.nan
    louder = paused & (powers > db_to_power(floor_dbfs + _OVER_ROOM_DB)) & (lifted > 0)
    lifts_db = power_to_db(lifted[louder]) - power_to_db(powers[louder])
    breaths_db = float(np.percentile(lifts_db, _HIGHEST_LIFTS)) if louder.any() else math.nan
    return PauseLift(room_db if math.isfinite(room_db) else math.nan, breaths_db)


@asks(before=A_CLIP, after=A_CLIP)
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
    check_as_long("after", after, "before", before)
    check_below_nyquist("from_hz", check_number("from_hz", from_hz, 2_000, 20_000, "Hz"), before.rate)
    if not (np.any(before.samples) and np.any(after.samples)):
        return float("nan")
    hiss = butter(4, from_hz, "highpass", fs=before.rate, output="sos")
    tone = butter(4, 2_000, fs=before.rate, output="sos")

    def change_db(band):
        powers = (np.mean(np.square(sosfilt(band, clip.samples, axis=0))) for clip in (after, before))
        return np.subtract(*(power_to_db(float(power), floor_db=-250.0) for power in powers))

    return float(change_db(hiss) - change_db(tone))
