"""Whether gain by hand leaves alone what doesn't stand out: few regions, and words that stay where the singer put them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.level_prep import find_uneven
from vocomp_lab.analysis.words import STEPS_PER_S, analyse
from vocomp_lab.processors.clip_gain import ClipGain
from vocomp_lab.sound.audio import Clip

WORDS_PER_REGION = 3
FEWEST_ALLOWED = 6
MOST_MOVED_DB = 1.0
"""A region for every third word at most, and six of them in any take; and how far words that don't stand out may be moved, on
average. Common practice, no source: a fader for every word makes them alike, which is not what the singer meant."""
# A region that reaches so many steps into words is one over words.
_INTO_WORDS = 3


@dataclass(frozen=True)
class LeftAlone:
    """How much of a take level prep touches. Made by :func:`measure_left_alone`; lesson ``02_level_prep`` explains it.

    Attributes
    ----------
    regions, words : int
        How many words there are, and how many regions over them. A region that only covers breaths and pauses isn't one.
    moved_db : float
        How far words that don't stand out are moved up or down, on average over their time; NaN without such words.
    """

    regions: int
    words: int
    moved_db: float

    @property
    def most_regions(self) -> int:
        """How many regions a take with so many words should need at most."""
        return max(FEWEST_ALLOWED, self.words // WORDS_PER_REGION)


def measure_left_alone(clip: Clip, gains: ClipGain, sections=None) -> LeftAlone:
    """Measure what regions do to the words that :func:`vocomp_lab.analysis.level_prep.find_uneven` has nothing against.

    Parameters
    ----------
    clip : Clip
        As recorded, before the regions.
    gains : ClipGain
    sections : sequence of Section, optional
        As for :func:`~vocomp_lab.analysis.level_prep.find_uneven`.
    """
    found = analyse(clip)
    words = found.words[found.counts]
    stands_out = np.zeros(len(found.powers), dtype=bool)
    for one in find_uneven(clip, sections=sections):
        first, last = np.searchsorted(found.edges_s, (one.start_s, one.end_s))
        stands_out[first:last] = True
    in_words = np.zeros(len(found.powers), dtype=bool)
    for a, b in words:
        in_words[a:b] = True
    rest = in_words & ~stands_out
    for a, b in found.words:  # those too soft to count are words, too
        in_words[a:b] = True
    reached = np.concatenate([[0], np.cumsum(in_words)])
    places = [np.searchsorted(found.edges_s[:-1], (region.start_s, region.end_s)) for region in gains.regions]
    over_words = sum(int(reached[last] - reached[first] >= _INTO_WORDS) for first, last in places)
    moved_db = np.abs(gains.gain_db_at(found.edges_s[:-1] + 0.5 / STEPS_PER_S))[rest]
    return LeftAlone(over_words, len(words), float(moved_db.mean()) if len(moved_db) else math.nan)
