"""Find a take's phrases and words, and those that stand out, and suggest gain regions; a person decides."""

from __future__ import annotations

import weakref
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy.ndimage import convolve1d
from scipy.signal import butter, find_peaks, sosfilt

from vocomp_lab.analysis.loudness import MOMENTARY_STEPS, STEP_S, loudness
from vocomp_lab.analysis.meters import active_steps, voice_band_sections
from vocomp_lab.analysis.resonance import find_resonances
from vocomp_lab.analysis.stretches import bridged, stretches
from vocomp_lab.processors.clip_gain import MAX_GAIN_DB, MIN_GAIN_DB, GainRegion
from vocomp_lab.processors.filters import Peaking
from vocomp_lab.sound.audio import Clip
from vocomp_lab.sound.checks import check_number
from vocomp_lab.sound.levels import db_to_power, power_to_db, sample_peak_dbfs, step_powers

LEVEL_BAND_HZ = (120.0, 400.0)
"""A word's level is taken above the first of these, with 6 dB less per octave above the second."""
_STEP_MS = 10.0
_STEP_S = _STEP_MS / 1000.0
_FLOOR_DB = -150.0
_RUNNING_S = 3.0
_CONSONANT_BAND_HZ = (600.0, 3500.0)
_PAUSE_STEPS = 40
# In the tilted band soft words lie further below the loud ones than :func:`active_mask` allows for.
_ONSET_DROP_DB = 18.0
_SMOOTHING = np.full(4, 0.25)
_DIP_DB = 3.0


# Where the level drops this far and stays there for a while, a new word begins even without a dip. A much larger drop is
# the end of a vowel before a consonant.
_DROP_DB = (4.0, 12.0)
_DROP_STEPS = 16
_LEAST_STEPS = 10
_WEAK_DB = 12.0
_LEAST_RING_Q = 0.3
_PHRASE_S = 0.8
_PHRASE_SHARES = (0.4, 0.9)
_PHRASE_PART = 0.7
_LOUD_PHRASE_DB = 2.0
_AROUND_S = 10.0
_USUAL_PERCENTILES = (60, 85)
_JOINS = 0.55
_MOST_IN_A_RUN = 4
_REMEMBERED = 4


@dataclass(frozen=True)
class Span:
    """A phrase, or a stretch of about a syllable or word, found by its level.

    Attributes
    ----------
    start_s, end_s : float
        Seconds from the clip's start.
    level_db : float
        Level in dB re full scale, as :func:`find_words` describes it.
    """

    start_s: float
    end_s: float
    level_db: float

    @property
    def length_s(self) -> float:
        """Length in seconds."""
        return self.end_s - self.start_s


@dataclass(frozen=True, eq=False)
class _Analysis:
    """A take in steps of 10 ms: its tilted level, the phrases and the words as (first, one past the last) step."""

    edges_s: np.ndarray
    powers: np.ndarray
    active: np.ndarray
    phrases: np.ndarray
    words: np.ndarray

    def level_db(self, first: int, last: int) -> float:
        return power_to_db(float(self.powers[first:last].mean()), floor_db=_FLOOR_DB)

    @property
    def levels_db(self) -> np.ndarray:
        """Level of each word, shape (words,)."""
        return np.array([self.level_db(a, b) for a, b in self.words])

    @property
    def phrase(self) -> np.ndarray:
        """Number of each word's phrase, shape (words,)."""
        return np.searchsorted(self.phrases[:, 0], self.words[:, 0], side="right") - 1

    @property
    def counts(self) -> np.ndarray:
        """Which words count in comparisons: not the closures, bursts and hisses that stand alone between two dips."""
        counts = np.diff(self.words, axis=1)[:, 0] >= _LEAST_STEPS
        levels_db, phrase = self.levels_db, self.phrase
        for k in np.unique(phrase):
            own = phrase == k
            if (own & counts).any():
                counts &= ~own | (levels_db > np.median(levels_db[own & counts]) - _WEAK_DB)
        return counts

    def spans(self, pairs: np.ndarray) -> list[Span]:
        return [Span(float(self.edges_s[a]), float(self.edges_s[b]), self.level_db(a, b)) for a, b in pairs]


