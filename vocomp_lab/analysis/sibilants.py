"""The s sounds of a voice: where they are, and how far they stand out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_dilation

from vocomp_lab.analysis.meters import active_mask
from vocomp_lab.analysis.stretches import bridged, stretches
from vocomp_lab.processors.deesser import DeEsser
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import power_to_db

HISS_DB = -30.0
"""Level of the band from which a sound is a hiss, in dB over the voice's running level: soft s sounds count, too."""
SHARP_DB = -16.0
"""The louder quarter of the s sounds, above 6 kHz, is sharp from this on, in dB over the voice's running level."""
# Of a sound that hisses: gaps that don't end it, and how long it is at least.
BRIDGE_MS, SHORTEST_MS = 15.0, 45.0
# A hiss that is further than this from any singing is a breath.
NEAR_MS = 100.0


def find_sibilants(
    clip: Clip, freq_hz: float = DeEsser.freq_hz, threshold_db: float = HISS_DB
) -> list[tuple[float, float]]:
    """Where a voice hisses: its s, sh and z sounds, and what else sounds like them.

    Parameters
    ----------
    clip : Clip
    freq_hz : float
        Where the band of the hiss begins, as in :class:`DeEsser`.
    threshold_db : float
        Level of the band from which it is a hiss, in dB over the voice's running level.

    Returns
    -------
    list of (float, float)
        Start and end of each, in seconds, in the order of time.

    Raises
    ------
    ValueError
        If a setting is out of its range, or the clip's rate is too low for the band.

    Notes
    -----
    Gaps under 15 ms are bridged, and what is shorter than 45 ms is the burst of a t or k; what is over
    0.1 s from the singing is a breath. Common practice, no source;
    checked against the synthetic takes' truth.
    """
    hissing = DeEsser(threshold_db=threshold_db, freq_hz=freq_hz).detector_db(clip) > threshold_db
    starts, ends = bridged(*stretches(hissing), BRIDGE_MS * clip.rate / 1000.0)
    long = ends - starts >= SHORTEST_MS * clip.rate / 1000.0
    sung = np.concatenate([[0], np.cumsum(active_mask(clip))])
    near = int(NEAR_MS * clip.rate / 1000.0)
    with_song = sung[np.minimum(ends + near, clip.frames)] > sung[np.maximum(starts - near, 0)]
    return [
        (float(start / clip.rate), float(end / clip.rate))
        for start, end in zip(starts[long & with_song], ends[long & with_song])
    ]


def span_mask(clip: Clip, spans) -> np.ndarray:
    """True inside the spans, shape (frames,).

    Parameters
    ----------
    clip : Clip
    spans : sequence of (float, float)
        Start and end in seconds.
    """
    times_s, inside = clip.times_s(), np.zeros(clip.frames, bool)
    for start, end in spans:
        inside[slice(*np.searchsorted(times_s, (start, end)))] = True
    return inside


def sibilance_balance_db(clip: Clip, spans, freq_hz: float = DeEsser.freq_hz) -> float:
    """How loud the hiss is against the rest of the singing.

    Parameters
    ----------
    clip : Clip
    spans : sequence of (float, float)
        Start and end of the s sounds in seconds, such as from :func:`find_sibilants`. To compare versions of one take,
        find them once and give them for all.
    freq_hz : float
        Where the band of the hiss begins.

    Returns
    -------
    float
        RMS level of the band above `freq_hz` within the spans, minus that of the whole sound in the rest of the sung
        part, in dB; NaN where either is missing.

    Raises
    ------
    ValueError
        If the clip's rate is too low for the band.

    Notes
    -----
    Common practice, no source.
    """
    inside = span_mask(clip, spans)
    rest = active_mask(clip) & ~inside
    _, high = DeEsser(freq_hz=freq_hz).split(clip)
    if not (inside.any() and rest.any()):
        return math.nan
    hiss, voice = high.columns[inside], clip.columns[rest]
    return float(power_to_db(np.mean(hiss * hiss)) - power_to_db(np.mean(voice * voice)))


@dataclass(frozen=True)
class Sibilance:
    """How sharp the s sounds of a clip are.

    Attributes
    ----------
    count : int
        How many stretches of hiss there are.
    level_db : float
        Level above 6 kHz of the louder quarter of them, against the voice's running level; NaN where there are none.
    """

    count: int
    level_db: float

    @property
    def sharp(self) -> bool:
        """Whether they stand out so far that a de-esser is worth trying."""
        return self.level_db > SHARP_DB


def measure_sibilance(clip: Clip, sung: np.ndarray | None = None) -> Sibilance:
    """Find the s sounds and how far they stand out.

    Parameters
    ----------
    clip : Clip
    active : ndarray of bool, shape (frames,), optional
        Where somebody sings, if that is known already (:func:`vocomp_lab.analysis.meters.active_mask`).

    Returns
    -------
    Sibilance
        Without any for a silent clip, and at a sample rate that can't hold them (12,000 Hz and below).

    Notes
    -----
    Levels as :class:`vocomp_lab.DeEsser` sees them: the band above 6 kHz against the voice's running level. A hiss is a
    stretch of 30 ms or more above −30 dB, within 0.15 s of singing; the burst of a hard t or k may count as one, too.
    Common practice, no source.
    """
    sung = active_mask(clip) if sung is None else sung
    if not sung.any() or DeEsser().freq_hz >= clip.rate / 2:
        return Sibilance(0, float("nan"))
    step = clip.rate // 100
    level_db = DeEsser().apply(clip).detector_db[::step]
    near = binary_dilation(sung[::step], iterations=15)
    starts, ends = stretches((level_db > HISS_DB) & near)
    tops = [np.percentile(level_db[a:b], 75) for a, b in zip(starts, ends) if b - a >= 3]
    return Sibilance(len(tops), float(np.percentile(tops, 75)) if tops else float("nan"))
