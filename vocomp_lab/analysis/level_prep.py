"""Find the phrases and words of a take that stand out by their level, and suggest gain regions; a person decides."""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from vocomp_lab.analysis.sections import Section, edges_of, find_sections
from vocomp_lab.analysis.syllables import quantile
from vocomp_lab.analysis.words import STEPS_PER_S, Analysis, analyse
from vocomp_lab.processors.clip_gain import MAX_GAIN_DB, MIN_GAIN_DB, GainRegion
from vocomp_lab.sound.audio import A_CLIP, Clip
from vocomp_lab.sound.checks import asks, check_number
from vocomp_lab.sound.levels import db_to_power, power_to_db
from vocomp_lab.sound.remembered import remembered

# All lengths are in steps of 10 ms. A word is compared with those this near to it in its section.
_NEAR = 2_000
_LEAST_OTHERS = 4
# Soft syllables make a voice's lower side wide and say little, so the usual level lies a little above the middle.
_USUAL, _LOUDER = 0.6, 0.85
# A word is loud against the louder half, and is brought to the middle.
_MIDDLE, _AIM, _HEARD = (0.5, 0.9), (0.2, 0.8), 0.9
_FULL_WEIGHT = 30
_QUIET_PART, _QUIET_LENGTHS = 0.85, (80, 1_200)
_EVIDENCE, _LEAST_SPREAD_DB = 1.7, 0.4
# A line lasts about this long; the gaps around a quiet phrase should be among the take's longest.
_LINE, _SHORT_GAP, _LEAST_PAUSE, _MOST_DOUBT = 650, 3, 20, 3.0
_ABOVE_PART = 0.75
_LONGEST_LOUD, _GAP_IN_A_WORD = 200, 15
_BRIEF = 40
_JOINS, _TOP_DB = 0.55, 8.0
_CUT_DOUBT, _CLEAR_GAP = 0.7, 5
# From this gap on it is a pause; how far a region reaches into it, before its first word and after its last.
_PAUSE, _INTO_PAUSE = 30, (5, 4)
_RUNS_AT_ONCE = 256


@dataclass(frozen=True)
class Uneven:
    """A phrase or word that stands out.

    Attributes
    ----------
    kind : str
        ``"quiet phrase"`` or ``"loud word"``.
    start_s, end_s : float
        Seconds from the clip's start.
    off_lu : float
        How far it lies above the usual level of what is around it; below zero for a quiet phrase.
    """

    kind: str
    start_s: float
    end_s: float
    off_lu: float


def find_uneven(
    clip: Clip, threshold_db: float = 4.0, min_length_s: float = 0.12, sections: Sequence[Section] | None = None
) -> list[Uneven]:
    """What stands out in a take from the rest of its section.

    Parameters
    ----------
    clip : Clip
    threshold_db : float
        1 to 24 dB. By how much a word must stand out.
    min_length_s : float
        0.02 to 10 s. Shorter stretches are left alone.
    sections : sequence of Section, optional
        In which words are compared with one another; by default those that
        :func:`vocomp_lab.analysis.sections.find_sections` finds.

    Returns
    -------
    list of Uneven
        Sorted by time; a loud word may lie inside a quiet phrase. Empty for silence and for an even take.

    Raises
    ------
    ValueError
        If a setting is out of its range, or a section doesn't begin where the one before ends.

    Notes
    -----
    Levels are those of :func:`vocomp_lab.analysis.words.voiced_words`, compared with the words within 20 s of the same
    section: a chorus that is louder than its verse is an arrangement and no fault.

    First *quiet phrases*: runs of at least two words and 0.8 to 12 s that lie low together, by 0.85 of the
    threshold or more. Raising the run must make the take so much more even that chance is no explanation: what counts
    is the logarithm of how the words' mean distance from the usual level shrinks, times the number of words (the
    likelihood ratio of two Laplace distributions), minus a price for borders that lie at short gaps. In a voice that
    swings anyway that takes more words or a larger step. How far the run is off is told by its loudness against that of
    the others, the loudest tenth of either left out. Then *loud words*, with the phrases levelled: one word, or
    neighbours that are nearly as loud, above the louder half of the others by the threshold and above their 85th
    percentile by three quarters of it. A word shorter than 0.4 s must be louder by as much as momentary loudness would
    show it softer. How far it is off is told against the middle of the others. Single soft words are left: unstressed
    words are soft by nature. Common practice, no source.
    """
    threshold_db = check_number("threshold_db", threshold_db, 1, 24, "dB")
    min_length_s = check_number("min_length_s", min_length_s, 0.02, 10, "s")
    return list(
        _uneven(clip, threshold_db, min_length_s, edges_of(find_sections(clip) if sections is None else sections))
    )


