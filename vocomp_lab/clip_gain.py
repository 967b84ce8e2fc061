"""Level prep: find the phrases and words that stand out, and turn them up or down before any compressor sees them.

A :class:`ClipGain` is a list of stretches with a gain each, joined by short crossfades. :func:`propose_regions`
suggests such stretches from the take's own levels; a person decides. Explained in ``02_level_prep``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from scipy.ndimage import convolve1d
from scipy.signal import butter, find_peaks, sosfilt

from vocomp_lab.audio import Clip
from vocomp_lab.checks import Settings, check_number, check_whole, shown
from vocomp_lab.levels import amplitude_to_db, db_to_amplitude, db_to_power, power_to_db, step_powers
from vocomp_lab.meters import active_mask, stretches

MIN_GAIN_DB = -48.0
MAX_GAIN_DB = 24.0
MAX_TIME_S = 86_400.0

LEVEL_BAND_HZ = (120.0, 400.0)
"""The level of a word is taken above the first of these and with 6 dB less per octave above the second."""
_STEP_MS = 10.0
_STEP_S = _STEP_MS / 1000.0
_FLOOR_DB = -150.0
_RUNNING_S = 3.0
_CONSONANT_BAND_HZ = (600.0, 3500.0)
_PAUSE_STEPS = 40
_SMOOTHING = np.full(4, 0.25)
_DIP_DB = 3.0
_LEAST_STEPS = 10
_WEAK_DB = 12.0
_PHRASE_S = 0.8
_LOUD_PHRASE_DB = 1.0
_AROUND_S = 10.0


@dataclass(frozen=True)
class GainRegion(Settings):
    """A stretch of a take that is turned up or down. Explained in ``02_level_prep``.

    Parameters
    ----------
    start_s, end_s : float
        Seconds from the clip's start; 0 or more, and the end after the start.
    gain_db : float
        −48 to 24 dB; below 0 is softer.

    Raises
    ------
    ValueError
        In one sentence naming the field, the value and what is allowed.
    """

    start_s: float
    end_s: float
    gain_db: float

    def __post_init__(self):
        start_s = check_number("start_s", self.start_s, 0, MAX_TIME_S, "s")
        self._keep(
            start_s=start_s,
            end_s=check_number("end_s", self.end_s, start_s, MAX_TIME_S, "s", low_open=True),
            gain_db=check_number("gain_db", self.gain_db, MIN_GAIN_DB, MAX_GAIN_DB, "dB"),
        )


@dataclass(frozen=True)
class ClipGain(Settings):
    """Gain by hand: stretches of a take, each with a gain of its own, joined by crossfades.

    Parameters
    ----------
    regions : sequence of GainRegion
        In any order (they are kept sorted by time). They may touch, where the gain goes straight from one to the other,
        but not overlap.
    crossfade_ms : float
        1 to 1,000 ms. Length of the fade from one gain to the next, centred on each border.

    Raises
    ------
    ValueError
        In one sentence naming the field, the value and what is allowed.

    Notes
    -----
    The fades are *equal gain*: amplitude goes in a straight line. Both sides of a border are the same sound at two
    gains, so that they add up in amplitude; an equal-power fade, meant for two unrelated sounds, would swell by up to
    3 dB in the middle. Common practice, no source. Where two borders lie closer than a fade is long, each fade shrinks
    so that they just meet in the middle. A region that starts with the clip has no fade at its start; what lies beyond
    the clip's end is ignored. Outside all regions and fades the samples stay as they are, bit for bit.

    The objects never change: every edit gives a new one, so that undo is keeping the old one. Explained in
    ``02_level_prep``.

    Examples
    --------
    >>> from vocomp_lab.clip_gain import ClipGain, GainRegion
    >>> prep = ClipGain([GainRegion(1.0, 1.5, -6)]).with_region(GainRegion(2.0, 4.0, 5))
    >>> prep.gain_db_at([0.5, 1.2, 3.0]).round(6).tolist()
    [0.0, -6.0, 5.0]
    >>> prep.without(0).regions
    (GainRegion(start_s=2.0, end_s=4.0, gain_db=5.0),)
    """

    NESTED: ClassVar[dict[str, type]] = {"regions": GainRegion}

    regions: tuple[GainRegion, ...] = ()
    crossfade_ms: float = 10.0

    def __post_init__(self):
        regions = self.regions
        if not isinstance(regions, (list, tuple)) or not all(isinstance(region, GainRegion) for region in regions):
            raise ValueError(
                f"regions: {shown(regions)} is not allowed; give a list of GainRegion(start_s, end_s, gain_db)."
            )
        regions = tuple(sorted(regions, key=lambda region: region.start_s))
        for before, after in zip(regions, regions[1:]):
            if after.start_s < before.end_s:
                raise ValueError(
                    f"regions: {before.start_s:g} to {before.end_s:g} s and "
                    f"{after.start_s:g} to {after.end_s:g} s overlap; regions may touch, but not overlap."
                )
        self._keep(regions=regions, crossfade_ms=check_number("crossfade_ms", self.crossfade_ms, 1, 1000, "ms"))

    def gain_db_at(self, times_s) -> np.ndarray:
        """The gain at any times, fades included.

        Parameters
        ----------
        times_s : array_like of float, any shape
            Seconds from the clip's start.

        Returns
        -------
        ndarray of the same shape
            Gain in dB; 0 outside all regions.
        """
        return np.asarray(amplitude_to_db(self._amplitude_at(np.asarray(times_s, dtype=np.float64))))

    def apply(self, clip: Clip) -> Clip:
        """The clip with every region turned up or down; samples may go over full scale."""
        gains = self._amplitude_at(clip.times_s())
        return clip.with_samples(clip.samples * (gains if clip.samples.ndim == 1 else gains[:, None]))

    def with_region(self, region: GainRegion) -> "ClipGain":
        """With one region more; a ValueError if it overlaps another."""
        return replace(self, regions=(*self.regions, region))

    def without(self, index: int) -> "ClipGain":
        """Without the region number `index`, counted from 0 in order of time."""
        return self._with(index)

    def moved(self, index: int, start_s: float, end_s: float) -> "ClipGain":
        """With the region number `index` at another time; a ValueError if it then overlaps another."""
        return self._with(index, replace(self._region(index), start_s=start_s, end_s=end_s))

    def changed(self, index: int, gain_db: float) -> "ClipGain":
        """With another gain for the region number `index`."""
        return self._with(index, replace(self._region(index), gain_db=gain_db))

    def split(self, index: int, at_s: float) -> "ClipGain":
        """With the region number `index` cut in two at a time inside it; both keep its gain, and sound the same."""
        region = self._region(index)
        at_s = check_number("at_s", at_s, region.start_s, region.end_s, "s", low_open=True)
        if at_s == region.end_s:
            raise ValueError(f"at_s: {at_s:g} s is the end of region {index}; give a time inside it.")
        return self._with(index, replace(region, end_s=at_s), replace(region, start_s=at_s))

    def _region(self, index: int) -> GainRegion:
        if not self.regions:
            raise ValueError(f"index: {shown(index)} is not allowed; there are no regions.")
        return self.regions[check_whole("index", index, 0, len(self.regions) - 1)]

    def _with(self, index: int, *instead: GainRegion) -> "ClipGain":
        old = self._region(index)
        return replace(self, regions=(*(region for region in self.regions if region is not old), *instead))

    def _amplitude_at(self, times_s: np.ndarray) -> np.ndarray:
        """Gain as a factor: a line through the starts and ends of all fades."""
        # Every border as (time, gain before, gain after); the gain between two regions that don't touch is 1.
        borders, level, last_end = [], 1.0, 0.0
        for region in self.regions:
            gain = db_to_amplitude(region.gain_db)
            if region.start_s > last_end and level != 1.0:
                borders.append((last_end, level, 1.0))
                level = 1.0
            if region.start_s > 0.0:
                borders.append((region.start_s, level, gain))
            level, last_end = gain, region.end_s
        if self.regions:
            borders.append((last_end, level, 1.0))
        if not borders:
            return np.ones(times_s.shape)
        at, before, after = np.array(borders).T
        room = np.concatenate([[at[0]], np.diff(at) / 2.0, [np.inf]])
        half = np.minimum(self.crossfade_ms / 2000.0, np.minimum(room[:-1], room[1:]))
        return np.interp(times_s, np.ravel([at - half, at + half], "F"), np.ravel([before, after], "F"))


@dataclass(frozen=True)
class Span:
    """A phrase, or a stretch of about a syllable or word, found by its level. Explained in ``02_level_prep``.

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

    def spans(self, pairs: np.ndarray) -> list[Span]:
        return [Span(float(self.edges_s[a]), float(self.edges_s[b]), self.level_db(a, b)) for a, b in pairs]


