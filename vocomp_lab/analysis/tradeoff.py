"""What compression does to a voice and what it costs: the numbers to compare settings by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.distortion import harmonic_distortion_percent
from vocomp_lab.analysis.evenness import word_levels
from vocomp_lab.analysis.meters import peak_to_loudness_ratio_db, reduction_stats
from vocomp_lab.analysis.pumping import gain_swing_db, pause_lift
from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.processors.flow import A_PROCESSOR, reducing
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import asks, checked_active
from vocomp_lab.sound.levels import amplitude_to_db
from vocomp_lab.sound.text import decibels

LOW_NOTE_HZ = 110.0


@dataclass(frozen=True)
class Tradeoff:
    """What compression did to a voice, and what it cost.

    Attributes
    ----------
    spread_lu : float
        How far apart loud and soft words still are: :attr:`vocomp_lab.analysis.evenness.WordLevels.spread_lu`.
    farthest_lu : float
        How far the farthest word still is from the middle one.
    peaks_db : float
        How far the peaks still stand out from the loudness: :func:`vocomp_lab.analysis.meters.peak_to_loudness_ratio_db`.
    median_db, max_db : float
        Of the reduction, all compressors together, over the sung part.
    swing_db : float
        :func:`vocomp_lab.analysis.pumping.gain_swing_db`.
    distortion_percent : float
        :func:`vocomp_lab.analysis.distortion.harmonic_distortion_percent` on a low note as loud as the voice's loud moments.
    room_db, breaths_db : float
        :func:`vocomp_lab.analysis.pumping.pause_lift`.
    """

    spread_lu: float
    farthest_lu: float
    peaks_db: float
    median_db: float
    max_db: float
    swing_db: float
    distortion_percent: float
    room_db: float
    breaths_db: float

    HEAD = ("spread", "farthest", "peaks", "median", "largest", "within a word", "distortion", "room", "breaths")
    """Names for :attr:`cells`."""

    @property
    def cells(self) -> tuple[str, ...]:
        """The numbers with their units, for a table."""
        return (
            f"{self.spread_lu:.1f} LU",
            f"{decibels(self.farthest_lu, sign=True)} LU",
            *(f"{decibels(value)} dB" for value in (self.peaks_db, self.median_db, self.max_db, self.swing_db)),
            f"{self.distortion_percent:.2f} %",
            *(f"{decibels(value, sign=True)} dB" for value in (self.room_db, self.breaths_db)),
        )


@asks(processor=A_PROCESSOR, clip=A_CLIP)
def measure_tradeoff(processor, clip: Clip, active, low_note_hz: float = LOW_NOTE_HZ) -> Tradeoff:
    """Measure what a processor, or a chain of them, does to a voice.

    Parameters
    ----------
    processor : processor or Chain with a gain reduction
    clip : Clip
    active : array_like of bool, shape (frames,)
        Where the singer sings.
    low_note_hz : float
        The note that distortion is measured on, as a steady sine; its peak is the level that the voice's samples
        exceed in 1 % of the sung time.

    Returns
    -------
    Tradeoff
        NaN where the clip has nothing to measure by: no words, no pauses, no sound.

    Raises
    ------
    ValueError
        If the processor has no gain reduction, or `active` doesn't fit the clip.

    Notes
    -----
    Which number matters is for you to judge; none of them hears for you.
    """
    active = checked_active(active, (clip.frames,))
    result, words = reducing(processor, clip), voiced_words(clip)
    levels, lift = word_levels(result.output, words), pause_lift(clip, result.output, active)
    stats = reduction_stats(result.reduction_db, active)
    magnitudes = np.abs(clip.columns).max(axis=1)[active]
    loud_dbfs = float(amplitude_to_db(np.percentile(magnitudes, 99), floor_db=-120.0)) if len(magnitudes) else -120.0
    return Tradeoff(
        spread_lu=levels.spread_lu,
        farthest_lu=levels.farthest_lu,
        peaks_db=peak_to_loudness_ratio_db(result.output),
        median_db=stats.median_db,
        max_db=stats.max_db,
        swing_db=gain_swing_db(result.reduction_db, clip.rate, words),
        distortion_percent=harmonic_distortion_percent(processor, low_note_hz, min(loud_dbfs, 0.0), clip.rate),
        room_db=lift.room_db,
        breaths_db=lift.breaths_db,
    )