def find_phrases(clip: Clip) -> list[Span]:
    """Find the phrases: the singing between two pauses.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    list of Span
        In order; empty for silence. A pause is 0.4 s or more in which
        :func:`vocomp_lab.analysis.meters.active_mask` finds no singing, so that a short gap between words parts no phrase.

    Notes
    -----
    The mask looks at the tilted band that :func:`find_words` describes, in which most of a breath is missing, so that a
    loud breath bridges no pause. Common practice, no source.
    """
    found = _analyse(clip)
    return found.spans(found.phrases)


def find_words(clip: Clip) -> list[Span]:
    """Stretches of about a syllable or word, parted where the level dips.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    list of Span
        In order, without gaps inside a stretch of singing; empty for silence. They may not be the words of the
        language: two syllables with no dip between them are one, and a consonant's closure may stand alone.

    Notes
    -----
    The level of a word is its power above 120 Hz, with 6 dB less per octave above 400 Hz: the tones that carry the
    pitch count most, sibilants, breaths and pops hardly, and an open vowel seems less loud beside a closed
    one than it would in the full band. A ring of room or microphone (:func:`vocomp_lab.find_resonances`) is taken out
    beforehand, since it lifts the notes that meet it and no others. Words part at dips of 3 dB or more of the mean of
    that level and the level from 600 to 3,500 Hz, where m, n, l and w are weak, and where the level drops by 4 to
    12 dB and stays there. Common practice, no source.
    """
    found = _analyse(clip)
    return found.spans(found.words)


def voiced_words(clip: Clip) -> list[Span]:
    """The words of :func:`find_words` that have a level of their own: no lone closures, bursts or hisses.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    list of Span
        In order: at least 0.1 s long, and no more than 12 dB below the middle one of their phrase.

    Notes
    -----
    These are the words that :func:`propose_regions` compares.
    """
    found = _analyse(clip)
    return [span for span, counts in zip(found.spans(found.words), found.counts) if counts]


def eye_and_ear(clip: Clip, stretches_s) -> tuple[np.ndarray, np.ndarray]:
    """For each stretch: how high it looks in the waveform, and how loud it is.

    Parameters
    ----------
    clip : Clip
    stretches_s : sequence of (float, float)
        Start and end in seconds.

    Returns
    -------
    peaks_dbfs : ndarray, shape (stretches,)
        Sample peak.
    loudness_lufs : ndarray, shape (stretches,)
        Highest momentary loudness (BS.1770, 0.4 s) that is centred in the stretch; −inf for silence.
    """
    heard = loudness(clip)
    # A reading comes at the end of its 0.4 s; what it measures lies in the middle of them.
    centres_s = np.asarray(heard.times) - MOMENTARY_STEPS * STEP_S / 2
    peaks, louds = [], []
    for start_s, end_s in stretches_s:
        peaks.append(sample_peak_dbfs(clip.cut(start_s, end_s)))
        inside = (centres_s >= start_s) & (centres_s <= end_s)
        nearest = np.abs(centres_s - (start_s + end_s) / 2).argmin() if len(centres_s) else 0
        inside[nearest : nearest + 1] = True
        louds.append(np.max(heard.momentary_lufs[inside], initial=-np.inf))
    return np.array(peaks), np.array(louds)


def running_level(clip: Clip) -> tuple[np.ndarray, np.ndarray]:
    """The take's level around every moment: what a word is compared with.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    times_s : ndarray, shape (steps,)
        Middle of every step of 10 ms.
    level_db : ndarray, shape (steps,)
        Mean level of what is sung within 1.5 s before and after, on the scale of :func:`find_words`; −inf where nothing
        is.
    """
    found = _analyse(clip)
    reach = round(_RUNNING_S / 2 / _STEP_S)
    places = np.arange(len(found.powers))
    first, last = np.maximum(places - reach, 0), np.minimum(places + reach + 1, len(places))
    # Counts tell exactly where nothing is sung; differences of sums alone would leave rounding there.
    count = np.concatenate([[0], np.cumsum(found.active)])
    energy = np.concatenate([[0.0], np.cumsum(np.where(found.active, found.powers, 0.0))])
    counted = count[last] - count[first]
    power = np.where(counted > 0, np.maximum(energy[last] - energy[first], 0.0) / np.maximum(counted, 1), 0.0)
    return (found.edges_s[:-1] + found.edges_s[1:]) / 2, power_to_db(power)