def find_phrases(clip: Clip) -> list[Span]:
    """What is sung between two pauses.

    Parameters
    ----------
    clip : Clip

    Returns
    -------
    list of Span
        In order; empty for silence. A pause is 0.4 s or more in which
        :func:`vocomp_lab.meters.active_mask` finds no singing, so that a short gap between words parts no phrase.

    Notes
    -----
    The mask looks at the tilted band that :func:`find_words` describes, in which most of a breath is missing, so that a
    loud breath bridges no pause. Common practice, no source. Explained in ``02_level_prep``.
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
        In order, without gaps inside a stretch of singing; empty for silence. They needn't be the words of the
        language: two syllables with no dip between them are one, and a consonant's closure may stand alone.

    Notes
    -----
    The level of a word is its power above 120 Hz, with 6 dB less per octave above 400 Hz: the tones that carry the
    pitch count most, sibilants, breaths and pops hardly, and an open vowel seems less loud beside a closed
    one than it would in the full band. Words part at dips of 3 dB or more of the mean of that level and the level from
    600 to 3,500 Hz, where m, n, l and w are weak. Common practice, no source. Explained in ``02_level_prep``.
    """
    found = _analyse(clip)
    return found.spans(found.words)


def running_level(clip: Clip) -> tuple[np.ndarray, np.ndarray]:
    """The take's own level around every moment: what a word is seen against.

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

    Notes
    -----
    Explained in ``02_level_prep``.
    """
    found = _analyse(clip)
    reach = round(_RUNNING_S / 2 / _STEP_S)
    places = np.arange(len(found.powers))
    first, last = np.maximum(places - reach, 0), np.minimum(places + reach + 1, len(places))
    # Counts tell exactly where nothing is sung; differences of sums alone would leave rounding there.
    count = np.concatenate([[0], np.cumsum(found.active)])
    energy = np.concatenate([[0.0], np.cumsum(np.where(found.active, found.powers, 0.0))])
    sung = count[last] - count[first]
    power = np.where(sung > 0, np.maximum(energy[last] - energy[first], 0.0) / np.maximum(sung, 1), 0.0)
    return (found.edges_s[:-1] + found.edges_s[1:]) / 2, power_to_db(power)


