"""Fair comparison: the louder of two sounds seems the better one, so everything is compared at equal loudness."""

from __future__ import annotations

import math

import numpy as np

from vocomp_lab.analysis.loudness import integrated_lufs
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import asks, check_number

# A gain can lift blocks over the meter's absolute gate, so the match is measured again and corrected.
_MAX_ROUNDS = 4
_MATCHED_LU = 0.01


@asks(clip=A_CLIP, reference_clip=A_CLIP)
def match_loudness(clip: Clip, reference_clip: Clip) -> tuple[Clip, float]:
    """Turn a clip up or down until it is as loud as another.

    Parameters
    ----------
    clip : Clip
    reference_clip : Clip
        Its length, rate and number of channels may differ.

    Returns
    -------
    (Clip, float)
        The matched clip and the gain in dB that it took. Loudness is the integrated loudness of ITU-R BS.1770-5,
        matched within 0.1 LU. Where either clip has none (silence), the clip itself and 0.
    """
    gain_db = match_gain_db(integrated_lufs(clip), integrated_lufs(reference_clip))
    matched = clip.gained(gain_db) if gain_db else clip
    for _ in range(_MAX_ROUNDS):
        off = match_gain_db(integrated_lufs(matched), integrated_lufs(reference_clip))
        if abs(off) <= _MATCHED_LU:
            break
        gain_db += off
        matched = clip.gained(gain_db)
    return matched, gain_db


def match_gain_db(loudness_lufs: float, reference_lufs: float) -> float:
    """Gain in dB from one integrated loudness to another; 0 where either is silence (−inf)."""
    if math.isinf(loudness_lufs) or math.isinf(reference_lufs):
        return 0.0
    return reference_lufs - loudness_lufs


@asks(clip=A_CLIP)
def left_right_both(clip: Clip, gap_s: float = 0.4) -> Clip:
    """The same sound on the left, then on the right, then on both: for checking that the loudspeakers are where they
    belong.

    Parameters
    ----------
    clip : Clip
        Several channels are averaged.
    gap_s : float
        Silence after each, 0 to 10 s.

    Returns
    -------
    Clip
        Stereo.
    """
    gap = np.zeros(int(check_number("gap_s", gap_s, 0, 10, "s") * clip.rate))
    mono = np.concatenate([clip.columns.mean(axis=1), gap])
    silent = np.zeros_like(mono)
    return Clip(
        np.column_stack([np.concatenate([mono, silent, mono]), np.concatenate([silent, mono, mono])]), clip.rate
    )
