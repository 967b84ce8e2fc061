"""The threshold at which a compressor does what is wanted of it on a given clip."""

from __future__ import annotations

import dataclasses

import numpy as np

from vocomp_lab.analysis.measures import MEASURES, Change
from vocomp_lab.analysis.meters import ReductionStats, active_mask, reduction_stats
from vocomp_lab.processors.compressor import A_COMPRESSOR
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import DECIBELS, Flag, Words, asks

LOWEST_THRESHOLD_DB = -60.0
THRESHOLD_STEP_DB = 0.5
_MEASURES = ("share_percent", "median_db", "p95_db", "max_db")
# For a first guess so many frames of the level count as one: their highest.
_COARSE = 8


@asks(processor=A_COMPRESSOR, clip=A_CLIP, measure=Words(_MEASURES), target=DECIBELS, exact=Flag())
def threshold_for(processor, clip: Clip, measure: str, target: float, *, exact: bool = True) -> float:
    """The highest threshold at which a compressor does at least so much.

    Parameters
    ----------
    processor : vocomp_lab.processors.compressor.Dynamics
        Its other settings are kept.
    clip : Clip
    measure : str
        A measure of the reduction: "share_percent", "median_db", "p95_db" or "max_db".
    target : float
        In that measure's unit.
    exact : bool
        Whether the search goes on from the coarse copy to the level itself; without, it takes an eighth of the time and is
        right within a decibel or so.

    Returns
    -------
    float
        In dBFS, in steps of 0.5 dB; the lowest tried, −60, where nothing reaches the target.

    Notes
    -----
    All four fall as the threshold rises, so the range is halved until one step is left. The level is detected
    only once. A search on a coarse copy of it gives a first guess; the answer is found on the level itself.
    """
    active, last = active_mask(clip), int(-LOWEST_THRESHOLD_DB / THRESHOLD_STEP_DB)
    levels_db, ahead = processor.detector_db(clip), processor.lookahead_frames(clip.rate)

    def reached(step, levels_db=levels_db, rate=clip.rate, active=active, ahead=ahead):
        trial = dataclasses.replace(processor, threshold_db=-step * THRESHOLD_STEP_DB)
        stats = reduction_stats(trial.reduction_db(levels_db, rate)[ahead:], active)
        return MEASURES[measure].of(Change(None, None, stats)) >= target

    whole = len(active) // _COARSE * _COARSE
    coarse = levels_db[ahead : ahead + whole].reshape(-1, _COARSE).max(axis=1)
    coarse_active = active[:whole:_COARSE]
    near = _first(lambda step: reached(step, coarse, clip.rate / _COARSE, coarse_active, 0), 0, last)
    return -(_first(reached, 0, last, near) if exact else near) * THRESHOLD_STEP_DB


def _first(reached, low: int, high: int, near: int | None = None) -> int:
    """The first whole number of a range that reaches something all after it reach too; the last if none before does.

    Where one that is `near` is known, few numbers are tried: that one, then further and further away from it.
    """
    stride = 1
    while near is not None and low < high:
        near = min(max(near, low), high - 1)
        if reached(near):
            high, on = near, near - stride
        else:
            low, on = near + 1, near + stride
        if stride > 1 and (on < low or on >= high):
            break
        near, stride = on, 2 * stride
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if reached(middle) else (middle + 1, high)
    return low


def stats_with(processor, clip: Clip, active=None) -> ReductionStats:
    return reduction_stats(processor.apply(clip).reduction_db, active_mask(clip) if active is None else active)