def propose_regions(
    clip: Clip, threshold_db: float = 4.0, min_length_s: float = 0.12, share: float = 0.85
) -> list[GainRegion]:
    """Gain regions for what stands out of a take; a person decides which of them to keep.

    First whole phrases: one that is softer than the median of the others by the threshold (louder by 1 dB more, since
    one loud word lifts its phrase) gets a gain. Then words, with the phrases levelled: one that is louder by the
    threshold than the louder words around it (their 85th percentile within 10 s) is turned down, together with its
    neighbours that stand out at least half as much. Soft words are left: unstressed syllables are soft by nature.

    Parameters
    ----------
    clip : Clip
    threshold_db : float
        1 to 24 dB. By how much something must stand out.
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
    and sibilants hardly count. Explained in ``02_level_prep``.
    """
    threshold_db = check_number("threshold_db", threshold_db, 1, 24, "dB")
    min_length_s = check_number("min_length_s", min_length_s, 0.02, 10, "s")
    share = check_number("share", share, 0, 1)
    found = _analyse(clip)
    if len(found.words) == 0:
        return []
    starts, ends = found.words.T
    lengths = ends - starts
    level_db = np.array([found.level_db(a, b) for a, b in found.words])
    phrase = np.searchsorted(found.phrases[:, 0], starts, side="right") - 1
    counts = _voiced(level_db, lengths, phrase)
    phrase_gain_db = _phrase_gains(level_db, counts, phrase, found.phrases, threshold_db, share)
    gain_db = phrase_gain_db[phrase]
    level_db = level_db + gain_db

    middles_s = (starts + ends) / 2 * _STEP_S
    usual_db, louder_db = _around(level_db, middles_s, counts)
    excess_db = np.where(counts, level_db - louder_db, -np.inf)
    first = starts.copy()
    last = ends.copy()
    moved = np.zeros(len(starts), dtype=bool)
    for a, b in _runs(excess_db, phrase, threshold_db):
        if (ends[b - 1] - starts[a]) * _STEP_S < min_length_s:
            continue
        joint_db = power_to_db(float(np.average(db_to_power(level_db[a:b]), weights=lengths[a:b])))
        gain_db[a:b] -= share * (joint_db - float(np.mean(usual_db[a:b])))
        moved[a:b] = True
        # Closed or hissing consonants beside the word belong to it or to its neighbour: the border goes between.
        before, after = np.flatnonzero(counts[:a]), np.flatnonzero(counts[b:])
        if len(before) and starts[a] - ends[before[-1]] < _PAUSE_STEPS:
            first[a] = (starts[a] + ends[before[-1]]) // 2
        if len(after) and starts[b + after[0]] - ends[b - 1] < _PAUSE_STEPS:
            last[b - 1] = (ends[b - 1] + starts[b + after[0]]) // 2

    # The gain of every step: phrases as a whole, then the words over them.
    steps_db = np.zeros(len(found.powers))
    for (a, b), gain in zip(found.phrases, phrase_gain_db):
        if (b - a) * _STEP_S >= min_length_s:
            steps_db[a:b] = gain
    for k in np.flatnonzero(moved):
        steps_db[first[k] : last[k]] = gain_db[k]
    steps_db = np.round(np.clip(steps_db, MIN_GAIN_DB, MAX_GAIN_DB), 1)
    borders = np.concatenate([[0], np.flatnonzero(np.diff(steps_db)) + 1, [len(steps_db)]])
    return [
        GainRegion(float(found.edges_s[a]), float(found.edges_s[b]), float(steps_db[a]))
        for a, b in zip(borders, borders[1:])
        if steps_db[a] != 0.0
    ]


