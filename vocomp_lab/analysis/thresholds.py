"""The threshold at which a compressor does what is wanted of it on a given clip."""

from __future__ import annotations

import dataclasses

from vocomp_lab.analysis.measures import MEASURES, Change
from vocomp_lab.analysis.meters import ReductionStats, active_mask, reduction_stats
from vocomp_lab.sound.audio import Clip

LOWEST_THRESHOLD_DB = -60.0
THRESHOLD_STEP_DB = 0.5


def threshold_for(processor, clip: Clip, measure: str, target: float) -> float:
    """The highest threshold at which a compressor does at least so much.

    Parameters
    ----------
    processor : processor with ``threshold_db`` and a gain reduction
        Its other settings are kept.
    clip : Clip
    measure : str
        A measure of the reduction: "share_percent", "median_db", "p95_db" or "max_db".
    target : float
        In that measure's unit.

    Returns
    -------
    float
        In dBFS, in steps of 0.5 dB; the lowest tried, −60, where nothing reaches the target.

    Notes
    -----
    All four fall as the threshold rises, so the range is halved until one step is left.
    """
    active = active_mask(clip)

    def reached(step):
        stats = stats_with(dataclasses.replace(processor, threshold_db=-step * THRESHOLD_STEP_DB), clip, active)
        return MEASURES[measure].of(Change(None, None, stats)) >= target

    low, high = 0, int(-LOWEST_THRESHOLD_DB / THRESHOLD_STEP_DB)
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) else (middle + 1, high)
    return -low * THRESHOLD_STEP_DB


def stats_with(processor, clip: Clip, active=None) -> ReductionStats:
    return reduction_stats(processor.apply(clip).reduction_db, active_mask(clip) if active is None else active)
