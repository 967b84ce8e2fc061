"""How evenly loud a voice is: the number that steady compression should bring down."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from vocomp_lab.analysis.loudness import loudness
from vocomp_lab.analysis.meters import checked_active
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import check_number

MOMENTARY_S = 0.4
_GATE_LUFS = -70.0
_LOW, _HIGH = 10, 90
_STEP_DB = 0.25


def active_loudness(clip: Clip, active) -> tuple[np.ndarray, np.ndarray]:
    """Momentary loudness while the singer sings: about one value a word, measured every 10 ms.

    Parameters
    ----------
    clip : Clip
    active : array_like of bool, shape (frames,)
        Where the singer sings: :func:`vocomp_lab.analysis.meters.active_mask` of the *source*, where several results are
        compared.

    Returns
    -------
    times_s, momentary_lufs : ndarray, shape (steps,)
        The middle of each window of 400 ms whose middle is sung, and its loudness; windows below −70 LUFS are left
        out.

    Raises
    ------
    ValueError
        If `active` doesn't fit the clip.

    Notes
    -----
    Momentary loudness: EBU Tech 3341.
    """
    active = checked_active(active, (clip.frames,))
    measured = loudness(clip)
    times_s = measured.times - MOMENTARY_S / 2
    # Earlier windows still hold the silence that a meter assumes before the clip.
    full = measured.times >= MOMENTARY_S - 1e-9
    heard = measured.momentary_lufs > _GATE_LUFS
    inside = active[np.clip(np.rint(times_s * clip.rate).astype(int), 0, clip.frames - 1)]
    keep = full & heard & inside
    return times_s[keep], measured.momentary_lufs[keep]


def loudness_spread_lu(clip: Clip, active) -> float:
    """How far apart loud and soft words are: the 10th to the 90th percentile of momentary loudness over the sung part.

    Parameters
    ----------
    clip : Clip
    active : array_like of bool, shape (frames,)
        Where the singer sings, in the source.

    Returns
    -------
    float
        In LU; NaN where nothing is sung. It doesn't change with gain.

    Notes
    -----
    The loudness range of EBU Tech 3342 looks at 3 s at a time, in which whole lines are averaged; for words a shorter
    window is needed. The percentiles are ours: common practice, no source.
    """
    _, momentary = active_loudness(clip, active)
    if len(momentary) == 0:
        return math.nan
    low, high = np.percentile(momentary, [_LOW, _HIGH])
    return float(high - low)


def even_threshold_db(processor, clip: Clip, active, spread_lu: float) -> float:
    """The threshold at which a compressor makes a voice as even as requested, to compare compressors that do equal work.

    Parameters
    ----------
    processor : processor with ``threshold_db``
        Its other settings are kept.
    clip : Clip
    active : array_like of bool, shape (frames,)
        Where the singer sings.
    spread_lu : float
        The :func:`loudness_spread_lu` to arrive at, from 0 LU.

    Returns
    -------
    float
        In dBFS, from −60 to 0 in steps of 0.25 dB; the nearest end where the compressor can't do so much, or so
        little; 0 where nothing is sung (a spread of NaN).

    Notes
    -----
    The spread falls with the threshold as long as that lies among the voice's levels, so the range is halved until
    one step is left.
    """
    if math.isnan(spread_lu):
        return 0.0
    spread_lu = check_number("spread_lu", spread_lu, 0, math.inf, "LU")
    low, high = round(-60 / _STEP_DB), 0
    while high - low > 1:
        middle = (low + high) // 2
        result = dataclasses.replace(processor, threshold_db=middle * _STEP_DB).apply(clip)
        low, high = (middle, high) if loudness_spread_lu(result.output, active) <= spread_lu else (low, middle)
    return low * _STEP_DB
