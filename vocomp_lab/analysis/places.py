"""Places of a take that are worth hearing over and over: where a compressor works hardest, and the loudest words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.words import voiced_words
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.text import clock, decibels

APART_S = 1.0
"""Two deepest reductions lie at least this far apart."""
AROUND_S = 0.6
LEAST_DB = 0.5
"""A reduction below this is hardly worth hearing."""
_AROUND_WORD_S = 0.25
_FEWEST_WORDS = 4


@dataclass(frozen=True)
class Place:
    """A stretch of a take, and what is to be heard there."""

    text: str
    start_s: float
    end_s: float
    sung_s: tuple[float, float] = (0.0, 0.0)
    """From when to when that lasts which the text is about, without what is played around it."""


def deepest_reductions(reduction_db, rate: int, count: int = 3) -> list[Place]:
    """Where a reduction is deepest, the deepest first.

    Parameters
    ----------
    reduction_db : ndarray, shape (frames,)
        dB, ≥ 0.
    rate : int
        Samples per second.
    count : int
        How many at most.

    Returns
    -------
    list of Place
        Each from 0.6 s before to 0.6 s after the deepest frame, at least 1 s from one another; none of less than 0.5 dB.

    Examples
    --------
    >>> import numpy as np
    >>> curve = np.zeros(48_000)
    >>> curve[24_000] = 6.0
    >>> [place.text for place in deepest_reductions(curve, 8_000)]
    ['6.0 dB of reduction at 0:03.0']
    """
    left, found = np.array(reduction_db, dtype=float), []
    while len(found) < count and left.size and left.max() >= LEAST_DB:
        frame = int(left.argmax())
        at_s = frame / rate
        found.append(
            Place(
                f"{decibels(left[frame])} dB of reduction at {clock(at_s, 1)}",
                *_within(at_s, at_s, AROUND_S, len(left) / rate),
                (at_s, at_s + 1 / rate),
            )
        )
        left[max(frame - int(APART_S * rate), 0) : frame + int(APART_S * rate) + 1] = 0.0
    return found


def loudest_words(clip: Clip, count: int = 3) -> list[Place]:
    """The loudest words of a take, the loudest first; none where fewer than four are found.

    Parameters
    ----------
    clip : Clip
    count : int
        How many at most.

    Notes
    -----
    The words and their loudness are those of :func:`vocomp_lab.analysis.words.voiced_words`.
    """
    words = voiced_words(clip)
    if len(words) < _FEWEST_WORDS:
        return []
    loudest = sorted(words, key=lambda word: -word.level_db)[:count]
    return [
        Place(
            f"loud word, {decibels(word.level_db)} LUFS, at {clock(word.start_s, 1)}",
            *_within(word.start_s, word.end_s, _AROUND_WORD_S, clip.duration_s),
            (float(word.start_s), float(word.end_s)),
        )
        for word in loudest
    ]


def _within(start_s, end_s, around_s, duration_s):
    return max(start_s - around_s, 0.0), min(end_s + around_s, duration_s)
