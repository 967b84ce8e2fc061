"""Compressed and untouched sound side by side: what a mix control does to the static curve."""

from __future__ import annotations

import numpy as np

from vocomp_lab.analysis.listening import match_loudness
from vocomp_lab.sound.audio import A_CLIP, Clip, check_as_long
from vocomp_lab.sound.checks import asks, check_number, checked_active
from vocomp_lab.sound.levels import amplitude_to_db, db_to_amplitude, power_to_db, step_powers

_STEP_MS = 20.0


def blended_curve(processor, level_db):
    """The settled level that comes out of a compressor whose result is mixed with its input, make-up gain included.

    Parameters
    ----------
    processor : processor with ``static_curve``, ``makeup_db`` and ``mix``
    level_db : float or array_like
        Level in, dB.

    Returns
    -------
    float or ndarray of the same shape
        Level out, dB. −inf stays −inf.

    Notes
    -----
    The two paths are one sound at two gains, in time with each other, so their amplitudes add: with r the reduction
    at this level and M the make-up gain the level changes by 20·log10(mix·10^((M − r)/20) + 1 − mix). However deep
    the reduction, the untouched share is a floor under the gain: at high levels the line turns back to 1:1,
    20·log10(1 − mix) under the input. This follows from the definition.
    """
    level_db = np.asarray(level_db, dtype=float)
    # At −inf the reduction is 0 as at any level far below the threshold.
    finite = np.where(np.isfinite(level_db), level_db, -400.0)
    reduction_db = finite - np.asarray(processor.static_curve(finite))
    gain = processor.mix * db_to_amplitude(processor.makeup_db - reduction_db) + 1.0 - processor.mix
    out = level_db + amplitude_to_db(gain)
    return float(out) if out.ndim == 0 else out


@asks(before=A_CLIP, after=A_CLIP)
def quiet_lift_db(before: Clip, after: Clip, active, softest_percent: float = 10.0) -> float:
    """What happens to the softest part of the singing, once the result is as loud as what went in.

    Parameters
    ----------
    before, after : Clip
        Of the same length and rate.
    active : array_like of bool, shape (frames,)
        Where the singer sings.
    softest_percent : float
        Which part of the sung time counts as soft, 1 to 50 %.

    Returns
    -------
    float
        Mean change of level over the 20 ms steps that were softest *before*, in dB; NaN where nothing is sung.

    Notes
    -----
    Digital silence counts as −100 dBFS. Common practice, no source.
    """
    softest_percent = check_number("softest_percent", softest_percent, 1, 50, "%")
    check_as_long("after", after, "before", before)
    matched, _ = match_loudness(after, before)
    edges, powers = step_powers(before, _STEP_MS)
    whole = np.logical_and.reduceat(checked_active(active, (before.frames,)), edges[:-1])
    if not whole.any():
        return float("nan")
    levels_db = power_to_db(powers, floor_db=-100.0)
    soft = whole & (levels_db <= np.percentile(levels_db[whole], softest_percent))
    return float(np.mean(power_to_db(step_powers(matched, _STEP_MS)[1][soft], floor_db=-100.0) - levels_db[soft]))
