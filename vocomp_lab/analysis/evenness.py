"""How even the words of a voice are: the numbers that level prep and steady compression should bring down."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.loudness import stretch_loudness_lufs
from vocomp_lab.analysis.stretches import edges_s
from vocomp_lab.processors.compressor import A_COMPRESSOR
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import asks, check_number
from vocomp_lab.sound.text import clock, decibels

_STEP_DB = 0.25
_ALIKE_LU = 0.05


@dataclass(frozen=True, eq=False)
class WordLevels:
    """How loud each word of a voice is. Made by :func:`word_levels`; lesson ``05_steady_compression`` explains it.

    Attributes
    ----------
    starts_s, ends_s : ndarray, shape (words,)
        Where the words lie.
    loudness_lufs : ndarray, shape (words,)
        Loudness of each; −inf for a silent one.

    Notes
    -----
    Every word counts once, however long it is, so that the rhythm of a line changes nothing. The spread is the root mean
    square of the offsets, so one shout among even words raises it, if not by much: of 16 words, one that is 12 LU too
    loud gives 3 LU. Read the farthest word beside it. Both are common practice, no source.
    """

    starts_s: np.ndarray
    ends_s: np.ndarray
    loudness_lufs: np.ndarray

    @property
    def offsets_lu(self) -> np.ndarray:
        """Each word against the middle one (the median), shape (words,)."""
        return self.loudness_lufs - (np.median(self._heard) if len(self._heard) else 0.0)

    @property
    def spread_lu(self) -> float:
        """How far the audible words lie from the middle one, as a root mean square, in LU; NaN without any."""
        if len(self._heard) == 0:
            return math.nan
        return float(np.sqrt(np.mean(np.square(self._heard - np.median(self._heard)))))

    @property
    def farthest(self) -> int | None:
        """Number of the word that is farthest from the middle one; None without words."""
        return int(np.abs(self.offsets_lu).argmax()) if len(self.loudness_lufs) else None

    @property
    def farthest_lu(self) -> float:
        """How far the farthest word is from the middle one, in LU, below zero for a soft one; NaN without words."""
        return math.nan if self.farthest is None else float(self.offsets_lu[self.farthest])

    @property
    def _heard(self) -> np.ndarray:
        return self.loudness_lufs[np.isfinite(self.loudness_lufs)]

    def __str__(self):
        if self.farthest is None:
            return "no words"
        ends = {"loudest": int(self.offsets_lu.argmax()), "softest": int(self.offsets_lu.argmin())}
        told = (
            f"{name} {decibels(float(self.offsets_lu[place]), sign=True)} LU at {clock(float(self.starts_s[place]), 1)}"
            for name, place in ends.items()
        )
        return f"spread {decibels(self.spread_lu)} LU; {'; '.join(told)}"


@asks(clip=A_CLIP)
def word_levels(clip: Clip, words) -> WordLevels:
    """Measure how loud each word is.

    Parameters
    ----------
    clip : Clip
    words : sequence with ``start_s`` and ``end_s``
        The words of the *source*, where several results are compared:
        :func:`vocomp_lab.analysis.words.voiced_words` finds them.

    Returns
    -------
    WordLevels
        Its spread and its farthest word don't change with gain.

    Raises
    ------
    ValueError
        If a word has no start and end.

    Notes
    -----
    Each word's loudness is that of :func:`vocomp_lab.analysis.loudness.stretch_loudness_lufs`, from end to end without
    its gaps. Momentary loudness (EBU Tech 3341) would not do: its window of 0.4 s takes in the gaps and neighbours of a
    short word, and so measures the rhythm, too.

    In speech the words are found by their gaps and levels, and may be syllables or neighbours run together. In 20 takes of
    recorded people who say single words (five languages; words brought to within 1 dB, by RMS or by their loud part),
    the spread was 0.5 to 2.4 LU by the words found, 0.6 to 1.8 by the words spoken. One word of them raised by 10 dB was
    the loudest and the farthest in 39 of 40 trials. ``tests/test_level_prep_recorded.py`` asks the same of other takes (47 of 48).
    """
    ends_s = edges_s(words)
    return WordLevels(*ends_s.T, stretch_loudness_lufs(clip, ends_s))


@asks(processor=A_COMPRESSOR, clip=A_CLIP)
def even_threshold_db(processor, clip: Clip, words, spread_lu: float) -> float:
    """The threshold at which a compressor makes a voice as even as requested, to compare compressors that do equal work.

    Parameters
    ----------
    processor : processor with ``threshold_db``
        Its other settings are kept.
    clip : Clip
    words : sequence with ``start_s`` and ``end_s``
        The clip's words, as for :func:`word_levels`.
    spread_lu : float
        The :attr:`WordLevels.spread_lu` to arrive at, from 0 LU.

    Returns
    -------
    float
        In dBFS, from −60 to 0 in steps of 0.25 dB. Where the compressor can't do so much, it is the highest that
        comes within 0.05 LU of the least it was seen to leave; where it can't do so little, −0.25; 0 where there are no
        words (a spread of NaN).

    Notes
    -----
    The spread falls with the threshold as long as that lies among the voice's levels, so the range is halved until
    one step is left. Far below them it may rise again: a slow attack lets the first sound after each pause through.
    """
    if isinstance(spread_lu, float) and math.isnan(spread_lu):
        return 0.0
    spread_lu = check_number("spread_lu", spread_lu, 0, math.inf, "LU")
    spreads = {}

    def spread_at(step: int) -> float:
        if step not in spreads:
            result = dataclasses.replace(processor, threshold_db=step * _STEP_DB).apply(clip)
            spreads[step] = word_levels(result.output, words).spread_lu
        return spreads[step]

    def highest(low: int, goal_lu: float) -> int:
        high = 0
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if spread_at(middle) <= goal_lu else (low, middle)
        return low

    lowest = round(-60 / _STEP_DB)
    found = highest(lowest, spread_lu)
    if spread_at(found) > spread_lu:
        nearest = min(spreads, key=spreads.get)
        found = highest(nearest, spreads[nearest] + _ALIKE_LU)
    return found * _STEP_DB