def propose_regions(
    clip: Clip, threshold_db: float = 4.0, min_length_s: float = 0.12, share: float = 0.9
) -> list[GainRegion]:
    """Gain regions for what stands out in a take; a person decides which to keep.

    First whole phrases: one that is softer than the median of the others by seven tenths of the threshold gets a gain
    (louder by 2 dB more, since one loud word lifts its phrase, and a loud line is often meant). Then words, with the
    phrases levelled: one that is louder by the threshold than the louder words around it (their 85th percentile within
    10 s) is turned down, together with those of its neighbours that are nearer to it than to the usual level. Soft
    words are left: unstressed syllables are soft by nature.

    Parameters
    ----------
    clip : Clip
    threshold_db : float
        1 to 24 dB. By how much a word must stand out.
    min_length_s : float
        0.02 to 10 s. Shorter stretches are left alone.
    share : float
        0 to 1. How much of the distance to its neighbours a region takes back: to the median of the other phrases,
        to the 60th percentile of the words around. Below 1, since part of it may be meant.

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
    Common practice, no source. It hears levels, not words: a word that stands out because it is meant to is proposed
    too, and a loud word beside others that are nearly as loud is missed. Levels as in :func:`find_words`, where breaths
    and sibilants hardly count. A phrase's level is the mean of its middle steps in dB (from the 40th to the 90th
    percentile), which neither pauses nor a single loud word move much. How often it is right on takes that it was not
    tuned on is measured in ``tests/test_clip_gain.py``.
    """
    threshold_db = check_number("threshold_db", threshold_db, 1, 24, "dB")
    min_length_s = check_number("min_length_s", min_length_s, 0.02, 10, "s")
    share = check_number("share", share, 0, 1)
    found = _analyse(clip)
    if len(found.words) == 0:
        return []
    phrase_gain_db = _phrase_gains(found, threshold_db, share)
    starts, ends = found.words.T
    phrase = found.phrase
    words = _Words(found.levels_db + phrase_gain_db[phrase], ends - starts, (starts + ends) / 2, phrase, found.counts)

    # The gain of every step: phrases as a whole, then the words over them.
    steps_db = np.zeros(len(found.powers))
    for (a, b), gain in zip(found.phrases, phrase_gain_db):
        if (b - a) * _STEP_S >= min_length_s:
            steps_db[a:b] = gain
    for a, b, above_db in words.standing_out(threshold_db):
        if (ends[b - 1] - starts[a]) * _STEP_S >= min_length_s:
            first, last = _borders(found, a, b)
            steps_db[first:last] = phrase_gain_db[phrase[a]] - share * above_db
    steps_db = np.round(np.clip(steps_db, MIN_GAIN_DB, MAX_GAIN_DB), 1)
    borders = np.concatenate([[0], np.flatnonzero(np.diff(steps_db)) + 1, [len(steps_db)]])
    return [
        GainRegion(float(found.edges_s[a]), float(found.edges_s[b]), float(steps_db[a]))
        for a, b in zip(borders, borders[1:])
        if steps_db[a] != 0.0
    ]


# A bench, its picture and a lesson ask for the same take again and again, and finding its rings takes half a second.
_known: dict[int, tuple[weakref.ref, _Analysis]] = {}


def _analyse(clip: Clip) -> _Analysis:
    known = _known.get(id(clip))
    if known is not None and known[0]() is clip:
        return known[1]
    found = _analysed(clip)
    while len(_known) >= _REMEMBERED:
        _known.pop(next(iter(_known)), None)
    _known[id(clip)] = weakref.ref(clip), found
    return found


