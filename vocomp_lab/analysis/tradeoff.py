"""What compression does to a voice and what it costs: the numbers to compare settings by."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.distortion import harmonic_distortion_percent
from vocomp_lab.analysis.evenness import loudness_spread_lu
from vocomp_lab.analysis.meters import peak_to_loudness_ratio_db, reduction_stats
from vocomp_lab.analysis.pumping import floor_lift_db, gain_travel_db_per_s
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.levels import amplitude_to_db

LOW_NOTE_HZ = 110.0


@dataclass(frozen=True)
class Tradeoff:
    """What compression did to a voice, and what it cost.

    Attributes
    ----------
    spread_lu : float
        How far apart loud and soft words still are: :func:`vocomp_lab.analysis.evenness.loudness_spread_lu`.
    peaks_db : float
        How far the peaks still stand out from the loudness: :func:`vocomp_lab.analysis.meters.peak_to_loudness_ratio_db`.
    median_db, max_db : float
        Of the reduction, all compressors together, over the sung part.
    travel_db_per_s : float
        :func:`vocomp_lab.analysis.pumping.gain_travel_db_per_s`.
    distortion_percent : float
        :func:`vocomp_lab.analysis.distortion.harmonic_distortion_percent` on a low note as loud as the voice's loud moments.
    lift_db : float
        :func:`vocomp_lab.analysis.pumping.floor_lift_db`.
    """

    spread_lu: float
    peaks_db: float
    median_db: float
    max_db: float
    travel_db_per_s: float
    distortion_percent: float
    lift_db: float

    HEADING = (
        "spread  peaks   reduction        gain     distortion  room\n"
        "   LU     dB   median  largest   dB/s     % at 110 Hz  dB"
    )

    def __str__(self):
        return (
            f"{self.spread_lu:5.1f}  {self.peaks_db:5.1f}  {self.median_db:6.1f}  {self.max_db:7.1f}  "
            f"{self.travel_db_per_s:5.1f}  {self.distortion_percent:8.2f}  {self.lift_db:+9.1f}"
        )


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

    Notes
    -----
    Which number matters is for you to judge; none of them hears for you.
    """
    result = processor.apply(clip)
    stats = reduction_stats(result.reduction_db, active)
    magnitudes = np.abs(clip.columns).max(axis=1)[np.asarray(active)]
    loud_dbfs = float(amplitude_to_db(np.percentile(magnitudes, 99), floor_db=-120.0)) if len(magnitudes) else -120.0
    return Tradeoff(
        spread_lu=loudness_spread_lu(result.output, active),
        peaks_db=peak_to_loudness_ratio_db(result.output),
        median_db=stats.median_db,
        max_db=stats.max_db,
        travel_db_per_s=gain_travel_db_per_s(result.reduction_db, clip.rate, active),
        distortion_percent=harmonic_distortion_percent(processor, low_note_hz, min(loud_dbfs, 0.0), clip.rate),
        lift_db=floor_lift_db(clip, result.output, active),
    )