@remembered(16)
def _uneven(clip: Clip, threshold_db: float, min_length_s: float, edges_s: tuple[float, ...]) -> tuple[Uneven, ...]:
    found = analyse(clip)
    if not len(found.words):
        return ()
    counts = found.counts
    section = np.searchsorted(edges_s, found.edges_s[found.words].mean(axis=1), side="right")
    uneven = []
    for number in np.unique(section):
        own = counts & (section == number)
        if own.sum() <= _LEAST_OTHERS:
            continue
        line = _Line.of(found, own)
        # No region reaches beyond half of the gap to the next section's words.
        others = found.words[section < number, 1], found.words[section > number, 0]
        least = (others[0].max() + line.words[0, 0]) // 2 if len(others[0]) else 0
        most = (others[1].min() + line.words[-1, 1]) // 2 if len(others[1]) else len(found.powers)
        for kind, runs in (("quiet phrase", line.quiet(threshold_db)), ("loud word", line.loud(threshold_db))):
            for a, b, off in runs:
                first, last = line.edges(a, b, least, most)
                if (last - first) / STEPS_PER_S >= min_length_s:
                    uneven.append(Uneven(kind, float(found.edges_s[first]), float(found.edges_s[last]), float(off)))
    return tuple(sorted(uneven, key=lambda one: (one.start_s, one.end_s)))


@asks(clip=A_CLIP)
def propose_regions(
    clip: Clip,
    threshold_db: float = 4.0,
    min_length_s: float = 0.12,
    share: float = 0.9,
    sections: Sequence[Section] | None = None,
) -> list[GainRegion]:
    """Gain regions for what stands out in a take; a person decides which to keep.

    Parameters
    ----------
    clip : Clip
    threshold_db, min_length_s : float
        As for :func:`find_uneven`, which finds what stands out.
    share : float
        0 to 1. How much of the distance to the words around it a region takes back. Below 1, since part of it may be
        meant.
    sections : sequence of Section, optional
        As for :func:`find_uneven`: corrected by hand, with :func:`vocomp_lab.analysis.sections.sections_at`.

    Returns
    -------
    list of GainRegion
        Sorted, not overlapping, gains rounded to 0.1 dB; empty for silence and for an even take.

    Raises
    ------
    ValueError
        If a setting is out of its range.

    Notes
    -----
    It hears levels, not words: a word that stands out because it is meant to is proposed too. How often it is right is
    measured in ``tests/test_level_prep_recorded.py`` on recorded people and in ``tests/test_clip_gain.py`` on the
    workbook's singers, on takes that it was not tuned on.
    """
    share = check_number("share", share, 0, 1)
    uneven = find_uneven(clip, threshold_db, min_length_s, sections)
    edges_s = analyse(clip).edges_s
    steps_db = np.zeros(len(edges_s) - 1)
    for one in uneven:
        first, last = np.searchsorted(edges_s, (one.start_s, one.end_s))
        steps_db[first:last] -= share * one.off_lu
    steps_db = np.round(np.clip(steps_db, MIN_GAIN_DB, MAX_GAIN_DB), 1)
    borders = np.concatenate([[0], np.flatnonzero(np.diff(steps_db)) + 1, [len(steps_db)]])
    return [
        GainRegion(float(edges_s[a]), float(edges_s[b]), float(steps_db[a]))
        for a, b in zip(borders, borders[1:])
        if steps_db[a] != 0.0
    ]