def _analysed(clip: Clip) -> _Analysis:
    for ring in find_resonances(clip):
        clip = Peaking(ring.freq_hz, -ring.gain_db, max(ring.q, _LEAST_RING_Q)).apply(clip)
    low, tilt = LEVEL_BAND_HZ
    tilted = np.concatenate(
        [
            butter(4, low, "highpass", fs=clip.rate, output="sos"),
            butter(1, tilt, fs=clip.rate, output="sos"),
        ]
    )
    high_band = butter(2, _CONSONANT_BAND_HZ, "bandpass", fs=clip.rate, output="sos")
    voice = clip.with_samples(sosfilt(tilted, clip.samples, axis=0))
    edges, powers = step_powers(voice, _STEP_MS)
    _, high = step_powers(clip.with_samples(sosfilt(high_band, clip.samples, axis=0)), _STEP_MS)
    band = voice.with_samples(sosfilt(voice_band_sections(clip.rate), voice.samples, axis=0))
    active = active_steps(step_powers(band, _STEP_MS)[1], _ONSET_DROP_DB)
    phrases = np.stack(bridged(*stretches(active), _PAUSE_STEPS), axis=1)
    dips_in = sum(power_to_db(convolve1d(p, _SMOOTHING), floor_db=_FLOOR_DB) for p in (powers, high)) / 2
    level_db = power_to_db(powers, floor_db=_FLOOR_DB)
    words = []
    # Within a phrase, gaps and all: what is too soft to count stays out of the comparison later.
    for a, b in phrases:
        dips = [a, *(a + find_peaks(-dips_in[a:b], prominence=_DIP_DB)[0]), b]
        cuts = sorted({*dips, *_drops(level_db, dips)})
        words += zip(cuts, cuts[1:])
    return _Analysis(edges / clip.rate, powers, active, phrases, np.array(words, dtype=int).reshape(-1, 2))


def _drops(level_db: np.ndarray, cuts) -> list[int]:
    """Where, between two cuts, the level drops for good: at most one place each."""
    drops = []
    for a, b in zip(cuts, cuts[1:]):
        if b - a >= 2 * _DROP_STEPS:
            medians = np.median(sliding_window_view(level_db[a:b], _DROP_STEPS), axis=1)
            fall_db = medians[:-_DROP_STEPS] - medians[_DROP_STEPS:]
            fall_db[fall_db > _DROP_DB[1]] = 0.0
            if fall_db.max() >= _DROP_DB[0]:
                drops.append(int(a + _DROP_STEPS + fall_db.argmax()))
    return drops