def _analyse(clip: Clip) -> _Analysis:
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
    active = active_mask(voice, onset_drop_db=18.0)[edges[:-1]]
    starts, ends = stretches(active)
    apart = starts[1:] - ends[:-1] >= _PAUSE_STEPS
    edge = np.ones(min(len(starts), 1), dtype=bool)
    phrases = np.stack([starts[np.append(edge, apart)], ends[np.append(apart, edge)]], axis=1)
    dips_in = sum(power_to_db(convolve1d(p, _SMOOTHING), floor_db=_FLOOR_DB) for p in (powers, high)) / 2
    words = []
    # Within a phrase, gaps and all: what is too soft to count stays out of the comparison later.
    for a, b in phrases:
        cuts = [a, *(a + find_peaks(-dips_in[a:b], prominence=_DIP_DB)[0]), b]
        words += zip(cuts, cuts[1:])
    return _Analysis(edges / clip.rate, powers, active, phrases, np.array(words, dtype=int).reshape(-1, 2))


def _voiced(level_db: np.ndarray, lengths: np.ndarray, phrase: np.ndarray) -> np.ndarray:
    """Which words count in comparisons: not the closures, bursts and hisses that stand alone between two dips."""
    counts = lengths >= _LEAST_STEPS
    for k in np.unique(phrase):
        own = phrase == k
        if (own & counts).any():
            counts &= ~own | (level_db > np.median(level_db[own & counts]) - _WEAK_DB)
    return counts


def _phrase_gains(level_db, counts, phrase, phrases, threshold_db: float, share: float) -> np.ndarray:
    """A gain for each phrase that stands out, the farthest first, each seen against the others as they then are."""
    gains = np.zeros(len(phrases))
    level = np.full(len(phrases), np.nan)
    for k, (a, b) in enumerate(phrases):
        own = level_db[(phrase == k) & counts]
        if len(own) and (b - a) * _STEP_S >= _PHRASE_S:
            level[k] = np.percentile(own, 60)
    judged = np.flatnonzero(np.isfinite(level))
    if len(judged) < 3:  # of two, nobody can say which one is wrong
        return gains
    for _ in range(len(judged) // 2):
        # The median of a handful without one of them, for each of them.
        aside = np.array([level[k] - np.median(level[judged[judged != k]]) for k in judged])
        beyond = np.where(aside > 0, aside - _LOUD_PHRASE_DB, -aside)
        beyond[gains[judged] != 0] = -np.inf
        worst = int(np.argmax(beyond))
        if beyond[worst] < threshold_db:
            break
        gains[judged[worst]] = -share * aside[worst]
        level[judged[worst]] += gains[judged[worst]]
    return gains


def _around(level_db: np.ndarray, middles_s: np.ndarray, counts: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """60th and 85th percentile of the words around each word, itself left out; infinite where too few are near."""
    usual, louder = np.full((2, len(level_db)), np.inf)
    first = np.searchsorted(middles_s, middles_s - _AROUND_S)
    last = np.searchsorted(middles_s, middles_s + _AROUND_S, side="right")
    for k, (a, b) in enumerate(zip(first, last)):
        near = counts[a:b].copy()
        near[k - a] = False
        if near.sum() >= 4:
            usual[k], louder[k] = np.percentile(level_db[a:b][near], [60, 85])
    return usual, louder


def _runs(excess_db: np.ndarray, phrase: np.ndarray, threshold_db: float) -> list[tuple[int, int]]:
    """Words in a row, within one phrase, that all stand out half of the threshold and one of them by the whole."""
    runs = []
    for k in np.unique(phrase):
        own = np.flatnonzero(phrase == k)
        for a, b in zip(*stretches(excess_db[own] >= threshold_db / 2)):
            if excess_db[own[a:b]].max() >= threshold_db:
                runs.append((int(own[a]), int(own[b - 1]) + 1))
    return runs