@dataclass(eq=False)
class _Line:
    """The words that count, in order. What is found is levelled, so that what comes next is seen against the rest.

    Attributes
    ----------
    words : ndarray, shape (words, 2)
        First and one past the last step.
    gaps : ndarray, shape (words + 1,)
        Steps before each word, and after the last.
    levels, weights, raised : ndarray, shape (words,)
        Loudness as it is by now; how much a word counts; by how much its phrase was levelled.
    """

    words: np.ndarray
    gaps: np.ndarray
    levels: np.ndarray
    weights: np.ndarray
    raised: np.ndarray

    @functools.cached_property
    def middles(self) -> np.ndarray:
        """The middle of every word."""
        return self.words.mean(axis=1)

    @classmethod
    def of(cls, found: Analysis, counts: np.ndarray) -> _Line:
        words = found.words[counts]
        gaps = np.concatenate([[len(found.powers)], words[1:, 0] - words[:-1, 1], [len(found.powers)]])
        weights = np.minimum(np.diff(words, axis=1)[:, 0] / _FULL_WEIGHT, 1.0)
        return cls(words, gaps, found.levels_lufs[counts], weights, np.zeros(len(words)))

    def edges(self, first: int, last: int, least: int, most: int) -> tuple[int, int]:
        """A run's region, from `least` to `most` at the farthest: half of a gap belongs to it; of a pause, in which
        somebody may breathe, only a little.
        """
        before, after = self.gaps[first], self.gaps[last]
        start = self.words[first, 0] - (before // 2 if before < _PAUSE else _INTO_PAUSE[0])
        end = self.words[last - 1, 1] + ((after + 1) // 2 if after < _PAUSE else _INTO_PAUSE[1])
        return max(int(start), int(least)), min(int(end), int(most))

    def quiet(self, threshold_db: float) -> list[tuple[int, int, float]]:
        """Runs that lie low together, the clearest first: first, one past the last word, and how far they are off."""
        runs = []
        doubts = self._border_doubts()
        while True:
            found = []
            for a, b, near, inside, off in self._low(_QUIET_PART * threshold_db):
                levels, weights = self.levels[near], self.weights[near]
                levelled = np.where(inside, levels - off, levels)
                gain = weights.sum() * np.log(_spread(levels, weights) / _spread(levelled, weights))
                gain -= _EVIDENCE + doubts[a] + doubts[b]
                if gain > 0:
                    found.append((gain, a, b, off))
            if not found:
                return runs
            for a, b, off in self._best(found):
                self.levels[a:b] -= off
                self.raised[a:b] = -off
                runs.append((a, b, off))

    def loud(self, threshold_db: float) -> list[tuple[int, int, float]]:
        """Words that are too loud, as :meth:`quiet` gives runs; neighbours that are nearly as loud belong to them."""
        runs = []
        free = np.ones(len(self.words), dtype=bool)
        while True:
            found = []
            for a, b in self._stretches(0, _LONGEST_LOUD):
                if not free[a:b].all() or np.any(self.gaps[a + 1 : b] > _GAP_IN_A_WORD):
                    continue
                if self.raised[a] != self.raised[b - 1]:
                    continue
                around = self._around(a, b)
                if around is None:
                    continue
                near, inside = around
                others = self.levels[near][~inside], self.weights[near][~inside]
                usual, louder = _mean(*others, _MIDDLE), quantile(*others, _LOUDER)
                over = self.levels[a:b] - usual
                top = over > over.max() - _TOP_DB
                lengths = np.diff(self.words[a:b], axis=1)[:, 0]
                off = float(power_to_db(np.average(db_to_power(over[top]), weights=lengths[top])))
                # What is shorter than the window of momentary loudness doesn't seem as loud (ITU-R BS.1770-5: 0.4 s).
                heard = off + power_to_db(min(1.0, lengths[top].sum() / _BRIEF))
                if heard < threshold_db or off + usual - louder < _ABOVE_PART * threshold_db:
                    continue
                worth = np.sum(self.weights[a:b] * (over - _JOINS * over.max()))
                worth -= _CUT_DOUBT * np.sum(1 - np.minimum(self.gaps[[a, b]] / _CLEAR_GAP, 1.0))
                found.append((worth, a, b, off + usual - _mean(*others, _AIM)))
            if not found:
                return runs
            for a, b, off in self._best(found):
                free[a:b] = False
                self.levels[a:b] -= off
                runs.append((a, b, off))

    def _best(self, found: list[tuple[float, int, int, float]]) -> list[tuple[int, int, float]]:
        """The best run, and those so far from it and from one another that none changes what another is compared with."""
        best = []
        for _, a, b, off in sorted(found, key=lambda run: (-run[0], run[1:])):
            start, end = self.words[a, 0] - 2 * _NEAR, self.words[b - 1, 1] + 2 * _NEAR
            if not any(self.words[c, 0] < end and self.words[d - 1, 1] > start for c, d, _ in best):
                best.append((a, b, off))
        return best

    def _low(self, least_db: float):
        """Stretches that may be a quiet phrase by their length and lie low enough: first, one past the last word, the words
        near to them, which of those are inside, and how far the stretch is off.
        """
        runs = [
            (a, b, *around)
            for a, b in self._stretches(*_QUIET_LENGTHS)
            if b - a >= 2 and not self.raised[a:b].any() and (around := self._around(a, b)) is not None
        ]
        for few in (runs[start : start + _RUNS_AT_ONCE] for start in range(0, len(runs), _RUNS_AT_ONCE)):
            # All at once, in the order of level, where a word counts with its weight on one side and with nothing on the other.
            sides = np.zeros((2, len(few), len(self.levels)))
            for row, (a, b, near, _) in enumerate(few):
                sides[1, row, near] = self.weights[near]
                sides[1, row, a:b] = 0.0
                sides[0, row, a:b] = self.weights[a:b]
            offs = np.subtract(*_loudness(self.levels, sides))
            for run, off in zip(few, offs.tolist()):
                if -off >= least_db:
                    yield *run, off

    def _stretches(self, shortest: int, longest: int):
        """Runs of words (first, one past the last) of some length."""
        for a in range(len(self.words)):
            for b in range(a + 1, len(self.words) + 1):
                length = self.words[b - 1, 1] - self.words[a, 0]
                if length > longest:
                    break
                if length >= shortest:
                    yield a, b

    def _around(self, a: int, b: int) -> tuple[slice, np.ndarray] | None:
        """The words near a run, and which of them are in it; None if the others are too few to say what is usual."""
        middles = self.middles
        first, last = np.searchsorted(middles, (middles[a] - _NEAR, middles[b - 1] + _NEAR)).tolist()
        inside = np.zeros(last - first, dtype=bool)
        inside[a - first : b - first] = True
        weights = self.weights[first:last]
        if (~inside).sum() < _LEAST_OTHERS or weights[inside].sum() > weights[~inside].sum():
            return None
        return slice(first, last), inside

    def _border_doubts(self) -> np.ndarray:
        """For the gap before each word and after the last: how little it looks like the end of a line, 0 to 3."""
        inner = np.sort(self.gaps[1:-1])
        lines = max(1, round((self.words[-1, 1] - self.words[0, 0]) / _LINE))
        pause = max(inner[-min(lines, len(inner))], _LEAST_PAUSE)
        return np.clip(np.log(pause / np.maximum(self.gaps, _SHORT_GAP)), 0.0, _MOST_DOUBT)


def _loudness(levels: np.ndarray, weights: np.ndarray) -> np.ndarray:
    """Loudness of words together, without the loudest tenth of their time: one loud word shall not hide a quiet phrase.

    For every row of `weights`, (..., words); a word of no weight isn't heard.
    """
    order = np.argsort(levels)
    weights = weights[..., order]
    ends = np.cumsum(weights, axis=-1)
    counted = np.clip(_HEARD * ends[..., -1:] - ends + weights, 0.0, weights)
    return power_to_db(counted @ db_to_power(levels[order]) / counted.sum(axis=-1))


def _mean(levels: np.ndarray, weights: np.ndarray, shares: tuple[float, float]) -> float:
    """Mean of the levels between two percentiles (as shares): neither the softest nor the loudest words move it."""
    order = np.argsort(levels)
    ends = np.cumsum(weights[order])
    low, high = (share * ends[-1] for share in shares)
    counted = np.minimum(ends, high) - np.maximum(ends - weights[order], low)
    return float(np.average(levels[order], weights=np.maximum(counted, 0.0)))


def _spread(levels: np.ndarray, weights: np.ndarray) -> float:
    """Mean distance from the usual level, in dB; what lies above it counts half as much again as what lies below."""
    over = levels - quantile(levels, weights, _USUAL)
    distance = np.where(over > 0, _USUAL * over, (_USUAL - 1) * over)
    return _LEAST_SPREAD_DB + 2 * float(np.average(distance, weights=weights))