def _phrase_gains(found: _Analysis, threshold_db: float, share: float) -> np.ndarray:
    """A gain for each phrase that stands out, the farthest first, each seen against the others as they then are."""
    gains = np.zeros(len(found.phrases))
    level = np.full(len(found.phrases), np.nan)
    for k, (a, b) in enumerate(found.phrases):
        if (b - a) * _STEP_S >= _PHRASE_S:
            own = np.sort(power_to_db(found.powers[a:b][found.active[a:b]], floor_db=_FLOOR_DB))
            low, high = (int(part * len(own)) for part in _PHRASE_SHARES)
            level[k] = own[low : max(high, low + 1)].mean()
    judged = np.flatnonzero(np.isfinite(level))
    if len(judged) < 3:  # of two, nobody can say which one is wrong
        return gains
    for _ in range(len(judged) // 2):
        # The median of a handful without one of them, for each of them.
        aside = np.array([level[k] - np.median(level[judged[judged != k]]) for k in judged])
        beyond = np.where(aside > 0, aside - _LOUD_PHRASE_DB, -aside)
        beyond[gains[judged] != 0] = -np.inf
        worst = int(np.argmax(beyond))
        if beyond[worst] < _PHRASE_PART * threshold_db:
            break
        gains[judged[worst]] = -share * aside[worst]
        level[judged[worst]] += gains[judged[worst]]
    return gains


@dataclass(frozen=True, eq=False)
class _Words:
    """A take's words with their phrases levelled: levels, lengths and middles in steps, phrases, and which count."""

    level_db: np.ndarray
    lengths: np.ndarray
    middles: np.ndarray
    phrase: np.ndarray
    counts: np.ndarray

    def standing_out(self, threshold_db: float) -> list[tuple[int, int, float]]:
        """Runs of words that stand out, the loudest first: first, one past the last, and by how much over the usual."""
        runs, free = [], self.counts.copy()
        counted = np.flatnonzero(self.counts)
        for k in counted[np.argsort(-self.level_db[counted], kind="stable")]:
            if not free[k] or not self.level_db[k] - self._around(k, k + 1)[1] >= threshold_db:
                continue
            a, b = self._grown(int(k), free)
            # Not where it's unclear which word stands out from which.
            if self._around(a, b)[1] < np.inf and self.counts[a:b].sum() <= _MOST_IN_A_RUN:
                free[a:b] = False
                own = self.counts[a:b]
                power = np.average(db_to_power(self.level_db[a:b][own]), weights=self.lengths[a:b][own])
                runs.append((a, b, power_to_db(float(power)) - self._around(a, b)[0]))
        return runs

    def _grown(self, k: int, free: np.ndarray) -> tuple[int, int]:
        """Word k with the neighbours in its phrase that are nearer to its level than to the usual one."""
        open_to = np.flatnonzero(free & (self.phrase == self.phrase[k]))
        first = last = int(np.searchsorted(open_to, k))
        while True:
            for near, run in ((last + 1, (first, last + 1)), (first - 1, (first - 1, last))):
                if 0 <= near < len(open_to) and self._joins(open_to, near, run, self.level_db[k]):
                    first, last = run
                    break
            else:
                return int(open_to[first]), int(open_to[last]) + 1

    def _joins(self, open_to, near: int, run: tuple[int, int], top_db: float) -> bool:
        usual_db, _ = self._around(int(open_to[run[0]]), int(open_to[run[1]]) + 1)
        return self.level_db[open_to[near]] - usual_db > _JOINS * (top_db - usual_db)

    def _around(self, first: int, last: int) -> tuple[float, float]:
        """60th and 85th percentile of the words around a run, itself left out; infinite where too few are near."""
        reach = _AROUND_S / _STEP_S
        a = int(np.searchsorted(self.middles, self.middles[first] - reach))
        b = int(np.searchsorted(self.middles, self.middles[last - 1] + reach, side="right"))
        near = self.counts[a:b].copy()
        near[first - a : last - a] = False
        if near.sum() < 4:
            return np.inf, np.inf
        usual, louder = np.percentile(self.level_db[a:b][near], _USUAL_PERCENTILES)
        return float(usual), float(louder)


def _borders(found: _Analysis, a: int, b: int) -> tuple[int, int]:
    """First and last step of a region for the words a to b: closed or hissing consonants beside them are halved with
    the neighbours, and a sound that dies away is followed to its end.
    """
    words, counts = found.words, found.counts
    first, last = int(words[a, 0]), int(words[b - 1, 1])
    before, after = np.flatnonzero(counts[:a]), np.flatnonzero(counts[b:])
    if len(before) and first - words[before[-1], 1] < _PAUSE_STEPS:
        first = (first + int(words[before[-1], 1])) // 2
    if len(after) and words[b + after[0], 0] - last < _PAUSE_STEPS:
        last = (last + int(words[b + after[0], 0])) // 2
    if len(after) and words[b + after[0], 0] == last:
        # Where words part by a drop, its slope is still to come: a gain that ends on it lifts the last of the word.
        slope_db = power_to_db(convolve1d(found.powers, _SMOOTHING), floor_db=_FLOOR_DB)[last : words[b + after[0], 1]]
        rising = np.flatnonzero(np.diff(slope_db) >= 0)
        last += int(rising[0]) if len(rising) else len(slope_db)
    return first, last
